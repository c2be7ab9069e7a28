"""A profile along a wedge: where its steps begin and end, how many there are, and how sure that is.

One-dimensional work only. A profile is the logarithm of the signal in cells along the wedge; it is cut into even
stretches, neighbouring stretches that fall in one direction form a run of edges, and the edges of a wedge lie at equal
distances. How many steps that makes at the two ends (is the last stretch a step, or the bare glass?) is decided by
evidence: the length of the stretch, where it ends, and how large the jump is for the density it would stand for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
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
_LEAST_STRETCHES: Final = (3.0, 6.0, 10.0)
"""Cells below which a stretch is passed over at first sight, tried in turn."""
_OFF_LATTICE: Final = 0.2
"""Part of a step length by which an edge may lie beside its place."""
DOUBT: Final = 0.85
"""Penalty above the best reading of a profile at which a number of steps is no longer believed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Edges of one profile that all fall away from the light end, on a lattice.

    Lattice place k lies at origin + k * pitch (cells; the pitch is negative where the light end lies at the far end);
    place 0 is the first edge seen from the light end. `drops` are the sizes of the edges by place. `light_edge` is
    where the stretch before place 0 begins, `dark_edge` where the stretch after the last place ends; `closed` tells
    that a large edge back to light ends it, not the border of the scan. `noise` is that of a cell after the last edge.
    """

    origin: float
    pitch: float
    drops: Mapping[int, float]
    light_edge: float
    dark_edge: float
    closed: bool
    noise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the strips side by side agree on, with the lattice places counted from the first edge.

    `drops` by place; `light_length` and `dark_length` of the stretches beyond the first and the last edge, in steps;
    `closed`, `noise` as for a run. `before` and `after` say of the cell before the first and after the last edge
    whether it stands out from what lies beside the wedge (None: cannot be told), `before_bare` whether it is as
    bright as the bare glass, `open_end` whether the dark end lies on something far brighter.
    """

    drops: Mapping[int, float]
    light_length: float
    dark_length: float
    closed: bool
    noise: float
    before: bool | None = None
    after: bool | None = None
    before_bare: bool = False
    open_end: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """One way to count the steps: the lattice cell of the lightest, how many, how many seen, and the doubt."""

    start: int
    count: int
    visible: int
    doubt: float


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


def _runs(edges: list[tuple[float, float]], noise: Floats, shortest: float) -> list[Run]:
    """Return the runs of edges that fall to the right."""
    runs: list[Run] = []
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
        drops = {int(k - index[0]): -edges[int(group[member])][1] for k, member in zip(index, members, strict=True)}
        first, last = int(group[members[0]]), int(group[members[-1]])
        after = slice(int(edges[last][0]), int(edges[last][0] + pitch) + 1)
        back = 3.0 * float(np.median(list(drops.values())))
        ends = [place for place, change in edges[last + 1 :] if change > back]
        runs.append(
            Run(
                origin=origin + pitch * float(index[0]),
                pitch=pitch,
                drops=drops,
                light_edge=edges[first - 1][0] if first > 0 else 0.0,
                dark_edge=ends[0] if ends else float(noise.size),
                closed=bool(ends),
                noise=float(np.median(noise[after])),
            )
        )
    return runs


def find_runs(profile: Floats, noise: Floats, *, shortest: float) -> list[Run]:
    """Return the runs of equally spaced edges on a profile, in both directions.

    Parameters
    ----------
    profile
        log10 of the signal (rising with transmittance) in cells along the line, one-dimensional.
    noise
        Standard deviation of each cell, same length.
    shortest
        Shortest step that is looked for, in cells.
    """
    pieces = stretches(profile, noise)
    size = profile.size
    found: list[Run] = []
    for flipped in (False, True):
        line, doubt = (profile[::-1], noise[::-1]) if flipped else (profile, noise)
        cut = [(size - b, size - a, v) for a, b, v in reversed(pieces)] if flipped else pieces
        # The length of a step is not known yet: short stretches may be steps, or lines, dust and blur between steps.
        coarse = [run for least in _LEAST_STRETCHES for run in _runs(_edges(line, cut, least), doubt, shortest)]
        for run in coarse:
            sharper = _runs(_edges(line, cut, max(0.35 * run.pitch, 2.0)), doubt, shortest)
            found += [_unflipped(each, size) for each in sharper or [run]] if flipped else sharper or [run]
    return _distinct(found)


def _distinct(runs: list[Run]) -> list[Run]:
    """Return the runs, longest first, without those that share their pitch and place with a longer one."""
    kept: list[Run] = []
    for run in sorted(runs, key=lambda run: -len(run.drops)):
        if not any(
            abs(run.pitch / other.pitch - 1.0) < 0.1
            and abs(run.origin - other.origin) < len(other.drops) * abs(run.pitch)
            for other in kept
        ):
            kept.append(run)
    return kept


def _unflipped(run: Run, size: int) -> Run:
    return replace(
        run,
        origin=size - run.origin,
        pitch=-run.pitch,
        light_edge=size - run.light_edge,
        dark_edge=size - run.dark_edge,
    )


def counts(evidence: Evidence, densities: Floats) -> list[Count]:
    """Return the ways to count the steps, the most credible first.

    Parameters
    ----------
    densities
        Of the wedge file, lightest first; continued evenly for counts beyond them.
    """
    best: dict[int, Count] = {}
    for trimmed, first, extra in _trimmed(evidence):
        for way in _counted(trimmed, densities):
            moved = replace(way, start=way.start + first, doubt=way.doubt + extra)
            if way.count not in best or moved.doubt < best[way.count].doubt:
                best[way.count] = moved
    return sorted(best.values(), key=lambda way: (way.doubt, -way.visible))


def _trimmed(evidence: Evidence) -> list[tuple[Evidence, int, float]]:
    """Return the evidence as it is, and without an edge that stands alone before or after the others.

    Such an edge, its neighbouring place empty, is more likely that of a border of the film than one between steps.
    Each comes with the place that its first edge had, and the doubt that goes with it.
    """
    places = sorted(evidence.drops)
    lone = (places[1] - places[0] > 1, places[-1] - places[-2] > 1)
    result = [(evidence, 0, 1.5 * lone[0] + 0.3 * lone[1])]
    if lone[0] and len(places) > 4:
        drops = {place - places[1]: evidence.drops[place] for place in places[1:]}
        rest = replace(evidence, drops=drops, light_length=float(places[1] - places[0]), before=None, before_bare=False)
        result.append((rest, places[1], 0.3 + 0.3 * lone[1]))
    if lone[1] and len(places) > 4:
        drops = {place: evidence.drops[place] for place in places[:-1]}
        length = evidence.dark_length + places[-1] - places[-2]
        result.append((replace(evidence, drops=drops, dark_length=length, after=None), 0, 0.8 + 1.5 * lone[0]))
    return result


def _counted(evidence: Evidence, densities: Floats) -> list[Count]:
    last = max(evidence.drops)
    missing = last + 1 - len(evidence.drops)
    result = []
    for start in (-1, 0):
        for beyond in range(max(math.floor(evidence.dark_length + 0.5), 1) + 1):
            count = last - start + beyond
            if count < 4:
                continue
            scale = _as_many(densities, count)
            doubt = _light_doubt(evidence, start, scale) + _dark_doubt(
                evidence, beyond, _last_jump(evidence, start, scale)
            )
            visible = last - start + min(beyond, 1)
            result.append(Count(start=start, count=count, visible=visible, doubt=doubt + 0.2 * missing))
    return result


def _light_doubt(evidence: Evidence, start: int, densities: Floats) -> float:
    """Penalty of taking lattice cell `start` (-1: before the first edge, 0: after it) as the lightest step."""
    length = evidence.light_length
    rises = np.diff(densities)
    slope = _slope_near(evidence, start, rises)
    if start == -1:
        if length < 0.6:
            return 4.0
        doubt = 0.0 if length <= 1.4 or evidence.before else 0.7
        doubt += 1.5 if evidence.before_bare else 0.0
        # The jump to the second step must be of the size that its density step asks for (a bent white end halves it).
        share = evidence.drops[0] / rises[0] / max(slope, 1e-9)
        return doubt + (2.0 if share < 0.38 else 1.0 if share < 0.5 else 0.0)
    doubt = 3.0 if evidence.before else 0.0
    if evidence.before is None and not evidence.before_bare and 0.6 <= length <= 1.4:
        doubt += 2.0
    # Nothing is clearer than bare glass, density 0: a larger jump onto the first step cannot be its outer edge.
    implied = evidence.drops[0] / max(slope, 1e-9)
    return doubt + (3.0 if implied > 1.3 * max(float(densities[0]), 0.0) + 0.02 else 0.0)


def _last_jump(evidence: Evidence, start: int, densities: Floats) -> float:
    """Return the size of the last edge over what the edges before it and the densities make expected."""
    rises = np.diff(densities)
    ratios = {
        place: drop / rises[place - start - 1]
        for place, drop in evidence.drops.items()
        if 0 <= place - start - 1 < rises.size
    }
    last = max(evidence.drops)
    before = [ratio for place, ratio in ratios.items() if last - 4 <= place < last]
    return ratios[last] / float(np.median(before)) if last in ratios and before else 1.0


def _slope_near(evidence: Evidence, start: int, rises: Floats) -> float:
    """Return drop per density of the edges next to the lightest, where they are seen: the scale for the first jump."""
    near = [place for place in (1, 2, 3) if place in evidence.drops and place - start - 1 < rises.size]
    ratios = [evidence.drops[place] / rises[place - start - 1] for place in near]
    return float(np.median(ratios)) if ratios else 0.0


def _dark_doubt(evidence: Evidence, cells: int, jump: float) -> float:
    """Penalty of `cells` steps after the last edge seen (0: what follows is background, such as a black mask).

    `jump` is the size of the last edge over what a step between its neighbours would give: slopes change slowly along
    a wedge, but the edge onto a mask may be of any size.
    """
    length = evidence.dark_length
    too_large = jump > 1.8
    cut_off = not evidence.closed and length < 0.85
    if cells == 0:
        if evidence.after and not too_large:
            return 3.0
        return 0.0 if too_large or evidence.after is False or not 0.6 <= length <= 1.4 else 1.0 if cut_off else 2.0
    doubt = (2.0 if too_large else 0.0) + (1.5 if cut_off else 0.0)
    if length < cells - 0.4:
        return doubt + 4.0
    if evidence.closed and (evidence.open_end or cells == 1) and abs(length - cells) < 0.3:
        return doubt + (0.0 if cells == 1 else 0.2)
    # On open glass the wedge ends where the light begins: another number of steps would end elsewhere.
    if evidence.closed and evidence.open_end:
        return doubt + 2.0
    # More steps than edges, or more room than steps: believed where the next edge would be lost in the noise.
    if _next_is_lost(evidence):
        return doubt + 0.5
    return doubt + (4.0 if cells > 1 else 1.0 if evidence.after is False or length > 1.4 else 0.0)


def _next_is_lost(evidence: Evidence) -> bool:
    """Tell whether an edge as small as the next one must be, going by the last two, would not be seen."""
    places = sorted(evidence.drops)
    faded = min(evidence.drops[places[-1]] / max(evidence.drops[places[-2]], 1e-9), 1.0)
    return evidence.drops[places[-1]] * faded < max(4.0 * evidence.noise, 4.0 * _FAINTEST_EDGE)


def _as_many(densities: Floats, count: int) -> Floats:
    """Return the densities, cut or continued to a number of steps."""
    if count <= densities.size:
        return densities[:count]
    step = densities[-1] - densities[-2]
    return np.concatenate((densities, densities[-1] + step * np.arange(1, count - densities.size + 1)))
