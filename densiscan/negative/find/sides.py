"""The sides of a frame: straight lines where the mean density along a whole line leaves the rebate's level.

A line counts by how much of it is exposed, so that a sky or a corner as clear as the rebate hides part of a side and
not the side; a faint veil all along it counts as well. Print and numerals break off, leaks have no line.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from densiscan.negative.find.limits import FRAME_LIMITS, FrameLimits
from densiscan.negative.find.rebate import Level
from densiscan.scan.cells import Indices, Map, Mask, Straightened

if TYPE_CHECKING:
    from numpy.typing import NDArray

RIM_MM: Final = 0.3
"""Rim of a piece that is left out where the picture runs to it: a cut edge throws a shadow, a mask's is blurred."""

ASSUMED_DOUBT_MM: Final = 0.8
"""Standard uncertainty of a side placed by the opposite one: the clear edges of a sheet are 3 to 5 mm wide, each by
itself, and the two differ by that."""

RIM_DOUBT_MM: Final = 0.17
"""Standard uncertainty of where a picture ends that runs to the rim: none of it to twice as much may be film's edge."""

SOFT_SHARE: Final = 0.15
"""Standard uncertainty of the middle of a soft edge, as a share of how far in from there the picture is dimmed: what
half of the light gives is not quite half of the density, and a side that lies askew is soft too."""


class Side(NamedTuple):
    """One side of a frame: its place on the grid (cells), the share of it that shows a step, how it is known.

    `origin` is "line" (seen), "edge" (the picture runs to the end of the piece) or "assumed".
    """

    at: int
    share: float
    origin: str


class Profile(NamedTuple):
    """How much denser than the rebate a piece is on each line across one axis, seen from one end of it.

    Attributes
    ----------
    excess
        Mean density above the rebate on each line, every cell cut to full exposure at most, so that a line counts by
        how much of it is exposed and a faint exposure over all of it still counts.
    density
        Mean density above the rebate, not cut.
    step_mm
        Distance of the lines.
    noise
        Standard deviation of `excess` by the scatter of the rebate.
    fogged
        Share of the end itself that is exposed; those parts are left out of the means.
    limits
        What sides are told by.
    """

    excess: Map
    density: Map
    step_mm: float
    noise: float
    fogged: float
    limits: FrameLimits = FRAME_LIMITS

    @property
    def least(self) -> float:
        """Least rise of the excess at a side."""
        return max(self.limits.faint_step, self.limits.noises * self.noise)

    def cells(self, length_mm: float) -> int:
        """Return a length in lines, at least one."""
        return max(1, round(length_mm / self.step_mm))


def profile_of(grid: Straightened, level: Level, axis: int, span: tuple[int, int], *, end: int = 0) -> Profile:
    """Average across an axis, over a span of the other one, from its beginning (`end` 1), its end (-1) or whole (0)."""
    cut = (slice(None), slice(*span)) if axis == 0 else (slice(*span), slice(None))
    above = grid.density[cut] - level.plane[cut]
    above = above if axis == 0 else above.T
    above = above[::-1] if end < 0 else above
    with np.errstate(invalid="ignore"):
        # holes, notches and what lies under their soft rims are no film
        known = above > -max(3 * level.scatter, 0.01)
    lines = known.sum(axis=1)
    usual = float(np.median(lines))
    start = _outermost(lines, usual, grid) + grid.cells(0.25)
    stop = above.shape[0] - _outermost(lines[::-1], usual, grid) - grid.cells(0.25)
    above = np.where(known, above, 0.0)
    full = level.limits.full
    cut_off = np.minimum(above, full)
    fogged = 0.0
    if end:
        # where a leak, edge print or the picture itself reaches the end, no line is to be seen
        first = _ends_of(known) if grid.ragged else np.full(known.shape[1], start)
        least = np.where(known, cut_off, full)
        clean = _along_ends(least, first, grid.cells(0.5) + 1).min(axis=0) < 0.5 * full
        fogged = 1 - float(clean.mean())
        # a notch or a hole that ends would look like a step where there is fog beside it
        whole = _along_ends(known, first, grid.cells(2.5)).mean(axis=0) > 0.9
        enough = 0.1 if grid.ragged else 0.2
        clean = clean & whole if (clean & whole).mean() > enough else clean
        if enough < clean.mean() < 0.98:
            above, cut_off, known = above[:, clean], cut_off[:, clean], known[:, clean]
        if grid.ragged:
            start = _first_line(known)
    count = np.maximum(known.sum(axis=1), 1)
    density, excess = above.sum(axis=1) / count, cut_off.sum(axis=1) / count
    if end:
        # the first lines may still be half mask
        start += int(np.argmin(excess[start : start + grid.cells(0.5) + 1]))
    for values in (density, excess):
        values[:start], values[stop:] = values[start], values[stop - 1]
    noise = level.scatter / math.sqrt(float(np.median(count)))
    return Profile(excess, density, grid.step_mm, noise, fogged, level.limits)


def _ends_of(known: Mask) -> Indices:
    """Return where film begins on every column of a piece whose side is crooked; its last place where there is none."""
    return np.asarray(np.where(known.any(axis=0), np.argmax(known, axis=0), known.shape[0] - 1))


def _along_ends(values: NDArray[Any], first: Indices, depth: int) -> NDArray[Any]:
    """Return the values of every column from its `first` place to a depth, shape (depth, columns)."""
    rows = np.minimum(first[None, :] + np.arange(depth)[:, None], values.shape[0] - 1)
    return np.asarray(np.take_along_axis(values, rows, axis=0))


def _first_line(known: Mask) -> int:
    """Return the first line of a crooked piece that holds enough of it to be averaged."""
    lines = known.sum(axis=1)
    return int(np.argmax(lines >= max(0.15 * float(np.median(lines)), 1.0)))


def _outermost(lines: Indices, usual: float, grid: Straightened) -> int:
    """Return the first whole line of a piece: its rim is half glass, a turned one has no full lines at its corners."""
    full = lines > 0.7 * usual
    first = int(np.argmax(lines > 0.3 * usual))
    rim = np.flatnonzero(~full[first : first + grid.cells(1.6)])
    return min(first + (int(rim[-1]) + 1 if rim.size else 0), lines.size // 3)


def steps_of(profile: Profile) -> Map:
    """Return the rise of the excess across each border, from 0.4-1.2 mm before it to 0.4-1.2 mm behind it.

    Entry k is the border before line k; 0 where the piece ends too soon.
    """
    gap, width = profile.cells(0.4), profile.cells(0.8)
    size = profile.excess.size
    sums = np.concatenate(([0.0], np.cumsum(profile.excess)))
    rise = np.zeros(size + 1)
    at = np.arange(gap + 1, size - gap)
    low, high = np.maximum(at - gap - width, 0), np.minimum(at + gap + width, size)
    before = (sums[at - gap] - sums[low]) / (at - gap - low)
    after = (sums[high] - sums[at + gap]) / (high - at - gap)
    rise[at] = after - before
    return rise


def first_side(profile: Profile, *, through_fog: bool = True) -> Side | None:
    """Return the outermost believable frame side, coming from the profile's beginning; None where there is none.

    `through_fog` says that one may lie behind an edge that is exposed all along.
    """
    if profile.fogged > 0.8:
        return (_through_fog(profile) if through_fog else None) or Side(0, profile.fogged, "edge")
    steps, limits = steps_of(profile), profile.limits
    # along a crooked edge its shadow is not left out for certain
    faint = (limits.faint_step, limits.faintest_step) if through_fog else (0.2 * limits.full,)
    for weakest in faint:
        least = max(weakest, limits.noises * profile.noise)
        for at in _peaks(steps, least):
            if _believed(profile, at, float(steps[at])) and _sharp(profile, steps, at):
                return Side(_middle_of(profile, at), float(steps[at]) / limits.full, "line")
        if profile.fogged > 0.3:
            return Side(0, profile.fogged, "edge")
    return None


def _through_fog(profile: Profile) -> Side | None:
    """Return the frame side behind an edge that is fogged all along, or None where it is the picture that reaches it.

    Stray light falls off inwards from the edge of the film, so that outside the frame the density does not rise; at
    the frame it rises at once.
    """
    gap = profile.cells(0.5)
    widest = min(profile.cells(profile.limits.widest_rebate_mm), profile.density.size - 2 * gap - 1)
    density = profile.density[: widest + gap]
    if density.size < 4 * gap:
        return None
    rises = density[2 * gap :] - density[: -2 * gap]
    at = int(np.argmax(rises)) + gap
    rise = float(rises.max())
    outside = density[: max(at - gap // 2, 1)]
    climb = float((outside - np.minimum.accumulate(outside)).max())
    usual = float(np.median(np.abs(rises)))
    if rise < profile.limits.fog_step or rise < 4 * usual or climb > 0.1 * rise or at < profile.cells(0.8):
        return None
    return Side(at, min(rise / profile.limits.full, 1.0), "line")


def _believed(profile: Profile, at: int, step: float) -> bool:
    excess, limits = profile.excess, profile.limits
    near = profile.cells(0.4)
    outside = float(excess[max(0, at - profile.cells(1.5)) : max(1, at - near)].mean())
    farther = float(excess[: max(at - near, 1)].mean())
    quiet = max(outside, farther) <= limits.quiet * step + 2 * profile.noise
    if at > profile.cells(profile.limits.widest_rebate_mm):
        return quiet and step >= limits.faint_step and profile.fogged < 0.3 and _goes_on(profile, at, outside, step)
    return (quiet or step >= 0.25 * limits.full) and _goes_on(profile, at, outside, step)


def _sharp(profile: Profile, steps: Map, at: int) -> bool:
    """Return whether a faint step is a line and not a slope, such as light scattered from the glass beside makes."""
    away = profile.cells(1.2)
    if steps[at] >= 2 * profile.limits.faint_step:
        return True
    return at >= away and float(
        np.abs(steps[max(0, at - away - profile.cells(0.8)) : at - away + 1]).max()
    ) <= 0.4 * float(steps[at])


def _peaks(strength: Map, least: float) -> list[int]:
    """Return the places of the maxima of at least this strength, in order, none within 1 mm or so of a higher one."""
    found: list[int] = []
    reach = 4
    padded = np.pad(strength, reach, constant_values=-np.inf)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    for at in np.flatnonzero((strength >= least) & (strength >= highest - 1e-12)).tolist():
        if not found or at - found[-1] > reach:
            found.append(at)
    return found


def _goes_on(profile: Profile, at: int, outside: float, step: float) -> bool:
    """Return whether the picture goes on behind a line: edge print and numerals break off within 3.5 mm."""
    behind = profile.excess[at + profile.cells(0.4) : at + profile.cells(3.5)]
    return bool(behind.size and behind.min() > outside + profile.limits.goes_on * step)


def _middle_of(profile: Profile, at: int) -> int:
    """Return the border at which the excess is half way between both sides of a step."""
    reach = profile.cells(0.8)
    low, high = max(0, at - reach), min(profile.excess.size, at + reach)
    part = profile.excess[low:high]
    if part.size < 3:
        return at
    clear = int(np.argmin(part[: at - low + 1]))
    half = (part[clear] + part[-1]) / 2
    return low + clear + int(np.argmax(part[clear:] > half)) if part[-1] > part[clear] else at


class EdgePlace(NamedTuple):
    """Where a side of a frame lies to a fraction of a cell, and the standard uncertainty of that, mm.

    `seen` is False where no edge shows and the place is only the border of cells that was asked about.
    """

    place_mm: float
    doubt_mm: float
    seen: bool = True


def edge_place(grid: Straightened, level: Level, side: int, at: int, span: tuple[int, int]) -> EdgePlace:
    """Return the place at which the mean density is half way between outside and inside of a soft edge.

    Parameters
    ----------
    side
        0 to 3: left, top, right, bottom.
    at
        Border of cells it was seen at.
    span
        First and last cell of the frame along the side.
    """
    axis, inward = (1, 0, 1, 0)[side], 1 if side < 2 else -1
    out, far = grid.cells(0.8), grid.cells(1.4)
    size = grid.density.shape[axis]
    lines = np.arange(max(0, at - out), min(size, at + far)) if inward > 0 else np.arange(
        min(size, at + out) - 1, max(0, at - far) - 1, -1
    )  # fmt: skip
    along = slice(*span)
    index = (lines, along) if axis == 0 else (along, lines)
    above = grid.density[index] - level.plane[index]
    with np.errstate(invalid="ignore"):
        known = above > -max(3 * level.scatter, 0.01)
    total = np.where(known, above, 0.0).sum(axis=1 - axis)
    mean = total / np.maximum(known.sum(axis=1 - axis), 1)
    # cells are taken from the scan nearest to where they lie, each off by up to half of one
    by_cells = grid.step_mm / math.sqrt(12.0)
    plain = EdgePlace(at * grid.step_mm, math.hypot(by_cells, RIM_DOUBT_MM), seen=False)
    border = int(np.searchsorted(lines * inward, (at if inward > 0 else at - 1) * inward))
    if border < 1 or lines.size < border + grid.cells(0.9):
        return plain
    clear = int(np.argmin(mean[: border + 1]))
    low, high = float(mean[clear]), float(np.median(mean[border + grid.cells(0.5) : border + grid.cells(1.0)]))
    rise = high - low
    if rise < 0.01:
        return plain
    after = clear + int(np.argmax(mean[clear:] > low + rise / 2))
    if after <= clear:
        return plain
    before = float(mean[after - 1])
    # lines lie half a cell behind their borders
    middle = after - 0.5 + (low + rise / 2 - before) / (float(mean[after]) - before)
    full = after + int(np.argmax(mean[after:] >= high - max(0.03, 0.04 * rise)))
    soft = min(max((full - middle) * grid.step_mm, 0.0), 0.6)
    first = lines[0] if inward > 0 else lines[0] + 1
    return EdgePlace((first + inward * middle) * grid.step_mm, math.hypot(by_cells, SOFT_SHARE * soft))
