"""Something changed, or creeps: seen in time, seldom by chance, and told without asking to delete what may be true."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.advice import Plan, advise, advise_from
from densiscan.development.creep import ALARM, creeping_since, deviates, sums
from densiscan.development.expected import SINCE
from densiscan.development.posterior import weights_if_changed
from densiscan.development.run import Run
from densiscan.development.trends import trends_of

AVERAGE_STOPS = 22.0 / 3.0


def a_run(number: int, density_range: float, fog: float = 0.28) -> Run:
    return Run(
        number=number,
        film="made-up film",
        developer="made-up developer",
        date=f"2026-{1 + number // 28:02d}-{1 + number % 28:02d}",
        time_s=480.0,
        temperature_c=20.0,
        scene_stops=AVERAGE_STOPS,
        density_ranges=(Quantity(density_range, {Influence("reading"): 0.01}),),
        base_plus_fogs=(Quantity(fog),),
    )


def steady(count: int, seed: int = 3) -> list[Run]:
    off = 0.03 * np.random.default_rng(seed).standard_normal(count)
    return [a_run(number, 1.05 * math.exp(float(by))) for number, by in enumerate(off, start=1)]


def plan() -> Plan:
    return Plan(target_range=Quantity(1.05), scene_stops=AVERAGE_STOPS)


@pytest.fixture(scope="module")
def after_three() -> list[Run]:
    return [*steady(20), *(a_run(number, level) for number, level in ((21, 1.25), (22, 1.27), (23, 1.24)))]


def test_three_runs_at_a_new_level_are_a_change_and_the_advice_follows_them(after_three: list[Run]) -> None:
    advice = advise(after_three, plan())
    assert advice.change is not None
    assert advice.change.since_run == 21
    assert not {21, 22, 23} & {misfit.number for misfit in advice.misfits}
    # From 1.25 to 1.05 is 0.84 of the range: time goes as its power of 1.25 to 2.5 (slopes of 0.4 to 0.8).
    assert 0.84**2.5 <= advice.time_s.value / 480.0 <= 0.84**1.0
    assert 0.95 <= advice.expected_range.value <= 1.15
    assert "since run 21" in advice.change.words


def test_advice_and_trends_say_the_same(after_three: list[Run]) -> None:
    change = advise(after_three, plan()).change
    activity = next(trend for trend in trends_of(after_three, {}) if trend.name == "activity")
    assert change is not None
    assert change.words in activity.sentences


def test_nothing_asks_to_remove_what_may_be_the_truth(after_three: list[Run]) -> None:
    told = [change.words for runs in (after_three, after_three[:21]) if (change := advise(runs, plan()).change)]
    assert told
    assert not any("remove" in words for words in told)


def test_the_interval_allows_for_a_change_that_one_run_alone_speaks_of() -> None:
    known = advise([*steady(10), a_run(11, 0.87)], plan()).posterior
    changed = known.points[:, SINCE] > 0.0
    chance = float(known.weights @ changed)
    assert 0.02 < chance < 0.98
    likelier = float(weights_if_changed(known) @ changed)
    assert_allclose(likelier / (1.0 - likelier), 5.0 * chance / (1.0 - chance), rtol=1e-9)
    advice = advise_from(known, [*steady(10), a_run(11, 0.87)], plan())
    low, high = advice.interval_s
    assert low is not None
    assert high is not None
    # A negative at 0.87 where 1.05 was due asks for (1.05 / 0.87)^(1 / 0.6) = 1.37 times the time, if it is the truth.
    assert high > 480.0 * 1.2
    assert low < 480.0


def test_steady_runs_tell_of_no_change() -> None:
    for seed in range(6):
        assert advise(steady(15, seed), plan()).change is None


# Creeping.


@pytest.mark.parametrize(("shift", "published"), [(0.0, 930.9), (0.5, 38.0), (1.0, 10.4), (2.0, 4.01)])
def test_average_run_lengths_of_the_published_table(shift: float, published: float) -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: k = 0.5, h = 5. Run lengths scatter about as much as they are long."""
    count = 300 if shift == 0.0 else 3000
    rng = np.random.default_rng(9)
    lengths = []
    for _ in range(count):
        added = sums((shift + rng.standard_normal(8000 if shift == 0.0 else 400)).tolist())
        lengths.append(next(at + 1 for at, total in enumerate(added) if total > ALARM))
    assert_allclose(np.mean(lengths), published, rtol=4.0 / math.sqrt(count))


def test_values_against_those_before_them_are_normal_deviates() -> None:
    """Reference: Student's t and the normal distribution of scipy, for the prediction of one more value."""
    values = np.random.default_rng(2).normal(0.3, 0.01, 40).tolist()
    found = deviates(values)
    assert found[:4] == (0.0, 0.0, 0.0, 0.0)
    for at in range(4, 40):
        before = np.array(values[:at])
        t = (values[at] - before.mean()) / before.std(ddof=1) * math.sqrt(at / (at + 1.0))
        assert_allclose(found[at], stats.norm.ppf(stats.t.cdf(t, at - 1)), rtol=0, atol=0.03)


def test_fog_that_creeps_up_is_seen_and_steady_fog_is_not() -> None:
    rng = np.random.default_rng(4)
    seen = []
    for _ in range(60):
        fog = 0.28 + 0.006 * rng.standard_normal(50)
        fog[15:] += 0.002 * np.arange(1, 36)
        found = [creeping_since(fog[:count].tolist(), 1, 0.005) for count in range(16, 51)]
        seen.append(next(count for count, since in enumerate(found, start=1) if since is not None))
    # A drift of a third of a standard deviation a run: a CUSUM that knew mean and scatter sees it after about nine.
    assert np.median(seen) <= 10
    assert all(one <= 35 for one in seen)


def test_false_alarms_of_a_year_on_all_charts_together() -> None:
    """Thirty runs with fog and range that only scatter: at most one year in five tells of anything at any run."""
    rng = np.random.default_rng(17)
    years, told = 10, 0
    for _ in range(years):
        runs = [
            a_run(n, 1.05 * math.exp(0.05 * float(a)), 0.28 + 0.008 * float(b))
            for n, (a, b) in enumerate(rng.standard_normal((30, 2)), start=1)
        ]
        told += any(trend.sentences for count in (12, 20, 30) for trend in trends_of(runs[:count], {}))
    # Two in ten on average at the most; more than five in ten would be three standard deviations beyond.
    assert told <= 5


def test_the_sum_begins_anew_below_zero() -> None:
    assert sums([1.5, -3.0, 1.0, 1.0]) == (1.0, 0.0, 0.5, 1.0)
    assert all(later >= 0.0 for later, _ in pairwise(sums([-1.0] * 5)))
