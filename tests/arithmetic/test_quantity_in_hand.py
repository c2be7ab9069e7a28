"""A quantity in a person's hands: in words, in plain arithmetic, and never taken for a number without a word."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from tests.arithmetic.test_quantity_limits import quantities

A = Influence("patch noise", "a")
B = Influence("wedge", "1")
numbers = st.floats(-50.0, 50.0)


def doubtful(value: float, expanded: float) -> Quantity:
    return Quantity(value, {A: expanded / 2.0})


@pytest.mark.parametrize(
    ("quantity", "spec", "words"),
    [
        (doubtful(1.0512, 0.0213), ".2f", "1.05 ± 0.02"),
        (doubtful(1.0512, 0.0213), ".3f", "1.051 ± 0.021"),
        (doubtful(1.0512, 0.0213), "+.2f", "+1.05 ± 0.02"),
        (doubtful(1.0512, 0.0213), ".1%", "105.1% ± 2.1%"),
        (doubtful(1.0512, 0.0213), ">14.2f", "   1.05 ± 0.02"),
        (doubtful(1.0512, 0.0213), "*<14.2f", "1.05 ± 0.02***"),
        (doubtful(1.05, 0.0001), ".2f", "1.05 ± 0.01"),
        (doubtful(12.0, 0.2), ".0f", "12 ± 1"),
        (doubtful(-0.001, 0.1), ".2f", "0.00 ± 0.10"),
        (Quantity(1.05), ".2f", "1.05"),
        (Quantity(1.05, None), ".2f", "1.05"),
        (Quantity.at_least(2.89), ".2f", "at least 2.89"),
        (Quantity.at_most(0.051), ".2f", "at most 0.05"),
        (Quantity(1.2, {A: 0.1}, None, (0.9, 2.0)), ".2f", "1.20 (0.90 to 2.00)"),
        (Quantity(1.2, None, None, (0.9, None)), ".2f", "1.20 (at least 0.90)"),
        (Quantity(1.2, None, None, (None, 2.0)), ".2f", "1.20 (at most 2.00)"),
        (Quantity(1.2, None, None, (None, None)), ".2f", "not known"),
    ],
)
def test_a_quantity_to_the_figures_asked_for(quantity: Quantity, spec: str, words: str) -> None:
    assert format(quantity, spec) == words


@pytest.mark.parametrize(
    ("quantity", "words"),
    [  # two figures of the uncertainty, JCGM 100:2008, 7.2.6
        (doubtful(1.0512, 0.0213), "1.051 ± 0.021"),
        (doubtful(1.05, 0.2), "1.05 ± 0.20"),
        (doubtful(1234.5, 120.0), "1230 ± 120"),
        (doubtful(1.0, 0.0999), "1.00 ± 0.10"),
        (doubtful(1.0, 1e-9), "1 ± 1e-09"),
        (Quantity(510.0), "510"),
        (Quantity(0.1 + 0.2), "0.3"),
        (Quantity.at_least(2.89), "at least 2.89"),
        (Quantity(0.0, None, None, (None, None)), "not known"),
    ],
)
def test_a_quantity_is_printed_to_the_figures_that_it_deserves(quantity: Quantity, words: str) -> None:
    assert str(quantity) == f"{quantity}" == words
    assert repr(quantity) == f"<Quantity {words}>"


@given(quantities(), st.integers(0, 6))
def test_what_is_shown_is_the_value_and_never_a_doubt_of_nothing(quantity: Quantity, decimals: int) -> None:
    words = f"{quantity:.{decimals}f}"
    if quantity.untold:
        assert words == "not known"
        return
    shown = words.removeprefix("at least ").removeprefix("at most ").split(" ")[0]
    assert_allclose(float(shown), quantity.value, rtol=0, atol=0.5000001 * 10.0**-decimals)  # rounded, nothing more
    assert not shown.startswith("-") or float(shown) != 0.0
    if " ± " in words:
        assert float(words.split(" ± ")[1]) >= 10.0**-decimals * (1 - 1e-9)


@pytest.mark.parametrize("spec", ["d", "x", "nonsense", "08.2f", ".2f%"])
def test_a_format_that_numbers_have_not_is_refused(spec: str) -> None:
    with pytest.raises(ValueError, match=r"give decimals, such as \.2f"):
        format(Quantity(1.0), spec)


@given(quantities(), numbers)
def test_a_number_may_stand_on_either_side(quantity: Quantity, number: float) -> None:
    assert number + quantity == quantity + number
    assert number - quantity == -quantity + number
    assert number * quantity == quantity * number
    assert +quantity is quantity


@given(quantities(), st.floats(0.01, 50.0) | st.floats(-50.0, -0.01))
def test_a_factor_stretches_what_is_left_possible(quantity: Quantity, factor: float) -> None:
    low, high = quantity.reach
    stretched = [None if end is None else end * factor for end in ((low, high) if factor > 0 else (high, low))]
    for end, wanted in zip((quantity * factor).reach, stretched, strict=True):
        assert (end is None) == (wanted is None)
        if end is not None and wanted is not None:
            assert_allclose(end, wanted, rtol=1e-9, atol=1e-9)


@given(quantities(), st.floats(0.01, 50.0))
def test_division_undoes_multiplication(quantity: Quantity, number: float) -> None:
    back = quantity * number / number
    assert back.limit == quantity.limit
    assert_allclose(back.value, quantity.value, rtol=1e-12, atol=1e-12)


def test_the_mean_of_readings_that_share_a_wedge_keeps_its_doubt() -> None:
    """By hand: two patches of 0.03 each, one wedge of 0.04 in both: mean 0.03 / sqrt 2 and 0.04."""
    one = Quantity(1.0, {A: 0.03, B: 0.04})
    other = Quantity(2.0, {Influence("patch noise", "b"): 0.03, B: 0.04})
    mean = sum([one, other]) / 2
    assert isinstance(mean, Quantity)
    assert mean.value == 1.5
    assert_allclose(mean.standard_uncertainty or 0.0, (0.03**2 / 2 + 0.04**2) ** 0.5, rtol=1e-12)


@pytest.mark.parametrize("number", [2, 2.0, np.float64(2.0), np.float32(2.0), np.int64(2)])
def test_a_number_of_an_array_is_a_number(number: Any) -> None:
    quantity = doubtful(1.0, 0.2)
    for made in (number * quantity, quantity * number):
        assert (type(made), type(made.value), f"{made:.1f}") == (Quantity, float, "2.0 ± 0.4")
    assert f"{number - quantity:.1f}" == "1.0 ± 0.2"


@pytest.mark.parametrize("compare", [operator.lt, operator.le, operator.gt, operator.ge])
@pytest.mark.parametrize("other", [1.0, doubtful(1.0, 0.1)])
def test_quantities_have_no_order(compare: Callable[[object, object], bool], other: object) -> None:
    for pair in ((doubtful(2.0, 0.1), other), (other, doubtful(2.0, 0.1))):
        with pytest.raises(TypeError, match=r"not ordered: take its \.value"):
            compare(*pair)


def test_a_quantity_is_not_taken_for_a_number() -> None:
    quantity = doubtful(1.0, 0.1)
    with pytest.raises(TypeError, match="not compared with a number"):
        _ = quantity == 1.0
    with pytest.raises(TypeError, match="not true or false"):
        bool(quantity)
    with pytest.raises(TypeError, match="Quantity"):
        float(quantity)  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="Quantity"):
        np.asarray([quantity], float)
    with pytest.raises(TypeError):
        _ = operator.mul(np.ones(3), quantity)


@pytest.mark.parametrize("other", [doubtful(1.0, 0.1), "2", None, np.ones(2), [1.0]])
@pytest.mark.parametrize("what", [operator.mul, operator.truediv])
def test_only_exact_numbers_multiply(what: Callable[[Any, Any], object], other: object) -> None:
    with pytest.raises(TypeError):
        what(doubtful(1.0, 0.1), other)


def test_two_quantities_are_the_same_where_they_hold_the_same() -> None:
    assert doubtful(1.0, 0.1) == doubtful(1.0, 0.1)
    assert hash(doubtful(1.0, 0.1)) == hash(doubtful(1.0, 0.1))
    assert doubtful(1.0, 0.1) != doubtful(1.0, 0.2)
    assert doubtful(1.0, 0.1) != "1.0"
    assert doubtful(1.0, 0.1) != Quantity.at_least(1.0)
