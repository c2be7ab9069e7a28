"""Advice from runs: common practice with none, learning with some, limits always, and honest intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.advice import Advice, Plan, advise
from densiscan.development.developer_life import Load, strength, wear, wear_warnings
from densiscan.development.evidence import FilmEvidence, evidence_of
from densiscan.development.expected import Conditions, expected_log, film_range, run_scatter
from densiscan.development.kinetics import ContrastPoint, Kinetics
from densiscan.development.posterior import posterior_of
from densiscan.development.prior import BELIEFS, CHANCE_OF_CHANGE, NORMAL_RANGE, PARAMETERS
from densiscan.development.run import Run
from densiscan.development.verdict import range_on_film
from densiscan.errors import WrongUseError
from densiscan.paper.grade import USUAL_PAPER_RANGE, density_range_for
from tests.support import photographers

AVERAGE_STOPS = 22.0 / 3.0


def run(number: int, time_s: float, density_range: float | None, **facts: object) -> Run:
    read = () if density_range is None else (Quantity(density_range, {Influence("reading"): 0.01}),)
    usual: dict[str, object] = {"temperature_c": 20.0, "scene_stops": AVERAGE_STOPS, "density_ranges": read}
    return Run(
        number=number,
        film="made-up film",
        developer="made-up developer",
        date=f"2026-01-{number:02d}",
        time_s=time_s,
        **{**usual, **facts},  # type: ignore[arg-type]
    )


def plan(target: float = 1.05, **facts: object) -> Plan:
    usual: dict[str, object] = {"scene_stops": AVERAGE_STOPS}
    return Plan(target_range=Quantity(target), **{**usual, **facts})  # type: ignore[arg-type]


def time_at(advice: Advice, stops: int) -> float:
    row = next(row for row in advice.table if row.contrast_stops == stops)
    assert row.time_s is not None
    return row.time_s.value


def truth_of(law: Kinetics, runs: Sequence[tuple[float, float, int]]) -> list[Run]:
    """Return runs of an average subject as a law has them, without any error."""
    reach = range_on_film().value
    return [
        run(number, time, law.contrast(time, warmth, use) * reach, temperature_c=warmth, use=use)
        for number, (time, warmth, use) in enumerate(runs, start=1)
    ]


def test_common_practice_with_an_empty_notebook() -> None:
    # Common practice: 8:00 at 20 C; N+1 1.25 to 1.45 times as long, N-1 0.7 to 0.85 times (from memory).
    advice = advise([], Plan(target_range=density_range_for(None, "contact")))
    assert_allclose((advice.time_s.value, advice.factor), (480.0, 1.0), rtol=1e-9)
    assert 1.25 <= time_at(advice, 1) / 480.0 <= 1.45
    assert 0.70 <= time_at(advice, -1) / 480.0 <= 0.85
    assert_allclose(advice.expected_range.value, 1.05, rtol=1e-6)
    assert advice.runs == ()
    assert advice.common_practice
    assert_allclose(advice.practice, 1.0)


def test_one_stop_of_contrast_by_another_target() -> None:
    # A stop of contrast moves the range by what a stop of exposure does at normal contrast, 0.30 x 0.57.
    stop = 0.30 * 1.05 / range_on_film().value
    assert 1.25 <= advise([], plan(1.05 + stop)).factor <= 1.45
    assert 0.70 <= advise([], plan(1.05 - stop)).factor <= 0.80


def test_third_use_takes_longer_with_an_empty_notebook() -> None:
    # Common practice: about a tenth more for each use, so 10 to 25 % for the third.
    assert 1.10 <= advise([], plan(use=3)).factor <= 1.25


def test_warmth_shortens_by_common_practice() -> None:
    # 1.9 to 2.5 times the rate for 10 C (from memory, metol-hydroquinone).
    factor = advise([], plan(temperature_c=24.0)).factor
    assert 2.5**-0.4 <= factor <= 1.9**-0.4


def believed_range(stops: float) -> float:
    middle = np.array([[belief.mean for belief in BELIEFS]])
    return float(film_range(middle, np.array([stops]), np.array([True]))[0, 0])


def test_what_is_believed_agrees_with_the_first_advice() -> None:
    assert_allclose(NORMAL_RANGE, USUAL_PAPER_RANGE / 100.0)
    assert_allclose(believed_range(AVERAGE_STOPS), range_on_film().value)
    assert len(PARAMETERS) == len(set(PARAMETERS))


@pytest.mark.parametrize("stops", [4.0, 6.0, 9.0, 11.0])
def test_a_subject_lies_between_an_even_veil_and_a_fixed_loss(stops: float) -> None:
    ends = sorted([range_on_film(stops).value, 0.30 * stops - 0.35])
    assert ends[0] < believed_range(stops) < ends[1]


def test_too_short_a_range_lengthens_the_time() -> None:
    advice = advise([run(1, 480.0, 0.85)], plan())
    assert 1.1 < advice.factor <= 1.35
    assert advice.runs == (1,)
    assert advice.common_practice


def test_a_flat_subject_is_not_underdevelopment() -> None:
    # A subject of 5 stops leaves 1.25 on the film; at normal contrast that is 0.71.
    flat = believed_range(5.0) * 1.05 / range_on_film().value
    assert_allclose(flat, 0.71, atol=0.01)
    assert_allclose(advise([run(1, 480.0, flat, scene_stops=5.0)], plan()).factor, 1.0, atol=0.04)
    taken_as_average = advise([run(1, 480.0, flat)], plan())
    unmetered = advise([run(1, 480.0, flat, scene_stops=None)], plan())
    assert taken_as_average.best_time_s > unmetered.best_time_s > 1.05 * 480.0


def test_a_stop_of_the_table_is_a_stop_of_the_subject() -> None:
    runs = [run(1, 480.0, 1.0), run(2, 600.0, 1.15)]
    for stops in (-2, -1, 1):
        shifted = advise(runs, plan(scene_stops=AVERAGE_STOPS - stops))
        row = next(row for row in advise(runs, plan()).table if row.contrast_stops == stops)
        assert_allclose(row.scene_stops, AVERAGE_STOPS - stops, rtol=1e-12)
        assert row.best_s is not None
        assert_allclose(row.best_s, shifted.best_time_s, rtol=1e-9)


def test_many_runs_override_common_practice() -> None:
    law = Kinetics(contrast_limit=1.1, rate_per_s=0.0011, wait_s=20.0, per_ten_degrees=2.5, loss_per_use=0.2)
    done = [(600.0 + 60.0 * (i % 5), 18.0 + i % 6, 1 + i % 3) for i in range(30)]
    known = truth_of(law, done)
    aim = 1.05 / range_on_film().value
    for warmth, use in ((20.0, 1), (23.0, 2), (18.0, 3)):
        advice = advise(known, plan(temperature_c=warmth, use=use))
        if advice.limit is None:
            # The runs are free of error; what is left is the pull of common practice, well below what is stated.
            assert_allclose(advice.time_s.value, law.time_for(aim, warmth, use), rtol=0.05)
    assert not advise(known, plan()).common_practice
    uses = wear(posterior_of(evidence_of(known)), known, Load())
    assert uses.learned
    assert uses.last_good_use == 2


def test_few_runs_lean_on_common_practice_for_what_they_do_not_tell() -> None:
    known = [run(number, 480.0, 1.05) for number in range(1, 5)]
    warm, fresh = advise(known, plan(temperature_c=24.0)), advise(known, plan())
    assert warm.practice > 1.5 * fresh.practice
    assert (warm.time_s.uncertainty or 0.0) / warm.time_s.value > (fresh.time_s.uncertainty or 0.0) / 480.0


def test_a_run_that_does_not_fit_is_pointed_out_and_counts_little() -> None:
    good = [run(number, 480.0, 1.05 + 0.01 * (-1) ** number) for number in range(1, 7)]
    bad = run(7, 480.0, 0.55)
    advice = advise([*good, bad], plan())
    assert [misfit.number for misfit in advice.misfits] == [7]
    assert_allclose(advice.misfits[0].ratio, 0.55 / 1.05, rtol=0.05)
    assert 7 in advice.runs
    # Taken at its word, half the range asks for more than twice the time: it counts for less than a fifth of that.
    assert 1.0 <= advice.factor <= 1.2
    assert not advise(good, plan()).misfits


def test_no_step_is_larger_than_a_third() -> None:
    longer, shorter = advise([run(1, 480.0, 0.4)], plan()), advise([run(1, 480.0, 2.0)], plan())
    assert (longer.limit, shorter.limit) == ("step", "step")
    # Whole steps of five seconds, to the inside.
    assert 1.33 <= longer.factor <= 1.35
    assert 0.65 <= shorter.factor <= 0.67


@settings(max_examples=20)
@given(
    time=st.floats(60.0, 3000.0),
    read=st.floats(0.1, 3.0),
    target=st.floats(0.35, 2.0),
    temperature=st.floats(14.0, 30.0),
    stops=st.floats(2.0, 14.0),
    use=st.integers(1, 5),
)
def test_the_limits_hold_whatever_is_asked(
    time: float, read: float, target: float, temperature: float, stops: float, use: int
) -> None:
    known = [run(1, time, read, temperature_c=temperature, use=use)]
    advice = advise(known, plan(target, temperature_c=temperature, use=use, scene_stops=stops))
    # A step of five seconds is never forced on times so short that it would be more.
    assert 0.65 - 1e-9 <= advice.factor <= 1.35 + 1e-9
    assert advice.time_s.value % 5.0 == 0.0
    assert advice.step == pytest.approx(advice.factor)
    expanded = advice.time_s.uncertainty
    # where the right time may lie anywhere, an open interval says so, and no width
    assert expanded is None or 0.0 < expanded <= advice.time_s.value
    assert math.isfinite(advice.expected_range.value)
    for row in advice.table:
        assert row.time_s is None or row.time_s.value <= 1.5 * time + 2.5


def test_no_time_beyond_one_and_a_half_times_the_longest() -> None:
    advice = advise([run(1, 480.0, 1.05)], plan())
    far = next(row for row in advice.table if row.contrast_stops == 2)
    assert far.time_s is None
    assert "1.5 times the longest" in far.note


def test_a_run_without_a_range_only_limits_the_step() -> None:
    advice = advise([run(1, 300.0, None)], plan())
    assert advice.runs == ()
    assert (advice.limit, advice.last_run) == ("step", 1)
    assert advice.time_s.value == 405.0


def test_a_removed_run_counts_for_nothing() -> None:
    gone = run(1, 300.0, 0.4, removed=True)
    assert advise([gone], plan()) == advise([], plan())


def test_the_same_question_has_the_same_answer() -> None:
    known = [run(1, 480.0, 0.9), run(2, 560.0, 1.02)]
    assert advise(known, plan()) == advise(known, plan())


def test_more_negatives_in_a_run_tell_more_but_not_as_much_as_more_runs() -> None:
    def doubt(runs: Sequence[Run]) -> float:
        return advise(runs, plan()).time_s.uncertainty or math.nan

    four = run(1, 480.0, None, density_ranges=(Quantity(1.05, {Influence("reading"): 0.01}),) * 4)
    one = [run(number, 480.0, 1.05) for number in range(1, 5)]
    assert doubt(one) < doubt([four]) < doubt(one[:1])


def test_a_film_test_tells_contrast() -> None:
    law = Kinetics(contrast_limit=0.9, rate_per_s=0.0016, wait_s=15.0)
    tests = [
        ContrastPoint(time_s=time, contrast=Quantity(law.contrast(time), {Influence("reading"): 0.01}))
        for time in (300.0, 480.0, 720.0)
    ]
    advice = advise([], plan(), tests)
    assert advice.tests == 3
    right = law.time_for(1.05 / range_on_film().value)
    assert abs(advice.time_s.value - right) < (advice.time_s.uncertainty or 0.0) / 2.0
    assert (advice.time_s.uncertainty or 0.0) < 0.6 * (advise([], plan()).time_s.uncertainty or 0.0)


def test_a_film_test_lets_the_first_time_be_far_from_common_practice() -> None:
    slow = Kinetics(contrast_limit=0.9, rate_per_s=0.0009, wait_s=15.0)
    tests = [
        ContrastPoint(time_s=time, contrast=Quantity(slow.contrast(time), {Influence("reading"): 0.01}))
        for time in (700.0, 1000.0, 1400.0)
    ]
    advice = advise([], plan(), tests)
    assert (advice.limit, advice.last_run) == (None, None)
    assert advice.time_s.value > 1.5 * 480.0


@pytest.mark.parametrize(("warmth", "use"), [(20.0, 1), (23.0, 1), (19.0, 3)])
def test_the_law_that_is_told_gives_the_time_that_is_advised(warmth: float, use: int) -> None:
    # The law written out in plain numbers, another code than the one that works on the points.
    advice = advise([run(1, 480.0, 0.95), run(2, 560.0, 1.02, use=2)], plan(temperature_c=warmth, use=use))
    told = advice.kinetics.time_for(1.05 / range_on_film().value, warmth, use)
    assert_allclose(told, advice.best_time_s, rtol=1e-9)


def test_evidence_of_nothing() -> None:
    nothing = evidence_of([])
    assert isinstance(nothing, FilmEvidence)
    assert nothing.numbers == ()
    assert posterior_of(nothing).effective_points == pytest.approx(len(posterior_of(nothing).weights))


def test_only_the_last_runs_are_weighed() -> None:
    many = [run(1 + i % 28, 480.0, 1.0 + 0.001 * (i % 7)) for i in range(500)]
    assert len(evidence_of(many).logs) == 60


def test_points_that_count_are_many_even_where_runs_contradict_common_practice() -> None:
    odd = [
        run(1 + i, 650.0 + 5.0 * (i % 7), 1.06, scene_stops=6.0 + i % 4, use=1 + i % 3, temperature_c=18.0 + i % 5)
        for i in range(28)
    ]
    assert posterior_of(evidence_of(odd)).effective_points > 100.0


@pytest.mark.parametrize(
    ("facts", "sentence"),
    [
        ({"target": 0.1}, "not a range to aim at"),
        ({"temperature_c": 2.0}, "not a temperature to develop at"),
        ({"use": 0}, "fresh developer"),
        ({"scene_stops": 30.0}, "not a valid subject range"),
    ],
)
def test_plans_that_cannot_be(facts: dict[str, float], sentence: str) -> None:
    with pytest.raises(WrongUseError, match=sentence):
        plan(**facts)


@pytest.mark.parametrize(
    ("dilution", "share"), [(None, 1.0), ("stock", 1.0), ("1+1", 0.5), ("1:3", 0.25), ("1 + 9", 0.1), ("A 1+1,5", 0.4)]
)
def test_strength_of_a_dilution(dilution: str | None, share: float) -> None:
    assert_allclose(strength(dilution), share)


def test_a_tired_developer_too_little_of_it_and_a_batch_used_up() -> None:
    batch = [
        run(n, 480.0, 1.05, batch="May", use=n, sheets=4, sheet_size_mm=(102.0, 127.0), volume_ml=500.0) for n in (1, 2)
    ]
    load = Load(film_cm2=600.0, volume_ml=250.0, batch="may")
    found = wear(posterior_of(evidence_of([])), batch, load)
    # Twice 4 x 10.2 x 12.7 cm in half a litre.
    assert found.developed_cm2 == pytest.approx(2.0 * 4.0 * 10.2 * 12.7 / 0.5)
    assert (found.last_good_use, found.learned) == (3, False)
    assert [one.code for one in wear_warnings(found, load, use=4)] == [
        "developer-tired",
        "too-little-developer",
        "developer-used-up",
    ]
    assert "at least 300 ml" in wear_warnings(found, load, use=1)[0].message
    enough = Load(film_cm2=600.0, volume_ml=500.0)
    assert wear(posterior_of(evidence_of([])), [], Load(dilution="1+1")).last_good_use == 1
    assert not wear_warnings(wear(posterior_of(evidence_of([])), batch, enough), enough, use=3)


def test_simulated_photographers_reach_the_target_and_intervals_are_honest() -> None:
    # Thirty photographers, nothing fitted to them. Of 400 (docs/method-advice.md) the medians are 0.06 and 0.04,
    # with 94 and 97 % inside; at thirty they scatter by about 0.01, and the shares by 2 %.
    outcomes = photographers.simulate(range(31_001, 31_031), runs=6)
    assert photographers.median_miss(outcomes, "development", 3) <= 0.08
    assert photographers.median_miss(outcomes, "development", 6) <= 0.05
    for run_number in (3, 6):
        by_rule = photographers.median_miss(outcomes, "rule", run_number)
        assert photographers.median_miss(outcomes, "negative", run_number) < by_rule
    assert 0.89 <= photographers.share_inside(outcomes, "range_inside") <= 0.995
    assert photographers.share_inside(outcomes, "time_inside") >= 0.89


def test_the_posterior_against_plain_draws_from_what_is_believed() -> None:
    # An independent way to the same figures: many draws from the beliefs, each weighted by how well it explains three
    # runs of an average metered subject at several times, temperatures and uses, with the law written out once more.
    facts = [(480.0, 20.0, 1, 0.80), (600.0, 22.0, 2, 1.02), (560.0, 20.0, 3, 0.88)]
    runs = [run(n, time, read, temperature_c=t, use=use) for n, (time, t, use, read) in enumerate(facts, start=1)]
    rng = np.random.default_rng(8)
    draws = {
        belief.name: belief.mean + belief.doubt * rng.standard_normal(300_000)
        for belief in BELIEFS
        if belief.name in {"normal time", "bend", "wait", "shape", "warmth", "loss", "change", "scatter"}
    }
    # Something changed before the second or the third run, or nothing did.
    odds = np.array([1.0, CHANCE_OF_CHANGE, CHANCE_OF_CHANGE])
    since = rng.choice(3, 300_000, p=odds / odds.sum())
    normal, bend, wait = (np.exp(draws[name]) for name in ("normal time", "bend", "wait"))

    def range_after(
        time: float, temperature: float, use: int, place: float = math.inf
    ) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        pace = draws["warmth"] * (temperature - 20.0) / 10.0 - np.exp(draws["loss"]) * (use - 1)
        equal = time * np.exp(pace + draws["change"] * (place < since))
        grown = -np.expm1(-bend * (equal / normal - wait) / (1.0 - wait))
        return np.asarray(1.05 * (grown / -np.expm1(-bend)) ** np.exp(draws["shape"]))

    logs = np.zeros(300_000)
    for place, (time, temperature, use, read) in enumerate(facts):
        spread = np.hypot(0.01 / read, np.exp(draws["scatter"]) * run_scatter(AVERAGE_STOPS, metered=True))
        off = (math.log(read) - np.log(range_after(time, temperature, use, place))) / spread
        logs += np.log((0.96 * np.exp(-0.5 * off**2) + 0.04 / 5.0 * np.exp(-0.5 * (off / 5.0) ** 2)) / spread)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    expected = range_after(600.0, 21.0, 1)
    middle = float(weights @ np.log(expected))
    spread_of_it = float(np.sqrt(weights @ (np.log(expected) - middle) ** 2))
    known = posterior_of(evidence_of(runs))
    ours = expected_log(known.points, conditions_of(600.0, 21.0, 1))[:, 0]
    mean = float(known.weights @ ours)
    # A thousand of the draws count, so chance is 3 % of the spread for its middle and 2 % for itself; ours as much.
    assert_allclose(mean, middle, atol=0.12 * spread_of_it)
    assert_allclose(np.sqrt(known.weights @ (ours - mean) ** 2), spread_of_it, rtol=0.12)


def conditions_of(time_s: float, temperature_c: float, use: int) -> Conditions:
    return Conditions(
        time_s=np.array([time_s]),
        temperature_c=np.array([temperature_c]),
        use=np.array([float(use)]),
        stops=np.array([AVERAGE_STOPS]),
        metered=np.array([True]),
        tested=np.array([False]),
        age_days=np.zeros(1),
        place=np.array([math.inf]),
    )
