"""The odd ones of several negatives: those whose figures stand apart from the rest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.arithmetic.robust import NORMAL_MAD
from densiscan.batch.assessment import Assessment

LEAST_READINGS: Final = 8
"""Fewer give no spread to stand apart from."""

_FEWEST: Final = 3
"""Of so few the farthest from their middle is known, though none is called odd."""

LIMIT: Final = 3.5
"""Modified z-score from which a value stands apart (Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers; from
memory)."""

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
class Standing:
    """How far one negative stands from the rest, in robust standard deviations, and by which figures it is odd."""

    distance: float
    odd: tuple[Outlier, ...]


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
    return Scatter(usual=usual, spread=NORMAL_MAD * median(abs(value - usual) for value in values))


@dataclass(slots=True)
class Folder:
    """The figures of a folder as they come, no more kept of each negative than that."""

    names: list[str]
    values: dict[str, list[tuple[int, float, float]]]

    @classmethod
    def empty(cls) -> Folder:
        """Return a folder of which nothing was read yet."""
        return cls([], {figure: [] for figure in FIGURES})

    @classmethod
    def of(cls, assessments: Sequence[Assessment]) -> Folder:
        """Return a folder of these."""
        folder = cls.empty()
        for assessment in assessments:
            folder.add(assessment)
        return folder

    def add(self, assessment: Assessment) -> None:
        """Take in one scan; the figures of what is no negative are set beside none."""
        reading = assessment.reading
        number = len(self.names)
        self.names.append(reading.file if reading.piece is None else f"{reading.file} ({reading.piece})")
        if not assessment.judged:
            return
        for figure, values in self.values.items():
            quantity: Quantity | None = getattr(reading, figure)
            if quantity is not None:
                values.append((number, quantity.value, quantity.standard_uncertainty or 0.0))

    def outliers(self) -> tuple[Outlier, ...]:
        """Return what stands apart, in the order the negatives came."""
        return tuple(outlier for standing in self.standings() for outlier in standing.odd)

    def standings(self) -> tuple[Standing, ...]:
        """Return how each negative stands to the middle of all, in their order."""
        distances = [0.0] * len(self.names)
        odd: list[list[Outlier]] = [[] for _ in self.names]
        for number, outlier, away in self._compared():
            distances[number] = max(distances[number], abs(away))
            if len(self.values[outlier.figure]) >= LEAST_READINGS and abs(away) > LIMIT:
                odd[number].append(outlier)
        return tuple(
            Standing(distance=round(distance, 2), odd=tuple(figures))
            for distance, figures in zip(distances, odd, strict=True)
        )

    def _compared(self) -> Iterator[tuple[int, Outlier, float]]:
        """Yield each figure of each negative against the rest, and how far it stands from them."""
        for figure, values in self.values.items():
            if len(values) < _FEWEST:
                continue
            scatter = scatter_of([value for _, value, _ in values])
            usual, spread = scatter.usual, scatter.spread
            for number, value, doubt in values:
                outlier = Outlier(name=self.names[number], figure=figure, value=value, usual=usual, spread=spread)
                yield number, outlier, scatter.away(value, doubt)
