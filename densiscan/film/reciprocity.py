"""Long exposures: the reciprocity exponent of a film, corrected times, and the exposure of a pinhole camera.

A film that is lit t seconds, more than one, answers as if it were lit t^p seconds (Schwarzschild 1900); so a metered
time becomes metered^(1/p). Up to one second light and time are taken to make up for each other. Films differ widely in
p, so that without a series of one's own the longest time that a film may need is several times the shortest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import fit_line
from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity
from densiscan.errors import MeasureError, PointsFileError
from densiscan.files.tables import TableLine
from densiscan.film.points import number_in, read_rows
from densiscan.film.speed_and_contrast import FilmTest

USUAL_EXPONENT: Final = 0.75
"""p in the middle of published films: 0.68, 0.75 and 0.82 from film curves that give 409, 227 and 149 s for 60 s
(published), 0.59 from a teaching table's 50 s for 10 s (published: C. Johnson, The Practical Zone System)."""
USUAL_RANGE: Final = (0.58, 0.99)
"""p of about 95 in 100 films (common practice): from that teaching table to films that hardly fail. Plates had 0.86
(K. Schwarzschild, Astrophysical Journal 11, 1900, p. 89) and 0.82 to 0.90 (E. Kron 1914)."""
ONSET_S: Final = 1.0
"""Time from which on it counts (published: the formula is stated from 1 s up). Films differ in this too: some begin at
half a second, others at ten (common practice)."""
SHORTER_DEVELOPMENT: Final = ((1.0, 0.10), (10.0, 0.20), (100.0, 0.30))
"""From so many metered seconds on, the part by which development is shortened (common practice): the shadows fail more
than the highlights, so that contrast grows."""
TABLE_S: Final = (1, 2, 4, 8, 15, 30, 60, 120, 240, 480, 600)
"""Metered times of the table: doubled, 1 s to 10 min."""
FEWEST_EXPOSURES: Final = 3
LONGEST_S: Final = 1e6
_HARDLY: Final = 1e-6
_READING_DOUBT: Final = 0.01
"""Standard uncertainty of a density for which none is stated (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LongExposure:
    """One exposure of a series.

    `metered_s` is the time that the meter asked for, `given_s` the time given; `density` what it gave, None where the
    time given was found to be right by eye or by an earlier trial.
    """

    metered_s: float
    given_s: float
    density: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reciprocity:
    """The exponent and what it rests on: `exposures` 0 where it is that of other people's films."""

    exponent: Quantity
    exposures: int
    longest_s: float | None = None
    residual: float | None = None

    def corrected(self, metered_s: float) -> Quantity:
        """Return the time to give, seconds, for a metered time; where p has an interval, the time has one too."""
        if metered_s <= ONSET_S:
            return Quantity(metered_s)
        p = self.exponent.value
        time = _lengthened(metered_s, p)
        by_p = -time * math.log(metered_s / ONSET_S) / (p * p)
        parts = {key: by_p * part for key, part in (self.exponent.parts or {}).items()}
        if self.exponent.interval is None:
            return Quantity(time, parts)
        failing, holding = self.exponent.reach
        ends = [None if end is None else _lengthened(metered_s, end) for end in (holding, failing)]
        return Quantity(time, parts, None, (ends[0], ends[1]))


def _lengthened(metered_s: float, p: float) -> float:
    return float(ONSET_S * (metered_s / ONSET_S) ** (1.0 / p))


def shorter_development(metered_s: float) -> float:
    """Return the part by which development is shortened after a long exposure, 0 below one second."""
    return max((part for least_s, part in SHORTER_DEVELOPMENT if metered_s >= least_s), default=0.0)


def usual_reciprocity() -> Reciprocity:
    """Return the exponent of a film that nobody tested, with the interval in which about 95 in 100 films lie."""
    half = 0.5 * (USUAL_RANGE[1] - USUAL_RANGE[0])
    parts = {Influence("film", "reciprocity"): half / COVERAGE_FACTOR}
    return Reciprocity(exponent=Quantity(USUAL_EXPONENT, parts, None, USUAL_RANGE), exposures=0)


def fit_reciprocity(series: Sequence[LongExposure], curve: FilmTest | None = None, *, name: str = "") -> Reciprocity:
    """Fit the exponent to exposures at increasing times.

    Parameters
    ----------
    series
        With densities, or each with the time that was found right for its metered time.
    curve
        The film's curve at short times, developed alike: it turns density into effective exposure.

    Notes
    -----
    Effective log exposure = constant - log metered + log f(given), f(t) = t up to 1 s and t^p from there: a line in
    log max(t, 1). Times found right by eye have one effective exposure, so log metered is that line.

    Raises
    ------
    MeasureError
        If there are too few exposures, no curve for the densities, or the times are too much alike.
    """
    where = name or "the series"
    used, effective, u_effective = _effective(series, curve, where)
    metered = np.log10([one.metered_s for one in used])
    log_given = np.log10([one.given_s for one in used])
    beyond = np.maximum(log_given, math.log10(ONSET_S))
    y = effective + metered - np.minimum(log_given, math.log10(ONSET_S))
    if len(used) < FEWEST_EXPOSURES or float(np.ptp(beyond)) < 0.3:
        raise MeasureError(
            f"{where} has {len(used)} exposures that can be used, over a factor of "
            f"{10 ** float(np.ptp(beyond)):.1f} in time beyond 1 s; give {FEWEST_EXPOSURES} at least, the longest "
            "twice the shortest or more."
        )
    weights = 1.0 / np.maximum(u_effective, _HARDLY) ** 2
    line = fit_line(beyond, y, weights)
    own = float(np.sqrt(1.0 / np.sum(weights * (beyond - np.average(beyond, weights=weights)) ** 2)))
    if not 0.3 < line.slope <= 1.2:
        raise MeasureError(
            f"{where} gives the exponent {line.slope:.2f}, and no film has one outside 0.3 to 1.2; check times and "
            "densities, and that the light did not change."
        )
    # The doubt by the scatter, or by the densities' own, whichever is more; few points scatter little by chance.
    parts = {Influence("series", where): max(line.u_slope * _few(line.dof), own if curve is not None else 0.0)}
    return Reciprocity(
        exponent=Quantity(line.slope, parts),
        exposures=len(used),
        longest_s=max(one.given_s for one in used),
        residual=line.residual_sd / float(np.sqrt(weights.mean())),
    )


def _few(dof: int) -> float:
    """Return by how much k = 2 must widen for few degrees of freedom: Student's t at 95.45 % over 2.

    References
    ----------
    JCGM 100:2008, table G.2: 13.97, 4.53, 3.31, 2.87, 2.65 for 1 to 5; 2 + 2.9 / dof beyond, to 1.5 %.
    """
    table = (13.97, 4.53, 3.31, 2.87, 2.65)
    return (table[dof - 1] if dof <= len(table) else 2.0 + 2.9 / dof) / 2.0


def _effective(
    series: Sequence[LongExposure], curve: FilmTest | None, where: str
) -> tuple[list[LongExposure], Floats, Floats]:
    """Return what can be used, its effective log exposure and the standard uncertainty of that."""
    with_density = [one for one in series if one.density is not None]
    if not with_density:
        return list(series), np.zeros(len(series)), np.full(len(series), _READING_DOUBT)
    if len(with_density) < len(series):
        raise MeasureError(f"{where} names a density for some exposures only; give it for all, or for none.")
    if curve is None:
        raise MeasureError(
            f"{where} has densities, which need the film's curve to become exposures; add `curve` CURVE.csv, of the "
            "same film developed alike at short times."
        )
    x, density = curve.curve.log_exposure, curve.curve.density
    slopes = np.gradient(density, x)
    used, effective, u_effective = [], [], []
    for one in with_density:
        value = one.density.value if one.density is not None else math.nan
        k = int(np.searchsorted(density, value))
        # Where the curve is nearly level, in the toe or the shoulder, a density tells no exposure.
        if not 0 < k < density.size or slopes[k] < 0.3 * float(slopes.max()):
            continue
        share = (value - float(density[k - 1])) / max(float(density[k] - density[k - 1]), 1e-12)
        reading = one.density.standard_uncertainty if one.density is not None else None
        used.append(one)
        effective.append(float(x[k - 1]) + share * float(x[k] - x[k - 1]))
        u_effective.append((reading or _READING_DOUBT) / float(slopes[k]))
    return used, np.array(effective), np.array(u_effective)


def read_series(path: str | Path) -> tuple[LongExposure, ...]:
    """Read a series: metered,given and optionally density,uncertainty; or time,density where the two are one.

    Times are seconds or minutes:seconds. `time,density` is a series of which each exposure got the time that the meter
    asked for.

    Raises
    ------
    PointsFileError
        If the file is no such table.
    """
    rows = read_rows(path, needed=("metered", "given"), instead=("time", "density"), what="a series of exposures")
    plain = "time" in rows[0].cells
    series = []
    for row in rows:
        metered = _time_in(row, "time" if plain else "metered", path)
        given = metered if plain else _time_in(row, "given", path)
        density = None
        if row.cells.get("density"):
            value = number_in(row, "density", path, low=-0.1, high=8.0)
            stated = number_in(row, "uncertainty", path, low=0.0, high=8.0) if row.cells.get("uncertainty") else 0.0
            parts = {Influence("reading", f"{path}, {row.line}"): stated / COVERAGE_FACTOR} if stated > 0.0 else None
            density = Quantity(value, parts)
        series.append(LongExposure(metered_s=metered, given_s=given, density=density))
    return tuple(series)


def _time_in(row: TableLine, column: str, path: str | Path) -> float:
    text = row.cells.get(column, "")
    minutes, colon, seconds = text.rpartition(":")
    try:
        whole, rest = float(minutes) if colon else 0.0, float(seconds.replace(",", "."))
    except ValueError:
        whole = rest = math.nan
    value = 60.0 * whole + rest
    if not 0.0 < value <= LONGEST_S or (colon and not (0.0 <= rest < 60.0 and whole >= 0.0)):
        raise PointsFileError(
            f'{path}, line {row.line}: "{text}" is not a valid time; write seconds, or minutes:seconds as 8:30.'
        )
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class PinholeExposure:
    """What a pinhole camera needs: its f-number, the time by the meter, and the time to give.

    `best_diameter_mm` is that of the sharpest hole at this distance; `stop_less_mm` how far from the middle of the film
    there is a stop less light.
    """

    f_number: float
    metered_s: float
    corrected_s: Quantity
    best_diameter_mm: float
    stop_less_mm: float


def pinhole_exposure(
    *, diameter_mm: float, distance_mm: float, meter_time_s: float, meter_f_number: float, reciprocity: Reciprocity
) -> PinholeExposure:
    """Return the exposure of a pinhole camera.

    Parameters
    ----------
    diameter_mm, distance_mm
        Of the hole, and from it to the film.
    meter_time_s, meter_f_number
        A reading of the meter for the same scene and film speed.

    Notes
    -----
    f-number = distance / diameter; the time grows with its square (published: the definition of the f-number, ISO 517).
    The sharpest hole has 1.9 sqrt(distance x wavelength) (from memory: Rayleigh, On Pin-hole Photography, 1891). Light
    falls off as the fourth power of the cosine off the axis: to a half at 33 degrees.
    """
    f_number = distance_mm / diameter_mm
    metered = meter_time_s * (f_number / meter_f_number) ** 2
    return PinholeExposure(
        f_number=f_number,
        metered_s=metered,
        corrected_s=reciprocity.corrected(metered),
        best_diameter_mm=_SHARPEST * math.sqrt(distance_mm * _GREEN_MM),
        stop_less_mm=distance_mm * math.tan(math.acos(0.5**0.25)),
    )


_SHARPEST: Final = 1.9
_GREEN_MM: Final = 550e-6
"""Wavelength of the middle of visible light."""
