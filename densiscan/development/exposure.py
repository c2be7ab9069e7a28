"""The exposure of a frame, judged by its shadow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_

LOG_EXPOSURE_PER_STOP: Final = 0.30
"""log10 of 2 to two decimals, as the trade counts: one stop (published)."""

SPEED_POINT: Final = 0.10
"""Net density of the least useful exposure (published: ISO 6)."""

FULLEST_SHADOW: Final = 0.45
"""Net density above which the deepest shadow of a frame has more exposure than it needs (common practice: between the
third and the fourth zone)."""

TYPICAL_GRADIENT: Final = 0.58
"""Straight-line gradient of a negative made to print well: middle of the usual aim 0.56 to 0.60 (published: NAVEDTRA
14208, contrast index)."""

TYPICAL_GRADIENT_DOUBT: Final = 0.15
"""Relative standard uncertainty of that gradient on a film not tested: gradients of 0.45 to 0.75 are met."""

TOE_LENGTH: Final = 0.433
"""Length of the toe of the typical film curve in log exposure. Chosen so that the gradient at the speed point is six
tenths of the straight line's; the curve then passes through the zone densities for diffuse light (from memory)."""

SHADOW_AIM_STOPS: Final = 1.0
"""A well exposed frame has its deepest shadow about a stop above the speed point: the second zone (common practice)."""

SHADOW_AIM_DOUBT_STOPS: Final = 0.5
"""Standard uncertainty of that aim: subjects differ in how deep their deepest hundredth is."""

FOOT: Final = 0.005
"""A net density that no scan tells from none."""

LIGHTEST_BASE_AND_FOG: Final = 0.05
DEEPEST_BASE_AND_FOG: Final = 0.60
"""No film base is clearer than the one; film fogged beyond the other is given up (common practice). Between them lies
the base plus fog of a frame whose rebate is not in the scan."""


_BARE: Final = "the lightest part may be clear film or bare glass"

ExposureVerdict = Literal["under", "normal", "over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureAdvice:
    """Whether the frame had the right exposure.

    `stops` is the exposure against a normal one: minus is too little, plus is more than needed; None where it cannot be
    told. `at_least` says that it is only a limit, because the shadow lies at the very foot of the curve. `borderline`
    says that the shadow may lie on either side of a limit of the usual; the verdict is then `normal`.
    """

    verdict: ExposureVerdict
    stops: Quantity | None
    at_least: bool = False
    borderline: bool = False
    reason: str
    warnings: tuple[Warning_, ...] = ()


def log_exposure_above_speed_point(net_density: float, *, gradient: float = TYPICAL_GRADIENT) -> float:
    """Return the log exposure of a net density against the speed point, on the typical film curve.

    Parameters
    ----------
    net_density
        Above base plus fog, greater than zero.
    gradient
        Of the straight part of the curve.

    Returns
    -------
    float
        log10 of the exposure over that of net density 0.10; minus in the toe below it.

    Notes
    -----
    The curve is d = g s log10(1 + 10^(x/s)): a toe of length s into a straight line of gradient g, without shoulder.
    """
    reach = gradient * TOE_LENGTH

    def along(density: float) -> float:
        return TOE_LENGTH * math.log10(math.expm1(math.log(10.0) * density / reach))

    return along(net_density) - along(SPEED_POINT)


def may_be_bare(shadow: Quantity | None) -> bool:
    """Return whether a gross shadow is so light that it may be clear film or the bare glass, not a picture."""
    if shadow is None:
        return True
    return shadow.value - (shadow.uncertainty or 0.0) < LIGHTEST_BASE_AND_FOG + SPEED_POINT


def exposure_advice(*, net_shadow: Quantity | None, shadow: Quantity | None, framed: bool = True) -> ExposureAdvice:
    """Judge the exposure by the shadow of the frame.

    Parameters
    ----------
    net_shadow
        Shadow density above base plus fog; None where base plus fog is unknown.
    shadow
        Gross shadow density; used alone only where it settles the matter whatever the base plus fog.
    framed
        False where no frame was told from the film: the lightest part read may then be no part of the picture.
    """
    if not framed and may_be_bare(shadow):
        return _not_judged(f"No frame was found, and {_BARE}")
    if net_shadow is None:
        return _judged_by_gross(shadow)
    low, high = _between(net_shadow, shadow)
    shown = _shown(net_shadow)
    wanted = f"{SPEED_POINT:.2f} to {FULLEST_SHADOW:.2f} is usual"
    if (low < SPEED_POINT and high > FULLEST_SHADOW) or (low <= FOOT and high >= SPEED_POINT):
        return _not_judged(f"{shown}, but the reading is too uncertain to judge the exposure by")
    stops, at_least = _stops_from_normal(net_shadow)
    if high < SPEED_POINT:
        more = "at least " if at_least else "about "
        reason = f"{shown}; {wanted}: underexposed by {more}{_stops_in_words(stops)}."
        return ExposureAdvice(verdict="under", stops=stops, at_least=at_least, reason=reason)
    if low > FULLEST_SHADOW:
        reason = (
            f"{shown}; {wanted}: overexposed by about {_stops_in_words(stops)}. The shadows lose nothing; bright "
            "highlights may run into the shoulder, and it will be grainier and print more slowly."
        )
        return ExposureAdvice(verdict="over", stops=stops, reason=reason)
    return _within_usual(net_shadow, (low, high), f"{shown}; {wanted}.", stops)


def _within_usual(net_shadow: Quantity, reach: tuple[float, float], plain: str, stops: Quantity) -> ExposureAdvice:
    """Return the verdict on a shadow that is usual, or may be: near a limit that is said, of a limit nothing."""
    border = reach[0] < SPEED_POINT or reach[1] > FULLEST_SHADOW
    if border and net_shadow.limit is not None:
        return _not_judged(f"{_shown(net_shadow)}, and the calibration cannot say more closely")
    reason = _on_the_border(net_shadow) if border else plain
    return ExposureAdvice(verdict="normal", stops=stops, borderline=border, reason=reason)


def _between(net_shadow: Quantity, shadow: Quantity | None) -> tuple[float, float]:
    """Return what the net shadow lies between, about 95 %; the open end of a limit is 0, or the gross shadow."""
    low, high = net_shadow.reach
    if high is None:
        high = math.inf if shadow is None or shadow.reach[1] is None else max(shadow.reach[1], net_shadow.value)
    return 0.0 if low is None else low, high


def _on_the_border(net_shadow: Quantity) -> str:
    """Return the words for a shadow that may lie on either side of a limit of the usual."""
    doubt = net_shadow.uncertainty or 0.0
    digits = 3 if doubt < 0.005 else 2
    shown = f"the shadow is {max(net_shadow.value, 0.0):.{digits}f} ± {doubt:.{digits}f} above base plus fog"
    if net_shadow.value - doubt < SPEED_POINT:
        enough = f"{SPEED_POINT:.2f} is the least that is usual"
        return f"Just on the border of underexposure: {shown}; {enough}. A little more exposure is safer."
    enough = f"{FULLEST_SHADOW:.2f} is the most that is usual"
    return f"Just on the border of overexposure: {shown}; {enough}. A little less exposure prints more quickly."


def _shown(net_shadow: Quantity) -> str:
    """Return a net shadow with as many decimals as tell it from the limits of the usual."""
    value = max(net_shadow.value, 0.0)
    if net_shadow.limit is not None:
        return f"The shadow is {net_shadow.limit} {value:.2f} above base plus fog"
    beside = round(value, 2) in (SPEED_POINT, FULLEST_SHADOW) and value not in (SPEED_POINT, FULLEST_SHADOW)
    return f"The shadow is {value:.{3 if beside else 2}f} above base plus fog"


def no_negative() -> ExposureAdvice:
    """Return what is said of the exposure of what is no negative."""
    return _not_judged("It is not a negative")


def unexposed_sheet() -> ExposureAdvice:
    """Return what is said of the exposure of a sheet that the person calls unexposed."""
    return _not_judged("The sheet is unexposed")


def _stops_in_words(stops: Quantity) -> str:
    size = abs(stops.value)
    return f"{size:.1f} stop" if round(size, 1) == 1.0 else f"{size:.1f} stops"


def _stops_from_normal(net_shadow: Quantity) -> tuple[Quantity, bool]:
    """Return the stops against a normal exposure, and whether they are only a limit."""
    above = stops_above_speed_point(net_shadow)
    if above.limit is not None:
        return Quantity(above.value - SHADOW_AIM_STOPS, None), True
    stops = above - SHADOW_AIM_STOPS
    return stops.with_part(Influence("subject"), SHADOW_AIM_DOUBT_STOPS), False


def stops_above_speed_point(net: Quantity) -> Quantity:
    """Return by how many stops a place got more than the speed point, on the typical film curve.

    Parameters
    ----------
    net
        Density above base plus fog. At the very foot of the curve, or where it is a limit, the stops are a limit.

    Notes
    -----
    The gradient of a film that was not tested is in the doubt, beside that of the reading.

    Examples
    --------
    >>> round(stops_above_speed_point(Quantity(0.10)).value, 6)
    0.0
    """
    doubt = net.uncertainty or 0.0
    if net.limit == "at most" or net.value - doubt <= FOOT:
        limit = log_exposure_above_speed_point(max(net.value + doubt, 2.0 * FOOT))
        return Quantity.at_most(limit / LOG_EXPOSURE_PER_STOP)
    at = net.value
    here = log_exposure_above_speed_point(at)
    step = 0.25 * (at - FOOT)
    slope = (log_exposure_above_speed_point(at + step) - log_exposure_above_speed_point(at - step)) / (2.0 * step)
    by_gradient = 0.5 * (
        log_exposure_above_speed_point(at, gradient=TYPICAL_GRADIENT * (1.0 + TYPICAL_GRADIENT_DOUBT))
        - log_exposure_above_speed_point(at, gradient=TYPICAL_GRADIENT * (1.0 - TYPICAL_GRADIENT_DOUBT))
    )
    stops = net.through(here / LOG_EXPOSURE_PER_STOP, slope / LOG_EXPOSURE_PER_STOP)
    return stops.with_part(Influence("film curve"), by_gradient / LOG_EXPOSURE_PER_STOP)


def _judged_by_gross(shadow: Quantity | None) -> ExposureAdvice:
    if shadow is None:
        return _not_judged("No shadow could be read")
    low, high = shadow.reach
    limit = "" if shadow.limit is None else f"{shadow.limit} "
    shown = f"Base plus fog is not known, but a shadow of {limit}{max(shadow.value, 0.0):.2f} with it is"
    if high is not None and high < LIGHTEST_BASE_AND_FOG + SPEED_POINT:
        reason = f"{shown} too little on any film: give more exposure."
        return ExposureAdvice(verdict="under", stops=None, reason=reason)
    if low is not None and low > DEEPEST_BASE_AND_FOG + FULLEST_SHADOW:
        reason = f"{shown} more than needed on any film that is not badly fogged."
        return ExposureAdvice(verdict="over", stops=None, reason=reason)
    return _not_judged("Base plus fog is not known, so shadow and fog cannot be separated")


def _not_judged(why: str) -> ExposureAdvice:
    """Return the verdict `normal` with a warning that it is not one."""
    sentence = f"{why}: the exposure is not judged."
    warning = Warning_(code="exposure-not-judged", message=sentence)
    return ExposureAdvice(verdict="normal", stops=None, reason=sentence, warnings=(warning,))
