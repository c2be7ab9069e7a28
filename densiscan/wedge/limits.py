"""What a row of even steps goes by, whoever looks for it: the wedge, steps on film, a wedge printed on paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.threshold import chosen, physics, practice


@dataclass(frozen=True, slots=True, kw_only=True)
class RowLimits:
    """Thresholds of the search for rows of even steps. Lengths are in cells of the map, levels in log10 signal."""

    # Strips and their profiles
    angles_deg: tuple[float, ...] = practice(
        (0.0, 1.2, -1.2, 2.4, -2.4, 3.4, -3.4), "Angles looked along: nobody lays a wedge down worse."
    )
    steepest_deg: float = practice(5.0, "Angle beyond which no wedge is laid, even where its edges say so.")
    shortest_step: float = practice(6.0, "Shortest step that is looked for: 1.5 mm; the smallest wedges have 2 mm.")
    strip: int = chosen(10, "Height of a strip: narrower than the narrowest step, wide enough to quieten noise.")
    line: int = chosen(7, "Running median along a profile: strokes of numerals and lines up to half of it vanish.")
    least_change: float = physics(0.2, "Change along the whole row, at least: 5 steps of 0.1 at gamma 2.")
    turn_back: float = chosen(0.02, "Change against the direction that ends a stretch without a turn.")
    least_move: float = chosen(0.01, "Change within half a step that may be an edge, at first sight.")
    most_profiles: int = chosen(60, "Profiles of one direction that are read, the most promising first.")
    # Edges of one profile
    change_penalty: float = physics(30.0, "Chi-square an edge must explain: about 3 log N for some hundred cells.")
    evenness: float = practice(0.003, "Unevenness within a step that is no edge: lamp, glare, processing.")
    longest_stretch: int = chosen(200, "Cells after which a stretch is cut all the same: longer than any step.")
    faintest_edge: float = practice(0.005, "Faintest edge: less is the unevenness of one surface.")
    least_stretches: tuple[float, ...] = chosen((3.0, 6.0, 10.0), "Stretches passed over at first sight, in turn.")
    off_lattice: float = chosen(0.2, "Part of a step by which an edge may lie beside its place.")
    end_off_lattice: float = chosen(0.1, "The same for an end, beyond which film of any length may follow.")
    most_lattices: int = chosen(60, "Lattices tried on the edges of a run, the most hopeful first.")
    hole_costs: float = chosen(0.8, "Edges that an empty place between edges costs a lattice.")
    most_holes: int = chosen(2, "Empty places side by side that a run may have.")
    back_to_light: float = chosen(3.0, "Usual edges of a run that an edge back to light must be worth to end it.")
    sharper: float = chosen(0.35, "Part of a step that a stretch must be long, once the length of a step is known.")
    # Strips side by side
    same_pitch: float = chosen(0.04, "Part by which the steps of neighbouring strips differ in length, at most.")
    same_place: float = chosen(0.25, "Part of a step by which their edges lie apart, at most.")
    strips_apart: float = chosen(2.5, "Strips between two that may still be of one row: a numeral or a scratch.")
    stands_out: float = practice(0.012, "Level at which a step stands out from what lies beside: density 0.03.")
    bare: float = practice(0.009, "Unevenness of bare glass: a lamp that is 2 % brighter in one place.")
    as_deep: float = chosen(0.3, "Part of the contrast of the densest step beside the row that a further one has.")
    open_end: float = chosen(0.5, "Part of the whole row by which what lies beside its end is brighter: open light.")
    # The band that a row covers
    band_of_jump: float = chosen(0.2, "Part of the jump from step to step that a level may differ by within a row.")
    band_most: float = chosen(0.02, "The same at most, however large the jumps are.")
    band_least: float = practice(0.002, "The same at least: what one surface is uneven by.")
    band_agrees: float = chosen(0.7, "Part of the steps that must show their level on a line of the row.")
    band_usual: float = chosen(0.25, "Part by which the width of a step differs from the usual one, at most.")
    narrowest: float = practice(6.0, "Narrowest row that is read: 1.5 mm.")
    # Which of the rows
    most_looks: int = chosen(4, "Groups of strips of one direction that are looked at closely.")
    most_rough: float = physics(0.2, "Unevenness within steps over the jumps between them; a ramp has about 0.3.")
    edges_seen: float = chosen(0.7, "Part of the edges that one strip alone must show, along a row that lies straight.")
    straight_deg: float = chosen(0.6, "Angle that is left, at most, of a row that lies straight.")
    straight_shift: float = chosen(0.2, "The same as a shift over the whole row, part of its width.")
    rival: float = chosen(0.5, "Part of the weight of the weightiest row that another must have to count.")
    # Cells
    middle: tuple[float, float] = practice((0.3, 0.7), "Part of a cell whose level is read: its rims blur.")
    halves: tuple[tuple[float, float], ...] = practice(
        ((0.15, 0.4), (0.6, 0.85)), "Parts that are compared to see an edge within a cell: rims are left out."
    )
    least_inside: float = chosen(0.55, "Part of a cell that must lie on the scan to read anything in it.")
    cell_edge: float = practice(0.015, "Difference of level between its halves from which an edge lies within a cell.")
    cell_noises: float = physics(4.0, "The same in deviations of noise.")
    cell_jump: float = physics(0.35, "The same as part of the jump to a neighbour, whose glare falls off across it.")
    beside: int = practice(4, "Cells of the map between a row and what is looked at beside it.")
    read: float = practice(0.6, "Part of a step, along and across, that is read: blur, glare, numerals are the rest.")


ROW_LIMITS: Final = RowLimits()
