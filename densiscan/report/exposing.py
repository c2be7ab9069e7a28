"""From the meter to the shutter, as a person reads it."""

from __future__ import annotations

from typing import Any, Final

from densiscan.development.answered import SheetAnswer
from densiscan.files.serialise import Layout, as_document
from densiscan.film.exposing import CameraExposure, CameraSetting, Highlight, Metered
from densiscan.film.reciprocity import ONSET_S, Reciprocity
from densiscan.report.film_times import corrected_text, rests_on, seconds_text
from densiscan.report.readings import paragraph
from densiscan.report.zone_change import ZONES, zone_text

FORMAT: Final = "densiscan.exposure/1"
_NEAR_STOPS: Final = 0.15
"""Off by less than this is as metered: no meter and no shutter is surer."""


def half_zone_text(zone: float) -> str:
    """Return a zone to the nearest half as it is written: III, III 1/2; below 0 and above X as a number."""
    halves = round(2.0 * zone)
    if not 0 <= halves <= 2 * (len(ZONES) - 1):
        return f"{zone:.1f}"
    return ZONES[halves // 2] + (" 1/2" if halves % 2 else "")


_BY: Final = {"spot": "", "shadow": ", by the frame's shadow", "highlight": ", by the frame's highlight"}


def answer_text(answer: SheetAnswer) -> str:
    """Return what a negative answers to the exposure that was kept for it."""
    stops = answer.stops_over
    came = f"Sheet {answer.sheet}: metered on zone {zone_text(answer.zone)}, came out on"
    if stops.limit is not None:
        return paragraph(
            f"{came} zone {half_zone_text(answer.came_out.value)} or below{_BY[answer.by]}: at least "
            f"{max(-stops.value, 0.0):.1f} stops under.",
            indent=0,
        )
    doubt = "" if stops.uncertainty is None else f" ± {max(stops.uncertainty, 0.1):.1f}"
    side = "over" if stops.value > 0.0 else "under"
    off = "as metered" if abs(stops.value) < _NEAR_STOPS else f"{abs(stops.value):.1f}{doubt} stops {side}"
    return paragraph(f"{came} {half_zone_text(answer.came_out.value)}{_BY[answer.by]}: {off}.", indent=0)


def answer_document(answer: SheetAnswer) -> dict[str, Any]:
    """Return it as plain JSON values."""
    return as_document(answer, _LAYOUT)


def exposing_text(
    exposure: CameraExposure, metered: Metered, setting: CameraSetting, law: Reciprocity, *, told: tuple[str, ...] = ()
) -> str:
    """Return what to give first, then why.

    Parameters
    ----------
    told
        Further sentences: where the index comes from, the time to develop.
    """
    part = exposure.shorter_development
    develop = f" Develop {100.0 * part:.0f} % shorter." if part else ""
    lines = [
        paragraph(f"Give {corrected_text(exposure.time_s)} at f/{setting.f_number:g}.{develop}", indent=0),
        "",
        paragraph(
            f"{seconds_text(metered.seconds)} at f/{metered.f_number:g}, index {metered.index:g}", label="by the meter"
        ),
    ]
    words = {
        "film index": f"{setting.index:g}",
        "aperture": f"f/{setting.f_number:g}",
        "filter": f"factor {' x '.join(f'{factor:g}' for factor in setting.filter_factors)}",
        "bellows": f"image {setting.magnification or 0.0:.2g} times the subject's size",
        "zone": f"on zone {zone_text(setting.zone)}",
    }
    for one in exposure.changes:
        side = "more" if one.stops > 0.0 else "less"
        lines.append(paragraph(f"{words[one.what]}: {abs(one.stops):.1f} stops {side}", label=one.what))
    if exposure.changes:
        lines.append(paragraph(seconds_text(exposure.metered_s), label="in all"))
    if exposure.metered_s > ONSET_S:
        lines.append(paragraph(f"{rests_on(law)}.", label="long exposure"))
    if exposure.highlight is not None:
        lines.append(paragraph(_highlight_words(exposure.highlight), label="highlight"))
    return "\n".join([*lines, *(paragraph(words) for words in told)])


def _highlight_words(one: Highlight) -> str:
    falls = f"falls on zone {zone_text(one.falls_on)}"
    if abs(one.stops) < 0.25:
        return f"{falls}: develop as usual (N)"
    return (
        f"{falls}. For zone {zone_text(one.wanted)} develop N{one.stops:+.1f}, {one.contrast_factor:.2f} times the "
        "usual contrast; densiscan advise has the times"
    )


def exposing_document(
    exposure: CameraExposure, metered: Metered, setting: CameraSetting, law: Reciprocity, *, film: str | None = None
) -> dict[str, Any]:
    """Return everything as plain JSON values."""
    return as_document(exposure, _LAYOUT, format=FORMAT) | {
        "f_number": setting.f_number,
        "exposure_index": setting.index,
        "meter": {"time_s": metered.seconds, "f_number": metered.f_number, "exposure_index": metered.index},
        "zone": setting.zone,
        "film": film,
        "published": law.exposures == 0,
        "warnings": [],
    }


_LAYOUT: Final[Layout] = {
    "CameraExposure": "time_s metered_s shorter_development changes highlight",
    "StopsMore": "what stops",
    "Highlight": "falls_on wanted stops contrast_factor",
    "SheetAnswer": "name=sheet zone came_out stops_over by",
}
