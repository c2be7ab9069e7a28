"""Finds the steps of a wedge on a scan, without being told where they are.

The cell map of the scan is looked at along both directions and at small angles, in narrow strips. Each strip gives a
profile, and `staircase` reads it. Strips side by side that agree are the wedge; their edges give its angle; the rows
that show the same levels give its width. The boxes read are the middle of each step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.errors import WedgeNotFoundError
from densiscan.wedge.alignment import Steps
from densiscan.wedge.count import DOUBT, Count
from densiscan.wedge.laid import laid_on
from densiscan.wedge.rows import Row, Strip, groups_of, row_of, strips_of
from densiscan.wedge.view import STRIP_CELLS, View

Floats = npt.NDArray[np.float64]
BoxMm = tuple[float, float, float, float]

CELL_MM: Final = 0.25
"""Cell of the map that is searched: a step of 2 mm is still 8 cells."""
ANGLES_DEG: Final = (0.0, 1.2, -1.2, 2.4, -2.4, 3.4, -3.4)
_MIDDLE: Final = 0.6
"""Part of a step, along and across, that is read: the rest is left to blur, glare from the neighbour and numerals."""
_STEEPEST_DEG: Final = 5.0
_MOST_LOOKS: Final = 4
"""Groups of strips of one view that are looked at closely, those that explain most of the scan first."""
_MOST_ROUGH: Final = 0.2
"""Unevenness within steps over the jumps between them at which a row is none of steps; a ramp has about 0.3."""
_NARROWEST_CELLS: Final = 6.0
_RIVAL: Final = 0.5
"""Part of the weight of the weightiest row of steps that another must have to be a wedge beside it."""
_LEAST_VISIBLE: Final = 0.4
"""Part of the steps that must be seen: a scanner that drowns more of the wedge can not be calibrated with it."""
_MOST_DOUBT: Final = 3.0
"""Doubt at which no count of steps is believed: one strong contradiction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPlace:
    """Where a step is read: its box in mm from the top left corner, and whether its edge was seen or only counted."""

    box_mm: BoxMm
    seen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgePlace:
    """The steps found, lightest first, the angle of the wedge (clockwise positive) and the side of its light end."""

    steps: tuple[StepPlace, ...]
    angle_deg: float
    light_end: str
    pitch_mm: float


def _seen_words(found: list[Row], origin_mm: tuple[float, float]) -> str:
    if not found:
        return "no row of even steps was seen"
    best = max(found, key=lambda one: len(one.strips) * one.ways[0].visible)
    way, middle = best.ways[0], best.band.middle
    ends = [
        best.view.to_map(best.lattice.origin + (way.start + part * way.count) * best.lattice.pitch, middle)
        for part in (0, 1)
    ]
    places = " to ".join(
        f"({origin_mm[0] + max(CELL_MM * x, 0.0):.0f}, {origin_mm[1] + max(CELL_MM * y, 0.0):.0f})" for x, y in ends
    )
    return f"{way.count} steps were seen, from {places} mm"


def _fitting(row: Row, count: int) -> Count | None:
    """Return the way to count this many steps, where that is credible beside the most credible way."""
    way = next((way for way in row.ways if way.count == count), None)
    if way is None or way.visible < _LEAST_VISIBLE * count:
        return None
    return way if way.doubt <= min(row.ways[0].doubt + DOUBT, _MOST_DOUBT) else None


def find_steps(
    signal: Floats,
    densities: Floats,
    *,
    inverted: bool,
    doubts: Floats | None = None,
    quantum: float = 0.0,
    origin_mm: tuple[float, float] = (0.0, 0.0),
) -> WedgePlace:
    """Find the steps of a wedge on a cell map.

    Parameters
    ----------
    signal
        Mean signal of cells of `CELL_MM`, 0 to 1, shape (rows, columns).
    densities
        Densities of the steps, lightest first.
    inverted
        True when the signal rises with density.
    doubts
        Standard deviations of the densities; those of a nominal wedge when not given.
    quantum
        One code of the scan's scale, as a fraction of full scale.
    origin_mm
        Place of the map's top left corner on the scan.

    Returns
    -------
    WedgePlace
        As many steps as densities. Steps beyond the last edge that could be seen are placed by the pitch, `seen` False.

    Raises
    ------
    WedgeNotFoundError
        If no wedge of that many steps is there, or more than one. The message says how many steps were seen, and where.
    """
    image = np.log10(np.clip(1.0 - signal if inverted else signal, max(0.25 * quantum, 2e-6), None))
    steps = Steps(densities=densities, doubts=np.full(densities.size, 0.01) if doubts is None else doubts)
    seen: list[Row] = []
    fitting: list[tuple[Row, Count]] = []
    hopeful = {False, True}
    for angle in ANGLES_DEG:
        for transposed in sorted(hopeful):
            view = View.of(image, transposed=transposed, angle_deg=angle, quantum=quantum)
            rows = _rows_of(view, densities)
            if not any(_may_be_wedge(row, densities.size) for row in rows):
                if angle == 0.0:
                    # The strips that lean against a wedge cross its edges in turn: other angles are spared.
                    hopeful.discard(transposed)
                    seen += [row for row in rows if _is_sound(row)]
                continue
            seen += _made_straight(rows, image, densities)
        # What looks far more like a wedge, but has another number of steps, is not passed over for lesser rows.
        least = _RIVAL * max((weight(row) for row in seen), default=0.0)
        likely = [row for row in seen if is_straight(row) and weight(row) >= least]
        fitting = [(row, way) for row in likely if (way := _settled(row, steps)) is not None]
        if fitting or not hopeful:
            break
    if not fitting:
        raise WedgeNotFoundError(_seen_words(seen, origin_mm))
    fitting.sort(key=lambda one: -weight(one[0]))
    first, way = fitting[0]
    _refuse_two(first, [row for row, other in fitting[1:] if other.doubt <= way.doubt + DOUBT], origin_mm)
    return place_of(first, way, origin_mm)


def _settled(row: Row, steps: Steps) -> Count | None:
    """Return the way to count the steps on which edges and lengths agree with the densities of the file.

    Where the edges leave the number open or speak for another, and one place alone agrees with the densities, it is
    that; where the densities contradict, and no place is sure, none is.
    """
    count = steps.densities.size
    way = _fitting(row, count)
    laid = laid_on(row, steps)
    # What the edges leave in doubt is believed only where the densities, if they tell a place, clearly tell the same.
    if way is not None and (laid.favours(way.start) if way.doubt > DOUBT else not laid.contradicts(way.start)):
        return way
    if laid.best is None or not laid.sure:
        return None
    start = laid.best.start
    seen = min(max(row.drops) + 1 - start, count)
    return Count(start=start, count=count, visible=seen, doubt=0.0) if seen >= _LEAST_VISIBLE * count else None


def rows_along(view: View, image: Floats, densities: Floats) -> list[Row]:
    """Return the rows of steps that are seen along a direction, each straightened, the weightiest first."""
    return _made_straight(_rows_of(view, densities), image, densities)


def _rows_of(view: View, densities: Floats) -> list[Row]:
    """Return the rows of edges that are worth a close look, those that explain most of the scan first."""
    groups = [group for group in groups_of(strips_of(view, _fewest(densities))) if len(group) >= 2]
    groups.sort(key=_explained)
    return [row_of(view, group, densities) for group in groups[: -_MOST_LOOKS - 1 : -1]]


def _may_be_wedge(row: Row, count: int) -> bool:
    """Tell whether a row, straight or not, is of even steps and shows edges enough for a wedge of so many."""
    return _is_sound(row) and len(row.drops) + 2 >= _LEAST_VISIBLE * count


def _made_straight(rows: list[Row], image: Floats, densities: Floats) -> list[Row]:
    straight = [_straightened(row, image, densities) for row in rows]
    return sorted((row for row in straight if _is_sound(row)), key=weight, reverse=True)


def _fewest(densities: Floats) -> int:
    """Return how many edges in a row are worth a look: fewer tell no such wedge, and every picture is full of them."""
    return max(3, densities.size // 4)


def _explained(group: list[Strip]) -> float:
    return sum(len(strip.run.drops) * sum(max(drop, 0.0) for drop in strip.run.drops.values()) for strip in group)


def _is_sound(row: Row) -> bool:
    """Tell whether a row has even steps, and is wide enough to read."""
    return row.rough <= _MOST_ROUGH and row.band.width >= _NARROWEST_CELLS


def _straightened(found: Row, image: Floats, densities: Floats) -> Row:
    """Look again along the direction that the edges show, where it is another than the one looked along."""
    angle = found.view.angle_deg + found.tilt_deg
    if not 0.1 < abs(found.tilt_deg) < 4.0 or abs(angle) > _STEEPEST_DEG:
        return found
    view = View.of(image, transposed=found.view.transposed, angle_deg=angle, quantum=found.view.quantum)
    length = 0.5 * (found.span + 2) * found.lattice.pitch
    along = found.lattice.origin + length
    _, across = view.from_map(*found.view.to_map(along, found.band.middle + found.band.rise * 0.5 * found.span))
    reach = 0.5 * found.band.width + abs(length * math.tan(math.radians(found.tilt_deg))) + 2 * STRIP_CELLS
    groups = [
        group
        for group in groups_of(strips_of(view, _fewest(densities), (int(across - reach), int(across + reach))))
        if len(group) >= 2
        and abs(group[0].run.pitch / found.lattice.pitch - 1.0) < 0.1
        and sum(len(strip.run.drops) for strip in group) >= 0.6 * sum(len(strip.run.drops) for strip in found.strips)
    ]
    return row_of(view, groups[0], densities) if groups else found


def weight(row: Row) -> float:
    """Return how much speaks for a row being steps: how many there are, and how even each is beside its edges."""
    return (row.span + 2) * math.log(1.0 / (row.rough + 0.01)) * math.sqrt(row.band.width)


def is_straight(found: Row) -> bool:
    """Tell whether a strip runs along the wedge: it sees most edges, and what is left of the angle shifts it little."""
    if max(len(strip.run.drops) for strip in found.strips) < 0.7 * len(found.drops):
        return False
    length = (found.span + 1) * abs(found.lattice.pitch)
    return abs(found.tilt_deg) < 0.6 or math.tan(math.radians(abs(found.tilt_deg))) * length < 0.2 * found.band.width


def _refuse_two(first: Row, others: list[Row], origin_mm: tuple[float, float]) -> None:
    for other in others:
        # Two wedges of the same densities span the same signals; glare beside a wedge repeats its steps, but fainter.
        ranges = sum(first.drops.values()), sum(other.drops.values())
        if ranges[1] > 0.5 * ranges[0] and not _overlap(first, other):
            (x, y), (u, v) = _light_end_mm(first, origin_mm), _light_end_mm(other, origin_mm)
            raise WedgeNotFoundError(
                f"two wedges were seen, with their light ends near ({x:.0f}, {y:.0f}) and ({u:.0f}, {v:.0f}) mm"
            )


def _outline(found: Row) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of a wedge on the map, in cells."""
    points = [
        found.view.to_map(
            found.lattice.origin + place * found.lattice.pitch, found.band.middle + side * found.band.width
        )
        for place in (-1, found.span + 1)
        for side in (-0.5, 0.5)
    ]
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def _overlap(one: Row, other: Row) -> bool:
    """Tell whether the outlines of two rows share more than a tenth of the smaller: one wedge seen twice."""
    a, b = _outline(one), _outline(other)
    width, height = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    areas = [(box[2] - box[0]) * (box[3] - box[1]) for box in (a, b)]
    return width > 0.0 and height > 0.0 and width * height > 0.1 * min(areas)


def _light_end_mm(found: Row, origin_mm: tuple[float, float]) -> tuple[float, float]:
    x, y = found.view.to_map(found.lattice.origin, found.band.middle)
    return origin_mm[0] + CELL_MM * x, origin_mm[1] + CELL_MM * y


def _on_map(start: float, size: float, extent: float) -> tuple[float, float]:
    """Return start and size of a side of a box, cut off at the borders of the map."""
    first, last = max(start, 0.0), min(start + size, extent)
    return first, max(last - first, 0.0)


def place_of(found: Row, way: Count, origin_mm: tuple[float, float]) -> WedgePlace:
    """Return where the steps of a row lie on the scan, counted in one way."""
    view, pitch, band, lattice = found.view, found.lattice.pitch, found.band, found.lattice
    lean = lattice.lean * (band.middle - lattice.middle)
    along_half, across_half = 0.5 * _MIDDLE * abs(pitch), 0.5 * _MIDDLE * band.width
    slope = abs(math.tan(math.radians(view.angle_deg + found.tilt_deg)))
    # A box upright on the scan inside a leaning step: what leans out is cut off, first of the longer side.
    across_half = min(across_half, 0.5 * along_half / slope) if slope > 0.0 else across_half
    along_half -= slope * across_half
    across_half -= slope * along_half
    rows, columns = view.image.T.shape if view.transposed else view.image.shape
    steps = []
    for number in range(way.count):
        cell = way.start + number
        column, row = view.to_map(lattice.origin + (cell + 0.5) * pitch + lean, band.middle + band.rise * cell)
        half = (across_half, along_half) if view.transposed else (along_half, across_half)
        left, width = _on_map(column - half[0], 2.0 * half[0], columns)
        top, height = _on_map(row - half[1], 2.0 * half[1], rows)
        box = (origin_mm[0] + CELL_MM * left, origin_mm[1] + CELL_MM * top, CELL_MM * width, CELL_MM * height)
        steps.append(StepPlace(box_mm=box, seen=number < way.visible))
    ends = ("top", "bottom") if view.transposed else ("left", "right")
    turn = view.angle_deg + found.tilt_deg
    angle = -turn if view.transposed else turn
    return WedgePlace(
        steps=tuple(steps), angle_deg=angle, light_end=ends[0 if pitch > 0 else 1], pitch_mm=CELL_MM * abs(pitch)
    )
