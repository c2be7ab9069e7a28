"""How long to develop next: the time that runs, film tests and common practice together make most likely to be right.

The time is the one whose contrast, with the mean of what is known, gives the density range aimed at. Its interval is
where the right time lies for a subject of just the range stated; the expected density range has the doubt of the
subject and of the run in it as well. Formulas: docs/method-advice.md.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.floats import keep_floats
from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.change import UnloggedChange, change_of
from densiscan.development.evidence import evidence_of
from densiscan.development.expected import Conditions, equal_time, expected_log, film_range, log_pace, run_scatter
from densiscan.development.exposure_index import SPEED_A_STOP
from densiscan.development.kinetics import COLDEST_C, REFERENCE_C, WARMEST_C, ContrastPoint, Kinetics
from densiscan.development.posterior import (
    Posterior,
    blunder_chances,
    chance_points,
    expected_unchanged,
    for_batch,
    mean_kinetics,
    posterior_of,
    quantiles,
    scatter_of,
    weights_if_changed,
)
from densiscan.development.prior import BELIEFS, LONGEST_REACH, PACE_DOUBT, PARAMETERS, SHORTEST_EVEN_S, Belief
from densiscan.development.run import Run
from densiscan.development.verdict import AVERAGE_SUBJECT_STOPS, FEWEST_SCENE_STOPS, LARGEST_STEP, range_on_film
from densiscan.errors import WrongUseError
from densiscan.files.shown import Drawn, counted, one_line

TABLE_STOPS: Final = (-2, -1, 0, 1, 2)
"""Of the table: N-1 makes a subject one stop longer print like the one planned for, N+1 one that is a stop shorter."""

SHORTEST_TARGET: Final = 0.30
LONGEST_TARGET: Final = 2.50

_STEP_S: Final = 5.0
"""Times are given to five seconds: nobody pours faster."""

_TWO_SIDED: Final = 0.9545
"""What k = 2 of a normal distribution holds."""

_ENDS: Final = (0.02275, 0.97725)
_PRACTICE_COUNTS: Final = 0.02
"""Common practice still counts while this much of its variance of the logarithm of the range is left."""

_MISFIT: Final = 0.5
_NOBODY_WAITS: Final = 10.0
"""Times the time advised: whatever lies beyond is no time of development, but an end that is open."""
_FARTHEST: Final = 3.0
"""No uncertainty is stated wider than this many times the value: it would say nothing more."""


Limit = Literal["step", "reach"]
"""What may hold a time back: the largest step from the last run, or the reach beyond the longest."""


Interval = tuple[float | None, float | None]
"""Between which times the right one lies 95 times in 100, seconds; an end is None where it is beyond all bounds, since
the contrast may never be reached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be developed next.

    `target_range` is the density range of the negative that prints right; `scene_stops` the subject's range, None where
    it is not metered and taken as average; `age_days` how long the developer has stood since it was mixed, `batch`
    the name of its batch in the runs.

    Examples
    --------
    >>> Plan(target_range=Quantity(1.05), scene_stops=7).temperature_c
    20.0
    """

    target_range: Quantity
    scene_stops: float | None = None
    temperature_c: float = REFERENCE_C
    use: int = 1
    age_days: float = 0.0
    batch: str | None = None

    def __post_init__(self) -> None:
        keep_floats(self)
        if not SHORTEST_TARGET <= self.target_range.value <= LONGEST_TARGET:
            raise WrongUseError(
                f"a density range of {self.target_range.value:.2f} is not a range to aim at; give "
                f"{SHORTEST_TARGET:.2f} to {LONGEST_TARGET:.2f}, such as `target_range` 1.05."
            )
        if not COLDEST_C <= self.temperature_c <= WARMEST_C:
            raise WrongUseError(
                f"`temperature_c` {self.temperature_c:g} C is not a temperature to develop at; give {COLDEST_C:g} to "
                f"{WARMEST_C:g}, such as `temperature_c` 20."
            )
        if not 1 <= self.use <= 50:
            raise WrongUseError(f"`use` {self.use} is not a valid value; 1 is fresh developer, 3 its third use.")
        range_on_film(self.scene_stops)

    @property
    def stops(self) -> float:
        """Range of the subject in stops, the average where it is not known."""
        return AVERAGE_SUBJECT_STOPS if self.scene_stops is None else self.scene_stops


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """Time for N and so many stops; None where it would lie beyond what can be told, and `note` says why.

    N is the time advised, held where that is; `best_s` is what would be most likely right unheld. `scene_stops` is the
    subject that it suits, `exposure_index` the index that goes with it, None where none is known.
    """

    contrast_stops: int
    scene_stops: float
    time_s: Quantity | None
    best_s: float | None = None
    interval_s: Interval = (None, None)
    exposure_index: float | None = None
    note: str = ""

    @property
    def speed_stops(self) -> float:
        """By how many stops the film is faster than at N."""
        return SPEED_A_STOP * self.contrast_stops


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """A run that the others speak against: its range was so many times what was expected of it."""

    number: int
    chance: float
    ratio: float


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Advice(Drawn):
    """What to do next, and what it rests on.

    `time_s` is what is advised, `best_time_s` what would be most likely right if no step were too large, infinite
    where the contrast is out of reach; `interval_s` where the right time lies. `factor` is against `against_s`, the
    time of the last run or that of common practice; `step` against what that would have been at this temperature and
    use. `practice` is the part of the variance of common practice that is left: 1 with no runs, near 0 with many.
    `change` is what seems to have changed without being written down. `limit` says what held the time back, if anything
    did. `temperatures_c` are the lowest and highest that runs were made at, 20 C where there are none. `kinetics` is
    the law that the time is taken from.

    Examples
    --------
    >>> advice = advise([], Plan(target_range=Quantity(1.05)))
    >>> round(advice.factor, 2), advice.common_practice
    (1.0, True)
    """

    plan: Plan
    time_s: Quantity
    best_time_s: float
    interval_s: Interval
    factor: float
    against_s: float
    step: float
    last_run: int | None
    expected_range: Quantity
    runs: tuple[int, ...]
    tests: int
    practice: float
    table: tuple[TableRow, ...]
    misfits: tuple[Misfit, ...]
    change: UnloggedChange | None
    limit: Limit | None
    temperatures_c: tuple[float, float]
    kinetics: Kinetics
    posterior: Posterior = field(repr=False, compare=False)

    def __repr__(self) -> str:
        return one_line(
            self,
            "",
            f"{self.time_s:.0f} s at {self.plan.temperature_c:g} C",
            f"range {self.expected_range:.2f} expected, {self.plan.target_range.value:.2f} aimed at",
            f"from {counted(len(self.runs) + self.tests, 'development') or 'common practice'}",
        )

    @property
    def common_practice(self) -> bool:
        """Whether common practice still counts beside the runs."""
        return self.practice > _PRACTICE_COUNTS


def advise(
    runs: Sequence[Run], plan: Plan, tests: Sequence[ContrastPoint] = (), *, beliefs: tuple[Belief, ...] = BELIEFS
) -> Advice:
    """Return the advice for the next development.

    Parameters
    ----------
    runs
        Of one film in one developer, in the order they were done; removed ones and those without a density range count
        for nothing but the length of the next step.
    tests
        Contrasts from film tests in the same developer.

    Examples
    --------
    >>> run = Run(
    ...     number=1,
    ...     film="Meadow-100",
    ...     developer="Borax",
    ...     date="2026-03-01",
    ...     time_s=480.0,
    ...     temperature_c=20.0,
    ...     density_ranges=(Quantity(0.90, {Influence("negative"): 0.02}),),
    ... )
    >>> advice = advise([run], Plan(target_range=Quantity(1.05), scene_stops=7))
    >>> print(f"{advice.time_s:.0f} seconds")
    580 (392 to 978) seconds
    """
    kept = [run for run in runs if not run.removed]
    return advise_from(posterior_of(evidence_of(kept, tests, beliefs=beliefs)), kept, plan)


def advise_from(posterior: Posterior, runs: Sequence[Run], plan: Plan) -> Advice:
    """Return the advice from what is known; `runs` as in `advise`, none of them removed."""
    film, posterior = posterior, for_batch(posterior, plan.batch)
    best = best_time(posterior, plan)
    limits = _Limits.of(posterior, runs, plan, best)
    time = limits.held(best)
    right = _right_times(posterior, plan)
    against = runs[-1].time_s if runs else _normal_time(posterior)
    practice = _practice_left(film, plan, time)
    misfits = _misfits(film)
    expected = _expected(posterior, plan, time)
    temperatures = [REFERENCE_C, *posterior.evidence.conditions.temperature_c.tolist()]
    return Advice(
        plan=plan,
        time_s=_timed(time, right, posterior),
        best_time_s=best,
        interval_s=_interval(right, posterior),
        factor=time / against,
        against_s=against,
        step=time / limits.equal_s,
        last_run=runs[-1].number if runs else None,
        expected_range=expected,
        runs=tuple(number for number in posterior.evidence.numbers if number),
        tests=sum(number == 0 for number in posterior.evidence.numbers),
        practice=practice,
        table=tuple(_table(posterior, plan, limits)),
        misfits=misfits,
        change=change_of(posterior),
        limit=limits.which(best),
        temperatures_c=(min(temperatures), max(temperatures)),
        kinetics=mean_kinetics(film),
        posterior=film,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Limits:
    """How far the next time may go: a step beyond the times tried, a reach beyond the longest; equal developments.

    Without runs the step counts from the nearest development of a film test, else from the maker's time or that of
    common practice. `equal_s` is what the last development would have been.
    """

    equal_s: float
    shortest_s: float
    longest_s: float
    reach_s: float

    @classmethod
    def of(cls, posterior: Posterior, runs: Sequence[Run], plan: Plan, best_s: float) -> _Limits:
        done = posterior.evidence.conditions
        tested = (done.time_s[done.tested], done.temperature_c[done.tested], done.use[done.tested])
        equal = _equal_times(posterior, plan, *tested)
        if runs:
            columns = np.array([(run.time_s, run.temperature_c, run.use) for run in runs], dtype=float).T
            of_runs = _equal_times(posterior, plan, *columns)
            tried = np.concatenate([of_runs, equal])
            return cls(
                equal_s=float(of_runs[-1]),
                shortest_s=(1.0 - LARGEST_STEP) * float(tried.min()),
                longest_s=(1.0 + LARGEST_STEP) * float(tried.max()),
                reach_s=LONGEST_REACH * float(tried.max()),
            )
        if len(equal):
            nearest = float(equal[np.argmin(np.abs(equal - min(best_s, float(equal.max()))))])
            return cls.about(nearest, reach_s=LONGEST_REACH * float(equal.max()))
        normal = np.array([_normal_time(posterior)]), np.array([REFERENCE_C]), np.array([1.0])
        return cls.about(float(_equal_times(posterior, plan, *normal)[0]), reach_s=math.inf)

    @classmethod
    def about(cls, equal_s: float, *, reach_s: float) -> _Limits:
        step = LARGEST_STEP * equal_s
        return cls(equal_s=equal_s, shortest_s=equal_s - step, longest_s=equal_s + step, reach_s=reach_s)

    def which(self, time_s: float) -> Limit | None:
        """Return what holds a time back."""
        if time_s > min(self.longest_s, self.reach_s):
            return "step" if self.longest_s <= self.reach_s else "reach"
        return "step" if time_s < self.shortest_s else None

    def held(self, time_s: float) -> float:
        """Return the time within the limits, in whole steps of five seconds."""
        low, high = self.shortest_s, min(self.longest_s, self.reach_s)
        held = min(max(time_s, low), high)
        steps = held / _STEP_S
        whole = math.floor(steps) if held == high else math.ceil(steps) if held == low else round(steps)
        return max(whole, 1) * _STEP_S


def _equal_times(posterior: Posterior, plan: Plan, time_s: Floats, temperature_c: Floats, use: Floats) -> Floats:
    """Return the times that do the same under the conditions of the plan, by the mean of what is known."""
    pace = np.exp(log_pace(posterior.mean[None], temperature_c, use)[0])
    return np.asarray(time_s * pace / _mean_pace(posterior, plan))


def _mean_pace(posterior: Posterior, plan: Plan) -> float:
    return math.exp(float(_planned_pace(posterior.mean[None], plan)[0]))


def _planned_pace(points: Floats, plan: Plan) -> Floats:
    """Return the logarithm of the rate under the conditions of the plan, for each point."""
    there = np.array([plan.temperature_c]), np.array([float(plan.use)])
    return log_pace(points, *there, plan.age_days)[:, 0]


def _normal_time(posterior: Posterior) -> float:
    """Return the time believed beforehand to be normal: the maker's, else that of common practice."""
    return math.exp(float(posterior.evidence.means[PARAMETERS.index("normal time")]))


def _targets(posterior: Posterior, plan: Plan, contrast_stops: float) -> Floats:
    """Return the contrast that each point needs for the range aimed at, of a subject shorter by some stops."""
    metered = np.array([plan.scene_stops is not None])
    doubt = plan.target_range.standard_uncertainty or 0.0
    aims = np.maximum(plan.target_range.value + doubt * chance_points(posterior), 0.5 * plan.target_range.value)
    return np.asarray(aims / film_range(posterior.points, np.array([_suited(plan, contrast_stops)]), metered)[:, 0])


def _suited(plan: Plan, contrast_stops: float) -> float:
    """Return the range of the subject that so many stops of contrast suit."""
    return max(plan.stops - contrast_stops, FEWEST_SCENE_STOPS)


def best_time(posterior: Posterior, plan: Plan, contrast_stops: float = 0.0) -> float:
    """Return the time with the mean of what is known; infinite where the contrast is never reached."""
    mean = posterior.mean[None]
    metered = np.array([plan.scene_stops is not None])
    ranges = film_range(mean, np.array([_suited(plan, contrast_stops)]), metered)[:, 0]
    equal = float(equal_time(mean, plan.target_range.value / ranges)[0])
    return equal / _mean_pace(posterior, plan)


def _right_times(posterior: Posterior, plan: Plan, contrast_stops: float = 0.0) -> Floats:
    """Return the time that is right if a point is the truth, for each."""
    targets = _targets(posterior, plan, contrast_stops)
    paces = _planned_pace(posterior.points, plan) + PACE_DOUBT * chance_points(posterior, 1)
    return np.asarray(equal_time(posterior.points, targets) * np.exp(-paces))


def _timed(time: float, right: Floats, posterior: Posterior) -> Quantity:
    """Return a time with how far off the right one may be, and the interval that the right one lies in.

    Where the contrast may well never be reached, no width says anything: the interval is open at its end. A time that a
    step holds outside the interval has none.
    """
    reach = _reach(right, posterior.weights, time)
    low, high = _interval(right, posterior)
    high = None if high is None or high > _NOBODY_WAITS * time else high
    parts = {Influence("development"): 0.5 * reach} if reach < time else None
    holds = (low is None or low <= time) and (high is None or time <= high)
    if not holds or (low is None and high is None):
        return Quantity(time, parts)
    return Quantity(time, parts if low is not None and high is not None else None, None, (low, high))


def _interval(right: Floats, posterior: Posterior) -> Interval:
    """Return where the right time lies, be a change that nobody wrote down as likely as the runs say or likelier."""
    both = (posterior.weights, weights_if_changed(posterior))
    lows, highs = zip(*(quantiles(right, weights, _ENDS) for weights in both), strict=True)
    return min(lows) if math.isfinite(min(lows)) else None, max(highs) if math.isfinite(max(highs)) else None


def _reach(values: Floats, weights: Floats, middle: float) -> float:
    """Return how far about a value 95 in 100 of the weighted values lie."""
    return quantiles(np.minimum(np.abs(values - middle), _FARTHEST * middle), weights, [_TWO_SIDED])[0]


def _conditions(plan: Plan, time_s: float) -> Conditions:
    return Conditions(
        time_s=np.array([time_s]),
        temperature_c=np.array([plan.temperature_c]),
        use=np.array([float(plan.use)]),
        stops=np.array([plan.stops]),
        metered=np.array([plan.scene_stops is not None]),
        tested=np.array([False]),
        age_days=np.array([plan.age_days]),
        place=np.array([math.inf]),
    )


def _expected(posterior: Posterior, plan: Plan, time_s: float) -> Quantity:
    """Return the density range that the next negative is expected to have."""
    logs = expected_log(posterior.points, _conditions(plan, time_s))[:, 0]
    scatter = scatter_of(posterior) * run_scatter(plan.stops, metered=plan.scene_stops is not None)
    ranges = np.exp(logs + scatter * chance_points(posterior))
    middle = math.exp(float(expected_log(posterior.mean[None], _conditions(plan, time_s))[0, 0]))
    return Quantity(middle, {Influence("development"): 0.5 * _reach(ranges, posterior.weights, middle)})


def _practice_left(known: Posterior, plan: Plan, time_s: float) -> float:
    conditions = _conditions(plan, time_s)
    before = _believed()

    def variance(posterior: Posterior) -> float:
        logs = expected_log(posterior.points, conditions)[:, 0]
        return float(posterior.weights @ (logs - posterior.weights @ logs) ** 2)

    return min(variance(known) / variance(before), 1.0)


@functools.lru_cache(maxsize=1)
def _believed() -> Posterior:
    return posterior_of(evidence_of(()))


def _misfits(posterior: Posterior) -> tuple[Misfit, ...]:
    evidence = posterior.evidence
    if not len(evidence.logs):
        return ()
    ratios = np.exp(evidence.logs - expected_unchanged(posterior))
    return tuple(
        Misfit(number=number, chance=float(chance), ratio=float(ratio))
        for number, chance, ratio in zip(evidence.numbers, blunder_chances(posterior), ratios, strict=True)
        if chance > _MISFIT
    )


def _table(posterior: Posterior, plan: Plan, limits: _Limits) -> list[TableRow]:
    return [_table_row(posterior, plan, limits, stops) for stops in TABLE_STOPS]


def _table_row(posterior: Posterior, plan: Plan, limits: _Limits, stops: int) -> TableRow:
    best, suits = best_time(posterior, plan, stops), plan.stops - stops
    if suits < FEWEST_SCENE_STOPS:
        return TableRow(contrast_stops=stops, scene_stops=suits, time_s=None, note="no subject is as flat")
    if not math.isfinite(best):
        return TableRow(contrast_stops=stops, scene_stops=suits, time_s=None, note="more than this film reaches")
    time = limits.held(best) if stops == 0 else max(round(best / _STEP_S), 1) * _STEP_S
    if time > limits.reach_s:
        note = f"beyond {LONGEST_REACH:g} times the longest time logged"
        return TableRow(contrast_stops=stops, scene_stops=suits, time_s=None, note=note)
    right = _right_times(posterior, plan, stops)
    return TableRow(
        contrast_stops=stops,
        scene_stops=suits,
        time_s=_timed(time, right, posterior),
        best_s=best,
        interval_s=_interval(right, posterior),
        note=_row_note(posterior, plan, limits, stops, time),
    )


def _row_note(posterior: Posterior, plan: Plan, limits: _Limits, stops: int, time_s: float) -> str:
    """Return what stands beside a time: where the time advised is held, no other may look as if it were none."""
    aimed = best_time(posterior, plan)
    if limits.which(aimed) is not None and math.isfinite(aimed):
        if stops == 0:
            return f"held; {_clock(aimed)} would be right"
        if time_s != limits.held(time_s):
            return "more than one step"
    return "develops unevenly" if time_s < SHORTEST_EVEN_S else ""


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"
