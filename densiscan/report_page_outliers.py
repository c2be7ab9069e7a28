"""Which of many negatives stand out from the rest, and by what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

STANDS_OUT: Final = 3.5
"""Distance from the middle, in robust standard deviations, from which a negative stands out (from memory: Iglewicz and
Hoaglin 1993, How to Detect and Handle Outliers)."""

LEAST_SPREAD: Final = 0.03
"""Density by which negatives of one film differ anyhow, as a standard deviation (common practice)."""

FEWEST: Final = 5
"""Negatives from which there is a rest to stand out from."""

LOOKED_AT: Final = (
    ("base_plus_fog", "base plus fog"),
    ("net_shadow", "net shadow"),
    ("density_range", "density range"),
)

_NORMAL_MAD: Final = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far one negative stands from the rest: the largest distance, and in words by what, where it stands out."""

    distance: float
    words: tuple[str, ...]


def standings(readings: Sequence[Mapping[str, Any]]) -> tuple[Standing, ...]:
    """Return how far each reading (as the contract has it) stands from the middle of all.

    A distance is counted in robust standard deviations: 1.4826 times the median distance from the median, or what
    negatives differ by anyhow, or the reading's own standard uncertainty, whichever is largest.
    """
    distances = [0.0] * len(readings)
    words: list[list[str]] = [[] for _ in readings]
    if len(readings) < FEWEST:
        return tuple(Standing(distance=0.0, words=()) for _ in readings)
    for field, name in LOOKED_AT:
        known = [(k, reading[field]) for k, reading in enumerate(readings) if reading.get(field)]
        if len(known) < FEWEST:
            continue
        values = np.array([quantity["value"] for _, quantity in known])
        middle = float(np.median(values))
        spread = _NORMAL_MAD * float(np.median(np.abs(values - middle)))
        for k, quantity in known:
            unit = max(spread, LEAST_SPREAD, 0.5 * (quantity["uncertainty"] or 0.0))
            away = (quantity["value"] - middle) / unit
            distances[k] = max(distances[k], abs(away))
            if abs(away) > STANDS_OUT:
                words[k].append(f"{name} {quantity['value'] - middle:+.2f}")
    return tuple(
        Standing(distance=round(distance, 2), words=tuple(told))
        for distance, told in zip(distances, words, strict=True)
    )
