"""A family of film tests at different developing times: contrast against time, and times for more or less."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.development.contrast_fit import LawFit, fit_law
from densiscan.development.expected import usual_film_range
from densiscan.development.exposure import LOG_EXPOSURE_PER_STOP, TYPICAL_GRADIENT
from densiscan.development.exposure_index import SPEED_A_STOP
from densiscan.development.kinetics import ContrastPoint, Kinetics
from densiscan.development.prior import RUN_SCATTER
from densiscan.development.verdict import AVERAGE_SUBJECT_STOPS
from densiscan.errors import MeasureError, WrongUseError
from densiscan.film.speed_and_contrast import FilmTest

NORMAL_CONTRAST: Final = TYPICAL_GRADIENT
FEWEST_TIMES: Final = 2
_FEWEST_FOR_WAIT: Final = 4
"""Different times from which the wait before the image appears is fitted too; with fewer it is taken as none."""
_NO_WAIT_S: Final = 0.5
_STOPS: Final = (-2, -1, 0, 1, 2)
_LONGEST: Final = 1.5
"""Times of the longest developed beyond which nothing is told (common practice)."""
_SHORTEST: Final = 0.5
_UNEVEN_S: Final = 300.0
"""Below five minutes development in a tray or drum is apt to be uneven (common practice)."""
_LEAST_GROWTH: Final = 1.02

MEASURES: Final = ("average gradient", "contrast index", "gamma")
"""Contrasts by which a family can be told, the first that every curve has is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One development of the family: how long, and the film test that it gave."""

    name: str
    time_s: float
    test: FilmTest


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyRow:
    """Time for a contrast, None where it would lie beyond what the family tells; `note` says why.

    `scene_stops` is the subject that it suits, N the average one; `speed_stops` by how many stops the film is faster
    than at N.
    """

    contrast_stops: int
    scene_stops: float
    contrast: float
    speed_stops: float
    time_s: Quantity | None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Family:
    """Contrast against time at one temperature in developer of one use.

    `covariance` is that of the logarithms of limit and rate and, where it was fitted, of the wait in seconds.
    """

    measure: str
    members: tuple[Member, ...]
    contrasts: tuple[ContrastPoint, ...]
    law: Kinetics
    wait_fitted: bool
    covariance: Floats
    target: float
    table: tuple[FamilyRow, ...]
    speed_tested: bool
    warnings: tuple[Warning_, ...]

    def contrast_at(self, time_s: float) -> Quantity:
        """Return the contrast after a time."""
        parameters = _parameters(self.law, self.wait_fitted)
        return _quantity(lambda p: _contrast(p, np.array([time_s]))[0], parameters, self.covariance)


def family_of(
    members: Sequence[Member], *, temperature_c: float = 20.0, use: int = 1, target: float = NORMAL_CONTRAST
) -> Family:
    """Fit G(t) = Ginf (1 - exp(-k (t - t0))) to the contrasts of a family.

    Parameters
    ----------
    members
        Film tests of one film in one developer, two different times at least.
    temperature_c, use
        Of all of them; the times told are for the same.
    target
        Contrast of a normal development.

    Raises
    ------
    MeasureError
        If there are too few times, no contrast that all curves have, or contrast does not grow as the law has it.

    References
    ----------
    Sheppard and Mees (1907); Mees (1911), Jahrbuch 25, p. 167. With two times t and 2t it is their double-time method.
    """
    ordered = tuple(sorted(members, key=lambda member: member.time_s))
    times = np.array([member.time_s for member in ordered])
    if np.unique(times).size < FEWEST_TIMES:
        raise MeasureError("a family needs film tests at two different developing times at least; add one.")
    measure, contrasts = _contrasts(ordered)
    values = np.array([contrast.value for contrast in contrasts])
    doubts = np.array(
        [math.hypot(contrast.standard_uncertainty or 0.0, RUN_SCATTER * contrast.value) for contrast in contrasts]
    )
    _require_growth(ordered, values)
    wait = bool(np.unique(times).size >= _FEWEST_FOR_WAIT)
    fit = _fit(times, values, doubts, wait=wait)
    if wait and fit.wait < _NO_WAIT_S:
        wait = False
        fit = _fit(times, values, doubts, wait=False)
    parameters, covariance = fit.parameters, fit.covariance
    law = Kinetics(contrast_limit=fit.limit, rate_per_s=fit.rate, wait_s=fit.wait)
    slope = _speed_slope(ordered, values)
    table = tuple(
        replace(row, speed_stops=_speed_stops(slope, row, target))
        for row in (_row(parameters, covariance, stops, target, times) for stops in _STOPS)
    )
    return Family(
        measure=measure,
        members=ordered,
        contrasts=tuple(
            ContrastPoint(time_s=member.time_s, temperature_c=temperature_c, use=use, contrast=contrast)
            for member, contrast in zip(ordered, contrasts, strict=True)
        ),
        law=law,
        wait_fitted=wait,
        covariance=covariance,
        target=target,
        table=table,
        speed_tested=slope is not None,
        warnings=_warnings(table),
    )


def _contrasts(members: Sequence[Member]) -> tuple[str, list[Quantity]]:
    for measure in MEASURES:
        contrasts = [getattr(member.test, measure.replace(" ", "_")) for member in members]
        if all(contrast is not None for contrast in contrasts):
            return measure, contrasts
    raise MeasureError("the curves of the family have no contrast that can be read on all; add longer exposures.")


def _require_growth(members: Sequence[Member], values: Floats) -> None:
    if values[-1] < _LEAST_GROWTH * values[0]:
        raise MeasureError(
            f"contrast does not grow from {members[0].name} ({values[0]:.2f}) to {members[-1].name} "
            f"({values[-1]:.2f}), "
            "although it was developed longer; check which time belongs to which curve."
        )


def _contrast(parameters: Floats, times: Floats) -> Floats:
    wait = parameters[2] if parameters.size > 2 else 0.0
    reach = np.maximum(np.exp(parameters[1]) * (times - wait), 0.0)
    return np.asarray(np.exp(parameters[0]) * -np.expm1(-reach))


def _parameters(law: Kinetics, wait: bool) -> Floats:
    both = [math.log(law.contrast_limit), math.log(law.rate_per_s)]
    return np.array([*both, law.wait_s] if wait else both)


def _fit(times: Floats, values: Floats, doubts: Floats, *, wait: bool) -> LawFit:
    try:
        return fit_law(times, values, doubts=doubts, wait=wait)
    except WrongUseError as problem:
        raise MeasureError(
            "contrast grows as fast as time or faster, which no film does for long; develop one piece longer, and "
            "check which time belongs to which curve."
        ) from problem


def _quantity(figure: Callable[[Floats], float], parameters: Floats, covariance: Floats) -> Quantity:
    """Return a figure with the doubt of the law, by finite differences along its own axes."""
    sizes, axes = np.linalg.eigh(covariance)
    parts = {}
    for number, (size, axis) in enumerate(zip(sizes.tolist(), axes.T, strict=True), start=1):
        step = math.sqrt(max(size, 0.0)) * axis
        up, down = figure(parameters + step), figure(parameters - step)
        if math.isfinite(up) and math.isfinite(down):
            parts[Influence("development", f"law {number}")] = 0.5 * (up - down)
        else:
            middle = figure(parameters)
            parts[Influence("development", f"law {number}")] = middle - min(up, down)
    return Quantity(float(figure(parameters)), parts)


def _time(parameters: Floats, contrast: float) -> float:
    left = 1.0 - contrast / math.exp(parameters[0])
    if left <= 0.0:
        return math.inf
    return (float(parameters[2]) if parameters.size > 2 else 0.0) - math.log(left) / math.exp(parameters[1])


def _row(parameters: Floats, covariance: Floats, stops: int, target: float, times: Floats) -> FamilyRow:
    """Return the time for N and so many stops: a subject shorter by as many than the average fills the same paper."""
    contrast = target * usual_film_range(AVERAGE_SUBJECT_STOPS) / usual_film_range(AVERAGE_SUBJECT_STOPS - stops)
    row = FamilyRow(
        contrast_stops=stops,
        scene_stops=AVERAGE_SUBJECT_STOPS - stops,
        contrast=contrast,
        speed_stops=SPEED_A_STOP * stops,
        time_s=None,
    )
    time = _time(parameters, contrast)
    shortest, longest = float(times.min()), float(times.max())
    if not time <= _LONGEST * longest:
        what = "never reached" if math.isinf(time) else f"beyond {_LONGEST:g} times the longest tested"
        return replace(row, note=what)
    if time < _SHORTEST * shortest:
        return replace(row, note="below half the shortest tested")
    note = "" if shortest <= time <= longest else "outside the times tested"
    if time < _UNEVEN_S:
        note = f"{note}, short" if note else "short"
    found = _quantity(lambda p: _time(p, contrast), parameters, covariance)
    return replace(row, time_s=found, note=note)


def _speed_slope(members: Sequence[Member], contrasts: Floats) -> float | None:
    """Return by how much the log exposure of the speed point grows with log contrast; None where not tested."""
    read = [
        (math.log(contrast), member.test.speed_log_exposure)
        for member, contrast in zip(members, contrasts, strict=True)
    ]
    points = np.array([(where, speed.value) for where, speed in read if speed is not None and speed.limit is None])
    if len(points) < FEWEST_TIMES:
        return None
    away = points - points.mean(axis=0)
    return float(away[:, 0] @ away[:, 1] / (away[:, 0] @ away[:, 0]))


def _speed_stops(slope: float | None, row: FamilyRow, target: float) -> float:
    """Return by how many stops the film is faster than at N: by the tests, else by common practice."""
    if slope is None:
        return row.speed_stops
    return -slope * math.log(row.contrast / target) / LOG_EXPOSURE_PER_STOP


def _warnings(table: Sequence[FamilyRow]) -> tuple[Warning_, ...]:
    if not any("short" in row.note.split(", ") for row in table):
        return ()
    message = "Times under 5:00 in a tray or drum develop unevenly (common practice); dilute the developer instead."
    return (Warning_(code="short-time", message=message),)
