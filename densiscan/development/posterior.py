"""What is known of a film in a developer once runs and film tests are weighed against common practice.

The posterior of the parameters in `prior` is held as weighted points. A penalised least-squares fit finds
the middle and the spread; points drawn about it by a fixed sequence are weighted by posterior over proposal, and the
proposal is drawn closer until enough points count (importance sampling; Cappe and others, Population Monte Carlo,
2004). That something changed between two runs, and nobody wrote it down, is weighed beside nothing having changed: a
case for each place where it may have been, mixed by their evidence (change points; Fearnhead 2006, Statistics and
Computing 16, from memory). Everything is a function of its arguments: the same runs give the same figures.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.least_squares import least_squares
from densiscan.development.evidence import FilmEvidence
from densiscan.development.expected import (
    BEND,
    CHANGE,
    LOSS,
    NORMAL,
    SCATTER,
    SHAPE,
    SINCE,
    STORAGE,
    WAIT,
    WARMTH,
    expected_log,
)
from densiscan.development.kinetics import Kinetics
from densiscan.development.likelihood import (
    STRENGTH_VARIANCE,
    STRENGTHS,
    log_blunder,
    log_likelihood,
    spread_of,
    spread_with_batches,
    strength_chances,
    strengths_at,
)
from densiscan.development.prior import (
    BLUNDER_SPREAD,
    NORMAL_CONTRAST,
    PARAMETERS,
)

_PAIRS: Final = 400
_CLOSER: Final = 2
_ENOUGH: Final = 200.0
_REWEIGHTED: Final = 3
_REWEIGHTED_AGAIN: Final = 1
_FAR_OFF: Final = 10.0
_STEPS: Final = 6
_STILL: Final = 1e-3
"""The fit only finds where to draw points: few steps, and a hundredth of a doubt is more than it needs. Parameters are
counted in doubts from a point so many doubts away, as what has settled is judged against their size."""

_SCATTERS: Final = np.linspace(-1.5, 3.0, 46)
_WIDER: Final = 1.2
"""The proposal is drawn so much wider than what it stands for, so that no tail is missed."""

_PRIMES: Final = (2, 3, 5, 11, 17, 19, 23, 29, 31, 47, 53, 61, 67, 83, 97, 103)
"""Those whose columns have correlations below 0.1 over so many points."""
_UNLIKELY: Final = 3.0
"""Changes whose odds are less than one to the exponential of this are not looked at closer."""
_MOST_CHANGES: Final = 2
_NEGLIGIBLE: Final = 0.01
_FEWEST_FOR_CHANGE: Final = 3
_LIKELIER: Final = 5.0
_STANDARD: Final = NormalDist()
_STANDS_OFF: Final = 1.5
_APART: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Points in the space of the parameters, one a row, with weights of sum 1, and their mean.

    A last column of the points says since which place nothing changed. The mean is as things are now: without change.
    `log_evidence` is the logarithm of the likelihood of all evidence, less what all share; `log_odds` that of the odds
    that something changed between the runs.
    """

    evidence: FilmEvidence
    points: Floats
    weights: Floats
    mean: Floats
    log_evidence: float = 0.0
    log_odds: float = -math.inf

    @property
    def effective_points(self) -> float:
        """How many equally weighted points the weighted ones are worth."""
        return float(1.0 / np.sum(self.weights**2))


def _log_posterior(points: Floats, evidence: FilmEvidence) -> Floats:
    away = (points[:, :SINCE] - evidence.means) / evidence.doubts
    believed = -0.5 * np.sum(away**2, axis=1)
    if not len(evidence.logs):
        return np.asarray(believed)
    return np.asarray(believed + log_likelihood(points, evidence))


def blunder_chances(posterior: Posterior) -> Floats:
    """Return how likely each piece of evidence is to be a blunder: a run that the others speak against."""
    evidence = posterior.evidence
    if not len(evidence.logs):
        return np.zeros(0)
    off = (evidence.logs - expected_log(posterior.points, evidence.conditions)) / spread_of(posterior.points, evidence)
    sound, blunder = log_blunder(off)
    return np.asarray(posterior.weights @ (1.0 / (1.0 + np.exp(np.clip(sound - blunder, -500.0, 500.0)))))


def posterior_of(evidence: FilmEvidence) -> Posterior:
    """Weigh the evidence against what was believed, and whether something changed between the runs."""
    if not len(evidence.logs):
        points = _since(evidence.means + evidence.doubts * _normal_points()[:, :SINCE], 0)
        mean = _since(evidence.means[None], 0)[0]
        return Posterior(evidence=evidence, points=points, weights=np.full(2 * _PAIRS, 0.5 / _PAIRS), mean=mean)
    middle, covariance = _fitted(evidence, evidence.means, 0)
    steady = _closed_in(evidence, middle, covariance, 0)
    changes = _likely_changes(evidence, middle)
    if not changes:
        return steady
    cases, logs = [steady], [steady.log_evidence]
    for since, chance in changes:
        there, spread = _fitted(evidence, middle, since)
        case = _closed_in(evidence, there, spread, since)
        cases.append(case)
        logs.append(case.log_evidence + chance)
    return _mixed(evidence, cases, np.array(logs))


def _since(points: Floats, since: int) -> Floats:
    """Return points with the place since which nothing changed."""
    return np.concatenate([points, np.full((len(points), 1), float(since))], axis=1)


def _mixed(evidence: FilmEvidence, cases: Sequence[Posterior], logs: Floats) -> Posterior:
    """Return one posterior of several cases, the steady one first, each with the logarithm of its chance."""
    changed = float(logs[1:].max())
    log_odds = changed + math.log(float(np.sum(np.exp(logs[1:] - changed)))) - float(logs[0])
    chances = np.exp(logs - logs.max())
    chances /= chances.sum()
    likely = [at for at, chance in enumerate(chances) if chance > _NEGLIGIBLE]
    points = np.concatenate([cases[at].points for at in likely])
    weights = np.concatenate([chances[at] * cases[at].weights for at in likely])
    weights /= weights.sum()
    mean = weights @ points
    mean[CHANGE] = mean[SINCE] = 0.0
    return Posterior(
        evidence=evidence,
        points=points,
        weights=weights,
        mean=mean,
        log_evidence=float(logs.max()),
        log_odds=log_odds,
    )


def _likely_changes(evidence: FilmEvidence, middle: Floats) -> list[tuple[int, float]]:
    """Return the places since which things may have been otherwise, with the logarithm of their odds beforehand.

    The law is taken as straight about the middle: then the evidence for a change at each place has a closed form.
    """
    runs = int(np.sum(np.isfinite(evidence.conditions.place)))
    if runs < _FEWEST_FOR_CHANGE:
        return []
    here = _since(middle[None], 0)
    step = 1e-4
    around = np.repeat(here, SINCE, axis=0)
    around[:, :SINCE] += step * np.eye(SINCE)
    at = expected_log(here, evidence.conditions)[0]
    slopes = ((expected_log(around, evidence.conditions) - at) / step).T
    longer = slopes[:, NORMAL]
    doubts = evidence.doubts.copy()
    doubts[SCATTER] = 0.0
    off = evidence.logs - at + slopes @ np.where(doubts > 0.0, middle - evidence.means, 0.0)
    spread = spread_of(here, evidence)[0]
    # A run that stands apart counts as one that tells little, but the last ones may be the first after a change.
    apart = np.minimum(np.abs(evidence.logs - at) / spread, BLUNDER_SPREAD)
    wide = np.where(apart > _APART, spread * apart, spread)
    together = (evidence.batch[:, None] == evidence.batch) & (evidence.batch >= 0)
    shared = STRENGTH_VARIANCE * together * np.outer(longer, longer)
    inverse = np.linalg.inv(np.diag(wide**2) + shared + (slopes * doubts**2) @ slopes.T)
    size = doubts[CHANGE] ** 2
    changes = []
    for since in range(1, runs):
        moved = longer * (evidence.conditions.place < since)
        by = inverse @ moved
        gain = 1.0 + size * float(moved @ by)
        odds = 0.5 * size * float(off @ by) ** 2 / gain - 0.5 * math.log(gain)
        chance = evidence.changing[since]
        changes.append((odds + math.log(chance), since, math.log(chance)))
    changes.sort(reverse=True)
    near = {since for since in (runs - 1, runs - 2) if since > 0 and apart[since] > _STANDS_OFF}
    return [
        (since, chance)
        for rank, (odds, since, chance) in enumerate(changes)
        if (odds > -_UNLIKELY and rank < _MOST_CHANGES) or since in near
    ]


def _closed_in(evidence: FilmEvidence, middle: Floats, covariance: Floats, since: int) -> Posterior:
    """Return the posterior of one case, drawn closer where too few points count."""
    best = found = _drawn(evidence, middle, covariance, since)
    for _ in range(_CLOSER):
        if best.effective_points > _ENOUGH:
            break
        # Where few points count, their own spread says little: keep to the one before.
        trust = min(1.0, found.effective_points / _ENOUGH)
        mean = found.weights @ found.points[:, :SINCE]
        away = found.points[:, :SINCE] - mean
        middle = trust * mean + (1.0 - trust) * middle
        covariance = trust * (found.weights * away.T) @ away + (1.0 - trust) * covariance
        found = _drawn(evidence, middle, covariance, since)
        best = max(best, found, key=lambda one: one.effective_points)
    return best


def _drawn(evidence: FilmEvidence, middle: Floats, covariance: Floats, since: int) -> Posterior:
    normal = _normal_points()[:, :SINCE]
    root = np.linalg.cholesky(covariance + 1e-10 * np.diag(evidence.doubts**2))
    points = _since(middle + _WIDER * normal @ root.T, since)
    logs = _log_posterior(points, evidence) + 0.5 * np.sum(normal**2, axis=1)
    weights = np.exp(logs - logs.max())
    total = float(weights.sum())
    wide = float(np.sum(np.log(np.diag(root)))) + SINCE * math.log(_WIDER)
    weights /= total
    mean = weights @ points
    mean[CHANGE] = mean[SINCE] = 0.0
    log_evidence = float(logs.max()) + math.log(total / len(points)) + wide
    return Posterior(evidence=evidence, points=points, weights=weights, mean=mean, log_evidence=log_evidence)


def _fitted(evidence: FilmEvidence, start: Floats, since: int) -> tuple[Floats, Floats]:
    """Return the parameters of the penalised fit with their covariance.

    A run that stands apart weighs less; how much the runs scatter is weighed in turn with the rest.
    """
    here = start.copy()
    weights, covariance = np.ones_like(evidence.logs), np.diag(evidence.doubts**2)
    for _ in range(_REWEIGHTED_AGAIN if since else _REWEIGHTED):
        root = np.sqrt(weights) / spread_with_batches(here, evidence)
        penalised = functools.partial(_penalised, evidence=evidence, root=root, since=since)
        fit = least_squares(penalised, _FAR_OFF + (here - evidence.means) / evidence.doubts, steps=_STEPS, still=_STILL)
        here = evidence.means + evidence.doubts * (np.array(fit.parameters) - _FAR_OFF)
        covariance = fit.covariance() * np.outer(evidence.doubts, evidence.doubts)
        here[SCATTER], covariance[SCATTER, SCATTER] = _scatter_weighed(here, evidence, since)
        expected = expected_log(_since(here[None], since), evidence.conditions)[0]
        sound, blunder = log_blunder((evidence.logs - expected) / spread_of(here[None], evidence)[0])
        chance = 1.0 / (1.0 + np.exp(np.clip(sound - blunder, -500.0, 500.0)))
        weights = 1.0 - chance + chance / BLUNDER_SPREAD**2
    return here, covariance


def _scatter_weighed(here: Floats, evidence: FilmEvidence, since: int) -> tuple[float, float]:
    """Return mean and variance of the logarithm of scatter, all else as it stands."""
    tried = _since(np.repeat(here[None], len(_SCATTERS), axis=0), since)
    tried[:, SCATTER] = _SCATTERS
    logs = _log_posterior(tried, evidence)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ _SCATTERS)
    return mean, float(weights @ (_SCATTERS - mean) ** 2) + 1e-3


def _penalised(there: Floats, *, evidence: FilmEvidence, root: Floats, since: int) -> tuple[Floats, Floats]:
    """Return residuals and derivatives of evidence and beliefs together, parameters counted in doubts."""
    size, away = len(there), there - _FAR_OFF
    step = 1e-4
    around = away + step * np.concatenate([np.zeros((1, size)), np.eye(size)])
    values = expected_log(_since(evidence.means + evidence.doubts * around, since), evidence.conditions)
    slopes = (values[1:] - values[0]) / step
    residuals = np.concatenate([root * (values[0] - evidence.logs), away])
    return residuals, np.concatenate([(root * slopes).T, np.eye(size)])


@functools.lru_cache(maxsize=1)
def _normal_points() -> Floats:
    """Return standard normal points and their mirror: a column for each parameter, and three for chance.

    Multiples of the roots of primes, less whole numbers, fill the cube evenly (Richtmyer's sequence).
    """
    inverse = NormalDist().inv_cdf
    steps = np.sqrt(np.array(_PRIMES[: len(PARAMETERS) + 3], dtype=float))
    cube = (np.arange(1, _PAIRS + 1)[:, None] * steps) % 1.0
    half = np.array([[inverse(min(max(u, 1e-9), 1.0 - 1e-9)) for u in row] for row in cube.tolist()])
    both = np.concatenate([half, -half])
    both.setflags(write=False)
    return both


def mean_kinetics(posterior: Posterior) -> Kinetics:
    """Return the law of development with the mean of what is known."""
    normal, bend, wait = (math.exp(float(posterior.mean[place])) for place in (NORMAL, BEND, WAIT))
    shape = math.exp(float(posterior.mean[SHAPE]))
    return Kinetics(
        contrast_limit=NORMAL_CONTRAST * float((-math.expm1(-bend)) ** -shape),
        rate_per_s=bend / (normal * (1.0 - wait)),
        shape=shape,
        wait_s=wait * normal,
        per_ten_degrees=math.exp(float(posterior.mean[WARMTH])),
        loss_per_use=math.exp(float(posterior.mean[LOSS])),
        loss_per_day=math.exp(float(posterior.mean[STORAGE])),
    )


def for_batch(posterior: Posterior, batch: str | None) -> Posterior:
    """Return what is known of developments in one batch of developer, by what it has shown so far; None for none."""
    evidence = posterior.evidence
    chances = strength_chances(posterior.points, evidence, evidence.place_of(batch))
    own = _normal_points()[:, SINCE + 2].tolist()
    shares = np.array([_STANDARD.cdf(value) for value in own])
    points, mean = posterior.points.copy(), posterior.mean.copy()
    points[:, NORMAL] -= strengths_at(chances, np.tile(shares, len(points) // len(own)))
    mean[NORMAL] -= float(posterior.weights @ (chances @ STRENGTHS))
    return replace(posterior, points=points, mean=mean)


def scatter_of(posterior: Posterior) -> Floats:
    """Return, for each point, how much the runs scatter against the usual."""
    return np.asarray(np.exp(posterior.points[:, SCATTER]))


def weights_if_changed(posterior: Posterior) -> Floats:
    """Return weights for which a change that nobody wrote down has five times the odds that the runs give it."""
    likelier = posterior.weights * np.where(posterior.points[:, SINCE] > 0.0, _LIKELIER, 1.0)
    return np.asarray(likelier / likelier.sum())


def expected_unchanged(posterior: Posterior) -> Floats:
    """Return the logarithm of what each run was expected to give if nothing changed, or at least as things are now."""
    steady = posterior.weights * (posterior.points[:, SINCE] == 0.0)
    weights = steady / steady.sum() if steady.sum() > 0.0 else posterior.weights
    return np.asarray(weights @ expected_log(posterior.points[:, :SINCE], posterior.evidence.conditions))


def loss_per_use(posterior: Posterior) -> Floats:
    """Return, for each point, the logarithm by which each earlier use lengthens the time."""
    return np.asarray(np.exp(posterior.points[:, LOSS]))


def chance_points(posterior: Posterior, which: int = 0) -> Floats:
    """Return standard normal numbers, one for each point, that have nothing to do with its parameters; three sorts."""
    own = _normal_points()[:, SINCE + which]
    return np.tile(own, len(posterior.points) // len(own))


def quantiles(values: Floats, weights: Floats, at: Sequence[float]) -> tuple[float, ...]:
    """Return quantiles of weighted values."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order]) - 0.5 * weights[order]
    places = np.minimum(np.searchsorted(reached, at), len(values) - 1)
    return tuple(float(value) for value in values[order][places])
