"""The curve of a paper through measured points: base plus fog, maximum black, and where its tones begin and end.

Formulas and sources: docs/method-paper.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import isotonic, shape_preserving

FIRST_TONE: Final = 0.04
"""Density above base plus fog of point T, the light end of the range (published: ISO 6846)."""
FULL_SHADOW: Final = 0.90
"""Part of the net maximum density of point S, the dark end of the range (published: ISO 6846)."""
FULL_BLACK: Final = 0.04
"""Density short of the maximum that is taken for full black: as little as the first tone (a choice of our own)."""

_SOFT: Final = 0.01
"""Density by which both ends of the curve are kept off zero before the logarithm is taken."""
_GRID: Final = np.linspace(0.0, 1.0, 65)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PaperCurve:
    """A monotone curve of reflection density against log exposure.

    Attributes
    ----------
    log_exposure
        Of the points, rising, read-only.
    density
        Of the points, never falling, read-only.
    base, top
        Density of white (base plus fog) and of the maximum black.

    Notes
    -----
    Between the points it is a shape-preserving cubic of log(n / (N - n)), n the net density and N the net maximum. Toe
    and shoulder of a paper are nearly straight in it, so that steps as coarse as 0.15 leave little to guess.
    """

    log_exposure: Floats
    density: Floats
    base: float
    top: float

    def __post_init__(self) -> None:
        for array in (self.log_exposure, self.density):
            array.setflags(write=False)

    @property
    def net(self) -> float:
        """Maximum density above base plus fog."""
        return self.top - self.base

    def _lifted(self, density: Floats) -> Floats:
        below, above = np.clip(density - self.base, 0.0, self.net), np.clip(self.top - density, 0.0, self.net)
        return np.asarray(np.log((below + _SOFT) / (above + _SOFT)))

    def density_at(self, log_exposure: npt.ArrayLike) -> Floats:
        """Return the densities that log exposures give; beyond the points the end values hold."""
        inside = np.clip(np.asarray(log_exposure, dtype=float), self.log_exposure[0], self.log_exposure[-1])
        lifted = shape_preserving(self.log_exposure, self._lifted(self.density), inside.ravel())
        share = np.exp(lifted)
        net = (share * (self.net + _SOFT) - _SOFT) / (1.0 + share)
        return np.asarray(self.base + np.clip(net, 0.0, self.net)).reshape(inside.shape)

    def log_exposure_at(self, density: float) -> float | None:
        """Return the log exposure at which the curve first reaches a density, None where the points do not."""
        return self._places(np.array([density]))[0]

    def _places(self, densities: Floats) -> list[float | None]:
        values, wanted = self._lifted(self.density), self._lifted(densities)
        after = np.searchsorted(values, wanted, side="left")
        inside = np.clip(after, 1, values.size - 1)
        # The bracket is cut finely; between the cuts a straight line is as good as the cubic.
        start, end = self.log_exposure[inside - 1], self.log_exposure[inside]
        cuts = start[:, None] + (end - start)[:, None] * _GRID
        heights = shape_preserving(self.log_exposure, values, cuts.ravel()).reshape(cuts.shape)
        places: list[float | None] = []
        for number, place in enumerate(after.tolist()):
            if place == values.size or (place == 0 and values[0] > wanted[number]):
                places.append(None)
            elif place == 0:
                places.append(float(self.log_exposure[0]))
            else:
                places.append(float(np.interp(wanted[number], heights[number], cuts[number])))
        return places

    def landmarks(self) -> dict[str, float]:
        """Return the log exposures of the first tone (T), of 90 % of the net black (S), and of what looks black.

        Their names are `highlight`, `shadow` and `black`.
        """
        wanted = [self.base + FIRST_TONE, self.base + FULL_SHADOW * self.net, self.top - FULL_BLACK]
        names = ("highlight", "shadow", "black")
        places = zip(names, self._places(np.array(wanted)), strict=True)
        return {name: place for name, place in places if place is not None}

    def steepest(self) -> float:
        """Return the greatest slope of the curve, density for a unit of log exposure."""
        fine = np.linspace(self.log_exposure[0], self.log_exposure[-1], 400)
        return float(np.max(np.diff(self.density_at(fine)) / np.diff(fine)))


def curve_through(log_exposure: Floats, density: Floats, *, base: float, top: float) -> PaperCurve:
    """Return the curve through points by rising exposure, from its white to its black.

    Raises
    ------
    ValueError
        If there are fewer than three points or black is not denser than white.
    """
    if density.size < 3 or not math.isfinite(top - base) or top - base <= 4.0 * FIRST_TONE:
        raise ValueError("the points show no black and white")
    return PaperCurve(log_exposure=np.array(log_exposure, dtype=float), density=isotonic(density), base=base, top=top)
