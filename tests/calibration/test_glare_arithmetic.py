"""The sums behind glare: spreading light, and the shares that explain what is seen in the black."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import ndimage, optimize

from densiscan.calibration.glare import REACHES_MM, USUAL, Glare, shares_of, spread, veil
from densiscan.files.serialise import as_dict, read_result

FIVE = (0.001, 0.002, 0.0005, 0.004, 0.003)


@pytest.mark.parametrize("cell_mm", [(1.0, 1.0), (0.5, 2.0), (3.0, 0.25)])
@pytest.mark.parametrize("reach", [1.5, 6.0, 24.0])
def test_light_spreads_as_by_a_general_filter(reach: float, cell_mm: tuple[float, float]) -> None:
    """Reference: scipy.ndimage.gaussian_filter, its border continued, cut off far out."""
    light = np.random.default_rng(4).uniform(0.0, 1.0, (31, 44))
    theirs = ndimage.gaussian_filter(light, [reach / size for size in cell_mm], mode="nearest", truncate=8.0)
    # Beyond four standard deviations on each axis lies 6e-5 of the light, on two axes twice that.
    assert_allclose(spread(light, reach, cell_mm=cell_mm), theirs, rtol=0, atol=1.3e-4)


@pytest.mark.parametrize("reach", REACHES_MM)
def test_black_far_from_all_light_stays_black(reach: float) -> None:
    """A calibration is refused as damaged when the light round one of its steps is below nothing."""
    light = np.zeros((240, 240))
    light[:40] = np.random.default_rng(7).uniform(0.5, 1.0, (40, 240))
    found = spread(light, reach, cell_mm=(1.0, 1.0))
    assert found.min() >= 0.0
    assert found.max() <= 1.0


def test_even_light_stays_even_and_is_veiled_by_its_share() -> None:
    even = np.full((20, 30), 0.7)
    assert_allclose(veil(even, Glare(shares=FIVE), cell_mm=(1.0, 0.5)), 0.7 * sum(FIVE), rtol=1e-12)
    assert_allclose(Glare(shares=FIVE).total, sum(FIVE), rtol=1e-12)
    assert_allclose(USUAL.total, 0.004, rtol=1e-12)  # common practice: 0.1 to 1 per cent


def test_each_share_goes_with_its_reach() -> None:
    """A small bright spot: right beside it the shortest reach counts, far off only the longest."""
    light = np.zeros((121, 121))
    light[60, 60] = 1.0
    for number, reach in enumerate(REACHES_MM):
        alone = Glare(shares=tuple(0.01 if k == number else 0.0 for k in range(5)))
        found = veil(light, alone, cell_mm=(1.0, 1.0))
        # A Gaussian's own: at one standard deviation exp(-1/2) of its middle (cells of 1 mm, so to nearest cells).
        k = round(reach) or 1
        assert_allclose(found[60, 60 + k] / found[60, 60], np.exp(-0.5 * (k / reach) ** 2), rtol=1e-9)
        on_map = math.erf(60.5 / reach / math.sqrt(2.0)) ** 2  # the rest falls beyond the 121 mm
        assert_allclose(found.sum(), 0.01 * on_map, rtol=3e-4)  # cut off at four standard deviations: 6e-5 an axis


def maps() -> np.ndarray:
    """The light of a slot at 60 places in the black, by reach: Gaussians of the distance."""
    away = np.linspace(1.0, 60.0, 60)
    return np.stack([np.exp(-0.5 * (away / reach) ** 2) for reach in REACHES_MM])


@pytest.mark.parametrize("shares", [FIVE, (0.0,) * 5, (0.0, 0.0, 0.004, 0.0, 0.0), (0.001, 0.0, 0.002, 0.003, 0.004)])
@pytest.mark.parametrize("black", [0.0, 0.0007, -0.0002])
def test_shares_come_back(shares: tuple[float, ...], black: float) -> None:
    found, constant = shares_of(maps(), np.array(shares) @ maps() + black)
    # 1e-8: the squared matrix of five such like curves has a condition of about 1e6.
    assert_allclose(found, shares, rtol=0, atol=1e-8)
    assert_allclose(constant, black, rtol=0, atol=1e-8)


@given(seed=st.integers(0, 10_000), noise=st.sampled_from([1e-5, 3e-4, 3e-3]))
def test_no_share_is_below_zero_and_none_is_better(seed: int, noise: float) -> None:
    """Reference: scipy.optimize.nnls, the constant as the difference of two numbers that are not negative."""
    rng = np.random.default_rng(seed)
    truth = rng.uniform(0.0, 0.005, 5) * rng.integers(0, 2, 5)
    seen = truth @ maps() + 0.0005 + rng.normal(0.0, noise, 60)
    shares, black = shares_of(maps(), seen)
    design = np.vstack([maps(), np.ones(60), -np.ones(60)]).T
    _, least = optimize.nnls(design, seen)
    assert min(shares) >= 0.0
    left = float(np.linalg.norm(np.array(shares) @ maps() + black - seen))
    assert_allclose(left, least, rtol=1e-6)


def test_a_glare_is_kept_and_read_back() -> None:
    glare = Glare(shares=FIVE, file="slot.tif")
    kept = json.loads(json.dumps(as_dict(glare)))
    assert kept["reaches_mm"] == [1.5, 3.0, 6.0, 12.0, 24.0]
    assert read_result(Glare, kept) == glare


@pytest.mark.parametrize("shares", [(0.001,) * 4, (0.5, 0.0, 0.0, 0.0, 0.0), (-0.001, 0.0, 0.0, 0.0, 0.0)])
def test_what_is_no_glare_is_refused(shares: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="each reach"):
        Glare(shares=shares)


def test_a_glare_of_other_reaches_is_refused() -> None:
    with pytest.raises(ValueError, match="other reaches"):
        read_result(Glare, {"file": "", "reaches_mm": [1.0, 2.0, 4.0, 8.0, 16.0], "shares": list(FIVE)})
