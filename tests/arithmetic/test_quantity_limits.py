"""Quantities that are only limits, or whose doubt is not alike to both sides: never lost in what is built on them."""

from __future__ import annotations

import copy
import json
import pickle
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Limit, Quantity, read_back

NOISE = Influence("patch noise", "a")
OTHER = Influence("patch noise", "b")
numbers = st.floats(-4.0, 4.0)
sizes = st.floats(0.01, 2.0)


@st.composite
def quantities(draw: st.DrawFn) -> Quantity:
    """Any quantity: certain, doubtful, of unknown doubt, a limit, with an interval closed or open."""
    value, kind = draw(numbers), draw(st.integers(0, 3))
    if kind == 0:
        return Quantity(value, draw(st.none() | st.just({}) | st.builds(lambda part: {NOISE: part}, sizes)))
    if kind == 1:
        return Quantity(value, None, draw(st.sampled_from(get_args(Limit))))
    low, high = draw(st.none() | sizes), draw(st.none() | sizes)
    ends = (None if low is None else value - low, None if high is None else value + high)
    return Quantity(value, {NOISE: 0.1}, None, ends)


@given(quantities(), quantities())
def test_a_sum_says_no_more_than_its_terms_allow(one: Quantity, two: Quantity) -> None:
    """An end that is open in a term is open in the sum; whatever else holds, that may not be lost."""
    for total, ends in (
        (one + two, list(zip(one.reach, two.reach, strict=True))),
        (one - two, list(zip(one.reach, two.reach[::-1], strict=True))),
    ):
        for end, terms in zip(total.reach, ends, strict=True):
            if None in terms:
                assert end is None
        if None in ends[0] and None in ends[1]:
            assert total.untold
            assert total.to_json() is None


@given(quantities())
def test_negation_turns_every_end_round_and_back(one: Quantity) -> None:
    low, high = one.reach
    turned = -one
    assert turned.reach == (None if high is None else -high, None if low is None else -low)
    back = -turned
    assert (back.limit, back.parts is None) == (one.limit, one.parts is None)
    for end, before in zip(back.reach, one.reach, strict=True):
        assert (end is None) == (before is None)
        if end is not None and before is not None:
            assert_allclose(end, before, atol=1e-12)  # rounding of the machine


@given(quantities(), st.floats(0.1, 5.0), numbers)
def test_scaling_and_moving_keep_what_is_open(one: Quantity, factor: float, by: float) -> None:
    changed = one * factor + by
    assert changed.limit == one.limit
    for end, before in zip(changed.reach, one.reach, strict=True):
        assert (end is None) == (before is None)
        if end is not None and before is not None:
            assert_allclose(end, factor * before + by, atol=1e-9)  # rounding of the machine


@given(quantities())
def test_copied_pickled_and_written_a_limit_stays_one(one: Quantity) -> None:
    assert copy.deepcopy(one) == one
    assert pickle.loads(pickle.dumps(one)) == one  # noqa: S301 - our own
    document: dict[str, Any] | None = json.loads(json.dumps(one.to_json()))
    again = read_back(document, NOISE)
    if one.untold:
        assert document is None
        assert again is None
        return
    assert again is not None
    assert again.to_json() == one.to_json()


@given(quantities(), sizes)
def test_one_more_influence_narrows_nothing(one: Quantity, standard: float) -> None:
    wider = one.with_part(OTHER, standard)
    for sign, end, before in zip((-1.0, 1.0), wider.reach, one.reach, strict=True):
        if before is None:
            assert end is None
        elif end is not None:
            assert sign * (end - before) >= -1e-12  # rounding of the machine


def test_a_range_from_a_highlight_that_is_a_limit_is_one() -> None:
    """Denser than 2.89 less 0.25 above glass: at least 2.64, without a doubt that would be made up."""
    density_range = Quantity.at_least(2.89) - Quantity(0.25, {NOISE: 0.01})
    assert density_range.to_json() == {"value": pytest.approx(2.64), "uncertainty": None, "limit": "at least"}
    assert (Quantity(2.0, {NOISE: 0.01}) - Quantity.at_most(0.05)).limit == "at least"
    assert (Quantity(2.0, {NOISE: 0.01}) - Quantity.at_least(0.05)).limit == "at most"
    assert (Quantity.at_least(2.89) - Quantity.at_most(0.05)).limit == "at least"


def test_two_limits_that_contradict_say_nothing() -> None:
    """Both ends beyond the same end of the calibration: their difference may be anything."""
    assert (Quantity.at_least(2.89) - Quantity.at_least(2.89)).to_json() is None
    assert (Quantity.at_least(2.0) + Quantity.at_most(2.0)).untold


def test_ends_that_differ_add_in_quadrature_each_to_its_own_side() -> None:
    """3-4-5 to the high side, 6-8-10 to the low: the low end of a difference meets the high end of what is taken."""
    one = Quantity(1.0, {NOISE: 0.1}, None, (0.94, 1.03))
    two = Quantity(0.5, {OTHER: 0.1}, None, (0.46, 0.58))
    assert (one - two).reach == pytest.approx((0.40, 0.55), rel=1e-12)
    plain = one + Quantity(0.0, {OTHER: 0.02})  # expanded 0.04
    assert plain.reach == pytest.approx((1.0 - 0.0721110255, 1.05), rel=1e-9)


def test_a_falling_function_turns_a_limit_round() -> None:
    """Time from a density: the denser at least, the longer at least; a factor 1/x turns it."""
    density = Quantity.at_least(2.0)
    assert density.through(4.0, 3.0).limit == "at least"
    assert density.through(0.5, -0.25).limit == "at most"
    assert density.through(1.0, 0.0).to_json() == {"value": 1.0, "uncertainty": None}


def test_an_open_end_leaves_no_symmetric_uncertainty() -> None:
    time = Quantity(640.0, {NOISE: 960.0}, None, (520.0, None))
    assert time.to_json() == {"value": 640.0, "uncertainty": None, "interval": [520.0, None]}
    closed = Quantity(640.0, {NOISE: 40.0}, None, (590.0, 760.0))
    assert closed.to_json() == {"value": 640.0, "uncertainty": 80.0, "interval": [590.0, 760.0]}


@pytest.mark.parametrize(
    "document",
    [
        {"value": 1.0, "uncertainty": None, "limit": "about"},
        {"value": 1.0, "uncertainty": None, "limit": "at least", "interval": [0.5, 2.0]},
        {"value": 1.0, "uncertainty": None, "interval": [1.5, 2.0]},
        {"value": 1.0, "uncertainty": None, "interval": [0.5, float("inf")]},
        {"value": 1.0, "uncertainty": None, "interval": [0.5]},
    ],
)
def test_what_cannot_be_is_refused(document: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"limit|interval|unpack"):
        read_back(document, NOISE)
