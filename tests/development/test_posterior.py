"""What is known of a film in a developer: the law twice, flare, and Bayes' rule in numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.evidence import FilmEvidence, evidence_of
from densiscan.development.expected import (
    Conditions,
    equal_time,
    expected_log,
    film_range,
    log_contrast,
    log_pace,
    run_scatter,
    subject_doubt,
)
from densiscan.development.kinetics import ContrastPoint
from densiscan.development.likelihood import spread_of
from densiscan.development.posterior import (
    Posterior,
    blunder_chances,
    chance_points,
    mean_kinetics,
    posterior_of,
    quantiles,
)
from densiscan.development.prior import BELIEFS, CHANCE_OF_CHANGE, PARAMETERS
from densiscan.development.run import Run
from densiscan.development.verdict import veil_of

Floats = npt.NDArray[np.float64]

AVERAGE = 22.0 / 3.0

MEANS = np.array([belief.mean for belief in BELIEFS])

DOUBTS = np.array([belief.doubt for belief in BELIEFS])
# What is known of a film, as weighted points.


def drawn(seed: int, size: int = 40) -> Floats:
    return np.asarray(MEANS + 0.7 * DOUBTS * np.random.default_rng(seed).standard_normal((size, MEANS.size)))


def one(point: Floats) -> Posterior:
    return Posterior(evidence=evidence_of(()), points=point[None], weights=np.ones(1), mean=point)


def test_the_law_is_the_same_in_both_forms() -> None:
    """By a point's parameters, and as the kinetics that a person is shown (Sheppard and Mees)."""
    for point in drawn(1):
        law = mean_kinetics(one(point))
        for time, warmth, use in ((200.0, 20.0, 1), (480.0, 24.0, 3), (900.0, 17.0, 2)):
            equal = time * np.exp(log_pace(point[None], np.array([warmth]), np.array([float(use)])))
            ours = math.exp(float(log_contrast(point[None], equal)[0, 0]))
            assert_allclose(ours, law.contrast(time, warmth, use), rtol=1e-9)


def test_at_the_normal_time_the_contrast_is_normal() -> None:
    points = drawn(2)
    normal = np.exp(points[:, 0])
    found = np.exp(log_contrast(points, normal[:, None]))[:, 0]
    assert_allclose(found, 1.05 / 1.85, rtol=1e-9)  # an average subject then fills grade 2


def test_time_and_contrast_undo_each_other() -> None:
    points = drawn(3)
    contrast = np.random.default_rng(4).uniform(0.3, 0.75, len(points))
    equal = equal_time(points, contrast)
    reached = np.isfinite(equal)
    assert reached.sum() > 20
    back = np.exp(log_contrast(points[reached], equal[reached, None]))[:, 0]
    assert_allclose(back, contrast[reached], rtol=1e-9)
    shape = np.exp(points[:, PARAMETERS.index("shape")])
    limit = 1.05 / 1.85 * (-np.expm1(-np.exp(points[:, 1]))) ** -shape
    assert_allclose(reached, contrast < limit)


def test_the_average_subject_leaves_the_same_whatever_the_flare() -> None:
    points = drawn(5)
    metered = film_range(points, np.array([AVERAGE]), np.array([True]))
    assert_allclose(metered, 1.85, rtol=1e-9)
    unmetered = film_range(points, np.array([AVERAGE]), np.array([False]))
    assert_allclose(unmetered[:, 0], 1.85 + points[:, PARAMETERS.index("subjects")], rtol=1e-9)
    flat, contrasty = (film_range(points, np.array([stops]), np.array([True])) for stops in (4.0, 10.0))
    assert np.all(flat < 1.85)
    assert np.all(contrasty > 1.85)


def test_flare_by_hand() -> None:
    """Six tenths of a fixed loss of 0.35 and four of an even veil, scaled so that the average comes out."""
    point = MEANS.copy()

    def left(stops: float) -> float:
        subject, veil = 0.30 * stops, veil_of(0.35)
        veiled = math.log10((1.0 + veil) / (10.0**-subject + veil))
        return 0.4 * veiled + 0.6 * (subject - 0.35)

    for stops in (3.0, 6.0, 11.0):
        found = film_range(point[None], np.array([stops]), np.array([True]))[0, 0]
        assert_allclose(found, 1.85 * left(stops) / left(AVERAGE), rtol=1e-9)


def test_how_much_runs_scatter() -> None:
    """0.035 from run to run; 0.25 and 0.07 of 1.85 where nobody metered; half of the subject's variance is shared."""
    subject = math.hypot(0.25, 0.07) / 1.85
    assert_allclose(subject_doubt(AVERAGE, metered=False), subject, rtol=1e-9)
    assert_allclose(run_scatter(AVERAGE, metered=False), math.hypot(0.035, subject), rtol=1e-9)
    four = math.hypot(0.035, subject * math.sqrt(0.5 + 0.5 / 4.0))
    assert_allclose(run_scatter(AVERAGE, metered=False, negatives=4), four, rtol=1e-9)
    slope = 0.1 / 0.30  # of a stop, in the same unit as the 0.10 that a metered subject is doubted by
    more = film_range(MEANS[None], np.array([AVERAGE + slope]), np.array([True]))[0, 0] - 1.85
    assert_allclose(subject_doubt(AVERAGE, metered=True), math.hypot(more, 0.07) / 1.85, rtol=0.02)


def a_run(number: int, *ranges: float | None, **facts: Any) -> Run:
    read = tuple(Quantity(value, {Influence("r"): 0.01}) for value in ranges if value is not None)
    usual: dict[str, Any] = {"time_s": 480.0, "temperature_c": 20.0, "date": "2026-01-01", "scene_stops": AVERAGE}
    return Run(number=number, film="A", developer="B", density_ranges=read, **{**usual, **facts})


def test_what_runs_and_tests_say() -> None:
    unsure = replace(a_run(4, 1.0), density_ranges=(Quantity(1.0, None),), scene_stops=None)
    runs = [
        a_run(1, 0.9, 1.3, 1.0),
        a_run(2),
        a_run(3, 1.0, removed=True),
        unsure,
        a_run(5, 0.04),
        a_run(6, 1.2, time_s=600.0, temperature_c=24.0, use=3, scene_stops=5.0),
    ]
    tests = [
        ContrastPoint(time_s=300.0, contrast=Quantity(0.5, {Influence("t"): 0.01})),
        ContrastPoint(time_s=400.0, temperature_c=22.0, use=2, contrast=Quantity(0.6, None)),
        ContrastPoint(time_s=400.0, contrast=Quantity(0.05)),
    ]
    found = evidence_of(runs, tests)
    assert found.numbers == (1, 4, 6, 0, 0)
    assert_allclose(np.exp(found.logs), [1.0, 1.0, 1.2, 0.5, 0.6], rtol=1e-12)  # of three negatives the median
    assert_allclose(found.reading, [0.01, 0.02, 0.01 / 1.2, 0.02, 0.02], rtol=1e-12)
    at = found.conditions
    assert_allclose(at.time_s, [480.0, 480.0, 600.0, 300.0, 400.0])
    assert_allclose(at.temperature_c, [20.0, 20.0, 24.0, 20.0, 22.0])
    assert_allclose(at.use, [1.0, 1.0, 3.0, 1.0, 2.0])
    assert_allclose(at.stops, [AVERAGE, AVERAGE, 5.0, AVERAGE, AVERAGE])
    assert at.metered.tolist() == [True, False, True, True, True]
    assert at.tested.tolist() == [False, False, False, True, True]
    wanted = [
        run_scatter(AVERAGE, metered=True, negatives=3),
        run_scatter(AVERAGE, metered=False),
        run_scatter(5.0, metered=True),
        0.035,
        0.035,
    ]
    assert_allclose(found.scatter, wanted, rtol=1e-12)
    assert evidence_of([a_run(number, 1.0) for number in range(1, 80)]).numbers == tuple(range(20, 80))


def test_a_reading_is_never_surer_than_a_quarter_of_the_usual() -> None:
    exact = replace(a_run(1, 1.0), density_ranges=(Quantity(1.0),))
    assert_allclose(evidence_of([exact]).reading, [0.005], rtol=1e-12)


def some_evidence() -> FilmEvidence:
    runs = [
        a_run(1, 0.90),
        a_run(2, 1.20, time_s=660.0),
        a_run(3, 1.00, temperature_c=23.0, use=2, scene_stops=6.0),
        a_run(4, 0.85, scene_stops=None, time_s=420.0),
    ]
    return evidence_of(runs, [ContrastPoint(time_s=300.0, contrast=Quantity(0.42, {Influence("t"): 0.01}))])


def test_what_is_known_is_bayes_rule_in_numbers() -> None:
    """Reference: 400,000 points drawn from what is believed, weighed by the likelihood written out with scipy.

    What changed is believed alike before each run but the first: odds of 8 to 100, nothing being 100.
    """
    evidence = some_evidence()
    rng = np.random.default_rng(12)
    points = MEANS + DOUBTS * rng.standard_normal((400_000, MEANS.size))
    runs = int(np.sum(np.isfinite(evidence.conditions.place)))
    odds = np.array([1.0, *[CHANCE_OF_CHANGE] * (runs - 1)])
    since = rng.choice(runs, 400_000, p=odds / odds.sum())
    points = np.column_stack([points, since])
    expected = expected_log(points, evidence.conditions)
    spread = np.hypot(evidence.reading, np.exp(points[:, [PARAMETERS.index("scatter")]]) * evidence.scatter)
    sound = 0.96 * stats.norm.pdf(evidence.logs, expected, spread)
    blunder = 0.04 * stats.norm.pdf(evidence.logs, expected, 5.0 * spread)
    weights = np.prod(sound + blunder, axis=1)
    worth = weights.sum() ** 2 / np.sum(weights**2)
    weights /= weights.sum()
    points = points[:, :-1]
    mean = weights @ points
    sd = np.sqrt(weights @ (points - mean) ** 2)
    ours = posterior_of(evidence)
    our_mean = ours.weights @ ours.points[:, :-1]
    our_sd = np.sqrt(ours.weights @ (ours.points[:, :-1] - our_mean) ** 2)
    # Means of `worth` and of some 500 effective points scatter by sd / sqrt(n): four of them together.
    allowed = 4.0 * math.hypot(1.0 / math.sqrt(worth), 1.0 / math.sqrt(ours.effective_points))
    assert worth > 500.0
    assert_allclose((our_mean - mean) / sd, 0.0, rtol=0, atol=allowed)
    assert_allclose(our_sd / sd, 1.0, rtol=0, atol=allowed)
    either = sound + blunder
    chances = weights @ np.divide(blunder, either, out=np.zeros_like(either), where=either > 0.0)
    assert_allclose(blunder_chances(ours), chances, rtol=0, atol=0.02)


def test_with_nothing_measured_the_beliefs_stand() -> None:
    known = posterior_of(evidence_of(()))
    assert_allclose(known.mean[:-1], MEANS, rtol=1e-12)
    points = known.points[:, :-1]
    assert_allclose(known.weights @ points, MEANS, rtol=0, atol=1e-9)  # points and their mirrors
    sd = np.sqrt(known.weights @ (points - MEANS) ** 2)
    assert_allclose(sd, DOUBTS, rtol=0.02)
    assert_allclose(known.weights.sum(), 1.0, rtol=1e-12)
    assert known.effective_points == pytest.approx(len(known.points))
    assert blunder_chances(known).size == 0


def test_the_chance_of_a_blunder_by_hand() -> None:
    """At one point Bayes' rule: 4 % that scatter five times as much against 96 % that do not."""
    evidence = evidence_of([a_run(1, 1.05), a_run(2, 1.05 * math.exp(0.3))])
    known = replace(one(MEANS), evidence=evidence)
    spread = spread_of(MEANS[None], evidence)[0]
    assert_allclose(spread, np.hypot(evidence.reading, evidence.scatter), rtol=1e-12)  # the usual scatter
    off = (evidence.logs - expected_log(MEANS[None], evidence.conditions)[0]) / spread
    sound, blunder = 0.96 * stats.norm.pdf(off), 0.04 * stats.norm.pdf(off, scale=5.0)
    assert_allclose(blunder_chances(known), blunder / (sound + blunder), rtol=1e-9)
    assert_allclose(off[0], 0.0, atol=1e-9)


def test_effective_points() -> None:
    point = np.zeros((4, MEANS.size))
    for weights, worth in (([0.25] * 4, 4.0), ([1.0, 0.0, 0.0, 0.0], 1.0), ([0.5, 0.5, 0.0, 0.0], 2.0)):
        known = Posterior(evidence=evidence_of(()), points=point, weights=np.array(weights), mean=point[0])
        assert known.effective_points == pytest.approx(worth)


def test_quantiles_of_weighted_values() -> None:
    values, weights = np.array([3.0, 1.0, 2.0, 4.0]), np.full(4, 0.25)
    # Each value stands for its share about its middle: 1/8, 3/8, 5/8, 7/8.
    assert quantiles(values, weights, (0.1, 0.13, 0.4, 0.7, 0.99)) == (1.0, 2.0, 3.0, 4.0, 4.0)
    assert quantiles(values, np.array([0.9, 0.0, 0.1, 0.0]), (0.5,)) == (3.0,)
    many = np.random.default_rng(3).standard_normal(20_000)
    found = quantiles(many, np.full(many.size, 1.0 / many.size), (0.025, 0.5, 0.975))
    assert_allclose(found, np.quantile(many, (0.025, 0.5, 0.975)), rtol=0, atol=0.005)


def test_chance_has_nothing_to_do_with_the_parameters() -> None:
    known = posterior_of(evidence_of(()))
    chances = [chance_points(known, which) for which in (0, 1, 2)]
    for chance in chances:
        assert_allclose([chance.mean(), chance.std()], [0.0, 1.0], rtol=0, atol=0.02)
        for column in ((known.points[:, :-1] - MEANS) / DOUBTS).T:
            assert abs(float(np.mean(column * chance))) < 0.12  # a tenth is what the columns are chosen by
    assert abs(float(np.mean(chances[0] * chances[1]))) < 0.12


def test_tests_are_weighed_by_contrast_and_pictures_by_range() -> None:
    arrays: dict[str, Any] = {
        "time_s": np.array([480.0, 480.0]),
        "temperature_c": np.array([20.0, 20.0]),
        "use": np.ones(2),
        "stops": np.array([AVERAGE, AVERAGE]),
        "metered": np.array([True, True]),
        "tested": np.array([False, True]),
        "age_days": np.zeros(2),
        "place": np.array([0.0, math.inf]),
    }
    point = MEANS.copy()
    point[PARAMETERS.index("test")] = 0.05
    found = np.exp(expected_log(point[None], Conditions(**arrays)))[0]
    assert_allclose(found, [1.05, 1.05 / 1.85 * math.exp(0.05)], rtol=1e-9)
