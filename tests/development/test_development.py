"""First advice on exposure and development: against published aims, zone densities and common practice."""

from __future__ import annotations

import math

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
    exposure_advice,
    log_exposure_above_speed_point,
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
)
from densiscan.errors import WrongUseError
from densiscan.paper.grade import density_range_for


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
    with pytest.raises(WrongUseError, match="scene-stops"):
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
