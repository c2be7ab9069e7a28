"""First advice on exposure and development from the readings of one frame.

With no runs logged everything here rests on common practice: it moves in small bounded steps, says what it rests on,
and is provisional. Formulas and sources: notes 9 and 10 of docs/method.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.errors import WrongUseError

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

AVERAGE_SUBJECT_STOPS: Final = 22.0 / 3.0
"""Average outdoor subject, 160:1 or 2.2 log units (from memory: Jones and Condit 1941)."""

AVERAGE_FLARE_LOSS: Final = 0.35
AVERAGE_FLARE_LOSS_DOUBT: Final = 0.05
"""Camera flare shortens the average subject by 0.3 to 0.4 log units (common practice)."""

UNKNOWN_SUBJECT_DOUBT: Final = 0.30
"""Standard uncertainty, log exposure, of the range on the film when nothing is known of the subject."""

METERED_SUBJECT_DOUBT: Final = 0.10
"""Standard uncertainty of a metered subject range, log luminance: a third of a stop."""

SHADOW_CHOICE_DOUBT: Final = 0.10
"""Standard uncertainty, log exposure: the hundredth of the area that is read is not exactly what was metered."""

TIME_POWER: Final = 1.8
TIME_POWER_DOUBT: Final = 0.25
"""Time goes about as this power of contrast: one stop more contrast takes 1.25 to 1.45 times the time, one stop less
0.7 to 0.8 times (common practice), and a stop of contrast is a sixth of the average range on the film."""

LARGEST_STEP: Final = 0.35
"""No more change of time than this in one step (common practice)."""

SMALLEST_STEP: Final = 0.10
"""A smaller change of time is not worth making: it is within what temperature and drum vary (common practice)."""

UNKNOWN_SUBJECT_SHARE: Final = 0.5
"""Share of the change, and of the largest step, when the subject is unknown: its doubt is about as large as the usual
spread of development itself, so half of a difference is expected to be the development's."""

FEWEST_SCENE_STOPS: Final = 1.0
MOST_SCENE_STOPS: Final = 20.0

_BARE: Final = "the lightest part may be clear film or bare glass"

ExposureVerdict = Literal["under", "normal", "over"]
DevelopmentVerdict = Literal["more", "keep", "less"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class DevelopmentAdvice:
    """Whether the film was developed to the right contrast.

    `contrast` is density range over the range of log exposure on the film, no unit; `target_contrast` what would print
    an average subject on the paper aimed at; `time_factor` multiplies the development time: 1 where it is right as far
    as can be told, None where the frame tells nothing about it. `borderline` says that another reading of the same
    frame may speak for a change; the verdict is then `keep`.
    """

    verdict: DevelopmentVerdict
    contrast: Quantity | None
    target_contrast: float
    time_factor: Quantity | None
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
        reason = f"{shown}; {wanted}, so the frame lacks {more}{_stops_in_words(stops)}: give more exposure."
        return ExposureAdvice(verdict="under", stops=stops, at_least=at_least, reason=reason)
    if low > FULLEST_SHADOW:
        reason = (
            f"{shown}; {wanted}, so the frame had about {_stops_in_words(stops)} more than a normal exposure, which "
            "costs printing time and grain rather than tones."
        )
        return ExposureAdvice(verdict="over", stops=stops, reason=reason)
    return _within_usual(net_shadow, (low, high), f"{shown}; {wanted}.", stops)


def _within_usual(net_shadow: Quantity, reach: tuple[float, float], plain: str, stops: Quantity) -> ExposureAdvice:
    """Return the verdict on a shadow that is usual, or may be: near a limit that is said, of a limit nothing."""
    border = reach[0] < SPEED_POINT or reach[1] > FULLEST_SHADOW
    if border and net_shadow.limit is not None:
        return _not_judged(f"{_shown(net_shadow)}, which the calibration does not tell more closely")
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
    return _not_judged("It is no negative")


def unexposed_sheet() -> ExposureAdvice:
    """Return what is said of the exposure of a sheet that the person calls unexposed."""
    return _not_judged("The sheet is unexposed")


def _stops_in_words(stops: Quantity) -> str:
    size = abs(stops.value)
    return f"{size:.1f} stop" if round(size, 1) == 1.0 else f"{size:.1f} stops"


def _stops_from_normal(net_shadow: Quantity) -> tuple[Quantity, bool]:
    """Return the stops against a normal exposure, and whether they are only a limit."""
    doubt = net_shadow.uncertainty or 0.0
    if net_shadow.limit == "at most" or net_shadow.value - doubt <= FOOT:
        limit = log_exposure_above_speed_point(max(net_shadow.value + doubt, 2.0 * FOOT))
        return Quantity(limit / LOG_EXPOSURE_PER_STOP - SHADOW_AIM_STOPS, None), True
    at = net_shadow.value
    here = log_exposure_above_speed_point(at)
    step = 0.25 * (at - FOOT)
    slope = (log_exposure_above_speed_point(at + step) - log_exposure_above_speed_point(at - step)) / (2.0 * step)
    by_gradient = 0.5 * (
        log_exposure_above_speed_point(at, gradient=TYPICAL_GRADIENT * (1.0 + TYPICAL_GRADIENT_DOUBT))
        - log_exposure_above_speed_point(at, gradient=TYPICAL_GRADIENT * (1.0 - TYPICAL_GRADIENT_DOUBT))
    )
    parts = net_shadow.scaled(slope / LOG_EXPOSURE_PER_STOP).parts
    stops = Quantity(here / LOG_EXPOSURE_PER_STOP - SHADOW_AIM_STOPS, parts)
    stops = stops.with_part(Influence("film curve"), by_gradient / LOG_EXPOSURE_PER_STOP)
    return stops.with_part(Influence("subject"), SHADOW_AIM_DOUBT_STOPS), False


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
    return _not_judged("Base plus fog is not known, so the shadow cannot be told from fog")


def _not_judged(why: str) -> ExposureAdvice:
    """Return the verdict `normal` with a warning that it is not one."""
    sentence = f"{why}: the exposure is not judged."
    warning = Warning_(code="exposure-not-judged", message=sentence)
    return ExposureAdvice(verdict="normal", stops=None, reason=sentence, warnings=(warning,))


def range_on_film(scene_stops: float | None = None) -> Quantity:
    """Return the range of log exposure that a subject leaves on the film.

    Parameters
    ----------
    scene_stops
        Luminance range of the subject in stops, between 1 and 20; None for an average subject.

    Returns
    -------
    Quantity
        log10 exposure. Flare is an even veil over the picture: it costs a contrasty subject more than a flat one. The
        veil is the one that shortens the average subject by 0.35.

    Raises
    ------
    WrongUseError
        If `scene_stops` is not a subject's range.
    """
    if scene_stops is not None and not FEWEST_SCENE_STOPS <= scene_stops <= MOST_SCENE_STOPS:
        raise WrongUseError(
            f"--scene-stops {scene_stops:g} is no subject's range; give {FEWEST_SCENE_STOPS:g} to {MOST_SCENE_STOPS:g} "
            "stops from the deepest shadow to the lightest part that shall have detail."
        )
    stops = AVERAGE_SUBJECT_STOPS if scene_stops is None else scene_stops
    subject = LOG_EXPOSURE_PER_STOP * stops
    veil = 0.5 * (
        _veiled(subject, AVERAGE_FLARE_LOSS - AVERAGE_FLARE_LOSS_DOUBT)
        - _veiled(subject, AVERAGE_FLARE_LOSS + AVERAGE_FLARE_LOSS_DOUBT)
    )
    parts = {Influence("camera flare"): veil, Influence("shadow choice"): SHADOW_CHOICE_DOUBT}
    if scene_stops is None:
        parts[Influence("subject")] = UNKNOWN_SUBJECT_DOUBT
    else:
        more, less = _veiled(subject + 0.05, AVERAGE_FLARE_LOSS), _veiled(subject - 0.05, AVERAGE_FLARE_LOSS)
        parts[Influence("subject")] = METERED_SUBJECT_DOUBT * (more - less) / 0.10
    return Quantity(_veiled(subject, AVERAGE_FLARE_LOSS), parts)


def veil_of(average_loss: float) -> float:
    """Return the veil of flare, against the brightest part, that shortens the average subject by this log exposure."""
    average = LOG_EXPOSURE_PER_STOP * AVERAGE_SUBJECT_STOPS
    return float((1.0 - 10.0**-average_loss) / (10.0 ** (average - average_loss) - 1.0))


def _veiled(subject: float, average_loss: float) -> float:
    """Return a log range under the veil of flare that shortens the average subject by `average_loss`."""
    veil = veil_of(average_loss)
    return math.log10((1.0 + veil) / (10.0**-subject + veil))


def development_advice(
    *,
    density_range: Quantity | None,
    target_range: Quantity,
    scene_stops: float | None = None,
    exposure: ExposureAdvice | None = None,
    range_is_limit: bool = False,
) -> DevelopmentAdvice:
    """Judge the development by the contrast of the frame.

    Parameters
    ----------
    density_range
        Of the frame, no unit; None where it could not be read.
    target_range
        Density range that prints an average subject on the paper aimed at.
    scene_stops
        Luminance range of the subject photographed, in stops; None: unknown, taken as average.
    exposure
        The verdict on the same frame: shadows lost in the toe shorten the range whatever the development.
    range_is_limit
        True where the highlight lies beyond the calibration or is clipped: the range is then at least this.
    """
    average = range_on_film()
    target = target_range.value / average.value
    if density_range is None:
        reason = "No density range of a picture could be read, so the development is not judged."
        return _kept(None, target, reason, None)
    subject = range_on_film(scene_stops)
    contrast = _quotient(density_range, subject)
    if contrast.value <= 0.0:
        return _kept(contrast, target, "The frame has no density range, so the development is not judged.", None)
    change = math.log(target / contrast.value)
    shown = _contrast_in_words(density_range, scene_stops, contrast, target)
    blocked = _why_not_more(exposure, range_is_limit) if change > 0.0 else None
    if blocked is not None:
        return _kept(contrast, target, f"{shown}, but {blocked}.", None)
    share = UNKNOWN_SUBJECT_SHARE if scene_stops is None else 1.0
    factor = math.exp(TIME_POWER * change * share)
    beyond = _beyond_change(change, share, contrast, target_range)
    by_reading = 2.0 * _own(density_range) / density_range.value
    if beyond <= by_reading:
        border = beyond > -by_reading
        small = abs(TIME_POWER * change) <= math.log1p(SMALLEST_STEP)
        why = "" if small else f", as {_why_kept(scene_stops)}"
        reason = _nearly_changed(shown, change) if border else f"{shown}: keep the time{why}."
        return _kept(contrast, target, reason, _factor(1.0, contrast, target_range, change), borderline=border)
    held = min(max(factor, 1.0 - share * LARGEST_STEP), 1.0 + share * LARGEST_STEP)
    return DevelopmentAdvice(
        verdict="more" if change > 0.0 else "less",
        contrast=contrast,
        target_contrast=target,
        time_factor=_factor(held, contrast, target_range, change),
        reason=f"{shown}; {_change_in_words(held, scene_stops, limited=held != factor)}",
    )


def _beyond_change(change: float, share: float, contrast: Quantity, target_range: Quantity) -> float:
    """Return by how much a change of contrast, natural log, is more than is needed to act on it; minus where less.

    It must be more than contrast and aim are uncertain by, and ask for a change of time that is worth making.
    """
    told_apart = 2.0 * math.hypot(_relative(contrast), _relative(target_range))
    worth = math.log1p(SMALLEST_STEP) / (TIME_POWER * share)
    return abs(change) - max(told_apart, worth)


def _nearly_changed(shown: str, change: float) -> str:
    """Return the words for a contrast that another reading of the same frame may call too low or too high."""
    way = "longer" if change > 0.0 else "shorter"
    return f"{shown}. Just on the border of developing {way}: keep the time, and see what the next negatives say."


_OWN_KINDS: Final = ("patch noise", "specks", "frame edge", "drift")
"""Influences that another reading of the same negative has anew; the calibration's stay as they are."""
_LEAST_OWN: Final = 0.002
"""Density by which two scans of film that was not moved differ at least (seen: 0.0001 to 0.003)."""


def _own(quantity: Quantity) -> float:
    """Return the standard uncertainty that another reading of the same negative by the same calibration would show."""
    budget = quantity.budget()
    return math.hypot(_LEAST_OWN, *(budget.get(kind, 0.0) for kind in _OWN_KINDS))


def _relative(quantity: Quantity) -> float:
    """Return the relative standard uncertainty, 0 where none is known."""
    return (quantity.standard_uncertainty or 0.0) / quantity.value


def _factor(held: float, contrast: Quantity, target_range: Quantity, change: float) -> Quantity:
    """Return the factor advised with the doubt of the factor needed: time goes as contrast to the power 1.8."""
    if contrast.limit is not None:
        # the contrast is higher, so that the time to aim at is shorter
        return Quantity.at_most(held) if contrast.limit == "at least" else Quantity.at_least(held)
    parts = {key: -held * TIME_POWER * part / contrast.value for key, part in (contrast.parts or {}).items()}
    parts[Influence("target")] = held * TIME_POWER * _relative(target_range)
    parts[Influence("time for contrast")] = held * change * TIME_POWER_DOUBT
    return Quantity(held, parts)


def _quotient(density_range: Quantity, subject: Quantity) -> Quantity:
    """Return contrast = density range / range on the film with both doubts (JCGM 100:2008, 5.1.2)."""
    value = density_range.value / subject.value
    if density_range.parts is None:
        return Quantity(value, None, density_range.limit)
    parts = {key: part / subject.value for key, part in density_range.parts.items()}
    parts.update({key: -value * part / subject.value for key, part in (subject.parts or {}).items()})
    return Quantity(value, parts)


def _limit(quantity: Quantity) -> str:
    return "" if quantity.limit is None else f"{quantity.limit} "


def _contrast_in_words(density_range: Quantity, scene_stops: float | None, contrast: Quantity, target: float) -> str:
    if scene_stops is None:
        subject = "an average subject, as none was stated,"
    else:
        subject = f"a subject of {scene_stops:g} stops"
    return (
        f"A range of {_limit(density_range)}{density_range.value:.2f} from {subject} is a contrast of "
        f"{_limit(contrast)}{contrast.value:.2f}; "
        f"{target:.2f} is the aim"
    )


def _why_not_more(exposure: ExposureAdvice | None, range_is_limit: bool) -> str | None:
    """Return why a range that looks short is no reason to develop longer, or None."""
    if exposure is not None and exposure.verdict == "under":
        return "shadows lost for lack of exposure shorten the range too, so mend the exposure first"
    if range_is_limit:
        return "the highlight lies beyond what the calibration covers, so the true range is longer"
    return None


def _why_kept(scene_stops: float | None) -> str:
    if scene_stops is None:
        return "the subject alone may make that difference (--scene-stops tells it)"
    return "the difference is within the doubt or too small to act on"


def _kept(
    contrast: Quantity | None, target: float, reason: str, factor: Quantity | None, *, borderline: bool = False
) -> DevelopmentAdvice:
    """Return the verdict `keep`; without a factor it is no verdict, and a warning says so."""
    return DevelopmentAdvice(
        verdict="keep",
        contrast=contrast,
        target_contrast=target,
        time_factor=factor,
        borderline=borderline,
        reason=reason,
        warnings=() if factor else (Warning_(code="development-not-judged", message=reason),),
    )


def _change_in_words(factor: float, scene_stops: float | None, *, limited: bool) -> str:
    direction = "longer" if factor > 1.0 else "shorter"
    words = [f"common practice then develops {100.0 * abs(factor - 1.0):.0f} % {direction}"]
    if scene_stops is None:
        words.append("half as much as the difference asks for, since the subject may make it (--scene-stops tells it)")
    if limited:
        words.append("and no more in one step")
    if factor < 1.0:
        words.append("but not below 5 minutes, where films develop unevenly")
    return ", ".join(words) + "; provisional."
