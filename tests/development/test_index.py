"""The exposure index to use next, from how far the shadows lie from where they belong."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.exposure_index import IndexAdvice, ShadowRead, index_advice, nominal_index, shadow_read


def shadows(*stops: float, index: float = 100.0, doubt: float = 0.2) -> list[ShadowRead]:
    return [ShadowRead(stops=Quantity(one, {Influence("exposure"): doubt}), exposure_index=index) for one in stops]


def advised(read: list[ShadowRead], last: float = 100.0) -> IndexAdvice:
    advice = index_advice(read, last)
    assert advice is not None
    return advice


def test_the_scale_of_indices() -> None:
    # ISO 6, arithmetic: tenths of a power of ten, rounded.
    wanted = [25.0, 32.0, 40.0, 50.0, 64.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 320.0, 400.0, 500.0, 640.0, 800.0]
    assert [nominal_index(value * 1.03) for value in wanted] == wanted


@given(st.floats(1.0, 10_000.0))
def test_an_index_moves_less_than_a_sixth_of_a_stop_to_its_nominal(value: float) -> None:
    # Half a step of the tenth root of ten, and the rounding of the printed figures (up to 1.9 %).
    assert 0.87 < nominal_index(value) / value < 1.15


def test_right_shadows_keep_the_index() -> None:
    advice = advised(shadows(0.1, -0.2, 0.15))
    assert advice.exposure_index == 100.0
    assert "keep the index 100" in advice.words


def test_too_little_exposure_lowers_the_index_and_too_much_raises_it() -> None:
    # Many like negatives leave the belief little: a stop is a stop.
    assert advised(shadows(*[-1.0] * 12)).exposure_index == 50.0
    assert advised(shadows(*[1.0] * 12)).exposure_index == 200.0


def test_never_more_than_a_stop_at_once() -> None:
    assert advised(shadows(*[-3.0] * 12)).exposure_index == 50.0


def test_by_hand() -> None:
    # One negative of -1 with 0.3 and 0.4: weight 4 against 1/0.49 of the belief, so -0.66 with doubt 0.41.
    advice = advised(shadows(-1.0, doubt=0.3))
    assert advice.stops is not None
    assert_allclose(advice.stops.value, -4.0 / (4.0 + 1.0 / 0.49), rtol=1e-12)
    assert advice.stops.uncertainty == pytest.approx(2.0 * (4.0 + 1.0 / 0.49) ** -0.5)
    assert advice.exposure_index == 64.0


def test_negatives_at_another_index_tell_of_the_last_one() -> None:
    # Right at 50 means a stop too little at 100.
    read = shadows(*[0.0] * 12, index=50.0)
    assert advised(read, last=100.0).exposure_index == 50.0


def test_without_shadows_the_last_index_is_kept_and_without_one_nothing_is_said() -> None:
    assert advised([]).exposure_index == 100.0
    assert advised([]).stops is None
    assert index_advice([], None) is None


@pytest.mark.parametrize(
    "document",
    [
        None,
        {},
        {"exposure": None},
        {"exposure": {"stops": None}},
        {"exposure": {"stops": {"value": -2.0, "uncertainty": None}}},
    ],
)
def test_readings_that_tell_no_exposure(document: dict[str, object] | None) -> None:
    assert shadow_read(document, 100.0) is None
    assert shadow_read({"exposure": {"stops": {"value": 0.0, "uncertainty": 0.1}}}, None) is None
