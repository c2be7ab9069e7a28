"""Rendered paper: the print of a wedge, through one of several characteristic curves, as it lies on a flatbed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from densiscan.errors import WrongUseError
from tests.renderer.bed import Array, Bed, Box, Place, Real, box_cover, sampled
from tests.renderer.film import Film, density_map

Shape = Literal["logistic", "slow-shoulder", "slow-toe", "normal", "straight"]
SHAPES: Final[tuple[Shape, ...]] = ("logistic", "slow-shoulder", "slow-toe", "normal", "straight")

FIRST_TONE: Final = 0.04
"""Density above base plus fog at the light end of a paper's range (ISO 6846)."""
FULL_SHADOW: Final = 0.90
"""Part of the net maximum at its dark end (ISO 6846)."""


def _straight(z: Real) -> Real:
    """Return a straight rise from 0 to 1 whose corners are soft by a fifth of its length."""
    soft = 0.18
    return np.asarray(soft * (np.logaddexp(0.0, z / soft) - np.logaddexp(0.0, (z - 1.0) / soft)))


def _normal(z: Real) -> Real:
    return np.asarray([0.5 * (1.0 + math.erf(value / math.sqrt(2.0))) for value in np.ravel(z)]).reshape(np.shape(z))


_LAWS: Final[dict[Shape, Callable[[Real], Real]]] = {
    "logistic": lambda z: np.asarray(1.0 / (1.0 + np.exp(-z))),
    "slow-shoulder": lambda z: np.asarray(np.exp(-np.exp(-z))),
    "slow-toe": lambda z: np.asarray(1.0 - np.exp(-np.exp(z))),
    "normal": _normal,
    "straight": _straight,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperCurve:
    """A paper as it was coated, stored and developed.

    Parameters
    ----------
    base
        Reflection density of a fixed-only piece.
    fog
        Density that developing adds where no light fell.
    net
        Maximum density above base plus fog.
    shape
        Law of the curve, one of `SHAPES`.
    first_log_h
        log10 of the exposure that gives the first tone, 0.04 above base plus fog.
    log_range
        log10 exposure from there to 90 % of the net maximum: ISO range R is 100 times it.
    """

    base: float = 0.06
    fog: float = 0.02
    net: float = 1.95
    shape: Shape = "logistic"
    first_log_h: float = 0.0
    log_range: float = 1.05

    def __post_init__(self) -> None:
        if self.shape not in _LAWS:
            raise WrongUseError(f"a rendered paper has one of the shapes {', '.join(SHAPES)}, not {self.shape}.")

    def density(self, log_h: Array | Real) -> Real:
        """Return reflection densities for log10 exposures."""
        law = _LAWS[self.shape]
        low, high = (_solved(law, share) for share in (FIRST_TONE / self.net, FULL_SHADOW))
        place = low + (np.asarray(log_h, np.float64) - self.first_log_h) * (high - low) / self.log_range
        return np.asarray(self.base + self.fog + self.net * law(np.clip(place, -60.0, 60.0)))


def _solved(law: Callable[[Real], Real], share: float) -> float:
    """Return where a law that rises from 0 to 1 has this value."""
    low, high = -60.0, 60.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if float(law(np.array([middle]))[0]) < share else (low, middle)
    return 0.5 * (low + high)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperPiece:
    """An even piece of paper on the bed: bare, fixed only, or black; nothing under it shows."""

    place: Place
    size_mm: tuple[float, float]
    density: float

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:
        """Lay it; it has no true values but its density."""
        del rng
        width, height = self.size_mm
        box: Box = (-width / 2, -height / 2, width, height)
        window = bed.window(self.place, box)
        if window is not None:
            bed.replace(window, 10.0**-self.density, box_cover(window, box, bed.pitch_mm))


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperPrint:
    """A contact print of a negative on the bed, with the white margin of its paper.

    Parameters
    ----------
    film
        The negative; where it lies does not matter.
    log_exposure
        log10 of the exposure that reaches the paper through no density.
    margin_mm
        Paper beside the film that a mask kept white.
    """

    film: Film
    curve: PaperCurve
    log_exposure: float
    place: Place
    margin_mm: float = 6.0

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:
        """Lay it; its true values are those of the negative through the curve."""
        negative = density_map(self.film, bed, rng)
        left, top, width, height = self.film.outline
        margin = self.margin_mm
        paper: Box = (left - margin, top - margin, width + 2 * margin, height + 2 * margin)
        window = bed.window(self.place, paper)
        if window is None:
            return
        bed.replace(window, 10.0 ** -float(self.curve.base + self.curve.fog), box_cover(window, paper, bed.pitch_mm))
        light = np.asarray(10.0 ** -self.curve.density(self.log_exposure - negative), np.float32)
        rows, columns = light.shape
        printed = sampled(
            light,
            (window.v - top) * np.float32(rows / height) - np.float32(0.5),
            (window.u - left) * np.float32(columns / width) - np.float32(0.5),
        )
        bed.replace(window, printed, box_cover(window, self.film.outline, bed.pitch_mm))
