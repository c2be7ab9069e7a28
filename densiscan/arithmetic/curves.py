"""Curves through measured points: a straight line, a rising sequence, and a shape-preserving curve.

Everything here is plain arithmetic on arrays; what the numbers mean is the business of the caller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line y = intercept + slope * x fitted by least squares, with what is known of its doubt.

    `u_intercept` and `u_slope` are standard uncertainties (k = 1), `correlation` the correlation coefficient of
    intercept and slope, `residual_sd` the standard deviation of the residuals with `dof` degrees of freedom.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float
    residual_sd: float
    dof: int

    def at(self, x: float) -> tuple[float, float]:
        """Return y at x and its standard uncertainty, the correlation of the two coefficients taken into account.

        References
        ----------
        JCGM 100:2008 (GUM), H.3.4, equation H.15.
        """
        covariance = self.correlation * self.u_intercept * self.u_slope
        variance = self.u_intercept**2 + (x * self.u_slope) ** 2 + 2.0 * x * covariance
        return self.intercept + self.slope * x, float(np.sqrt(max(variance, 0.0)))


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Line:
    """Fit a straight line by weighted least squares.

    Parameters
    ----------
    x, y
        One-dimensional, of equal length, at least three points, x not all equal.
    weights
        Relative weights (inverse variances up to a factor); equal when not given. The uncertainties are scaled by
        the scatter of the residuals.

    Raises
    ------
    ValueError
        With fewer than three points, or all x equal.

    References
    ----------
    JCGM 100:2008 (GUM), H.3; centred sums for accuracy.
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    w = np.ones_like(xs) if weights is None else np.asarray(weights, dtype=float)
    dof = xs.size - 2
    if dof < 1:
        raise ValueError("a line with its uncertainty needs at least three points")
    total = w.sum()
    x_mean, y_mean = float((w * xs).sum() / total), float((w * ys).sum() / total)
    dx, dy = xs - x_mean, ys - y_mean
    sxx = float((w * dx * dx).sum())
    if sxx <= 0.0:
        raise ValueError("a line needs points at more than one x")
    slope = float((w * dx * dy).sum()) / sxx
    residuals = dy - slope * dx
    variance = float((w * residuals * residuals).sum()) / dof
    u_slope = float(np.sqrt(variance / sxx))
    u_intercept = float(np.sqrt(variance * (1.0 / total + x_mean * x_mean / sxx)))
    correlation = -x_mean / float(np.sqrt(sxx / total + x_mean * x_mean)) if variance > 0.0 else 0.0
    return Line(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        u_intercept=u_intercept,
        u_slope=u_slope,
        correlation=correlation,
        residual_sd=float(np.sqrt(variance)),
        dof=dof,
    )


def isotonic(y: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Floats:
    """Return the rising (never falling) sequence nearest to y in weighted least squares.

    Parameters
    ----------
    y
        One-dimensional.
    weights
        Positive, same length; equal when not given.

    Returns
    -------
    ndarray
        Same length. Neighbours that were out of order share one value: their weighted mean.

    References
    ----------
    Pool-adjacent-violators: Ayer, Brunk, Ewing, Reid and Silverman (1955), Annals of Mathematical Statistics 26.
    """
    ys = np.asarray(y, dtype=float)
    w = np.ones_like(ys) if weights is None else np.asarray(weights, dtype=float)
    pools: list[tuple[float, float, int]] = []
    for value, weight in zip(ys.tolist(), w.tolist(), strict=True):
        level, mass, count = value, weight, 1
        while pools and pools[-1][0] >= level:
            below, below_mass, below_count = pools.pop()
            level = (below * below_mass + level * mass) / (below_mass + mass)
            mass += below_mass
            count += below_count
        pools.append((level, mass, count))
    return np.repeat([pool[0] for pool in pools], [pool[2] for pool in pools]) if pools else ys.copy()


def shape_preserving_slopes(x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
    """Return dy/dx at each knot of the shape-preserving cubic through the points.

    Monotone points give a monotone curve: no overshoot between the steps of a wedge.

    Parameters
    ----------
    x
        Strictly rising, at least two knots.
    y
        Values, same length as x. A trailing second axis holds several curves over the same x.

    References
    ----------
    Fritsch and Butland (1984), SIAM J. Sci. Stat. Comput. 5; three-point end slopes as in Moler, Numerical Computing
    with MATLAB (2004), section 3.6.
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    h = np.diff(xs).reshape((-1,) + (1,) * (ys.ndim - 1))
    delta = np.diff(ys, axis=0) / h
    if xs.size == 2:
        return np.repeat(delta, 2, axis=0)
    slopes = np.zeros_like(ys)
    before, after = delta[:-1], delta[1:]
    w1, w2 = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    same = before * after > 0.0
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        harmonic = (w1 + w2) / (w1 / before + w2 / after)
    slopes[1:-1] = np.where(same, harmonic, 0.0)
    slopes[0] = _end_slope(h[0], h[1], delta[0], delta[1])
    slopes[-1] = _end_slope(h[-1], h[-2], delta[-1], delta[-2])
    return slopes


def _end_slope(h0: Floats, h1: Floats, delta0: Floats, delta1: Floats) -> Floats:
    slope = ((2.0 * h0 + h1) * delta0 - h0 * delta1) / (h0 + h1)
    slope = np.where(np.sign(slope) != np.sign(delta0), 0.0, slope)
    too_steep = (np.sign(delta0) != np.sign(delta1)) & (np.abs(slope) > 3.0 * np.abs(delta0))
    return np.where(too_steep, 3.0 * delta0, slope)


def shape_preserving(x: npt.ArrayLike, y: npt.ArrayLike, at: npt.ArrayLike) -> Floats:
    """Return the shape-preserving cubic through the points, continued outside by straight lines of the end slope.

    Parameters
    ----------
    x, y
        As for `shape_preserving_slopes`.
    at
        Where to evaluate, one-dimensional.

    Returns
    -------
    ndarray
        One value (or one row, when y has a second axis) for each entry of `at`.
    """
    xs, ys, points = np.asarray(x, dtype=float), np.asarray(y, dtype=float), np.asarray(at, dtype=float)
    slopes = shape_preserving_slopes(xs, ys)
    inside = np.clip(points, xs[0], xs[-1])
    k = np.clip(np.searchsorted(xs, inside, side="right") - 1, 0, xs.size - 2)
    trailing = (1,) * (ys.ndim - 1)
    h = (xs[k + 1] - xs[k]).reshape(-1, *trailing)
    t = ((inside - xs[k]) / (xs[k + 1] - xs[k])).reshape(-1, *trailing)
    s = 1.0 - t
    hermite = (
        ys[k] * (1.0 + 2.0 * t) * s * s
        + h * slopes[k] * t * s * s
        + ys[k + 1] * t * t * (1.0 + 2.0 * s)
        - h * slopes[k + 1] * t * t * s
    )
    outside = (points - inside).reshape(-1, *trailing)
    end = np.where((points < xs[0]).reshape(-1, *trailing), slopes[0], slopes[-1])
    result: Floats = hermite + outside * end
    return result
