"""The curve from signal to density as a posterior: laws of scanners with a smooth deviation, weighed by evidence.

A step's stated density is d = u(level) + g + e: u the density that a law gives its level, g a smooth deviation from the
law, e the error of its certificate and of its level. The figures of a law are taken as normal about where they fit
best, so that all is one Gaussian process; laws, and the sizes of deviation and error, are averaged by their evidence.
The derivation stands in docs/method.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.calibration.glare import REACHES_MM
from densiscan.calibration.law import LAWS, laws
from densiscan.calibration.law_fit import Fit, LitSteps, SeenSteps, as_read, density_of, fitted, start_of
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
_LEAST_LEFT: Final = 0.05
"""Part of the light at the sensor that is left, at least, when what is scattered is taken off."""
_NOTHING_KNOWN: Final = 30.0
"""Density, either way, from which a law says nothing of a signal: its light is beyond all numbers."""
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
    scattered
        Share of all light that is scattered; None where it is not weighed.
    """

    law: str
    figures: tuple[float, ...]
    amplitude: float
    length: float
    own: float
    share: float
    scattered: float | None = None

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
        At the levels asked for, under such light round them as lay round the wedge.
    scattered
        Share of light that is scattered with each reach.
    pull
        How far the density, and after all levels what is scattered, follows each step, shape (levels + reaches, steps).
    own, common
        Standard uncertainty of each step's certificate: of its own, and shared with the others.
    noise
        Standard uncertainty of each step's density by its level.
    glare
        What is not known of scattered light does to densities and to what is scattered: by independent sources, shape
        (levels + reaches, sources).
    shape
        Covariance of them by what the steps leave open besides.
    left_out, left_out_pull, left_out_doubt
        What the other steps say of each: density, how it follows them (steps, steps), and its standard uncertainty by
        them, by what they leave open and by its own level.
    """

    density: Floats
    scattered: Floats
    pull: Floats
    own: Floats
    common: Floats
    noise: Floats
    glare: Floats
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
    owns = ((1.0, 1.0),) if steps.told_apart else tuple(zip(_OWN, _OWN_WEIGHTS, strict=True))
    tried = _tried(steps)
    best = max(float(one.stated.max()) for one in tried)
    rows: list[tuple[float, _Tried, int, float]] = []
    for one in tried:
        kept = np.flatnonzero(one.stated > best - _HOPELESS)
        for own, weight in owns if kept.size else ():
            value = one.stated[kept] if own == 1.0 else one.evidence(kept, own)
            told = zip(kept.tolist(), value.tolist(), strict=True)
            rows += [(found + math.log(weight), one, shape, own) for shape, found in told]
    rows.sort(key=lambda row: -row[0])
    shares = np.exp(np.array([row[0] for row in rows]) - rows[0][0])
    total = float(shares.sum())
    enough = min(int(np.searchsorted(np.cumsum(shares) / total, 1.0 - _LEFT_OVER)) + 1, _MOST_PARTS)
    shares = shares[:enough] / shares[:enough].sum()
    parts = []
    for (_, one, shape, own), share in zip(rows, shares.tolist(), strict=False):
        amplitude, length = divmod(shape, len(_LENGTHS))
        parts.append(
            WeighedLaw(
                law=one.fit.law.name,
                figures=tuple(one.fit.figures.tolist()),
                amplitude=_AMPLITUDES[amplitude],
                length=_LENGTHS[length],
                own=own,
                share=share,
                scattered=one.total,
            )
        )
    return Weighed(parts=tuple(parts), evidence=rows[0][0] + math.log(total))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tried:
    """A law fitted to the steps under one total of scattered light.

    `grown` are the covariances of the deviations, `prior` the logarithm of what each of them is worth with the law and
    the total, `stated` the evidence with the certificate as stated, all of one length.
    """

    fit: Fit
    steps: LitSteps
    total: float | None
    grown: Floats
    prior: Floats
    stated: Floats

    def evidence(self, kept: npt.NDArray[np.intp], own: float) -> Floats:
        """Return the log evidence of some of the deviations, with so much of the certificate each step's own."""
        return _evidence(self.fit, self.steps, self.grown[kept], own) + self.prior[kept]


def _tried(steps: SeenSteps) -> list[_Tried]:
    """Return every law under the middle one of the totals to weigh, and those that hold the steps under the others."""
    totals = steps.totals()
    first, *others = sorted(totals, key=lambda one: -one[1])
    lit = steps.lit(first[0])
    families = laws(beside_glare=first[0] is not None).values()
    tried = [_try(fitted(law, lit, start_of(law, lit)), lit, *first) for law in families]
    best = max(float(one.stated.max()) for one in tried)
    # Under another total the best law may be better by so much, and no other law by much more.
    hold = [one for one in tried if float(one.stated.max()) > best - _HOPELESS]
    for total, weight in others:
        lit = steps.lit(total)
        tried += [_try(fitted(one.fit.law, lit, one.fit.figures), lit, total, weight) for one in hold]
    return tried


def _try(fit: Fit, lit: LitSteps, total: float | None, weight: float) -> _Tried:
    grown = _shapes(fit.place)
    prior = _prior() + math.log(fit.law.weight * weight) + float(np.sum(np.log(lit.own_light)))
    return _Tried(
        fit=fit, steps=lit, total=total, grown=grown, prior=prior, stated=_evidence(fit, lit, grown, 1.0) + prior
    )


def _evidence(fit: Fit, steps: LitSteps, grown: Floats, own: float) -> Floats:
    """Return the log evidence of a law with each of a stack of deviations."""
    rest = fit.freedom(fit.by_figures, fit.by_figures) + steps.scattered
    rest += np.diag(fit.noise**2 + (own * steps.certificate) ** 2 + _LEAST_VARIANCE)
    return evidence(grown + rest, fit.seen)


def refitted(parts: Sequence[WeighedLaw], steps: SeenSteps) -> tuple[WeighedLaw, ...]:
    """Return parts whose laws are fitted to other steps, their shares kept: the same wedge in another light."""
    found: dict[tuple[str, float | None], tuple[float, ...]] = {}
    for part in parts:
        key = part.law, part.scattered
        if key not in found:
            law = laws(beside_glare=part.scattered is not None)[part.law]
            fit = fitted(law, steps.lit(part.scattered), np.array(part.figures))
            found[key] = tuple(fit.figures.tolist())
    return tuple(replace(part, figures=found[part.law, part.scattered]) for part in parts)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _One:
    """What one part says: at the levels, of scattered light after them, and of each step without it."""

    value: Floats
    pull: Floats
    covariance: Floats
    glare: Floats
    noise: Floats
    left_out: Floats
    left_out_pull: Floats
    left_out_variance: Floats


def _one(part: WeighedLaw, fit: Fit, seen: SeenSteps, at: Floats, by_figures: Floats, surround: Floats) -> _One:
    """Return what a part says, by Rasmussen and Williams (2006), equations 2.23, 2.24 and 5.12.

    The process is that of the density of all light at the sensor. What is scattered comes with it, as further values
    of the same process; at the end it is taken off the light.
    """
    steps = seen.lit(part.scattered)
    expected, root = seen.scattering.of_total(part.scattered)
    own = (part.own * steps.certificate) ** 2

    def covariance(one: Floats, other: Floats, by_one: Floats, by_other: Floats) -> Floats:
        return part.amplitude**2 * kernel(one, other, part.length) + fit.freedom(by_one, by_other)

    among = covariance(fit.place, fit.place, fit.by_figures, fit.by_figures)
    across = np.vstack((covariance(at, fit.place, by_figures, fit.by_figures), root @ steps.glare))
    inverse = np.linalg.inv(among + steps.scattered + np.diag(fit.noise**2 + own + _LEAST_VARIANCE))
    pull = across @ inverse
    before = np.zeros((at.size + expected.size, at.size + expected.size))
    before[: at.size, : at.size] = covariance(at, at, by_figures, by_figures)
    before[at.size :, at.size :] = root @ root.T
    value = np.concatenate((at + fit.expected(by_figures), expected)) + pull @ fit.seen
    of_glare = pull @ steps.glare.T
    of_glare[at.size :] -= root
    # From the light at the sensor to that of what lies there: less what the wedge's surroundings scatter onto it.
    light = 10.0 ** -np.clip(value[: at.size], -_NOTHING_KNOWN, _NOTHING_KNOWN)
    left = np.maximum(light - np.maximum(surround @ value[at.size :], 0.0), _LEAST_LEFT * light)
    slopes = np.eye(value.size)
    slopes[: at.size, : at.size] = np.diag(light / left)
    slopes[: at.size, at.size :] = surround / left[:, None] / math.log(10.0)
    value[: at.size] = -np.log10(left)
    alone = 1.0 / np.diag(inverse)
    shown = steps.own_light
    return _One(
        value=value,
        pull=slopes @ pull * shown,
        covariance=slopes @ (before - pull @ across.T) @ slopes.T,
        glare=slopes @ of_glare,
        noise=fit.noise / shown,
        left_out=seen.density - alone * (inverse @ fit.seen) / shown,
        left_out_pull=(np.eye(alone.size) - alone[:, None] * inverse) * shown / shown[:, None],
        left_out_variance=np.maximum(alone - own, 0.0) / shown**2,
    )


def curve_of(steps: SeenSteps, parts: Sequence[WeighedLaw], level: Floats) -> WeighedCurve:
    """Return the densities of levels by the average of parts.

    Parameters
    ----------
    level
        Within those of the steps, falling or rising.
    """
    surround = steps.surround_at(level)
    known: dict[tuple[str, tuple[float, ...], float | None], tuple[Fit, Floats, Floats]] = {}
    told = []
    for part in parts:
        key = part.law, part.figures, part.scattered
        if key not in known:
            lit = steps.lit(part.scattered)
            law = laws(beside_glare=part.scattered is not None)[part.law]
            fit = as_read(law, lit, np.array(part.figures))
            at = density_of(fit.law, lit, fit.figures, level)
            _, slope, by_figures = fit.law.seen(at, fit.figures)
            known[key] = fit, at, by_figures / slope[:, None]
        fit, at, by_figures = known[key]
        told.append(_one(part, fit, steps, at, by_figures, surround))
    return _averaged(steps, parts, told)


def _averaged(steps: SeenSteps, parts: Sequence[WeighedLaw], told: Sequence[_One]) -> WeighedCurve:
    """Return the mean and covariance of a mixture: within each part, and between them."""
    share = np.array([part.share for part in parts])
    own = math.sqrt(float(share @ np.array([part.own**2 for part in parts])))
    values = np.array([one.value for one in told])
    value = share @ values
    pull = np.tensordot(share, np.array([one.pull for one in told]), axes=1)
    noise = np.sqrt(share @ np.array([one.noise**2 for one in told]))
    apart = values - value
    covariance = np.tensordot(share, np.array([one.covariance for one in told]), axes=1) + (apart.T * share) @ apart
    left_out = share @ np.array([one.left_out for one in told])
    spread = np.array([one.left_out_variance + (one.left_out - left_out) ** 2 for one in told])
    within = np.tensordot(share, np.array([one.glare for one in told]), axes=1)
    glare = np.column_stack((within, _by_total(parts, share, apart)))
    levels = value.size - len(REACHES_MM)
    return WeighedCurve(
        density=value[:levels],
        scattered=value[levels:],
        pull=pull,
        own=own * steps.certificate,
        common=np.hypot(math.sqrt(max(1.0 - own * own, 0.0)) * steps.certificate, steps.common),
        noise=noise,
        glare=glare,
        shape=covariance - (pull * ((own * steps.certificate) ** 2 + noise**2)) @ pull.T - glare @ glare.T,
        left_out=left_out,
        left_out_pull=np.tensordot(share, np.array([one.left_out_pull for one in told]), axes=1),
        left_out_doubt=np.sqrt(share @ spread),
    )


def _by_total(parts: Sequence[WeighedLaw], share: Floats, apart: Floats) -> Floats:
    """Return what parts differ by because of what they take for scattered in all, as one influence."""
    total = np.array([part.scattered or 0.0 for part in parts])
    total -= share @ total
    spread = math.sqrt(float(share @ total**2))
    return (share * total) @ apart / spread if spread > 0.0 else np.zeros(apart.shape[1])
