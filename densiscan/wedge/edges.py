"""A profile along a wedge: the edges between its steps.

One-dimensional work only. A profile is the logarithm of the signal in cells along the wedge; it is cut into even
stretches, neighbouring stretches that fall in one direction form a run of edges, and the edges of a wedge lie at equal
distances.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import fit_line
from densiscan.wedge.limits import ROW_LIMITS, RowLimits

Stretch = tuple[int, int, float]
"""First cell, last cell + 1, level."""
Edge = tuple[Stretch, Stretch]


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeRun:
    """Edges of one profile that all fall away from the light end, on a lattice.

    Lattice place k lies at origin + k * pitch (cells; the pitch is negative where the light end lies at the far end);
    place 0 is the first edge seen from the light end. `drops` are the sizes of the edges by place. `light_edge` is
    where the stretch before place 0 begins, `dark_edge` where the stretch after the last place ends; `closed` tells
    that a large edge back to light ends it, not the border of the scan; `masked` that what lies before `light_edge` is
    darker than the stretch after it. `noise` is that of a cell after the last edge.
    """

    origin: float
    pitch: float
    drops: Mapping[int, float]
    light_edge: float
    dark_edge: float
    closed: bool
    masked: bool
    noise: float


def stretches(profiles: Floats, noise: Floats, limits: RowLimits = ROW_LIMITS) -> list[list[Stretch]]:
    """Cut each of many profiles into even stretches: first cell, last cell + 1, level.

    Parameters
    ----------
    profiles
        log10 of the signal, shape (profiles, cells).
    noise
        Standard deviation of each cell, same shape.

    Returns
    -------
    list
        For each profile its stretches from the first cell to the last; none is longer than the limit.

    Notes
    -----
    The cut minimises the chi-square of the cells about the level of their stretch plus a penalty for each edge, by
    dynamic programming over all cuts (optimal partitioning: Jackson et al. 2005, IEEE Signal Processing Letters 12),
    for all profiles at once.
    """
    count, size = profiles.shape
    # The level of each profile is taken off first: sums of squares of what is left keep their digits.
    level = np.median(profiles, axis=1, keepdims=True)
    rest, weight = (profiles - level).T, (1.0 / (noise**2 + limits.evenness**2)).T
    w, wy = _summed(weight), _summed(weight * rest)
    # What a stretch that begins at a cell has cost before it, less the squares summed up to there.
    begun = np.empty((size + 1, count))
    begun[0] = 0.0
    origin = np.zeros((size + 1, count), dtype=np.intp)
    row = np.arange(count)
    for end in range(1, size + 1):
        start = max(end - limits.longest_stretch, 0)
        sums = wy[end] - wy[start:end]
        sums *= sums
        sums /= w[end] - w[start:end]
        cost = begun[start:end] - sums
        first = np.argmin(cost, axis=0)
        origin[end] = start + first
        begun[end] = cost[first, row] + limits.change_penalty
    return [_cut(origin[:, k], w[:, k], wy[:, k], float(level[k, 0])) for k in range(count)]


def _summed(terms: Floats) -> Floats:
    return np.concatenate((np.zeros((1, terms.shape[1])), np.cumsum(terms, axis=0)))


def _cut(origin: npt.NDArray[np.intp], w: Floats, wy: Floats, level: float) -> list[Stretch]:
    cuts = [origin.size - 1]
    while cuts[-1] > 0:
        cuts.append(int(origin[cuts[-1]]))
    return [
        (first, last, level + float((wy[last] - wy[first]) / (w[last] - w[first]))) for last, first in pairwise(cuts)
    ][::-1]


def _crossing(profile: Floats, before: Stretch, after: Stretch) -> float:
    """Place where the profile passes half way between two stretches, in cells."""
    middle = 0.5 * (before[2] + after[2])
    first, last = max(before[0], before[1] - 2), min(after[1], after[0] + 2)
    part = profile[first:last] - middle
    changes = np.flatnonzero(np.sign(part[:-1]) != np.sign(part[1:]))
    if changes.size == 0:
        return 0.5 * (before[1] + after[0])
    places = first + changes + 0.5 + part[changes] / (part[changes] - part[changes + 1])
    return float(places[np.argmin(np.abs(places - 0.5 * (before[1] + after[0])))])


def _edges(pieces: list[Stretch], shortest: float, limits: RowLimits) -> list[Edge]:
    """Return the stretches before and after each edge between stretches that are long enough."""
    long = [piece for piece in pieces if piece[1] - piece[0] >= shortest]
    merged: list[Stretch] = []
    for piece in long:
        if merged and abs(piece[2] - merged[-1][2]) < limits.faintest_edge:
            whole = merged.pop()
            lengths = whole[1] - whole[0], piece[1] - piece[0]
            level = (whole[2] * lengths[0] + piece[2] * lengths[1]) / sum(lengths)
            merged.append((whole[0], piece[1], level))
        else:
            merged.append(piece)
    return list(pairwise(merged))


def _lattice(places: Floats, limits: RowLimits) -> tuple[float, float, npt.NDArray[np.intp]] | None:
    """Return origin, pitch and the members of the largest equally spaced family among the edges."""
    gaps = np.diff(places)
    gaps = np.unique(np.round(gaps[gaps >= limits.shortest_step], 1))
    if gaps.size == 0:
        return None
    apart = np.subtract.outer(places, places).T
    # Each gap with each edge as anchor: shape (gaps, anchors, edges), in gaps.
    lattices = apart / gaps[:, None, None]
    numbers = np.round(lattices)
    off = np.abs(lattices - numbers)
    near = off < limits.off_lattice
    most = near.sum(axis=2)
    # No family has more members than edges near its places; of those with as many, the nearest are tried first.
    hope = most - (off * near).sum(axis=2) / most
    best: tuple[float, float, float, list[int]] | None = None
    for which in np.argsort(-hope, axis=None)[: limits.most_lattices]:
        row, anchor = divmod(int(which), places.size)
        if best is not None and most[row, anchor] <= best[0]:
            break
        index, away_from = numbers[row, anchor].tolist(), off[row, anchor].tolist()
        # A family is a run without large holes: of two families the one that fills its places better wins.
        members = _without_holes(
            [k for k, off_it in enumerate(away_from) if off_it < limits.off_lattice], index, limits
        )
        span = index[members[-1]] - index[members[0]] + 1.0
        misfit = sum(away_from[k] for k in members) / len(members)
        score = len(members) - limits.hole_costs * (span - len(members)) - misfit
        if best is None or score > best[0]:
            best = (score, float(gaps[row]), float(places[anchor]), members)
    if best is None or len(best[3]) < 3:
        return None
    _, gap, start, found = best
    kept, at = np.array(found, dtype=np.intp), np.round((places - start) / gap)
    while True:
        line = fit_line(at[kept], places[kept])
        away = np.abs(places - line.intercept - at * line.slope)[kept]
        ends = [end for end in (0, -1) if away[end] > max(limits.end_off_lattice * gap, 1.0)]
        if not ends or kept.size < 4:
            return line.intercept, line.slope, kept
        # An edge at an end that lies beside its place is that of the film or its border, not of a step.
        kept = np.delete(kept, max(ends, key=lambda end: away[end]))


def _without_holes(members: list[int], index: list[float], limits: RowLimits) -> list[int]:
    """Keep the longest stretch of members in which few neighbouring places are empty, one edge a place.

    In plain numbers: of a few dozen edges arrays would take four times as long.
    """
    longest: list[int] = []
    stretch: list[int] = []
    for k in members:
        if stretch and index[k] == index[stretch[-1]]:
            continue
        if stretch and index[k] - index[stretch[-1]] > limits.most_holes + 1:
            longest, stretch = max(longest, stretch, key=len), []
        stretch.append(k)
    return max(longest, stretch, key=len)


def _middle(values: Iterable[float]) -> float:
    """Return the median of a few numbers, which a library takes ten times as long for."""
    ordered = sorted(values)
    if not ordered:
        return math.nan
    return 0.5 * (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])


def _runs(line: tuple[Floats, Floats], edges: list[Edge], fewest: int, limits: RowLimits) -> list[EdgeRun]:
    """Return the runs of edges that fall to the right on a profile with its noise."""
    profile, noise = line
    runs: list[EdgeRun] = []
    changes = [after[2] - before[2] for before, after in edges]
    falling = [number for number, change in enumerate(changes) if change < 0.0]
    groups = np.split(np.array(falling, dtype=np.intp), np.flatnonzero(np.diff(falling) > 1) + 1) if falling else []
    for group in groups:
        if group.size < fewest:
            continue
        places = np.array([_crossing(profile, *edges[number]) for number in group])
        fitted = _lattice(places, limits)
        if fitted is None:
            continue
        origin, pitch, members = fitted
        index = np.round((places[members] - origin) / pitch).astype(int)
        drops = {int(k - index[0]): -changes[int(group[member])] for k, member in zip(index, members, strict=True)}
        first, last = int(group[members[0]]), int(group[members[-1]])
        end = float(places[members[-1]])
        after = slice(int(end), int(end + pitch) + 1)
        back = limits.back_to_light * _middle(drops.values())
        ends = [number for number in range(last + 1, len(edges)) if changes[number] > back]
        runs.append(
            EdgeRun(
                origin=origin + pitch * float(index[0]),
                pitch=pitch,
                drops=drops,
                light_edge=_crossing(profile, *edges[first - 1]) if first > 0 else 0.0,
                dark_edge=_crossing(profile, *edges[ends[0]]) if ends else float(noise.size),
                closed=bool(ends),
                masked=first > 0 and changes[first - 1] > 0.0,
                noise=_middle(noise[after].tolist()),
            )
        )
    return runs


@dataclass(slots=True, kw_only=True)
class _Sought:
    """A profile with its stretches, and the runs that were found on it already."""

    line: tuple[Floats, Floats]
    pieces: list[Stretch]
    fewest: int
    limits: RowLimits
    known: dict[int, list[EdgeRun]] = field(default_factory=dict)

    def runs(self, least: float) -> list[EdgeRun]:
        """Return the runs of edges between stretches of at least this length; which those are follows from how many."""
        count = sum(last - first >= least for first, last, _ in self.pieces)
        if count not in self.known:
            self.known[count] = _runs(self.line, _edges(self.pieces, least, self.limits), self.fewest, self.limits)
        return self.known[count]


def find_runs(
    profile: Floats, noise: Floats, pieces: list[Stretch], *, fewest: int = 3, limits: RowLimits = ROW_LIMITS
) -> list[EdgeRun]:
    """Return the runs of equally spaced edges on a profile, in both directions.

    Parameters
    ----------
    profile
        log10 of the signal (rising with transmittance) in cells along the line, one-dimensional.
    noise
        Standard deviation of each cell, same length.
    pieces
        The even stretches of the profile, see `stretches`.
    fewest
        Edges in a row that are worth a look, at least 3.
    """
    size = profile.size
    found: list[EdgeRun] = []
    for flipped in (False, True):
        line = (profile[::-1], noise[::-1]) if flipped else (profile, noise)
        cut = [(size - b, size - a, v) for a, b, v in reversed(pieces)] if flipped else pieces
        sought = _Sought(line=line, pieces=cut, fewest=fewest, limits=limits)
        # The length of a step is not known yet: short stretches may be steps, or lines, dust and blur between steps.
        coarse = [run for least in limits.least_stretches for run in sought.runs(least)]
        for run in coarse:
            sharper = sought.runs(max(limits.sharper * run.pitch, 2.0))
            found += [_unflipped(each, size) for each in sharper or [run]] if flipped else sharper or [run]
    return _distinct(found)


def _distinct(runs: list[EdgeRun]) -> list[EdgeRun]:
    """Return the runs, longest first, without those that share their pitch and place with a longer one."""
    kept: list[EdgeRun] = []
    for run in sorted(runs, key=lambda run: -len(run.drops)):
        if not any(
            abs(run.pitch / other.pitch - 1.0) < 0.1
            and abs(run.origin - other.origin) < len(other.drops) * abs(run.pitch)
            for other in kept
        ):
            kept.append(run)
    return kept


def _unflipped(run: EdgeRun, size: int) -> EdgeRun:
    return replace(
        run,
        origin=size - run.origin,
        pitch=-run.pitch,
        light_edge=size - run.light_edge,
        dark_edge=size - run.dark_edge,
    )
