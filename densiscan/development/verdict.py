"""First advice on exposure and development from the readings of one frame.

With no runs logged everything here rests on common practice: it moves in small bounded steps, says what it rests on,
and is provisional. Formulas and sources: notes 9 and 10 of docs/method.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.development.exposure import LOG_EXPOSURE_PER_STOP, ExposureAdvice
from densiscan.errors import WrongUseError

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

DevelopmentVerdict = Literal["more", "keep", "less"]


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
            f"`scene_stops` {scene_stops:g} is not a valid subject range; give {FEWEST_SCENE_STOPS:g} to "
            f"{MOST_SCENE_STOPS:g} stops, from the deepest shadow to the lightest part that should hold detail."
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
    shown = _contrast_in_words(scene_stops, contrast, target)
    blocked = _why_not_more(exposure, range_is_limit) if change > 0.0 else None
    if blocked is not None:
        return _kept(contrast, target, f"{shown}: {blocked}.", None)
    share = UNKNOWN_SUBJECT_SHARE if scene_stops is None else 1.0
    factor = math.exp(TIME_POWER * change * share)
    beyond = _beyond_change(change, share, contrast, target_range)
    by_reading = 2.0 * _own(density_range) / density_range.value
    if beyond <= by_reading:
        border = beyond > -by_reading
        small = abs(TIME_POWER * change) <= math.log1p(SMALLEST_STEP)
        why = "" if small else f". {_why_kept(scene_stops)}"
        reason = _nearly_changed(shown, change) if border else f"{shown}: keep the same time{why}."
        return _kept(contrast, target, reason, _factor(1.0, contrast, target_range, change), borderline=border)
    held = min(max(factor, 1.0 - share * LARGEST_STEP), 1.0 + share * LARGEST_STEP)
    return DevelopmentAdvice(
        verdict="more" if change > 0.0 else "less",
        contrast=contrast,
        target_contrast=target,
        time_factor=_factor(held, contrast, target_range, change),
        reason=f"{shown}. {_change_in_words(held, scene_stops, limited=held != factor)}",
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
    return f"{shown}. Just on the border of developing {way}: keep the same time, and see what the next negatives show."


_OWN_KINDS: Final = ("patch noise", "specks", "frame edge", "tone gap", "drift")
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


def _contrast_in_words(scene_stops: float | None, contrast: Quantity, target: float) -> str:
    subject = "assuming an average subject" if scene_stops is None else f"from a subject of {scene_stops:g} stops"
    return f"Contrast {_limit(contrast)}{contrast.value:.2f} (aim {target:.2f}), {subject}"


def _why_not_more(exposure: ExposureAdvice | None, range_is_limit: bool) -> str | None:
    """Return why a range that looks short is no reason to develop longer, or None."""
    if exposure is not None and exposure.verdict == "under":
        return "lost shadows shorten the range too; put the exposure right first"
    if range_is_limit:
        return "the highlight is denser than the calibration reaches, so the true range is longer"
    return None


def _why_kept(scene_stops: float | None) -> str:
    if scene_stops is None:
        return "The subject alone may explain the difference. Meter it and add --scene-stops"
    return "The difference is too small to matter"


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
        warnings=() if factor is not None else (Warning_(code="development-not-judged", message=reason),),
    )


def _change_in_words(factor: float, scene_stops: float | None, *, limited: bool) -> str:
    direction = "longer" if factor > 1.0 else "shorter"
    words = [f"Try {100.0 * abs(factor - 1.0):.0f} % {direction}."]
    if limited:
        words.append("That is the most to change in one step.")
    if scene_stops is None:
        subject = "flat" if factor > 1.0 else "contrasty"
        size = "At most" if limited else "That is"
        words.append(f"{size} half the full correction, because the subject may simply have been {subject}.")
        words.append("Meter it and add --scene-stops for a firmer answer.")
    else:
        words.append("Provisional: common practice, not your own runs.")
    if factor < 1.0:
        words.append("Stay at 5 minutes or more: shorter times develop unevenly.")
    return " ".join(words)
