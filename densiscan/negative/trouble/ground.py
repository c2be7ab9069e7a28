"""The unexposed part of a piece of film, laid straight: what leaks and uneven development are looked for on.

Everything smooth is looked for on medians of small blocks, so that dust, pinholes and scratches do not draw it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.robust import robust_sd
from densiscan.negative.trouble.finding import SIDES
from densiscan.scan.cells import (
    Cells,
    Footprint,
    Map,
    Mask,
    Straightened,
    TurnedBox,
    cell_at,
    eroded,
    grown,
    straightened,
)
from densiscan.scan.places import BoxMm

RIM_MM: Final = 0.5
"""Left out along the edges of a piece: cut edges throw shadows, and the outline is known to about 0.2 mm."""

MASK_RIM_MM: Final = 0.8
_BEYOND_MM: Final = 1.0
_MASK: Final = 0.5
"""Left out along a mask that lies on or over the film; what lies this far beyond an edge, and is denser than the film
by this much, is a mask."""

FRAME_RIM_MM: Final = 0.9
"""Left out around a frame: soft edges and light that spreads in the film."""

BLOCK_MM: Final = 1.0
_SHARP: Final = 0.12
"""Density from one cell to the next that no leak and no developer makes: print on the edge, holes, notches."""

_CLEAR: Final = 0.04
_STEP_MM: Final = 0.75
_STEP: Final = 0.04
_MOST_LINES: Final = 0.6
_DEPTH_MM: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """Film laid straight, and which cells of it are unexposed film that can be judged.

    Attributes
    ----------
    grid
        The whole piece.
    free
        Cells away from the rim, from frames and from the scan's end.
    film
        The free cells less holes and notches: specks and scratches count on them.
    plain
        The film less edge print and everything as sharp, specks too.
    whole
        Whether all of the piece is unexposed.
    film_edges
        Whether its edges are those of a piece of film, and not of an area that a person named.
    masked
        Which sides (left, top, right, bottom) end at a mask or at the end of the scan.
    """

    grid: Straightened
    free: Mask
    film: Mask
    plain: Mask
    whole: bool
    film_edges: bool = True
    masked: tuple[bool, bool, bool, bool] = (False, False, False, False)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the piece."""
        return self.grid.box.width_mm, self.grid.box.height_mm

    def box_on_scan(self, u: tuple[float, float], v: tuple[float, float]) -> BoxMm:
        """Return the upright box on the scan around a box in the film's own coordinates from its top left, mm."""
        half_width, half_height = self.size_mm[0] / 2, self.size_mm[1] / 2
        x, y = self.grid.box.on_scan(
            np.array([u[0], u[1], u[1], u[0]]) - half_width, np.array([v[0], v[0], v[1], v[1]]) - half_height
        )
        return float(x.min()), float(y.min()), float(np.ptp(x)), float(np.ptp(y))

    def on_scan(self, u: float, v: float) -> tuple[float, float]:
        """Return the place on the scan of one in the film's own coordinates from its top left, mm."""
        x, y = self.grid.box.on_scan(u - self.size_mm[0] / 2, v - self.size_mm[1] / 2)
        return float(x), float(y)


def ground_of(
    cells: Cells,
    seen: TurnedBox,
    frames: Sequence[TurnedBox],
    *,
    edge_only_mm: float | None = None,
    film_edges: bool = True,
    film: Footprint | None = None,
) -> Ground:
    """Return the unexposed film of a piece.

    Parameters
    ----------
    frames
        Pictures on it; none for an unexposed piece.
    edge_only_mm
        Width of the border that is judged where there may be a picture that shows no frame; None for all of it.
    film_edges
        Whether the edges are those of a piece of film, and their rim is to be left out, or of an area inside it.
    film
        What is film, where that is not all of its box.
    """
    grid = straightened(cells, seen, film=film)
    rows, columns = grid.density.shape
    free = np.isfinite(grid.density)
    masked = (False, False, False, False)
    if film_edges:
        beside = _beside(cells, seen)
        level = float(np.nanmedian(grid.density)) + _MASK
        masked = (beside[0] > level, beside[1] > level, beside[2] > level, beside[3] > level)
        free &= _off_the_rim(grid, masked, min(one for one in (*beside, math.inf) if one > level))
    for frame in frames:
        free &= ~grid.inside(frame, -FRAME_RIM_MM)
    if edge_only_mm is not None and not frames:
        deep = grid.cells(edge_only_mm)
        free[deep : rows - deep, deep : columns - deep] = False
    whole = not frames and edge_only_mm is None
    print_ = _print(grid, free)
    if not film_edges:
        # an area inside the film has no holes and no notches: what is clear there is what is looked for
        return Ground(grid=grid, free=free, film=free, plain=free & ~print_, whole=whole, film_edges=False)
    whole_film = free & ~_holes(grid, free)
    plain = whole_film & ~(print_ | _clear(grid, free))
    return Ground(grid=grid, free=free, film=whole_film, plain=plain, whole=whole, masked=masked)


def _off_the_rim(grid: Straightened, masked: Sequence[bool], opaque: float) -> Mask:
    """Return the cells away from the edges of what is seen, wider along a mask: its edge throws a soft shadow.

    A mask may lie at another angle than the film: what is as `opaque` as what lies beyond the edge is mask.
    """
    cut = grid.density > opaque - _MASK / 2 if math.isfinite(opaque) else np.zeros_like(grid.density, dtype=bool)
    off = np.pad(np.isfinite(grid.density) & ~cut, 1)
    for _ in range(max(1, math.ceil((MASK_RIM_MM if cut.any() else RIM_MM) / grid.step_mm))):
        off = eroded(off)
    off = off[1:-1, 1:-1]
    wide = grid.cells(MASK_RIM_MM)
    for rim, hidden in zip((off[:, :wide], off[:wide], off[:, -wide:], off[-wide:]), masked, strict=True):
        if hidden:
            rim[...] = False
    return off


def _beside(cells: Cells, seen: TurnedBox) -> list[float]:
    """Return the density beyond each side of a piece (left, top, right, bottom), infinite beyond the scan."""
    half = (seen.width_mm / 2, seen.height_mm / 2)
    across = np.linspace(-0.8, 0.8, 65)
    found = []
    for axis, sign in ((0, -1.0), (1, -1.0), (0, 1.0), (1, 1.0)):
        beyond, along = np.full(across.size, sign * (half[axis] + _BEYOND_MM)), across * half[1 - axis]
        x, y = seen.on_scan(*((beyond, along) if axis == 0 else (along, beyond)))
        rows, columns, there = cell_at(cells, x, y)
        beside = cells.density[rows, columns][there]
        found.append(float(np.median(beside)) if beside.size >= across.size // 2 else math.inf)
    return found


def edge_inside(ground: Ground) -> bool:
    """Return whether an edge of film runs across what is taken for one piece: it was not told from the glass.

    Most lines then hold a step within a millimetre, larger than grain and than any fog makes.
    """
    density, step = ground.grid.density, ground.grid.cells(_STEP_MM)
    found = False
    for lines in (density, density.T):
        apart = np.abs(lines[:, step:] - lines[:, :-step])
        noise = robust_sd((lines[:, 1:] - lines[:, :-1])[np.isfinite(lines[:, 1:] - lines[:, :-1])])
        holds = np.nan_to_num(apart).max(axis=1, initial=0.0) > max(_STEP, 8.0 * noise)
        found = found or float(holds.mean()) > _MOST_LINES
    return found


def _holes(grid: Straightened, free: Mask) -> Mask:
    """Return the cells of holes and notches and those near them: as clear as open glass, larger than a pinhole."""
    density = np.where(np.isfinite(grid.density), grid.density, 0.0)
    level = float(np.median(density[free])) if free.any() else 0.0
    # what is left of it after a cell is taken off all round is no pinhole; let that grow back
    core = eroded((density < level - _CLEAR) & (density < 0.035))
    for _ in range(4):
        core = grown(core)
    return core


def _print(grid: Straightened, free: Mask) -> Mask:
    """Return the cells of edge print and of everything else as sharp, and those beside them."""
    density = np.where(np.isfinite(grid.density), grid.density, 0.0)
    other = np.zeros_like(free)
    across = np.abs(np.diff(density, axis=1)) > _SHARP
    down = np.abs(np.diff(density, axis=0)) > _SHARP
    other[:, 1:] |= across
    other[:, :-1] |= across
    other[1:] |= down
    other[:-1] |= down
    return grown(other & free)


def _clear(grid: Straightened, free: Mask) -> Mask:
    """Return the cells as clear as a hole, and those up to two from them."""
    density = np.where(np.isfinite(grid.density), grid.density, 0.0)
    level = float(np.median(density[free])) if free.any() else 0.0
    return grown(grown(free & (density < level - _CLEAR) & (density < 0.035)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """Medians of square blocks, NaN where less than half of a block is judged; places of their middles, mm.

    `u` and `v` count from the top left corner of the piece.
    """

    values: Map
    u: Map
    v: Map

    @property
    def points(self) -> tuple[Map, Map, Map]:
        """u, v and value of the blocks that have one."""
        rows, columns = np.nonzero(np.isfinite(self.values))
        return self.u[columns], self.v[rows], self.values[rows, columns]

    @property
    def noise(self) -> float:
        """Standard deviation of a block by grain and scanner, from what neighbours differ by."""
        apart = [np.diff(self.values, axis=axis).ravel() for axis in (0, 1)]
        both = np.concatenate(apart)
        both = both[np.isfinite(both)]
        return robust_sd(both) / math.sqrt(2) if both.size else 0.0


def middles_of(parts: Map, least: int) -> Map:
    """Return the median along the last axis without NaN; NaN where fewer than `least` values are there."""
    ordered = np.sort(parts, axis=-1)
    count = np.isfinite(parts).sum(axis=-1)
    low = np.maximum((count - 1) // 2, 0)[..., None]
    high = np.maximum(count // 2, 0)[..., None]
    high = np.minimum(high, parts.shape[-1] - 1)
    median = 0.5 * (np.take_along_axis(ordered, low, -1) + np.take_along_axis(ordered, high, -1))[..., 0]
    return np.asarray(np.where(count >= max(least, 1), median, np.nan))


def blocks_of(grid: Straightened, mask: Mask, side_mm: float = BLOCK_MM) -> Blocks:
    """Return the block medians of the cells of a mask."""
    size = grid.cells(side_mm)
    rows, columns = grid.density.shape[0] // size, grid.density.shape[1] // size
    values = np.where(mask, grid.density, np.nan)[: rows * size, : columns * size]
    parts = values.reshape(rows, size, columns, size).swapaxes(1, 2).reshape(rows, columns, size * size)
    step = size * grid.step_mm
    return Blocks(
        values=middles_of(parts, size * size // 2),
        u=(np.arange(columns) + 0.5) * step,
        v=(np.arange(rows) + 0.5) * step,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """A level surface through the even part of a piece.

    `level` in the middle of the piece; `across` and `down` are density a millimetre to the right and downwards;
    `scatter` is what the even blocks differ from it, robust standard deviation.
    """

    level: float
    across: float
    down: float
    middle: tuple[float, float]
    scatter: float

    def at(self, u: Map, v: Map) -> Map:
        """Return the surface at places from the top left corner of the piece."""
        return np.asarray(self.level + self.across * (u - self.middle[0]) + self.down * (v - self.middle[1]))


def plane_through(blocks: Blocks, size_mm: tuple[float, float]) -> Plane | None:
    """Return the plane that most blocks agree on: leaks, marks and streaks do not draw it. None from few blocks.

    Least absolute deviations first (iteratively reweighted), then the weights of Tukey's biweight with its usual
    constant of 4.685 (Huber and Ronchetti, Robust Statistics, 2009, section 4.8: from memory).
    """
    u, v, values = blocks.points
    if values.size < 20:
        return None
    middle = (size_mm[0] / 2, size_mm[1] / 2)
    terms = np.stack([np.ones_like(u), u - middle[0], v - middle[1]], axis=1)
    weights = np.ones_like(values)
    found = np.array([float(np.median(values)), 0.0, 0.0])
    for turn in range(30):
        left = values - terms @ found
        if turn < 18:
            weights = 1.0 / np.maximum(np.abs(left), 0.002)
        else:
            reach = 4.685 * max(robust_sd(left), 0.0015)
            weights = np.maximum(1.0 - (left / reach) ** 2, 0.0) ** 2
        weighted = terms * weights[:, None]
        found, *_ = np.linalg.lstsq(weighted.T @ terms, weighted.T @ values, rcond=None)
    left = values - terms @ found
    return Plane(
        level=float(found[0]), across=float(found[1]), down=float(found[2]), middle=middle, scatter=robust_sd(left)
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BorderStrip:
    """The film along one side, by depth from the edge and place along it, less the plane.

    Attributes
    ----------
    excess
        Shape (depths, places), NaN where nothing is judged.
    depth_mm, along_mm
        Middles of the bins; along from the left or upper end.
    masked
        Whether the side ends at a mask or at the end of the scan.
    """

    side: str
    excess: Map
    depth_mm: Map
    along_mm: Map
    masked: bool = False


def strip_along(ground: Ground, plane: Plane, side: str, reach_mm: float) -> BorderStrip:
    """Return the film along a side to a depth, in bins of 0.5 mm by 1 mm: medians."""
    grid = ground.grid
    rows, columns = grid.density.shape
    u = np.asarray((np.arange(columns) + 0.5) * grid.step_mm, dtype=np.float64)[None, :]
    v = np.asarray((np.arange(rows) + 0.5) * grid.step_mm, dtype=np.float64)[:, None]
    flat = np.where(ground.plain, grid.density - plane.at(u, v), np.nan)
    number = SIDES.index(side)
    if side in ("left", "right"):
        flat = flat.T
    if number >= 2:
        flat = flat[::-1]
    deep, wide = grid.cells(_DEPTH_MM), grid.cells(BLOCK_MM)
    first = max(1, math.ceil(RIM_MM / grid.step_mm))
    depths = max(1, min(int(reach_mm / grid.step_mm) - first, flat.shape[0] // 2 - first) // deep)
    places = flat.shape[1] // wide
    part = flat[first : first + depths * deep, : places * wide]
    if part.shape[0] < depths * deep:
        return BorderStrip(side=side, excess=np.empty((0, places)), depth_mm=np.empty(0), along_mm=np.empty(places))
    bins = part.reshape(depths, deep, places, wide).swapaxes(1, 2).reshape(depths, places, deep * wide)
    return BorderStrip(
        side=side,
        excess=middles_of(bins, deep * wide // 3),
        depth_mm=(first + (np.arange(depths) + 0.5) * deep) * grid.step_mm,
        along_mm=(np.arange(places) + 0.5) * wide * grid.step_mm,
        masked=ground.masked[number],
    )
