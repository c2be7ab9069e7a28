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

from densiscan.arithmetic.arrays import Floats
from densiscan.errors import WedgeNotFoundError
from densiscan.scan.places import BoxMm
from densiscan.wedge.alignment import Steps
from densiscan.wedge.count import DOUBT, Count, counts
from densiscan.wedge.laid import Laid, laid_on
from densiscan.wedge.limits import ROW_LIMITS, RowLimits
from densiscan.wedge.look import is_straight, rows_by_angle, weight
from densiscan.wedge.rows import Row

CELL_MM: Final = 0.25
"""Cell of the map that is searched: a step of 2 mm is still 8 cells."""
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


def _seen_words(seen: list[Row], steps: Steps, origin_mm: tuple[float, float]) -> str:
    if not seen:
        return "no row of even steps was seen"
    best = max(seen, key=lambda row: len(row.strips) * counts(row.evidence, steps.densities)[0].visible)
    way = _likeliest(best, steps)
    middle = best.band.middle
    ends = [
        best.view.to_map(best.lattice.origin + (way.start + part * way.count) * best.lattice.pitch, middle)
        for part in (0, 1)
    ]
    places = " to ".join(
        f"({origin_mm[0] + max(CELL_MM * x, 0.0):.0f}, {origin_mm[1] + max(CELL_MM * y, 0.0):.0f})" for x, y in ends
    )
    return f"{way.count} steps were seen, from {places} mm"


def _likeliest(row: Row, steps: Steps) -> Count:
    """Return the likeliest way to count the steps of a row that was refused, whatever the file's number."""
    ways = counts(row.evidence, steps.densities)
    leads = laid_on(row, steps).leads() | {steps.densities.size: 0.0}
    return min(ways, key=lambda way: way.doubt + leads.get(way.count, math.inf)) if ways[0].count in leads else ways[0]


def find_steps(
    signal: Floats,
    steps: Steps,
    *,
    inverted: bool,
    quantum: float = 0.0,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    limits: RowLimits = ROW_LIMITS,
) -> WedgePlace:
    """Find the steps of a wedge on a cell map.

    Parameters
    ----------
    signal
        Mean signal of cells of `CELL_MM`, 0 to 1, shape (rows, columns).
    steps
        Those of the wedge file.
    inverted
        True when the signal rises with density.
    quantum
        One code of the scan's scale, as a fraction of full scale.
    origin_mm
        Place of the map's top left corner on the scan.

    Returns
    -------
    WedgePlace
        As many steps as the file has. Those beyond the last edge that could be seen are placed by the pitch, `seen`
        False.

    Raises
    ------
    WedgeNotFoundError
        If no wedge of that many steps is there, or more than one. The message says how many steps were seen, and where.
    """
    image = np.log10(np.clip(1.0 - signal if inverted else signal, max(0.25 * quantum, 2e-6), None))
    seen: list[Row] = []
    fitting: list[tuple[Row, Count]] = []
    for rows in rows_by_angle(image, steps.densities.size, quantum=quantum, least_seen=_LEAST_VISIBLE, limits=limits):
        seen += rows
        # What looks far more like a wedge, but has another number of steps, is not passed over for lesser rows.
        least = limits.rival * max((weight(row) for row in seen), default=0.0)
        likely = [row for row in seen if is_straight(row) and weight(row) >= least]
        fitting = [(row, way) for row in likely if (way := _settled(row, steps)) is not None]
        if fitting:
            break
    if not fitting:
        raise WedgeNotFoundError(_seen_words(seen, steps, origin_mm))
    fitting.sort(key=lambda one: -weight(one[0]))
    first, way = fitting[0]
    _refuse_two(first, [row for row, other in fitting[1:] if other.doubt <= way.doubt + DOUBT], origin_mm)
    return place_of(first, way.start, way.count, visible=way.visible, origin_mm=origin_mm)


def _settled(row: Row, steps: Steps) -> Count | None:
    """Return the way to count the steps on which edges and lengths agree with the densities of the file.

    None where another number of steps is likelier by both together. Where the edges leave the place open or speak for
    another, and one place alone agrees with the densities, it is that.
    """
    count, ways = steps.densities.size, counts(row.evidence, steps.densities)
    least = _LEAST_VISIBLE * count
    way = next((way for way in ways if way.count == count and way.visible >= least), None)
    laid = laid_on(row, steps)
    # What the edges leave in doubt is believed only where the densities, if they tell a place, clearly tell the same.
    agrees = way is not None and way.doubt <= min(ways[0].doubt + DOUBT, _MOST_DOUBT)
    if way is not None and agrees:
        agrees = laid.favours(way.start) if way.doubt > DOUBT else not laid.contradicts(way.start)
    settled = way if agrees else None
    if settled is None and laid.best is not None and laid.alone:
        start = laid.best.start
        seen = min(max(row.drops) + 1 - start, count)
        settled = Count(start=start, count=count, visible=seen, doubt=0.0) if seen >= least else None
    return None if settled is None or _another_number(laid, ways, way) else settled


def _another_number(laid: Laid, ways: list[Count], way: Count | None) -> bool:
    """Tell whether another number of steps is likelier than the file's, by the edges and the densities together.

    Of the edges a way is given that has the file's number; where the light end is lost, they cannot count.
    """
    if way is None or not laid.light_seen:
        return any(lead < 0.0 for lead in laid.leads().values())
    doubts = {other.count: other.doubt for other in ways}
    if way.doubt <= 0.0 and all(doubt >= _MOST_DOUBT for count, doubt in doubts.items() if count != way.count):
        # The edges alone leave no doubt.
        return False
    return any(lead + doubts.get(count, _MOST_DOUBT) < way.doubt for count, lead in laid.leads().items())


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


def place_of(
    found: Row, start: int, count: int, *, visible: int | None = None, origin_mm: tuple[float, float] = (0.0, 0.0)
) -> WedgePlace:
    """Return where the steps of a row lie on the scan: so many, from this lattice cell on, all of them seen or some."""
    view, pitch, band, lattice = found.view, found.lattice.pitch, found.band, found.lattice
    lean = lattice.lean * (band.middle - lattice.middle)
    along_half, across_half = 0.5 * found.view.limits.read * abs(pitch), 0.5 * found.view.limits.read * band.width
    slope = abs(math.tan(math.radians(view.angle_deg + found.tilt_deg)))
    # A box upright on the scan inside a leaning step: what leans out is cut off, first of the longer side.
    across_half = min(across_half, 0.5 * along_half / slope) if slope > 0.0 else across_half
    along_half -= slope * across_half
    across_half -= slope * along_half
    rows, columns = view.image.T.shape if view.transposed else view.image.shape
    steps = []
    for number in range(count):
        cell = start + number
        column, row = view.to_map(lattice.origin + (cell + 0.5) * pitch + lean, band.middle + band.rise * cell)
        half = (across_half, along_half) if view.transposed else (along_half, across_half)
        left, width = _on_map(column - half[0], 2.0 * half[0], columns)
        top, height = _on_map(row - half[1], 2.0 * half[1], rows)
        box = (origin_mm[0] + CELL_MM * left, origin_mm[1] + CELL_MM * top, CELL_MM * width, CELL_MM * height)
        steps.append(StepPlace(box_mm=box, seen=visible is None or number < visible))
    ends = ("top", "bottom") if view.transposed else ("left", "right")
    turn = view.angle_deg + found.tilt_deg
    angle = -turn if view.transposed else turn
    return WedgePlace(
        steps=tuple(steps), angle_deg=angle, light_end=ends[0 if pitch > 0 else 1], pitch_mm=CELL_MM * abs(pitch)
    )
