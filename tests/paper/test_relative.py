"""What may lie between the signals of a scan and densities: weighed by what papers and scanners are like."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.paper.uncalibrated import ways_of

DENSITIES = np.array([0.0, 0.04, 0.30, 0.90, 1.50, 1.80])
"""Above the white of a print: those of a paper with a net black of 1.80."""


def signals(power: float, floor: float = 0.003) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """What a scanner with this tone curve makes of them, the white at 0.9 of its scale."""
    light = floor + (1.0 - floor) * 10.0**-DENSITIES
    return np.asarray((0.9 * light) ** (1.0 / power))


@pytest.mark.parametrize("power", [1.0, 1.8, 2.2])
def test_densities_come_back_within_what_is_in_doubt(power: float) -> None:
    ways = ways_of(signals(power), profile=None)
    assert_allclose(sum(way.weight for way in ways), 1.0, atol=1e-12)
    seen = np.array([way.density(signals(power)) for way in ways])
    weights = np.array([way.weight for way in ways])
    mean = weights @ seen
    spread = np.sqrt(weights @ (seen - mean) ** 2)
    assert bool(np.all(np.abs(mean - DENSITIES) <= 2.0 * spread + 1e-9))
    # The black is foretold within what papers have: 0.25 and no worse.
    assert spread[-1] <= 0.25


def test_what_is_foretold_exactly_is_exact() -> None:
    # The true curve, black and floor are among the ways when the black is stated, and give the densities back.
    ways = ways_of(signals(2.2), profile="gamma 2.2", net_black=1.80)
    nearest = min(ways, key=lambda way: float(np.max(np.abs(way.density(signals(2.2)) - DENSITIES))))
    assert_allclose(nearest.density(signals(2.2)), DENSITIES, atol=1e-6)


def test_a_named_profile_makes_it_surer() -> None:
    def spread(profile: str | None) -> float:
        ways = ways_of(signals(2.2), profile=profile)
        weights = np.array([way.weight for way in ways])
        first = np.array([float(way.density(signals(2.2))[1]) for way in ways])
        return float(np.sqrt(weights @ (first - weights @ first) ** 2))

    # sRGB is near enough to a power of 2.2 (IEC 61966-2-1) for both names to help.
    assert spread("Gray Gamma 2.2") < 0.6 * spread(None)
    assert spread("sRGB built-in") < 0.8 * spread(None)


def test_noise_of_a_density_by_its_slope() -> None:
    way = ways_of(signals(2.2), profile=None)[0]
    where, step = signals(2.2), 1e-6
    slope = (way.density(where - step) - way.density(where + step)) / (2.0 * step)
    assert_allclose(way.noise(where, np.full(where.size, 0.002)), 0.002 * np.abs(slope), rtol=1e-3)


def test_no_paper_is_as_light_as_this() -> None:
    # The darkest step sends back 60 % of what the white does, or, by the steepest curve that is tried, 27 %.
    assert ways_of(np.array([0.9, 0.8, 0.54]), profile=None) == ()
