"""Curves that few points leave possible, each as likely as any other: what is not seen of toe and shoulder is in doubt.

A curve has a foot, a toe, a straight part, a shoulder and its top. Five or ten points do not tell all of them. All
backbones are tried that a film may have, with a smooth departure from each, and weighed by how well they foretell the
points (JCGM 101:2008, 6.4). Note 1 of docs/method-film.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats

_CURVES: Final = 400
_KEPT: Final = 80
_MOVES: Final = 6
"""Moves of every curve after each step of the weight that the points are given."""
_HALVED: Final = 0.5
"""Part of the curves that a step of that weight leaves with a say of their own."""
_REACH: Final = 0.45
"""Log exposure over which the departure keeps its sign: a stop and a half, the usual distance of few exposures."""
_WAKES: Final = 0.05
"""Net density over which the departure sets in."""
_USUAL_SLOPE: Final = (0.75, 0.5)
"""Slope of the straight part of films, mean and standard deviation, before anything is seen (common practice)."""
_BEYOND: Final = 2.5
"""Log exposure beyond the last point over which a backbone may still get steeper."""
_STRAIGHT: Final = 0.95
_FOOT_ABOUT: Final = (2.0, 1.0)
"""How far before the first point and beyond the last the foot may lie."""
# Log exposure: width of the toe, length of the straight part, width of the shoulder. Density: scatter and departure.
_LOW: Final = np.log([0.02, 0.20, 0.03])
_HIGH: Final = np.log([2.0, 5.0, 2.0])
_DEPARTURE: Final = (0.003, 0.03)
_SCATTER: Final = (0.0003, 0.01)
_SCATTER_UNKNOWN: Final = (0.001, 0.05)
_LOGISTIC: Final = math.sqrt(3.0) / math.pi
"""Scale of the logistic law of standard deviation 1."""
_Z: Final = np.linspace(-8.0, 8.0, 4001)
_SHARES: Final = 0.5 * (1.0 + np.array([math.erf(z / math.sqrt(2.0)) for z in _Z.tolist()]))
_RISES: Final = _Z * _SHARES + np.exp(-0.5 * _Z * _Z) / math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PossibleCurves:
    """Curves that the points leave possible, all equally likely; read-only arrays.

    Attributes
    ----------
    density, backbone
        Shape (curves, places).
    base
        Density where no light fell, of each.
    steepest
        Slope over the straight part of the whole backbone of each, beyond the last point as well.
    scatter
        Of the points about each curve, beyond what is stated.
    """

    density: Floats
    backbone: Floats
    base: Floats
    steepest: Floats
    scatter: Floats

    def __post_init__(self) -> None:
        for array in (self.density, self.backbone, self.base, self.steepest, self.scatter):
            array.setflags(write=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FewPoints:
    """Points as arrays: log exposure, density, variance of each, and base plus fog with its variance where known."""

    x: Floats
    density: Floats
    variance: Floats
    base: tuple[float, float] | None
    scatter_stated: bool


def possible_curves(points: FewPoints, grid: Floats) -> PossibleCurves:
    """Return curves on a grid of log exposures.

    Notes
    -----
    The weight of the points grows step by step from nothing to all (Neal 2001, Statistics and Computing 11; from
    memory); at each the curves are drawn anew by their weights and moved by differences of others (ter Braak 2006,
    the same journal, 16). Base and slope are summed over exactly.
    """
    rng = np.random.default_rng(1601)
    law = _Law(points)
    shapes = rng.uniform(law.low, law.high, (4 * _CURVES, law.low.size))
    likely = law.log_likelihood(shapes)
    weight = 0.0
    while weight < 1.0:
        step = _step(likely, 1.0 - weight)
        weight += step
        chances = np.exp(step * (likely - likely.max()))
        drawn = _resampled(chances / chances.sum(), _CURVES, rng)
        shapes, likely = shapes[drawn], likely[drawn]
        for _ in range(_MOVES):
            shapes, likely = _moved(law, shapes, likely, weight, rng)
    kept = shapes[rng.permutation(_CURVES)[:_KEPT]]
    return law.curves(kept, grid, rng)


def _step(likely: Floats, most: float) -> float:
    """Return by how much the weight may grow until half of the curves have no say any more."""

    def having_say(step: float) -> float:
        chances = np.exp(step * (likely - likely.max()))
        return float(chances.sum() ** 2 / (chances @ chances))

    wanted = _HALVED * min(likely.size, _CURVES)
    if having_say(most) >= wanted:
        return most
    low, high = 0.0, most
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if having_say(middle) > wanted else (low, middle)
    return max(low, 1e-6)


def _resampled(chances: Floats, count: int, rng: np.random.Generator) -> npt.NDArray[np.intp]:
    """Return so many numbers by their chances, evenly spread."""
    places = (np.arange(count) + rng.random()) / count
    return np.minimum(np.searchsorted(np.cumsum(chances), places), chances.size - 1)


def _moved(law: _Law, shapes: Floats, likely: Floats, weight: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    count, size = shapes.shape
    first, second = rng.integers(count, size=(2, count))
    far = np.where(rng.random(count) < 0.1, 1.0, 2.38 / math.sqrt(2.0 * size) * rng.uniform(0.3, 1.2, count))
    tried = shapes + far[:, None] * (shapes[first] - shapes[second])
    tried += rng.normal(0.0, 0.003, shapes.shape) * (law.high - law.low)
    inside = np.all((tried >= law.low) & (tried <= law.high), axis=1)
    after = np.where(inside, law.log_likelihood(np.clip(tried, law.low, law.high)), -np.inf)
    better = np.log(rng.random(count)) < weight * (after - likely)
    return np.where(better[:, None], tried, shapes), np.where(better, after, likely)


def _rise(z: Floats, logistic: Floats) -> Floats:
    """Return a rising line of slope 1 with a foot of width 1 by the normal law, the logistic law, or both in part."""
    normal = np.where(z > 8.0, z, np.interp(z, _Z, _RISES))
    return np.asarray(normal + logistic * (_LOGISTIC * np.logaddexp(0.0, z / _LOGISTIC) - normal))


class _Law:
    """How likely points are, for shapes: foot, log widths and length, log departure and scatter, law, a row each."""

    def __init__(self, points: FewPoints) -> None:
        self.points = points
        span = (float(points.x[0]) - _FOOT_ABOUT[0], float(points.x[-1]) + _FOOT_ABOUT[1])
        sizes = np.log([_DEPARTURE, _SCATTER if points.scatter_stated else _SCATTER_UNKNOWN])
        self.low = np.array([span[0], *_LOW, *sizes[:, 0], 0.0])
        self.high = np.array([span[1], *_HIGH, *sizes[:, 1], 1.0])
        base = points.base
        self.y = points.density if base is None else np.append(points.density, base[0])
        self.least = float(np.min(points.density)) if base is None else base[0]
        self.before = np.array([self.least, _USUAL_SLOPE[0]])
        self.variances = np.array([1.0, _USUAL_SLOPE[1] ** 2])
        self.awake = self._awake(points.x)
        self.apart = self._departures(points.x, points.x)

    def _awake(self, places: Floats) -> Floats:
        if self.points.base is None:
            return np.ones_like(places)
        net = np.interp(places, self.points.x, np.maximum.accumulate(self.points.density)) - self.least
        return np.asarray(-np.expm1(-np.maximum(net, 0.0) / _WAKES))

    def _departures(self, a: Floats, b: Floats) -> Floats:
        alike = np.exp(-0.5 * ((a[:, None] - b) / _REACH) ** 2)
        return np.asarray(alike * self._awake(a)[:, None] * self._awake(b))

    def shape(self, shapes: Floats, places: Floats) -> Floats:
        """Return the net density of a slope of 1, shape (curves, places)."""
        foot, toe, length, shoulder = (shapes[:, [0]], *(np.exp(shapes[:, [n]]) for n in (1, 2, 3)))
        law = shapes[:, [6]]
        rise = toe * _rise((places - foot) / toe, law)
        bent = shoulder * (_rise((rise - length) / shoulder, law) - _rise(-length / shoulder, law))
        return np.asarray(rise - bent)

    def _rows(self, shapes: Floats) -> Floats:
        """Return how each entry follows base and slope, shape (curves, entries, 2)."""
        net = self.shape(shapes, self.points.x)
        if self.points.base is not None:
            net = np.pad(net, ((0, 0), (0, 1)))
        return np.stack((np.ones_like(net), net), axis=-1)

    def _covariance(self, shapes: Floats) -> Floats:
        departure, scatter = np.exp(2.0 * shapes[:, 4]), np.exp(2.0 * shapes[:, 5])
        own = scatter[:, None] + self.points.variance
        covariance = departure[:, None, None] * self.apart + own[:, :, None] * np.eye(own.shape[1])
        if self.points.base is None:
            return np.asarray(covariance)
        covariance = np.pad(covariance, ((0, 0), (0, 1), (0, 1)))
        covariance[:, -1, -1] = self.points.base[1] + 1e-8
        return covariance

    def log_likelihood(self, shapes: Floats) -> Floats:
        rows = self._rows(shapes)
        whole = self._covariance(shapes) + np.einsum("kia,a,kja->kij", rows, self.variances, rows)
        left = self.y - rows @ self.before
        factor = np.linalg.cholesky(whole)
        solved = np.linalg.solve(factor, left[..., None])[..., 0]
        spread = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
        return np.asarray(-0.5 * np.sum(solved**2, axis=1) - spread)

    def curves(self, shapes: Floats, grid: Floats, rng: np.random.Generator) -> PossibleCurves:
        """Return a curve of each shape with base, slope and departure drawn as the points leave them."""
        rows, covariance = self._rows(shapes), self._covariance(shapes)
        inverse = np.linalg.inv(covariance)
        information = np.einsum("kia,kij,kjb->kab", rows, inverse, rows) + np.diag(1.0 / self.variances)
        pulled = np.einsum("kia,kij,j->ka", rows, inverse, self.y) + self.before / self.variances
        spread = np.linalg.inv(information)
        line = np.einsum("kab,kb->ka", spread, pulled)
        line += np.einsum("kab,kb->ka", np.linalg.cholesky(spread), rng.normal(size=line.shape))
        line[:, 1] = np.maximum(line[:, 1], 0.01)
        backbone = line[:, [0]] + line[:, [1]] * self.shape(shapes, grid)
        left = (self.y - np.einsum("kia,ka->ki", rows, line))[:, : self.points.x.size]
        departure = self._departure(shapes, covariance, left, grid, rng)
        return PossibleCurves(
            density=np.maximum.accumulate(backbone + departure, axis=1),
            backbone=backbone,
            base=line[:, 0].copy(),
            steepest=line[:, 1] * self._steepest(shapes, grid),
            scatter=np.exp(shapes[:, 5]),
        )

    def _departure(
        self, shapes: Floats, covariance: Floats, left: Floats, grid: Floats, rng: np.random.Generator
    ) -> Floats:
        """Return a departure of each backbone on the grid, drawn as what is left at the points has it."""
        size = self.points.x.size
        both = np.concatenate((self.points.x, grid))
        root = np.linalg.cholesky(self._departures(both, both) + 1e-9 * np.eye(both.size))
        drawn = np.exp(shapes[:, [4]]) * (rng.normal(size=(shapes.shape[0], both.size)) @ root.T)
        own = np.sqrt(np.exp(2.0 * shapes[:, [5]]) + self.points.variance)
        missed = left - drawn[:, :size] - own * rng.normal(size=(shapes.shape[0], size))
        solved = np.linalg.solve(covariance[:, :size, :size], missed[..., None])[..., 0]
        bend = self._departures(grid, self.points.x)
        return np.asarray(drawn[:, size:] + np.exp(2.0 * shapes[:, [4]]) * (solved @ bend.T))

    def _steepest(self, shapes: Floats, grid: Floats) -> Floats:
        """Return the slope over the straight part of each whole backbone of slope 1, within 5 % of its steepest."""
        places = np.arange(float(grid[0]), float(grid[-1]) + _BEYOND, 0.04)
        slopes = np.diff(self.shape(shapes, places), axis=1) / 0.04
        steep = slopes >= _STRAIGHT * slopes.max(axis=1, keepdims=True)
        return np.asarray((slopes * steep).sum(axis=1) / steep.sum(axis=1))
