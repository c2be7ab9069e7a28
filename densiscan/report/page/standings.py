"""Which of many negatives stand apart from the rest, by the same rule as the summary of a folder (`batch.outliers`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR
from densiscan.batch.outliers import FIGURES, LEAST_READINGS, LIMIT, scatter_of

_FEWEST: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far one negative stands from the rest, in robust standard deviations; in words by what, where it is odd."""

    distance: float
    words: tuple[str, ...]


def standings(readings: Sequence[Mapping[str, Any]]) -> tuple[Standing, ...]:
    """Return how far each reading (as the contract has it) stands from the middle of all.

    Of a few negatives none is called odd, but the farthest from their middle is known from three on.
    """
    distances = [0.0] * len(readings)
    words: list[list[str]] = [[] for _ in readings]
    for field, name in FIGURES.items():
        known = [(k, reading[field]) for k, reading in enumerate(readings) if reading.get(field) is not None]
        if len(known) < _FEWEST:
            continue
        scatter = scatter_of([quantity["value"] for _, quantity in known])
        for k, quantity in known:
            doubt = (quantity["uncertainty"] or 0.0) / COVERAGE_FACTOR
            away = scatter.away(quantity["value"], doubt)
            distances[k] = max(distances[k], abs(away))
            if len(known) >= LEAST_READINGS and abs(away) > LIMIT:
                words[k].append(f"{name} {quantity['value'] - scatter.usual:+.2f}")
    return tuple(
        Standing(distance=round(distance, 2), words=tuple(told))
        for distance, told in zip(distances, words, strict=True)
    )
