"""Which times to develop next teach most, and what one batch of developer shows of itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.advice import Plan, advise, best_time
from densiscan.development.learning import learning
from densiscan.development.likelihood import STRENGTHS, strengths_at
from densiscan.development.run import Run
from densiscan.errors import WrongUseError

AVERAGE = 22.0 / 3.0


def run(number: int, time_s: float, span: float, batch: str | None = None) -> Run:
    return Run(
        number=number, film="A", developer="B", date=f"2026-03-{number:02d}", time_s=time_s, temperature_c=20.0,
        batch=batch, scene_stops=AVERAGE, density_ranges=(Quantity(span, {Influence("reading"): 0.01}),),
    )  # fmt: skip


def plan(batch: str | None = None) -> Plan:
    return Plan(target_range=Quantity(1.05), scene_stops=AVERAGE, batch=batch)


def grown(time_s: float) -> float:
    """A film by a power law, 1.05 at 8:00: no law of the advice."""
    return float(1.05 * (time_s / 480.0) ** 0.6)


THREE = [run(number, 480.0, span) for number, span in ((1, 1.05), (2, 1.04), (3, 1.06))]


def test_the_times_lie_within_what_is_risked_and_apart() -> None:
    known = advise(THREE, plan())
    for risk in (0.5, 1.0):
        told = learning(known.posterior, plan(), 3, risk_stops=risk)
        low, high = (best_time(known.posterior, plan(), stops) for stops in (-risk, risk))
        assert low - 5.0 <= told.times_s[0] < told.times_s[-1] <= high + 5.0
        assert all(time % 5.0 == 0.0 for time in told.times_s)
        # Three more at 8:00 would teach nothing of N+1: the times go to both ends.
        assert told.times_s[-1] / told.times_s[0] > 1.0 + 0.2 * risk


def test_more_runs_teach_more() -> None:
    known = advise(THREE, plan()).posterior
    then = [[row.doubt_then for row in learning(known, plan(), count).rows] for count in (1, 2, 4)]
    now = [row.doubt_now for row in learning(known, plan(), 1).rows]
    sums = [sum(np.square(row)) for row in (now, *then)]
    assert sums == sorted(sums, reverse=True)


def test_the_times_told_teach_more_than_the_normal_time() -> None:
    """Developed and weighed: what is left of doubt about one stop more, beside three more runs at 8:00."""
    told = learning(advise(THREE, plan()).posterior, plan(), 3).times_s

    def width(times: tuple[float, ...]) -> float:
        runs = [*THREE, *(run(at, time, grown(time)) for at, time in enumerate(times, start=4))]
        row = next(row for row in advise(runs, plan()).table if row.contrast_stops == -1)
        low, high = row.interval_s
        assert low is not None
        assert high is not None
        return math.log(high / low)

    assert width(told) < 0.9 * width((480.0, 480.0, 480.0))


@pytest.mark.parametrize(("count", "risk"), [(0, 1.0), (7, 1.0), (2, 0.05), (2, 2.5)])
def test_what_cannot_be_asked(count: int, risk: float) -> None:
    with pytest.raises(WrongUseError, match="is not a valid value"):
        learning(advise(THREE, plan()).posterior, plan(), count, risk_stops=risk)


# Batches.


def test_a_weak_batch_is_followed_while_it_lasts() -> None:
    sound = [run(number, 480.0, 1.05, f"b{(number - 1) // 3}") for number in range(1, 10)]
    # A fifth weaker: as if 480 s were 384.
    weak = [run(number, 480.0, grown(384.0), "weak") for number in (10, 11)]
    here, fresh = (advise([*sound, *weak], plan(batch)).time_s.value for batch in ("weak", "next"))
    before = advise(sound, plan("next")).time_s.value
    assert_allclose(before, 480.0, rtol=0.05)
    assert before < fresh <= here
    assert here > 1.08 * before  # half of what is missing, at least, of 1.25
    assert here <= 1.27 * before


def test_the_share_of_chances_below_a_strength() -> None:
    chances = np.full((3, len(STRENGTHS)), 1.0 / len(STRENGTHS))
    low, middle, high = strengths_at(chances, np.array([0.0, 0.5, 1.0]))
    assert_allclose(middle, 0.0, atol=1e-9)  # even chances about a row that is alike to both sides
    assert_allclose(low, -high, rtol=1e-9)
    alone = np.zeros((1, len(STRENGTHS)))
    alone[0, 4] = 1.0
    assert STRENGTHS[3] < strengths_at(alone, np.array([0.5]))[0] < STRENGTHS[5]
