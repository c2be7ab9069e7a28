"""What developments are expected to give: contrast, the range on the film, and how both scatter, for many films.

A point is one film, developer and person, a column for each belief of `prior`; a last column, where there is one, says
since which run nothing changed.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.development.exposure import LOG_EXPOSURE_PER_STOP
from densiscan.development.kinetics import REFERENCE_C
from densiscan.development.prior import (
    BELIEFS,
    CHOICE_DOUBT,
    NORMAL_CONTRAST,
    PARAMETERS,
    RUN_SCATTER,
    SHARED_SUBJECT,
    UNMETERED_DOUBT,
)
from densiscan.development.verdict import (
    AVERAGE_FLARE_LOSS,
    AVERAGE_SUBJECT_STOPS,
    METERED_SUBJECT_DOUBT,
    range_on_film,
)

NORMAL, BEND, WAIT, SHAPE, WARMTH, LOSS, STORAGE, VEIL, FIXED, SUBJECTS, TEST, CHANGE, SCATTER = range(len(PARAMETERS))
SINCE: Final = len(PARAMETERS)
"""Column of points after the parameters: the place of the first run after the last change, 0 where nothing changed."""

_NO_REACH: Final = 1e-9
"""Before the image appears there is no contrast; its logarithm must exist."""

_AVERAGE_ON_FILM: Final = range_on_film().value

_SHORTEST_ON_FILM: Final = 0.1
"""However flat the subject and strong the flare, something is left; its logarithm must exist."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conditions:
    """Developments side by side, each an array of one length.

    `stops` is the range of the subject, the average where it is not known; `metered` whether it is known; `tested` that
    it is no picture but a film test, whose contrast stands for itself. `age_days` is how long the developer had stood;
    `place` where a run stands among those weighed, infinite for one to come and for a film test.
    """

    time_s: Floats
    temperature_c: Floats
    use: Floats
    age_days: Floats
    stops: Floats
    metered: npt.NDArray[np.bool_]
    tested: npt.NDArray[np.bool_]
    place: Floats


def log_pace(points: Floats, temperature_c: Floats, use: Floats, age_days: Floats | float = 0.0) -> Floats:
    """Return the logarithm of the rate against 20 C and fresh developer, a row for each point."""
    warmth, loss = points[:, WARMTH, None], np.exp(points[:, LOSS, None])
    stood = np.exp(points[:, STORAGE, None]) * age_days
    return np.asarray(warmth * (temperature_c - REFERENCE_C) / 10.0 - loss * (use - 1.0) - stood)


def log_paces(points: Floats, conditions: Conditions) -> Floats:
    """Return the logarithm of the rate under conditions, that of runs before a change with what changed."""
    usual = log_pace(points, conditions.temperature_c, conditions.use, conditions.age_days)
    if points.shape[1] <= SINCE:
        return usual
    return np.asarray(usual + points[:, CHANGE, None] * (conditions.place < points[:, SINCE, None]))


def log_contrast(points: Floats, equal_s: Floats) -> Floats:
    """Return the logarithm of contrast after a time equal to this at 20 C in fresh developer, a row for each point."""
    wait, bend = np.exp(points[:, WAIT, None]), np.exp(points[:, BEND, None])
    of_normal = equal_s * np.exp(-points[:, NORMAL, None])
    reach = np.maximum(bend * (of_normal - wait) / (1.0 - wait), _NO_REACH)
    shape = np.exp(points[:, SHAPE, None])
    return np.asarray(math.log(NORMAL_CONTRAST) + shape * np.log(np.expm1(-reach) / np.expm1(-bend)))


def equal_time(points: Floats, contrast: Floats) -> Floats:
    """Return the time at 20 C in fresh developer for one contrast a point; infinite where it is never reached."""
    wait, bend = np.exp(points[:, WAIT]), np.exp(points[:, BEND])
    left = 1.0 + (contrast / NORMAL_CONTRAST) ** np.exp(-points[:, SHAPE]) * np.expm1(-bend)
    with np.errstate(divide="ignore"):
        reach = -np.log(np.maximum(left, 0.0))
    return np.asarray(np.exp(points[:, NORMAL]) * (wait + reach * (1.0 - wait) / bend))


def film_range(points: Floats, stops: Floats, metered: npt.NDArray[np.bool_]) -> Floats:
    """Return the range of log exposure on the film, a row for each point.

    The average subject leaves what `development.range_on_film` states; how much less a flat one leaves, and how much
    more a contrasty one, depends on the flare, which is learned. Of unmetered subjects the mean is learned.
    """
    average = _under_flare(points, np.array([AVERAGE_SUBJECT_STOPS]))
    ranges = _AVERAGE_ON_FILM * _under_flare(points, stops) / average
    return np.maximum(np.where(metered, ranges, ranges + points[:, SUBJECTS, None]), _SHORTEST_ON_FILM)


def _under_flare(points: Floats, stops: Floats) -> Floats:
    veil, part = np.exp(points[:, VEIL, None]), np.exp(points[:, FIXED, None])
    subject = LOG_EXPOSURE_PER_STOP * stops
    veiled = np.log10((1.0 + veil) / (10.0**-subject + veil))
    return np.maximum(veiled + part * (subject - AVERAGE_FLARE_LOSS - veiled), _SHORTEST_ON_FILM)


def expected_log(points: Floats, conditions: Conditions) -> Floats:
    """Return the logarithm of the density range (the contrast for tests), a row for each point."""
    equal = conditions.time_s * np.exp(log_paces(points, conditions))
    ranges = np.log(film_range(points, conditions.stops, conditions.metered))
    return log_contrast(points, equal) + np.where(conditions.tested, points[:, TEST, None], ranges)


@functools.lru_cache(maxsize=256)
def usual_film_range(stops: float) -> float:
    """Return the range of log exposure that a subject usually leaves on the film, by what is believed of flare."""
    middle = np.array([[belief.mean for belief in BELIEFS]])
    return float(film_range(middle, np.array([stops]), np.array([True]))[0, 0])


def subject_doubt(stops: float, *, metered: bool) -> float:
    """Return the relative standard uncertainty of one subject's range on the film, besides what flare does to all."""
    at = usual_film_range(stops)
    if not metered:
        return math.hypot(UNMETERED_DOUBT, CHOICE_DOUBT) / at
    step = 0.1
    slope = (usual_film_range(stops + step) - at) / (LOG_EXPOSURE_PER_STOP * step)
    return math.hypot(METERED_SUBJECT_DOUBT * slope, CHOICE_DOUBT) / at


def run_scatter(stops: float, *, metered: bool, negatives: int = 1) -> float:
    """Return the usual relative standard deviation of the mean range of a run's negatives about what is expected."""
    shared = SHARED_SUBJECT + (1.0 - SHARED_SUBJECT) / negatives
    return math.hypot(RUN_SCATTER, subject_doubt(stops, metered=metered) * math.sqrt(shared))
