"""The rebate of a piece of film: the clear, unexposed edge that base plus fog is read from.

It is the lightest even density along the edges of the piece. Whether it is rebate at all is told by what lies beside
it: straight frame sides, and a picture in which nothing is clearer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.robust import robust_sd
from densiscan.negative.find.limits import FRAME_LIMITS, OUTLINE_LIMITS, FrameLimits
from densiscan.negative.find.outlines import SideKind
from densiscan.scan.cells import Map, Mask, Straightened, TurnedBox, grown

_INSETS_MM: Final = (0.8, 0.6, 0.45, 0.3)
_OFF_MM: Final = (0.6, 0.3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """An exposed picture: its box, how each side (left, top, right, bottom) is known, and how much of it shows.

    `area` is what is read: the box, less the rim of the film or the mask where the picture runs to it.
    `doubts_mm` is the standard uncertainty of the place of each side.
    An origin is "line" (a straight edge was seen), "edge" (the picture runs to the end of the piece) or "assumed"
    (as clear as the rebate: placed by the other sides). A share of 1 is a side exposed all along.
    """

    box: TurnedBox
    area: TurnedBox
    origins: tuple[str, str, str, str]
    shares: tuple[float, float, float, float]
    doubts_mm: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """The rebate's density over a grid.

    Attributes
    ----------
    plane
        Density, shape of the grid: development and lamp may differ a little across a piece.
    scatter
        Robust standard deviation of the rebate's cells about the plane.
    fine
        The same from neighbouring cells alone, over the square root of two: grain and noise without unevenness.
    step
        Density above the plane that counts as exposed.
    limits
        What rebate and frames are told by.
    """

    plane: Map
    scatter: float
    fine: float
    step: float
    limits: FrameLimits = FRAME_LIMITS


@dataclass(frozen=True, slots=True, kw_only=True)
class RebateSide:
    """The rebate along one side of the frames ("left", "top", "right", "bottom") or between them ("gaps").

    `density` is the median of its cells, `uncertainty` the standard uncertainty of that by scatter.
    """

    name: str
    density: float
    uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebate:
    """What the rebate of a piece reads.

    Attributes
    ----------
    transmittance
        Mean over its even part: leaks, edge print, dust, holes and soft edges left out.
    uncertainty
        Standard uncertainty of its density by scatter and by the differences between sides.
    spread
        Densest less lightest side.
    sides
        Each side by itself, where there is enough of it.
    """

    transmittance: float
    uncertainty: float
    spread: float
    sides: tuple[RebateSide, ...]


def rebate_level(
    grid: Straightened, band_mm: tuple[float, float] | None = None, limits: FrameLimits = FRAME_LIMITS
) -> Level | None:
    """Return the lightest even density in a band along the edges of the piece, or None where nothing is even.

    The band is the first of the limits where none is given. Holes and notches are lighter than any film and are left
    out.
    """
    band = grid.off_edges(*(band_mm or limits.bands_mm[0]))
    with np.errstate(invalid="ignore"):
        by_light = grown(grown(grid.density < OUTLINE_LIMITS.lightest_film))
    if (band & ~by_light).sum() > 0.3 * band.sum():
        # light beside the film, or in its holes, and the soft edge of it
        band &= ~by_light
    values = grid.density[band]
    mode = _lightest_mode(values, limits.mostly) if values.size >= 50 else None
    if mode is None:
        return None
    rows, columns = np.nonzero(band)
    height, width = grid.density.shape
    y, x = rows / height - 0.5, columns / width - 0.5
    level, across, down = mode, 0.0, 0.0
    for _ in range(3):
        keep = np.abs(values - (level + across * x + down * y)) < limits.least_step
        terms = np.stack([np.ones(int(keep.sum())), x[keep], y[keep]], axis=1)
        found, *_ = np.linalg.lstsq(terms, values[keep], rcond=None)
        # over a whole piece development and lamp differ by less than this; more is picture
        level, across, down = float(found[0]), *(float(slope) for slope in np.clip(found[1:], -0.08, 0.08))
    rest = values[keep] - terms @ np.array([level, across, down])
    scatter = robust_sd(rest)
    xs, ys = (np.arange(width) / width - 0.5)[None, :], (np.arange(height) / height - 0.5)[:, None]
    plane = level + across * xs + down * ys
    even = np.zeros(band.shape, dtype=bool)
    even[rows[keep], columns[keep]] = True
    pairs = even[:, 1:] & even[:, :-1]
    apart = (grid.density[:, 1:] - grid.density[:, :-1])[pairs]
    fine = robust_sd(apart) / math.sqrt(2) if apart.size else 0.0
    step = float(np.clip(5 * scatter, limits.least_step, limits.most_step))
    return Level(plane=plane, scatter=scatter, fine=fine, step=step, limits=limits)


def _lightest_mode(values: Map, share: float) -> float | None:
    """Return the lightest density around which so large a share of the values gathers within +-0.01."""
    size, low = 0.004, 0.02
    counts = np.bincount(np.clip((values - low) / size, 0, 1000).astype(np.intp), minlength=1001)
    counts[0] = counts[-1] = 0
    gathered = np.convolve(counts, np.ones(5), mode="same")
    enough = gathered >= share * values.size
    if not enough.any():
        return None
    first = int(np.argmax(enough))
    top = first + int(np.argmax(gathered[first : first + 10]))
    return float(low + (top + 0.5) * size)


def is_rebate(grid: Straightened, level: Level, kinds: Sequence[SideKind], frames: Sequence[Frame]) -> bool:
    """Return whether the even level along the edges is unexposed film and not a clear part of the picture.

    Parameters
    ----------
    grid, level
        The piece laid straight and the level found along its edges.
    kinds
        What lies beyond its four sides.
    frames
        Frames that were found by that level; none for an unexposed piece.
    """
    limits = level.limits
    above = grid.density - level.plane
    inside, outside = _parted(grid, frames, limits.least_mm2)
    clearer = _share(above[inside] < -max(3 * level.scatter, limits.clearer))
    known = above[outside]
    known = known[known > -max(3 * level.scatter, 0.01)]
    clear = _share(known <= level.step)
    if clearer > limits.most_clearer or level.scatter > max(limits.even_enough, limits.finer * level.fine):
        return False
    if not frames:
        band = above[grid.off_edges(0.6, 2.5)]
        return "scan" not in kinds and _share(np.abs(band) <= level.step) >= 0.85
    lines = [frame.shares[k] for frame in frames for k in range(4) if _trusted_line(grid, kinds, frame, k, limits)]
    if "glass" not in kinds and len(lines) < 3:
        # of a cropped picture some part may end in a line, too
        level_too_dense = float(np.median(level.plane)) > limits.densest_rebate
        return not level_too_dense and sum(lines) >= 0.5 * max(len(lines), 1) and clear >= 0.9 and clearer <= 0.002
    return clear >= limits.clear_outside and (len(lines) >= 3 or sum(lines) >= 0.5)


def _share(flags: Mask) -> float:
    return float(flags.mean()) if flags.size else 0.0


def _parted(grid: Straightened, frames: Sequence[Frame], least_mm2: float) -> tuple[Mask, Mask]:
    """Return the cells well inside the frames and those well outside them, the rim of the piece left out.

    Nearer to frames and rim where the rebate is so narrow that little else is left of it.
    """
    for off_mm in _OFF_MM:
        whole = grid.off_edges(off_mm)
        inside = np.zeros_like(whole)
        near = np.zeros_like(whole)
        for frame in frames:
            inside |= grid.inside(frame.box, _OFF_MM[0])
            near |= grid.inside(frame.box, -off_mm)
        outside = whole & ~near
        if not frames or outside.sum() * grid.step_mm**2 >= least_mm2:
            break
    return (inside if frames else whole) & whole, outside


def _trusted_line(grid: Straightened, kinds: Sequence[SideKind], frame: Frame, side: int, limits: FrameLimits) -> bool:
    """Return whether a side was seen as a line, and not so far in that a cropped picture explains it better."""
    if frame.origins[side] != "line":
        return False
    if kinds[side] == "glass":
        return True
    u, v = grid.box.own(frame.box.centre.x, frame.box.centre.y)
    half = (frame.box.width_mm / 2, frame.box.height_mm / 2)
    full = (grid.box.width_mm / 2, grid.box.height_mm / 2)
    centre = (float(u), float(v))
    axis = side % 2
    outward = -centre[axis] if side < 2 else centre[axis]
    return full[axis] - (outward + half[axis]) <= limits.widest_seen_mm


def measured_rebate(grid: Straightened, level: Level, frames: Sequence[TurnedBox]) -> Rebate | None:
    """Read the rebate, or return None where none is left beside the frames.

    Parameters
    ----------
    frames
        Boxes of the frames, on the scan.
    """
    for inset in _INSETS_MM:
        even = _even_part(grid, level, frames, inset)
        if even.sum() * grid.step_mm**2 >= level.limits.least_mm2:
            return _read(grid, even, frames)
    return None


def _even_part(grid: Straightened, level: Level, frames: Sequence[TurnedBox], inset_mm: float) -> Mask:
    """Return the cells of rebate that lie this far from the frames, the edges, and everything that is not rebate."""
    with np.errstate(invalid="ignore"):
        even = np.abs(grid.density - level.plane) <= level.step
    around = grid.off_edges(inset_mm)
    for box in frames:
        around &= ~grid.inside(box, -inset_mm)
    # soft edges of print, leaks, holes and dust
    other = grown(~even) if inset_mm < 0.5 else grown(grown(~even))
    even &= around & ~other
    if not even.any():
        return even
    values = (grid.density - level.plane)[even]
    centre, keep = float(np.median(values)), np.ones(values.size, dtype=bool)
    for _ in range(4):
        reach = 2.5 * max(robust_sd(values[keep]), 1e-4)
        keep = np.abs(values - centre) <= reach
        centre = float(np.median(values[keep]))
    rows, columns = np.nonzero(even)
    even[rows[~keep], columns[~keep]] = False
    return even


def _read(grid: Straightened, even: Mask, frames: Sequence[TurnedBox]) -> Rebate:
    cell = grid.step_mm**2
    sides = []
    for name, where in _named_sides(grid, frames).items():
        values = grid.density[where & even]
        if values.size * cell < 4:
            continue
        # neighbouring cells share grain and the scanner's blur: about one in four counts by itself
        uncertainty = robust_sd(values) / math.sqrt(max(values.size / 4, 1))
        sides.append(RebateSide(name=name, density=float(np.median(values)), uncertainty=uncertainty))
    values = grid.density[even]
    levels = np.array([side.density for side in sides])
    noise = robust_sd(values) / math.sqrt(max(values.size / 4, 1))
    between = float(levels.std(ddof=1)) / math.sqrt(levels.size) if levels.size > 1 else 0.0
    return Rebate(
        transmittance=float(np.mean(10.0**-values)),
        uncertainty=math.hypot(noise, between),
        spread=float(np.ptp(levels)) if levels.size else 0.0,
        sides=tuple(sides),
    )


def whole_rebate(values: Map) -> Rebate:
    """Return what an unexposed piece reads: the median density of its cells, specks ignored."""
    level, scatter = float(np.median(values)), robust_sd(values)
    uncertainty = scatter / math.sqrt(max(values.size / 4, 1))
    side = RebateSide(name="all", density=level, uncertainty=uncertainty)
    return Rebate(transmittance=10.0**-level, uncertainty=uncertainty, spread=0.0, sides=(side,))


def _named_sides(grid: Straightened, frames: Sequence[TurnedBox]) -> dict[str, Mask]:
    """Return which cells lie left of, above, right of and below all frames, and which between them."""
    height, width = grid.density.shape
    if not frames:
        return {"all": np.ones(grid.density.shape, dtype=bool)}
    corners = [grid.box.own(*box.on_scan(np.array([-1, 1]) * box.width_mm / 2, np.array([-1, 1]) * box.height_mm / 2))
               for box in frames]  # fmt: skip
    left, right = min(float(u[0]) for u, _ in corners), max(float(u[1]) for u, _ in corners)
    top, bottom = min(float(v[0]) for _, v in corners), max(float(v[1]) for _, v in corners)
    u = ((np.arange(width) + 0.5) * grid.step_mm - grid.box.width_mm / 2)[None, :]
    v = ((np.arange(height) + 0.5) * grid.step_mm - grid.box.height_mm / 2)[:, None]
    across, down = (u >= left) & (u <= right), (v >= top) & (v <= bottom)
    return {
        "left": (u < left) & down,
        "top": (v < top) & across,
        "right": (u > right) & down,
        "bottom": (v > bottom) & across,
        "gaps": across & down,
    }
