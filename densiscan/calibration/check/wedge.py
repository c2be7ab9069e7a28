"""What the scan of a wedge tells of a scanner: noise, usable range, gray levels, tone; and how far it has drifted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import fit_line, isotonic
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.calibration.calibration import Calibration, StepReading
from densiscan.calibration.lamp import LampField, lamp_warnings
from densiscan.calibration.trust import drifted_warning
from densiscan.calibration.usable_steps import CONFIDENCE
from densiscan.errors import MeasureError
from densiscan.scan.scan import Scan
from densiscan.scan.survey import patch

LEAST_RATIO: Final = 1.0
"""Incremental signal-to-noise ratio at which the usable range ends (from memory: the idea of ISO 21550)."""
DRIFTED: Final = 0.02
"""Density from which a calibration counts as drifted: what a nominal wedge is doubted by (common practice)."""
_SURE: Final = 1.5
"""Expanded uncertainties (k = 2) that a drift must exceed: three standard deviations, one false alarm in 370 steps."""
_FEW_LEVELS: Final = 10.0
"""Gray levels in 0.1 of density below which rounding is more than 0.003 (k = 1) and shadings break into steps."""
_STRAIGHT: Final = 0.3
"""Scatter of the logarithm of the slope from which a tone is no simple curve."""
_LINEAR: Final = (0.85, 1.4)
"""Decades of signal a unit of density that count as linear: silver is up to 1.4 times as dense to directed light."""
_CLIPPED: Final = 0.01
_DROWNED: Final = 0.25
"""Share of a dark step's pixels at code 0 from which neither its signal nor its noise is what it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCheck:
    """What the scanner makes of one step.

    Attributes
    ----------
    noise
        Standard deviation of the density from pixel to pixel; None where the scanner no longer answers to density.
    aperture_noise
        The same of readings through a 1 mm aperture.
    signal_to_noise
        Incremental: the change of signal that a small relative change of light makes, divided by the noise.
    levels
        Codes that 0.1 of density covers.
    told_apart
        From the step before it, through a 1 mm aperture; of the first step from the second.
    """

    step: str
    density: float
    signal: float
    noise: float | None
    aperture_noise: float | None
    signal_to_noise: float
    levels: float
    told_apart: bool
    clipped: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """The tone curve in a word (linear, gamma, log-like, bent) and its slope in decades of signal a unit of density."""

    word: str
    slope: float

    @property
    def gamma(self) -> float:
        """The gamma whose curve has this slope."""
        return 1.0 / max(self.slope, 1e-3)

    @property
    def words(self) -> str:
        """Return the tone as a person says it."""
        if self.word == "gamma":
            return f"about gamma {self.gamma:.1f}"
        if self.word == "bent":
            return f"bent, on average about gamma {self.gamma:.1f}"
        return self.word


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeCheck:
    """What the wedge tells of the scanner.

    Attributes
    ----------
    usable_range
        From the lightest step that is not clipped to the density at which the incremental signal-to-noise ratio of
        single pixels falls to `least_ratio`; the densest step where it never does (`range_ends` False).
    told_apart
        How many steps are told apart from their neighbour through a 1 mm aperture.
    """

    file: str
    ppi: float | None
    steps: tuple[StepCheck, ...]
    tone: Tone
    least_ratio: float
    usable_range: tuple[float, float]
    range_ends: bool
    told_apart: int
    ends_by_steps: bool = False
    warnings: tuple[Warning_, ...] = ()


def wedge_check(made: Calibration, *, least_ratio: float = LEAST_RATIO) -> WedgeCheck:
    """Judge a scanner by the calibration just made from the scan of a wedge.

    The noise holds the grain of the wedge too, and all that does not change from scan to scan: the range is rather too
    short than too long. It follows the idea of ISO 21550; it is no measurement by that standard, which prescribes the
    target, repeated scans and the treatment of fixed patterns.

    References
    ----------
    ISO 21550:2004, dynamic range of film scanners (from memory): the density at which the incremental signal-to-noise
    ratio has fallen to 1.
    """
    readings = [step.reading for step in made.steps]
    level = np.array([_level(reading, made) for reading in readings])
    density = np.array([reading.density for reading in readings])
    noise = np.array([max(reading.noise, 0.3 / made.scan.full_scale) for reading in readings])
    # A few pixels of a dark step at code 0 are its noise; at the light end they are lost light.
    clipped = np.array([reading.clipped for reading in readings]) > np.where(level > 0.5, _CLIPPED, _DROWNED)
    answer = _answer(level, density, noise / np.sqrt([reading.independent for reading in readings]), clipped)
    ratio = answer / math.log(10.0) / noise
    apart = _apart(level, noise / np.sqrt([reading.per_aperture for reading in readings]), clipped)
    steps = tuple(
        StepCheck(
            step=reading.step,
            density=reading.density,
            signal=reading.signal,
            noise=_over(noise[n], answer[n]),
            aperture_noise=_over(noise[n] / math.sqrt(reading.per_aperture), answer[n]),
            signal_to_noise=float(ratio[n]),
            levels=float(0.1 * answer[n] * made.scan.full_scale),
            told_apart=bool(apart[n]),
            clipped=bool(clipped[n]),
        )
        for n, reading in enumerate(readings)
    )
    low, high, ends = _usable(density, ratio, clipped, least_ratio)
    # What a reading may lie in is said once, by the calibration: beyond the steps it tells apart nothing is usable.
    lightest, densest = made.density_range
    by_steps = high > densest
    low, high, ends = min(max(low, lightest), densest), min(high, densest), ends or by_steps
    return WedgeCheck(
        file=made.scan.file,
        ppi=made.scan.ppi,
        steps=steps,
        tone=tone_of(made),
        least_ratio=least_ratio,
        usable_range=(low, high),
        range_ends=ends,
        ends_by_steps=by_steps,
        told_apart=int(np.count_nonzero(apart)),
        warnings=(*made.warnings, *(_levels_warning(steps, high) if made.scan.bits < 16 else ())),
    )


def _level(reading: StepReading, made: Calibration) -> float:
    return 1.0 - reading.signal if made.inverted else reading.signal


def _over(noise: float, answer: float) -> float | None:
    return float(noise / answer) if answer > 1e-9 and noise / answer < 10.0 else None


def _answer(level: Floats, density: Floats, doubt: Floats, clipped: npt.NDArray[np.bool_]) -> Floats:
    """Return by how much signal the scanner answers to a unit of density at each step, at least 0.

    Between neighbours the signal is taken to fall exponentially, as it does but for flare; where the levels are out of
    order they are pooled first.
    """
    pooled = np.maximum(-isotonic(-level, 1.0 / np.maximum(doubt, 1e-9) ** 2), 1e-9)
    answer = np.zeros_like(level)
    free = np.flatnonzero(~clipped)
    for n, number in enumerate(free.tolist()):
        near = free[max(n - 1, 0) : n + 2]
        first, last = int(near[0]), int(near[-1])
        if first != last:
            decades = math.log10(pooled[first] / pooled[last]) / (density[last] - density[first])
            answer[number] = max(decades, 0.0) * math.log(10.0) * pooled[number]
    return answer


def _apart(level: Floats, noise: Floats, clipped: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    fall = (level[:-1] - level[1:]) / np.hypot(noise[:-1], noise[1:])
    apart = (fall >= CONFIDENCE) & ~clipped[:-1] & ~clipped[1:]
    return np.concatenate((apart[:1], apart))


def _usable(density: Floats, ratio: Floats, clipped: npt.NDArray[np.bool_], least: float) -> tuple[float, float, bool]:
    """Return where the ratio falls to the least one, taken as falling with density all along."""
    free = ~clipped
    if not free.any():
        return float(density[0]), float(density[0]), True
    at, log = density[free], np.log10(np.maximum(ratio[free], 1e-4))
    falling = -isotonic(-log)
    limit = math.log10(least)
    below = np.flatnonzero(falling < limit)
    if below.size == 0:
        return float(at[0]), float(at[-1]), bool(density[-1] > at[-1])
    n = int(below[0])
    if n == 0:
        return float(at[0]), float(at[0]), True
    part = (falling[n - 1] - limit) / (falling[n - 1] - falling[n])
    return float(at[0]), float(at[n - 1] + part * (at[n] - at[n - 1])), True


def _levels_warning(steps: tuple[StepCheck, ...], densest: float) -> tuple[Warning_, ...]:
    """Say where a scan of less than 16 bits is too coarse; with 16 the noise is the limit long before."""
    coarse = [step for step in steps if step.density <= densest and not step.clipped and step.levels < _FEW_LEVELS]
    if not coarse:
        return ()
    return (
        Warning_(
            code="few-gray-levels",
            message=f"From density {coarse[0].density:.2f} on, 0.1 of density has fewer than {_FEW_LEVELS:.0f} gray "
            "levels; scan in 16 bits.",
        ),
    )


def tone_of(made: Calibration) -> Tone:
    """Return the tone curve of a calibration in a word, from the steps that it uses.

    Linear and gamma are straight when log signal is drawn against density; log-like is straight when the signal itself
    is. The straighter of the two is believed; the dark third, where flare and black level bend everything, counts only
    where there are too few steps without it.
    """
    readings = [step.reading for step in made.steps if step.used]
    kept = readings[: max(4, math.ceil(0.67 * len(readings)))]
    level = np.array([_level(reading, made) for reading in kept])
    density = np.array([reading.light_density for reading in kept])
    log = np.log10(np.maximum(level, 1e-6))
    slope = -fit_line(density, log).slope
    as_power, as_log = _unevenness(log, density), _unevenness(level, density)
    if as_log < 0.5 * as_power and as_log < _STRAIGHT:
        return Tone(word="log-like", slope=slope)
    if as_power > _STRAIGHT:
        return Tone(word="bent", slope=slope)
    low, high = _LINEAR
    return Tone(word="linear" if low <= slope <= high else "gamma", slope=slope)


def _unevenness(values: Floats, density: Floats) -> float:
    slopes = np.maximum(-np.diff(values) / np.diff(density), 1e-6)
    return float(np.log(slopes).std())


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDrift:
    """How much denser the calibration in use reads a step than it is."""

    step: str
    density: float
    difference: Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftCheck:
    """How far the scanner has drifted from the calibration in use.

    Attributes
    ----------
    mean
        Mean difference over the steps.
    rms
        Root mean square of the differences.
    worst
        The step that differs most.
    drifted
        Whether a step, or the mean, differs by more than `DRIFTED` and by more than chance.
    same_wedge
        Whether the calibration was made from a wedge of these densities: then its certificate cancels.
    """

    calibration: str
    steps: tuple[StepDrift, ...]
    mean: Quantity
    rms: float
    worst: StepDrift
    drifted: bool
    same_wedge: bool
    warnings: tuple[Warning_, ...] = ()


def drift_check(scan: Scan, now: Calibration, in_use: Calibration, *, lamp: LampField | None = None) -> DriftCheck:
    """Compare the scan of a wedge with the calibration in use.

    Parameters
    ----------
    scan
        Of the wedge, as it is scanned now.
    now
        The calibration just made from that scan: it tells where the steps are.
    in_use
        The calibration that negatives are read with.
    lamp
        The lamp's light over the bed, for a calibration that knows the lamp.

    Raises
    ------
    MeasureError
        If the scan's scale is another than the calibration's, or none of the steps lies in its range.
    """
    if scan.facts.full_scale != in_use.scan.full_scale or scan.channel != in_use.channel:
        raise MeasureError(
            f"{scan.facts.file} has another bit depth or channel than the calibration {in_use.name}; scan the wedge "
            "as it was scanned for the calibration."
        )
    field = lamp if in_use.knows_lamp else None
    if field is not None:
        field.require_same_bed(scan)
    known = {step.reading.step: step.reading.density for step in in_use.steps}
    steps = [step.reading for step in now.steps]
    same = all(abs(known.get(step.step, math.inf) - step.density) < 1e-6 for step in steps)
    table = in_use.table(scan.facts.full_scale)
    found = tuple(
        StepDrift(
            step=step.step,
            density=step.density,
            difference=_difference(scan, step, in_use, field, table=table, same=same),
        )
        for step in steps
        if step.clipped <= _CLIPPED and not in_use.outside(step.density)
    )
    if not found:
        raise MeasureError(
            f"{scan.facts.file}: no step of this wedge lies in the range of the calibration {in_use.name}; calibrate "
            "again."
        )
    mean = Quantity(0.0)
    for one in found:
        mean = mean + one.difference / len(found)
    worst = max(found, key=lambda one: abs(one.difference.value))
    drifted = any(_has_drifted(one) for one in (*(step.difference for step in found), mean))
    rms = math.sqrt(sum(one.difference.value**2 for one in found) / len(found))
    return DriftCheck(
        calibration=in_use.name,
        steps=found,
        mean=mean,
        rms=rms,
        worst=worst,
        drifted=drifted,
        same_wedge=same,
        warnings=(
            *_drift_warnings(in_use, worst, drifted=drifted),
            *in_use.mismatch(scan),
            *lamp_warnings(field, calibrated=in_use.knows_lamp),
        ),
    )


def _difference(
    scan: Scan, step: StepReading, in_use: Calibration, field: LampField | None, *, table: Floats, same: bool
) -> Quantity:
    read = patch(scan, box_mm=step.box_mm, table=table)
    light = read.clean_mean / (1.0 if field is None else field.box(step.box_mm))
    noise = read.clean_sd / math.sqrt(read.independent) / max(read.clean_mean, 1e-9) / math.log(10.0)
    return in_use.quantity(light, noise, f"{scan.facts.file} step {step.step}") - _then(step, in_use, same=same)


def _then(step: StepReading, in_use: Calibration, *, same: bool) -> Quantity:
    """Return what a step was when the calibration was made, or by its certificate where it is of another wedge.

    On the same wedge the calibration's curve reads both: what it has wrong of a step's certificate is no drift.
    """
    before = next((one.reading for one in in_use.steps if one.reading.step == step.step), None)
    if same and in_use.laws and before is not None:
        density = in_use.density_of_signal(before.signal) + before.density - before.light_density
        codes = before.mean_doubt * in_use.scan.full_scale
        noise = codes * in_use.density_per_code(density)
        return in_use.quantity(10.0**-density, noise, f"step {step.step} at the calibration")
    certificate = Influence("wedge", step.step if same else f"{step.step} of another wedge")
    return Quantity(step.density, {certificate: 0.5 * step.certificate})


def _has_drifted(difference: Quantity) -> bool:
    return abs(difference.value) > max(DRIFTED, _SURE * (difference.uncertainty or 0.0))


def _drift_warnings(in_use: Calibration, worst: StepDrift, *, drifted: bool) -> tuple[Warning_, ...]:
    return (drifted_warning(in_use.name, worst.difference.value, worst.density),) if drifted else ()
