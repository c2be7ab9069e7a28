"""Scanner signal to density: the calibration, how it is made from a wedge, and what it knows of its own doubt.

The curve is that of laws of scanners with a smooth deviation, weighed by how they hold the steps (`posterior_curve`).
Where none does, it is the shape-preserving cubic of density against log10 of the signal, less the signal that the
scanner gives for no light, through the steps that the scanner tells apart. How it is made from the scan of a wedge
stands in `make`, how it is kept in `file`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final, overload

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import shape_preserving, shape_preserving_slopes
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.calibration.findings import Findings
from densiscan.calibration.glare import USUAL_SCATTERING, Scattering
from densiscan.calibration.look import Look
from densiscan.calibration.posterior_curve import WeighedLaw
from densiscan.calibration.through_steps import inverse, pull_of_steps
from densiscan.calibration.weighed_curve import CurvePoints, UsedStep, curve_points
from densiscan.files.shown import Drawn, counted, one_line
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan, ScanFacts

_HIGHEST_DENSITY: Final = 8.0
_DARKEST: Final = 1e-9
"""Signal above black, at least: the logarithm needs one."""
_ROUNDING: Final = 1e-9
LEAST_ROUNDING: Final = 1e-5
"""Density below which rounding is not worth a line in a budget."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """What the scan shows of one step.

    `signal` is the mean over the step (0 to 1 of full scale), `noise` the standard deviation from pixel to pixel,
    `independent` the number of effectively independent pixels behind the mean, `per_aperture` their number in a 1 mm
    aperture; `clipped` the fraction of pixels at either end of the scale; `light` the light of the lamp at its place
    relative to its mean over the bed, where an empty bed has shown it; `surround` the light of everything round it,
    spread by each reach of glare; `common` the part of the certificate that all steps share, where that is stated;
    `apart` the standard uncertainty of the signal by what several looks at the step differ by beyond noise.
    """

    step: str
    density: float
    certificate: float
    signal: float
    noise: float
    independent: float
    per_aperture: float
    clipped: float
    box_mm: BoxMm
    seen: bool = True
    light: float | None = None
    surround: tuple[float, ...] | None = None
    common: float | None = None
    apart: float | None = None

    @property
    def mean_doubt(self) -> float:
        """Standard uncertainty of `signal`."""
        return math.hypot(self.noise / math.sqrt(self.independent), self.apart or 0.0)

    @property
    def light_density(self) -> float:
        """Density that the step would have under mean light: what its signal stands for."""
        return self.density - math.log10(1.0 if self.light is None else self.light)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibratedStep:
    """A step of a calibration: its reading, whether the curve goes through it, and what the curve says without it."""

    reading: StepReading
    used: bool
    measured: Quantity | None


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Calibration(Drawn):
    """A scanner's curve from signal to density.

    Attributes
    ----------
    mode
        "transmission" or "reflection".
    inverted
        True when the signal rises with density.
    steps
        All steps of the wedge, lightest first; the curve goes through those `used`.
    fit
        Standard uncertainty (k = 1) of the curve half way between used steps i and i + 1, lightest first.
    density_range
        Lightest and densest density that this scanner tells apart with this wedge.
    black
        Signal (from the dark end, fraction of full scale) taken for no light. It only straightens the curve between the
        steps, which all lie on it whatever it is.
    residual
        Root mean square of measured - density over the used steps that have a measured density.
    findings
        What the last check of the scanner found, where it was kept.
    others
        The same wedge read by the other channels of a colour scan, each without `others`.
    laws
        The laws of scanners that hold the steps, weighed: the curve is theirs. Empty where it goes through the steps.
    looks
        The scans of the wedge that were combined; empty where there was one.
    drift
        Standard uncertainty (k = 1) of every density by what one scan differs from the next; None for a single one.
    scattering
        What the scans of the wedge have shown of scattered light; None where it is taken for usual.

    Examples
    --------
    >>> calibration = read_calibration("mine.json")
    >>> calibration
    <Calibration mine: transmission, 0.05 to 2.89 by 20 of 21 steps, typical error 0.011, 1 warning>
    >>> print(f"{calibration.quantity(0.1):.2f}")
    1.00 ± 0.01
    """

    name: str
    created: str
    mode: str
    channel: str
    inverted: bool
    scan: ScanFacts
    steps: tuple[CalibratedStep, ...]
    fit: tuple[float, ...]
    density_range: tuple[float, float]
    residual: float
    warnings: tuple[Warning_, ...] = ()
    findings: Findings | None = None
    black: float = 0.0
    others: tuple[Calibration, ...] = ()
    laws: tuple[WeighedLaw, ...] = ()
    looks: tuple[Look, ...] = ()
    drift: float | None = None
    scattering: Scattering | None = None
    _points: CurvePoints | None = field(default=None, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        used = [step.reading for step in self.steps if step.used][::-1]
        told = [(one.signal, one.light_density, one.noise, one.independent) for one in used]
        numbers = [
            *self.fit,
            *self.density_range,
            self.drift or 0.0,
            self.residual,
            self.black,
            *(number for one in told for number in one),
        ]
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError("a figure is not a number")
        if len(self.fit) != len(used) - 1 or self.mode not in {"transmission", "reflection"}:
            raise ValueError("the fit or the mode does not go with the steps")
        signals = _log_levels(used, inverted=self.inverted, black=self.black)
        densities = np.array([one.light_density for one in used])
        if len(used) < 2 or not bool(np.all(np.diff(signals) > 0.0)) or not bool(np.all(np.diff(densities) < 0.0)):
            raise ValueError("the steps used do not run from light to dense")
        if self.laws:
            self.points()

    def __repr__(self) -> str:
        used, (low, high) = sum(step.used for step in self.steps), self.density_range
        steps = f"{low:.2f} to {high:.2f} by {used} of {len(self.steps)} steps"
        error = f"typical error {max(self.residual, 0.001):.3f}"
        return one_line(self, self.name, self.mode, steps, error, counted(len(self.warnings), "warning"))

    def table(self, full_scale: int) -> Floats:
        """Return transmittance (or reflectance) for each code 0 to full_scale, shape (full_scale + 1,).

        Outside the wedge the curve is continued by its end slope; a reading there is flagged, never believed. Below the
        densest step transmittance itself is continued straight, even below zero: only so does noise about a dense patch
        average rightly.
        """
        codes = np.arange(full_scale + 1) / full_scale
        level = 1.0 - codes if self.inverted else codes
        x, densities = self._curve()
        # The end slope in the logarithm serves down to a third of the darkest signal, then the tangent.
        foot = 0.3 * float(10.0 ** x[0])
        slope = -float(shape_preserving_slopes(x, densities)[0])
        light = 10.0 ** -self._density_at(np.log10(np.maximum(level - self.black, foot)))
        at_foot = 10.0 ** -float(self._density_at(np.array([math.log10(foot)]))[0])
        beyond = np.minimum(level - self.black - foot, 0.0)
        return np.asarray(light + at_foot * slope * beyond / foot, dtype=np.float64)

    @overload
    def density(self, signal: float) -> float: ...

    @overload
    def density(self, signal: Sequence[Any] | npt.NDArray[Any]) -> Floats: ...

    def density(self, signal: npt.ArrayLike) -> Floats | float:
        """Return the density of a signal, or of an array of signals, of the same shape; NaN beyond `density_range`.

        Each is that of a single pixel. The density of an area is that of its mean light, as `measure_scan` reads it,
        not the mean of the densities.

        Parameters
        ----------
        signal
            Of any shape, 0 to 1 of full scale, as scanned: code divided by the largest code.

        Examples
        --------
        >>> calibration = read_calibration("mine.json")
        >>> calibration.density([0.5, 0.1, 0.0]).round(2)
        array([0.66, 2.26,  nan])
        """
        signals = np.asarray(signal, dtype=np.float64)
        level = (1.0 - signals if self.inverted else signals) - self.black
        density = np.full(level.shape, np.nan)
        lit = level > 0.0
        density[lit] = self._density_at(np.log10(level[lit]))
        low, high = self.density_range
        with np.errstate(invalid="ignore"):
            density[(density < low - _ROUNDING) | (density > high + _ROUNDING)] = np.nan
        return density if density.ndim else float(density)

    def density_of_signal(self, signal: float) -> float:
        """Return the density that belongs to a mean signal, 0 to 1 of full scale."""
        level = (1.0 - signal if self.inverted else signal) - self.black
        return float(self._density_at(np.array([math.log10(max(level, 0.5 / self.scan.full_scale))]))[0])

    def _density_at(self, x: Floats) -> Floats:
        knots, densities = self._curve()
        return np.clip(shape_preserving(knots, densities, x), -1.0, _HIGHEST_DENSITY)

    def knots(self) -> tuple[Floats, Floats, list[StepReading]]:
        """Return log10 signal (rising), density (falling) and reading of the steps the curve goes through.

        Where the lamp is known the density is that of the step under mean light: the curve turns signal into light.
        """
        used = [step.reading for step in self.steps if step.used][::-1]
        return (
            _knots_of(used, inverted=self.inverted, black=self.black),
            np.array([reading.light_density for reading in used]),
            used,
        )

    def points(self) -> CurvePoints:
        """Return the curve of the laws by its points.

        Raises
        ------
        ValueError
            If it does not run from light to dense.
        """
        points = self._points or curve_points(self.used_steps(), self.laws, self.scattering or USUAL_SCATTERING)
        object.__setattr__(self, "_points", points)  # kept, as every reading asks for them
        return points

    def used_steps(self) -> tuple[UsedStep, ...]:
        """Return the steps that the curve is made from as the laws take them, lightest first."""
        x, densities, used = self.knots()
        full = self.scan.full_scale
        told = zip(x.tolist(), densities.tolist(), used, strict=True)
        return tuple(
            UsedStep(
                step=reading.step,
                level=10.0**place + self.black,
                noise=reading.mean_doubt,
                rounding=rounding_codes(reading.noise * full) / full,
                density=density,
                certificate=0.5 * reading.certificate,
                surround=reading.surround,
                common=None if reading.common is None else 0.5 * reading.common,
            )
            for place, density, reading in told
        )[::-1]

    def _curve(self) -> tuple[Floats, Floats]:
        """Return log10 signal above black (rising) and density (falling) of the points that the curve goes through."""
        if not self.laws:
            return self.knots()[:2]
        points = self.points()
        return np.log10(points.level - self.black), points.density

    @property
    def knows_lamp(self) -> bool:
        """Whether an empty bed has shown the lamp at the steps: then readings must be corrected likewise."""
        return any(step.reading.light is not None for step in self.steps)

    def parts(self, density: float) -> dict[Influence, float]:
        """Return the standard contributions (k = 1) of the calibration to a reading of this density.

        Each step contributes by how far it bends the curve there: its certificate, its noise. Between the steps the
        shape of the curve is in doubt by what leaving steps out has shown. Outside the wedge the doubt grows with the
        distance.
        """
        if self.laws:
            return self._parts_by_laws(density)
        x, densities, used = self.knots()
        place = float(inverse(x, densities, density))
        pull = pull_of_steps(x, densities, place)
        slopes = shape_preserving_slopes(x, densities)
        parts: dict[Influence, float] = {}
        for number, reading in enumerate(used):
            parts |= step_parts(self, reading, pull=float(pull[number]), slope=float(slopes[number]))
        parts[self._interval(place, x)] = self._fit_at(place, x)
        return {influence: part for influence, part in parts.items() if part != 0.0}

    def _parts_by_laws(self, density: float) -> dict[Influence, float]:
        points = self.points()
        row = float(np.interp(-density, -points.density, np.arange(points.density.size)))
        parts = points.parts_at(row)
        # Beyond the wedge nothing holds the curve: half of the way from its end is doubted, at one sigma.
        beyond = max(density - float(points.density[0]), float(points.density[-1]) - density, 0.0)
        return parts if beyond == 0.0 else parts | {Influence("fit", "beyond the wedge"): 0.5 * beyond}

    def _interval(self, place: float, x: Floats) -> Influence:
        return Influence("fit", f"{x.size - int(np.clip(np.searchsorted(x, place), 1, x.size - 1))}")

    def _fit_at(self, place: float, x: Floats) -> float:
        fit = self.fit[::-1]
        k = int(np.clip(np.searchsorted(x, place), 1, x.size - 1)) - 1
        t = (place - float(x[k])) / float(x[k + 1] - x[k])
        if 0.0 <= t <= 1.0:
            return 4.0 * t * (1.0 - t) * fit[k]
        # Beyond the wedge nothing holds the curve: half of the way from the last step is doubted, at one sigma.
        beyond = -t if t < 0.0 else t - 1.0
        densities = self.knots()[1]
        return fit[k] + 0.5 * beyond * abs(float(densities[k + 1] - densities[k]))

    def quantity(self, transmittance: float, patch: float = 0.0, key: str = "") -> Quantity:
        """Return the density of a mean transmittance (or reflectance) with all influences on it.

        Parameters
        ----------
        transmittance
            Mean over an aperture, above 0.
        patch
            Standard uncertainty of the density by the patch's own noise, over its independent pixels.
        key
            Name of the patch: two readings of one patch share its noise.

        References
        ----------
        ISO 5-1 (density from transmittance); JCGM 100:2008, clause 5 (propagation).
        """
        density = -math.log10(max(transmittance, 10.0**-_HIGHEST_DENSITY))
        parts = self.parts(density)
        if patch > 0.0:
            parts[Influence("patch noise", key)] = patch
        return Quantity(density, parts)

    def density_per_code(self, density: float) -> float:
        """Return by how much the density changes from one code to the next, at this density."""
        x, densities = self._curve()
        place = float(inverse(x, densities, density))
        around = shape_preserving(x, densities, [place - 1e-4, place + 1e-4])
        slope = abs(float(around[1] - around[0])) / 2e-4
        return slope / math.log(10.0) / float(10.0**place) / self.scan.full_scale

    def outside(self, density: float) -> bool:
        """Return whether a density lies outside the range that the wedge calibrated: it is only a limit then."""
        low, high = self.density_range
        return not low <= density <= high

    def limited(self, density: Quantity) -> Quantity:
        """Return a reading as the limit that it is where it lies beyond what the wedge calibrated, else as it is."""
        low, high = self.density_range
        if density.value > high:
            return Quantity.at_least(high)
        return Quantity.at_most(low) if density.value < low else density

    def differences(self, facts: ScanFacts) -> tuple[str, ...]:
        """Return what is known to differ between a scan and the one this calibration was made from, in words.

        What changes the signal most comes first. Software that one of the two files does not state is no difference.
        """
        told = []
        for what in _FACT_WORDS:
            ours, theirs = getattr(self.scan, what), getattr(facts, what)
            stated = what != "software" or None not in {ours, theirs}
            if ours != theirs and stated:
                told.append(f"{_FACT_WORDS[what]} ({_said(theirs)}, calibrated with {_said(ours)})")
        if self.scan.ppi is not None and facts.ppi is not None and abs(facts.ppi / self.scan.ppi - 1.0) > 0.01:
            told.append(f"resolution ({facts.ppi:.0f} ppi, calibrated with {self.scan.ppi:.0f} ppi)")
        return tuple(told)

    def mismatch(self, *scans: Scan) -> tuple[Warning_, ...]:
        """Return the warning that scans differ from the one this calibration was made from; nothing where none does."""
        told = [difference for scan in scans for difference in self.differences(scan.facts)]
        channels = [scan.channel for scan in scans if scan.channel != self.channel]
        told += [f"channel ({channel}, calibrated with {self.channel})" for channel in channels]
        if not told:
            return ()
        message = f"The scan differs from the one the calibration was made from: {'; '.join(dict.fromkeys(told))}."
        return (Warning_(code="scan-differs-from-calibration", message=message),)


_FACT_WORDS: Final = {
    "min_is_white": "polarity tag",
    "full_scale": "full scale",
    "icc": "colour profile",
    "channels": "number of channels",
    "bits": "bit depth",
    "make": "scanner make",
    "model": "scanner model",
    "software": "software",
}


def _said(value: object) -> str:
    if isinstance(value, bool):
        return "min is white" if value else "min is black"
    return "not stated" if value is None else str(value)


def log_signal_doubt(reading: StepReading, *, inverted: bool, black: float) -> float:
    """Return the standard uncertainty of the log10 signal of a step."""
    level = (1.0 - reading.signal if inverted else reading.signal) - black
    return reading.mean_doubt / max(level, _DARKEST) / math.log(10.0)


_NOISY_CODES: Final = 2.0
"""Scatter of pixels, in codes, from which rounding leaves less than 1e-30 of a code."""


def rounding_codes(scatter: float) -> float:
    """Return the standard uncertainty, in codes, that rounding to whole codes leaves on the mean of many pixels.

    Parameters
    ----------
    scatter
        Standard deviation of the rounded pixels, codes.

    Notes
    -----
    Pixels without noise all err alike, by up to half a code: 1/sqrt(12) (JCGM 100:2008, 4.3.7). Normal noise of s codes
    before rounding leaves exp(-2 pi^2 s^2) of that (the first harmonic of the saw-tooth of errors; from memory: Widrow
    and Kollar 2008, Quantization Noise): nothing from half a code on. What rounding no longer does to the mean it does
    to the scatter: its 1/12 of a square code is shared between them, which gives s.
    """
    if scatter > _NOISY_CODES:
        return 0.0
    low, high = 0.0, scatter * scatter
    for _ in range(40):
        middle = 0.5 * (low + high)
        seen = middle + (1.0 - math.exp(-4.0 * math.pi**2 * middle)) / 12.0
        low, high = (middle, high) if seen < scatter * scatter else (low, middle)
    return math.exp(-2.0 * math.pi**2 * low) / math.sqrt(12.0)


def step_parts(calibration: Calibration, reading: StepReading, *, pull: float, slope: float) -> dict[Influence, float]:
    """Return what a step's certificate, noise and rounding contribute where the curve follows it by `pull`.

    Parameters
    ----------
    slope
        Of density against log10 signal at the step.
    """
    level = (1.0 - reading.signal if calibration.inverted else reading.signal) - calibration.black
    full = calibration.scan.full_scale
    rounding = rounding_codes(reading.noise * full) / full / max(level, _DARKEST) / math.log(10.0)
    noise = log_signal_doubt(reading, inverted=calibration.inverted, black=calibration.black)
    parts = {
        Influence("wedge", reading.step): pull * 0.5 * reading.certificate,
        Influence("step noise", reading.step): pull * noise * abs(slope),
    }
    if rounding * abs(slope) > LEAST_ROUNDING:
        parts[Influence("rounding", f"step {reading.step}")] = pull * rounding * abs(slope)
    return parts


def _log_levels(used: Sequence[StepReading], *, inverted: bool, black: float) -> Floats:
    """Return log10 of the signal of each step above black, from the dark end."""
    signal = np.array([reading.signal for reading in used])
    return np.asarray(np.log10(np.maximum((1.0 - signal if inverted else signal) - black, _DARKEST)))


def _knots_of(used: Sequence[StepReading], *, inverted: bool, black: float) -> Floats:
    """Return log10 signal of each step, corrected for what noise does to a mean of transmittances.

    The table is applied pixel by pixel and then averaged. Where transmittance goes as signal to the power g, pixel
    noise s raises that mean by 1 + g (g - 1) / 2 (s / signal)^2 (second order of the Taylor series); the knot is
    moved so that the wedge itself is read back right.
    """
    x = _log_levels(used, inverted=inverted, black=black)
    noise = np.array([reading.noise for reading in used])
    power = -shape_preserving_slopes(x, [reading.light_density for reading in used])
    relative = np.minimum(noise / 10.0**x, 0.3)
    excess = np.log10(np.maximum(1.0 + 0.5 * power * (power - 1.0) * relative**2, 0.5))
    moved: Floats = x + np.where(power > 0.05, excess / np.maximum(power, 0.05), 0.0)
    return moved if bool(np.all(np.diff(moved) > 0.0)) else x
