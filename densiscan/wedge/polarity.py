"""Whether the signal of a scan falls or rises with density, as the steps of a wedge tell it.

Two things tell. On a scan stored as it was seen the logarithm of the signal runs nearly straight against density,
whatever gamma the scanner applied; on a positive picture that of full scale minus signal does. And where the steps of
the file differ, they fit the signals in one order and not in the other: that holds for a scanner that stores density
itself, too. Both are weighed by one likelihood of the signals: a straight line with a random walk on its slope.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from densiscan.arithmetic.arrays import Floats

CLEAR_ODDS: Final = 3.0
"""Log-likelihood by which one polarity must be ahead to count: odds of 20."""
_LEAST: Final = 1e-5
"""Least signal, or distance from full scale, that is told from nothing."""
_LEAST_RISE: Final = 1e-3
"""Rise of density from a step to the next, at least: a file may call its lightest step as clear as open light."""
_WHITE: Final = 0.9985
"""Signal from which a surface is taken as clipped to white."""
_AS_SEEN: Final = math.log(5.0)
"""Odds of a scan stored as it was seen: programs make a positive of it only when told that it is a negative."""
_OF_OPEN_LIGHT: Final = 0.01
"""Doubt, density, of the open light beside the wedge: glare and the lamp differ from place to place."""
_UNEVEN: Final = 0.004
"""Doubt of a level beside that of its density: the lamp, glare from neighbours, what a step is uneven by."""
_GLARE: Final = 0.001
"""Doubt of the light that a step sends, part of full scale: what glare differs by from place to place."""
_DROWNED: Final = 1.0
"""Doubt, density, of a step of which glare leaves nothing."""
_BENDS: Final = (0.1, 0.3, 0.8)
"""How fast the slope wanders, a root unit of density, as part of it: hardly, by flare and gamma, in an S."""
_LAWS: Final = ((0.7, 0.5), (0.3, 0.15))
"""Slope a unit of density and its deviation: of log10 signal (linear 1, gamma 2.2 0.45); of a signal that is itself a
density, full scale for two to six units."""


class StepSignals(NamedTuple):
    """Signals of the steps as they lie, the lightest or the densest first, and of what lies beside the wedge.

    They are 0 to 1, NaN where a step is lost. What is clearer than the lightest step may be the open light, which has
    no density.
    """

    steps: Floats
    beside: Floats

    def bright_first(self) -> StepSignals:
        """Return the steps from the brightest on."""
        told = self.steps[~np.isnan(self.steps)]
        return self if told[0] >= told[-1] else StepSignals(self.steps[::-1], self.beside)

    def turned(self) -> StepSignals:
        """Return what is left of full scale."""
        return StepSignals(1.0 - self.steps, 1.0 - self.beside)


def odds_of_falling(falling: StepSignals, rising: StepSignals, densities: Floats, doubts: Floats) -> float:
    """Return the log of the odds of a signal that falls with density against one that rises.

    Parameters
    ----------
    falling, rising
        The steps where they lie if the signal falls, or rises. Where an end of the wedge is lost those are not the
        same: each way round the lost steps lie beyond the other end.
    densities, doubts
        Of the wedge file, lightest first, with their standard deviations.
    """
    # The last of the dense steps, beside open light, may read lighter than the one before it.
    seen = np.hypot(doubts, np.minimum(_GLARE * 10.0**densities / math.log(10.0), _DROWNED))
    falls, rises = falling.bright_first(), rising.turned().bright_first()
    return _AS_SEEN + _falls(*falls, densities, seen) - _falls(*rises, densities, seen)


def _falls(light: Floats, beside: Floats, densities: Floats, doubts: Floats) -> float:
    """Return the log-likelihood of values of light that fall with density, and of what lies beside the steps."""
    told = ~np.isnan(light)
    value, at, doubt = np.clip(light[told], _LEAST, 1.0), densities[told], doubts[told]
    total = alone = _fits(value, at, doubt)
    anywhere = -math.log(1.0 - min(value[0], _WHITE))
    for surface in beside[beside > value[0]].tolist():
        as_open = anywhere
        if surface < _WHITE:
            as_open = _fits(np.append(surface, value), np.append(0.0, at), np.append(_OF_OPEN_LIGHT, doubt)) - alone
        total += float(np.logaddexp(as_open, anywhere)) - math.log(2.0)
    return total - math.log(value[-1]) * float(np.count_nonzero(beside < value[-1]))


def _fits(value: Floats, at: Floats, doubt: Floats) -> float:
    # The likelihood is one of the signals: a density of log10 signal is one of the signal by its derivative.
    by_log = _line(np.log10(value), at, doubt, *_LAWS[0]) - float(np.log(value * math.log(10.0)).sum())
    return float(np.logaddexp(by_log, _line(value, at, doubt, *_LAWS[1])))


def _line(level: Floats, at: Floats, doubts: Floats, slope: float, deviation: float) -> float:
    """Return the log-likelihood of levels under a falling line with a walk on its slope, the best of three bends."""
    x = at - at[0]
    lesser, greater = np.minimum.outer(x, x), np.maximum.outer(x, x)
    seen = min(
        max(float(np.median(-np.diff(level) / np.maximum(np.diff(at), _LEAST_RISE))), 0.3 * slope),
        slope + 2.0 * deviation,
    )
    noise = np.diag((seen * doubts) ** 2 + _UNEVEN**2)
    rest = level + slope * x
    best = -math.inf
    for bend in _BENDS:
        walk = (bend * seen) ** 2 * lesser**2 * (3.0 * greater - lesser) / 6.0
        root = np.linalg.cholesky(1.0 + deviation**2 * np.outer(x, x) + walk + noise)
        scaled = np.linalg.solve(root, rest)
        best = max(best, -0.5 * float(scaled @ scaled) - float(np.log(np.diag(root)).sum()))
    return best - 0.5 * level.size * math.log(2.0 * math.pi)
