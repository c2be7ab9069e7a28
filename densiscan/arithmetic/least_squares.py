"""Fits a curve that is not straight in its parameters: damped least squares within limits.

Plain arithmetic; what the numbers mean is the business of the caller.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats

Residuals = Callable[[Floats], tuple[Floats, Floats]]
"""From parameters to residuals, shape (points,), and their derivatives, shape (points, parameters)."""

_MOST_STEPS: Final = 500
_SETTLED: Final = 1e-13
"""Relative change of the parameters below which they have settled: a few roundings of double precision."""
_HIGHEST_DAMPING: Final = 1e12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """Parameters that make the sum of squared residuals least, with residuals and derivatives there."""

    parameters: Floats
    residuals: Floats
    derivatives: Floats
    sum_of_squares: float

    def covariance(self) -> Floats:
        """Return (J^T J)^-1, the covariance of the parameters where residuals have variance one."""
        return np.asarray(np.linalg.inv(self.derivatives.T @ self.derivatives))


def least_squares(
    residuals: Residuals,
    start: npt.ArrayLike,
    *,
    limits: tuple[npt.ArrayLike, npt.ArrayLike] = (-np.inf, np.inf),
    steps: int = _MOST_STEPS,
    enough: float = 0.0,
    still: float = _SETTLED,
) -> Fitted:
    """Return the parameters near a start that make the sum of squared residuals least.

    Parameters
    ----------
    residuals
        Values that are not numbers count as a step too far.
    start
        Where to begin.
    limits
        Lowest and highest value of each parameter; none when not given.
    steps
        Most steps taken.
    enough
        Sum of squares at which there is nothing left to fit.
    still
        Relative change of the parameters at which they have settled.

    References
    ----------
    Levenberg (1944), Quarterly of Applied Mathematics 2; Marquardt (1963), J. SIAM 11: each step is damped along the
    scale of its parameter until it lowers the sum.
    """
    here = np.asarray(start, dtype=float)
    lower, upper = (np.broadcast_to(np.asarray(limit, dtype=float), here.shape) for limit in limits)
    here = np.clip(here, lower, upper)
    left, slopes = residuals(here)
    total = float(left @ left)
    scale = np.zeros(here.size)
    damping = 1e-3
    for _ in range(steps):
        scale = np.maximum(scale, np.sqrt(np.sum(slopes * slopes, axis=0)))
        # What stands at a limit and would go beyond it does not move, so that the others go their own way.
        down = slopes.T @ left
        held = ((here <= lower) & (down > 0.0)) | ((here >= upper) & (down < 0.0))
        step = _step(left, np.where(held, 0.0, slopes), scale, damping)
        there = np.clip(here + step, lower, upper)
        with np.errstate(all="ignore"):
            new_left, new_slopes = residuals(there)
            new_total = float(new_left @ new_left)
        moved = float(np.max(np.abs(there - here) / (np.abs(here) + 1e-9)))
        if new_total <= total and bool(np.all(np.isfinite(new_slopes))):
            settled = moved < still or new_total <= enough
            here, left, slopes, total = there, new_left, new_slopes, new_total
            damping = max(damping / 10.0, 1e-15)
            if settled:
                break
        else:
            damping *= 10.0
            if damping > _HIGHEST_DAMPING or moved < still:
                break
    return Fitted(parameters=here, residuals=left, derivatives=slopes, sum_of_squares=total)


def _step(left: Floats, slopes: Floats, scale: Floats, damping: float) -> Floats:
    """Return the damped step, from a triangular factor rather than the squared matrix: twice the digits."""
    size = scale.size
    safe = np.where(scale > 0.0, scale, 1.0)
    wide = np.concatenate((slopes / safe, np.sqrt(damping) * np.eye(size)))
    high = np.concatenate((-left, np.zeros(size)))
    return np.asarray(np.linalg.lstsq(wide, high, rcond=None)[0] / safe)
