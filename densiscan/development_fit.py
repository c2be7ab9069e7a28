"""Least squares for laws that are not straight: Levenberg and Marquardt's method with a held step.

A prior enters as further residuals, one for each thing believed beforehand: (parameter - belief) / doubt. Without them
the fit is the plain one. Published: Marquardt 1963; the damping follows Nielsen 1999 (Madsen, Nielsen and Tingleff,
Methods for Non-linear Least Squares Problems, 2004, algorithm 3.16).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.errors import WrongUseError

Floats = npt.NDArray[np.float64]
Residuals = Callable[[Floats], tuple[Floats, Floats]]
"""From parameters to residuals (n) and their derivatives (n, p)."""

_MOST_STEPS: Final = 500
_STILL: Final = 1e-13
"""Step against the parameters at which the fit stands: beyond it rounding decides."""

_HOPELESS: Final = 1e14
_NO_LAW: Final = "these points do not tell a limit and a rate; develop to at least two clearly different times."

_FIRST_DAMPING: Final = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """Parameters of least squares.

    `covariance` is that of residuals of unit variance, the inverse of J'J; `sum_of_squares` that of the residuals.
    """

    parameters: Floats
    covariance: Floats
    sum_of_squares: float

    def __post_init__(self) -> None:
        for array in (self.parameters, self.covariance):
            array.setflags(write=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class LawFit:
    """The law y = limit (1 - exp(-rate x)) through points, with standard errors (k = 1) from their own scatter."""

    limit: float
    rate: float
    u_limit: float
    u_rate: float
    residual_sum: float
    residual_sd: float


def least_squares(residuals: Residuals, start: npt.ArrayLike, *, still: float = _STILL) -> Fit:
    """Return the parameters for which the sum of squared residuals is least.

    Parameters
    ----------
    residuals
        Gives residuals and their derivatives; where it gives numbers that are not finite, the step is taken back.
    start
        Where to begin; the residuals must be finite there.
    still
        Step, against the size of the parameters, at which the fit stands.
    """
    here = np.array(start, dtype=float)
    value, slopes = residuals(here)
    normal, downhill = slopes.T @ slopes, slopes.T @ value
    damping, growth = _FIRST_DAMPING * float(np.diag(normal).max()), 2.0
    for _ in range(_MOST_STEPS):
        step = -np.linalg.solve(normal + damping * np.eye(len(here)), downhill)
        if float(np.linalg.norm(step)) <= still * (float(np.linalg.norm(here)) + still):
            break
        there = here + step
        new_value, new_slopes = residuals(there)
        gain = float(value @ value - new_value @ new_value)
        foreseen = float(step @ (damping * step - downhill))
        if np.isfinite(gain) and gain > 0.0 and foreseen > 0.0:
            here, value, slopes = there, new_value, new_slopes
            normal, downhill = slopes.T @ slopes, slopes.T @ value
            damping *= max(1.0 / 3.0, 1.0 - (2.0 * gain / foreseen - 1.0) ** 3)
            growth = 2.0
        else:
            damping *= growth
            growth *= 2.0
            if not np.isfinite(damping):
                break
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return Fit(parameters=here, covariance=covariance, sum_of_squares=float(value @ value))


def fit_law(x: npt.ArrayLike, y: npt.ArrayLike, *, start: tuple[float, float]) -> LawFit:
    """Fit y = limit (1 - exp(-rate x)) to points, with nothing believed beforehand.

    Parameters
    ----------
    x, y
        One-dimensional, of equal length, three points at least; no unit is assumed.
    start
        First guess of limit and rate, both greater than zero. The fit runs in their logarithms, which keeps them so,
        and in units of the guess, which keeps the first steps small.

    Raises
    ------
    WrongUseError
        With fewer than three points, unequal lengths, a guess that is not greater than zero, or points that tell no
        law, such as all after one time.
    """
    times, contrasts = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if times.shape != contrasts.shape or times.ndim != 1 or len(times) < 3:
        raise WrongUseError("three points at least are needed, each a time and a contrast.")
    if min(start) <= 0.0:
        raise WrongUseError("the first guess of limit and rate must be greater than zero.")

    def residuals(logs: Floats) -> tuple[Floats, Floats]:
        limit, rate = np.exp(np.minimum(logs, 700.0))
        rest = np.exp(-rate * times)
        by_rate = limit * rate * times * rest
        return limit * (1.0 - rest) - contrasts, np.column_stack([limit * (1.0 - rest), by_rate])

    try:
        with np.errstate(over="ignore", invalid="ignore"):
            found = least_squares(residuals, np.log(start))
    except np.linalg.LinAlgError as problem:
        raise WrongUseError(_NO_LAW) from problem
    if np.linalg.cond(found.covariance) > _HOPELESS:
        raise WrongUseError(_NO_LAW)
    limit, rate = (float(value) for value in np.exp(found.parameters))
    sd = float(np.sqrt(found.sum_of_squares / (len(times) - 2)))
    errors = sd * np.sqrt(np.diag(found.covariance))
    return LawFit(
        limit=limit,
        rate=rate,
        u_limit=limit * float(errors[0]),
        u_rate=rate * float(errors[1]),
        residual_sum=found.sum_of_squares,
        residual_sd=sd,
    )
