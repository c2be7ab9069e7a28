"""The characteristic curve through measured points: smooth, rising, with toe and shoulder, and with its doubt.

The backbone is the cumulative normal law on both ends of a straight line, composed: the mean slope of a toe is that of
grains whose sensitivities, in log exposure, scatter normally; a shoulder is the same law upside down, in density. With
both widths zero it is a straight line with sharp ends. What no such curve follows is taken up by a small smooth
departure of which nothing is known but its size, found from the points themselves. Note 1 of docs/method-film.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import isotonic
from densiscan.arithmetic.least_squares import Fitted, least_squares
from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.film.few_points import FewPoints, PossibleCurves, possible_curves

GRID: Final = 0.01
"""Spacing of the curve in log exposure: between such places it is straight to 0.00002 of density."""
_SHARPEST: Final = 1e-9
_WIDEST: Final = 1.5
_DEPARTURES: Final = (0.005, 0.008, 0.013, 0.02, 0.035, 0.06)
"""Standard deviations tried for the departure from the backbone, density. Never less than the first: two laws for the
same toe, normal and logistic, differ by that much."""
_REACH: Final = 0.30
"""Log exposure over which the departure keeps its sign: one stop."""
_SCATTERS: Final = (0.0, 0.002, 0.004, 0.007, 0.012, 0.02, 0.035, 0.06)
"""Standard deviations tried for scatter of the points beyond what is stated for them, density."""
_SCATTERS_UNKNOWN: Final = (1e-4, 3e-4, 1e-3, *_SCATTERS[1:])
_WAKES: Final = 0.05
"""Net density over which the departure sets in: what got no light departs from nothing."""
_FOOT: Final = 0.02
_FOOT_LENGTH: Final = 0.15
"""Net density up to which the curve counts as its foot, and how long a foot must be seen (half a stop) to tell base
plus fog."""
_CLEAR_GAIN: Final = 6.0
"""Fall of twice the negative log likelihood from which two more parameters, those of the shoulder, are believed."""
_FEWEST_FOR_SHOULDER: Final = 7
FEW: Final = 11
"""Points up to which the best curve does not stand for all: less than twice as many as a backbone has numbers."""
_FEW_GRID: Final = 0.02
_BASE_TOLD: Final = 0.02
"""Standard uncertainty of base plus fog up to which few points tell it."""
_FEW_STEPS: Final = 30
_MANY_STEPS: Final = 200
_NOTHING_LEFT: Final = 1e-20
"""Sum of squared residuals, over their own variance, at which every point lies on the backbone to all its digits."""
_NO_WORSE: Final = 1e-6
_KNOWN_WIDTHS: Final = (1e3, 1e3, 1e3, 0.3, 1.0, 0.5)
"""How well each parameter is known beforehand (standard deviation), for what the points do not tell; only the doubt
uses it, never the curve."""


class FitPoint(NamedTuple):
    """A point of a curve: where, how dense, and what moves it."""

    log_exposure: Quantity
    density: Quantity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmCurve:
    """A fitted characteristic curve.

    Attributes
    ----------
    log_exposure, density
        The curve at even places from the first point to the last, rising.
    backbone
        The density of the backbone alone there.
    base
        Density where no light fell: base plus fog.
    base_seen
        Whether the points reach down to it, or it was given.
    influences, changes, base_changes
        What moves the curve, and by how much each (k = 1): shapes (influences, places) and (influences,).
    scatter
        Standard deviation of the points beyond what is stated for them.
    possible
        Where the points are few, other curves that they leave possible, at the places `possible_places`.
    """

    log_exposure: Floats
    density: Floats
    backbone: Floats
    base: float
    base_seen: bool
    influences: tuple[Influence, ...]
    changes: Floats
    base_changes: Floats
    scatter: float
    possible: PossibleCurves | None = None
    possible_places: Floats | None = None

    def __post_init__(self) -> None:
        for array in (self.log_exposure, self.density, self.backbone, self.changes, self.base_changes):
            array.setflags(write=False)

    @property
    def net(self) -> Floats:
        """Density above base plus fog."""
        return self.density - self.base

    def base_plus_fog(self) -> Quantity:
        """Return base plus fog with what moves it."""
        read = Quantity(self.base, dict(zip(self.influences, self.base_changes.tolist(), strict=True)))
        return read if self.possible is None else with_spread(read, self.possible.base)


def with_spread(quantity: Quantity, values: Floats) -> Quantity:
    """Return a quantity of few points: the mean of its values on all possible curves, and no surer than they agree.

    Influences beside the shape of the curve keep their parts; what they and the spread share counts once.
    """
    parts = {key: part for key, part in (quantity.parts or {}).items() if key.kind not in {"scatter", "curve"}}
    variance, spread = math.fsum(part * part for part in parts.values()), float(np.std(values))
    if variance > spread**2:
        parts = {key: part * spread / math.sqrt(variance) for key, part in parts.items()}
    rest = max(spread**2 - variance, 0.0)
    return Quantity(float(np.mean(values)), {**parts, Influence("curve", "of few points"): math.sqrt(rest)})


def hinge(place: Floats, width: float) -> tuple[Floats, Floats, Floats]:
    """Return a rising straight line of slope 1 with a soft foot at 0, its slope, and its change with the width.

    The slope is the cumulative normal law of standard deviation `width`; with no width the foot is sharp.
    """
    z = np.clip(place / max(width, _SHARPEST), -39.0, 39.0)
    share = 0.5 * (1.0 + np.array([math.erf(value / math.sqrt(2.0)) for value in z.tolist()]))
    bell = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return place * share + width * bell, share, bell


def backbone(parameters: Floats, log_exposure: Floats) -> tuple[Floats, Floats]:
    """Return density and its derivatives by base, slope, foot, toe and, where given, top and shoulder."""
    base, slope, foot, toe = parameters[:4]
    rise, share, bell = hinge(log_exposure - foot, float(toe))
    net = slope * rise
    derivatives = [np.ones_like(net), rise, -slope * share, slope * bell]
    if parameters.size == 4:
        return base + net, np.stack(derivatives, axis=1)
    top, shoulder = float(parameters[4]), float(parameters[5])
    over, over_share, over_bell = hinge(net - top, shoulder)
    none, none_share, none_bell = hinge(np.array([-top]), shoulder)
    kept = 1.0 - over_share
    derivatives = [derivatives[0], *(kept * one for one in derivatives[1:])]
    derivatives += [over_share - none_share, none_bell - over_bell]
    return base + net - over + none, np.stack(derivatives, axis=1)


class _Data(NamedTuple):
    """Points as arrays; where base plus fog is known it is the last of `density` and has no place on the curve."""

    x: Floats
    density: Floats
    moved: Floats
    influences: tuple[Influence, ...]
    given: bool
    open_: npt.NDArray[np.bool_]

    def model(self, parameters: Floats) -> tuple[Floats, Floats]:
        """Return what a backbone says of each entry, and its derivatives."""
        value, slopes = backbone(parameters, self.x)
        if not self.given:
            return value, slopes
        last = np.zeros((1, parameters.size))
        last[0, 0] = 1.0
        return np.append(value, parameters[0]), np.concatenate((slopes, last))


def fit_curve(points: Sequence[FitPoint], base_plus_fog: Quantity | None = None) -> FilmCurve:
    """Fit a characteristic curve.

    Parameters
    ----------
    points
        Rising in log exposure, five at least. A density whose uncertainty cannot be given is weighed by how the points
        scatter.
    base_plus_fog
        Where it is known from elsewhere, such as the rebate; else the foot of the curve gives it.

    Notes
    -----
    Weighted least squares. Which backbone is taken, and the sizes of scatter and departure, follow from the likelihood
    with the full covariance of the points. The curve itself is weighed by their variances alone: errors that they
    share (one calibration, one wedge) move it and are in its doubt, but it does not guess at them from the shape of the
    curve, which no law follows that closely. Errors of the exposures count as errors of density along the slope.

    References
    ----------
    Patterson and Thompson (1971), Biometrika 58 (restricted likelihood); Rasmussen and Williams (2006), Gaussian
    Processes for Machine Learning, section 2.7 (a smooth departure about a fitted backbone). From memory.
    """
    flat = np.zeros(len(points))
    first = _data(points, base_plus_fog, flat)
    rough = _plain(first, _noise(first, 0.004))
    slopes = _slopes(rough.parameters, first.x)
    data = _data(points, base_plus_fog, slopes)
    shape = _shape(data, _noise(data, 0.004))
    scatter, departure = _sizes(data, shape)
    waves = _waves(data.x, data.x, shape.parameters) * departure
    fitted = _sharpest(data, shape.parameters, _weights(data, scatter) + _with_base(waves @ waves.T, data))
    curve = _curve(data, fitted, scatter, departure)
    return curve if len(points) > FEW else _with_possible(curve, data, base_plus_fog)


def _with_possible(curve: FilmCurve, data: _Data, base: Quantity | None) -> FilmCurve:
    """Return a curve of few points as the mean of all that they leave possible."""
    size = data.x.size
    variance = np.sum(data.moved[:, :size] ** 2, axis=0)
    few = FewPoints(
        x=data.x,
        density=data.density[:size],
        variance=variance,
        base=None if base is None else (base.value, (base.standard_uncertainty or 0.0) ** 2),
        scatter_stated=not bool(data.open_[:size].any()),
    )
    x = curve.log_exposure
    places = np.linspace(float(x[0]), float(x[-1]), max(math.ceil((float(x[-1]) - float(x[0])) / _FEW_GRID), 2))
    possible = possible_curves(few, places)
    net_at_foot = float(
        np.interp(float(x[0]) + _FOOT_LENGTH, places, possible.density.mean(axis=0) - possible.base.mean())
    )
    seen = base is not None or (net_at_foot < _FOOT and float(np.std(possible.base)) < _BASE_TOLD)
    return replace(
        curve,
        density=isotonic(np.interp(x, places, possible.density.mean(axis=0))),
        backbone=np.interp(x, places, possible.backbone.mean(axis=0)),
        base=float(possible.base.mean()),
        base_seen=seen,
        scatter=float(np.median(possible.scatter)),
        possible=possible,
        possible_places=places,
    )


def _data(points: Sequence[FitPoint], base: Quantity | None, slopes: Floats) -> _Data:
    """Return the points as arrays, errors of exposure turned into density by the slopes there."""
    rows: dict[Influence, Floats] = {}
    size = len(points) + (base is not None)
    quantities = [(point.density, 1.0) for point in points] + ([] if base is None else [(base, 1.0)])
    for number, (quantity, factor) in enumerate(quantities):
        for influence, part in (quantity.parts or {}).items():
            rows.setdefault(influence, np.zeros(size))[number] += factor * part
    for number, (point, slope) in enumerate(zip(points, slopes.tolist(), strict=True)):
        for influence, part in (point.log_exposure.parts or {}).items():
            rows.setdefault(influence, np.zeros(size))[number] += slope * part
    return _Data(
        x=np.array([point.log_exposure.value for point in points]),
        density=np.array([quantity.value for quantity, _ in quantities]),
        moved=np.array(list(rows.values())).reshape(len(rows), size),
        influences=tuple(rows),
        given=base is not None,
        open_=np.array([not quantity.parts for quantity, _ in quantities]),
    )


def _noise(data: _Data, scatter: float) -> Floats:
    """Return the covariance of the entries; base plus fog, where it is given, does not scatter."""
    extra = np.full(data.density.size, scatter**2 + 1e-12)
    if data.given:
        extra[-1] = 1e-12
    return np.asarray(data.moved.T @ data.moved + np.diag(extra))


def _weights(data: _Data, scatter: float) -> Floats:
    """Return the variances of the entries alone: what they share moves the curve, but does not weigh it."""
    return np.diag(np.diag(_noise(data, scatter)))


def _with_base(covariance: Floats, data: _Data) -> Floats:
    return np.pad(covariance, (0, 1)) if data.given else covariance


def _slopes(parameters: Floats, x: Floats) -> Floats:
    return (backbone(parameters, x + 0.01)[0] - backbone(parameters, x - 0.01)[0]) / 0.02


def _refit(data: _Data, start: Floats, covariance: Floats, steps: int = _FEW_STEPS) -> Fitted:
    factor = np.linalg.inv(np.linalg.cholesky(covariance))

    def residuals(parameters: Floats) -> tuple[Floats, Floats]:
        value, slopes = data.model(parameters)
        return factor @ (value - data.density), factor @ slopes

    low = [-1.0, 0.01, -30.0, _SHARPEST, 0.05, _SHARPEST]
    high = [8.0, 10.0, 30.0, _WIDEST, 8.0, _WIDEST]
    size = start.size
    return least_squares(residuals, start, limits=(low[:size], high[:size]), steps=steps, enough=_NOTHING_LEFT)


def _sharpest(data: _Data, start: Floats, covariance: Floats) -> Fitted:
    """Return the backbone that fits best, with a sharp toe where the points show no other."""
    fitted = _refit(data, start, covariance, _MANY_STEPS)
    begin = fitted.parameters.copy()
    begin[3] = _SHARPEST
    sharp = _refit(data, begin, covariance, _MANY_STEPS)
    return sharp if sharp.sum_of_squares <= fitted.sum_of_squares + _NO_WORSE else fitted


def _plain(data: _Data, covariance: Floats) -> Fitted:
    """Return the backbone without a shoulder that fits best."""
    return min((_refit(data, start, covariance) for start in _starts(data)), key=lambda one: one.sum_of_squares)


def _shape(data: _Data, covariance: Floats) -> Fitted:
    """Return the backbone that fits best, with a shoulder only where the points show one."""
    plain = _plain(data, covariance)
    if data.x.size < _FEWEST_FOR_SHOULDER:
        return plain
    reached = float(np.max(data.density) - plain.parameters[0])
    starts = [
        np.array([*start, top * reached, width])
        for start in (plain.parameters, _starts(data)[1])
        for top, width in ((0.95, 0.1), (1.2, 0.4))
    ]
    bent = min((_refit(data, start, covariance) for start in starts), key=lambda one: one.sum_of_squares)
    return bent if bent.sum_of_squares < plain.sum_of_squares - _CLEAR_GAIN else plain


def _starts(data: _Data) -> list[Floats]:
    """Return backbones to begin with: the steepest stretch of three points, a sharp and a soft toe."""
    density = data.density[: data.x.size]
    base = float(data.density[-1]) if data.given else float(np.min(density))
    reach = min(3, data.x.size - 1)
    rises = (density[reach:] - density[:-reach]) / np.maximum(data.x[reach:] - data.x[:-reach], 1e-6)
    steepest = int(np.argmax(rises))
    slope = float(np.clip(rises[steepest], 0.05, 8.0))
    middle = slice(steepest, steepest + reach + 1)
    foot = float(np.mean(data.x[middle])) - (float(np.mean(density[middle])) - base) / slope
    return [np.array([base, slope, foot, toe]) for toe in (0.02, 0.15, 0.4)]


def _waves(places: Floats, x: Floats, parameters: Floats) -> Floats:
    """Return even bells over the range of x, at some places: with random heights of size 1 they add up to a departure.

    Shape (places, bells). Their sum has variance 1 and correlation exp(-d^2 / (2 reach^2)), but fades where the curve
    meets base plus fog.
    """
    step = 0.5 * _REACH
    middles = np.arange(float(x[0]) - 2.0 * _REACH, float(x[-1]) + 2.0 * _REACH + step, step)
    bells = np.exp(-(((places[:, None] - middles) / _REACH) ** 2)) / math.sqrt(2.0 * math.sqrt(math.pi / 2.0))
    net = np.maximum(backbone(parameters, places)[0] - parameters[0], 0.0)
    return np.asarray(bells * -np.expm1(-net / _WAKES)[:, None])


def _information(slopes: Floats, inverse: Floats) -> Floats:
    widths = np.array(_KNOWN_WIDTHS[: slopes.shape[1]])
    return np.asarray(slopes.T @ inverse @ slopes + np.diag(1.0 / widths**2))


def _sizes(data: _Data, shape: Fitted) -> tuple[float, float]:
    """Return scatter and departure of greatest restricted likelihood."""
    value, slopes = data.model(shape.parameters)
    left = data.density - value
    waves = _with_base(_outer(_waves(data.x, data.x, shape.parameters)), data)
    scatters = _SCATTERS_UNKNOWN if bool(data.open_[: data.x.size].any()) else _SCATTERS

    def minus_log_likelihood(sizes: tuple[float, float]) -> float:
        covariance = _noise(data, sizes[0]) + sizes[1] ** 2 * waves
        inverse: Floats = np.asarray(np.linalg.inv(covariance))
        information = _information(slopes, inverse)
        pulled = slopes.T @ inverse @ left
        misfit = left @ inverse @ left - pulled @ np.linalg.solve(information, pulled)
        return float(misfit + np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1])

    return min(product(scatters, _DEPARTURES), key=minus_log_likelihood)


def _outer(waves: Floats) -> Floats:
    return np.asarray(waves @ waves.T)


class _Smoothed(NamedTuple):
    """What follows from the points: the curve on the grid, and how it and base plus fog follow each entry.

    `follows` has shape (grid places + 1, entries), base plus fog last; `at_points` and `on_grid` hold the bells of the
    departure, base plus fog last in both where it is there.
    """

    density: Floats
    follows: Floats
    at_points: Floats
    on_grid: Floats


def _smoothed(data: _Data, parameters: Floats, grid: Floats, sizes: tuple[float, float]) -> _Smoothed:
    scatter, departure = sizes
    at_points = _waves(data.x, data.x, parameters) * departure
    if data.given:
        at_points = np.asarray(np.pad(at_points, ((0, 1), (0, 0))))
    on_grid = np.asarray(np.pad(_waves(grid, data.x, parameters) * departure, ((0, 1), (0, 0))))
    inverse: Floats = np.asarray(np.linalg.inv(_weights(data, scatter) + at_points @ at_points.T))
    value, slopes = data.model(parameters)
    pulled = np.linalg.solve(_information(slopes, inverse), slopes.T @ inverse)
    bend = on_grid @ at_points.T @ inverse
    along, along_slopes = backbone(parameters, grid)
    base_slope = np.eye(1, parameters.size)
    follows = np.concatenate((along_slopes, base_slope)) @ pulled + bend - bend @ slopes @ pulled
    density = along + (bend @ (data.density - value))[:-1]
    return _Smoothed(density=density, follows=follows, at_points=at_points, on_grid=on_grid)


def _curve(data: _Data, fitted: Fitted, scatter: float, departure: float) -> FilmCurve:
    """Return the curve on its grid, with how everything that moves the points moves it."""
    first, last = float(data.x[0]), float(data.x[-1])
    count = max(math.ceil((last - first) / GRID - 1e-9), 1) + 1
    grid = np.linspace(first, last, count)
    smooth = _smoothed(data, fitted.parameters, grid, (scatter, departure))
    extra = np.diag(np.full(data.density.size, scatter))[: data.x.size]
    moved = np.concatenate((data.moved, extra, smooth.at_points.T)) @ smooth.follows.T
    # The departure is in the points and in the curve: what counts is by how much the one misses the other.
    moved[data.moved.shape[0] + extra.shape[0] :] -= smooth.on_grid.T
    names = (
        *data.influences,
        *(Influence("scatter", f"{number + 1}") for number in range(extra.shape[0])),
        *(Influence("curve", f"{number + 1}") for number in range(smooth.on_grid.shape[1])),
    )
    base = float(fitted.parameters[0])
    density = isotonic(smooth.density)
    return FilmCurve(
        log_exposure=grid,
        density=density,
        backbone=backbone(fitted.parameters, grid)[0],
        base=base,
        base_seen=data.given or float(np.interp(first + _FOOT_LENGTH, grid, density)) - base < _FOOT,
        influences=names,
        changes=np.ascontiguousarray(moved[:, :-1]),
        base_changes=moved[:, -1].copy(),
        scatter=scatter,
    )
