"""A film test: the characteristic curve and what the trade reads from it, every figure with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.errors import MeasureError
from densiscan.files.shown import Drawn, counted, one_line
from densiscan.film import definitions
from densiscan.film.curve import FilmCurve, FitPoint, fit_curve, with_spread
from densiscan.film.definitions import Arcs, IsoSpeed

Figure = Callable[[Floats, Floats], float | None]

FEWEST_POINTS: Final = 5
"""Points a curve needs: a foot, a toe, and three that show the slope."""
USUAL_DENSITY_RANGE: Final = 1.05
"""Density range of a negative for a paper of grade 2 by contact (common practice: ISO range 105)."""
_LEAST_CHANGE: Final = 1e-9
_SHORTEST_STRAIGHT: Final = 0.30
_SCATTERED: Final = 0.01
_MOST_REACH: Final = 0.5
_STEEPER: Final = 1.10
"""Slope beyond the points, over that on them, from which a curve has not reached its straight part."""
_FEW_BEYOND: Final = 0.05
_MOST_BEYOND: Final = 0.5
"""Share of possible curves that get steeper beyond the points: up to the first gamma is told, from the second it is
only a limit."""
_LEAST: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """One exposure: its name, log10 of the exposure, and the density it gave.

    Examples
    --------
    >>> CurvePoint(step="1", log_exposure=Quantity(-3.0), density=Quantity(0.20)).density
    <Quantity 0.2>
    """

    step: str
    log_exposure: Quantity
    density: Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """Another film's speed point in the same light, and the exposure index that goes with it."""

    log_exposure: float
    index: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmAim:
    """What a film test is asked for.

    Attributes
    ----------
    absolute
        Whether log exposures are of lux seconds.
    density_range
        What the negative's picture may span on the paper.
    reference
        What a relative exposure index is counted from.
    """

    absolute: bool = False
    density_range: Quantity = field(default_factory=lambda: Quantity(USUAL_DENSITY_RANGE))
    reference: Reference | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class FilmTest(Drawn):
    """What a film test found; a figure is None where the curve does not reach far enough.

    Attributes
    ----------
    straight
        Ends of the straight part in log exposure.
    arcs, short_arc
        Constructions of the contrast index, in log exposure and net density.
    inertia_log_exposure
        Where the straight part, continued down, meets base plus fog.
    rise
        Density above the speed point, 1.30 log exposure beyond it.
    iso_speed
        Only from absolute exposures, where the contrast condition of ISO 6 holds.
    exposure_index
        0.8 / Hm from absolute exposures whatever the contrast, or relative to the reference.
    log_exposure_range
        Exposures, from the speed point on, that the paper holds.

    Examples
    --------
    >>> steps = enumerate([0.20, 0.20, 0.24, 0.36, 0.53, 0.71, 0.89, 1.07])
    >>> points = [CurvePoint(step=str(k), log_exposure=Quantity(0.3 * k), density=Quantity(read)) for k, read in steps]
    >>> film_test(points).gamma
    <Quantity 0.5988 ± 0.0087>
    """

    points: tuple[CurvePoint, ...]
    curve: FilmCurve
    aim: FilmAim
    base_plus_fog: Quantity | None
    gamma: Quantity | None
    average_gradient: Quantity | None
    contrast_index: Quantity | None
    contrast_index_short: Quantity | None
    speed_log_exposure: Quantity | None
    inertia_log_exposure: Quantity | None
    rise: Quantity | None
    iso_speed: IsoSpeed | None
    exposure_index: Quantity | None
    log_exposure_range: Quantity | None
    straight: tuple[float, float]
    arcs: Arcs | None
    short_arc: Arcs | None
    warnings: tuple[Warning_, ...]

    def __repr__(self) -> str:
        figures = {"gamma": self.gamma, "average gradient": self.average_gradient}
        index = self.exposure_index
        return one_line(
            self,
            "",
            counted(len(self.points), "point"),
            *(f"{name} {'not known' if value is None else f'{value:.2f}'}" for name, value in figures.items()),
            "" if index is None else f"exposure index {index:.0f}",
            counted(len(self.warnings), "warning"),
        )


def film_test(
    points: Sequence[CurvePoint], *, base_plus_fog: Quantity | None = None, aim: FilmAim | None = None, name: str = ""
) -> FilmTest:
    """Fit the curve and read it.

    Parameters
    ----------
    points
        In any order.
    base_plus_fog
        From the rebate or an unexposed piece; None where the foot of the curve has to tell.
    name
        The file or scan, for messages.

    Raises
    ------
    MeasureError
        If there are too few points, the densities fall as the exposure rises, or never reach the speed point.

    Examples
    --------
    >>> densities = [0.20, 0.20, 0.24, 0.36, 0.53, 0.71, 0.89, 1.07, 1.25, 1.43, 1.60]
    >>> points = [
    ...     CurvePoint(step=str(k), log_exposure=Quantity(0.3 * k), density=Quantity(density))
    ...     for k, density in enumerate(densities)
    ... ]
    >>> film_test(points)
    <FilmTest: 11 points, gamma 0.59 ± 0.01, average gradient 0.58 ± 0.01>
    """
    film_aim = aim or FilmAim()
    where = name or "the curve"
    ordered = tuple(sorted(points, key=lambda point: point.log_exposure.value))
    _require_rising(ordered, where)
    curve = fit_curve([FitPoint(point.log_exposure, point.density) for point in ordered], base_plus_fog)
    _require_speed_point(curve, where)
    x, net = curve.log_exposure, curve.net
    # Where the curve is straight the backbone tells: a small wave on it would cut the straight part short.
    straight = definitions.straight_part(x, curve.backbone)
    span = film_aim.density_range.value

    def over_range(places: Floats, densities: Floats) -> float | None:
        return definitions.exposure_span(places, densities, span)

    def gamma(places: Floats, densities: Floats) -> float | None:
        return definitions.gradient(places, densities, straight)

    def inertia(places: Floats, densities: Floats) -> float | None:
        return definitions.inertia(places, densities, straight)

    speed = figure_on(curve, definitions.speed_point, by_base=True)
    rise = figure_on(curve, definitions.rise_beyond, by_base=True)
    test = FilmTest(
        points=ordered,
        curve=curve,
        aim=film_aim,
        base_plus_fog=curve.base_plus_fog() if curve.base_seen else None,
        gamma=figure_on(curve, gamma, by_base=False) if curve.possible is None else _gamma_of_few(curve),
        average_gradient=figure_on(curve, definitions.average_gradient, by_base=True),
        contrast_index=figure_on(curve, definitions.contrast_index, by_base=True),
        contrast_index_short=figure_on(curve, definitions.contrast_index_short, by_base=True),
        speed_log_exposure=speed,
        inertia_log_exposure=figure_on(curve, inertia, by_base=True),
        rise=rise,
        iso_speed=_iso_speed(speed, rise, film_aim),
        exposure_index=exposure_index(speed, film_aim),
        log_exposure_range=_with_paper(figure_on(curve, over_range, by_base=True), curve, film_aim),
        straight=straight,
        arcs=definitions.arcs(x, net) if curve.base_seen else None,
        short_arc=definitions.short_arc(x, net) if curve.base_seen else None,
        warnings=(),
    )
    return _with_warnings(test)


def _require_rising(points: Sequence[CurvePoint], where: str) -> None:
    places = np.array([point.log_exposure.value for point in points])
    different = np.unique(places).size
    if different < FEWEST_POINTS:
        raise MeasureError(
            f"{where} has too few different exposures ({different}); a curve needs {FEWEST_POINTS} at least, better "
            "ten or more."
        )
    densities = np.array([point.density.value for point in points])
    slope = float(np.polyfit(places - places.mean(), densities, 1)[0])
    if slope < 0.0 and densities[-1] < densities[0]:
        raise MeasureError(
            f"{where}: density falls from {densities[0]:.2f} to {densities[-1]:.2f} as the exposure rises, so the "
            "steps are counted the wrong way round; reverse the order of the exposures."
        )


def _require_speed_point(curve: FilmCurve, where: str) -> None:
    if float(curve.net[-1]) <= definitions.SPEED_NET:
        raise MeasureError(
            f"{where}: the curve never reaches the speed point, 0.10 above base plus fog ({curve.base:.2f}); its "
            f"densest point is {float(curve.density[-1]):.2f}: expose more and test again."
        )


def figure_on(curve: FilmCurve, figure: Figure, *, by_base: bool) -> Quantity | None:
    """Return a figure of the curve with what moves the curve (JCGM 100:2008, clause 5, by finite differences).

    Parameters
    ----------
    by_base
        Whether it counts from base plus fog: then it cannot be had where that is not known.
    """
    if by_base and not curve.base_seen:
        return None
    if curve.possible is not None:
        return _figure_of_few(curve, figure)
    x, net = curve.log_exposure, curve.net
    value = figure(x, net)
    if value is None:
        return None
    parts: dict[Influence, float] = {}
    moved = curve.changes - curve.base_changes[:, None]
    for influence, change in zip(curve.influences, moved, strict=True):
        if float(np.max(np.abs(change))) < _LEAST_CHANGE:
            continue
        up, down = figure(x, net + change), figure(x, net - change)
        if up is not None and down is not None:
            parts[influence] = 0.5 * (up - down)
        elif up is not None or down is not None:
            # One way the curve just does not reach any more.
            parts[influence] = up - value if up is not None else value - (down or value)
    return Quantity(value, parts)


def _figure_of_few(curve: FilmCurve, figure: Figure) -> Quantity | None:
    """Return a figure as all curves have it that few points leave possible; None where most do not reach it."""
    possible, places = curve.possible, curve.possible_places
    if possible is None or places is None:
        return None
    nets = possible.density - possible.base[:, None]
    values = [value for net in nets if (value := figure(places, net)) is not None]
    if len(values) <= _MOST_REACH * len(nets):
        return None
    return with_spread(Quantity(0.0, {}), np.array(values))


def _gamma_of_few(curve: FilmCurve) -> Quantity | None:
    """Return gamma where points are few: a limit where the straight part may well lie beyond the last of them.

    Each possible curve has its own straight part. Where some get steeper beyond the points, the interval reaches as far
    up as these say.
    """
    possible, places = curve.possible, curve.possible_places
    if possible is None or places is None:
        return None
    pairs = zip(possible.density, possible.backbone, strict=True)
    slopes = np.array(
        [definitions.gradient(places, net, definitions.straight_part(places, back)) or 0.0 for net, back in pairs]
    )
    beyond = possible.steepest > _STEEPER * slopes
    share = float(np.mean(beyond))
    if share > _MOST_BEYOND:
        return Quantity.at_least(float(np.quantile(slopes, _LEAST)))
    read = with_spread(Quantity(0.0, {}), slopes)
    if share <= _FEW_BEYOND:
        return read
    low, high = np.quantile(slopes, 0.025), np.quantile(np.maximum(slopes, possible.steepest), 0.975)
    return Quantity(read.value, read.parts, None, (min(float(low), read.value), max(float(high), read.value)))


def _iso_speed(speed: Quantity | None, rise: Quantity | None, aim: FilmAim) -> IsoSpeed | None:
    if not aim.absolute or speed is None or rise is None or not meets_contrast(rise):
        return None
    return definitions.iso_speed(speed.value)


def meets_contrast(rise: Quantity) -> bool:
    """Tell whether the contrast condition of ISO 6 holds."""
    return abs(rise.value - definitions.SPEED_RISE) <= definitions.SPEED_RISE_WITHIN


def exposure_index(speed: Quantity | None, aim: FilmAim) -> Quantity | None:
    """Return the effective exposure index: 0.8 / Hm, or as many stops from the reference as the speed points are."""
    if speed is None or not (aim.absolute or aim.reference is not None):
        return None
    if aim.reference is not None:
        value = aim.reference.index * 10.0 ** (aim.reference.log_exposure - speed.value)
    else:
        value = 0.8 / 10.0**speed.value
    if not math.isfinite(value):
        return None
    per_log = -value * math.log(10.0)
    return Quantity(value, {key: per_log * part for key, part in (speed.parts or {}).items()})


def _with_paper(span: Quantity | None, curve: FilmCurve, aim: FilmAim) -> Quantity | None:
    """Return the exposure range with the doubt of the paper's density range."""
    if span is None or not aim.density_range.parts:
        return span
    x, net = curve.log_exposure, curve.net
    longer = definitions.exposure_span(x, net, aim.density_range.value + 0.01)
    slope = 0.0 if longer is None else (longer - span.value) / 0.01
    for influence, part in aim.density_range.parts.items():
        span = span.with_part(influence, slope * part)
    return span


def _with_warnings(test: FilmTest) -> FilmTest:
    from dataclasses import replace

    warnings = [*_base_warnings(test), *_straight_warnings(test), *_reach_warnings(test), *_speed_warnings(test)]
    low, high = test.straight
    if high - low < _SHORTEST_STRAIGHT:
        message = (
            f"The curve has no straight part longer than {high - low:.2f} log exposure: gamma is its steepest slope."
        )
        warnings.append(Warning_(code="no-straight-part", message=message))
    stated = all(point.density.parts for point in test.points)
    if stated and test.curve.scatter > _SCATTERED:
        message = (
            f"The points scatter about the curve by {test.curve.scatter:.3f} beyond their own uncertainty; the "
            "figures are widened by it: look for uneven exposure or development, dust, or a wrong step."
        )
        warnings.append(Warning_(code="points-scatter", message=message))
    return replace(test, warnings=tuple(warnings))


def _straight_warnings(test: FilmTest) -> list[Warning_]:
    gamma = test.gamma
    if gamma is None or (gamma.limit is None and gamma.interval is None):
        return []
    high = None if gamma.interval is None else gamma.interval[1]
    upto = "no limit is told" if high is None else f"up to {high:.2f}"
    message = (
        f"So few points may not reach the straight part: gamma may be higher, {upto}; add longer exposures, best half "
        "a stop apart."
    )
    return [Warning_(code="straight-part-not-sure", message=message)]


def _base_warnings(test: FilmTest) -> list[Warning_]:
    if test.curve.base_seen:
        return []
    message = (
        "The points do not reach down to base plus fog, so the speed point and what counts from it are not known; give "
        "--base-plus-fog."
    )
    return [Warning_(code="no-base-plus-fog", message=message)]


def _reach_warnings(test: FilmTest) -> list[Warning_]:
    if not test.curve.base_seen:
        return []
    if test.speed_log_exposure is None:
        message = "The least exposure gave more than 0.10 above base plus fog: the speed point is not on the curve."
        return [Warning_(code="speed-point-not-reached", message=f"{message} Expose less and test again.")]
    missing = [
        words
        for quantity, words in (
            (test.average_gradient, "the average gradient (1.50 beyond the speed point)"),
            (test.contrast_index, "the contrast index (arcs of 0.20 and 2.20)"),
            (test.contrast_index_short, "the contrast index by the short method (an arc of 2.00)"),
            (test.log_exposure_range, f"the exposure range (density {test.aim.density_range.value:.2f} on the paper)"),
        )
        if quantity is None
    ]
    if not missing:
        return []
    message = f"The curve ends too soon for {_listed(missing)}; add longer exposures."
    return [Warning_(code="curve-too-short", message=message)]


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _speed_warnings(test: FilmTest) -> list[Warning_]:
    if not test.aim.absolute or test.speed_log_exposure is None:
        return []
    if test.rise is None:
        message = "The curve does not reach 1.30 beyond the speed point: an exposure index, not an ISO speed."
        return [Warning_(code="contrast-condition-unknown", message=message)]
    if not meets_contrast(test.rise):
        message = (
            f"1.30 beyond the speed point the density is {test.rise.value:.2f} above it, not 0.80 ± 0.05 as ISO 6 has "
            "it: an exposure index, not an ISO speed."
        )
        return [Warning_(code="contrast-condition-not-met", message=message)]
    if test.iso_speed is None:
        message = "The speed lies beyond the standard's series."
        return [Warning_(code="speed-beyond-series", message=message)]
    return []
