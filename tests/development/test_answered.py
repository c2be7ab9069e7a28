"""An exposure kept with its sheet's number, and what the negative answers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.answered import KeptExposure, Place, kept_exposure, sheet_answer
from densiscan.development.exposure import exposure_advice, log_exposure_above_speed_point, stops_above_speed_point
from densiscan.errors import WrongUseError
from densiscan.report.exposing import answer_text, half_zone_text

THIRD = KeptExposure(sheet="12", zone=3.0)


def net(value: float) -> Quantity:
    return Quantity(value, {Influence("reading", "spot"): 0.01})


def test_the_speed_point_is_zone_one() -> None:
    answer = sheet_answer(KeptExposure(sheet="1", zone=1.0), {"spot": net(0.10)})
    assert_allclose([answer.came_out.value, answer.stops_over.value], [1.0, 0.0], atol=1e-9)


def test_zone_five_by_hand() -> None:
    # d = 0.58 x 0.433 log10(1 + 10^(x / 0.433)). At 0.10 10^(0.10 / 0.2511) - 1 = 1.501, so x = 0.433 x 0.176 = 0.076.
    # Four stops of 0.30 on, x = 1.276: log10(1 + 10^2.948) = 2.9485, times 0.2511 is 0.740.
    answer = sheet_answer(KeptExposure(sheet="1", zone=5.0), {"spot": net(0.740)})
    assert_allclose(answer.came_out.value, 5.0, atol=0.01)  # the hand has three figures


@pytest.mark.parametrize(("zone", "low", "high"), [(1, 0.09, 0.11), (5, 0.65, 0.75), (8, 1.25, 1.35)])
def test_zone_densities_as_published(zone: int, low: float, high: float) -> None:
    """Adams, The Negative, 1981, densities of zones in diffuse light (from memory; docs/method.md)."""
    reach = [sheet_answer(THIRD, {"spot": net(edge)}).came_out.value for edge in (low, high)]
    assert reach[0] <= zone + 0.05
    assert reach[1] >= zone - 0.05


@given(st.floats(0.05, 1.6), st.floats(0.0, 10.0))
def test_came_out_less_metered_is_what_it_got_over(density: float, zone: float) -> None:
    answer = sheet_answer(KeptExposure(sheet="1", zone=zone), {"spot": net(density)})
    assert_allclose(answer.came_out.value - zone, answer.stops_over.value, atol=1e-9)
    # more density, more exposure
    assert sheet_answer(THIRD, {"spot": net(density + 0.05)}).came_out.value > answer.came_out.value


def test_the_frame_s_shadow_is_judged_by_the_same_curve() -> None:
    # A normal shadow lies a stop above the speed point: what advice calls so many stops over is that less one.
    judged = exposure_advice(net_shadow=net(0.70), shadow=net(0.95))
    assert judged.stops is not None
    assert_allclose(stops_above_speed_point(net(0.70)).value - 1.0, judged.stops.value)
    assert_allclose(stops_above_speed_point(net(0.70)).value, log_exposure_above_speed_point(0.70) / 0.30, atol=1e-9)


def test_a_spot_goes_before_shadow_and_highlight() -> None:
    every: dict[Place, Quantity | None] = {"spot": net(0.50), "shadow": net(0.20), "highlight": net(1.20)}
    assert sheet_answer(THIRD, every).by == "spot"
    assert sheet_answer(THIRD, {**every, "spot": None}).by == "shadow"
    assert sheet_answer(KeptExposure(sheet="12", zone=8.0), {**every, "spot": None}).by == "highlight"


@pytest.mark.parametrize("zone", [3.0, 5.0, 8.0])
def test_nothing_to_go_by(zone: float) -> None:
    with pytest.raises(WrongUseError, match="name it with `spots_mm`"):
        sheet_answer(KeptExposure(sheet="12", zone=zone), {"spot": None, "shadow": None, "highlight": None})


@pytest.mark.parametrize("document", [None, {}, {"zone": "III"}])
def test_no_exposure_was_kept(document: dict[str, object] | None) -> None:
    with pytest.raises(WrongUseError, match="no exposure is kept for `sheet` 12"):
        kept_exposure("12", document)


def test_the_answer_in_words() -> None:
    # 0.40 lies 2.4 stops above the speed point on the typical curve, so on zone 3.4
    words = answer_text(sheet_answer(THIRD, {"spot": net(stops_to_density(2.4))}))
    assert words.startswith("Sheet 12: metered on zone III, came out on III 1/2: 0.4 ± ")
    assert words.endswith("stops over.")
    assert answer_text(sheet_answer(THIRD, {"spot": net(stops_to_density(2.05))})).endswith("III: as metered.")
    assert "by the frame's shadow" in answer_text(sheet_answer(THIRD, {"shadow": net(0.20)}))


def test_a_place_at_the_foot_of_the_curve_is_a_limit() -> None:
    answer = sheet_answer(THIRD, {"spot": net(0.01)})
    assert answer.came_out.limit == "at most"
    assert "or below: at least" in answer_text(answer)


def stops_to_density(stops: float) -> float:
    """Density so many stops above the speed point, found by halving."""
    low, high = 0.0101, 2.5
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if log_exposure_above_speed_point(middle) / 0.30 < stops else (low, middle)
    return low


@pytest.mark.parametrize(
    ("zone", "text"), [(3.0, "III"), (3.4, "III 1/2"), (3.2, "III"), (9.8, "X"), (-1.0, "-1.0"), (10.6, "10.6")]
)
def test_zones_to_the_half(zone: float, text: str) -> None:
    assert half_zone_text(zone) == text
