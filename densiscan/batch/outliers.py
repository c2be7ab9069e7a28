"""The odd ones of a folder: negatives whose figures stand apart from the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.batch.assessment import Assessment

LEAST_READINGS: Final = 8
"""Fewer give no spread to stand apart from."""

LIMIT: Final = 3.5
"""Modified z-score from which a value stands apart (Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers; from
memory)."""

_NORMAL_MAD: Final = 1.4826
LEAST_DIFFERENCE: Final = 0.05
"""Density that is worth a word, however alike the rest are: about what an eye tells in a print."""

FIGURES: Final[Mapping[str, str]] = {
    "base_plus_fog": "base plus fog",
    "shadow": "shadow",
    "highlight": "highlight",
    "density_range": "density range",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """One figure of one negative that stands apart: `usual` is the median of all, `spread` their robust scatter."""

    name: str
    figure: str
    value: float
    usual: float
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """What one figure of several negatives is: `usual` the median of all, `spread` their robust standard deviation."""

    usual: float
    spread: float

    def away(self, value: float, doubt: float) -> float:
        """Return how far a value stands from the usual one; beyond `LIMIT` either way it stands apart.

        Parameters
        ----------
        doubt
            Its standard uncertainty: nothing is told apart that its own doubt explains.
        """
        return (value - self.usual) / max(self.spread, doubt, LEAST_DIFFERENCE / LIMIT)


def scatter_of(values: Sequence[float]) -> Scatter:
    """Return the scatter of at least one value."""
    usual = median(values)
    return Scatter(usual=usual, spread=_NORMAL_MAD * median(abs(value - usual) for value in values))


@dataclass(slots=True)
class Folder:
    """The figures of a folder as they come, no more kept of each negative than that."""

    names: list[str]
    values: dict[str, list[tuple[int, float, float]]]

    @classmethod
    def empty(cls) -> Folder:
        """Return a folder of which nothing was read yet."""
        return cls([], {figure: [] for figure in FIGURES})

    def add(self, assessment: Assessment) -> None:
        """Take in one negative."""
        reading = assessment.reading
        number = len(self.names)
        self.names.append(reading.file if reading.piece is None else f"{reading.file} ({reading.piece})")
        for figure, values in self.values.items():
            quantity: Quantity | None = getattr(reading, figure)
            if quantity is not None:
                values.append((number, quantity.value, quantity.standard_uncertainty or 0.0))

    def outliers(self) -> tuple[Outlier, ...]:
        """Return what stands apart, in the order the negatives came."""
        odd_ones = [
            (number, outlier) for figure, values in self.values.items() for number, outlier in self._of(figure, values)
        ]
        return tuple(outlier for _, outlier in sorted(odd_ones, key=lambda pair: pair[0]))

    def _of(self, figure: str, values: Sequence[tuple[int, float, float]]) -> list[tuple[int, Outlier]]:
        if len(values) < LEAST_READINGS:
            return []
        scatter = scatter_of([value for _, value, _ in values])
        usual, spread = scatter.usual, scatter.spread
        return [
            (number, Outlier(name=self.names[number], figure=figure, value=value, usual=usual, spread=spread))
            for number, value, doubt in values
            if abs(scatter.away(value, doubt)) > LIMIT
        ]
