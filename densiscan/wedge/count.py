"""How many steps a row of edges makes at its two ends, and how sure that is.

Is the stretch before the first edge a step, or the bare glass? Are there steps after the last edge, drowned in noise
and glare, or is that the mask? The length of the stretches, where they end, what lies beside them and how large a jump
is for the density it would stand for each speak for or against a count; what speaks against it adds to its doubt.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.wedge.limits import ROW_LIMITS

DOUBT: Final = 0.85
"""Penalty above the best reading of a profile at which a number of steps is no longer believed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the strips side by side agree on, with the lattice places counted from the first edge.

    `drops` by place; `light_length` and `dark_length` of the stretches beyond the first and the last edge, in steps,
    known to `blur` steps; `closed`, `masked`, `noise` as for a run. `before` says of the cells up to the first edges
    whether they stand out from what lies beside the wedge, `after` of the cell after the last edge (absent and None:
    cannot be told); `bare` names the cells that are as bright as the bare glass; `open_end` tells that the dark end
    lies on something as bright as the light steps.
    """

    drops: Mapping[int, float]
    light_length: float
    dark_length: float
    closed: bool
    masked: bool
    noise: float
    blur: float = 0.1
    before: Mapping[int, bool] = field(default_factory=dict)
    after: bool | None = None
    bare: frozenset[int] = frozenset()
    open_end: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """One way to count the steps: the lattice cell of the lightest, how many, how many seen, and the doubt."""

    start: int
    count: int
    visible: int
    doubt: float


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
        rest = replace(
            evidence, drops=drops, light_length=float(places[1] - places[0]), masked=False, before={}, bare=frozenset()
        )
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
    for start in (-1, 0, 1):
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
    rises = np.diff(densities)
    slope = max(_slope_near(evidence, start, rises), 1e-9)
    whole = abs(evidence.light_length - 1.0) <= evidence.blur
    # The jump to the second step must be of the size that its density step asks for (a bent white end halves it).
    share = evidence.drops.get(start + 1, 0.0) / rises[0] / slope
    doubt = 3.5 if share < 0.2 else 2.0 if share < 0.38 else 1.0 if share < 0.5 else 0.0
    if start == -1:
        return doubt + _first_length_doubt(evidence) + (1.5 if -1 in evidence.bare else 0.0)
    outside = evidence.before.get(start - 1)
    if outside:
        doubt += 3.0 if start > 0 or whole else 0.7
    if outside is None and start == 0 and start - 1 not in evidence.bare and whole:
        doubt += 2.0
    # Nothing is clearer than bare glass, density 0: a larger jump onto the first step cannot be its outer edge.
    implied = evidence.drops.get(start, 0.0) / slope
    return doubt + (3.0 if implied > 1.3 * max(float(densities[0]), 0.0) + 0.02 else 0.0)


def _first_length_doubt(evidence: Evidence) -> float:
    """Penalty of the length of the stretch before the first edge, taken as a step."""
    length = evidence.light_length
    if length < 0.6:
        return 4.0
    if length < 1.0 - evidence.blur:
        # The lip of a mask may cover part of a step, but on open glass a step is as long as the others.
        return 0.2 if evidence.masked else 2.5
    if length <= 1.0 + evidence.blur:
        return 0.0
    return 0.3 if length <= 1.4 or evidence.before.get(-1) else 0.7


def _last_jump(evidence: Evidence, start: int, densities: Floats) -> float:
    """Return the size of the last edge over what the edges before it and the densities make expected."""
    last = max(evidence.drops)
    # The edge may be the outer one of the last step: densities go on evenly for one more.
    rises = np.diff(_as_many(densities, max(last - start + 1, densities.size)))
    ratios = [
        evidence.drops[place] / rises[place - start - 1]
        for place in range(max(last - 3, start + 1), last + 1)
        if place in evidence.drops
    ]
    if len(ratios) < 2:
        return 1.0
    *before, jump = ratios
    # Towards the foot of a tone curve each jump may outgrow the one before it, as that outgrew its own.
    growing = before[-1] * before[-1] / before[-2] if len(before) > 1 else 0.0
    return float(jump / max(float(np.median(before)), min(growing, 2.0 * before[-1])))


def _slope_near(evidence: Evidence, start: int, rises: Floats) -> float:
    """Return drop per density where the lightest step meets the next, going by the three edges after that one.

    A tone curve bends smoothly: where the jumps shrink towards the light end, they go on doing so.
    """
    near = [
        place
        for place in (start + 2, start + 3, start + 4)
        if place in evidence.drops and place - start - 1 < rises.size
    ]
    ratios = [evidence.drops[place] / rises[place - start - 1] for place in near]
    if not ratios:
        return 0.0
    shrinking = len(ratios) == 3 and ratios[0] < 0.9 * ratios[1] < ratios[1] <= ratios[2]
    return max(2.0 * ratios[0] - ratios[1], 0.3 * ratios[0]) if shrinking else float(np.median(ratios))


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
    return doubt + _room_doubt(evidence, cells)


def _room_doubt(evidence: Evidence, cells: int) -> float:
    """Penalty of `cells` steps (at least one) in the stretch after the last edge seen."""
    length = evidence.dark_length
    if length < cells - 0.4:
        return 4.0
    fits = evidence.closed and abs(length - cells) <= evidence.blur
    if evidence.closed and evidence.open_end and abs(length - round(length)) <= evidence.blur:
        # On open glass the wedge ends where the light begins: another number of steps would end elsewhere.
        return 0.0 if fits else 2.0
    if fits and cells == 1:
        return 0.0
    # More steps than edges, or more room than steps: believed where the next edge would be lost in the noise.
    if _next_is_lost(evidence):
        return 0.3 if fits else 0.5
    return 4.0 if cells > 1 else 1.0 if evidence.after is False or length > 1.4 else 0.0


def _next_is_lost(evidence: Evidence) -> bool:
    """Tell whether an edge as small as the next one must be, going by the last two, would not be seen."""
    places = sorted(evidence.drops)
    faded = min(evidence.drops[places[-1]] / max(evidence.drops[places[-2]], 1e-9), 1.0)
    return evidence.drops[places[-1]] * faded < max(4.0 * evidence.noise, 4.0 * ROW_LIMITS.faintest_edge)


def _as_many(densities: Floats, count: int) -> Floats:
    """Return the densities, cut or continued to a number of steps."""
    if count <= densities.size:
        return densities[:count]
    step = densities[-1] - densities[-2]
    return np.concatenate((densities, densities[-1] + step * np.arange(1, count - densities.size + 1)))
