"""Finds the steps of a wedge on a scan, without being told where they are.

The cell map of the scan is looked at along both directions and at small angles, in narrow strips. Each strip gives a
profile, and `staircase` reads it. Strips side by side that agree are the wedge; their edges give its angle; the rows
that show the same levels give its width. The boxes read are the middle of each step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from densiscan.errors import WedgeNotFoundError
from densiscan.staircase import DOUBT, Staircase, read_staircase

Floats = npt.NDArray[np.float64]
BoxMm = tuple[float, float, float, float]

CELL_MM: Final = 0.25
"""Cell of the map that is searched: a step of 2 mm is still 8 cells."""
_STRIP_CELLS: Final = 10
_SHORTEST_STEP_CELLS: Final = 6
_LINE_CELLS: Final = 5
"""Width of the running median along a profile: numerals' strokes and dividing lines up to half of it vanish."""
_ANGLES_DEG: Final = (0.0, 1.2, -1.2, 2.4, -2.4, 3.4, -3.4)
_LEAST_CHANGE: Final = 0.2
"""Change of log10 signal along the whole wedge below which a strip is not worth reading: 5 steps of 0.1 at gamma 2."""
_MIDDLE: Final = 0.6
"""Part of a step, along and across, that is read: the rest is left to blur, glare from the neighbour and numerals."""
_MOST_PROFILES: Final = 60


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
    """A strip that reads as a wedge: its middle across, and the reading, in cells of the turned map."""

    across: float
    staircase: Staircase


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


def _strips(view: _View, densities: Floats) -> tuple[list[_Strip], list[_Strip]]:
    """Return the strips that read as this wedge, and the best reading of every strip that reads as some staircase."""
    middles, profiles, noise = _profiles(view.image)
    promise = np.array([_worth_reading(profile) for profile in profiles])
    order = np.argsort(-promise, kind="stable")[:_MOST_PROFILES]
    wanted: list[_Strip] = []
    some: list[_Strip] = []
    for number in np.sort(order[promise[order] > 0.0]):
        readings = read_staircase(profiles[number], noise[number], densities, shortest=_SHORTEST_STEP_CELLS)
        if not readings:
            continue
        some.append(_Strip(float(middles[number]), readings[0]))
        fitting = [reading for reading in readings if reading.count == densities.size]
        if fitting and fitting[0].doubt <= min(readings[0].doubt, 3.0 - DOUBT) + DOUBT:
            wanted.append(_Strip(float(middles[number]), fitting[0]))
    return wanted, some


def _groups(strips: list[_Strip]) -> list[list[_Strip]]:
    """Return the strips that agree with a neighbour on pitch and place, largest group first."""
    groups: list[list[_Strip]] = []
    for strip in strips:
        for group in groups:
            last = group[-1]
            pitch = last.staircase.pitch
            drift = math.tan(math.radians(4.0)) * abs(strip.across - last.across)
            if (
                strip.across - last.across <= 2.5 * _STRIP_CELLS
                and abs(strip.staircase.pitch / pitch - 1.0) < 0.06
                and abs(strip.staircase.start - last.staircase.start) < 0.3 * abs(pitch) + drift
                and strip.staircase.count == last.staircase.count
            ):
                group.append(strip)
                break
        else:
            groups.append([strip])
    return sorted(groups, key=lambda group: (-len(group), group[0].staircase.doubt))


def _tilt_deg(group: list[_Strip]) -> float:
    """Return the angle of the edges across the strips, which is the angle of the wedge left over."""
    if len(group) < 3:
        return 0.0
    across = np.array([strip.across for strip in group])
    middle = np.array([strip.staircase.start + 0.5 * strip.staircase.count * strip.staircase.pitch for strip in group])
    slope = float(np.polyfit(across, middle, 1)[0])
    return -math.degrees(math.atan(slope))


def _seen_words(some: list[tuple[_View, _Strip]], wanted: int) -> str:
    groups = sorted(
        (
            (view, group)
            for view in {id(v): v for v, _ in some}.values()
            for group in _groups([s for v, s in some if v is view])
        ),
        key=lambda item: -len(item[1]) * min(item[1][0].staircase.visible, wanted),
    )
    if not groups:
        return "no row of even steps was seen"
    view, group = groups[0]
    stair = group[len(group) // 2].staircase
    across = group[len(group) // 2].across
    ends = [view.to_map(stair.start + part * stair.count * stair.pitch, across) for part in (0.0, 1.0)]
    places = " to ".join(f"({CELL_MM * x:.0f}, {CELL_MM * y:.0f})" for x, y in ends)
    return f"{stair.count} steps were seen, from {places} mm"


def find_steps(
    signal: Floats, densities: Floats, *, inverted: bool, origin_mm: tuple[float, float] = (0.0, 0.0)
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
    image = np.log10(np.clip(1.0 - signal if inverted else signal, 2e-5, None))
    some: list[tuple[_View, _Strip]] = []
    candidates: list[tuple[_View, list[_Strip]]] = []
    for angle in _ANGLES_DEG:
        for transposed in (False, True):
            view = _View.of(image, transposed=transposed, angle_deg=angle)
            strips, readable = _strips(view, densities)
            some += [(view, strip) for strip in readable]
            candidates += [(view, group) for group in _groups(strips) if len(group) >= 2]
        if candidates:
            break
    if not candidates:
        raise WedgeNotFoundError(_seen_words(some, densities.size))
    candidates.sort(key=lambda item: -len(item[1]))
    _refuse_two(candidates)
    view, group = candidates[0]
    tilt = _tilt_deg(group)
    if abs(tilt) > 0.1:
        straight = _View.of(image, transposed=view.transposed, angle_deg=view.angle_deg + tilt)
        better = [found for found in _groups(_strips(straight, densities)[0]) if len(found) >= len(group) // 2]
        if better:
            view, group = straight, better[0]
    return _place(view, group, densities.size, origin_mm)


def _refuse_two(candidates: list[tuple[_View, list[_Strip]]]) -> None:
    view, first = candidates[0]
    for other_view, other in candidates[1:]:
        if len(other) >= max(3, 0.6 * len(first)) and not (other_view is view and _overlap(first, other)):
            x, y = (CELL_MM * part for part in view.to_map(first[0].staircase.start, first[0].across))
            u, v = (CELL_MM * part for part in other_view.to_map(other[0].staircase.start, other[0].across))
            raise WedgeNotFoundError(
                f"two wedges were seen, with their light ends near ({x:.0f}, {y:.0f}) and ({u:.0f}, {v:.0f}) mm"
            )


def _overlap(first: list[_Strip], other: list[_Strip]) -> bool:
    return other[0].across <= first[-1].across + _STRIP_CELLS and other[-1].across >= first[0].across - _STRIP_CELLS


def _place(view: _View, group: list[_Strip], count: int, origin_mm: tuple[float, float]) -> WedgePlace:
    start = float(np.median([strip.staircase.start for strip in group]))
    pitch = float(np.median([strip.staircase.pitch for strip in group]))
    visible = int(np.median([strip.staircase.visible for strip in group]))
    first, last = _width(view.image, group, start=start, pitch=pitch, visible=visible)
    along_half, across_half = 0.5 * _MIDDLE * abs(pitch), 0.5 * _MIDDLE * (last - first)
    lean = abs(math.tan(math.radians(view.angle_deg)))
    # A box upright on the scan inside a leaning step: what leans out is cut off, first of the longer side.
    across_half = min(across_half, 0.5 * along_half / lean) if lean > 0.0 else across_half
    along_half -= lean * across_half
    across_half -= lean * along_half
    middle = 0.5 * (first + last)
    steps = []
    for number in range(count):
        column, row = view.to_map(start + (number + 0.5) * pitch, middle)
        half = (across_half, along_half) if view.transposed else (along_half, across_half)
        left, top = column - half[0], row - half[1]
        box = (
            origin_mm[0] + CELL_MM * left,
            origin_mm[1] + CELL_MM * top,
            2.0 * CELL_MM * half[0],
            2.0 * CELL_MM * half[1],
        )
        steps.append(StepPlace(box_mm=box, seen=number < visible))
    ends = ("top", "bottom") if view.transposed else ("left", "right")
    angle = -view.angle_deg if view.transposed else view.angle_deg
    return WedgePlace(
        steps=tuple(steps), angle_deg=angle, light_end=ends[0 if pitch > 0 else 1], pitch_mm=CELL_MM * abs(pitch)
    )


def _width(image: Floats, group: list[_Strip], *, start: float, pitch: float, visible: int) -> tuple[float, float]:
    """Return the rows, first and last + 1, on which the steps show the levels of the group's middle."""
    rows = image.shape[0]
    spans = [
        sorted((start + (number + 0.25) * pitch, start + (number + 0.75) * pitch)) for number in range(max(visible, 2))
    ]
    cells = [slice(max(round(a), 0), max(round(b), round(a) + 1)) for a, b in spans]
    levels = np.stack(
        [np.median(image[:, cell], axis=1) if image[:, cell].size else np.zeros(rows) for cell in cells], axis=1
    )
    inside = np.zeros(rows, dtype=bool)
    for strip in group:
        inside[max(int(strip.across) - 2, 0) : int(strip.across) + 3] = True
    reference = np.median(levels[inside], axis=0)
    scatter = 1.4826 * np.median(np.abs(levels[inside] - reference), axis=0)
    allowed = 0.3 * np.abs(np.gradient(reference)) + 3.0 * scatter + 0.002
    agree = np.mean(np.abs(levels - reference) <= allowed, axis=1) >= 0.75
    middle = int(np.median(np.flatnonzero(inside)))
    near = np.flatnonzero(agree & inside)
    middle = int(near[np.argmin(np.abs(near - middle))]) if near.size else middle
    first = last = middle
    while first > 0 and agree[first - 1]:
        first -= 1
    while last + 1 < rows and agree[last + 1]:
        last += 1
    return float(first), float(last + 1)
