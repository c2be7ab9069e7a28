"""Several looks at one wedge, combined: scans of it turned round and moved, or calibrations of several days.

Noise, dust and the lamp at the places where the wedge lay average out; what a whole look differs by is drift. The
derivation stands in docs/method.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.calibration.calibration import Calibration, StepReading
from densiscan.calibration.fading import TABLE_DOUBT
from densiscan.calibration.glare import REACHES_MM, USUAL_SCATTERING, Scattering
from densiscan.calibration.look import Look, outline
from densiscan.calibration.make import Label, calibrate_steps
from densiscan.calibration.usable_steps import MOST_CLIPPED
from densiscan.errors import CalibrationError, WrongUseError

Mask = npt.NDArray[np.bool_]

STEADY: Final = 0.0005
"""Standard deviation of the density by which a warm scanner differs from one scan to the next, and one step from the
other: 0.1 % of the light (common practice)."""
_SEEN_BEFORE: Final = 2.0
"""Looks that this is worth."""
_UNLIKE: Final = 5.0
"""Standard deviations from what the other looks say of a step at which a look is left out of it."""
_LEAST_UNLIKE: Final = 0.005
"""Density below which nothing is left out: the lamp at another place does as much."""
_FEWEST_TO_LEAVE_OUT: Final = 3
"""Looks from which one of them can be told to be unlike the others."""
_MOST_LEFT_OUT: Final = 5
"""One reading in so many may be left out."""
_ROUNDS: Final = 6
_TOGETHER: Final = 1e12
"""Weight with which the looks add up to nothing."""
_MUCH: Final = 0.02
"""Difference of a look, density, from which a person is warned, as at a check."""
_OF_STEPS: Final = frozenset(
    {"few-steps", "steps-clipped", "steps-out-of-order", "steps-not-told-apart", "steps-disagree", "no-law-holds"}
)
"""Codes of warnings that the combined calibration gives anew."""


def combine_looks(looks: Sequence[Calibration], *, label: Label) -> Calibration:
    """Combine calibrations of one scanner by one wedge into one.

    Parameters
    ----------
    looks
        Two or more, each from another scan of the wedge; best turned round and moved between scans.

    Returns
    -------
    Calibration
        By the means of all looks. `looks` says what each differs by, `drift` how much one differs from the next.

    Raises
    ------
    WrongUseError
        If there are fewer than two, or they are not of one wedge, one scale and one channel.
    CalibrationError
        If the means of their steps make no calibration.

    Examples
    --------
    >>> mine = read_calibration("mine.json")
    >>> both = combine_looks([mine, mine], label=Label(name="both"))
    >>> abs(both.looks[1].difference.value) < 1e-9
    True
    """
    _require_alike(looks)
    of_steps = list(zip(*([step.reading for step in look.steps] for look in looks), strict=True))
    rough = _made([_mean(one) for one in of_steps], looks[0], label)
    seen = _seen(of_steps, rough, looks)
    told = _told(seen)
    number = {name: k for k, name in enumerate(seen.names)}
    readings = [
        _combined(one, seen, told, number[one[0].step]) if one[0].step in number else _mean(one) for one in of_steps
    ]
    lit = all(one.surround is not None for one in readings)
    made = _made(readings, looks[0], label, told.scattering if lit else None)
    made = replace(made, others=_others(looks, label), looks=_looks(looks, seen, told), drift=told.drift)
    kept = [told for look in looks for told in look.warnings if told.code not in _OF_STEPS]
    differing = [told for look in looks[1:] for told in _differing(looks[0], look)]
    return replace(made, warnings=tuple(dict.fromkeys((*kept, *differing, *made.warnings, *_drift_warnings(made)))))


def _require_alike(looks: Sequence[Calibration]) -> None:
    if len(looks) < 2:
        raise WrongUseError("a single look is a calibration already; give two scans of the wedge or more.")
    first = looks[0]
    for other in looks[1:]:
        if _wedge_of(other) != _wedge_of(first):
            raise WrongUseError(
                f"{first.scan.file} and {other.scan.file} show wedges of other densities; combine looks at one wedge, "
                "by one wedge file."
            )
        if _read_as(other) != _read_as(first):
            raise WrongUseError(
                f"{other.scan.file} was not read as {first.scan.file} was (channel, polarity, full scale, film or "
                "print, or the empty bed with one of them alone); scan and calibrate them alike."
            )


def _wedge_of(look: Calibration) -> list[tuple[str, float, float, float | None]]:
    readings = [step.reading for step in look.steps]
    return [(one.step, one.density, one.certificate, one.common) for one in readings]


def _read_as(look: Calibration) -> tuple[str, bool, str, int, bool]:
    return look.channel, look.inverted, look.mode, look.scan.full_scale, look.knows_lamp


def _made(
    readings: Sequence[StepReading], first: Calibration, label: Label, scattering: Scattering | None = None
) -> Calibration:
    return calibrate_steps(
        readings,
        facts=first.scan,
        channel=first.channel,
        inverted=first.inverted,
        label=replace(label, mode=first.mode),
        scattering=scattering,
    )


def _mean(readings: Sequence[StepReading]) -> StepReading:
    """Return one reading of a step as the mean of several, all alike."""
    surrounds = [one.surround for one in readings if one.surround is not None]
    lights = [one.light for one in readings if one.light is not None]
    every = len(readings)
    return replace(
        readings[0],
        signal=math.fsum(one.signal for one in readings) / every,
        noise=math.sqrt(math.fsum(one.noise**2 for one in readings) / every),
        independent=math.fsum(one.independent for one in readings),
        per_aperture=math.fsum(one.per_aperture for one in readings) / every,
        clipped=max(one.clipped for one in readings),
        seen=all(one.seen for one in readings),
        light=math.fsum(lights) / every if len(lights) == every else None,
        surround=tuple(np.mean(surrounds, axis=0).tolist()) if len(surrounds) == every else None,
        apart=math.sqrt(math.fsum((one.apart or 0.0) ** 2 for one in readings)) / every or None,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _SeenByLooks:
    """What the looks see of the steps that they share, shape (looks, steps).

    Attributes
    ----------
    density
        Of each step by one curve for all, as straight in light.
    doubt
        Its standard uncertainty by noise.
    veil
        By how much lighter a step reads than in the mean of the looks for each share of light that is scattered, shape
        (looks, steps, reaches).
    kept
        Whether the step is on the scale there.
    steep
        Density a unit of signal at each step, shape (steps,).
    scattering
        What black on the scans has shown of scattered light; what is usual where there was none.
    """

    names: tuple[str, ...]
    density: Floats
    doubt: Floats
    veil: Floats
    kept: Mask
    steep: Floats
    scattering: Scattering


def _seen(of_steps: Sequence[Sequence[StepReading]], rough: Calibration, looks: Sequence[Calibration]) -> _SeenByLooks:
    # A step that disagrees may do so in one look alone.
    shared = [one for one in of_steps if not rough.outside(one[0].density)]
    density = np.array([[rough.density_of_signal(one.signal) + _lamp(one) for one in step] for step in shared]).T
    codes = rough.scan.full_scale if rough.inverted else -rough.scan.full_scale
    steep = codes * np.array([rough.density_per_code(float(one)) for one in density.mean(axis=0)])
    doubt = np.array([[one.mean_doubt for one in step] for step in shared]).T * np.abs(steep)
    # Scattered light adds to light: about the mean of the looks, light is straight in it where density is not.
    whole = np.median(density - density.mean(axis=0), axis=1)[:, None]
    light = 10.0 ** -(density - whole)
    mean = light.mean(axis=0)
    straight = -np.log10(mean) + (1.0 - light / mean) / math.log(10.0) + whole
    none = (0.0,) * len(REACHES_MM)
    known = all(one.surround is not None for step in shared for one in step)
    surround = np.array([[(one.surround if known else none) or none for one in step] for step in shared]).swapaxes(0, 1)
    veil = (surround - surround.mean(axis=0)) / mean[:, None] / math.log(10.0)
    return _SeenByLooks(
        names=tuple(step[0].step for step in shared),
        density=straight,
        doubt=np.maximum(doubt, 1e-7),
        veil=veil,
        kept=np.array([[one.clipped <= MOST_CLIPPED for one in step] for step in shared]).T,
        steep=steep,
        scattering=_shown([look.scattering for look in looks]),
    )


def _shown(each: Sequence[Scattering | None]) -> Scattering:
    """Return what black has shown in one look or another: their product, each with the usual once."""
    usual = np.linalg.inv(USUAL_SCATTERING.covariance)
    weight, moment = usual, usual @ np.array(USUAL_SCATTERING.expected)
    for one in each:
        if one is not None:
            its = np.linalg.inv(one.covariance)
            weight = weight + its - usual
            moment = moment + its @ np.array(one.expected) - usual @ np.array(USUAL_SCATTERING.expected)
    covariance = np.linalg.inv(weight)
    return Scattering.of(np.asarray(covariance @ moment), np.asarray(0.5 * (covariance + covariance.T)))


def _lamp(reading: StepReading) -> float:
    return reading.density - reading.light_density


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Told:
    """What looks, steps and scattered light do: density = step + look - veil + what is left.

    Attributes
    ----------
    step, look
        Shape (steps,) and (looks,); the looks add up to nothing. A step is that under the mean veil.
    look_doubt
        Standard uncertainty of each look.
    scattering
        What the scanner is taken to scatter, as the looks show it.
    left
        Shape (looks, steps); NaN where a look was left out of a step.
    spread
        Standard deviation of what is left from step to step, noise taken off.
    """

    step: Floats
    look: Floats
    look_doubt: Floats
    scattering: Scattering
    left: Floats
    spread: float

    @property
    def drift(self) -> float:
        """Standard deviation by which one look more would differ from the mean of all.

        Of few looks the spread is itself uncertain: the variance is that of Student's t (JCGM 101:2008, 6.4.9.4).
        """
        looks = self.look.size
        squares = float(self.look @ self.look) - float(self.look_doubt @ self.look_doubt)
        freedom = _SEEN_BEFORE + looks - 1
        variance = (_SEEN_BEFORE * STEADY**2 + max(squares, 0.0)) / freedom
        return math.sqrt(variance * (1.0 + 1.0 / looks) * freedom / (freedom - 2.0))


def _told(seen: _SeenByLooks) -> _Told:
    """Tell looks from steps, and leave out readings that are unlike those of all other looks."""
    kept = seen.kept | ~seen.kept.any(axis=0)
    told = _fitted(seen, kept)
    most = kept.size // _MOST_LEFT_OUT if kept.shape[0] >= _FEWEST_TO_LEAVE_OUT else 0
    for _ in range(most):
        apart = np.where(kept, np.abs(told.left) / np.hypot(seen.doubt, told.spread), 0.0)
        worst = np.unravel_index(int(np.argmax(apart)), apart.shape)
        without = kept.copy()
        without[worst] = False
        if without[:, worst[1]].sum() < 2:
            break
        rest = _fitted(seen, without)
        veil = float(seen.veil[worst] @ np.array(rest.scattering.expected))
        away = abs(float(seen.density[worst] - rest.step[worst[1]] - rest.look[worst[0]]) + veil)
        if away < max(_UNLIKE * math.hypot(float(seen.doubt[worst]), rest.spread), _LEAST_UNLIKE):
            break
        kept, told = without, rest
    return told


def _fitted(seen: _SeenByLooks, kept: Mask) -> _Told:
    """Fit looks, steps and scattered light by weighted least squares; the spread from step to step with them."""
    looks, steps = kept.shape
    rows, columns = np.nonzero(kept)
    size = looks + steps + len(REACHES_MM)
    design = np.zeros((rows.size, size))
    each = np.arange(rows.size)
    design[each, rows] = 1.0
    design[each, looks + columns] = 1.0
    design[:, looks + steps :] = -seen.veil[rows, columns]
    before = np.zeros((size, size))
    before[:looks, :looks] = _TOGETHER
    before[looks + steps :, looks + steps :] = np.linalg.inv(seen.scattering.covariance)
    usual = np.concatenate((np.zeros(looks + steps), seen.scattering.expected))
    spread = STEADY
    for _ in range(_ROUNDS):
        weight = 1.0 / (seen.doubt[rows, columns] ** 2 + spread**2)
        covariance = np.linalg.inv((design.T * weight) @ design + before)
        found = covariance @ ((design.T * weight) @ seen.density[rows, columns] + before @ usual)
        rest = seen.density[rows, columns] - design @ found
        free = rows.size - looks - steps + 1
        squares = max(float(rest @ rest) - float(np.mean(seen.doubt[rows, columns] ** 2)) * free, 0.0)
        spread = math.sqrt((_SEEN_BEFORE * STEADY**2 + squares) / (_SEEN_BEFORE + free))
    left = np.full(kept.shape, np.nan)
    left[rows, columns] = rest
    shares = found[looks + steps :]
    left_open = covariance[looks + steps :, looks + steps :] + TABLE_DOUBT**2 * np.outer(shares, shares)
    return _Told(
        step=found[looks : looks + steps],
        look=found[:looks],
        look_doubt=np.sqrt(np.diag(covariance)[:looks]),
        scattering=Scattering.of(shares, np.asarray(left_open, dtype=np.float64)),
        left=left,
        spread=spread,
    )


def _combined(readings: Sequence[StepReading], seen: _SeenByLooks, told: _Told, number: int) -> StepReading:
    """Return one reading of a step: the signal of the density that all looks tell, under their mean veil."""
    kept = ~np.isnan(told.left[:, number])
    plain = _mean([one for one, is_kept in zip(readings, kept, strict=True) if is_kept])
    veil = float(seen.veil[kept, number].mean(axis=0) @ np.array(told.scattering.expected))
    moved = told.step[number] - veil - float(seen.density[kept, number].mean())
    apart = told.spread / math.sqrt(float(kept.sum())) / abs(float(seen.steep[number]))
    return replace(
        plain,
        signal=min(max(plain.signal + float(moved / seen.steep[number]), 0.0), 1.0),
        apart=math.hypot(plain.apart or 0.0, apart),
    )


def _looks(looks: Sequence[Calibration], seen: _SeenByLooks, told: _Told) -> tuple[Look, ...]:
    found = []
    for number, look in enumerate(looks):
        left, doubt = told.left[number], seen.doubt[number]
        kept = ~np.isnan(left)
        scatter = float(np.mean(left[kept] ** 2) - np.mean(doubt[kept] ** 2)) if kept.any() else 0.0
        out = [
            name for name, is_kept, on in zip(seen.names, kept, seen.kept[number], strict=True) if on and not is_kept
        ]
        by = {Influence("looks", f"{number + 1} {look.scan.file}"): float(told.look_doubt[number])}
        found.append(
            Look(
                file=look.scan.file,
                created=look.created,
                difference=Quantity(float(told.look[number]), by),
                scatter=math.sqrt(max(scatter, 0.0)),
                box_mm=outline([step.reading.box_mm for step in look.steps]),
                left_out=tuple(out),
            )
        )
    return tuple(found)


def _others(looks: Sequence[Calibration], label: Label) -> tuple[Calibration, ...]:
    """Return the combined curves of the channels that all looks have besides."""
    others = []
    for other in looks[0].others:
        same = [next((one for one in look.others if one.channel == other.channel), None) for look in looks]
        alike = [one for one in same if one is not None]
        if len(alike) == len(looks):
            with suppress(CalibrationError, WrongUseError):
                made = combine_looks(alike, label=label)
                others.append(replace(made, looks=()))
    return tuple(others)


def _differing(first: Calibration, look: Calibration) -> tuple[Warning_, ...]:
    differences = first.differences(look.scan)
    if not differences:
        return ()
    message = f"{look.scan.file} was not scanned as {first.scan.file} was: {'; '.join(differences)}."
    return (Warning_(code="scan-differs-from-calibration", message=message),)


def _drift_warnings(made: Calibration) -> tuple[Warning_, ...]:
    told = []
    # Of two, the second is held against the first.
    differences = [look.difference.value for look in made.looks]
    usual = differences[0] if len(differences) == 2 else float(np.median(differences))
    for look in made.looks:
        away = look.difference.value - usual
        if abs(away) > _MUCH:
            word = "denser" if away > 0.0 else "lighter"
            told.append(
                Warning_(
                    code="looks-differ",
                    message=f"{look.file} reads everything {abs(away):.2f} {word} than the other looks: let the lamp "
                    "warm up for 15 to 20 minutes, keep the exposure fixed, and scan that one again.",
                )
            )
        if look.left_out:
            steps = "step" if len(look.left_out) == 1 else "steps"
            told.append(
                Warning_(
                    code="look-left-out",
                    message=f"{look.file} reads {steps} {', '.join(look.left_out)} unlike the other looks, and was "
                    "left out there: look for dust or a reflection.",
                )
            )
    return tuple(told)
