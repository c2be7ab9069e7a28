"""Places put on zones: hand-worked, and what cannot be is said."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.verdict import DevelopmentAdvice, development_advice
from densiscan.development.zones import WantedZone, zone_change, zone_line, zone_of
from densiscan.errors import WrongUseError

STOP = math.log10(2.0)


def negative(contrast: float, target: float = 0.57, doubt: float = 0.0) -> DevelopmentAdvice:
    advice = development_advice(density_range=Quantity(1.0), target_range=Quantity(1.05))
    return replace(advice, contrast=Quantity(contrast, {Influence("subject"): doubt}), target_contrast=target)


def place(net: float | None, wanted: float) -> WantedZone:
    quantity = None if net is None else Quantity(net, {Influence("patch noise", str(net)): 0.01})
    return WantedZone(x_mm=10.0, y_mm=20.0, wanted=wanted, net=quantity)


def test_by_hand_a_shadow_of_0_25_is_a_zone_above_the_first() -> None:
    # At a contrast of 0.5 a stop is 0.1505 of density; 0.15 lies above zone I, which is at 0.10.
    assert zone_of(Quantity(0.25), Quantity(0.5)).value == pytest.approx(1.0 + 0.15 / 0.150515, abs=1e-5)
    change = zone_change([place(0.25, 3.0)], negative(0.5))
    assert change is not None
    assert change.stops.value == pytest.approx(1.00343, abs=1e-5)
    assert change.highlight is None
    assert change.time_factor is None


def test_by_hand_a_highlight_asks_for_its_development() -> None:
    change = zone_change([place(1.30, 8.0), place(0.25, 3.0)], negative(0.5))
    assert change is not None
    assert change.highlight is not None
    assert change.time_factor is not None
    # 1.20 above zone I are 7.9726 zones; 1.0034 stops more put it on 9.976, 1.976 too high: N-2.
    assert change.highlight.falls_on == pytest.approx(9.97604, abs=1e-4)
    assert change.highlight.stops == pytest.approx(-1.97604, abs=1e-4)
    # 5 zones at the aim's 0.57 * 0.30103 are 0.85794 of density, of 1.05: contrast 0.81708 times, to the power 1.8.
    assert change.time_factor.value == pytest.approx(0.69515, abs=1e-4)


def test_an_unknown_subject_makes_the_exposure_uncertain_and_not_the_time() -> None:
    vague = zone_change([place(1.30, 8.0), place(0.25, 3.0)], negative(0.5, doubt=0.1))
    sure = zone_change([place(1.30, 8.0), place(0.25, 3.0)], negative(0.5))
    assert vague is not None
    assert sure is not None
    # A contrast of 20 % more or less moves what lies 1 zone above the first by 0.2, k = 2 by 0.4.
    assert vague.stops.uncertainty == pytest.approx(math.hypot(0.4 * 0.15 / 0.150515, 0.02 / 0.150515), rel=1e-3)
    assert vague.time_factor is not None
    assert sure.time_factor is not None
    assert vague.time_factor.uncertainty == sure.time_factor.uncertainty


@given(contrast=st.floats(0.2, 1.5), exposure=st.floats(0.0, 10.0))
def test_a_density_made_by_a_zone_is_read_as_that_zone(contrast: float, exposure: float) -> None:
    start, slope = zone_line(contrast)
    net = (exposure - start) / slope
    assert net == pytest.approx(0.10 + (exposure - 1.0) * contrast * STOP, abs=1e-9)
    assert zone_of(Quantity(net), Quantity(contrast)).value == pytest.approx(exposure, abs=1e-9)


def test_what_is_not_known_is_not_told() -> None:
    assert zone_change([], negative(0.5)) is None
    assert zone_change([place(None, 3.0)], negative(0.5)) is None
    assert zone_change([place(0.3, 3.0)], replace(negative(0.5), contrast=None)) is None


@pytest.mark.parametrize(("low", "high"), [((0.25, 8.0), (1.30, 3.0)), ((0.25, 5.0), (1.30, 5.0))])
def test_tones_cannot_be_swapped(low: tuple[float, float], high: tuple[float, float]) -> None:
    with pytest.raises(WrongUseError, match="denser place"):
        zone_change([place(*low), place(*high)], negative(0.5))


def test_there_are_zones_0_to_10() -> None:
    with pytest.raises(WrongUseError, match="11 is not a zone"):
        WantedZone(x_mm=0.0, y_mm=0.0, wanted=11.0)
