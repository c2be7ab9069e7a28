"""First advice on exposure and development: against published aims, zone densities and common practice."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.exposure import (
    LOG_EXPOSURE_PER_STOP,
    SPEED_POINT,
    TOE_LENGTH,
    TYPICAL_GRADIENT,
    ExposureAdvice,
    exposure_advice,
    log_exposure_above_speed_point,
    may_be_bare,
    unexposed_sheet,
)
from densiscan.development.verdict import (
    AVERAGE_SUBJECT_STOPS,
    LARGEST_STEP,
    TIME_POWER,
    TIME_POWER_DOUBT,
    UNKNOWN_SUBJECT_SHARE,
    DevelopmentAdvice,
    development_advice,
    range_on_film,
    veil_of,
)
from densiscan.errors import WrongUseError
from densiscan.paper.grade import density_range_for

AVERAGE = 22.0 / 3.0


def reading(value: float, expanded: float = 0.02) -> Quantity:
    return Quantity(value, {Influence("wedge", "1"): 0.5 * expanded})


def advice(density_range: float, scene_stops: float | None = None) -> DevelopmentAdvice:
    return development_advice(
        density_range=reading(density_range, 0.03),
        target_range=density_range_for(None, "contact"),
        scene_stops=scene_stops,
    )


def net_density_of_zone(zone: int) -> float:
    """Net density that the typical curve gives a zone, zone I being the speed point."""
    reach = TYPICAL_GRADIENT * TOE_LENGTH
    low, high = 1e-6, 3.0
    wanted = LOG_EXPOSURE_PER_STOP * (zone - 1)
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if log_exposure_above_speed_point(middle) > wanted else (middle, high)
    assert reach > 0.0
    return low


@pytest.mark.parametrize(
    ("zone", "lightest", "densest"),
    [(1, 0.09, 0.11), (5, 0.65, 0.75), (8, 1.25, 1.35)],
)
def test_typical_curve_runs_through_the_zone_densities_for_diffuse_light(
    zone: int, lightest: float, densest: float
) -> None:
    # Zone densities above base plus fog for a diffusion enlarger: from memory, Adams, The Negative (1981).
    assert lightest - 0.005 <= net_density_of_zone(zone) <= densest + 0.005


def test_target_contrast_for_the_usual_paper_is_the_usual_aim() -> None:
    # Usual aim for pictorial work, contrast index 0.56 to 0.60: NAVEDTRA 14208, Photography (Advanced).
    assert 0.56 <= advice(1.05).target_contrast <= 0.60


def test_one_stop_of_contrast_costs_what_common_practice_says() -> None:
    # Common practice, no source: N+1 takes 1.25 to 1.45 times the time, N-1 0.7 to 0.8 times. One stop more contrast
    # gives a subject a stop shorter than average the average density range.
    average = range_on_film().value
    more = (average / (average - LOG_EXPOSURE_PER_STOP)) ** TIME_POWER
    less = (average / (average + LOG_EXPOSURE_PER_STOP)) ** TIME_POWER
    assert 1.25 <= more <= 1.45
    assert 0.7 <= less <= 0.8
    # The stated doubt (k = 2) of the power reaches both ends of the practice.
    for limit, stops in ((1.25, -1), (1.45, -1), (0.7, 1), (0.8, 1)):
        power = math.log(limit) / math.log(average / (average + stops * LOG_EXPOSURE_PER_STOP))
        assert_allclose(power, TIME_POWER, atol=2.5 * TIME_POWER_DOUBT)


def test_average_subject_leaves_what_memory_says_on_the_film() -> None:
    # 160:1 or 2.2 log units (from memory: Jones and Condit 1941), less 0.3 to 0.4 of flare (common practice).
    assert_allclose(LOG_EXPOSURE_PER_STOP * AVERAGE_SUBJECT_STOPS, 2.2, atol=1e-12)
    assert_allclose(LOG_EXPOSURE_PER_STOP * AVERAGE_SUBJECT_STOPS, math.log10(160.0), atol=0.005)
    assert_allclose(range_on_film().value, 2.2 - 0.35, atol=1e-9)


def test_flare_costs_a_contrasty_subject_more_than_a_flat_one() -> None:
    lost = [LOG_EXPOSURE_PER_STOP * stops - range_on_film(stops).value for stops in (3.0, 5.0, 7.0, 9.0, 11.0)]
    assert lost == sorted(lost)
    assert 0.0 < lost[0] < 0.05


@pytest.mark.parametrize("stops", [0.0, -3.0, 0.5, 21.0, math.nan, math.inf])
def test_scene_that_is_none_is_refused(stops: float) -> None:
    with pytest.raises(WrongUseError, match="scene_stops"):
        range_on_film(stops)


@pytest.mark.parametrize(
    ("net", "verdict"),
    [
        (0.0, "under"),
        (0.05, "under"),
        (0.10, "normal"),
        (0.20, "normal"),
        (0.42, "normal"),
        (0.50, "over"),
        (1.2, "over"),
    ],
)
def test_exposure_verdict_follows_the_shadow(net: float, verdict: str) -> None:
    assert exposure_advice(net_shadow=reading(net), shadow=None).verdict == verdict


def test_stops_follow_the_zones_of_the_typical_curve() -> None:
    # A shadow on zone II is a normal exposure; each zone is a stop.
    for zone in (1, 2, 3, 4, 6):
        stops = exposure_advice(net_shadow=reading(net_density_of_zone(zone)), shadow=None).stops
        assert stops is not None
        assert_allclose(stops.value, zone - 2.0, atol=1e-6)  # the same curve inverted by bisection
        assert stops.uncertainty is not None
        assert 1.0 <= stops.uncertainty < 2.5  # at least the doubt of where the shadow belongs


def test_empty_shadow_is_only_a_limit() -> None:
    found = exposure_advice(net_shadow=reading(0.005), shadow=None)
    assert found.at_least
    assert found.verdict == "under"
    assert found.stops is not None
    assert found.stops.uncertainty is None
    assert found.stops.value < -1.0
    assert "at least" in found.reason


@given(net=st.floats(-0.05, 2.5), expanded=st.floats(0.002, 0.3))
def test_exposure_is_judged_or_says_that_it_is_not(net: float, expanded: float) -> None:
    found = exposure_advice(net_shadow=reading(net, expanded), shadow=None)
    assert found.reason.endswith(".")
    if found.stops is None:
        assert [warning.code for warning in found.warnings] == ["exposure-not-judged"]
    elif found.verdict == "under":
        assert found.stops.value < 0.0
        assert net < SPEED_POINT
    elif found.verdict == "over":
        assert found.stops.value > 0.0


@pytest.mark.parametrize(
    ("gross", "verdict", "warned"), [(0.10, "under", False), (0.30, "normal", True), (1.20, "over", False)]
)
def test_without_base_plus_fog_only_what_the_gross_shadow_settles_is_said(
    gross: float, verdict: str, warned: bool
) -> None:
    found = exposure_advice(net_shadow=None, shadow=reading(gross))
    assert (found.verdict, found.stops) == (verdict, None)
    assert [warning.code for warning in found.warnings] == (["exposure-not-judged"] if warned else [])


def test_no_shadow_at_all_is_not_judged() -> None:
    found = exposure_advice(net_shadow=None, shadow=None)
    assert found.warnings[0].code == "exposure-not-judged"


def test_contrast_is_range_over_range_on_film() -> None:
    contrast = advice(1.2, 22.0 / 3.0).contrast
    assert contrast is not None
    assert_allclose(contrast.value, 1.2 / 1.85, rtol=1e-9)
    subject = range_on_film(22.0 / 3.0)
    assert contrast.uncertainty is not None
    assert subject.uncertainty is not None
    expected = contrast.value * math.hypot(0.03 / 1.2, subject.uncertainty / 1.85)
    assert_allclose(contrast.uncertainty, expected, rtol=1e-9)  # quotient of independent quantities


@pytest.mark.parametrize(
    ("density_range", "stops", "verdict"),
    [
        (1.05, 7, "keep"),
        (0.75, 7, "more"),
        (1.40, 7, "less"),
        (1.20, 10, "keep"),
        (0.60, None, "more"),
        (1.05, None, "keep"),
    ],
)
def test_development_verdict(density_range: float, stops: float | None, verdict: str) -> None:
    found = advice(density_range, stops)
    assert found.verdict == verdict
    assert found.time_factor is not None
    assert found.time_factor.uncertainty is not None
    assert {"more": 1.0, "keep": 0.0, "less": -1.0}[verdict] == pytest.approx(
        float(found.time_factor.value > 1.0) - float(found.time_factor.value < 1.0)
    )


@given(density_range=st.floats(0.05, 3.0), stops=st.one_of(st.none(), st.floats(2.0, 14.0)))
def test_no_step_is_larger_than_common_practice_allows(density_range: float, stops: float | None) -> None:
    found = advice(density_range, stops)
    assert found.time_factor is not None
    share = UNKNOWN_SUBJECT_SHARE if stops is None else 1.0
    assert abs(found.time_factor.value - 1.0) <= share * LARGEST_STEP + 1e-12


def test_unknown_subject_halves_the_step_and_says_so() -> None:
    known, unknown = advice(0.60, 22.0 / 3.0).time_factor, advice(0.60).time_factor
    assert known is not None
    assert unknown is not None
    assert_allclose(unknown.value - 1.0, 0.5 * (known.value - 1.0), rtol=1e-9)
    assert "--scene-stops" in advice(0.60).reason
    assert "a firmer answer" in advice(0.60).reason


def test_short_times_are_warned_of() -> None:
    assert "5 minutes" in advice(1.5, 7).reason


def test_underexposed_frame_is_no_reason_to_develop_longer() -> None:
    under = exposure_advice(net_shadow=reading(0.03), shadow=None)
    target = density_range_for(None, "contact")
    short = development_advice(density_range=reading(0.6), target_range=target, exposure=under)
    assert (short.verdict, short.time_factor) == ("keep", None)
    assert short.warnings[0].code == "development-not-judged"
    long = development_advice(density_range=reading(1.7), target_range=target, exposure=under)
    assert long.verdict == "less"


def test_range_that_is_a_limit_is_no_reason_to_develop_longer() -> None:
    found = development_advice(
        density_range=reading(0.5), target_range=density_range_for(None, "contact"), range_is_limit=True
    )
    assert (found.verdict, found.time_factor) == ("keep", None)


@pytest.mark.parametrize("nothing", [None, Quantity(0.0), Quantity(-0.01)])
def test_no_range_is_not_judged(nothing: Quantity | None) -> None:
    found = development_advice(density_range=nothing, target_range=density_range_for(None, "contact"))
    assert (found.verdict, found.time_factor) == ("keep", None)
    assert found.warnings[0].code == "development-not-judged"


def test_contrast_from_a_mere_limit_has_no_uncertainty() -> None:
    aim = Quantity(1.05)
    told = development_advice(density_range=Quantity(1.2, None), target_range=aim, scene_stops=7.0)
    assert told.contrast is not None
    assert told.contrast.uncertainty is None
    seen = Quantity(1.2, {Influence("reading"): 0.02})
    known = development_advice(density_range=seen, target_range=aim, scene_stops=7.0)
    assert known.contrast is not None
    assert_allclose(told.contrast.value, known.contrast.value, rtol=1e-12)
    assert known.contrast.uncertainty is not None


# ---- By hand: verdicts at their limits
def stated(value: float, expanded: float = 0.0) -> Quantity:
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
    found = exposure_advice(net_shadow=stated(net, expanded), shadow=None)
    assert found.verdict == verdict
    assert ("exposure-not-judged" in {warning.code for warning in found.warnings}) is not judged
    assert (found.stops is not None) is judged


def test_stops_are_counted_from_a_stop_above_the_speed_point() -> None:
    """Net 0.10 is the speed point: a stop under what is aimed at."""
    at_speed_point = exposure_advice(net_shadow=stated(0.10, 0.001), shadow=None).stops
    assert at_speed_point is not None
    assert_allclose(at_speed_point.value, -1.0, rtol=0, atol=1e-9)
    for net in (0.2, 0.3, 0.7):
        found = exposure_advice(net_shadow=stated(net, 0.001), shadow=None).stops
        assert found is not None
        assert_allclose(found.value, log_exposure_above_speed_point(net) / 0.30 - 1.0, rtol=1e-12)


def test_the_doubt_of_the_stops() -> None:
    """The reading by the curve's slope, 0.5 stops of subject (k = 1), and the gradient 15 % to either side."""
    found = exposure_advice(net_shadow=stated(0.30, 0.04), shadow=None).stops
    assert found is not None
    budget = found.budget()
    slope = (log_exposure_above_speed_point(0.3001) - log_exposure_above_speed_point(0.2999)) / 0.0002
    assert_allclose(budget["wedge"], 0.02 * slope / 0.30, rtol=0.05)  # over a quarter of the density, not at a point
    assert budget["subject"] == pytest.approx(0.5)
    by_gradient = [log_exposure_above_speed_point(0.30, gradient=0.58 * (1.0 + sign * 0.15)) for sign in (1.0, -1.0)]
    assert_allclose(budget["film curve"], abs(by_gradient[0] - by_gradient[1]) / 2.0 / 0.30, rtol=1e-9)


def test_a_shadow_that_may_be_none_is_only_a_limit() -> None:
    found = exposure_advice(net_shadow=stated(0.01, 0.02), shadow=None)
    assert (found.verdict, found.at_least) == ("under", True)
    assert found.stops is not None
    assert found.stops.uncertainty is None
    assert_allclose(found.stops.value, log_exposure_above_speed_point(0.03) / 0.30 - 1.0, rtol=1e-9)
    assert "underexposed by at least" in found.reason
    none = exposure_advice(net_shadow=stated(0.0), shadow=None)
    assert none.stops is not None
    assert_allclose(none.stops.value, log_exposure_above_speed_point(0.01) / 0.30 - 1.0, rtol=1e-9)
    seen = exposure_advice(net_shadow=stated(0.05, 0.02), shadow=None)
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
    found = exposure_advice(net_shadow=None, shadow=stated(shadow, expanded))
    assert (found.verdict, found.stops) == (verdict, None)
    assert bool(found.warnings) is not judged


def test_what_may_be_bare_glass_is_not_judged() -> None:
    assert may_be_bare(None)
    assert may_be_bare(stated(0.16, 0.02))
    assert not may_be_bare(stated(0.17, 0.01))
    unframed = exposure_advice(net_shadow=stated(0.02), shadow=stated(0.14), framed=False)
    assert (unframed.verdict, [warning.code for warning in unframed.warnings]) == ("normal", ["exposure-not-judged"])
    assert exposure_advice(net_shadow=stated(0.02), shadow=stated(0.4), framed=False).verdict == "under"
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
    assert words in exposure_advice(net_shadow=stated(low), shadow=None).reason


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
        density_range=stated(density_range, expanded), target_range=Quantity(1.05), scene_stops=scene_stops, **more
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
    found = development_advice(density_range=stated(0.80, 0.02), target_range=target, scene_stops=AVERAGE)
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
