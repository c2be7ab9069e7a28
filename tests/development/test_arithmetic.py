"""Advice and what is known of a film, by hand: verdicts at their limits, the law twice, Bayes' rule in numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.exposure import (
    ExposureAdvice,
    exposure_advice,
    log_exposure_above_speed_point,
    may_be_bare,
    unexposed_sheet,
)
from densiscan.development.kinetics import ContrastPoint
from densiscan.development.posterior import (
    Conditions,
    Evidence,
    Posterior,
    blunder_chances,
    chance_points,
    equal_time,
    evidence_of,
    expected_log,
    film_range,
    log_contrast,
    log_pace,
    mean_kinetics,
    posterior_of,
    quantiles,
    run_scatter,
    spread_of,
    subject_doubt,
)
from densiscan.development.prior import BELIEFS
from densiscan.development.run import Run
from densiscan.development.verdict import development_advice, range_on_film, veil_of

Floats = npt.NDArray[np.float64]

AVERAGE = 22.0 / 3.0
MEANS = np.array([belief.mean for belief in BELIEFS])
DOUBTS = np.array([belief.doubt for belief in BELIEFS])


def reading(value: float, expanded: float = 0.0) -> Quantity:
    return Quantity(value, {Influence("wedge", "1"): 0.5 * expanded})


# Exposure.


@given(net=st.floats(0.02, 1.5), gradient=st.floats(0.3, 1.0))
def test_the_typical_curve_and_its_inverse(net: float, gradient: float) -> None:
    """d = g s log10(1 + 10^(x / s)) with the toe s = 0.433, counted from the speed point 0.10."""

    def density(x: float) -> float:
        return gradient * 0.433 * math.log10(1.0 + 10.0 ** (x / 0.433))

    low, high = -10.0, 10.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if density(middle) < 0.10 else (low, middle)
    moved = log_exposure_above_speed_point(net, gradient=gradient)
    assert_allclose(density(low + moved), net, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("net", "expanded", "verdict", "judged"),
    [
        (0.09, 0.012, "normal", True),  # within its doubt of the least
        (0.09, 0.008, "under", True),
        (0.46, 0.02, "normal", True),
        (0.46, 0.008, "over", True),
        (0.26, 0.36, "normal", False),  # could be under as well as over
        (0.26, 0.18, "normal", True),
        (0.055, 0.051, "normal", False),  # could be nothing as well as enough
        (0.02, 0.02, "under", True),
    ],
)
def test_verdicts_at_their_limits(net: float, expanded: float, verdict: str, judged: bool) -> None:
    """0.10 (published: ISO 6) to 0.45 (common practice), by what the reading leaves open."""
    found = exposure_advice(net_shadow=reading(net, expanded), shadow=None)
    assert found.verdict == verdict
    assert ("exposure-not-judged" in {warning.code for warning in found.warnings}) is not judged
    assert (found.stops is not None) is judged


def test_stops_are_counted_from_a_stop_above_the_speed_point() -> None:
    """Net 0.10 is the speed point: a stop under what is aimed at."""
    at_speed_point = exposure_advice(net_shadow=reading(0.10, 0.001), shadow=None).stops
    assert at_speed_point is not None
    assert_allclose(at_speed_point.value, -1.0, rtol=0, atol=1e-9)
    for net in (0.2, 0.3, 0.7):
        found = exposure_advice(net_shadow=reading(net, 0.001), shadow=None).stops
        assert found is not None
        assert_allclose(found.value, log_exposure_above_speed_point(net) / 0.30 - 1.0, rtol=1e-12)


def test_the_doubt_of_the_stops() -> None:
    """The reading by the curve's slope, 0.5 stops of subject (k = 1), and the gradient 15 % to either side."""
    found = exposure_advice(net_shadow=reading(0.30, 0.04), shadow=None).stops
    assert found is not None
    budget = found.budget()
    slope = (log_exposure_above_speed_point(0.3001) - log_exposure_above_speed_point(0.2999)) / 0.0002
    assert_allclose(budget["wedge"], 0.02 * slope / 0.30, rtol=0.05)  # over a quarter of the density, not at a point
    assert budget["subject"] == pytest.approx(0.5)
    by_gradient = [log_exposure_above_speed_point(0.30, gradient=0.58 * (1.0 + sign * 0.15)) for sign in (1.0, -1.0)]
    assert_allclose(budget["film curve"], abs(by_gradient[0] - by_gradient[1]) / 2.0 / 0.30, rtol=1e-9)


def test_a_shadow_that_may_be_none_is_only_a_limit() -> None:
    found = exposure_advice(net_shadow=reading(0.01, 0.02), shadow=None)
    assert (found.verdict, found.at_least) == ("under", True)
    assert found.stops is not None
    assert found.stops.uncertainty is None
    assert_allclose(found.stops.value, log_exposure_above_speed_point(0.03) / 0.30 - 1.0, rtol=1e-9)
    assert "underexposed by at least" in found.reason
    none = exposure_advice(net_shadow=reading(0.0), shadow=None)
    assert none.stops is not None
    assert_allclose(none.stops.value, log_exposure_above_speed_point(0.01) / 0.30 - 1.0, rtol=1e-9)
    seen = exposure_advice(net_shadow=reading(0.05, 0.02), shadow=None)
    assert (seen.verdict, seen.at_least) == ("under", False)
    assert "underexposed by about" in seen.reason


@pytest.mark.parametrize(
    ("shadow", "expanded", "verdict", "judged"),
    [
        (0.14, 0.005, "under", True),
        (0.14, 0.02, "normal", False),
        (1.06, 0.005, "over", True),
        (0.6, 0.0, "normal", False),
    ],
)
def test_without_base_plus_fog_only_the_plain_cases_are_judged(
    shadow: float, expanded: float, verdict: str, judged: bool
) -> None:
    """Less than 0.05 + 0.10 is too little on any film, more than 0.60 + 0.45 too much on any."""
    found = exposure_advice(net_shadow=None, shadow=reading(shadow, expanded))
    assert (found.verdict, found.stops) == (verdict, None)
    assert bool(found.warnings) is not judged


def test_what_may_be_bare_glass_is_not_judged() -> None:
    assert may_be_bare(None)
    assert may_be_bare(reading(0.16, 0.02))
    assert not may_be_bare(reading(0.17, 0.01))
    unframed = exposure_advice(net_shadow=reading(0.02), shadow=reading(0.14), framed=False)
    assert (unframed.verdict, [warning.code for warning in unframed.warnings]) == ("normal", ["exposure-not-judged"])
    assert exposure_advice(net_shadow=reading(0.02), shadow=reading(0.4), framed=False).verdict == "under"
    assert "unexposed" in unexposed_sheet().reason
    assert exposure_advice(net_shadow=None, shadow=None).reason.startswith("No shadow could be read")


@pytest.mark.parametrize(
    ("stops", "words"),
    [
        (-1.04, "underexposed by about 1.0 stop."),
        (-1.2, "underexposed by about 1.2 stops."),
        (2.0, "overexposed by about 2.0 stops."),
    ],
)
def test_stops_in_words(stops: float, words: str) -> None:
    low, high = 0.01, 3.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if log_exposure_above_speed_point(middle) > 0.30 * (stops + 1.0) else (middle, high)
    assert words in exposure_advice(net_shadow=reading(low), shadow=None).reason


# The subject on the film.


@pytest.mark.parametrize("loss", [0.2, 0.35, 0.5])
def test_a_veil_shortens_the_average_subject_by_what_it_was_made_for(loss: float) -> None:
    """Both ends of a subject of 2.20 log units get the same light on top."""
    veil = veil_of(loss)
    seen = math.log10((1.0 + veil) / (10.0**-2.2 + veil))
    assert_allclose(2.2 - seen, loss, rtol=1e-12)


def test_the_doubt_of_the_range_on_film() -> None:
    average = range_on_film().budget()
    assert_allclose(average["camera flare"], 0.05, rtol=1e-6)  # 0.35 within 0.05, common practice
    assert_allclose((average["subject"], average["shadow choice"]), (0.30, 0.10), rtol=1e-12)
    metered = range_on_film(7.0).budget()
    step = (range_on_film(7.0 + 1 / 6).value - range_on_film(7.0 - 1 / 6).value) / 0.10
    assert_allclose(metered["subject"], 0.10 * step, rtol=1e-6)  # a third of a stop, less what the veil takes
    assert metered["shadow choice"] == pytest.approx(0.10)


@pytest.mark.parametrize("stops", [1.0, 20.0])
def test_the_ends_of_subjects_are_taken(stops: float) -> None:
    assert 0.0 < range_on_film(stops).value < 0.30 * stops


# Development.


def advised(density_range: float, *, scene_stops: float | None = AVERAGE, expanded: float = 0.0, **more: Any) -> Any:
    return development_advice(
        density_range=reading(density_range, expanded), target_range=Quantity(1.05), scene_stops=scene_stops, **more
    )


def test_contrast_is_the_range_over_that_of_the_subject() -> None:
    found = advised(0.9)
    assert_allclose(found.contrast.value, 0.9 / 1.85, rtol=1e-9)  # 2.20 less 0.35 of flare
    assert_allclose(found.target_contrast, 1.05 / 1.85, rtol=1e-9)
    doubts = range_on_film(AVERAGE)
    relative = math.hypot(0.02 / 0.9, (doubts.standard_uncertainty or 0.0) / 1.85)
    assert found.contrast.parts[Influence("subject")] < 0.0  # a longer subject would mean less contrast
    assert_allclose(advised(0.9, expanded=0.04).contrast.standard_uncertainty, 0.9 / 1.85 * relative, rtol=1e-9)


@pytest.mark.parametrize(("density_range", "verdict"), [(0.80, "more"), (1.40, "less"), (1.05, "keep")])
def test_time_goes_as_contrast_to_the_power_of_1_8(density_range: float, verdict: str) -> None:
    """Common practice, not more than 35 % in a step."""
    found = advised(density_range)
    assert found.verdict == verdict
    wanted = (1.05 / density_range) ** 1.8
    held = min(max(wanted, 0.65), 1.35)
    assert_allclose(found.time_factor.value, held, rtol=1e-9)
    words = {"more": "Try 35 % longer. That is the most to change in one step.", "less": "Try 35 % shorter."}
    assert words.get(verdict, "keep the same time") in found.reason


def test_half_of_the_difference_is_taken_where_nobody_metered() -> None:
    found = advised(2.2, scene_stops=None)
    assert found.verdict == "less"
    assert_allclose(found.time_factor.value, 1.0 - 0.5 * 0.35, rtol=1e-12)
    assert "half the full correction" in found.reason
    assert "the most to change in one step" in found.reason
    assert "at 5 minutes or more" in found.reason
    # By its own doubt a range that is a quarter off may be all the subject's.
    kept = advised(0.85, scene_stops=None)
    assert (kept.verdict, kept.time_factor.value) == ("keep", 1.0)
    assert "The subject alone may explain the difference" in kept.reason


def test_a_small_change_is_not_made() -> None:
    """A tenth of the time or less: contrast off by 1.1^(1 / 1.8), 5.4 %."""
    found = advised(1.05 / 1.05)
    assert (found.verdict, found.time_factor.value, found.warnings) == ("keep", 1.0, ())
    assert found.reason.endswith(": keep the same time.")


def test_the_doubt_of_the_factor() -> None:
    """u(f) / f: 1.8 u(contrast) / contrast, 1.8 u(target) / target, and ln(target / contrast) times 0.25."""
    target = Quantity(1.05, {Influence("paper"): 0.03})
    found = development_advice(density_range=reading(0.80, 0.02), target_range=target, scene_stops=AVERAGE)
    assert found.time_factor is not None
    assert found.contrast is not None
    factor, budget = found.time_factor.value, found.time_factor.budget()
    assert_allclose(budget["wedge"], factor * 1.8 * 0.01 / 0.80, rtol=1e-9)
    assert_allclose(budget["target"], factor * 1.8 * 0.03 / 1.05, rtol=1e-9)
    assert_allclose(budget["time for contrast"], factor * math.log(1.05 / 0.80) * 0.25, rtol=1e-6)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"exposure": ExposureAdvice(verdict="under", stops=None, reason="")}, "put the exposure right first"),
        ({"range_is_limit": True}, "the true range is longer"),
    ],
)
def test_what_shortens_the_range_is_no_reason_to_develop_longer(more: dict[str, Any], said: str) -> None:
    found = advised(0.80, **more)
    assert (found.verdict, found.time_factor) == ("keep", None)
    assert_allclose(found.contrast.value, 0.80 / 1.85, rtol=1e-9)
    assert said in found.reason
    assert [warning.code for warning in found.warnings] == ["development-not-judged"]
    assert advised(1.40, **more).verdict == "less"


@pytest.mark.parametrize("value", [0.0, -0.01])
def test_no_range_at_all_is_not_judged(value: float) -> None:
    found = advised(value)
    assert (found.verdict, found.time_factor) == ("keep", None)
    unread = development_advice(density_range=None, target_range=Quantity(1.05))
    assert (unread.contrast, unread.time_factor) == (None, None)


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
    limit = 1.05 / 1.85 / -np.expm1(-np.exp(points[:, 1]))
    assert_allclose(reached, contrast < limit)


def test_the_average_subject_leaves_the_same_whatever_the_flare() -> None:
    points = drawn(5)
    metered = film_range(points, np.array([AVERAGE]), np.array([True]))
    assert_allclose(metered, 1.85, rtol=1e-9)
    unmetered = film_range(points, np.array([AVERAGE]), np.array([False]))
    assert_allclose(unmetered[:, 0], 1.85 + points[:, 7], rtol=1e-9)
    flat, contrasty = (film_range(points, np.array([stops]), np.array([True])) for stops in (4.0, 10.0))
    assert np.all(flat < 1.85)
    assert np.all(contrasty > 1.85)


def test_flare_by_hand() -> None:
    """A quarter of a fixed loss of 0.35 and three quarters of an even veil, scaled so that the average comes out."""
    point = MEANS.copy()

    def left(stops: float) -> float:
        subject, veil = 0.30 * stops, veil_of(0.35)
        veiled = math.log10((1.0 + veil) / (10.0**-subject + veil))
        return 0.75 * veiled + 0.25 * (subject - 0.35)

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


def some_evidence() -> Evidence:
    runs = [
        a_run(1, 0.90),
        a_run(2, 1.20, time_s=660.0),
        a_run(3, 1.00, temperature_c=23.0, use=2, scene_stops=6.0),
        a_run(4, 0.85, scene_stops=None, time_s=420.0),
    ]
    return evidence_of(runs, [ContrastPoint(time_s=300.0, contrast=Quantity(0.42, {Influence("t"): 0.01}))])


def test_what_is_known_is_bayes_rule_in_numbers() -> None:
    """Reference: 400,000 points drawn from what is believed, weighed by the likelihood written out with scipy."""
    evidence = some_evidence()
    rng = np.random.default_rng(12)
    points = MEANS + DOUBTS * rng.standard_normal((400_000, MEANS.size))
    expected = expected_log(points, evidence.conditions)
    spread = np.hypot(evidence.reading, np.exp(points[:, 9:10]) * evidence.scatter)
    sound = 0.96 * stats.norm.pdf(evidence.logs, expected, spread)
    blunder = 0.04 * stats.norm.pdf(evidence.logs, expected, 5.0 * spread)
    weights = np.prod(sound + blunder, axis=1)
    worth = weights.sum() ** 2 / np.sum(weights**2)
    weights /= weights.sum()
    mean = weights @ points
    sd = np.sqrt(weights @ (points - mean) ** 2)
    ours = posterior_of(evidence)
    our_sd = np.sqrt(ours.weights @ (ours.points - ours.mean) ** 2)
    # Means of `worth` and of some 500 effective points scatter by sd / sqrt(n): four of them together.
    allowed = 4.0 * math.hypot(1.0 / math.sqrt(worth), 1.0 / math.sqrt(ours.effective_points))
    assert worth > 500.0
    assert_allclose((ours.mean - mean) / sd, 0.0, rtol=0, atol=allowed)
    assert_allclose(our_sd / sd, 1.0, rtol=0, atol=allowed)
    either = sound + blunder
    chances = weights @ np.divide(blunder, either, out=np.zeros_like(either), where=either > 0.0)
    assert_allclose(blunder_chances(ours), chances, rtol=0, atol=0.02)


def test_with_nothing_measured_the_beliefs_stand() -> None:
    known = posterior_of(evidence_of(()))
    assert_allclose(known.mean, MEANS, rtol=1e-12)
    assert_allclose(known.weights @ known.points, MEANS, rtol=0, atol=1e-9)  # points and their mirrors
    sd = np.sqrt(known.weights @ (known.points - known.mean) ** 2)
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
    points, chance = posterior_of(evidence_of(())).points, chance_points()
    assert_allclose([chance.mean(), chance.std()], [0.0, 1.0], rtol=0, atol=0.02)
    for column in ((points - MEANS) / DOUBTS).T:
        assert abs(float(np.mean(column * chance))) < 0.12  # four times 1 / sqrt(1200)


def test_tests_are_weighed_by_contrast_and_pictures_by_range() -> None:
    arrays: dict[str, Any] = {
        "time_s": np.array([480.0, 480.0]),
        "temperature_c": np.array([20.0, 20.0]),
        "use": np.ones(2),
        "stops": np.array([AVERAGE, AVERAGE]),
        "metered": np.array([True, True]),
        "tested": np.array([False, True]),
    }
    point = MEANS.copy()
    point[8] = 0.05
    found = np.exp(expected_log(point[None], Conditions(**arrays)))[0]
    assert_allclose(found, [1.05, 1.05 / 1.85 * math.exp(0.05)], rtol=1e-9)


@pytest.mark.parametrize(
    ("net", "expanded", "verdict", "border", "words"),
    [
        (0.09, 0.02, "normal", True, "Just on the border of underexposure: the shadow is 0.09 ± 0.02"),
        (0.098, 0.001, "under", False, "The shadow is 0.098 above base plus fog"),
        (0.125, 0.02, "normal", False, "The shadow is 0.12 above base plus fog; 0.10 to 0.45 is usual."),
        (0.44, 0.02, "normal", True, "Just on the border of overexposure: the shadow is 0.44 ± 0.02"),
        (0.453, 0.001, "over", False, "The shadow is 0.453 above base plus fog"),
    ],
)
def test_verdict_and_sentence_of_an_exposure_are_one(
    net: float, expanded: float, verdict: str, border: bool, words: str
) -> None:
    """A shadow below 0.10 is never called usual, nor one that reads 0.10 called too little."""
    found = exposure_advice(net_shadow=Quantity(net, {Influence("x"): expanded / 2}), shadow=None)
    assert (found.verdict, found.borderline, found.warnings) == (verdict, border, ())
    assert found.reason.startswith(words)


def test_readings_of_one_frame_that_scatter_get_one_verdict() -> None:
    """The threshold of a change, and readings of a range that lies on it and scatter as scans of one film do."""
    low, high = 0.6, 1.05
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if advised(middle, scene_stops=None).verdict == "more" else (low, middle)
    rng = np.random.default_rng(71)
    for value in rng.normal(low, 0.001, 40).tolist():
        found = advised(value, expanded=0.03, scene_stops=None)
        assert (found.verdict, found.borderline, found.time_factor.value) == ("keep", True, 1.0)
        assert "Just on the border of developing longer: keep the same time" in found.reason
    clear = advised(low - 0.08, expanded=0.03, scene_stops=None)
    assert (clear.verdict, clear.borderline) == ("more", False)
    assert not advised(1.05, expanded=0.03, scene_stops=None).borderline
