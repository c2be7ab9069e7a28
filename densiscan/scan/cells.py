"""The cell map that film is searched on: where its cells lie, turned boxes on it, pieces laid straight, its regions.

Maps are (rows, columns) of survey cells; places are millimetres on the scan, x right, y down.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from densiscan.arithmetic.floats import keep_floats
from densiscan.scan.survey import Survey

Mask = NDArray[np.bool_]
Map = NDArray[np.float64]
Indices = NDArray[np.intp]
Labels = NDArray[np.int32]
Places = NDArray[np.floating[Any]] | float

_DARKEST: Final = 1e-6
_BAND: Final = 64
"""Rows that are worked on at a time."""


class Point(NamedTuple):
    """A place in millimetres."""

    x: float
    y: float


def _turn(angle_deg: float) -> tuple[float, float]:
    angle = math.radians(angle_deg)
    return math.cos(angle), math.sin(angle)


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedBox:
    """A rectangle before turning by `angle_deg` (clockwise positive, y down) about its centre; millimetres."""

    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        keep_floats(self)

    @property
    def centre(self) -> Point:
        """Middle of the box, which turning does not move."""
        return Point(self.left_mm + self.width_mm / 2, self.top_mm + self.height_mm / 2)

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """left, top, width, height before turning."""
        return self.left_mm, self.top_mm, self.width_mm, self.height_mm

    def own(self, x: Places, y: Places) -> tuple[Map, Map]:
        """Return (u, v): distances right of and below the centre in the box's own directions, mm."""
        cosine, sine = _turn(self.angle_deg)
        dx, dy = np.asarray(x) - self.centre.x, np.asarray(y) - self.centre.y
        return dx * cosine + dy * sine, dy * cosine - dx * sine

    def on_scan(self, u: Places, v: Places) -> tuple[Map, Map]:
        """Return scan positions (x, y) in mm of places given in the box's own directions from its centre."""
        cosine, sine = _turn(self.angle_deg)
        right, down = np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64)
        return self.centre.x + right * cosine - down * sine, self.centre.y + right * sine + down * cosine

    def inside(self, x: Places, y: Places, inset_mm: float = 0.0) -> Mask:
        """Return which places lie inside the box, at least `inset_mm` from its edges."""
        u, v = self.own(x, y)
        within = np.abs(u) <= self.width_mm / 2 - inset_mm
        return np.asarray(within & (np.abs(v) <= self.height_mm / 2 - inset_mm))

    def corners(self) -> tuple[tuple[float, float], ...]:
        """Return where the corners lie on the scan, clockwise from the top left one."""
        u, v = self.width_mm / 2, self.height_mm / 2
        x, y = self.on_scan(np.array([-u, u, u, -u]), np.array([-v, -v, v, v]))
        return tuple(zip(x.tolist(), y.tolist(), strict=True))

    def part(self, u: tuple[float, float], v: tuple[float, float]) -> TurnedBox:
        """Return the box between two own coordinates each way, turned alike."""
        x, y = self.on_scan((u[0] + u[1]) / 2, (v[0] + v[1]) / 2)
        width, height = u[1] - u[0], v[1] - v[0]
        return TurnedBox(
            left_mm=float(x) - width / 2,
            top_mm=float(y) - height / 2,
            width_mm=width,
            height_mm=height,
            angle_deg=self.angle_deg,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """The cell map that is searched: density, and where the cells lie.

    Parameters
    ----------
    density
        -log10 of mean transmittance, shape (rows, columns).
    light
        Mean transmittance, likewise.
    clipped_light, clipped_dark
        Share of a cell's pixels at the ends of the scale.
    x_mm, y_mm
        Borders of the cells, columns + 1 and rows + 1.
    """

    density: Map
    light: Map
    clipped_light: Mask
    clipped_dark: Mask
    x_mm: Map
    y_mm: Map

    @property
    def pitch_mm(self) -> float:
        """Mean cell side."""
        across = (self.x_mm[-1] - self.x_mm[0]) / self.density.shape[1]
        down = (self.y_mm[-1] - self.y_mm[0]) / self.density.shape[0]
        return float(across + down) / 2

    @property
    def whole(self) -> TurnedBox:
        """The scan itself."""
        width, height = float(self.x_mm[-1] - self.x_mm[0]), float(self.y_mm[-1] - self.y_mm[0])
        return TurnedBox(left_mm=float(self.x_mm[0]), top_mm=float(self.y_mm[0]), width_mm=width, height_mm=height)


def cells_of(found: Survey, *, inverted: bool = False) -> Cells:
    """Return the map that the search works on; transmittance below 1e-6 counts as density 6.

    On an `inverted` scan code 0 is the light end of the scale.
    """
    light = found.mean if found.mean.min() >= _DARKEST else np.maximum(found.mean, _DARKEST)
    ends = (found.clipped_dark, found.clipped_light) if inverted else (found.clipped_light, found.clipped_dark)
    return Cells(
        density=-np.log10(light),
        light=light,
        clipped_light=np.asarray(ends[0] > 0.5),
        clipped_dark=np.asarray(ends[1] > 0.5),
        x_mm=np.asarray(found.x_edges_mm, dtype=np.float64),
        y_mm=np.asarray(found.y_edges_mm, dtype=np.float64),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footprint:
    """Which cells of the map a piece covers wholly, where its sides are not the straight ones of its box.

    Attributes
    ----------
    rows, columns
        The window of cells round it; beyond it nothing is covered.
    mask
        Which cells of that window it covers; holes in it count as covered.
    box
        Smallest box, in the direction of its straight edges, that holds all of it.
    """

    rows: slice
    columns: slice
    mask: Mask
    box: TurnedBox

    def __post_init__(self) -> None:
        self.mask.flags.writeable = False

    def covers(self, row: Indices, column: Indices) -> Mask:
        """Return whether each of some cells is covered."""
        rows, columns = self.mask.shape
        y, x = row - self.rows.start, column - self.columns.start
        there = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
        return np.asarray(there & self.mask[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)])

    def beyond(self, rows: slice, columns: slice, rim_cells: int = 0) -> Mask:
        """Return the cells of a window of the map that are not covered, grown by a rim."""
        top, left = max(0, rows.start - rim_cells), max(0, columns.start - rim_cells)
        row = np.arange(top, rows.stop + rim_cells)[:, None]
        column = np.arange(left, columns.stop + rim_cells)[None, :]
        beyond = ~self.covers(row, column)
        for _ in range(rim_cells):
            beyond = grown(beyond)
        return beyond[rows.start - top :, columns.start - left :][
            : rows.stop - rows.start, : columns.stop - columns.start
        ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Straightened:
    """A piece laid straight: density on a grid along its own edges, NaN beyond the scan and beyond its footprint.

    `step_mm` is the side of a cell; cell (row, column) has its centre at own coordinates
    ((column + 0.5) step - width / 2, (row + 0.5) step - height / 2). `ragged` says that it ends at its footprint, and
    not at the sides of the box.
    """

    density: Map
    box: TurnedBox
    step_mm: float
    ragged: bool = False

    def cells(self, length_mm: float) -> int:
        """Return a length in whole cells, at least one."""
        return max(1, round(length_mm / self.step_mm))

    def inside(self, box: TurnedBox, inset_mm: float = 0.0) -> Mask:
        """Return which cells' centres lie inside a box on the scan, at least `inset_mm` from its edges."""
        rows, columns = self.density.shape
        u = ((np.arange(columns) + 0.5) * self.step_mm - self.box.width_mm / 2)[None, :]
        v = ((np.arange(rows) + 0.5) * self.step_mm - self.box.height_mm / 2)[:, None]
        return by_bands(lambda some: box.inside(*self.box.on_scan(u, some), inset_mm), v)

    def off_edges(self, near_mm: float, far_mm: float = math.inf) -> Mask:
        """Return the cells from `near_mm` to below `far_mm` inside the edges: those of the box, or of the footprint.

        By whole cells.
        """
        near, far = self.cells(near_mm), self.cells(far_mm) if math.isfinite(far_mm) else None
        height, width = self.density.shape
        if not self.ragged:
            band = np.zeros(self.density.shape, dtype=bool)
            band[near : height - near, near : width - near] = True
            if far is not None:
                band[far : height - far, far : width - far] = False
            return np.asarray(band & np.isfinite(self.density))
        within = np.pad(np.isfinite(self.density), 1)
        for _ in range(near):
            within = eroded(within)
        deeper = within
        for _ in range(0 if far is None else far - near):
            deeper = eroded(deeper)
        return np.asarray((within if far is None else within & ~deeper)[1:-1, 1:-1])


def straightened(
    cells: Cells, box: TurnedBox, within: TurnedBox | None = None, film: Footprint | None = None
) -> Straightened:
    """Lay a piece straight, nearest cell taken; at most about 300,000 cells.

    NaN beyond the scan, `within` and the footprint of the film.
    """
    step = max(cells.pitch_mm, math.sqrt(box.width_mm * box.height_mm / 300_000))
    columns, rows = max(1, round(box.width_mm / step)), max(1, round(box.height_mm / step))
    u = ((np.arange(columns) + 0.5) * step - box.width_mm / 2)[None, :]
    v = ((np.arange(rows) + 0.5) * step - box.height_mm / 2)[:, None]
    x, y = box.on_scan(u, v)
    height, width = cells.density.shape
    column = np.floor((x - cells.x_mm[0]) * (width / (cells.x_mm[-1] - cells.x_mm[0]))).astype(np.int32)
    row = np.floor((y - cells.y_mm[0]) * (height / (cells.y_mm[-1] - cells.y_mm[0]))).astype(np.int32)
    off = (column < 0) | (column >= width) | (row < 0) | (row >= height)
    if within is not None:
        off |= ~within.inside(x, y)
    np.clip(column, 0, width - 1, out=column)
    np.clip(row, 0, height - 1, out=row)
    if film is not None:
        off |= ~film.covers(row, column)
    density = cells.density.ravel()[row * width + column]
    if off.any():
        density[off] = np.nan
    return Straightened(density=density, box=box, step_mm=step, ragged=film is not None)


def cell_at(cells: Cells, x: Places, y: Places) -> tuple[Indices, Indices, Mask]:
    """Return row and column of the cell at places on the scan, and whether there is one (else the nearest)."""
    rows, columns = cells.density.shape
    column = np.searchsorted(cells.x_mm, x, side="right") - 1
    row = np.searchsorted(cells.y_mm, y, side="right") - 1
    there = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
    return np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1), there


def by_bands(work: Callable[..., NDArray[Any]], *maps: NDArray[Any], reach: int = 0) -> NDArray[Any]:
    """Return work(*maps), made band by band of rows, so that what it makes on the way stays small.

    Parameters
    ----------
    work
        Takes the maps, or the same rows of all of them, and returns one map that is 2 `reach` rows lower: each of its
        rows must follow from those at most `reach` rows off.
    maps
        All with the same number of rows, more than 2 `reach`.
    """
    rows = maps[0].shape[0] - 2 * reach
    made: NDArray[Any] | None = None
    for first in range(0, rows, _BAND):
        part = work(*(one[first : first + _BAND + 2 * reach] for one in maps))
        if made is None:
            made = np.empty((rows, *part.shape[1:]), dtype=part.dtype)
        made[first : first + _BAND] = part
    if made is None:
        message = f"a map of {maps[0].shape[0]} rows has none that is {reach} rows from its borders"
        raise ValueError(message)
    return made


def grown(mask: Mask) -> Mask:
    """Return the mask grown by one cell in all eight directions."""
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:-1] |= mask[1:]
    wide = out.copy()
    wide[:, 1:] |= out[:, :-1]
    wide[:, :-1] |= out[:, 1:]
    return wide


def eroded(mask: Mask) -> Mask:
    """Return the mask less one cell all round."""
    return ~grown(~mask)


def labelled(mask: Mask) -> tuple[Labels, int]:
    """Return a map that numbers the 4-connected regions of a mask from 1, 0 outside, and how many there are."""
    rows, columns = mask.shape
    width = columns + 1
    padded = np.zeros((rows, width + 1), dtype=np.int8)
    padded[:, 1:-1] = mask
    change = np.diff(padded, axis=1)
    # the spare column keeps the runs of one line apart from the next
    starts, ends = np.flatnonzero(change > 0), np.flatnonzero(change < 0)
    if not starts.size:
        return np.zeros(mask.shape, dtype=np.int32), 0
    low = np.searchsorted(ends, starts + width, side="right")
    high = np.searchsorted(starts, ends + width, side="left")
    counts = np.maximum(high - low, 0)
    upper = np.repeat(np.arange(starts.size), counts)
    lower = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + np.repeat(low, counts)
    parent = list(range(starts.size))

    def root(run: int) -> int:
        while parent[run] != run:
            parent[run] = parent[parent[run]]
            run = parent[run]
        return run

    for first, second in zip(upper.tolist(), lower.tolist(), strict=True):
        a, b = root(first), root(second)
        if a != b:
            parent[max(a, b)] = min(a, b)
    roots = np.array([root(run) for run in range(starts.size)])
    _, number = np.unique(roots, return_inverse=True)
    # regions are fewer than cells, and those of a scan are counted in 32 bits
    steps = np.zeros(rows * width, dtype=np.int32)
    np.add.at(steps, starts, number.astype(np.int32) + 1)
    np.add.at(steps, ends, -number.astype(np.int32) - 1)
    labels = np.cumsum(steps, out=steps).reshape(rows, width)[:, :columns]
    return labels, int(number.max()) + 1


def extents(labels: Labels, count: int) -> list[tuple[int, tuple[slice, slice]]]:
    """Return each region's number and the rows and columns it spans, regions of under a few cells left out."""
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    found = []
    for label in np.flatnonzero(sizes >= 64).tolist():
        if label == 0:
            continue
        here = labels == label
        rows, columns = np.flatnonzero(here.any(axis=1)), np.flatnonzero(here.any(axis=0))
        found.append((label, (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))))
    return found
