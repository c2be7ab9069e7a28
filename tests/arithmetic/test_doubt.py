"""What widens a reading: noise that is no picture, whole codes, how many readings stand behind a percentile."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.calibration.calibration import rounding_codes
from densiscan.negative.options import MeasureOptions
from densiscan.scan.apertures import ApertureReadings
from densiscan.scan.grain import noise_of_mean
from tests.negative.test_negative import measured, plain_scan


@pytest.mark.parametrize("picture", ["none", "gradient", "bend", "edge"])
def test_a_picture_is_no_noise(picture: str) -> None:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:60, :60] / 60.0
    values = {"none": 0.0 * x, "gradient": x + 2.0 * y, "bend": x * x - y * y, "edge": np.where(x > 0.5, 1.0, 0.0)}[
        picture
    ]
    found = noise_of_mean(values + rng.normal(0.0, 0.01, x.shape), np.ones(x.shape, bool), block=(2, 2))
    # 0.01 over the root of 3600 pixels; 784 second differences tell it to about 5 %, three of them allowed.
    assert_allclose(found, 0.01 / 60.0, rtol=0.15)


def test_too_small_a_patch_tells_no_noise() -> None:
    assert math.isinf(noise_of_mean(np.zeros((4, 4)), np.ones((4, 4), bool), block=(2, 2)))


@pytest.mark.parametrize("noise", [0.0, 0.15, 0.3, 0.6])
def test_what_rounding_leaves_on_a_mean(noise: float) -> None:
    """Reference: many levels between two codes, each rounded with normal noise; the root mean square of the errors."""
    levels = (np.arange(400) + 0.5) / 400.0
    draws = np.random.default_rng(9).standard_normal(20_000)[None, :]
    rounded = np.rint(levels[:, None] + noise * draws)
    errors = rounded.mean(axis=1) - levels - noise * draws.mean()
    scatter = math.sqrt(float(rounded.var(axis=1).mean()))
    told = rounding_codes(scatter)
    actual = float(np.sqrt(np.mean(errors**2)))
    # The first harmonic alone: within a third of the truth, which is all a doubt needs; 0.01 for the draws.
    assert_allclose(told, actual, rtol=0.35, atol=0.01)


@pytest.mark.parametrize("scratched", [False, True])
def test_a_scratch_in_a_spot_is_doubted(tmp_path: Path, scratched: bool) -> None:
    """By hand: the line is clear, 0.3 mm wide over a spot of 3 mm, and eight times as light as the film."""
    rng = np.random.default_rng(2)
    image = 10.0**-1.0 * (1.0 + 0.01 * rng.standard_normal((120, 120)))
    if scratched:
        image[:, 58:61] = 0.8
    scan = plain_scan(tmp_path, image)
    read = measured(scan, MeasureOptions(frame_mm=(1.0, 1.0, 10.0, 10.0), spots_mm=((6.0, 6.0),), aperture_mm=3.0))
    density = read[0].spots[0].density
    doubt = density.budget().get("specks", 0.0)
    # What the line takes off the density, as a rectangle of its half-width; nothing but noise is left without it.
    assert_allclose(doubt, (1.0 - density.value) / math.sqrt(3.0) if scratched else 0.0, atol=0.001)
    assert not scratched or 1.0 - density.value > 0.2


def test_a_percentile_is_surer_than_one_reading() -> None:
    density = np.linspace(0.2, 1.2, 10_001)
    read = ApertureReadings(density=density, noise=np.full(10, 0.01), overlapping=10.0, specks=0.0, too_many=False)
    # 200 readings lie within 0.01 of it to either side, 20 that do not overlap.
    assert_allclose(read.noise_of_quantile(0.5), 0.01 / math.sqrt(20.0), rtol=0.01)
    alone = ApertureReadings(
        density=density[::2000], noise=np.full(10, 0.01), overlapping=10.0, specks=0.0, too_many=False
    )
    assert_allclose(alone.noise_of_quantile(0.5), 0.01, rtol=1e-12)
