"""A profile along a wedge: where its steps begin and end, how many there are, and how sure that is.

One-dimensional work only. A profile is the logarithm of the signal in cells along the wedge; it is cut into even
stretches, neighbouring stretches that fall in one direction form a run of edges, and the edges of a wedge lie at equal
distances. How many steps that makes at the two ends (is the last stretch a step, or the bare glass?) is decided by
evidence: the length of the stretch, where it ends, and how large the jump is for the density it would stand for.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.curves import fit_line

Floats = npt.NDArray[np.float64]

_CHANGE_PENALTY: Final = 30.0
"""Chi-square an edge must explain before it is one: about 3 log N for profiles of some hundred cells."""
_EVENNESS: Final = 0.003
"""Unevenness of a step in log10 signal that is not an edge: lamp, glare and processing within one step."""
_FAINTEST_EDGE: Final = 0.005
_OFF_LATTICE: Final = 0.2
"""Part of a step length by which an edge may lie beside its place."""
DOUBT: Final = 1.01
"""Penalty above the best reading of a profile at which a number of steps is no longer believed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Staircase:
    """Equal stretches on a profile, light end first.

    `start` and `pitch` are in cells along the profile: step i lies between start + i * pitch and start + (i + 1) *
    pitch. A negative pitch means that the light end lies at the far end. `count` is the number of steps,
    `visible` how many of them are told from their neighbour, `doubt` the penalty of this reading of the profile.
    """

    start: float
    pitch: float
    count: int
    visible: int
    doubt: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """Edges that all fall from left to right, on a lattice: places, sizes, and what lies beyond the two ends."""

    origin: float
    pitch: float
    index: tuple[int, ...]
    drop: tuple[float, ...]
    light_length: float
    dark_length: float
    dark_closed: bool
    noise: float


def stretches(profile: Floats, noise: Floats) -> list[tuple[int, int, float]]:
    """Cut a profile into even stretches: first cell, last cell + 1, level.

    The cut minimises the chi-square of the cells about the level of their stretch plus a penalty for each edge, by
    dynamic programming over all cuts (optimal partitioning: Jackson et al. 2005, IEEE Signal Processing Letters 12).
    """
    weight = 1.0 / (noise**2 + _EVENNESS**2)
    w, wy, wyy = (np.concatenate(([0.0], np.cumsum(term))) for term in (weight, weight * profile, weight * profile**2))
    size = profile.size
    best = np.empty(size + 1)
    best[0] = -_CHANGE_PENALTY
    origin = np.zeros(size + 1, dtype=np.intp)
    for end in range(1, size + 1):
        sums = wy[end] - wy[:end]
        cost = best[:end] + (wyy[end] - wyy[:end]) - sums * sums / (w[end] - w[:end])
        origin[end] = int(np.argmin(cost))
        best[end] = cost[origin[end]] + _CHANGE_PENALTY
    cuts = [size]
    while cuts[-1] > 0:
        cuts.append(int(origin[cuts[-1]]))
    return [(first, last, float((wy[last] - wy[first]) / (w[last] - w[first]))) for last, first in pairwise(cuts)][::-1]


def _crossing(profile: Floats, before: tuple[int, int, float], after: tuple[int, int, float]) -> float:
    """Place where the profile passes half way between two stretches, in cells."""
    middle = 0.5 * (before[2] + after[2])
    first, last = max(before[0], before[1] - 2), min(after[1], after[0] + 2)
    part = profile[first:last] - middle
    changes = np.flatnonzero(np.sign(part[:-1]) != np.sign(part[1:]))
    if changes.size == 0:
        return 0.5 * (before[1] + after[0])
    places = first + changes + 0.5 + part[changes] / (part[changes] - part[changes + 1])
    return float(places[np.argmin(np.abs(places - 0.5 * (before[1] + after[0])))])


def _edges(profile: Floats, pieces: list[tuple[int, int, float]], shortest: float) -> list[tuple[float, float]]:
    """Return place and size (level after minus before) of the edges between stretches that are long enough."""
    long = [piece for piece in pieces if piece[1] - piece[0] >= shortest]
    merged: list[tuple[int, int, float]] = []
    for piece in long:
        if merged and abs(piece[2] - merged[-1][2]) < _FAINTEST_EDGE:
            whole = merged.pop()
            lengths = whole[1] - whole[0], piece[1] - piece[0]
            level = (whole[2] * lengths[0] + piece[2] * lengths[1]) / sum(lengths)
            merged.append((whole[0], piece[1], level))
        else:
            merged.append(piece)
    return [(_crossing(profile, before, after), after[2] - before[2]) for before, after in pairwise(merged)]


def _lattice(places: Floats, shortest: float) -> tuple[float, float, npt.NDArray[np.intp]] | None:
    """Return origin, pitch and the members of the largest equally spaced family among the edges."""
    gaps = np.diff(places)
    best: tuple[float, float, float, npt.NDArray[np.intp]] | None = None
    for gap in np.unique(np.round(gaps[gaps >= shortest], 1)):
        for anchor in places:
            index = np.round((places - anchor) / gap)
            members = np.flatnonzero(np.abs(places - anchor - index * gap) < _OFF_LATTICE * gap)
            # A family is a run without large holes: of two families the one that fills its places better wins.
            members = _without_holes(members, index)
            span = index[members[-1]] - index[members[0]] + 1.0
            score = (
                members.size
                - 0.8 * (span - members.size)
                - 0.01 * float(np.abs(places - anchor - index * gap)[members].mean())
            )
            if best is None or score > best[0]:
                best = (score, float(gap), float(anchor), members)
    if best is None or best[3].size < 3:
        return None
    _, gap, anchor, members = best
    index = np.round((places - anchor) / gap)
    line = fit_line(index[members], places[members])
    return line.intercept, line.slope, members


def _without_holes(members: npt.NDArray[np.intp], index: Floats) -> npt.NDArray[np.intp]:
    """Keep the longest stretch of members in which no more than two neighbouring places are empty, one edge a place."""
    unique = members[np.concatenate(([True], np.diff(index[members]) > 0))]
    breaks = np.flatnonzero(np.diff(index[unique]) > 3) + 1
    groups = np.split(unique, breaks)
    return max(groups, key=len)


def _runs(edges: list[tuple[float, float]], size: int, shortest: float, noise: float) -> list[_Run]:
    """Return the runs of falling edges on a lattice."""
    runs: list[_Run] = []
    falling = [number for number, (_, change) in enumerate(edges) if change < 0.0]
    groups = np.split(np.array(falling, dtype=np.intp), np.flatnonzero(np.diff(falling) > 1) + 1) if falling else []
    for group in groups:
        if group.size < 3:
            continue
        places = np.array([edges[number][0] for number in group])
        fitted = _lattice(places, shortest)
        if fitted is None:
            continue
        origin, pitch, members = fitted
        index = np.round((places[members] - origin) / pitch).astype(int)
        first, last = int(group[members[0]]), int(group[members[-1]])
        before = edges[first - 1][0] if first > 0 else 0.0
        after = edges[last + 1][0] if last + 1 < len(edges) else float(size)
        runs.append(
            _Run(
                origin=origin + pitch * float(index[0]),
                pitch=pitch,
                index=tuple((index - index[0]).tolist()),
                drop=tuple(-edges[int(group[member])][1] for member in members),
                light_length=(edges[first][0] - before) / pitch,
                dark_length=(after - edges[last][0]) / pitch,
                dark_closed=last + 1 < len(edges),
                noise=noise,
            )
        )
    return runs


def _light_doubt(run: _Run, start: int, densities: Floats) -> float:
    """Penalty of taking lattice cell `start` (-1: before the first edge, 0: after it) as the lightest step."""
    length = run.light_length
    rises = np.diff(densities)
    second = start + 1 + 1  # lattice place of the edge after the first one inside the wedge
    slope = _drop_at(run, second) / rises[1]
    if start == -1:
        if length < 0.6:
            return 4.0
        doubt = 0.0 if length <= 1.4 else 1.0
        # The jump to the second step must be of the size that its density step asks for (a bent white end halves it).
        return doubt + (3.0 if _drop_at(run, 0) / rises[0] < 0.55 * slope else 0.0)
    doubt = 2.0 if 0.6 <= length <= 1.4 else 0.0
    # Nothing is clearer than bare glass, density 0: a larger jump onto the first step cannot be its outer edge.
    implied = _drop_at(run, 0) / max(slope, 1e-9)
    return doubt + (3.0 if implied > 1.5 * max(densities[0], 0.0) + 0.04 else 0.0)


def _drop_at(run: _Run, place: int) -> float:
    return run.drop[run.index.index(place)] if place in run.index else 0.0


def _dark_doubt(run: _Run, cells: int, densities: Floats, visible: int) -> float:
    """Penalty of `cells` steps after the last edge seen (0: what follows is background)."""
    length = run.dark_length
    if cells == 0:
        return 2.0 if 0.6 <= length <= 1.4 else 0.0
    if length < 0.6:
        return 4.0
    if cells == 1:
        return 0.0 if length <= 1.4 else 1.0
    # More steps than edges: they drown. That is believed only where the next edge would be lost in the noise, and
    # where there is room for all of them.
    if visible < 2 or visible + 1 > densities.size - 1 or length < cells - 0.5:
        return 4.0
    faded = min(run.drop[-1] / max(run.drop[-2], 1e-9), 1.0)
    expected = run.drop[-1] * faded
    doubt = 0.5 if expected < max(6.0 * run.noise, 3.0 * _FAINTEST_EDGE) else 4.0
    if run.dark_closed and abs(length - cells) > 0.35:
        doubt += 1.0
    return doubt


def _readings(run: _Run, densities: Floats) -> list[Staircase]:
    """Return every way to read a run as a wedge of these densities, and of other numbers of steps."""
    seen_edges = run.index[-1] + 1
    most_drowned = int(np.floor(run.dark_length + 0.5))
    result = []
    for start in (-1, 0):
        for beyond in range(max(most_drowned, 1) + 1):
            count = seen_edges - 1 - start + beyond
            visible = seen_edges - 1 - start + min(beyond, 1)
            if count < 4:
                continue
            scale = _as_many(densities, count)
            doubt = _light_doubt(run, start, scale) + _dark_doubt(run, beyond, scale, visible)
            missing = seen_edges - len(run.index)
            result.append(
                Staircase(
                    start=run.origin + start * run.pitch,
                    pitch=run.pitch,
                    count=count,
                    visible=visible,
                    doubt=doubt + 0.3 * missing,
                )
            )
    return result


def _as_many(densities: Floats, count: int) -> Floats:
    """Return the densities, cut or continued to a number of steps."""
    if count <= densities.size:
        return densities[:count]
    step = densities[-1] - densities[-2]
    return np.concatenate((densities, densities[-1] + step * np.arange(1, count - densities.size + 1)))


def read_staircase(profile: Floats, noise: Floats, densities: Floats, *, shortest: float) -> list[Staircase]:
    """Return the ways in which a profile can be read as a wedge, the most credible first.

    Parameters
    ----------
    profile
        log10 of the signal (rising with transmittance) in cells along the line, one-dimensional.
    noise
        Standard deviation of each cell, same length.
    densities
        Densities of the wedge, lightest first: at least 5.
    shortest
        Shortest step that is looked for, in cells.
    """
    pieces = stretches(profile, noise)
    quiet = float(np.median(noise))
    found: list[Staircase] = []
    for flipped in (False, True):
        line = profile[::-1] if flipped else profile
        cut = [(profile.size - b, profile.size - a, v) for a, b, v in reversed(pieces)] if flipped else pieces
        edges = _edges(line, cut, 0.5 * shortest)
        for run in _runs(edges, profile.size, shortest, quiet):
            # With the length of a step known, shorter stretches are lines, dust or blur between the steps.
            sharper = _runs(_edges(line, cut, max(0.35 * run.pitch, 2.0)), profile.size, shortest, quiet)
            ways = [reading for each in sharper or [run] for reading in _readings(each, densities)]
            found += [_unflipped(reading, profile.size) for reading in ways] if flipped else ways
    return sorted(set(found), key=lambda staircase: (staircase.doubt, -staircase.visible))


def _unflipped(staircase: Staircase, size: int) -> Staircase:
    return Staircase(
        start=size - staircase.start,
        pitch=-staircase.pitch,
        count=staircase.count,
        visible=staircase.visible,
        doubt=staircase.doubt,
    )
