"""The curve of a paper by hand: a logistic law, landmarks, ends not yet reached."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.paper.curve import PaperCurve, curve_through
from densiscan.paper.ends import End, Ends, find_ends

Floats = npt.NDArray[np.float64]

# The curve. A logistic law d = base + N / (1 + exp(-k (x - x0))) is straight in log(n / (N - n)).

STEEP, MIDDLE, BASE, NET = 5.8, -0.6, 0.07, 2.0


def logistic(x: Floats) -> Floats:
    return np.asarray(BASE + NET / (1.0 + np.exp(-STEEP * (x - MIDDLE))))


def curve() -> PaperCurve:
    x = np.arange(-2.6, 1.41, 0.1)
    return PaperCurve(log_exposure=x, density=logistic(x), base=BASE, top=BASE + NET)


def test_a_curve_goes_through_its_points_and_holds_beyond() -> None:
    found = curve()
    assert_allclose(found.net, NET, rtol=1e-12)
    assert_allclose(found.density_at(found.log_exposure), found.density, rtol=0, atol=1e-9)
    ends = found.density_at([-9.0, 9.0])
    assert_allclose(ends, found.density[[0, -1]], rtol=0, atol=1e-9)
    assert found.density_at(0.0).shape == ()
    assert found.density_at([[0.0, 0.1], [0.2, 0.3]]).shape == (2, 2)


def test_between_its_points_a_logistic_law_is_kept() -> None:
    fine = np.linspace(-2.4, 1.2, 500)
    # The lift by 0.01 keeps both ends finite and bends the straight line there: 0.001 of density.
    assert_allclose(curve().density_at(fine), logistic(fine), rtol=0, atol=1e-3)


@given(density=st.floats(BASE + 0.02, BASE + NET - 0.02))
def test_exposure_and_density_undo_each_other(density: float) -> None:
    found = curve()
    place = found.log_exposure_at(density)
    assert place is not None
    # Straight lines between 65 cuts of each interval: a few 1e-6 of exposure at a slope of 3.
    assert_allclose(found.density_at(place), density, rtol=0, atol=5e-5)


def test_what_the_points_do_not_reach_has_no_place() -> None:
    x = np.array([0.0, 0.5, 1.0])
    found = PaperCurve(log_exposure=x, density=np.array([0.3, 1.0, 1.6]), base=0.1, top=2.0)
    assert found.log_exposure_at(0.29) is None
    assert found.log_exposure_at(1.61) is None
    assert found.log_exposure_at(0.3) == 0.0
    assert_allclose(found.log_exposure_at(1.0) or 0.0, 0.5, rtol=0, atol=1e-9)
    assert_allclose(found.log_exposure_at(1.6) or 0.0, 1.0, rtol=0, atol=1e-9)
    first = found.log_exposure_at(0.6)  # between the first two points
    assert first is not None
    assert 0.0 < first < 0.5
    assert_allclose(found.density_at(first), 0.6, rtol=0, atol=5e-5)
    assert found.landmarks() == {}  # 0.14, 1.81 and 1.96 all lie beyond


def test_landmarks_by_hand() -> None:
    """ISO 6846: T at 0.04 above white, S at 90 % of the net black; full black 0.04 short: x0 + ln(p / (1 - p)) / k."""
    places = {"highlight": 0.04 / NET, "shadow": 0.9, "black": 1.0 - 0.04 / NET}
    wanted = {name: MIDDLE + math.log(p / (1.0 - p)) / STEEP for name, p in places.items()}
    found = curve().landmarks()
    assert list(found) == list(wanted)
    assert_allclose(list(found.values()), list(wanted.values()), rtol=0, atol=2e-3)


def test_the_steepest_slope_of_a_logistic_law() -> None:
    assert_allclose(curve().steepest(), STEEP * NET / 4.0, rtol=2e-3)


def end(densities: list[float], chances: list[float], last: float) -> End:
    return End(last=last, densities=np.array(densities), chances=np.array(chances))


def test_an_end_by_hand() -> None:
    """Mean 2.04; variance 0.25 x 0.04^2 + 0.25 x 0.04^2; beyond the last point 0.04 and, with 97.5 %, 0.08."""
    found = end([2.00, 2.04, 2.08], [0.25, 0.50, 0.25], 2.00)
    assert_allclose(found.density, 2.04, rtol=1e-12)
    assert_allclose(found.standard, 0.04 / math.sqrt(2.0), rtol=1e-12)
    assert_allclose(found.to_come(), (0.04, 0.08), rtol=1e-9)
    assert found.goes_on()
    assert not end([2.00, 2.04, 2.08], [0.25, 0.50, 0.25], 2.02).goes_on()
    # Three that are equally likely: at a sixth, a half and five sixths of what is summed up to the middle of each.
    assert_allclose(
        found.equally_likely(3), (2.00 + 0.04 * (1 / 6 - 0.125) / 0.375, 2.04, 2.08 - 0.04 / 9.0), rtol=1e-9
    )
    assert_allclose(float(np.mean(found.equally_likely(201))), 2.04, atol=1e-9)


@pytest.mark.parametrize(
    ("white", "at_most", "reached"),
    [(0.0099, 0.0199, True), (0.0101, 0.0199, False), (0.0099, 0.0201, False)],
)
def test_a_white_in_sight_and_not(white: float, at_most: float, reached: bool) -> None:
    """A quarter of the first tone expected, half of it at most."""
    black = end([2.0, 2.0], [0.5, 0.5], 2.0)
    # Of three places the middle is the mean; the furthest has 5 of 100.
    low = end([0.10 - 2.0 * white + at_most, 0.10 - white, 0.10 - at_most], [0.05, 0.90, 0.05], 0.10)
    ends = Ends(white=low, black=black)
    assert ends.white_reached() is reached
    assert_allclose(ends.base, 0.10 - white if reached else 0.10, rtol=1e-9)


@pytest.mark.parametrize(
    ("black", "at_most", "reached"),
    [(0.099, 0.199, True), (0.106, 0.199, False), (0.099, 0.211, False)],
)
def test_a_black_in_sight_and_not(black: float, at_most: float, reached: bool) -> None:
    """A twentieth of the net density of 2.00 and of what is added, and a tenth of it."""
    white = end([0.1, 0.1], [0.5, 0.5], 0.1)
    high = end([2.1 + 2.0 * black - at_most, 2.1 + black, 2.1 + at_most], [0.05, 0.90, 0.05], 2.1)
    ends = Ends(white=white, black=high)
    assert ends.black_reached() is reached
    assert_allclose(ends.top, 2.1 + black if reached else 2.1, rtol=1e-9)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.6])
def test_what_is_still_to_come_of_an_exponential_end(share: float) -> None:
    """What is left shrinks by the same share from step to step, as of a geometric series: the slowest end of all."""
    left = 1.9 * share ** np.arange(6.0)
    density = np.concatenate(([0.1, 0.1, 0.1, 0.1], 2.0 - left))
    x = np.linspace(0.0, 0.2 * (density.size - 1), density.size)
    found = find_ends(x, density, np.full(density.size, 0.001)).black
    expected, most = found.to_come()
    assert abs(expected - left[-1]) <= 2.0 * found.standard
    # It may be this law and no other: the end is not beyond what is foretold at most.
    assert left[-1] <= 1.1 * most
    turned = find_ends(-x[::-1], 2.1 - density[::-1], np.full(density.size, 0.001)).white
    assert_allclose(turned.to_come(), (expected, most), rtol=1e-6)
    assert_allclose(turned.density, 2.1 - found.density, rtol=1e-6)


def test_two_points_are_no_curve() -> None:
    with pytest.raises(ValueError, match="no black and white"):
        curve_through(np.array([0.0, 1.0]), np.array([0.1, 2.0]), base=0.1, top=2.0)


@pytest.mark.parametrize("top", [0.25, 0.261])
def test_hardly_any_difference_is_no_print(top: float) -> None:
    """Four times the first tone, 0.16, is the least."""
    x, density = np.arange(4.0), np.array([0.1, 0.1, top, top])
    if top < 0.26:
        with pytest.raises(ValueError, match="no black and white"):
            curve_through(x, density, base=0.1, top=top)
    else:
        assert curve_through(x, density, base=0.1, top=top).net == pytest.approx(top - 0.1)
