"""The curve from signal to density as a posterior: laws of scanners with a smooth deviation, weighed by evidence.

A step's stated density is d = u(level) + g + e: u the density that a law gives its level, g a smooth deviation from the
law, e the error of its certificate and of its level. The figures of a law are taken as normal about where they fit
best, so that all is one Gaussian process; laws, and the sizes of deviation and error, are averaged by their evidence.
The derivation stands in docs/method.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.calibration.law import LAWS
from densiscan.calibration.law_fit import Fit, SeenSteps, as_read, density_of, fitted, start_of
from densiscan.calibration.smooth_deviation import evidence, kernel

_AMPLITUDES: Final = (0.0007, 0.002, 0.004, 0.008, 0.016, 0.032)
_USUAL_AMPLITUDE: Final = 0.008
_AMPLITUDE_SPREAD: Final = 1.0
"""Standard deviation of a scanner from its law, density, and the spread of its natural logarithm: tone tables of
scanner software ripple by a hundredth, within a factor of three."""
_LENGTHS: Final = (0.2, 0.4, 0.8)
"""Density over which a deviation changes: from little more than a step of a usual wedge to a third of its range."""
_OWN: Final = (1.0, 0.7, 0.45, 0.25, 0.1)
_OWN_WEIGHTS: Final = (0.9, 0.025, 0.025, 0.025, 0.025)
"""Part of the certificate's uncertainty that is each step's own, and its prior: as stated, unless the steps show less.
What is not their own they share."""
_HOPELESS: Final = 7.0
"""Natural logarithm of a share that does not count."""
_LEFT_OVER: Final = 0.01
_MOST_PARTS: Final = 12
_LEAST_VARIANCE: Final = 1e-10
"""Of a step's density: a hundred-thousandth, below any rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighedLaw:
    """One law with one size of deviation and of error.

    Attributes
    ----------
    law, figures
        Name of the law, and its figures.
    amplitude, length
        Standard deviation of the deviation from it, and over how much density it changes.
    own
        Part of the certificate's uncertainty that is each step's own.
    share
        Probability of all this among the parts.
    """

    law: str
    figures: tuple[float, ...]
    amplitude: float
    length: float
    own: float
    share: float

    def __post_init__(self) -> None:
        known = {law.name: law for law in LAWS}
        numbers = (*self.figures, self.amplitude, self.length, self.own, self.share)
        if self.law not in known or len(self.figures) != len(known[self.law].usual):
            raise ValueError("there is no such law")
        if not all(map(math.isfinite, numbers)) or min(self.amplitude, self.length, self.own, self.share) <= 0.0:
            raise ValueError("a figure of a law is not a number")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeighedCurve:
    """Densities that belong to levels, and what makes them uncertain.

    Attributes
    ----------
    density
        At the levels asked for.
    pull
        How far the density follows that of each step, shape (levels, steps).
    own, common
        Standard uncertainty of each step's certificate: of its own, and shared with the others.
    noise
        Standard uncertainty of each step's density by its level.
    shape
        Covariance of the densities by what the steps leave open, shape (levels, levels).
    left_out, left_out_pull, left_out_doubt
        What the other steps say of each: density, how it follows them (steps, steps), and its standard uncertainty by
        them, by what they leave open and by its own level.
    """

    density: Floats
    pull: Floats
    own: Floats
    common: Floats
    noise: Floats
    shape: Floats
    left_out: Floats
    left_out_pull: Floats
    left_out_doubt: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """The parts of a posterior, largest share first, and the log evidence of all."""

    parts: tuple[WeighedLaw, ...]
    evidence: float


def _shapes(place: Floats) -> Floats:
    """Return the covariances of the deviation for each amplitude and length."""
    shapes = np.array([kernel(place, place, length) for length in _LENGTHS])
    grown = np.array(_AMPLITUDES)[:, None, None, None] ** 2 * shapes
    return np.asarray(grown.reshape(-1, place.size, place.size))


def _prior() -> Floats:
    """Return the logarithm of the prior of each amplitude and length."""
    prior = np.exp(-0.5 * (np.log(np.array(_AMPLITUDES) / _USUAL_AMPLITUDE) / _AMPLITUDE_SPREAD) ** 2)
    return np.repeat(np.log(prior / prior.sum() / len(_LENGTHS)), len(_LENGTHS))


def weighed(steps: SeenSteps) -> Weighed:
    """Return the laws that hold the steps, each with the deviations and errors that go with it, by their evidence.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the steps make no sense as numbers.
    """
    fits = [fitted(law, steps, start_of(law, steps)) for law in LAWS]
    prior = _prior()
    owns = ((1.0, 1.0),) if steps.told_apart else tuple(zip(_OWN, _OWN_WEIGHTS, strict=True))
    shapes = [_shapes(fit.place) for fit in fits]
    whole = [_evidence(fit, steps, grown, 1.0) + prior for fit, grown in zip(fits, shapes, strict=True)]
    best = max(float(one.max()) for one in whole)
    rows: list[tuple[float, Fit, int, float]] = []
    for fit, grown, stated in zip(fits, shapes, whole, strict=True):
        kept = np.flatnonzero(stated > best - _HOPELESS)
        for own, weight in owns if kept.size else ():
            value = stated[kept] if own == 1.0 else _evidence(fit, steps, grown[kept], own) + prior[kept]
            told = zip(kept.tolist(), value.tolist(), strict=True)
            rows += [(one + math.log(weight), fit, shape, own) for shape, one in told]
    rows.sort(key=lambda row: -row[0])
    shares = np.exp(np.array([row[0] for row in rows]) - rows[0][0])
    total = float(shares.sum())
    enough = min(int(np.searchsorted(np.cumsum(shares) / total, 1.0 - _LEFT_OVER)) + 1, _MOST_PARTS)
    shares = shares[:enough] / shares[:enough].sum()
    parts = []
    for (_, fit, shape, own), share in zip(rows, shares.tolist(), strict=False):
        amplitude, length = divmod(shape, len(_LENGTHS))
        parts.append(
            WeighedLaw(
                law=fit.law.name,
                figures=tuple(fit.figures.tolist()),
                amplitude=_AMPLITUDES[amplitude],
                length=_LENGTHS[length],
                own=own,
                share=share,
            )
        )
    return Weighed(parts=tuple(parts), evidence=rows[0][0] + math.log(total))


def _evidence(fit: Fit, steps: SeenSteps, grown: Floats, own: float) -> Floats:
    """Return the log evidence of a law with each of a stack of deviations, its prior weight in it."""
    rest = fit.freedom(fit.by_figures, fit.by_figures) + steps.scattered
    rest += np.diag(fit.noise**2 + (own * steps.certificate) ** 2 + _LEAST_VARIANCE)
    return evidence(grown + rest, fit.seen) + math.log(fit.law.weight)


def refitted(parts: Sequence[WeighedLaw], steps: SeenSteps) -> tuple[WeighedLaw, ...]:
    """Return parts whose laws are fitted to other steps, their shares kept: the same wedge in another light."""
    laws = {law.name: law for law in LAWS}
    found: dict[str, tuple[float, ...]] = {}
    for part in parts:
        if part.law not in found:
            fit = fitted(laws[part.law], steps, np.array(part.figures))
            found[part.law] = tuple(fit.figures.tolist())
    return tuple(
        WeighedLaw(
            law=part.law,
            figures=found[part.law],
            amplitude=part.amplitude,
            length=part.length,
            own=part.own,
            share=part.share,
        )
        for part in parts
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _One:
    """What one part says: at the levels, and of each step without it."""

    density: Floats
    pull: Floats
    covariance: Floats
    noise: Floats
    left_out: Floats
    left_out_pull: Floats
    left_out_variance: Floats


def _one(part: WeighedLaw, fit: Fit, steps: SeenSteps, at: Floats, by_figures: Floats) -> _One:
    """Return what a part says, by Rasmussen and Williams (2006), equations 2.23, 2.24 and 5.12."""
    own = (part.own * steps.certificate) ** 2

    def covariance(one: Floats, other: Floats, by_one: Floats, by_other: Floats) -> Floats:
        return part.amplitude**2 * kernel(one, other, part.length) + fit.freedom(by_one, by_other)

    among = covariance(fit.place, fit.place, fit.by_figures, fit.by_figures)
    across = covariance(at, fit.place, by_figures, fit.by_figures)
    inverse = np.linalg.inv(among + steps.scattered + np.diag(fit.noise**2 + own + _LEAST_VARIANCE))
    pull = across @ inverse
    alone = 1.0 / np.diag(inverse)
    return _One(
        density=at + fit.expected(by_figures) + pull @ fit.seen,
        pull=pull,
        covariance=covariance(at, at, by_figures, by_figures) - pull @ across.T,
        noise=fit.noise,
        left_out=steps.density - alone * (inverse @ fit.seen),
        left_out_pull=np.eye(alone.size) - alone[:, None] * inverse,
        left_out_variance=np.maximum(alone - own, 0.0),
    )


def curve_of(steps: SeenSteps, parts: Sequence[WeighedLaw], level: Floats) -> WeighedCurve:
    """Return the densities of levels by the average of parts.

    Parameters
    ----------
    level
        Within those of the steps, falling or rising.
    """
    laws = {law.name: law for law in LAWS}
    known: dict[tuple[str, tuple[float, ...]], tuple[Fit, Floats, Floats]] = {}
    told = []
    for part in parts:
        key = part.law, part.figures
        if key not in known:
            fit = as_read(laws[part.law], steps, np.array(part.figures))
            at = density_of(fit.law, steps, fit.figures, level)
            _, slope, by_figures = fit.law.seen(at, fit.figures)
            known[key] = fit, at, by_figures / slope[:, None]
        told.append(_one(part, known[key][0], steps, *known[key][1:]))
    return _averaged(steps, parts, told)


def _averaged(steps: SeenSteps, parts: Sequence[WeighedLaw], told: Sequence[_One]) -> WeighedCurve:
    """Return the mean and covariance of a mixture: within each part, and between them."""
    share = np.array([part.share for part in parts])
    own = math.sqrt(float(share @ np.array([part.own**2 for part in parts])))
    density = share @ np.array([one.density for one in told])
    pull = np.tensordot(share, np.array([one.pull for one in told]), axes=1)
    noise = np.sqrt(share @ np.array([one.noise**2 for one in told]))
    apart = np.array([one.density for one in told]) - density
    covariance = np.tensordot(share, np.array([one.covariance for one in told]), axes=1) + (apart.T * share) @ apart
    left_out = share @ np.array([one.left_out for one in told])
    spread = np.array([one.left_out_variance + (one.left_out - left_out) ** 2 for one in told])
    by_glare = pull @ steps.glare.T
    return WeighedCurve(
        density=density,
        pull=pull,
        own=own * steps.certificate,
        common=np.hypot(math.sqrt(max(1.0 - own * own, 0.0)) * steps.certificate, steps.common),
        noise=noise,
        shape=covariance - (pull * ((own * steps.certificate) ** 2 + noise**2)) @ pull.T - by_glare @ by_glare.T,
        left_out=left_out,
        left_out_pull=np.tensordot(share, np.array([one.left_out_pull for one in told]), axes=1),
        left_out_doubt=np.sqrt(share @ spread),
    )
