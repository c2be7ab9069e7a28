"""The curve of a calibration against the truth, over random scanners: error, and how often the truth is inside.

    python -m tests.trials.curve_rates [--scanners N] [--first SEED] [--family NAME ...] [--error D ...] [--steps N]

No scan is rendered: a scanner is a formula (or a table drawn by hand) from density to signal, the wedge's file is off
by an error of known size, and the steps' signals have noise and whole codes. The curve is held against the one through
every step.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.curves import shape_preserving
from densiscan.calibration.calibration import Calibration, StepReading
from densiscan.calibration.make import Label, calibrate_steps
from densiscan.errors import CalibrationError
from tests.support.made_up import FACTS

Floats = npt.NDArray[np.float64]
Level = Callable[[Floats], Floats]


def _coded(light: Floats, tone: str) -> Floats:
    if tone == "srgb":
        return np.asarray(np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055))
    return np.asarray(light ** (1.0 / float(tone)))


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
        return np.asarray((1 - bend) * plain + bend * plain * plain * (3 - 2 * plain))

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
    return np.asarray(0.05 + np.concatenate([[0.0], np.cumsum(rises)]) * (top - 0.05) / rises.sum())


PIXELS: Final = 2000
LABEL: Final = Label(name="trial", created="2026-01-01T00:00:00+00:00")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Errors:
    """Errors of a curve over a wedge, with their expanded uncertainties: by the laws, and through every step."""

    error: Floats
    uncertainty: Floats
    through: Floats
    through_uncertainty: Floats
    by_laws: bool
    named: int
    seconds: float


def seen(rng: np.random.Generator, level: Level, densities: Floats, full_scale: int) -> tuple[Floats, Floats]:
    """Return mean and scatter of the pixels of each step, 0 to 1."""
    true = np.clip(level(densities), 0.0, 1.0)
    sd = np.sqrt((0.004 * rng.uniform(0.5, 2)) ** 2 * true + (1e-4) ** 2)
    pixels = true[:, None] + sd[:, None] * rng.normal(size=(densities.size, PIXELS))
    codes = np.clip(np.rint(pixels * full_scale), 0, full_scale) / full_scale
    return codes.mean(axis=1), codes.std(axis=1)


def calibrated(seed: int, family: str, error: float, count: int) -> tuple[Calibration, Level]:
    """Draw a scanner and a wedge whose file is off by an error (standard deviation), and calibrate."""
    rng = np.random.default_rng([seed, 5])
    level = FAMILIES[family](rng)
    true, bits = wedge(rng, count), 8 if family == "8 bits" else 16
    signal, noise = seen(rng, level, true, 2**bits - 1)
    stated = np.sort(true + rng.normal(0, error, count))
    readings = [
        StepReading(
            step=str(number + 1),
            density=float(stated[number]),
            certificate=2.0 * error,
            signal=float(signal[number]),
            noise=float(noise[number]),
            independent=float(PIXELS),
            per_aperture=PIXELS / 10.0,
            clipped=0.0,
            box_mm=(0.0, 0.0, 5.0, 5.0),
        )
        for number in range(count)
    ]
    facts = replace(FACTS, bits=bits, full_scale=2**bits - 1)
    return calibrate_steps(readings, facts=facts, channel="gray", inverted=False, label=LABEL), level


def errors_of(seed: int, family: str, error: float, count: int) -> Errors:
    """Return the errors of one curve at 25 densities between 0.1 and 2.6, where the wedge has them.

    Raises CalibrationError where the scanner tells too few of the steps apart.
    """
    began = time.perf_counter()
    made, level = calibrated(seed, family, error, count)
    seconds = time.perf_counter() - began
    at = np.linspace(max(0.1, made.density_range[0]), min(2.6, made.density_range[1]), 25)
    signals = np.clip(level(at), 0.0, 1.0).tolist()
    found = []
    for curve in (made, replace(made, laws=())):
        read = [curve.density_of_signal(signal) for signal in signals]
        found += [read, [curve.quantity(10.0**-density).uncertainty or 0.0 for density in read]]
    return Errors(
        error=np.array(found[0]) - at,
        uncertainty=np.array(found[1]),
        through=np.array(found[2]) - at,
        through_uncertainty=np.array(found[3]),
        by_laws=bool(made.laws),
        named=sum(told.code == "steps-disagree" for told in made.warnings),
        seconds=seconds,
    )


def row(found: Sequence[Errors]) -> str:
    """Return what came of a cell: errors, truth inside, uncertainty, beside those through every step."""

    def rms(values: list[Floats]) -> float:
        return float(np.sqrt(np.mean(np.concatenate(values) ** 2)))

    mine, theirs = rms([one.error for one in found]), rms([one.through for one in found])
    inside = [np.abs(one.error) <= one.uncertainty for one in found]
    through = [np.abs(one.through) <= one.through_uncertainty for one in found]
    told = float(np.median(np.concatenate([one.uncertainty for one in found])))
    before = float(np.median(np.concatenate([one.through_uncertainty for one in found])))
    return (
        f"| {mine:.4f} | {theirs:.4f} | {mine / theirs:.2f} | {100 * np.mean(np.concatenate(inside)):.1f} % | "
        f"{100 * np.mean(np.concatenate(through)):.1f} % | {told:.4f} | {before:.4f} | "
        f"{sum(one.by_laws for one in found)} of {len(found)} | {sum(one.named for one in found)} | "
        f"{1e3 * np.median([one.seconds for one in found]):.0f} |"
    )


def main(arguments: Sequence[str]) -> int:
    """Print a row for each family, error and number of steps."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.curve_rates", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--scanners", type=int, default=60)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--family", nargs="+", default=list(FAMILIES), choices=list(FAMILIES))
    parser.add_argument("--error", nargs="+", type=float, default=[0.0015, 0.005, 0.01, 0.02])
    parser.add_argument("--steps", nargs="+", type=int, default=[5, 9, 15, 21, 31])
    asked = parser.parse_args(arguments)
    sys.stdout.write(
        "| family | error | steps | rms | through | ratio | inside | through | uncertainty | through | by laws | named "
        "| ms |\n| --- |" + " ---: |" * 12 + "\n"
    )
    for family, error, count in itertools.product(asked.family, asked.error, asked.steps):
        found = []
        for seed in range(asked.first, asked.first + asked.scanners):
            with contextlib.suppress(CalibrationError):
                found.append(errors_of(seed, family, error, count))
        sys.stdout.write(f"| {family} | {error:g} | {count} {row(found)}\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
