"""Contrast against time fitted to points alone, with nothing believed beforehand.

The law is that of Sheppard and Mees; the fit is certified by sets of NIST that follow it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.least_squares import least_squares
from densiscan.errors import WrongUseError

_HOPELESS: Final = 1e13
_NO_LAW: Final = "these points do not give a limit and a rate; develop for at least two clearly different times."
_LIMIT_REACH: Final = 50.0
"""Limit over the largest contrast from which on the points tell none: they rise as fast as time, or faster."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawFit:
    """The law y = limit (1 - exp(-rate (x - wait))) through points.

    `parameters` are the logarithms of limit and rate and, where it was fitted, the wait; `covariance` is theirs.
    """

    parameters: Floats
    covariance: Floats
    residual_sum: float
    freedom: int

    @property
    def limit(self) -> float:
        """What y tends to."""
        return math.exp(self.parameters[0])

    @property
    def rate(self) -> float:
        """One over the unit of x."""
        return math.exp(self.parameters[1])

    @property
    def wait(self) -> float:
        """In the unit of x; 0 where it was not fitted."""
        return float(self.parameters[2]) if self.parameters.size > 2 else 0.0

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the points about the law, in their doubts where these are known."""
        return math.sqrt(self.residual_sum / self.freedom)


def fit_law(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    doubts: npt.ArrayLike | None = None,
    wait: bool = False,
) -> LawFit:
    """Fit y = limit (1 - exp(-rate (x - wait))) to points, in the logarithms of limit and rate.

    Parameters
    ----------
    x, y
        One-dimensional, of equal length; no unit is assumed.
    doubts
        Standard uncertainty of each y; None: the points' own scatter tells, which takes one point more.
    wait
        Whether a wait before the rise is fitted too; else there is none.

    Raises
    ------
    WrongUseError
        With too few points, unequal lengths, values or times that are not positive, or points that give no law, such
        as all after one time.
    """
    times, values = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    u_values = np.ones_like(values) if doubts is None else np.asarray(doubts, dtype=float)
    fewest = 2 + wait + (doubts is None)
    if times.shape != values.shape or times.ndim != 1 or len(times) < fewest:
        raise WrongUseError(f"{fewest} points at least are needed, each a time and a contrast.")
    longest, largest = float(times.max()), float(values.max())
    guess = (1.4 * largest, 1.0 / float(times.mean()))
    if min(guess) <= 0.0:
        raise WrongUseError("times and contrasts must be positive.")

    def residuals(parameters: Floats) -> tuple[Floats, Floats]:
        limit, rate = math.exp(parameters[0]), math.exp(parameters[1])
        since = np.maximum(times - (parameters[2] if wait else 0.0), 0.0)
        rest = np.exp(-rate * since)
        slopes = [limit * (1.0 - rest), limit * rate * since * rest]
        if wait:
            slopes.append(np.where(since > 0.0, -limit * rate * rest, 0.0))
        return (limit * (1.0 - rest) - values) / u_values, np.stack(slopes, axis=1) / u_values[:, None]

    fitted = least_squares(
        residuals,
        [math.log(guess[0]), math.log(guess[1]), *([0.0] if wait else [])],
        limits=(
            [math.log(0.01), math.log(1e-3 / longest), *([0.0] if wait else [])],
            [math.log(_LIMIT_REACH * largest), math.log(1e3 / longest), *([0.9 * float(times.min())] if wait else [])],
        ),
    )
    normal = fitted.derivatives.T @ fitted.derivatives
    unlimited = fitted.parameters[0] > math.log(_LIMIT_REACH * largest) - 1e-6
    if unlimited or float(np.linalg.cond(normal)) > _HOPELESS:
        raise WrongUseError(_NO_LAW)
    freedom = len(times) - 2 - wait
    scale = fitted.sum_of_squares / freedom if doubts is None else 1.0
    return LawFit(
        parameters=fitted.parameters,
        covariance=scale * fitted.covariance(),
        residual_sum=fitted.sum_of_squares,
        freedom=freedom,
    )
