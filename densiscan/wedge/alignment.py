"""Which cells of a row are which steps of the wedge file, and how sure that is.

A row of even edges gives a lattice of cells; some are steps, others the glass, film or mask beyond them. Every way to
lay the file's steps along the cells is weighed by one likelihood of all that is seen: the levels of the steps under
any smooth tone curve, the levels beyond, which of them stand out from what lies beside the row, and where edges lie
off the lattice. The ends may be lost, at white or in the dark: where the rest tells them all the same, they are placed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats

_WHITE: Final = math.log10(0.9985)
"""Log10 signal from which a cell is taken as clipped to white."""
_BLACK_LEVEL: Final = 0.001
"""Doubt of a scanner's black level, part of full scale, before its tone curve."""
_GLARE: Final = 0.002
"""What glare differs by from place to place, part of full scale."""
_FLATTEST: Final = 0.2
"""Part of its usual slope that a tone curve keeps above the black level."""
_UNEVEN: Final = 0.004
"""Doubt of a level, log10 signal: lamp, glare from neighbours, what the step itself is uneven by."""
_BENDS: Final = (0.1, 0.3, 0.8)
"""How fast the slope of a tone curve wanders, a root unit of density: hardly, by flare and gamma, in an S."""
_SLOPE: Final = (0.7, 0.5)
"""Log10 signal a unit of density: linear 1, gamma 2.2 0.45, to directed light up to 1.4; mean and deviation."""
_ANYWHERE: Final = math.log(0.4)
"""Log probability, a decade, of a level that nothing is known of: anywhere in two and a half decades."""
_SAME: Final = 0.01
"""Difference of levels, log10, that one even surface shows from cell to cell."""

_BESIDE: Final = 0.3
"""Chance that a surface beyond an end is that which lies beside the row there."""
_SEEN_AGAIN: Final = 0.3
"""Chance that it is the open light, or what lies beyond the other end: an opening shows the same glass at both."""
_FRAMED: Final = 0.9
"""Chance that what lies beyond one end stands out from what lies beside it where that beyond the other does."""
_OPEN: Final = 0.3
"""Chance that the brightest surface on the scan is the open light: of density 0, and no step."""
_OF_OPEN_LIGHT: Final = 0.01
"""Doubt, density, of open light beside a wedge: glare and the lamp differ from place to place."""
_HOPELESS: Final = 40.0
"""Log-likelihood by which a place is so far behind that the open light, worth 19 at most, cannot help it."""
_NEAR_LIGHT: Final = 6
"""Lightest steps that tell how bright open light must be."""
_ONE_MORE: Final = 0.05
"""Chance that film beyond the dense end is one more even patch, and a little denser."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A lattice cell of a row, read in its middle.

    Attributes
    ----------
    level
        log10 of the signal; the lowest code where it is nothing.
    doubt
        Noise of the level, standard deviation.
    inside
        Part of the cell that lies on the scan.
    even
        Whether no edge lies within it.
    beside
        Level beside the row that differs most, None where that is off the scan.
    """

    level: float
    doubt: float
    inside: float = 1.0
    even: bool = True
    beside: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Laying:
    """One way to lay steps on the cells of a row: the cell of the lightest, and how many there are.

    Attributes
    ----------
    lost
        Numbers (from 0, the lightest) of the steps that lie beyond the edges that were seen.
    likelihood
        Logarithm of the likelihood of all that was seen.
    match
        How much of it, a step told, is owed to the levels of the steps, over levels of which nothing is known.
    """

    start: int
    count: int
    lost: frozenset[int] = frozenset()
    likelihood: float = 0.0
    match: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """The densities of the wedge file, lightest first, with their standard deviations.

    `on_paper` tells that they are those of a print, so that what lies beside it is a lid: of any density.
    """

    densities: Floats
    doubts: Floats
    on_paper: bool = False

    @staticmethod
    def nominal(densities: Floats) -> Steps:
        """Return steps known to 0.01, as a maker states them."""
        return Steps(densities=densities, doubts=np.full(densities.size, 0.01))

    def only(self, numbers: Sequence[int]) -> Steps:
        """Return some of the steps, by number from 0."""
        return replace(self, densities=self.densities[list(numbers)], doubts=self.doubts[list(numbers)])

    def as_many(self, count: int) -> Steps:
        """Return the lightest steps, or all and more that go on evenly, in doubt by half a step each."""
        densities, doubts = self.densities[:count], self.doubts[:count]
        more = count - densities.size
        if more > 0:
            step = float(densities[-1] - densities[-2])
            further = np.arange(1, more + 1)
            densities = np.concatenate((densities, densities[-1] + step * further))
            doubts = np.concatenate((doubts, 0.5 * step * further))
        return replace(self, densities=densities, doubts=doubts)


def ways_to_lay(
    cells: Mapping[int, Cell], steps: Steps, *, edges: Sequence[int], floor: float, light: float | None = None
) -> list[Laying]:
    """Return the ways to lay the steps of a file on the cells of a row, the most likely first.

    Parameters
    ----------
    cells
        By lattice number, lightest first, without gaps.
    edges
        Lattice places at which an edge was seen; place k lies before cell k.
    floor
        log10 of the lowest signal that is told from nothing.
    light
        Level of the brightest surface on the scan, where there is one beside the row.
    """
    first, last = min(cells), max(cells)
    count = steps.densities.size
    starts = [
        start
        for start in range(first, last - count + 2)
        if 2 * sum(start < place < start + count for place in edges) >= len(edges)
    ]
    ways = [_way(cells, steps, start, edges, floor, light) for start in starts]
    near = max((way.likelihood for way in ways), default=0.0) - _HOPELESS
    weighed = [
        replace(way, likelihood=way.likelihood + _open_light(light, _inner(cells, way.start, count), steps, floor))
        if way.likelihood > near
        else way
        for way in ways
    ]
    return sorted(weighed, key=lambda way: -way.likelihood)


def _inner(cells: Mapping[int, Cell], start: int, count: int) -> list[Cell]:
    return [cells[number] for number in range(start, start + count)]


def _way(
    cells: Mapping[int, Cell], steps: Steps, start: int, edges: Sequence[int], floor: float, light: float | None
) -> Laying:
    count = steps.densities.size
    inner = _inner(cells, start, count)
    before = [cells[number] for number in range(start - 1, min(cells) - 1, -1)]
    after = [cells[number] for number in range(start + count, max(cells) + 1)]
    tone = _tone(inner, steps, floor)
    likelihood = (
        tone
        + sum(_as_step(cell, floor, end=number in (0, count - 1)) for number, cell in enumerate(inner))
        + _as_outside(before, inner[0], floor, light, after)
        + _as_outside(after, inner[-1], floor, light, ())
        + _goes_on(inner[-1], after[:1], floor)
    )
    told = sum(not _is_lost(cell.level, floor) for cell in inner)
    return Laying(
        start=start,
        count=count,
        lost=frozenset(n for n in range(count) if not min(edges) - 1 <= start + n <= max(edges)),
        likelihood=likelihood,
        match=tone / max(told, 1) - _ANYWHERE,
    )


def _is_lost(level: float, floor: float) -> bool:
    return level >= _WHITE or level <= floor


def stands_out(cell: Cell, floor: float) -> bool | None:
    """Tell whether a cell differs from what lies beside it; None where that cannot be told."""
    if cell.beside is None:
        return None
    if (cell.level >= _WHITE and cell.beside >= _WHITE) or (cell.level <= floor and cell.beside <= floor):
        return None
    away = abs(cell.beside - cell.level)
    # In the dark, glare from afar differs from place to place.
    glare = _GLARE / 10.0 ** max(cell.level, cell.beside) / math.log(10.0)
    if away <= glare and glare > _SAME:
        return None
    return away > max(_SAME, 3.0 * cell.doubt)


def _as_step(cell: Cell, floor: float, *, end: bool) -> float:
    """Return the log probability, as that of a step, of how a cell stands out, is even and lies on the scan."""
    out = stands_out(cell, floor)
    told = 0.0 if out is None else math.log(0.95 if out else 0.05) if not end else math.log(0.8 if out else 0.2)
    uneven = 0.0 if cell.even else math.log(0.1 if end else 0.2)
    return told + uneven + (math.log(0.1) if cell.inside < 0.9 else 0.0)


def _as_outside(cells: Sequence[Cell], end: Cell, floor: float, light: float | None, others: Sequence[Cell]) -> float:
    """Return the log probability of the cells beyond an end, outwards: one surface, and perhaps another after it.

    `others` are those beyond the other end, where they are known: what holds the wedge holds both ends alike.
    """
    known = [cell.level for cell in others if cell.even and not _is_lost(cell.level, floor)]
    known += [] if light is None else [light]
    framed = stands_out(others[0], floor) if others else None
    total = 0.0
    previous: Cell | None = None
    for cell in cells:
        out = stands_out(cell, floor)
        total += (
            0.0 if out is None else math.log(0.5 if framed is None else _FRAMED if out == framed else 1.0 - _FRAMED)
        )
        total += math.log(_surface(cell, previous, end, floor, known))
        previous = cell
    return total


def _goes_on(end: Cell, after: Sequence[Cell], floor: float) -> float:
    """Return what speaks against an end beyond which the row goes on denser, and not as what lies beside it does.

    Film beyond the dense end is clear or opaque; one more even patch just denser than the last is a step.
    """
    further = any(floor < cell.level < end.level - _SAME and cell.even and stands_out(cell, floor) for cell in after)
    return math.log(_ONE_MORE) if further else 0.0


def _open_light(light: float | None, inner: Sequence[Cell], steps: Steps, floor: float) -> float:
    """Return what the brightest surface tells: where it is the open light, the tone curve meets it at density 0."""
    told = [k for k, cell in enumerate(inner) if not _is_lost(cell.level, floor)][:_NEAR_LIGHT]
    if light is None or light >= _WHITE or len(told) < 3 or steps.densities[0] <= 0.0 or steps.on_paper:
        return 0.0
    level = np.array([inner[k].level for k in told])
    slope = _typical_slope(level, steps.densities[told])
    doubt = _doubts([inner[k] for k in told], steps.only(told), slope)
    level, doubt = np.append(light, level), np.append(math.hypot(slope * _OF_OPEN_LIGHT, _UNEVEN), doubt)
    at = np.append(0.0, steps.densities[told])

    def fits(first: int) -> float:
        return max(
            _process(level[first:], doubt[first:], at[first:], slope * bend, floor, drowns=False) for bend in _BENDS
        )

    return math.log(1.0 - _OPEN + _OPEN * math.exp(min(fits(0) - fits(1) - _ANYWHERE, 20.0)))


def _surface(cell: Cell, previous: Cell | None, end: Cell, floor: float, known: Sequence[float]) -> float:
    """Return the probability of the level of a cell beyond an end, given the cell before it on the way outwards."""
    lost = _is_lost(cell.level, floor)
    if previous is None:
        # Where a step is lost at white, so is the glass.
        return (0.6 if _is_lost(end.level, floor) else 0.3) if lost else _anew(cell, known)
    # An edge beyond the wedge lies on its lattice by chance alone; nothing dark and narrow lies beside glass, unless it
    # goes on beside the row as a mask does.
    change = 0.08 if cell.even and previous.even else 0.25
    narrow = cell.level > previous.level + 0.1 and not _goes_round(previous)
    change *= 0.3 if narrow else 1.0
    if lost:
        return 0.8 if _is_lost(previous.level, floor) else change
    return 0.75 * _normal(cell.level - previous.level, math.hypot(_SAME, cell.doubt)) + change * _anew(cell, known)


def _goes_round(cell: Cell) -> bool:
    """Tell whether what lies beside the row may be the same surface: glare apart, it is as dark."""
    if cell.beside is None:
        return False
    return abs(10.0**cell.level - 10.0**cell.beside) <= _GLARE and cell.beside < cell.level + 0.1


def _anew(cell: Cell, known: Sequence[float]) -> float:
    """Return the probability, a decade, of the level of a surface: one that is seen elsewhere too, or any other."""
    spread = math.hypot(_SAME, cell.doubt)
    glare = _GLARE / 10.0**cell.level / math.log(10.0) if _goes_round(cell) else 0.0
    beside = 0.0 if cell.beside is None else _normal(cell.level - cell.beside, math.hypot(spread, glare))
    again = max((_normal(cell.level - level, spread) for level in known), default=0.0)
    return _BESIDE * beside + _SEEN_AGAIN * again + (1.0 - _BESIDE - _SEEN_AGAIN) * math.exp(_ANYWHERE)


def _normal(away: float, spread: float) -> float:
    return math.exp(-0.5 * (away / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))


def _tone(inner: Sequence[Cell], steps: Steps, floor: float) -> float:
    """Return the log probability of the levels of the steps under a smooth tone curve, the best of three bends."""
    level = np.array([cell.level for cell in inner])
    lost = np.array([_is_lost(cell.level, floor) for cell in inner])
    if np.count_nonzero(~lost) < 3:
        return -math.inf
    slope = _typical_slope(level[~lost], steps.densities[~lost])
    # A step denser than one that drowned has drowned, though the glare of the light beyond it gives it a signal.
    drowned = np.logical_or.accumulate(level <= floor) & (10.0 ** (level / slope) <= _GLARE)
    level, lost = np.where(drowned, np.minimum(level, floor), level), lost | drowned
    if np.count_nonzero(~lost) < 3:
        return -math.inf
    doubt = _doubts(inner, steps, slope)
    drowns = _drowns(level, np.flatnonzero(~lost), steps.densities, slope, floor)
    best = max(_process(level, doubt, steps.densities, slope * bend, floor, drowns=drowns) for bend in _BENDS)
    # Steps that differ in density differ on the scan: two cells alike are no two steps, but in the dark.
    told = np.flatnonzero(~lost)
    drops, rises = -np.diff(level[told]), np.diff(steps.densities[told])
    bare = np.sqrt(np.maximum(doubt**2 - (slope * steps.doubts) ** 2, _UNEVEN**2))[told]
    short = np.maximum(_FLATTEST * slope * rises - drops, 0.0) / np.hypot(bare[:-1], bare[1:])
    return best - 0.5 * float(np.minimum(short, 5.0) @ np.minimum(short, 5.0))


def _typical_slope(level: Floats, densities: Floats) -> float:
    """Return the fall of level a unit of density, the middle one over pairs of steps: the dark end bends away."""
    falls = -np.diff(level) / np.maximum(np.diff(densities), 1e-3)
    return min(max(float(np.median(falls)), 0.15), 1.5)


def _doubts(inner: Sequence[Cell], steps: Steps, slope: float) -> Floats:
    """Return the standard deviation of each level: certificate, noise, unevenness, and the black level."""
    level = np.array([cell.level for cell in inner])
    # A level lower than the steps before it make expected may be a black level set too high, or no step: how much a
    # black level moves it is asked of the level expected.
    expected = np.maximum.accumulate(level[::-1])[::-1].copy()
    for k in range(1, level.size):
        fall = 1.5 * slope * (steps.densities[k] - steps.densities[k - 1])
        expected[k] = max(expected[k], expected[k - 1] - fall)
    light = 10.0 ** (np.minimum(expected, 0.0) / slope)
    black = slope * np.minimum(_BLACK_LEVEL / np.maximum(light, 1e-6), 10.0) / math.log(10.0)
    noise = np.array([cell.doubt for cell in inner])
    return np.asarray(np.sqrt((slope * steps.doubts) ** 2 + noise**2 + _UNEVEN**2 + black**2))


def _process(level: Floats, doubt: Floats, at: Floats, bend: float, floor: float, *, drowns: bool) -> float:
    """Return the log probability of levels under a straight line with an integrated random walk on it.

    Lost levels are known to be beyond the end of the scale alone, and one black level loses them all; `drowns` tells
    that it must.
    """
    x = at - at[0]
    lesser, greater = np.minimum.outer(x, x), np.maximum.outer(x, x)
    walk = bend**2 * lesser**2 * (3.0 * greater - lesser) / 6.0
    covariance = 1.0 + _SLOPE[1] ** 2 * np.outer(x, x) + walk
    white, black = level >= _WHITE, level <= floor
    kept = ~(white | black)
    rest = level + _SLOPE[0] * x
    noisy = covariance[np.ix_(kept, kept)] + np.diag(doubt[kept] ** 2)
    root = np.linalg.cholesky(noisy)
    scaled = np.linalg.solve(root, rest[kept])
    total = (
        -0.5 * float(scaled @ scaled) - float(np.log(np.diag(root)).sum()) - 0.5 * scaled.size * math.log(2 * math.pi)
    )
    if np.any(np.diff(white.astype(np.int8)) > 0) or np.any(np.diff(black.astype(np.int8)) < 0):
        return -math.inf
    # A tone curve falls everywhere: where the nearest lost step is beyond an end of the scale, so are those after it.
    nearest = [*np.flatnonzero(white)[-1:], *np.flatnonzero(black)[:1]]
    for k in nearest:
        pull = np.linalg.solve(root, covariance[kept, k])
        mean = float(pull @ scaled) - _SLOPE[0] * float(x[k])
        spread = math.sqrt(max(float(covariance[k, k] - pull @ pull), 0.0) + float(doubt[k]) ** 2)
        beyond = mean - _WHITE if level[k] >= _WHITE else floor - mean
        total += math.log(
            max(0.5 * math.erfc(-beyond / spread / math.sqrt(2.0)), 0.5 if drowns and black[k] else 1e-30)
        )
    return total


def _drowns(level: Floats, told: npt.NDArray[np.intp], densities: Floats, slope: float, floor: float) -> bool:
    """Tell whether the step after the last that is told must drown, by the black level that the last two show.

    Below a slope, light is a part of what passes the step plus a black level, which may be less than nothing.
    """
    last = int(told[-1])
    if last + 1 >= level.size or told.size < 3:
        return False
    light, passed = 10.0 ** (level[told[-2:]] / slope), 10.0 ** -densities[[told[-2], last, last + 1]]
    expected = light[1] - (light[0] - light[1]) * (passed[1] - passed[2]) / (passed[0] - passed[1])
    return bool(expected <= 10.0 ** (floor / slope))
