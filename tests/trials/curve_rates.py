"""The curve of a calibration against the truth, over random scanners: error, and how often the truth is inside.

    python -m tests.trials.curve_rates [--scanners N] [--first SEED] [--family NAME ...] [--error D ...] [--steps N ...]

No scan is rendered: a scanner is a formula (or a table drawn by hand) from density to signal, the wedge's file is off by
an error of known size, and the steps' signals have noise and whole codes. The curve is held against the same steps'
curve through every one of them.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.curves import shape_preserving

Floats = npt.NDArray[np.float64]
Level = Callable[[Floats], Floats]


def _coded(light: Floats, tone: str) -> Floats:
    if tone == "srgb":
        return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.maximum(light, 0.0) ** (1.0 / float(tone))


def _law(rng: np.random.Generator, tones: Sequence[str] = ("1", "1.8", "2.2", "srgb")) -> Level:
    tone = str(rng.choice(tones))
    gain, black = float(rng.uniform(0.8, 1.0)), abs(float(rng.normal(0, 0.001)))
    flare = 10.0 ** float(rng.uniform(-4.5, -3.0))
    return lambda density: black + _coded(gain * (10.0**-density + flare), tone) * (1 - black)


def _wiggled(rng: np.random.Generator, size: float) -> Level:
    law, phase, period = _law(rng), float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(0.8, 2.0))
    return lambda density: law(density + size * np.sin(2 * math.pi * density / period + phase))


def _s_curve(rng: np.random.Generator) -> Level:
    gain, power, bend = float(rng.uniform(0.8, 1.0)), float(rng.uniform(1.6, 2.4)), float(rng.uniform(0.1, 0.7))

    def level(density: Floats) -> Floats:
        plain = (gain * (10.0**-density + 1e-4)) ** (1 / power)
        return (1 - bend) * plain + bend * plain * plain * (3 - 2 * plain)

    return level


def _logarithmic(rng: np.random.Generator) -> Level:
    top, fall, flare = (
        float(rng.uniform(0.85, 1.0)),
        float(rng.uniform(0.22, 0.3)),
        10.0 ** float(rng.uniform(-4.5, -3.3)),
    )
    return lambda density: top + fall * np.log10(10.0**-density + flare)


def _drawn(rng: np.random.Generator) -> Level:
    """A table drawn by hand: a few points near a power, joined smoothly."""
    law = _law(rng)
    points = np.linspace(-0.3, 4.0, int(rng.integers(7, 12)))
    moved = points + np.cumsum(rng.normal(0, 0.02, points.size)) * np.sqrt(4.3 / points.size)
    return lambda density: law(shape_preserving(points, moved, density))


def _stepped(rng: np.random.Generator) -> Level:
    """A step in the response where the gain changes."""
    law, place, size = _law(rng), float(rng.uniform(0.8, 2.0)), float(rng.uniform(0.005, 0.02))
    return lambda density: law(density + size * (density > place))


FAMILIES: Final[dict[str, Callable[[np.random.Generator], Level]]] = {
    "law": _law,
    "s-curve": _s_curve,
    "logarithmic": _logarithmic,
    "wiggle 0.01": lambda rng: _wiggled(rng, 0.01),
    "wiggle 0.02": lambda rng: _wiggled(rng, 0.02),
    "drawn": _drawn,
    "stepped": _stepped,
    "8 bits": _law,
}


def wedge(rng: np.random.Generator, count: int) -> Floats:
    """Draw true densities, rising."""
    top = float(rng.uniform(2.7, 3.2)) if count >= 11 else float(rng.uniform(1.5, 2.8))
    rises = np.full(count - 1, 1.0) * rng.normal(1, 0.05, count - 1)
    return 0.05 + np.concatenate([[0.0], np.cumsum(rises)]) * (top - 0.05) / rises.sum()


PIXELS: Final = 2000


def seen(rng: np.random.Generator, level: Level, densities: Floats, full_scale: int) -> tuple[Floats, Floats]:
    """Return mean and scatter of the pixels of each step, 0 to 1."""
    true = np.clip(level(densities), 0.0, 1.0)
    sd = np.sqrt((0.004 * rng.uniform(0.5, 2)) ** 2 * true + (1e-4) ** 2)
    pixels = true[:, None] + sd[:, None] * rng.normal(size=(densities.size, PIXELS))
    codes = np.clip(np.rint(pixels * full_scale), 0, full_scale) / full_scale
    return codes.mean(axis=1), codes.std(axis=1)
