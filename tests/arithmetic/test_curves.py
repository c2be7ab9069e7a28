"""Curves through points, against certified fits and general-purpose libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.testing import assert_allclose
from scipy.interpolate import PchipInterpolator
from sklearn.isotonic import isotonic_regression

from densiscan.arithmetic.curves import fit_line, isotonic, shape_preserving, shape_preserving_slopes

# NIST/ITL StRD linear regression, data set Norris (J. Norris, NIST, calibration of ozone monitors): y, x and the
# certified values, as printed on the data set's page.
NORRIS_Y = np.array(
    [
        0.1,
        338.8,
        118.1,
        888.0,
        9.2,
        228.1,
        668.5,
        998.5,
        449.1,
        778.9,
        559.2,
        0.3,
        0.1,
        778.1,
        668.8,
        339.3,
        448.9,
        10.8,
        557.7,
        228.3,
        998.0,
        888.8,
        119.6,
        0.3,
        0.6,
        557.6,
        339.3,
        888.0,
        998.5,
        778.9,
        10.2,
        117.6,
        228.9,
        668.4,
        449.2,
        0.2,
    ]
)
NORRIS_X = np.array(
    [
        0.2,
        337.4,
        118.2,
        884.6,
        10.1,
        226.5,
        666.3,
        996.3,
        448.6,
        777.0,
        558.2,
        0.4,
        0.6,
        775.5,
        666.9,
        338.0,
        447.5,
        11.6,
        556.0,
        228.1,
        995.8,
        887.6,
        120.2,
        0.3,
        0.3,
        556.8,
        339.1,
        887.2,
        999.0,
        779.0,
        11.1,
        118.3,
        229.2,
        669.1,
        448.9,
        0.5,
    ]
)

# JCGM 100:2008 (GUM), Annex H.3, Table H.6: calibration of a thermometer.
GUM_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
GUM_B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


def test_line_reproduces_nist_norris() -> None:
    line = fit_line(NORRIS_X, NORRIS_Y)
    assert_allclose(line.intercept, -0.262323073774029, rtol=1e-11)
    assert_allclose(line.slope, 1.00211681802045, rtol=1e-13)
    assert_allclose(line.u_intercept, 0.232818234301152, rtol=1e-11)
    assert_allclose(line.u_slope, 0.429796848199937e-03, rtol=1e-11)
    assert_allclose(line.residual_sd, 0.884796396144373, rtol=1e-11)


def test_line_reproduces_gum_h3_with_its_correlation() -> None:
    line = fit_line(GUM_T - 20.0, GUM_B)
    # Tolerances: half of the last digit that the GUM prints (H.3.2 and H.3.4).
    assert_allclose(line.intercept, -0.1712, atol=0.00005)
    assert_allclose(line.u_intercept, 0.0029, atol=0.00005)
    assert_allclose(line.slope, 0.00218, atol=0.000005)
    assert_allclose(line.u_slope, 0.00067, atol=0.000005)
    assert_allclose(line.correlation, -0.930, atol=0.0005)
    assert_allclose(line.residual_sd, 0.0035, atol=0.00005)
    assert line.dof == 9
    value, doubt = line.at(10.0)
    assert_allclose(value, -0.1494, atol=0.00005)
    assert_allclose(doubt, 0.0041, atol=0.00005)


def test_three_points_tell_a_line_and_its_doubt() -> None:
    # By hand: slope 1, intercept 1/3, residuals -1/3, 2/3, -1/3 with one degree of freedom; the formulas of H.3.2.
    line = fit_line([0.0, 1.0, 2.0], [0.0, 2.0, 2.0])
    assert_allclose((line.intercept, line.slope), (1.0 / 3.0, 1.0), rtol=1e-12)
    assert_allclose((line.residual_sd, line.u_slope, line.u_intercept), np.sqrt([2 / 3, 1 / 3, 5 / 9]), rtol=1e-12)
    assert_allclose(line.correlation, -np.sqrt(3 / 5), rtol=1e-12)
    assert line.dof == 1


def test_whole_numbers_are_measured_values_too() -> None:
    line = fit_line([0, 1, 2, 3], [0, 1, 2, 3], weights=[1, 2, 3, 4])
    assert_allclose((line.intercept, line.slope, line.residual_sd), (0.0, 1.0, 0.0), atol=1e-12)
    assert_allclose(isotonic([1, 3, 2, 4]), [1.0, 2.5, 2.5, 4.0], rtol=1e-15)
    assert_allclose(shape_preserving([0, 1, 2], [0, 1, 2], [0, 1, 5]), [0.0, 1.0, 5.0], rtol=1e-12)


def test_weighted_line_leans_to_the_heavy_points() -> None:
    line = fit_line([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 9.0], weights=[1e9, 1e9, 1e9, 1.0])
    assert_allclose(line.at(3.0)[0], 3.0, atol=1e-6)


@pytest.mark.parametrize(("x", "y"), [([1.0, 2.0], [1.0, 2.0]), ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])])
def test_line_refuses_too_little(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match="line"):
        fit_line(x, y)


@given(
    hnp.arrays(float, st.integers(1, 40), elements=st.floats(-10, 10)),
    st.lists(st.floats(0.1, 10), min_size=40, max_size=40),
)
def test_isotonic_agrees_with_scikit_learn(y: np.ndarray, weights: list[float]) -> None:
    """Reference: sklearn.isotonic.isotonic_regression, the same least-squares problem."""
    w = np.array(weights[: y.size])
    assert_allclose(isotonic(y, w), isotonic_regression(y, sample_weight=w), atol=1e-9)


def test_isotonic_pools_by_hand() -> None:
    assert_allclose(isotonic([1.0, 3.0, 2.0, 4.0]), [1.0, 2.5, 2.5, 4.0], rtol=1e-15)
    assert_allclose(isotonic([1.0, 3.0, 2.0, 4.0], [1.0, 1.0, 3.0, 1.0]), [1.0, 2.25, 2.25, 4.0], rtol=1e-15)
    assert isotonic([]).size == 0


knots = hnp.arrays(float, st.integers(2, 30), elements=st.floats(0.01, 5).map(lambda value: round(value, 6))).map(
    np.cumsum
)


@given(knots, st.data())
@settings(deadline=None)
def test_curve_agrees_with_scipy(x: np.ndarray, data: st.DataObject) -> None:
    """Reference: scipy.interpolate.PchipInterpolator (Fritsch and Butland), inside the knots."""
    y = data.draw(hnp.arrays(float, x.size, elements=st.floats(-5, 5).map(lambda value: round(value, 6))))
    at = np.linspace(x[0], x[-1], 101)
    theirs = PchipInterpolator(x, y)
    assert_allclose(shape_preserving(x, y, at), theirs(at), atol=1e-9)
    assert_allclose(shape_preserving_slopes(x, y), theirs.derivative()(x), atol=1e-6, rtol=1e-9)


@given(knots, st.data())
def test_rising_points_give_a_rising_curve(x: np.ndarray, data: st.DataObject) -> None:
    y = np.cumsum(data.draw(hnp.arrays(float, x.size, elements=st.floats(0.0, 3.0))))
    at = np.linspace(x[0] - 1.0, x[-1] + 1.0, 201)
    assert np.all(np.diff(shape_preserving(x, y, at)) >= -1e-12)


def test_outside_the_knots_the_end_slope_goes_on() -> None:
    x, y = [0.0, 1.0, 2.0, 4.0], [0.0, 1.0, 4.0, 5.0]
    slopes = shape_preserving_slopes(x, y)
    assert_allclose(shape_preserving(x, y, [-2.0, 7.0]), [0.0 - 2.0 * slopes[0], 5.0 + 3.0 * slopes[-1]], rtol=1e-12)


def test_several_curves_at_once_are_the_curves_one_by_one() -> None:
    x = np.array([0.0, 0.5, 2.0, 3.0, 4.5])
    both = np.stack([x**2, np.sqrt(x)], axis=1)
    at = np.linspace(-1.0, 5.0, 50)
    together = shape_preserving(x, both, at)
    assert_allclose(together[:, 0], shape_preserving(x, x**2, at), rtol=1e-13)
    assert_allclose(together[:, 1], shape_preserving(x, np.sqrt(x), at), rtol=1e-13)
