"""A calibration whose curve is that of weighed laws: steps that disagree named, and where no law holds, said so."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.calibration.calibration import CalibratedStep, Calibration
from densiscan.calibration.glare import USUAL_SCATTERING
from densiscan.calibration.law_fit import SeenSteps
from densiscan.calibration.posterior_curve import Weighed, WeighedLaw, curve_of, weighed
from densiscan.calibration.weighed_curve import steps_of

FEWEST: Final = 5
"""Steps from which laws are weighed: fewer than a law has figures leave nothing to weigh them by."""
_FEWEST_TO_NAME: Final = 7
"""Steps from which one of them can be told to disagree with the others."""
_SUSPECT: Final = 3.0
"""Standard deviations from the others at which a step is looked into."""
_AMISS: Final = 0.05
"""Half of the steps that are amiss err by more, density: dust and scratches by hundredths, mistyped figures by tenths,
so that the distribution has a long tail (Cauchy's)."""
_SELDOM: Final = 0.02
"""Share of steps that are amiss, before anything is seen: one on every second or third wedge."""
_MOST_AMISS: Final = 5
"""One step in so many may be amiss; where more are, it is the laws that do not hold."""
_MISFIT: Final = 2.0
"""Root mean square of what the steps differ from the others, in its standard deviations, at which no law holds them."""
_WIDEST: Final = 1.0
"""Expanded uncertainty, density, from which what the others say of a step is not stated."""


def by_laws(made: Calibration, through_steps: Callable[[Calibration], Calibration]) -> Calibration:
    """Return a calibration by the laws of scanners that hold its steps; as it is, and saying so, where none do.

    Parameters
    ----------
    made
        Through its steps.
    through_steps
        Makes it so again when a step has been left out.
    """
    used = made.used_steps()
    if len(used) < FEWEST:
        return made
    try:
        steps, names = steps_of(used, made.scattering or USUAL_SCATTERING), [one.step for one in used]
        found = weighed(steps)
        amiss: list[str] = []
        while True:
            suspect = _suspect(steps, found.parts)
            if suspect is None or len(amiss) + 1 > len(used) // _MOST_AMISS:
                break
            without = steps.without(suspect)
            rest = weighed(without)
            if not _is_amiss(steps, without, suspect, found, rest):
                break
            amiss.append(names.pop(suspect))
            steps, found = without, rest
        if _misfit(steps, found.parts) > _MISFIT:
            return _through(made)
        left = through_steps(_leaving_out(made, amiss)) if amiss else made
        return _with_laws(left, found.parts, amiss)
    except (np.linalg.LinAlgError, ValueError):
        return _through(made)


def _through(made: Calibration) -> Calibration:
    message = (
        "These steps do not follow the smooth curve of a scanner, so each one counts with its full error; look for "
        "a kink in the tone curve, or an end cut off."
    )
    return replace(made, warnings=(*made.warnings, Warning_(code="no-law-holds", message=message)))


def _differences(steps: SeenSteps, parts: tuple[WeighedLaw, ...]) -> tuple[Floats, Floats]:
    """Return what each step's certificate says less what the others do, and its standard deviation."""
    curve = curve_of(steps, parts, steps.level)
    return steps.density - curve.left_out, np.hypot(curve.left_out_doubt, curve.own)


def _misfit(steps: SeenSteps, parts: tuple[WeighedLaw, ...]) -> float:
    difference, doubt = _differences(steps, parts)
    return math.sqrt(float(np.mean((difference / doubt) ** 2)))


def _suspect(steps: SeenSteps, parts: tuple[WeighedLaw, ...]) -> int | None:
    """Return the step between two others that differs most from them, if it differs much.

    The deviation from the laws is not taken for larger than usual here: it would be the step itself that makes it so.
    """
    if steps.density.size < _FEWEST_TO_NAME:
        return None
    usual = tuple(replace(part, amplitude=min(part.amplitude, 0.008), length=max(part.length, 0.4)) for part in parts)
    difference, doubt = _differences(steps, usual)
    away = np.abs(difference / doubt)
    away[[0, -1]] = 0.0
    worst = int(np.argmax(away))
    return worst if away[worst] > _SUSPECT else None


def _is_amiss(steps: SeenSteps, without: SeenSteps, number: int, whole: Weighed, rest: Weighed) -> bool:
    """Return whether a step is likelier to be amiss than the scanner to be such that all steps lie on its curve."""
    curve = curve_of(without, rest.parts, steps.level[number : number + 1])
    difference = float(steps.density[number] - curve.density[0])
    # The evidence leaves out half the logarithm of 2 pi for each step.
    density = math.sqrt(2.0 * math.pi) / (math.pi * _AMISS * (1.0 + (difference / _AMISS) ** 2))
    return rest.evidence + math.log(_SELDOM * density) > whole.evidence


def _leaving_out(made: Calibration, names: list[str]) -> Calibration:
    """Return a calibration without some of its steps, which are never its ends; its fit is still to be made."""
    steps = tuple(
        replace(step, used=False, measured=None) if step.reading.step in names else step for step in made.steps
    )
    return replace(made, steps=steps, fit=(0.0,) * (sum(step.used for step in steps) - 1))


def _with_laws(made: Calibration, laws: tuple[WeighedLaw, ...], amiss: list[str]) -> Calibration:
    whole = replace(made, laws=laws)
    used = [step.reading.step for step in whole.steps if step.used]
    told = dict(zip(used, whole.points().left_out, strict=True))
    steps = tuple(_predicted(step, told, ends=(used[0], used[-1])) for step in whole.steps)
    residuals = [
        step.measured.value - step.reading.density for step in steps if step.used and step.measured is not None
    ]
    warnings = [*whole.warnings, *(_disagreement(whole, step) for step in steps if step.reading.step in amiss)]
    return replace(
        whole,
        steps=steps,
        residual=math.sqrt(sum(value * value for value in residuals) / max(len(residuals), 1)),
        warnings=tuple(warnings),
    )


def _predicted(
    step: CalibratedStep, told: dict[str, tuple[float, dict[Influence, float]]], *, ends: tuple[str, str]
) -> CalibratedStep:
    name = step.reading.step
    if name not in told or name in ends:
        return replace(step, measured=None)
    value, parts = told[name]
    lamp = step.reading.density - step.reading.light_density
    read = Quantity(value + lamp, parts)
    # of a drowned step the curve may know nothing: a width beyond all densities is no figure
    return replace(step, measured=read if (read.uncertainty or 0.0) < _WIDEST else Quantity(read.value, None))


def _disagreement(made: Calibration, step: CalibratedStep) -> Warning_:
    reading = step.reading
    lamp = reading.density - reading.light_density
    away = made.density_of_signal(reading.signal) + lamp - reading.density
    word = "denser" if away > 0.0 else "lighter"
    return Warning_(
        code="steps-disagree",
        message=f"Step {reading.step} reads {abs(away):.2f} {word} than its certificate says and was left out; look "
        "for dust, a scratch or a mistyped figure.",
    )
