"""The ends of a paper's curve: how far tones that still get darker, or lighter, have yet to go.

Formulas and sources: docs/method-paper.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import isotonic

EVEN: Final = 0.0012
"""Standard deviation of density that an evenly exposed and developed print keeps from place to place, paper and scanner
together (common practice: 0.001 to 0.002)."""
_DECAY: Final = np.exp(np.linspace(np.log(0.8), np.log(40.0), 24))[:, None, None]
"""How fast what is still to come shrinks where nine tenths are there, for a unit of log exposure: from papers softer
than any grade to harder than any."""
_BEND: Final = np.linspace(0.0, 0.25, 5)[None, :, None]
"""By how much that decay grows, over its square: 0 for an exponential end, 0.06 for the logistic law, 0.14 for the
normal one, 0.22 for grains of one size that a single hit makes developable."""
_NINE_TENTHS: Final = 0.9
_SPEAKING: Final = 0.4
"""Part of the net density from which points tell of their end."""
_FEWEST: Final = 4
_LAW: Final = 0.03
"""Standard uncertainty of the law, as part of what is still to come: what it leaves of the four laws named above and of
a straight rise with soft corners, over their last quarter."""
_QUARTER: Final = 0.25
_BEFORE: Final = 0.3
"""The same for what lies before the last quarter, where those laws go their own ways."""
_FURTHEST: Final = 0.4
"""Part of the net density by which the end may lie beyond the last point."""
_SURE: Final = 0.975
_WHITE_REACHED: Final = (0.01, 0.02)
"""Fall still to come at the light end, expected and at most, up to which white counts as reached: a quarter and a half
of the first tone."""
_BLACK_REACHED: Final = (0.05, 0.10)
"""Rise still to come at the dark end, as part of the net density, up to which black counts as reached: with more than a
tenth, 90 % of it would lie beyond the last point."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class End:
    """What the points tell of the density in which a curve ends.

    Attributes
    ----------
    last
        Density of the outermost point, neighbours out of order given their mean.
    densities, chances
        Where the curve may end, from before the last point to far beyond it, and how likely; read-only.
    """

    last: float
    densities: Floats
    chances: Floats

    def __post_init__(self) -> None:
        for array in (self.densities, self.chances):
            array.setflags(write=False)

    @property
    def density(self) -> float:
        """Density expected."""
        return float(self.chances @ self.densities)

    @property
    def standard(self) -> float:
        """Standard uncertainty (k = 1) of that density."""
        return float(np.sqrt(self.chances @ (self.densities - self.density) ** 2))

    def equally_likely(self, count: int = 21) -> Floats:
        """Return so many densities, rising towards the end, each of which is as likely as any other."""
        middles = (np.arange(count) + 0.5) / count
        return np.asarray(np.interp(middles, np.cumsum(self.chances) - 0.5 * self.chances, self.densities))

    def to_come(self) -> tuple[float, float]:
        """Return how far beyond the last point the end is expected, and is at most (97.5 %), density."""
        furthest = self.densities[min(int(np.searchsorted(np.cumsum(self.chances), _SURE)), self.chances.size - 1)]
        return abs(self.density - self.last), abs(float(furthest) - self.last)

    def goes_on(self) -> bool:
        """Tell whether the last points still move towards the end, by more than its doubt."""
        return self.to_come()[0] > self.standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """Both ends of a curve; `base` and `top` are where it ends: what is expected, or as far as the points go."""

    white: End
    black: End

    def white_reached(self) -> bool:
        """Tell whether the lightest points are as good as the paper's white."""
        return all(come <= most for come, most in zip(self.white.to_come(), _WHITE_REACHED, strict=True))

    def black_reached(self) -> bool:
        """Tell whether the darkest points are as good as the paper's black."""
        net = self.black.density - self.white.density
        return all(come <= most * net for come, most in zip(self.black.to_come(), _BLACK_REACHED, strict=True))

    @property
    def base(self) -> float:
        """Density of the white end."""
        return self.white.density if self.white_reached() else self.white.last

    @property
    def top(self) -> float:
        """Density of the black end."""
        return self.black.density if self.black_reached() else self.black.last


def find_ends(log_exposure: Floats, density: Floats, standard: Floats) -> Ends:
    """Tell where a curve ends.

    Parameters
    ----------
    log_exposure, density
        Of the points, rising, at least three.
    standard
        Standard uncertainty of each density by itself, its exposure's taken into account; what all readings share moves
        the curve as a whole and is left out.
    """
    chances, grid = _end(log_exposure, density, standard)
    light_chances, light_grid = _end(-log_exposure[::-1], -density[::-1], standard[::-1])
    pooled = isotonic(density)
    return Ends(
        white=End(last=float(pooled[0]), densities=-light_grid, chances=light_chances),
        black=End(last=float(pooled[-1]), densities=grid, chances=chances),
    )


def _end(x: Floats, density: Floats, standard: Floats) -> tuple[Floats, Floats]:
    """Return the chance of each density in which points that rise towards an end will end, and those densities.

    Notes
    -----
    What is still to come, r, is held to fall off as log r = a - k u - b (k u)^2, u from where nine tenths of the net
    density are there: least squares in the end and in a for each decay k and bend b, all of which are equally likely
    beforehand (k on a log scale), the end anywhere as well (JCGM 101:2008, 6.4.2). A curve whose slope has one summit
    and falls off ever faster, as every law named at `_BEND` has, comes to lie between b = 0 and the largest b.
    """
    rising = isotonic(density)
    low, high = float(rising[0]), float(np.max(density))
    net = max(high - low, 1e-3)
    first = min(int(np.searchsorted(rising, low + _SPEAKING * net)), density.size - _FEWEST)
    first = max(first, 0)
    away = np.clip(high - density[first:], 0.0, None)
    sigma = np.sqrt(
        standard[first:] ** 2
        + EVEN**2
        + (_LAW * away) ** 2
        + (_BEFORE * np.clip(away - _QUARTER * net, 0.0, None)) ** 2
    )
    # Where nine tenths are there is known from the two points round it, better than to a quarter of their distance.
    level = low + _NINE_TENTHS * net
    after = int(np.clip(np.searchsorted(rising, level), 1, density.size - 1))
    centre = float(np.interp(level, rising, x))
    places = np.append(x[first:], centre) - centre
    values = np.append(density[first:], level)
    weights = np.append(sigma, max(0.25 * float(rising[after] - rising[after - 1]), 3.0 * EVEN)) ** -2.0
    grid = high + net * np.concatenate(
        (np.linspace(-0.02, 0.02, 121)[:-1], 0.02 + _FURTHEST * np.linspace(0, 1, 50) ** 2)
    )
    # Before the bend would turn the law round it is held level.
    fallen = np.maximum(_DECAY * places, -0.5 / np.maximum(_BEND, 1e-6))
    shape = np.exp(-fallen - _BEND * fallen**2)
    weighted = shape * weights
    square = np.sum(weighted * shape, axis=-1, keepdims=True)
    missing = grid[:, None] - values
    cross = weighted @ missing.T
    scale = np.maximum(cross / square, 0.0)
    misfit = np.sum(weights * missing**2, axis=-1) - 2.0 * scale * cross + scale**2 * square
    likely = np.exp(-0.5 * (misfit - float(np.min(misfit)))) / np.sqrt(square)
    chances = np.sum(likely, axis=(0, 1)) * np.gradient(grid)
    return chances / float(np.sum(chances)), grid
