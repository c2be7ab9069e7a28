"""What is known of a film in a developer once runs and film tests are weighed against common practice.

The posterior of the parameters in `development_prior` is held as weighted points. A penalised least-squares fit finds
the middle and the spread; points drawn about it by a fixed sequence are weighted by posterior over proposal, and the
proposal is drawn closer until enough points count (importance sampling; Cappe and others, Population Monte Carlo,
2004). Everything is a function of its arguments: the same runs give the same figures.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.least_squares import least_squares
from densiscan.development.contrast_fit import Floats
from densiscan.development.exposure import LOG_EXPOSURE_PER_STOP
from densiscan.development.kinetics import REFERENCE_C, ContrastPoint, Kinetics
from densiscan.development.prior import (
    BELIEFS,
    BLUNDER_SPREAD,
    CHOICE_DOUBT,
    NORMAL_CONTRAST,
    PARAMETERS,
    READING_DOUBT,
    RUN_SCATTER,
    SHARE_OF_BLUNDERS,
    SHARED_SUBJECT,
    UNMETERED_DOUBT,
)
from densiscan.development.run import Run
from densiscan.development.verdict import (
    AVERAGE_FLARE_LOSS,
    AVERAGE_SUBJECT_STOPS,
    METERED_SUBJECT_DOUBT,
    range_on_film,
)

MOST_RUNS: Final = 60
"""The last runs that are weighed; older ones say little more, and film, water and habits change."""

LEAST_RANGE: Final = 0.05
"""A density range below this is no picture."""

_NO_REACH: Final = 1e-9
"""Before the image appears there is no contrast; its logarithm must exist."""

_AVERAGE_ON_FILM: Final = range_on_film().value

_SHORTEST_ON_FILM: Final = 0.1
"""However flat the subject and strong the flare, something is left; its logarithm must exist."""

_PAIRS: Final = 600
_CLOSER: Final = 3
_ENOUGH: Final = 500.0
_REWEIGHTED: Final = 4
_STILL: Final = 1e-5
"""The fit only finds where to draw points; a thousandth of a doubt is far more than it needs."""

_SCATTERS: Final = np.linspace(-1.5, 3.0, 46)
_WIDER: Final = 1.2
"""The proposal is drawn so much wider than what it stands for, so that no tail is missed."""

_NORMAL, _BEND, _WAIT, _WARMTH, _LOSS, _VEIL, _FIXED, _SUBJECTS, _TEST, _SCATTER = range(len(PARAMETERS))
_PRIMES: Final = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conditions:
    """Developments side by side, each an array of one length.

    `stops` is the range of the subject, the average where it is not known; `metered` whether it is known; `tested` that
    it is no picture but a film test, whose contrast stands for itself.
    """

    time_s: Floats
    temperature_c: Floats
    use: Floats
    stops: Floats
    metered: npt.NDArray[np.bool_]
    tested: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmEvidence:
    """What was measured: logarithms of density ranges (of contrasts for tests) under their conditions.

    `reading` is the relative standard uncertainty of the reading, `scatter` that of everything that differs from run to
    run where nothing more is known. `numbers` are the runs', 0 for a test.
    """

    conditions: Conditions
    logs: Floats
    reading: Floats
    scatter: Floats
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Points in the space of the parameters, one a row, with weights of sum 1, and their mean."""

    evidence: FilmEvidence
    points: Floats
    weights: Floats
    mean: Floats

    @property
    def effective_points(self) -> float:
        """How many equally weighted points the weighted ones are worth."""
        return float(1.0 / np.sum(self.weights**2))


def log_pace(points: Floats, temperature_c: Floats, use: Floats) -> Floats:
    """Return the logarithm of the rate against 20 C and fresh developer, a row for each point."""
    warmth, loss = points[:, _WARMTH, None], np.exp(points[:, _LOSS, None])
    return warmth * (temperature_c - REFERENCE_C) / 10.0 - loss * (use - 1.0)


def log_contrast(points: Floats, equal_s: Floats) -> Floats:
    """Return the logarithm of contrast after a time equal to this at 20 C in fresh developer, a row for each point."""
    wait, bend = np.exp(points[:, _WAIT, None]), np.exp(points[:, _BEND, None])
    of_normal = equal_s * np.exp(-points[:, _NORMAL, None])
    reach = np.maximum(bend * (of_normal - wait) / (1.0 - wait), _NO_REACH)
    return np.asarray(math.log(NORMAL_CONTRAST) + np.log(np.expm1(-reach) / np.expm1(-bend)))


def equal_time(points: Floats, contrast: Floats) -> Floats:
    """Return the time at 20 C in fresh developer for one contrast a point; infinite where it is never reached."""
    wait, bend = np.exp(points[:, _WAIT]), np.exp(points[:, _BEND])
    left = 1.0 + contrast / NORMAL_CONTRAST * np.expm1(-bend)
    with np.errstate(divide="ignore"):
        reach = -np.log(np.maximum(left, 0.0))
    return np.asarray(np.exp(points[:, _NORMAL]) * (wait + reach * (1.0 - wait) / bend))


def film_range(points: Floats, stops: Floats, metered: npt.NDArray[np.bool_]) -> Floats:
    """Return the range of log exposure on the film, a row for each point.

    The average subject leaves what `development.range_on_film` states; how much less a flat one leaves, and how much
    more a contrasty one, depends on the flare, which is learned. Of unmetered subjects the mean is learned.
    """
    average = _under_flare(points, np.array([AVERAGE_SUBJECT_STOPS]))
    ranges = _AVERAGE_ON_FILM * _under_flare(points, stops) / average
    return np.maximum(np.where(metered, ranges, ranges + points[:, _SUBJECTS, None]), _SHORTEST_ON_FILM)


def _under_flare(points: Floats, stops: Floats) -> Floats:
    veil, part = np.exp(points[:, _VEIL, None]), np.exp(points[:, _FIXED, None])
    subject = LOG_EXPOSURE_PER_STOP * stops
    veiled = np.log10((1.0 + veil) / (10.0**-subject + veil))
    return np.maximum(veiled + part * (subject - AVERAGE_FLARE_LOSS - veiled), _SHORTEST_ON_FILM)


def expected_log(points: Floats, conditions: Conditions) -> Floats:
    """Return the logarithm of the density range (the contrast for tests), a row for each point."""
    equal = conditions.time_s * np.exp(log_pace(points, conditions.temperature_c, conditions.use))
    ranges = np.log(film_range(points, conditions.stops, conditions.metered))
    return log_contrast(points, equal) + np.where(conditions.tested, points[:, _TEST, None], ranges)


def subject_doubt(stops: float, *, metered: bool) -> float:
    """Return the relative standard uncertainty of one subject's range on the film, besides what flare does to all."""
    middle = np.array([[belief.mean for belief in BELIEFS]])
    known = np.array([True])
    at = float(film_range(middle, np.array([stops]), known)[0, 0])
    if not metered:
        return math.hypot(UNMETERED_DOUBT, CHOICE_DOUBT) / at
    step = 0.1
    more = float(film_range(middle, np.array([stops + step]), known)[0, 0])
    slope = (more - at) / (LOG_EXPOSURE_PER_STOP * step)
    return math.hypot(METERED_SUBJECT_DOUBT * slope, CHOICE_DOUBT) / at


def run_scatter(stops: float, *, metered: bool, negatives: int = 1) -> float:
    """Return the usual relative standard deviation of the mean range of a run's negatives about what is expected."""
    shared = SHARED_SUBJECT + (1.0 - SHARED_SUBJECT) / negatives
    return math.hypot(RUN_SCATTER, subject_doubt(stops, metered=metered) * math.sqrt(shared))


def evidence_of(runs: Sequence[Run], tests: Sequence[ContrastPoint] = ()) -> FilmEvidence:
    """Gather what runs and film tests say.

    Parameters
    ----------
    runs
        Of one film in one developer. A run without a density range says nothing and is passed over; of several
        negatives in a run the median counts. The last 60 are taken.
    tests
        Contrasts of a film test in the same developer.
    """
    read = [run for run in runs if not run.removed and _ranges(run)][-MOST_RUNS:]
    rows = [_row(run) for run in read]
    rows += [_test_row(test) for test in tests if test.contrast.value > LEAST_RANGE]
    table = np.array(rows, dtype=float).reshape(-1, 9)
    return FilmEvidence(
        conditions=Conditions(
            time_s=table[:, 0],
            temperature_c=table[:, 1],
            use=table[:, 2],
            stops=table[:, 3],
            metered=table[:, 4] > 0.0,
            tested=table[:, 5] > 0.0,
        ),
        logs=table[:, 6],
        reading=table[:, 7],
        scatter=table[:, 8],
        numbers=tuple(run.number for run in read) + (0,) * (len(rows) - len(read)),
    )


def _ranges(run: Run) -> list[float]:
    return [read.value for read in run.density_ranges if read.value > LEAST_RANGE]


def _row(run: Run) -> tuple[float, ...]:
    ranges = _ranges(run)
    middle = float(np.median(ranges))
    doubts = [
        READING_DOUBT if read.standard_uncertainty is None else read.standard_uncertainty for read in run.density_ranges
    ]
    metered = run.scene_stops is not None
    stops = AVERAGE_SUBJECT_STOPS if run.scene_stops is None else run.scene_stops
    scatter = run_scatter(stops, metered=metered, negatives=len(ranges))
    reading = max(float(np.median(doubts)), 0.25 * READING_DOUBT) / middle
    conditions = (run.time_s, run.temperature_c, float(run.use), stops, float(metered), 0.0)
    return (*conditions, math.log(middle), reading, scatter)


def _test_row(test: ContrastPoint) -> tuple[float, ...]:
    contrast = test.contrast.value
    doubt = test.contrast.standard_uncertainty
    reading = READING_DOUBT if doubt is None else doubt / contrast
    conditions = (test.time_s, test.temperature_c, float(test.use), AVERAGE_SUBJECT_STOPS, 1.0, 1.0)
    return (*conditions, math.log(contrast), reading, RUN_SCATTER)


def spread_of(points: Floats, evidence: FilmEvidence) -> Floats:
    """Return the standard deviation of each piece of evidence about what is expected, a row for each point."""
    return np.hypot(evidence.reading, np.exp(points[:, _SCATTER, None]) * evidence.scatter)


def _log_blunder(off: Floats) -> tuple[Floats, Floats]:
    """Return the log densities, less the common constant, of standardised residuals: of a sound run, of a blunder."""
    sound = math.log1p(-SHARE_OF_BLUNDERS) - 0.5 * off**2
    blunder = math.log(SHARE_OF_BLUNDERS / BLUNDER_SPREAD) - 0.5 * (off / BLUNDER_SPREAD) ** 2
    return sound, blunder


def _log_posterior(points: Floats, evidence: FilmEvidence) -> Floats:
    away = (points - _MEANS) / _DOUBTS
    believed = -0.5 * np.sum(away**2, axis=1)
    if not len(evidence.logs):
        return np.asarray(believed)
    spread = spread_of(points, evidence)
    sound, blunder = _log_blunder((evidence.logs - expected_log(points, evidence.conditions)) / spread)
    return np.asarray(believed + np.sum(np.logaddexp(sound, blunder) - np.log(spread), axis=1))


_MEANS: Final = np.array([belief.mean for belief in BELIEFS])
_DOUBTS: Final = np.array([belief.doubt for belief in BELIEFS])


def blunder_chances(posterior: Posterior) -> Floats:
    """Return how likely each piece of evidence is to be a blunder: a run that the others speak against."""
    evidence = posterior.evidence
    if not len(evidence.logs):
        return np.zeros(0)
    off = (evidence.logs - expected_log(posterior.points, evidence.conditions)) / spread_of(posterior.points, evidence)
    sound, blunder = _log_blunder(off)
    return np.asarray(posterior.weights @ (1.0 / (1.0 + np.exp(np.clip(sound - blunder, -500.0, 500.0)))))


def posterior_of(evidence: FilmEvidence) -> Posterior:
    """Weigh the evidence against common practice."""
    prior = Posterior(
        evidence=evidence,
        points=_MEANS + _DOUBTS * _normal_points()[:, :-1],
        weights=np.full(2 * _PAIRS, 0.5 / _PAIRS),
        mean=_MEANS,
    )
    if not len(evidence.logs):
        return prior
    middle, covariance = _fitted(evidence)
    best = found = _drawn(evidence, middle, covariance)
    for _ in range(_CLOSER):
        if best.effective_points > _ENOUGH:
            break
        # Where few points count, their own spread says little: keep to the one before.
        trust = min(1.0, found.effective_points / _ENOUGH)
        away = found.points - found.mean
        middle = trust * found.mean + (1.0 - trust) * middle
        covariance = trust * (found.weights * away.T) @ away + (1.0 - trust) * covariance
        found = _drawn(evidence, middle, covariance)
        best = max(best, found, key=lambda one: one.effective_points)
    return best


def _drawn(evidence: FilmEvidence, middle: Floats, covariance: Floats) -> Posterior:
    normal = _normal_points()[:, :-1]
    root = np.linalg.cholesky(covariance + 1e-10 * np.diag(_DOUBTS**2))
    points = middle + _WIDER * normal @ root.T
    logs = _log_posterior(points, evidence) + 0.5 * np.sum(normal**2, axis=1)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    return Posterior(evidence=evidence, points=points, weights=weights, mean=weights @ points)


def _fitted(evidence: FilmEvidence) -> tuple[Floats, Floats]:
    """Return the parameters of the penalised fit with their covariance.

    A run that stands apart weighs less; how much the runs scatter is weighed in turn with the rest.
    """
    here = _MEANS.copy()
    weights, covariance = np.ones_like(evidence.logs), np.diag(_DOUBTS**2)
    for _ in range(_REWEIGHTED):
        root = np.sqrt(weights) / spread_of(here[None], evidence)[0]
        found = least_squares(functools.partial(_penalised, evidence=evidence, root=root), here, still=_STILL)
        here, covariance = np.array(found.parameters), found.covariance()
        here[_SCATTER], covariance[_SCATTER, _SCATTER] = _scatter_weighed(here, evidence)
        sound, blunder = _log_blunder(
            (evidence.logs - expected_log(here[None], evidence.conditions)[0]) / spread_of(here[None], evidence)[0]
        )
        chance = 1.0 / (1.0 + np.exp(np.clip(sound - blunder, -500.0, 500.0)))
        weights = 1.0 - chance + chance / BLUNDER_SPREAD**2
    return here, covariance


def _scatter_weighed(here: Floats, evidence: FilmEvidence) -> tuple[float, float]:
    """Return mean and variance of the logarithm of scatter, all else as it stands."""
    tried = np.repeat(here[None], len(_SCATTERS), axis=0)
    tried[:, _SCATTER] = _SCATTERS
    logs = _log_posterior(tried, evidence)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ _SCATTERS)
    return mean, float(weights @ (_SCATTERS - mean) ** 2) + 1e-3


def _penalised(here: Floats, *, evidence: FilmEvidence, root: Floats) -> tuple[Floats, Floats]:
    """Return residuals and derivatives of evidence and beliefs together."""
    size = len(here)
    step = 1e-4 * _DOUBTS
    around = here + np.concatenate([np.zeros((1, size)), np.diag(step), -np.diag(step)])
    values = expected_log(around, evidence.conditions)
    slopes = (values[1 : size + 1] - values[size + 1 :]) / (2.0 * step[:, None])
    residuals = np.concatenate([root * (values[0] - evidence.logs), (here - _MEANS) / _DOUBTS])
    return residuals, np.concatenate([(root * slopes).T, np.diag(1.0 / _DOUBTS)])


@functools.lru_cache(maxsize=1)
def _normal_points() -> Floats:
    """Return standard normal points and their mirror: a column for each parameter, and one for chance.

    Multiples of the roots of primes, less whole numbers, fill the cube evenly (Richtmyer's sequence).
    """
    inverse = NormalDist().inv_cdf
    steps = np.sqrt(np.array(_PRIMES[: len(PARAMETERS) + 1], dtype=float))
    cube = (np.arange(1, _PAIRS + 1)[:, None] * steps) % 1.0
    half = np.array([[inverse(min(max(u, 1e-9), 1.0 - 1e-9)) for u in row] for row in cube.tolist()])
    both = np.concatenate([half, -half])
    both.setflags(write=False)
    return both


def mean_kinetics(known: Posterior) -> Kinetics:
    """Return the law of development with the mean of what is known."""
    normal, bend, wait = (math.exp(float(known.mean[place])) for place in (_NORMAL, _BEND, _WAIT))
    return Kinetics(
        contrast_limit=-NORMAL_CONTRAST / math.expm1(-bend),
        rate_per_s=bend / (normal * (1.0 - wait)),
        wait_s=wait * normal,
        per_ten_degrees=math.exp(float(known.mean[_WARMTH])),
        loss_per_use=math.exp(float(known.mean[_LOSS])),
    )


def loss_per_use(known: Posterior) -> Floats:
    """Return, for each point, the logarithm by which each earlier use lengthens the time."""
    return np.asarray(np.exp(known.points[:, _LOSS]))


def chance_points() -> Floats:
    """Return standard normal numbers, one for each point, that have nothing to do with its parameters."""
    return _normal_points()[:, -1]


def quantiles(values: Floats, weights: Floats, at: Sequence[float]) -> tuple[float, ...]:
    """Return quantiles of weighted values."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order]) - 0.5 * weights[order]
    places = np.minimum(np.searchsorted(reached, at), len(values) - 1)
    return tuple(float(value) for value in values[order][places])
