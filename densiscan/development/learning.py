"""Which times to develop next so that the whole family of contrasts becomes best known.

Each candidate time says how the range of its negative would hang together, over the weighted points, with the times of
N-2 to N+2. The times are chosen one after the other, then each is tried again beside the others, so that the summed
variance of the logarithms of those five times becomes least (optimal design, A-optimal; Chaloner and Verdinelli 1995,
Statistical Science 10, from memory). The points are taken as normally distributed for that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.development.advice import TABLE_STOPS, Plan, best_time
from densiscan.development.expected import Conditions, expected_log, run_scatter
from densiscan.development.posterior import Posterior, for_batch, scatter_of
from densiscan.development.prior import READING_DOUBT
from densiscan.errors import WrongUseError

MOST_TIMES: Final = 6
LARGEST_RISK: Final = 2.0
USUAL_RISK: Final = 1.0
_CANDIDATES: Final = 25
_STEP_S: Final = 5.0
_FARTHEST: Final = 2.5
"""Times the normal time beyond which nobody develops to learn."""

_STEEP: Final = 1.02
_LEAST_SLOPE: Final = 0.1
"""Where contrast hardly grows any more, no time is told by it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedTime:
    """How well the time for N and so many stops is known, as a factor's logarithm (k = 2), before and after."""

    contrast_stops: int
    doubt_now: float
    doubt_then: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Learning:
    """The times to develop next that teach most; a negative may be off by `risk_stops` of contrast."""

    times_s: tuple[float, ...]
    risk_stops: float
    rows: tuple[LearnedTime, ...]


def learning(posterior: Posterior, plan: Plan, count: int, *, risk_stops: float = USUAL_RISK) -> Learning:
    """Return the times to develop next that teach most of the whole family.

    Parameters
    ----------
    count
        How many developments, 1 to 6.
    risk_stops
        How many stops of contrast a negative may be too soft or too hard, 0.1 to 2.

    Raises
    ------
    WrongUseError
        If either is out of reach.
    """
    if not 1 <= count <= MOST_TIMES:
        raise WrongUseError(f"`learn` {count} is not a valid value; give 1 to {MOST_TIMES} developments.")
    if not 0.1 <= risk_stops <= LARGEST_RISK:
        raise WrongUseError(f"`risk` {risk_stops:g} is not a valid value; give 0.1 to {LARGEST_RISK:g} stops.")
    known = for_batch(posterior, plan.batch)
    middle = best_time(known, plan)
    candidates = _candidates(known, plan, middle, risk_stops)
    aims = np.array([min(best_time(known, plan, stops), _FARTHEST * middle) for stops in TABLE_STOPS])
    ranges = _log_ranges(known.points, plan, np.concatenate([aims, candidates]))
    away = ranges - known.weights @ ranges
    together = (known.weights * away.T) @ away
    slopes = _slopes(known, plan, aims)
    scatter = float(known.weights @ scatter_of(known)) * run_scatter(plan.stops, metered=plan.scene_stops is not None)
    noise = scatter**2 + (READING_DOUBT / plan.target_range.value) ** 2
    family = _Family(together=together, aims=len(aims), slopes=slopes, noise=noise)
    chosen = _chosen(family, len(candidates), count)
    now, then = family.variances(()), family.variances(chosen)
    return Learning(
        times_s=tuple(sorted(float(candidates[at]) for at in chosen)),
        risk_stops=risk_stops,
        rows=tuple(
            LearnedTime(contrast_stops=stops, doubt_now=2.0 * math.sqrt(a), doubt_then=2.0 * math.sqrt(b))
            for stops, a, b in zip(TABLE_STOPS, now.tolist(), then.tolist(), strict=True)
        ),
    )


def _candidates(known: Posterior, plan: Plan, middle: float, risk_stops: float) -> Floats:
    """Return the times between the softest and the hardest negative that is risked, in whole steps."""
    low, high = (best_time(known, plan, stops) for stops in (-risk_stops, risk_stops))
    times = np.geomspace(low, min(high, _FARTHEST * middle), _CANDIDATES)
    return np.unique(np.maximum(np.round(times / _STEP_S), 1.0) * _STEP_S)


def _log_ranges(points: Floats, plan: Plan, times: Floats) -> Floats:
    same = np.ones(len(times))
    metered = plan.scene_stops is not None
    conditions = Conditions(
        time_s=times,
        temperature_c=plan.temperature_c * same,
        use=plan.use * same,
        age_days=plan.age_days * same,
        stops=plan.stops * same,
        metered=np.full(len(times), metered),
        tested=np.zeros(len(times), dtype=bool),
        place=np.full(len(times), math.inf),
    )
    return expected_log(points, conditions)


def _slopes(known: Posterior, plan: Plan, times: Floats) -> Floats:
    """Return by how much the logarithm of the range grows with that of the time."""
    both = _log_ranges(known.mean[None], plan, np.concatenate([times / _STEEP, times * _STEEP]))[0]
    return np.asarray((both[len(times) :] - both[: len(times)]) / (2.0 * math.log(_STEEP)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Family:
    """What hangs together: covariances of log ranges at the aims, then at the candidates; variance of one reading."""

    together: Floats
    aims: int
    slopes: Floats
    noise: float

    def variances(self, chosen: Sequence[int]) -> Floats:
        """Return the variance of the logarithm of each aim's time once these candidates are developed."""
        own = self.together[: self.aims, : self.aims]
        if chosen:
            at = [self.aims + one for one in chosen]
            across = self.together[: self.aims, at]
            seen = self.together[np.ix_(at, at)] + self.noise * np.eye(len(at))
            own = own - across @ np.linalg.solve(seen, across.T)
        return np.asarray(np.maximum(np.diag(own), 0.0) / np.maximum(self.slopes, _LEAST_SLOPE) ** 2)


def _chosen(family: _Family, candidates: int, count: int) -> tuple[int, ...]:
    chosen: list[int] = []
    for _ in range(count):
        chosen.append(_next(family, candidates, chosen))
    for _ in range(count):
        for place in range(count):
            others = chosen[:place] + chosen[place + 1 :]
            chosen = [*chosen[:place], _next(family, candidates, others), *chosen[place + 1 :]]
    return tuple(chosen)


def _next(family: _Family, candidates: int, beside: Sequence[int]) -> int:
    left = [float(np.sum(family.variances([*beside, one]))) for one in range(candidates)]
    return int(np.argmin(left))
