"""How likely each number of steps is by the edges of a row, at its two ends.

Is the stretch before the first edge a step, or the bare glass? Are there steps after the last edge, drowned in noise
and glare, or is that the mask? Each way to count is weighed by the likelihood of what was seen: how long the stretches
at the ends are and where they end, how large the jumps there are for the densities they would lie between, and whether
an edge that was not seen is lost in the noise. What the levels of the cells tell, and how they stand out from what
lies beside the row, is weighed in `alignment`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.threshold import chosen, physics, practice


@dataclass(frozen=True, slots=True, kw_only=True)
class CountLimits:
    """What is known beforehand of the ends of a wedge: chances, and spreads in steps unless named otherwise."""

    anywhere: float = practice(0.1, "Chance, a step, of where film or glass ends: anywhere within ten steps.")
    ends_with_step: float = practice(0.8, "Chance that the stretch before the first edge is a step and no more.")
    ends_in_light: float = practice(0.9, "Chance that a wedge on open glass ends with its last step.")
    ends_in_film: float = practice(0.5, "Chance that it does where film or a mask may follow.")
    under_lip: float = practice(0.4, "Chance that the lip of a mask covers part of the first step.")
    least_shown: float = practice(0.55, "Part of a step that shows at a mask or the scan's border, at least.")
    step_is_bare: float = practice(0.15, "Chance that a step reads as the bare glass: its base is that clear.")
    glass_is_bare: float = practice(0.6, "Chance that what lies before the first step does.")
    bent_white: float = physics(0.5, "Part of its usual slope that a tone curve keeps at its white end.")
    bent_spread: float = practice(0.12, "By how much less it keeps now and then.")
    outer_spread: float = practice(0.3, "Part of the first density by which its outer edge is seen larger.")
    outer_least: float = practice(0.02, "The same at least, density.")
    jump_spread: float = practice(0.3, "Spread of a jump over the one expected, log: slopes change slowly.")
    mask_jump: tuple[float, float] = practice(
        (0.7, 1.0), "The same of an edge onto a mask, of any size: middle, spread."
    )
    lost_noises: float = physics(4.0, "Noise of a cell that an edge must exceed to be seen.")
    lost_edge: float = practice(0.02, "The same at least, log10 signal.")
    edge_unseen: float = practice(0.001, "Chance that an edge above that is passed over.")
    alike: float = practice(0.15, "Chance that film or mask beyond the last step looks just like it.")
    alike_in_noise: float = practice(0.6, "The same where an edge would be lost in the noise.")
    missing: float = chosen(0.8, "Chance of an edge that was not seen between others.")
    lone_is_border: tuple[float, float] = chosen(
        (0.7, 0.3), "Chance that an edge apart from the others is the film's border: at the light end, at the dark."
    )
    otherwise: float = chosen(0.03, "Chance that what contradicts a way is owed to dust, a scratch or a numeral.")
    of_file: float = practice(4.6, "Log-odds that the wedge has as many steps as its file: 100 to 1.")
    clear: float = physics(2.3, "Log-odds by which a way must be ahead of every other to be believed: 10 to 1.")
    least_visible: float = chosen(0.4, "Part of the steps that must be seen: less makes no calibration.")


COUNT_LIMITS: Final = CountLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the strips side by side agree on, with the lattice places counted from the first edge.

    `drops` by place; `light_length` and `dark_length` of the stretches beyond the first and the last edge, in steps,
    known to `blur` steps; `closed`, `begun`, `masked`, `noise` as for a run. `bare` names the cells up to the first
    edges that are as bright as the bare glass; `open_end` tells that the dark end lies on something as bright as the
    light steps.
    """

    drops: Mapping[int, float]
    light_length: float
    dark_length: float
    closed: bool
    masked: bool
    begun: bool = True
    noise: float
    blur: float = 0.1
    bare: frozenset[int] = frozenset()
    open_end: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """One way to count the steps: the lattice cell of the lightest, how many, and how many were seen.

    Attributes
    ----------
    likelihood
        Logarithm of the likelihood of the edges seen; it compares ways to count one row.
    """

    start: int
    count: int
    visible: int
    likelihood: float = 0.0


def counts(evidence: Evidence, densities: Floats, limits: CountLimits = COUNT_LIMITS) -> list[Count]:
    """Return the ways to count the steps, the likeliest first.

    Parameters
    ----------
    densities
        Of the wedge file, lightest first; continued evenly for counts beyond them.
    """
    best: dict[tuple[int, int], Count] = {}
    for trimmed, first, border in _trimmed(evidence, limits):
        for way in _ways(trimmed, densities, limits):
            way = replace(way, start=way.start + first, likelihood=way.likelihood + border)  # noqa: PLW2901
            place = way.start, way.count
            if place not in best or way.likelihood > best[place].likelihood:
                best[place] = way
    return sorted(best.values(), key=lambda way: (-way.likelihood, -way.visible))


def _trimmed(evidence: Evidence, limits: CountLimits) -> Iterator[tuple[Evidence, int, float]]:
    """Yield the evidence as it is, and without an edge that stands alone before or after the others.

    Such an edge, its neighbouring place empty, may be that of a border of the film and not one between steps. Each
    comes with the place that its first edge had, and its log probability.
    """
    places = sorted(evidence.drops)
    lone = (places[1] - places[0] > 1, places[-1] - places[-2] > 1)
    borders = tuple(chance if alone else 0.0 for chance, alone in zip(limits.lone_is_border, lone, strict=True))
    light, dark = (math.log(1.0 - border) for border in borders)
    yield evidence, 0, light + dark
    if lone[0] and len(places) > 4:
        rest = replace(
            evidence,
            drops={place - places[1]: evidence.drops[place] for place in places[1:]},
            light_length=float(places[1] - places[0]),
            masked=False,
            bare=frozenset(),
        )
        yield rest, places[1], math.log(borders[0]) + dark
    if lone[1] and len(places) > 4:
        drops = {place: evidence.drops[place] for place in places[:-1]}
        length = evidence.dark_length + places[-1] - places[-2]
        yield replace(evidence, drops=drops, dark_length=length), 0, light + math.log(borders[1])


def _ways(evidence: Evidence, densities: Floats, limits: CountLimits) -> Iterator[Count]:
    """Yield each way to count the steps."""
    last = max(evidence.drops)
    missing = (last + 1 - len(evidence.drops)) * math.log(limits.missing)
    for start in (-1, 0, 1):
        for beyond in range(max(math.floor(evidence.dark_length + 0.5), 1) + 1):
            count = last - start + beyond
            if count < 4:
                continue
            scale = _as_many(densities, count)
            light = (
                _bare(evidence, start, limits)
                + _light_width(evidence, start, limits)
                + _first_jumps(evidence, start, scale, limits)
            )
            dark = (
                _dark_width(evidence, beyond, limits)
                + _last_jump(evidence, start, scale, beyond, limits)
                + _unseen(evidence, beyond, limits)
            )
            visible = last - start + min(beyond, 1)
            yield Count(start=start, count=count, visible=visible, likelihood=light + dark + missing)


# ---- what the ends are -------------------------------------------------------------------------------------------


def _bare(evidence: Evidence, start: int, limits: CountLimits) -> float:
    """Return what the cells up to the first edges tell: glass, or film, before the lightest step."""
    total = 0.0
    for cell in (-1, 0):
        bare = limits.step_is_bare if cell >= start else limits.glass_is_bare
        total += math.log(bare if cell in evidence.bare else 1.0 - bare)
    return total


# ---- how wide the ends are ---------------------------------------------------------------------------------------


def _light_width(evidence: Evidence, start: int, limits: CountLimits) -> float:
    """Return what the length of the stretch before the first edge tells.

    A step is as long as the others; glass may lie before it that it does not differ from, or a lip over part of it.
    """
    length = evidence.light_length
    if start > -1:
        return math.log(limits.anywhere)
    if not evidence.begun:
        # The scan begins there.
        return math.log(limits.anywhere * (1.0 if length >= limits.least_shown else limits.otherwise))
    further = 1.0 - limits.ends_with_step
    covered = limits.under_lip if evidence.masked else 0.0
    parts = (
        (limits.ends_with_step - covered, _normal(length, 1.0, evidence.blur)),
        (further, limits.anywhere if length > 1.0 else 0.0),
        (covered, 1.0 / (1.0 - limits.least_shown) if limits.least_shown <= length < 1.0 else 0.0),
    )
    return _mixed(parts, limits)


def _dark_width(evidence: Evidence, beyond: int, limits: CountLimits) -> float:
    """Return what the length of the stretch after the last edge tells, as so many steps and what may follow them."""
    if beyond == 0:
        return math.log(limits.anywhere)
    length, shown = evidence.dark_length, beyond - 1.0 + limits.least_shown
    if not evidence.closed:
        # The scan ends there, or something as dark goes on.
        return math.log(limits.anywhere * (1.0 if length >= shown else limits.otherwise))
    exact = limits.ends_in_light if evidence.open_end else limits.ends_in_film
    parts = (
        (exact, _normal(length, float(beyond), evidence.blur)),
        (1.0 - exact, limits.anywhere if length >= shown else 0.0),
    )
    return _mixed(parts, limits)


def _normal(value: float, middle: float, spread: float) -> float:
    """Return the density of a normal distribution, known to a tolerance of two standard deviations."""
    deviation = 0.5 * spread
    return math.exp(-0.5 * ((value - middle) / deviation) ** 2) / (deviation * math.sqrt(2.0 * math.pi))


def _mixed(parts: tuple[tuple[float, float], ...], limits: CountLimits) -> float:
    """Return the log of a mixture of densities by their weights, and of what is owed to something else."""
    total = sum(weight * density for weight, density in parts)
    return math.log((1.0 - limits.otherwise) * total + limits.otherwise * limits.anywhere)


# ---- how large the jumps are ---------------------------------------------------------------------------------------


def _first_jumps(evidence: Evidence, start: int, densities: Floats, limits: CountLimits) -> float:
    """Return what the jump from the lightest step to the second tells, and the jump onto the lightest."""
    rises = np.diff(densities)
    slope = max(_slope_near(evidence, start, rises), 1e-9)
    share = evidence.drops.get(start + 1, 0.0) / float(rises[0]) / slope
    total = _one_sided((limits.bent_white - share) / limits.bent_spread, limits)
    if start >= 0:
        # Nothing is clearer than bare glass, density 0: a larger jump onto the first step cannot be its outer edge.
        first = max(float(densities[0]), 0.0)
        more = evidence.drops.get(start, 0.0) / slope - first
        total += _one_sided(more / (limits.outer_spread * first + limits.outer_least), limits)
    return total


def _one_sided(deviations: float, limits: CountLimits) -> float:
    chance = math.exp(-0.5 * max(deviations, 0.0) ** 2)
    return math.log((1.0 - limits.otherwise) * chance + limits.otherwise)


def _last_jump(evidence: Evidence, start: int, densities: Floats, beyond: int, limits: CountLimits) -> float:
    """Return what the size of the last edge tells, over what those before it and the densities make expected.

    Slopes change slowly along a wedge, but the edge onto a mask may be of any size.
    """
    last = max(evidence.drops)
    # The edge may be the outer one of the last step: densities go on evenly for one more.
    rises = np.diff(_as_many(densities, max(last - start + 1, densities.size)))
    ratios = [
        evidence.drops[place] / rises[place - start - 1]
        for place in range(max(last - 3, start + 1), last + 1)
        if place in evidence.drops
    ]
    if len(ratios) < 2:
        return 0.0
    *before, jump = ratios
    # Towards the foot of a tone curve each jump may outgrow the one before it, as that outgrew its own.
    growing = before[-1] * before[-1] / before[-2] if len(before) > 1 else 0.0
    usual = max(float(np.median(before)), min(growing, 2.0 * before[-1]))
    size = math.log(max(float(jump) / usual, 1e-3))
    middle, spread = (0.0, limits.jump_spread) if beyond else limits.mask_jump
    if beyond and size < 0.0:
        # Into the black, jumps may fade as fast as they like.
        size = 0.0
    deviations = (size - middle) / spread
    return math.log((1.0 - limits.otherwise) * math.exp(-0.5 * deviations**2) / spread + limits.otherwise)


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


# ---- what was not seen -------------------------------------------------------------------------------------------


def _unseen(evidence: Evidence, beyond: int, limits: CountLimits) -> float:
    """Return what the edges tell that were not seen after the last: between further steps, and onto what follows."""
    if beyond == 0:
        return 0.0
    lost = _is_lost(evidence, limits)
    total = (beyond - 1) * math.log(limits.edge_unseen + (1.0 - limits.edge_unseen) * lost)
    if evidence.dark_length > beyond + 0.4:
        total += math.log(limits.alike + (limits.alike_in_noise - limits.alike) * lost)
    return total


def _is_lost(evidence: Evidence, limits: CountLimits) -> float:
    """Return the chance that an edge as small as the next one must be, going by the last two, is lost in the noise."""
    places = sorted(evidence.drops)
    faded = min(evidence.drops[places[-1]] / max(evidence.drops[places[-2]], 1e-9), 1.0)
    least = max(limits.lost_noises * evidence.noise, limits.lost_edge)
    return 0.5 * math.erfc((evidence.drops[places[-1]] * faded / least - 1.0) * limits.lost_noises / math.sqrt(2.0))


def _as_many(densities: Floats, count: int) -> Floats:
    """Return the densities, cut or continued to a number of steps."""
    if count <= densities.size:
        return densities[:count]
    step = densities[-1] - densities[-2]
    return np.concatenate((densities, densities[-1] + step * np.arange(1, count - densities.size + 1)))
