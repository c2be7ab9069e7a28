"""Which steps of a wedge a curve can be made from: those on the scale that the scanner tells apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from densiscan.arithmetic.curves import isotonic
from densiscan.arithmetic.quantity import Warning_
from densiscan.calibration.calibration import StepReading

CONFIDENCE: Final = 3.0
"""Signal difference over its noise from which two steps count as told apart (99.7 % of a normal distribution)."""
_MOST_UNTOLD: Final = 3
MOST_CLIPPED: Final = 0.01
"""Fraction of a step's pixels at the end of the scale from which its mean is no longer the signal of the step."""


def usable(readings: Sequence[StepReading], *, inverted: bool) -> tuple[list[bool], list[Warning_]]:
    """Tell which steps a curve can go through, from the light end to the first that drowns; warn of the others."""
    level = np.array([1.0 - reading.signal if inverted else reading.signal for reading in readings])
    doubt = np.array([max(reading.mean_doubt, 1e-9) for reading in readings])
    aperture = np.array([max(reading.noise / math.sqrt(reading.per_aperture), 1e-9) for reading in readings])
    pooled = -isotonic(-level, 1.0 / doubt**2)
    inside = [reading.clipped <= MOST_CLIPPED and level[n] > 0.0 for n, reading in enumerate(readings)]
    used = [False] * len(readings)
    warnings: list[Warning_] = []
    told: list[bool] = []
    chain: list[int] = []
    for number in np.flatnonzero(inside).tolist():
        if not chain:
            chain, told = [number], [True]
        elif level[number] < level[chain[-1]] and pooled[number] < pooled[chain[-1]]:
            apart = (level[chain[-1]] - level[number]) / math.hypot(aperture[chain[-1]], aperture[number])
            chain.append(number)
            told.append(bool(apart >= CONFIDENCE))
    for number in chain[: _last_told(told) + 1]:
        used[number] = True
    clipped = [
        reading.step
        for reading, flag in zip(readings, used, strict=True)
        if not flag and reading.clipped > MOST_CLIPPED
    ]
    if clipped:
        warnings.append(
            Warning_(
                code="steps-clipped",
                message=f"Steps {', '.join(clipped)} are at the end of the scanner's scale and were left out; "
                "change the exposure to use them.",
            )
        )
    densest = max((n for n, flag in enumerate(used) if flag), default=-1)
    skipped = [reading.step for n, reading in enumerate(readings) if n < densest and not used[n] and inside[n]]
    if skipped:
        warnings.append(
            Warning_(
                code="steps-out-of-order",
                message=f"Steps {', '.join(skipped)} read no denser than a lighter step and were left out; look for "
                "dust or a scratch on them.",
            )
        )
    drowned = [reading for n, reading in enumerate(readings) if n > densest and inside[n]]
    if drowned:
        warnings.append(
            Warning_(
                code="steps-not-told-apart",
                message=f"This scanner cannot separate step {drowned[0].step} (density {drowned[0].density:.2f}) "
                'from the one before it. Anything denser is reported as "at least".',
            )
        )
    return used, warnings


def _last_told(told: Sequence[bool]) -> int:
    """Return the last step of the unbroken row of steps told apart.

    A step under a streak, told from neither neighbour, does not end the row where it goes on beyond.
    """
    last = 0
    for number in range(1, len(told)):
        if number - last > _MOST_UNTOLD:
            break
        last = number if told[number] else last
    return last
