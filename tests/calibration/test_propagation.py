"""What goes into a density by a calibration, against a Monte Carlo (JCGM 101:2008) and GTC.

Laws and their shares are kept, as they are what the calibration was made with; what is drawn is what was measured.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import numpy.typing as npt
from GTC import ureal
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate_steps
from tests.support.made_up import FACTS, step_reading

LABEL = Label(name="mine", created="2026-01-02T03:04:05+00:00")
TRUE = np.linspace(0.05, 3.05, 21)
OWN, COMMON, NOISE = 0.008, 0.006, 0.004
"""Standard uncertainties of a step's density, by itself and with all others, and of its logarithm of light."""
LIGHT, DARK = 0.5, 1.9
SIGNAL = {density: float((0.9 * (10.0**-density + 3e-4)) ** (1.0 / 2.2)) for density in (LIGHT, DARK)}
MEASURED = ("wedge", "step noise")


@cache
def made() -> Calibration:
    """Return a calibration of a scanner of gamma 2.2 by a certificate that states what its steps share."""
    rng = np.random.default_rng(17)
    stated = TRUE + rng.normal(0.0, OWN, TRUE.size)
    level = (0.9 * (10.0**-TRUE + 3e-4)) ** (1.0 / 2.2)
    readings = [
        replace(
            step_reading(k, float(d), float(s), noise=1e-6),
            certificate=2.0 * math.hypot(OWN, COMMON),
            common=2.0 * COMMON,
        )
        for k, (d, s) in enumerate(zip(stated, level, strict=True))
    ]
    readings = [
        replace(one, noise=NOISE * one.signal * math.log(10.0) / 2.2, independent=1.0, per_aperture=1e4)
        for one in readings
    ]
    found = calibrate_steps(readings, facts=FACTS, channel="gray", inverted=False, label=LABEL)
    assert found.laws
    return found


def errors(own: npt.NDArray[np.float64], offset: float, scale: float) -> npt.NDArray[np.float64]:
    """Return the errors of the certificate: each step's own, and what all share.

    An instrument is off by an offset and by a scale, at density 1 a quarter of it, which together are what is stated.
    """
    density = np.array([step.reading.density for step in made().steps])
    whole = np.hypot(1.0, 0.25 * density)
    return np.asarray(OWN * own + COMMON * (offset + 0.25 * density * scale) / whole)


def read(moved: npt.NDArray[np.float64], noise: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return both densities by a wedge with other densities and other signals."""
    steps = tuple(
        replace(
            step,
            reading=replace(
                step.reading,
                density=step.reading.density + float(more),
                signal=step.reading.signal + float(by) * step.reading.mean_doubt,
            ),
        )
        for step, more, by in zip(made().steps, moved, noise, strict=True)
    )
    other = replace(made(), steps=steps, density_range=(steps[0].reading.density, steps[-1].reading.density))
    return np.array([other.density_of_signal(SIGNAL[density]) for density in (LIGHT, DARK)])


def measured(quantity: Quantity) -> float:
    """Return the standard uncertainty by what was measured: without what the curve leaves open between."""
    parts: dict[Influence, float] = dict(quantity.parts or {})
    return math.sqrt(math.fsum(part**2 for influence, part in parts.items() if influence.kind in MEASURED))


def told() -> tuple[Quantity, Quantity, Quantity]:
    light, dark = (made().quantity(10.0 ** -made().density_of_signal(SIGNAL[one])) for one in (LIGHT, DARK))
    return light, dark, dark - light


def test_a_density_and_a_range_are_as_uncertain_as_a_monte_carlo_says() -> None:
    """JCGM 101:2008, 5.9: everything measured is drawn anew. Spreads to 2 per cent."""
    size = TRUE.size
    # Draws freed of their chance covariance: then two hundred tell a spread as well as a hundred thousand do.
    drawn = np.random.default_rng(8).normal(size=(200, 2 * size + 2))
    drawn -= drawn.mean(axis=0)
    drawn = drawn @ np.linalg.inv(np.linalg.cholesky(drawn.T @ drawn / len(drawn))).T
    found = np.array([read(errors(one[:size], one[-2], one[-1]), one[size:-2]) for one in drawn])
    expected = [*found.std(axis=0), (found[:, 1] - found[:, 0]).std()]
    assert_allclose([measured(one) for one in told()], expected, rtol=0.02)


def test_a_density_and_a_range_are_as_uncertain_as_gtc_says() -> None:
    """GTC propagates (JCGM 100:2008, 5.2.2) how the curve moves by each input, found by differences. To 2 per cent."""
    size, none = TRUE.size, np.zeros(TRUE.size)

    def slopes(
        own: npt.NDArray[np.float64], offset: float, scale: float, noise: npt.NDArray[np.float64]
    ) -> list[float]:
        moved = errors(own, offset, scale)
        return list(0.5 * (read(moved, noise) - read(-moved, -noise)))

    inputs = [
        *(slopes(one, 0.0, 0.0, none) for one in np.eye(size)),
        slopes(none, 1.0, 0.0, none),
        slopes(none, 0.0, 1.0, none),
        *(slopes(none, 0.0, 0.0, one) for one in np.eye(size)),
    ]
    each = [ureal(0.0, 1.0) for _ in inputs]
    light, dark = (sum(by[end] * one for by, one in zip(inputs, each, strict=True)) for end in (0, 1))
    expected = [light.u, dark.u, (dark - light).u]
    assert_allclose([measured(one) for one in told()], expected, rtol=0.02)
