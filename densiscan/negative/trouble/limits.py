"""What leaks and uneven development are told by from grain, dust, masks and the lamp."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.threshold import chosen, physics, practice


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleLimits:
    """Thresholds of the search for leaks and uneven development; lengths in mm, depths in steps of 0.5 mm."""

    false_alarms: float = chosen(0.0005, "Chance that grain alone gives one false finding on one side of a piece.")
    # Along an edge
    stretches_mm: tuple[int, ...] = chosen((2, 4, 8, 16, 32, 64, 128), "Lengths of stretches that are looked at.")
    deepest_mm: float = chosen(25.0, "Depth that is looked at: light that came in at an edge has faded by then.")
    most_a_side: int = chosen(4, "Leaks of one side that are looked for, the strongest first.")
    outer: int = chosen(2, "Depths that are the outermost film: a millimetre is wide enough to quieten grain.")
    outermost: int = practice(8, "Depths among which the outermost lie, where a mask hides the very edge.")
    seen_of_stretch: float = chosen(0.4, "Part of a stretch of which film must be seen.")
    seen_of_side: float = chosen(0.2, "The same of a whole side: much of it may lie under a mask.")
    rises_noises: float = chosen(2.0, "Deviations of noise by which a profile rises again where another leak begins.")
    rises_local: float = chosen(0.5, "The same as a part of what a scanner makes by itself.")
    corner_mm: float = practice(4.0, "How near to each other two sides show the same leak, round a corner.")
    # Inwards
    least_deep: int = physics(2, "Depths that must be seen: of one it cannot be told whether it fades inwards.")
    gone_part: float = chosen(0.15, "Part of its height at which a leak has ended inwards.")
    gone_noises: float = physics(2.0, "The same in deviations of noise.")
    gone: float = practice(0.003, "The same as a density: what even film differs by from place to place.")
    grows: float = physics(1.25, "Times its height that it may gain inwards: light that comes in at an edge fades.")
    grows_noises: float = physics(3.0, "The same in deviations of noise.")
    grows_least: float = practice(0.004, "The same as a density, at least.")
    far_in_mm: float = practice(12.0, "Depth from which light has faded: farther in it is a streak or a band.")
    faded: float = chosen(0.6, "Part of its height that is left there, at most.")
    rim_part: float = chosen(0.35, "Part of the height down to which its fall is continued over the rim.")
    rim_most: float = physics(1.5, "Times the outermost height that the continued one may be.")
    # What is no leak
    shadow_mm: float = practice(3.0, "Depth of the shadow of a mask that lies over the film, at most.")
    shadow_local: float = chosen(0.5, "Part of what a scanner makes by itself at which a shadow is gone.")
    beyond_mm: tuple[float, float] = practice((1.0, 3.0), "Beyond an edge, where tape or a label is seen on the glass.")
    fewest_beyond: int = chosen(12, "Places that must be seen there.")
    over_edge: float = chosen(0.5, "Part of its height that goes on there where it is tape, and no leak.")
    # Over the whole piece
    seen_across: float = chosen(0.6, "Part of width and height over which film must be seen to tell a slope.")
    shared_blocks: float = physics(25.0, "Blocks of 1 mm that share what is uneven over 5 mm.")
    slope_noises: float = physics(3.0, "Deviations of noise beyond which a slope is told.")
    edge_seen: float = chosen(0.5, "Part of an edge that must be seen.")
    edge_quantile: float = chosen(0.35, "Place of an edge that stands for it: below its middle, so that no leak does.")
    edge_sides: int = chosen(3, "Sides that must agree before edges differ from the middle.")
    edge_noises: float = physics(3.0, "Deviations of noise beyond which one does.")
    edge_gone: float = physics(0.37, "Part of it, 1/e, at which it has ended inwards.")
    # Bands and streaks
    fewest_lines: int = chosen(12, "Lines of a profile, at least.")
    least_periods: float = physics(2.0, "Periods that a band must have: of fewer it is a slope or a bow.")
    shortest_mm: float = practice(3.0, "Shortest period: nothing that moves in a tank repeats more closely.")
    wave_share: float = chosen(0.4, "Part of all power that a wave has: a single bump fills many periods.")
    streaks_mm: tuple[float, ...] = chosen((1.0, 2.0, 4.0, 8.0), "Widths of streaks that are looked for.")
    flank: int = chosen(3, "Widths of a streak of what lies beside it: half of it, which decides, is no other streak.")
    # An area that a person names
    area_noises: float = physics(3.0, "Deviations of its grain that an area may be off its plane where it is even.")
    area_least: float = practice(0.006, "The same as a density, at least: even film differs by that.")
    area_spread: float = practice(0.05, "Deviation of its densities, at most, where it is even.")


TROUBLE_LIMITS: Final = TroubleLimits()
