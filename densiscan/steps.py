"""Finds the steps of a wedge on a scan, without being told where they are.

The cell map of the scan is looked at along both directions and at small angles, in narrow strips. Each strip gives a
profile, and `staircase` reads it. Strips side by side that agree are the wedge; their edges give its angle; the rows
that show the same levels give its width. The boxes read are the middle of each step.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from densiscan.errors import WedgeNotFoundError
from densiscan.staircase import DOUBT, Count, Evidence, Run, counts, find_runs

Floats = npt.NDArray[np.float64]
BoxMm = tuple[float, float, float, float]

CELL_MM: Final = 0.25
"""Cell of the map that is searched: a step of 2 mm is still 8 cells."""
_STRIP_CELLS: Final = 10
_SHORTEST_STEP_CELLS: Final = 6
_LINE_CELLS: Final = 7
"""Width of the running median along a profile: numerals' strokes and dividing lines up to half of it vanish."""
_ANGLES_DEG: Final = (0.0, 1.2, -1.2, 2.4, -2.4, 3.4, -3.4)
_LEAST_CHANGE: Final = 0.2
"""Change of log10 signal along the whole wedge below which a strip is not worth reading: 5 steps of 0.1 at gamma 2."""
_MIDDLE: Final = 0.6
"""Part of a step, along and across, that is read: the rest is left to blur, glare from the neighbour and numerals."""
_MOST_PROFILES: Final = 60
_STEEPEST_DEG: Final = 5.0
_MOST_LOOKS: Final = 4
"""Groups of strips of one view that are looked at closely, those that explain most of the scan first."""
_STANDS_OUT: Final = 0.012
"""Difference of log10 signal at which a step stands out from what lies beside it: density 0.03 at gamma 2.2."""
_BARE: Final = 0.009
"""Unevenness of the bare glass, log10: a lamp that is 2 % brighter in one place."""
_FAR_BRIGHTER: Final = 0.4
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


class _Strip(NamedTuple):
    """A strip with a run of even edges: its middle across, and the run, in cells of the turned map."""

    across: float
    run: Run


class _Lattice(NamedTuple):
    """Edges at origin + place * pitch + lean * (across - middle), in cells."""

    origin: float
    pitch: float
    lean: float
    middle: float


class _Band(NamedTuple):
    """The rows a wedge covers: its middle row at lattice place 0.5 and its rise a step, and its width, in cells."""

    middle: float
    rise: float
    width: float

    def rows(self, number: float, size: int) -> tuple[int, int]:
        """Return first and last + 1 row of a lattice cell, at least one, on a map of so many rows."""
        middle = min(max(self.middle + self.rise * number, 0.5), size - 0.5)
        return max(int(middle - 0.5 * self.width), 0), min(int(middle + 0.5 * self.width) + 1, size)


class _Found(NamedTuple):
    """Strips that agree, the lattice they share, the rows they cover, and the ways to count their steps."""

    view: _View
    strips: list[_Strip]
    lattice: _Lattice
    band: _Band
    tilt_deg: float
    span: int
    edges: int
    ways: list[Count]


@dataclass(frozen=True, slots=True, kw_only=True)
class _View:
    """The map seen with the wedge's direction along the columns: transposed or not, and turned by an angle."""

    transposed: bool
    angle_deg: float
    image: Floats

    @staticmethod
    def of(image: Floats, *, transposed: bool, angle_deg: float) -> _View:
        flat = image.T if transposed else image
        return _View(transposed=transposed, angle_deg=angle_deg, image=_turned(flat, angle_deg))

    def to_map(self, along: float, across: float) -> tuple[float, float]:
        """Return (column, row) on the untransposed, unturned map of a point of this view, in cells."""
        rows, columns = self.image.shape
        x, y = _rotated(along, across, columns, rows, self.angle_deg)
        return (y, x) if self.transposed else (x, y)


def _rotated(x: float, y: float, columns: int, rows: int, angle_deg: float) -> tuple[float, float]:
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    dx, dy = x - 0.5 * columns, y - 0.5 * rows
    return 0.5 * columns + cosine * dx - sine * dy, 0.5 * rows + sine * dx + cosine * dy


def _turned(image: Floats, angle_deg: float) -> Floats:
    """Return the map turned so that lines at this angle run along the rows; nearest cell, edges repeated."""
    if angle_deg == 0.0:
        return image
    rows, columns = image.shape
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    dx = np.arange(columns) + 0.5 - 0.5 * columns
    dy = (np.arange(rows) + 0.5 - 0.5 * rows)[:, None]
    column = np.clip((0.5 * columns + cosine * dx - sine * dy).astype(np.intp), 0, columns - 1)
    row = np.clip((0.5 * rows + sine * dx + cosine * dy).astype(np.intp), 0, rows - 1)
    return image[row, column]


def _profiles(image: Floats) -> tuple[Floats, Floats, Floats]:
    """Return middle rows, median profiles and the noise of each profile's cells, for half-overlapping strips."""
    height = min(_STRIP_CELLS, image.shape[0])
    tops = np.arange(0, image.shape[0] - height + 1, max(height // 2, 1))
    profiles = np.empty((tops.size, image.shape[1]))
    noise = np.empty_like(profiles)
    for number, top in enumerate(tops):
        strip = image[top : top + height]
        middle = np.median(strip, axis=0)
        profiles[number] = middle
        # 1.4826 MAD is the standard deviation of normal noise; 1.25 / sqrt(n) is what a median leaves of it.
        noise[number] = np.median(np.abs(strip - middle), axis=0) * (1.4826 * 1.25 / math.sqrt(height))
    return tops + 0.5 * height, _running_median(profiles, _LINE_CELLS), _running_median(noise, 2 * _LINE_CELLS + 1)


def _running_median(lines: Floats, width: int) -> Floats:
    half = width // 2
    padded = np.pad(lines, ((0, 0), (half, half)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width, axis=1)
    return np.asarray(np.median(windows, axis=2), dtype=np.float64)


def _worth_reading(profile: Floats) -> float:
    """Return a quick measure of a staircase: the largest change over a stretch without a turn back, or 0."""
    half = _SHORTEST_STEP_CELLS // 2
    step = profile[half:] - profile[:-half]
    best = 0.0
    for direction in (step, -step):
        against = np.flatnonzero(direction > max(_LEAST_CHANGE / 10.0, 0.0))
        ends = np.concatenate(([-1], against, [direction.size]))
        for first, last in zip(ends[:-1] + 1, ends[1:] - 1, strict=True):
            if last - first >= 4 * _SHORTEST_STEP_CELLS:
                moves = direction[first : last + 1] < -0.01
                edges = int(np.count_nonzero(moves[1:] & ~moves[:-1]))
                change = abs(float(profile[last] - profile[first]))
                if edges >= 3 and change >= _LEAST_CHANGE:
                    best = max(best, change * min(edges, 10))
    return best


def _strips(view: _View, quantum: float) -> list[_Strip]:
    """Return the strips on which a run of even edges is seen."""
    middles, profiles, noise = _profiles(view.image)
    noise = np.hypot(noise, quantum / 10.0**profiles / math.log(10.0))
    broad = _running_median(profiles, 2 * _LINE_CELLS - 1)
    promise = np.array([max(_worth_reading(a), _worth_reading(b)) for a, b in zip(profiles, broad, strict=True)])
    order = np.argsort(-promise, kind="stable")[:_MOST_PROFILES]
    found: list[_Strip] = []
    for number in np.sort(order[promise[order] > 0.0]):
        runs = find_runs(profiles[number], noise[number], shortest=_SHORTEST_STEP_CELLS)
        found += [_Strip(float(middles[number]), run) for run in runs]
    return found


def _groups(strips: list[_Strip]) -> list[list[_Strip]]:
    """Return the strips that share a lattice with a neighbour, largest group first."""
    groups: list[list[_Strip]] = []
    for strip in strips:
        for group in groups:
            last = group[-1]
            pitch = last.run.pitch
            drift = math.tan(math.radians(1.0)) * abs(strip.across - last.across)
            apart = (strip.run.origin - last.run.origin) / pitch
            if (
                0.0 < strip.across - last.across <= 2.5 * _STRIP_CELLS
                and abs(strip.run.pitch / pitch - 1.0) < 0.04
                and abs(apart - round(apart)) < 0.25 + drift / abs(pitch)
                and abs(apart) < 0.5 * (len(last.run.drops) + len(strip.run.drops))
            ):
                group.append(strip)
                break
        else:
            groups.append([strip])
    return sorted(groups, key=lambda group: -sum(len(strip.run.drops) for strip in group))


def _lattice(group: list[_Strip], shifts: list[int]) -> _Lattice:
    """Fit one lattice to the edges of all strips of a group, each by two points of its own."""
    ends = [
        (place + shift, strip.across, strip.run.origin + place * strip.run.pitch)
        for strip, shift in zip(group, shifts, strict=True)
        for place in np.quantile(list(strip.run.drops), (0.2, 0.8)).tolist()
    ]
    place, across, along = np.array(ends).T
    middle = float(np.median(across))
    design = np.stack((np.ones_like(place), place, across - middle), axis=1)
    if np.ptp(across) == 0.0:
        design = design[:, :2]
    keep = np.ones(place.size, dtype=bool)
    for _ in range(3):
        solution = np.linalg.lstsq(design[keep], along[keep], rcond=None)[0]
        miss = np.abs(along - design @ solution)
        keep = miss <= max(3.0 * float(np.median(miss)), 1.0)
    return _Lattice(float(solution[0]), float(solution[1]), float(solution[2]) if solution.size > 2 else 0.0, middle)


def _nearest(
    group: list[_Strip], shifts: list[int], place: int, end: Callable[[Iterable[int]], int]
) -> list[tuple[_Strip, int]]:
    """Return the strips, with their shifts, whose first (or last) edge is nearest to a place."""
    away = [abs(end(strip.run.drops) + shift - place) for strip, shift in zip(group, shifts, strict=True)]
    both = zip(group, shifts, away, strict=True)
    return [(strip, shift) for strip, shift, distance in both if distance == min(away)]


def _length_before(run: Run, place: int) -> float:
    return (run.origin + place * run.pitch - run.light_edge) / run.pitch


def _length_after(run: Run, place: int) -> float:
    return (run.dark_edge - run.origin) / run.pitch - place


def _found(view: _View, group: list[_Strip], densities: Floats) -> _Found:
    """Bring the strips of a group onto one lattice, and count the steps with all that they show together."""
    reference = max(group, key=lambda strip: len(strip.run.drops)).run
    shifts = [round((strip.run.origin - reference.origin) / reference.pitch) for strip in group]
    drops: dict[int, list[float]] = {}
    for strip, shift in zip(group, shifts, strict=True):
        for place, drop in strip.run.drops.items():
            drops.setdefault(place + shift, []).append(drop)
    most = max(len(sizes) for sizes in drops.values())
    seen = {place: float(np.median(sizes)) for place, sizes in drops.items() if 2 * len(sizes) >= most}
    first, last = min(seen), max(seen)
    lattice = _lattice(group, shifts)
    origin, pitch = lattice.origin + first * lattice.pitch, lattice.pitch
    full, deep = _nearest(group, shifts, first, min), _nearest(group, shifts, last, max)
    light_length = float(np.median([_length_before(strip.run, first - shift) for strip, shift in full]))
    dark_length = float(np.median([_length_after(strip.run, last - shift) for strip, shift in deep]))
    span = last - first
    band = _band(view.image, group, lattice._replace(origin=origin), range(span))
    size = view.image.shape[0]
    contrast = {n: _contrast(view.image, band.rows(n, size), origin, pitch, n) for n in (-1, span - 1, span)}
    before, after, deepest = contrast[-1], contrast[span], contrast[span - 1] or 0.0
    evidence = Evidence(
        drops={place - first: drop for place, drop in seen.items()},
        light_length=light_length,
        dark_length=dark_length,
        closed=2 * sum(strip.run.closed for strip, _ in deep) > len(deep),
        noise=float(np.median([strip.run.noise for strip, _ in deep])),
        before=None if before is None else before > _STANDS_OUT,
        after=None if after is None else after > max(_STANDS_OUT, 0.3 * deepest),
        open_end=after is not None and after > _FAR_BRIGHTER,
        before_bare=_is_bare(view.image, band.rows(-1, size), origin, pitch, span),
    )
    # Along a wedge that leans by an angle its middle rises by its tangent, and its edges lean by minus that. A long wedge
    # shows the first better, a wide one the second.
    rise, lean = band.rise / pitch, -lattice.lean
    tilt = math.degrees(math.atan(rise if span * abs(pitch) > band.width else lean))
    return _Found(
        view, group, lattice._replace(origin=origin), band, tilt, span, len(seen), counts(evidence, densities)
    )


def _cell(origin: float, pitch: float, number: int, size: int) -> slice | None:
    """Return the middle of a lattice cell as columns, or None where it is not on the map."""
    a, b = sorted((origin + (number + 0.25) * pitch, origin + (number + 0.75) * pitch))
    first, last = max(round(a), 0), min(round(b), size)
    return slice(first, last) if last - first >= max(0.25 * abs(pitch), 1.0) else None


def _contrast(image: Floats, rows: tuple[int, int], origin: float, pitch: float, number: int) -> float | None:
    """Return by how much a cell differs from what lies beside the wedge there, None where that is off the map."""
    cell = _cell(origin, pitch, number, image.shape[1])
    first, last = rows
    if cell is None or last - first < 4:
        return None
    quarter = (last - first) // 4
    inside = float(np.median(image[first + quarter : last - quarter, cell]))
    half = _STRIP_CELLS // 2
    tops = [top for top in (first - 4 - half, last + 4) if top >= 0 and top + half <= image.shape[0]]
    return max((abs(inside - float(np.median(image[top : top + half, cell]))) for top in tops), default=None)


def _is_bare(image: Floats, rows: tuple[int, int], origin: float, pitch: float, span: int) -> bool:
    """Tell whether the cell before the first edge is just as bright as the brightest beside the wedge: bare glass."""
    cell = _cell(origin, pitch, -1, image.shape[1]) or _cell(origin, 0.5 * pitch, -1, image.shape[1])
    if cell is None:
        return False
    level = float(np.median(image[rows[0] : rows[1], cell]))
    margin = _STRIP_CELLS // 2
    ends = sorted((origin - pitch, origin + (span + 1) * pitch))
    outside = np.ones(image.shape, dtype=bool)
    outside[max(rows[0] - margin, 0) : rows[1] + margin, max(int(ends[0]), 0) : max(int(ends[1]), 0)] = False
    beside = image[outside][::7]
    return beside.size > 50 and abs(level - float(np.quantile(beside, 0.98))) < _BARE


def _seen_words(found: list[_Found]) -> str:
    if not found:
        return "no row of even steps was seen"
    best = max(found, key=lambda one: len(one.strips) * one.ways[0].visible)
    way, middle = best.ways[0], best.band.middle
    ends = [
        best.view.to_map(best.lattice.origin + (way.start + part * way.count) * best.lattice.pitch, middle)
        for part in (0, 1)
    ]
    places = " to ".join(f"({max(CELL_MM * x, 0.0):.0f}, {max(CELL_MM * y, 0.0):.0f})" for x, y in ends)
    return f"{way.count} steps were seen, from {places} mm"


def _fitting(found: _Found, count: int) -> Count | None:
    """Return the way to count this many steps, where that is credible beside the most credible way."""
    way = next((way for way in found.ways if way.count == count), None)
    return way if way is not None and way.doubt <= min(found.ways[0].doubt + DOUBT, _MOST_DOUBT) else None


def find_steps(
    signal: Floats,
    densities: Floats,
    *,
    inverted: bool,
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
    seen: list[_Found] = []
    fitting: list[_Found] = []
    for angle in _ANGLES_DEG:
        for transposed in (False, True):
            view = _View.of(image, transposed=transposed, angle_deg=angle)
            groups = [group for group in _groups(_strips(view, quantum)) if len(group) >= 2]
            promising = sorted((_found(view, group, densities) for group in groups), key=_weight)[
                : -_MOST_LOOKS - 1 : -1
            ]
            looked = [_straightened(found, image, densities, quantum) for found in promising]
            seen += looked
            fitting += [found for found in looked if _is_straight(found) and _fitting(found, densities.size)]
        if fitting:
            break
    if not fitting:
        raise WedgeNotFoundError(_seen_words(seen))
    fitting.sort(key=lambda found: -_weight(found))
    _refuse_two(fitting)
    way = _fitting(fitting[0], densities.size)
    assert way is not None  # noqa: S101 - by how `fitting` was filled
    return _place(fitting[0], way, origin_mm)


def _straightened(found: _Found, image: Floats, densities: Floats, quantum: float) -> _Found:
    """Look again along the direction that the edges show, where it is another than the one looked along."""
    angle = found.view.angle_deg + found.tilt_deg
    if not 0.1 < abs(found.tilt_deg) < 4.0 or abs(angle) > _STEEPEST_DEG:
        return found
    view = _View.of(image, transposed=found.view.transposed, angle_deg=angle)
    groups = [group for group in _groups(_strips(view, quantum)) if len(group) >= 2]
    near = [
        group
        for group in groups
        if abs(group[0].run.pitch / found.lattice.pitch - 1.0) < 0.1
        and sum(len(strip.run.drops) for strip in group) >= 0.6 * sum(len(strip.run.drops) for strip in found.strips)
    ]
    return _found(view, near[0], densities) if near else found


def _weight(found: _Found) -> float:
    """Return how much of the scan a wedge explains: the sum of its edges times its width."""
    return found.band.width * sum(max(drop, 0.0) for strip in found.strips for drop in strip.run.drops.values())


def _is_straight(found: _Found) -> bool:
    """Tell whether a strip runs along the wedge: it sees most edges, and what is left of the angle shifts it little."""
    if max(len(strip.run.drops) for strip in found.strips) < 0.7 * found.edges:
        return False
    length = (found.span + 1) * abs(found.lattice.pitch)
    return abs(found.tilt_deg) < 0.6 or math.tan(math.radians(abs(found.tilt_deg))) * length < 0.2 * found.band.width


def _refuse_two(fitting: list[_Found]) -> None:
    first = fitting[0]
    for other in fitting[1:]:
        if _weight(other) > 0.3 * _weight(first) and not _overlap(_outline(first), _outline(other)):
            (x, y), (u, v) = _light_end_mm(first), _light_end_mm(other)
            raise WedgeNotFoundError(
                f"two wedges were seen, with their light ends near ({x:.0f}, {y:.0f}) and ({u:.0f}, {v:.0f}) mm"
            )


def _outline(found: _Found) -> tuple[float, float, float, float]:
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


def _overlap(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    """Tell whether two outlines share more than a fifth of the smaller: one wedge seen twice, not two wedges."""
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    areas = [(box[2] - box[0]) * (box[3] - box[1]) for box in (one, other)]
    return width > 0.0 and height > 0.0 and width * height > 0.2 * min(areas)


def _light_end_mm(found: _Found) -> tuple[float, float]:
    x, y = found.view.to_map(found.lattice.origin, found.band.middle)
    return CELL_MM * x, CELL_MM * y


def _place(found: _Found, way: Count, origin_mm: tuple[float, float]) -> WedgePlace:
    view, pitch, band, lattice = found.view, found.lattice.pitch, found.band, found.lattice
    lean = lattice.lean * (band.middle - lattice.middle)
    along_half, across_half = 0.5 * _MIDDLE * abs(pitch), 0.5 * _MIDDLE * band.width
    slope = abs(math.tan(math.radians(view.angle_deg + found.tilt_deg)))
    # A box upright on the scan inside a leaning step: what leans out is cut off, first of the longer side.
    across_half = min(across_half, 0.5 * along_half / slope) if slope > 0.0 else across_half
    along_half -= slope * across_half
    across_half -= slope * along_half
    steps = []
    for number in range(way.count):
        cell = way.start + number
        column, row = view.to_map(lattice.origin + (cell + 0.5) * pitch + lean, band.middle + band.rise * cell)
        half = (across_half, along_half) if view.transposed else (along_half, across_half)
        left, top = column - half[0], row - half[1]
        box = (
            origin_mm[0] + CELL_MM * left,
            origin_mm[1] + CELL_MM * top,
            2.0 * CELL_MM * half[0],
            2.0 * CELL_MM * half[1],
        )
        steps.append(StepPlace(box_mm=box, seen=number < way.visible))
    ends = ("top", "bottom") if view.transposed else ("left", "right")
    turn = view.angle_deg + found.tilt_deg
    angle = -turn if view.transposed else turn
    return WedgePlace(
        steps=tuple(steps), angle_deg=angle, light_end=ends[0 if pitch > 0 else 1], pitch_mm=CELL_MM * abs(pitch)
    )


def _band(image: Floats, group: list[_Strip], lattice: _Lattice, cells: range) -> _Band:
    """Return the rows on which the cells between edges show the levels of the group's middle."""
    numbers = [n for n in cells if _cell(lattice.origin, lattice.pitch, n, image.shape[1]) is not None]
    columns = [_cell(lattice.origin, lattice.pitch, n, image.shape[1]) or slice(0, 1) for n in numbers]
    levels = np.stack([np.median(image[:, column], axis=1) for column in columns], axis=1)
    inside = np.zeros(image.shape[0], dtype=bool)
    for strip in group:
        inside[max(int(strip.across) - 2, 0) : int(strip.across) + 3] = True
    reference = np.median(levels[inside], axis=0)
    scatter = 1.4826 * np.median(np.abs(levels[inside] - reference), axis=0)
    allowed = np.minimum(0.2 * np.abs(np.gradient(reference)), 0.02) + 2.0 * np.minimum(scatter, 0.05) + 0.002
    agree = np.abs(levels - reference) <= allowed
    middle = int(np.median(np.flatnonzero(inside)))
    spans = [(number, *_stretch(agree[:, k], middle)) for k, number in enumerate(numbers)]
    whole = _stretch(np.mean(agree, axis=1) >= 0.7, middle)
    usual = float(np.median([b - a for _, a, b in spans]))
    fair = [(n, 0.5 * (a + b), b - a) for n, a, b in spans if 0.75 * usual <= b - a <= 1.25 * usual]
    if len(fair) < 3:
        return _Band(0.5 * (whole[0] + whole[1]), 0.0, whole[1] - whole[0])
    number, centre, width = np.array(fair).T
    pairs = np.triu_indices(number.size, 1)
    rise = float(np.median(np.subtract.outer(centre, centre)[pairs] / np.subtract.outer(number, number)[pairs]))
    miss = centre - rise * number
    if float(np.median(np.abs(miss - np.median(miss)))) > 0.1 * usual:
        rise = 0.0
    return _Band(float(np.median(centre - rise * number)), rise, float(np.median(width)))


def _stretch(agree: npt.NDArray[np.bool_], middle: int) -> tuple[float, float]:
    """Return the unbroken stretch of rows around the middle, or nearest to it, that agree."""
    rows = np.flatnonzero(agree)
    if rows.size == 0:
        return float(middle), float(middle + 1)
    parts = np.split(rows, np.flatnonzero(np.diff(rows) > 2) + 1)
    best = min(parts, key=lambda part: (max(part[0] - middle, middle - part[-1], 0), -part.size))
    return float(best[0]), float(best[-1] + 1)
