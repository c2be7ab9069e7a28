"""Laws that turn light into a scanner's signal: what tone curves are made of, with priors on their figures.

A signal (level, 0 to 1 from the dark end) follows from a density D through the light 10^exposure (10^-D + flare) and a
tone curve, above a black level. Families: a power (1 is linear), the standard sRGB curve, a power bent into an S as
scanner software offers, and a signal that falls with the logarithm of light.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats

Tone = Callable[[Floats, Floats], Floats]
"""From light and the tone's own figures, shape (figures, 1 or curves, 1), to signal above black."""

_LEAST_LIGHT: Final = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Law:
    """A family of tone curves.

    Attributes
    ----------
    usual, spread
        Mean and standard deviation of the normal prior of each figure: exposure (log10), flare (natural logarithm of
        the share of light), and the tone's own.
    weight
        Prior probability among the families.
    """

    name: str
    tone: Tone
    usual: tuple[float, ...]
    spread: tuple[float, ...]
    weight: float

    def level(self, density: Floats, figures: Floats) -> Floats:
        """Return the signal of densities, shape (..., densities), for figures of shape (..., figures)."""
        each = np.moveaxis(figures, -1, 0)[..., None]
        light = 10.0 ** each[0] * (10.0**-density + np.exp(each[1]))
        return self.tone(np.maximum(light, _LEAST_LIGHT), each[2:])

    def seen(self, density: Floats, figures: Floats) -> tuple[Floats, Floats, Floats]:
        """Return level, its slope by density, and its derivatives by the figures, shape (densities, figures)."""
        size = figures.size
        moved = figures + _SMALL * np.vstack([np.zeros(size), np.eye(size), -np.eye(size)])
        levels = self.level(density, moved)
        steep = (self.level(density + _SMALL, figures) - self.level(density - _SMALL, figures)) / (2.0 * _SMALL)
        by_figures = (levels[1 : size + 1] - levels[size + 1 :]).T / (2.0 * _SMALL)
        return levels[0], np.minimum(steep, -_FLATTEST), by_figures


_SMALL: Final = 1e-5
_FLATTEST: Final = 1e-9


def _power(light: Floats, own: Floats) -> Floats:
    result: Floats = own[1] + light ** np.exp(-own[0])
    return result


def _linear(light: Floats, own: Floats) -> Floats:
    result: Floats = own[0] + light
    return result


def _standard(light: Floats, own: Floats) -> Floats:
    """IEC 61966-2-1."""
    result: Floats = own[0] + np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
    return result


def _s_curve(light: Floats, own: Floats) -> Floats:
    """Return a power whose signal v goes to 3 v^2 - 2 v^3 by so much as the last figure says; straight on above 1."""
    plain = light ** np.exp(-own[0])
    inside = np.minimum(plain, 1.0)
    bend = inside * inside * (3.0 - 2.0 * inside) - inside
    result: Floats = own[1] + plain + own[2] * np.where(plain <= 1.0, bend, 1.0 - plain)
    return result


def _logarithmic(light: Floats, own: Floats) -> Floats:
    result: Floats = own[0] + np.exp(own[1]) * np.log10(light)
    return result


_EXPOSURE: Final = (0.0, 0.2)
_FLARE: Final = (math.log(3e-4), 1.7)
"""Light that no density takes away: scattered in the lens, a few parts in ten thousand (common practice), within a
factor of 5."""
_STRAY: Final = (math.log(1e-4), 1.5)
"""The same where what is scattered from round the wedge is reckoned apart: light astray in the housing, a part in ten
thousand (common practice), within a factor of 4 or 5."""
_OFFSET: Final = 0.001
"""Standard deviation of the black of a linear scanner, of full scale, where glare is reckoned apart: with more it would
see no farther than density 3 (common practice)."""
_POWER: Final = (math.log(1.8), 0.4)
_BLACK: Final = (0.0, 0.003)


def _law(name: str, tone: Tone, weight: float, *own: tuple[float, float]) -> Law:
    usual, spread = zip(_EXPOSURE, _FLARE, *own, strict=True)
    return Law(name=name, tone=tone, usual=usual, spread=spread, weight=weight)


LAWS: Final = (
    _law("linear", _linear, 0.25, _BLACK),
    _law("power", _power, 0.3, _POWER, _BLACK),
    _law("standard", _standard, 0.25, _BLACK),
    _law("s-curve", _s_curve, 0.1, _POWER, _BLACK, (0.0, 0.4)),
    _law("logarithmic", _logarithmic, 0.1, (0.95, 0.15), (math.log(0.3), 0.3)),
)
"""The families, with what each is worth before anything is seen."""
_BESIDE_GLARE: Final = tuple(
    replace(
        law,
        usual=(law.usual[0], _STRAY[0], *law.usual[2:]),
        spread=(law.spread[0], _STRAY[1], *((_OFFSET,) if law.name == "linear" else law.spread[2:])),
    )
    for law in LAWS
)


def laws(*, beside_glare: bool) -> dict[str, Law]:
    """Return the families by name, their flare without what is scattered where that is reckoned apart."""
    return {law.name: law for law in (_BESIDE_GLARE if beside_glare else LAWS)}
