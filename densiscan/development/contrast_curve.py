"""Contrast against time as it is known, for a figure: the curve with its band, the runs brought to one condition."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import COVERAGE_FACTOR
from densiscan.development.advice import Advice, Interval, Plan
from densiscan.development.expected import film_range, log_contrast, log_pace, log_paces
from densiscan.development.likelihood import spread_of
from densiscan.development.posterior import Posterior, for_batch, quantiles
from densiscan.development.prior import PARAMETERS

_POINTS: Final = 80
_ENDS: Final = (0.02275, 0.97725)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastAtTime:
    """Contrast after a time under the conditions asked for, with the ends between which it lies 95 times in 100."""

    time_s: float
    contrast: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPoint:
    """A run as it would have been under those conditions: same development, same contrast; `doubt` has k = 2.

    `number` is 0 for a development of a film test.
    """

    number: int
    time_s: float
    contrast: float
    doubt: float
    fits: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DevelopmentCurve:
    """What is drawn: curve, runs, and the contrast aimed at with the time advised for it."""

    plan: Plan
    curve: tuple[ContrastAtTime, ...]
    runs: tuple[RunPoint, ...]
    aim: float
    time_s: float
    interval_s: Interval


def development_curve(posterior: Posterior, advice: Advice) -> DevelopmentCurve:
    """Return contrast against time at the temperature and use that were asked for."""
    posterior = for_batch(posterior, advice.plan.batch)
    plan, mean = advice.plan, posterior.mean[None]
    pace = _pace(mean, plan)
    evidence = posterior.evidence
    conditions = evidence.conditions
    own_pace = np.exp(log_paces(mean, conditions)[0])
    times = conditions.time_s * own_pace / pace
    ranges = film_range(mean, conditions.stops, conditions.metered)[0]
    contrasts = np.exp(evidence.logs) / np.where(conditions.tested, np.exp(mean[0, PARAMETERS.index("test")]), ranges)
    doubts = COVERAGE_FACTOR * contrasts * spread_of(mean, evidence)[0]
    strange = {misfit.number for misfit in advice.misfits}
    metered = np.array([plan.scene_stops is not None])
    return DevelopmentCurve(
        plan=plan,
        curve=_curve(posterior, plan, [*times.tolist(), advice.time_s.value]),
        runs=tuple(
            RunPoint(number=number, time_s=time, contrast=contrast, doubt=doubt, fits=number not in strange)
            for number, time, contrast, doubt in zip(
                evidence.numbers, times.tolist(), contrasts.tolist(), doubts.tolist(), strict=True
            )
        ),
        aim=plan.target_range.value / float(film_range(mean, np.array([plan.stops]), metered)[0, 0]),
        time_s=advice.time_s.value,
        interval_s=advice.interval_s,
    )


def _pace(mean: Floats, plan: Plan) -> float:
    return math.exp(
        float(log_pace(mean, np.array([plan.temperature_c]), np.array([float(plan.use)]), plan.age_days)[0, 0])
    )


def _curve(posterior: Posterior, plan: Plan, times_s: list[float]) -> tuple[ContrastAtTime, ...]:
    grid = np.linspace(0.4 * min(times_s), 1.6 * max(times_s), _POINTS)
    there = np.array([plan.temperature_c]), np.array([float(plan.use)])
    paces = np.exp(log_pace(posterior.points, *there, plan.age_days))
    contrasts = np.exp(log_contrast(posterior.points, grid * paces))
    middle = np.exp(log_contrast(posterior.mean[None], grid * _pace(posterior.mean[None], plan))[0])
    ends = [quantiles(column, posterior.weights, _ENDS) for column in contrasts.T]
    return tuple(
        ContrastAtTime(time_s=float(time), contrast=float(contrast), low=low, high=high)
        for time, contrast, (low, high) in zip(grid, middle, ends, strict=True)
    )
