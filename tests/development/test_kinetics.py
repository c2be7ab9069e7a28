"""Contrast against time: certified fits, two published developers, and what warmth does."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.least_squares import least_squares
from densiscan.development.contrast_fit import fit_law
from densiscan.development.kinetics import Kinetics
from densiscan.errors import WrongUseError

# NIST/ITL Statistical Reference Datasets, nonlinear regression: data and certified values as published there.
# fmt: off
MISRA1A_X: Final = (
    77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0,
)
MISRA1A_Y: Final = (
    10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78,
)
BOXBOD_X: Final = (1.0, 2.0, 3.0, 5.0, 7.0, 10.0)
BOXBOD_Y: Final = (109.0, 149.0, 149.0, 191.0, 213.0, 224.0)
# fmt: on
MISRA1A: Final = (2.38942129180e02, 2.70700752410e00, 5.50156431810e-04, 7.26686884360e-06, 1.2455138894e-01)
BOXBOD: Final = (2.13809408890e02, 1.23545151760e01, 5.47237485420e-01, 1.04559932370e-01, 1.1680088766e03)


@pytest.mark.parametrize(
    ("x", "y", "certified"),
    [(MISRA1A_X, MISRA1A_Y, MISRA1A), (BOXBOD_X, BOXBOD_Y, BOXBOD)],
    ids=["Misra1a", "BoxBOD"],
)
def test_certified_fits(x: tuple[float, ...], y: tuple[float, ...], certified: tuple[float, ...]) -> None:
    fit = fit_law(x, y)
    # The fit runs in logarithms: u(limit) = limit u(ln limit).
    u_limit, u_rate = np.sqrt(np.diag(fit.covariance)) * (fit.limit, fit.rate)
    # Eight digits: ten are reached, the certified values have eleven.
    assert_allclose((fit.limit, u_limit, fit.rate, u_rate, fit.residual_sum), certified, rtol=1e-8)
    assert_allclose(fit.residual_sd, math.sqrt(certified[4] / (len(x) - 2)), rtol=1e-8)


def test_two_developers_of_ives_reach_one_contrast() -> None:
    # H. E. Ives, Airplane Photography, 1920: gamma infinity, velocity factor, appearance after 5 s, Watkins factors 25
    # and 10. A definite contrast by Watkins' method must come out alike for both: read as common logarithms a minute it
    # does, within a few per cent; the digits are computed from his table.
    per_common_log = math.log(10.0) / 60.0  # to natural logarithms a second
    reached = [
        Kinetics(contrast_limit=limit, rate_per_s=velocity * per_common_log).contrast(time)
        for limit, velocity, time in ((1.45, 0.320, 25 * 5.0), (2.12, 0.400, 10 * 5.0))
    ]
    assert_allclose(reached, [1.138, 1.136], atol=5e-4)
    # "Nearly 2" in two and a half minutes at 20 C for the second developer, the same book.
    strong = Kinetics(contrast_limit=2.12, rate_per_s=0.400 * per_common_log)
    assert_allclose(strong.contrast(150.0), 1.908, atol=5e-4)


def test_warmth_by_wall() -> None:
    # E. J. Wall, Jahrbuch 24, 1910, p. 44: appearance after 70 s at 8 C and after 25 s at 20 C, a factor of 2.36 for
    # 10 C; its three digits are good to half of one, so the ratio to 1.2 times that: 0.25 %.
    law = Kinetics(contrast_limit=1.5, rate_per_s=0.003, wait_s=20.0, per_ten_degrees=2.36)
    assert_allclose(law.pace(8.0) / law.pace(20.0), 25.0 / 70.0, rtol=2.5e-3)


@pytest.mark.parametrize(("per_seven", "factor"), [(1.4, 1.617), (2.0, 2.692)])
def test_warmth_scales_time_as_in_ives(per_seven: float, factor: float) -> None:
    # Ives 1920: the time changes by these factors for 7 C either side of 20 C.
    law = Kinetics(contrast_limit=1.5, rate_per_s=0.003, wait_s=20.0, per_ten_degrees=per_seven ** (10.0 / 7.0))
    assert_allclose(law.per_ten_degrees, factor, atol=5e-4)
    assert_allclose(law.time_for(0.6, 13.0) / law.time_for(0.6, 20.0), per_seven, rtol=1e-12)
    assert_allclose(law.time_for(0.6, 20.0) / law.time_for(0.6, 27.0), per_seven, rtol=1e-12)


@given(
    contrast=st.floats(0.1, 0.95),
    temperature=st.floats(10.0, 30.0),
    use=st.integers(1, 6),
    wait=st.floats(0.0, 60.0),
)
def test_time_and_contrast_invert_each_other(contrast: float, temperature: float, use: int, wait: float) -> None:
    law = Kinetics(contrast_limit=1.0, rate_per_s=0.002, wait_s=wait, per_ten_degrees=2.2, loss_per_use=0.1)
    assert_allclose(law.contrast(law.time_for(contrast, temperature, use), temperature, use), contrast, rtol=1e-9)


def test_edges_of_the_law() -> None:
    law = Kinetics(contrast_limit=1.0, rate_per_s=0.002, wait_s=30.0)
    assert law.contrast(20.0) == 0.0
    assert law.time_for(1.0) == math.inf


def test_a_prior_draws_the_fit() -> None:
    # One residual of value x - 1 and a belief of 3 with the same doubt: the middle, 2, with variance one half.
    fit = least_squares(lambda p: (np.array([p[0] - 1.0, p[0] - 3.0]), np.ones((2, 1))), [10.0])
    assert_allclose((fit.parameters[0], fit.covariance()[0, 0]), (2.0, 0.5), rtol=1e-8)


@pytest.mark.parametrize(
    ("x", "y"),
    [((1.0, 2.0), (1.0, 2.0)), ((1.0, 2.0, 3.0), (1.0, 2.0)), (BOXBOD_X, (0.0,) * len(BOXBOD_X))],
)
def test_a_fit_that_cannot_be(x: tuple[float, ...], y: tuple[float, ...]) -> None:
    with pytest.raises(WrongUseError):
        fit_law(x, y)


def test_times_all_equal_tell_no_law() -> None:
    with pytest.raises(WrongUseError, match="do not give"):
        fit_law((5.0, 5.0, 5.0), (1.0, 1.1, 0.9))
