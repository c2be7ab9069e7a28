"""What lies on the glass and is no negative: step wedges, and opaque things such as the end of a wedge or a card."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from densiscan.negative.find.limits import NOT_FILM_LIMITS, NotFilmLimits
from densiscan.negative.find.outlines import Outline
from densiscan.scan.cells import Cells, Map, Straightened, TurnedBox, straightened
from densiscan.scan.places import BoxMm

_PARTS_ALONG: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """One thing on the glass that was not measured.

    Attributes
    ----------
    box_mm
        Left, top, width, height on the scan before turning.
    code, message
        Why, for programs and for a person.
    may_be_film
        Whether a negative may be lost by it.
    """

    box_mm: BoxMm
    code: str
    message: str
    may_be_film: bool


def negatives_among(
    cells: Cells,
    outlines: Sequence[Outline],
    densest: float,
    *,
    blank: bool = False,
    limits: NotFilmLimits = NOT_FILM_LIMITS,
) -> tuple[list[Outline], tuple[LeftOut, ...]]:
    """Return the pieces that may be negatives, in their order, and what was left out.

    `densest` is the densest step of the calibration; `blank` says that every piece of film is unexposed.
    """
    grids = {id(outline): straightened(cells, outline.box) for outline in outlines if not outline.cropped}
    wedges = [outline for outline in outlines if id(outline) in grids and is_wedge(grids[id(outline)], densest, limits)]
    several = len(outlines) - len(wedges) > 1
    kept, left = [], []
    for outline in outlines:
        grid = grids.get(id(outline))
        if any(outline is wedge for wedge in wedges):
            left.append(left_out(outline, "wedge-left-out"))
        elif grid is None:
            kept.append(outline)
        elif is_opaque(grid, densest, limits):
            left.append(left_out(outline, "opaque-left-out", may_be_film=densest < limits.surely_opaque))
        elif any(belongs_to_wedge(outline.box, wedge.box, limits) for wedge in wedges):
            continue
        elif several and not blank and is_border(outline, grid, limits):
            left.append(left_out(outline, "border-left-out"))
        else:
            kept.append(outline)
    return kept, tuple(left)


def wedges_joined(
    cells: Cells, outlines: Sequence[Outline], densest: float, limits: NotFilmLimits = NOT_FILM_LIMITS
) -> list[Outline]:
    """Return the pieces, those of a wedge that clear lines between its steps part as one, where the first of them was.

    Together they are a wedge; film in a row is none.
    """
    rows: list[list[Outline]] = []
    for outline in outlines:
        if not outline.cropped:
            own = next((row for row in rows if any(_in_line(outline.box, other.box, limits) for other in row)), [])
            own.append(outline)
            rows += [own] if len(own) == 1 else []
    joined = list(outlines)
    for row in rows:
        box = _round_all([outline.box for outline in row])
        if len(row) > 1 and is_wedge(straightened(cells, box), densest, limits):
            within = [bool(box.inside(*outline.box.centre).any()) for outline in joined]
            joined[within.index(True)] = whole = replace(row[0], box=box)
            joined = [one for one, inside in zip(joined, within, strict=True) if one is whole or not inside]
    return joined


def _in_line(one: TurnedBox, other: TurnedBox, limits: NotFilmLimits) -> bool:
    """Return whether two pieces, as wide as each other, lie in one row, a few steps apart at most."""
    u, v = (abs(float(place)) for place in other.own(*one.centre))
    if u < v:
        across, wide, off = other.width_mm, one.width_mm, u
        apart = v - (other.height_mm + one.height_mm) / 2
    else:
        across, wide, off = other.height_mm, one.height_mm, v
        apart = u - (other.width_mm + one.width_mm) / 2
    alike = abs(across - wide) < 0.1 * across and off < 0.15 * across
    return alike and across < limits.widest_wedge_mm and apart < limits.lost_between_mm


def _round_all(row: Sequence[TurnedBox]) -> TurnedBox:
    """Return the box round a row of pieces, turned as the line through the middles of its ends is."""
    middles = np.array([box.centre for box in row])
    order = np.argsort(middles[:, int(np.argmax(np.ptp(middles, axis=0)))])
    first, last = row[int(order[0])].centre, row[int(order[-1])].centre
    angle = (math.degrees(math.atan2(last.y - first.y, last.x - first.x)) + 45.0) % 90.0 - 45.0
    point = TurnedBox(left_mm=first.x, top_mm=first.y, width_mm=0.0, height_mm=0.0, angle_deg=angle)
    corners = np.array([corner for box in row for corner in box.corners()])
    u, v = point.own(corners[:, 0], corners[:, 1])
    return point.part((float(u.min()), float(u.max())), (float(v.min()), float(v.max())))


def templates_among(outlines: Sequence[Outline]) -> list[Outline]:
    """Return the pieces that hold other pieces within their own edges: paper with an opening, in which film lies.

    No film lies within another, with glass round it.
    """
    return [
        outline
        for outline in outlines
        if any(other is not outline and _holds(outline.box, other.box) for other in outlines)
    ]


def _holds(box: TurnedBox, other: TurnedBox) -> bool:
    x, y = (np.array(places) for places in zip(*other.corners(), strict=True))
    return bool(box.inside(x, y).all())


_WHY: Final = {
    "template-left-out": "has an opening that film lies in; it was taken for a template and not measured.",
    "wedge-left-out": "looks like a step wedge; it was not measured as a negative.",
    "opaque-left-out": "lets no light through; it was taken for card or a holder and not measured.",
    "border-left-out": "is the dark border of the bed; it was not measured.",
    "film-touches-wedge": "touches the wedge and was not measured; leave clear glass between film and wedge.",
    "outline-not-clear": "has no straight edges; it was not measured. If it is film, lay it apart from other things "
    "and scan it again.",
}
LEFT_OUT_CODES: Final = frozenset(_WHY)


def left_out(outline: Outline, code: str, *, may_be_film: bool = False) -> LeftOut:
    """Return what is to be said of a piece that is not measured."""
    left, top, width, height = outline.box.box_mm
    message = f"What lies at {left:.0f},{top:.0f} ({width:.0f} x {height:.0f} mm) {_WHY[code]}"
    return LeftOut(box_mm=outline.box.box_mm, code=code, message=message, may_be_film=may_be_film)


def without_wedge(
    cells: Cells,
    outlines: Sequence[Outline],
    steps_mm: Sequence[BoxMm],
    *,
    densest: float,
    limits: NotFilmLimits = NOT_FILM_LIMITS,
) -> tuple[list[Outline], tuple[LeftOut, ...]]:
    """Return the pieces that are not the wedge whose steps lie in these boxes, and what was left out.

    Whatever holds the middle of a step is wedge, and so is what lies in line with it, close to its ends. A piece that
    holds steps and reaches far beyond them is wedge and film in one: it is left out, and told.
    """
    row = _row_of(steps_mm)
    middles = [(left + 0.5 * width, top + 0.5 * height) for left, top, width, height in steps_mm]
    x, y = (np.array(places) for places in zip(*middles, strict=True))
    kept, left = [], []
    for outline in outlines:
        if not outline.cropped and outline.box.inside(x, y).any():
            if _beyond(outline.box, row) > limits.film_beyond_mm:
                left.append(left_out(outline, "film-touches-wedge", may_be_film=True))
        elif not outline.cropped and is_opaque(straightened(cells, outline.box), densest, limits):
            left.append(left_out(outline, "opaque-left-out", may_be_film=densest < limits.surely_opaque))
        elif not belongs_to_wedge(outline.box, row, limits):
            kept.append(outline)
    return kept, tuple(left)


def _row_of(steps_mm: Sequence[BoxMm]) -> TurnedBox:
    """Return the box round a row of steps, turned as the row is; a step is read in its middle 60 per cent."""
    first, last = steps_mm[0], steps_mm[-1]
    dx, dy = (last[k] - first[k] + 0.5 * (last[k + 2] - first[k + 2]) for k in (0, 1))
    pitch = math.hypot(dx, dy) / max(len(steps_mm) - 1, 1)
    across = max(max(box[2] if abs(dy) > abs(dx) else box[3] for box in steps_mm) / 0.6, pitch)
    length = pitch * len(steps_mm)
    centre = first[0] + 0.5 * first[2] + 0.5 * dx, first[1] + 0.5 * first[3] + 0.5 * dy
    return TurnedBox(
        left_mm=centre[0] - 0.5 * length,
        top_mm=centre[1] - 0.5 * across,
        width_mm=length,
        height_mm=across,
        angle_deg=math.degrees(math.atan2(dy, dx)),
    )


def _beyond(piece: TurnedBox, row: TurnedBox) -> float:
    """Return how far a piece reaches beyond a row of steps on the side where it reaches farthest, mm."""
    x, y = (np.array(places) for places in zip(*row.corners(), strict=True))
    u, v = piece.own(x, y)
    across, down = piece.width_mm / 2, piece.height_mm / 2
    return float(max(across - u.max(), across + u.min(), down - v.max(), down + v.min()))


def is_opaque(grid: Straightened, densest: float, limits: NotFilmLimits = NOT_FILM_LIMITS) -> bool:
    """Return whether a piece lets no light through anywhere: no film, however dense, is even to its edges.

    The rebate of a sheet whose edges are hidden by a holder is still more than a fiftieth of what is seen of it.
    """
    rim = grid.cells(1.0)
    inner = grid.density[rim:-rim, rim:-rim]
    inner = inner[np.isfinite(inner)]
    return bool(inner.size and np.percentile(inner, 2) > min(densest, limits.surely_opaque))


def is_border(outline: Outline, grid: Straightened, limits: NotFilmLimits = NOT_FILM_LIMITS) -> bool:
    """Return whether a piece is the dark border of the bed: even, dense, over the whole of one side of the scan."""
    if outline.sides.count("scan") != 3:
        return False
    rim = grid.cells(2.0)
    inner = grid.density[rim:-rim, rim:-rim]
    inner = inner[np.isfinite(inner)]
    if not inner.size:
        return False
    low, middle, high = np.percentile(inner, (10, 50, 90))
    return bool(middle > limits.densest_clear and high - low < limits.even_border)


def is_wedge(
    grid: Straightened,
    densest: float = NOT_FILM_LIMITS.surely_opaque,
    limits: NotFilmLimits = NOT_FILM_LIMITS,
) -> bool:
    """Return whether a piece is a step wedge: density that rises along it in steps and is even across.

    A picture may rise too, but it is not even across while it does, nor level between rises; what is ruled, such as
    panes, slats or palings, does not fill it from edge to edge. A wedge is a narrow strip, and what is as wide as roll
    film is not left out of a measurement. Borders, numerals beside the steps and lines between them are passed over,
    and all that is denser than the calibration tells apart (`densest`) is one black.
    """
    opaque = min(densest, limits.surely_opaque)
    capped = np.minimum(grid.density, opaque)
    return any(
        density.shape[0] * grid.step_mm <= limits.widest_wedge_mm
        and _staircase(density, grid.step_mm, opaque, limits)
        and _fills(density, grid.cells(1.0), opaque, limits)
        for density in (capped, capped.T)
    )


def fields_along(grid: Straightened, densest: float, limits: NotFilmLimits = NOT_FILM_LIMITS) -> int:
    """Return how many even fields a narrow piece is made of, one after another; 0 where it is anything else.

    A looser question than `is_wedge`: the fields may rise and fall, numerals may stand on them, and two are enough.
    Of a picture neither nearly every line is even across, nor nearly all of its length level.
    """
    opaque = min(densest, limits.surely_opaque)
    rim = grid.cells(limits.line_mm)
    capped = np.minimum(grid.density, opaque)[rim:-rim, rim:-rim]
    ways = (capped, capped.T)
    return max(
        _fields(way, grid, opaque, limits) if way.shape[0] * grid.step_mm < limits.widest_wedge_mm else 0
        for way in ways
    )


def _fields(density: Map, grid: Straightened, opaque: float, limits: NotFilmLimits) -> int:
    rows, columns = density.shape
    width, apart = grid.cells(limits.line_mm) | 1, grid.cells(0.5)
    if rows < 8 or columns < 3 * max(width, apart):
        return 0
    lines = density[rows // 8 : rows - rows // 8 : max(1, rows // 48)]
    lines = np.where(np.isfinite(lines), lines, opaque)
    plain = np.median(lines, axis=0)
    seen = plain < opaque - limits.near_opaque
    if (
        seen.mean() < 0.25
        or np.mean(np.median(np.abs(lines - plain), axis=0)[seen] < limits.even_across) < limits.fields_share
    ):
        return 0
    levels = np.median(np.lib.stride_tricks.sliding_window_view(plain, width), axis=1)
    moves = np.abs(levels[apart:] - levels[:-apart]) > 0.02
    if moves.mean() > 1.0 - limits.fields_share:
        return 0
    change = np.diff(np.concatenate(([True], moves, [True])).astype(np.int8))
    starts, ends = np.flatnonzero(change < 0), np.flatnonzero(change > 0)
    return int(np.count_nonzero(ends - starts >= width))


def _fills(density: Map, rim: int, opaque: float, limits: NotFilmLimits) -> bool:
    """Return whether every line along a piece is one of the steps, an even border, or steps with numerals on them.

    A line of the steps agrees with the middle of the piece in the light half, one through numerals agrees beside them
    all along; a line of the border has one density over most of its length, numerals or none.
    """
    lines = density[rim:-rim, rim:-rim]
    lines = lines[:: max(1, lines.shape[0] // 64)]
    if lines.shape[0] < 4 or lines.shape[1] < 12:
        return False
    lines = np.where(np.isfinite(lines), lines, np.nanmedian(lines))
    rows = lines.shape[0]
    plain = np.median(lines[rows // 4 : rows - rows // 4], axis=0)
    light = np.flatnonzero(plain <= np.median(plain))
    agrees = np.abs(lines[:, light] - plain[light]) < 2 * limits.even_across
    steps = agrees.mean(axis=1) > 0.7
    beside = np.min([part.mean(axis=1) for part in np.array_split(agrees, _PARTS_ALONG, axis=1)], axis=0)
    usual = np.median(lines, axis=1, keepdims=True)
    border = (np.abs(lines - usual) < 2 * limits.even_across).mean(axis=1) > 0.5
    border |= usual[:, 0] > opaque - limits.near_opaque
    return bool((steps | border | (beside > limits.beside_numerals)).mean() > limits.lines_fill and steps.mean() > 0.25)


def belongs_to_wedge(box: TurnedBox, wedge: TurnedBox, limits: NotFilmLimits = NOT_FILM_LIMITS) -> bool:
    """Return whether a piece lies in line with a wedge, close to its ends: a step as clear as glass parted them.

    An end is short, and no wider than the wedge; anything else there may be film.
    """
    u, v = (abs(float(place)) for place in wedge.own(*box.centre))
    along, across = wedge.width_mm / 2, wedge.height_mm / 2
    long, wide = box.width_mm, box.height_mm
    if along < across:
        u, v, along, across = v, u, across, along
        long, wide = wide, long
    if long > limits.film_beyond_mm or wide > 2.4 * across + 2:
        return False
    return v < 0.5 * across + 1 and u < along + 0.5 * long + 15


class _Climb(NamedTuple):
    """Levels along a piece from its lightest to its densest place, rising, and how uneven each line is across."""

    levels: Map
    scatter: Map


def _staircase(density: Map, step_mm: float, opaque: float, limits: NotFilmLimits) -> bool:
    """Return whether density climbs in steps along the second axis, as far as light comes through."""
    climb = _climb(density, step_mm, limits)
    if climb is None:
        return False
    reached = np.maximum.accumulate(climb.levels)
    seen = int(np.searchsorted(reached, opaque - limits.near_opaque))
    levels, scatter = climb.levels[:seen], climb.scatter[:seen]
    if levels.size < max(climb.levels.size // 4, 2):
        return False
    rise = float(levels[-1] - levels[0])
    if rise < limits.least_rise:
        return False
    # the light half is free of noise
    light = int(np.searchsorted(reached[:seen], levels[0] + rise / 2))
    light = max(light, levels.size // 3)
    if float(np.median(scatter[:light])) > limits.even_across:
        return False
    return _stretches(levels, rise, max(1, round(0.5 / step_mm)), limits) >= limits.fewest_levels


def _climb(density: Map, step_mm: float, limits: NotFilmLimits) -> _Climb | None:
    """Return the longest rise along the second axis, either way; None where it is not most of the piece."""
    rows, columns = density.shape
    width = max(3, round(limits.line_mm / step_mm) | 1)
    if columns < 3 * width or rows < 8:
        return None
    # some two dozen lines tell it as well as all
    middle = density[rows // 4 : rows - rows // 4 : max(1, rows // 48)]
    middle = np.where(np.isfinite(middle), middle, np.nanmedian(middle))
    plain = np.median(middle, axis=0)
    scatter = np.median(np.abs(middle - plain), axis=0)
    levels = np.median(np.lib.stride_tricks.sliding_window_view(plain, width), axis=1)
    scatter = np.median(np.lib.stride_tricks.sliding_window_view(scatter, width), axis=1)
    allowed = max(0.03, 0.05 * float(np.ptp(levels)))
    runs = [
        (_longest_rise(way, allowed), way, across) for way, across in ((levels, scatter), (levels[::-1], scatter[::-1]))
    ]
    (first, last), way, across = max(runs, key=lambda run: run[0][1] - run[0][0])
    if last - first < 0.55 * levels.size or way[last - 1] - way[first] < limits.least_rise:
        return None
    return _Climb(way[first:last], across[first:last])


def _longest_rise(levels: Map, allowed: float) -> tuple[int, int]:
    """Return first and end of the longest stretch that never falls by more than is allowed below what it reached."""
    best, start, reached = (0, 0), 0, -np.inf
    for k, level in enumerate(levels.tolist()):
        if level < reached - allowed:
            start, reached = k, level
        reached = max(reached, level)
        if k + 1 - start > best[1] - best[0]:
            best = (start, k + 1)
    return best


def _stretches(levels: Map, rise: float, apart: int, limits: NotFilmLimits) -> int:
    """Return how many level stretches of different density a climb has, or 0 where it climbs evenly."""
    moves = np.abs(levels[apart:] - levels[:-apart])
    usual = rise * apart / levels.size
    level = moves < max(limits.usual_rise * usual, 0.006)
    if level.mean() < limits.level_share:
        return 0
    change = np.diff(np.concatenate(([False], level, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(change > 0), np.flatnonzero(change < 0)
    heights = [float(np.median(levels[start : end + apart])) for start, end in zip(starts, ends, strict=True)]
    steps = heights[:1]
    for height in heights[1:]:
        if height > steps[-1] + max(0.02, 0.01 * rise):
            steps.append(height)
    # most of the rise in one place is the edge of a picture
    return len(steps) if max(np.diff(steps), default=rise) <= limits.one_rise * rise else 0
