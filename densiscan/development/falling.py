"""Contrast that falls although development was longer: no development does that, so something else differed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.development.expected import film_range, log_paces
from densiscan.development.likelihood import spread_of
from densiscan.development.posterior import Posterior

_APART: Final = 3.5
_FALLING: Final = 2.8
"""Standard deviations from which two runs, or the slope of all, are told of: each by chance in a few of a hundred
notebooks of twenty runs at the most."""

_LEAST_GROWTH: Final = 0.25
"""Contrast grows at least as this power of time: 0.4 to 0.8 about the normal time, less only towards its end (common
practice)."""

_LAST_RUNS: Final = 20
_AS_LONG: Final = 0.97
"""Times that differ by less are the same: nobody pours faster."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FallingContrast:
    """Two runs of which the longer one has less contrast; contrasts and times at 20 C in fresh developer, seconds."""

    shorter_run: int
    longer_run: int
    contrasts: tuple[float, float]
    times_s: tuple[float, float]


def falling_contrast(posterior: Posterior) -> FallingContrast | None:
    """Return the two of the last runs that no development explains, the worst; None where all may be.

    Runs are compared as they would have been at 20 C in fresh developer, by what is known of warmth and use.
    """
    evidence = posterior.evidence
    done, mean = evidence.conditions, posterior.mean[None]
    runs = np.flatnonzero(~done.tested)[-_LAST_RUNS:]
    if len(runs) < 2:
        return None
    contrasts = evidence.logs - np.log(film_range(mean, done.stops, done.metered)[0])
    equal = np.log(done.time_s) + log_paces(mean[:, :-1], done)[0]
    spread = spread_of(np.zeros_like(mean), evidence)[0]
    runs = runs[np.argsort(equal[runs], kind="stable")]
    first, second = _falling(equal[runs], contrasts[runs], spread[runs]) or _apart(
        equal[runs], contrasts[runs], spread[runs]
    )
    if first == second:
        return None
    at = runs[first], runs[second]
    return FallingContrast(
        shorter_run=evidence.numbers[at[0]],
        longer_run=evidence.numbers[at[1]],
        contrasts=(float(np.exp(contrasts[at[0]])), float(np.exp(contrasts[at[1]]))),
        times_s=(float(np.exp(equal[at[0]])), float(np.exp(equal[at[1]]))),
    )


def _falling(times: Floats, contrasts: Floats, spread: Floats) -> tuple[int, int] | None:
    """Return the ends of a row of logarithms, by time, whose contrast falls; None where it may well grow."""
    weights = spread**-2.0
    away = times - np.average(times, weights=weights)
    leverage = float(weights @ away**2)
    slope = float(weights @ (away * contrasts)) / max(leverage, 1e-12)
    sure = (_LEAST_GROWTH - slope) * math.sqrt(leverage) > _FALLING
    return (0, len(times) - 1) if slope < 0.0 and sure else None


def _apart(times: Floats, contrasts: Floats, spread: Floats) -> tuple[int, int]:
    """Return the two that are farthest apart though the second was developed as long; the same twice where none are."""
    apart = (contrasts[:, None] - contrasts) / np.hypot(spread[:, None], spread)
    apart[times < times[:, None] + math.log(_AS_LONG)] = 0.0
    first, second = (int(at) for at in np.unravel_index(int(np.argmax(apart)), apart.shape))
    return (first, second) if apart[first, second] > _APART else (0, 0)
