"""Quantities: their uncertainty, and how shared influences cancel."""

from __future__ import annotations

import copy
import math

import pytest
from GTC import ureal
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from uncertainties import ufloat

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_, read_back

WEDGE_3 = Influence("wedge", "3")
PATCH_A = Influence("patch noise", "a")
PATCH_B = Influence("patch noise", "b")
finite = st.floats(min_value=-4.0, max_value=4.0, allow_nan=False)
parts = st.dictionaries(st.sampled_from([WEDGE_3, PATCH_A, PATCH_B]), st.floats(-0.1, 0.1), max_size=3)


def known(uncertainty: float | None) -> float:
    assert uncertainty is not None
    return uncertainty


def test_expanded_uncertainty_is_twice_the_root_of_the_sum_of_squares() -> None:
    quantity = Quantity(1.0, {WEDGE_3: 0.003, PATCH_A: -0.004})
    assert_allclose(known(quantity.uncertainty), 0.010, rtol=1e-12)  # 2 * 5/1000, the 3-4-5 triangle


def test_shared_influence_cancels_in_a_difference() -> None:
    dense = Quantity(1.30, {WEDGE_3: 0.01, PATCH_A: 0.003})
    light = Quantity(0.20, {WEDGE_3: 0.01, PATCH_B: 0.004})
    difference = dense - light
    assert_allclose(difference.value, 1.10, rtol=1e-12)
    assert_allclose(known(difference.standard_uncertainty), 0.005, rtol=1e-12)


def test_shared_influence_doubles_in_a_sum() -> None:
    one = Quantity(0.5, {WEDGE_3: 0.01})
    assert_allclose(known((one + one).standard_uncertainty), 0.02, rtol=1e-12)


def test_unknown_uncertainty_stays_unknown() -> None:
    assert (Quantity(1.0, None) - Quantity(0.5, {WEDGE_3: 0.1})).uncertainty is None
    assert Quantity(1.0, None).with_part(PATCH_A, 0.1).uncertainty is None
    assert (Quantity(1.0, None) * 2.0).to_json() == {"value": 2.0, "uncertainty": None}


def test_json_never_shows_an_uncertainty_of_zero() -> None:
    assert Quantity(1.0).to_json() == {"value": 1.0, "uncertainty": None}


def test_one_more_influence_adds_in_quadrature() -> None:
    quantity = Quantity(1.2, {WEDGE_3: 0.003}).with_part(PATCH_A, 0.004)
    assert quantity.value == 1.2
    assert_allclose(known(quantity.standard_uncertainty), 0.005, rtol=1e-12)  # 3-4-5


def test_an_exact_number_moves_the_value_and_not_its_doubt() -> None:
    quantity = Quantity(1.2, {WEDGE_3: 0.003})
    assert_allclose([(quantity + 0.25).value, (quantity - 0.25).value], [1.45, 0.95], rtol=1e-12)
    assert dict((quantity + 0.25).parts or {}) == dict((quantity - 0.25).parts or {}) == {WEDGE_3: 0.003}


def test_same_influence_cannot_be_added_twice() -> None:
    with pytest.raises(ValueError, match="already"):
        Quantity(1.0, {PATCH_A: 0.1}).with_part(PATCH_A, 0.1)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_not_a_number_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        Quantity(value)


def test_budget_adds_kinds_in_quadrature_largest_first() -> None:
    quantity = Quantity(1.0, {WEDGE_3: 0.003, PATCH_A: 0.03, PATCH_B: 0.04})
    assert list(quantity.budget()) == ["patch noise", "wedge"]
    assert_allclose(quantity.budget()["patch noise"], 0.05, rtol=1e-12)
    assert list(Quantity(1.0, {PATCH_A: 0.01, WEDGE_3: -0.02}).budget()) == ["wedge", "patch noise"]


@pytest.mark.parametrize("quantity", [Quantity(1.05, {WEDGE_3: 0.003, PATCH_A: 0.004}), Quantity(0.3, None)])
def test_what_was_written_is_read_back(quantity: Quantity) -> None:
    again = read_back(quantity.to_json(), PATCH_B)
    assert again is not None
    assert again.to_json() == quantity.to_json()
    assert (again.parts is None) == (quantity.parts is None)


def test_a_figure_that_was_not_read_is_not_read_back() -> None:
    assert read_back(None, PATCH_A) is None
    assert read_back({"value": None, "uncertainty": None}, PATCH_A) is None
    alone = read_back({"value": 1.05}, PATCH_A)  # by an older hand: no word on its doubt, so none is made up
    assert alone is not None
    assert (alone.value, alone.parts) == (1.05, None)


@pytest.mark.parametrize("quantity", [Quantity(1.05, {WEDGE_3: 0.003}), Quantity(1.05, {}), Quantity(0.3, None)])
def test_a_quantity_travels_between_processes(quantity: Quantity) -> None:
    assert copy.copy(quantity) == quantity  # by the same way as between processes


@given(finite, finite, parts, parts, st.floats(-3.0, 3.0))
def test_agrees_with_two_general_libraries(
    a: float, b: float, one: dict[Influence, float], two: dict[Influence, float], factor: float
) -> None:
    """Reference: the packages `uncertainties` and `GTC` propagate the same linear form (JCGM 100:2008, clause 5)."""
    ours = (Quantity(a, one) - Quantity(b, two)) * factor
    independent = {key: ufloat(0.0, 1.0) for key in (WEDGE_3, PATCH_A, PATCH_B)}
    theirs = factor * (
        (a + sum(c * independent[k] for k, c in one.items())) - (b + sum(c * independent[k] for k, c in two.items()))
    )
    standard = getattr(theirs, "std_dev", 0.0)
    assert_allclose(known(ours.standard_uncertainty), standard, rtol=1e-9, atol=1e-12)
    gtc = {key: ureal(0.0, 1.0) for key in (WEDGE_3, PATCH_A, PATCH_B)}
    gtc_value = ureal(0.0, 1e-30) + factor * (
        (a + sum(c * gtc[k] for k, c in one.items())) - (b + sum(c * gtc[k] for k, c in two.items()))
    )
    assert_allclose(known(ours.standard_uncertainty), gtc_value.u, rtol=1e-9, atol=1e-12)


@given(transmittance=st.floats(1e-4, 1.0), relative=st.floats(1e-4, 0.1))
def test_density_propagation(transmittance: float, relative: float) -> None:
    """u(D) = u(T) / (T ln 10) (JCGM 100:2008, 5.1.3, applied to D = -log10 T); reference: `uncertainties`."""
    from uncertainties.umath import log10

    theirs = -log10(ufloat(transmittance, relative * transmittance))
    measured = Quantity(transmittance, {PATCH_A: relative * transmittance})
    density = measured.through(-math.log10(transmittance), -1.0 / (transmittance * math.log(10.0)))
    assert_allclose(density.value, theirs.nominal_value, rtol=1e-12, atol=1e-12)
    assert_allclose(known(density.standard_uncertainty), theirs.std_dev, rtol=1e-12)


def test_warning_document() -> None:
    assert Warning_(code="no-rebate", message="No.").to_json() == {"code": "no-rebate", "message": "No."}
