"""A family of film tests, long exposures and a pinhole's exposure: pages (80 columns) and documents (JSON)."""

from __future__ import annotations

from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.exposure_index import exposure_words
from densiscan.development.family import Family
from densiscan.files.serialise import Layout, as_document, plain
from densiscan.film.reciprocity import TABLE_S, PinholeExposure, Reciprocity, shorter_development
from densiscan.report.advice import development_name
from densiscan.report.readings import density_text, paragraph, time_text

FAMILY_FORMAT: Final = "densiscan.family/1"
RECIPROCITY_FORMAT: Final = "densiscan.reciprocity/1"
PINHOLE_FORMAT: Final = "densiscan.pinhole/1"
_LAYOUT: Final[Layout] = {
    "Family": "measure developments law.contrast_limit law.rate_per_s law.wait_s target_contrast=target table "
    "speed_tested warnings",
    "Family.measure": lambda family: family.measure.replace(" ", "_"),
    "Family.developments": lambda family: [
        {"name": member.name, **plain(point)} for member, point in zip(family.members, family.contrasts, strict=True)
    ],
    "Family.law.wait_s": lambda family: family.law.wait_s if family.wait_fitted else None,
    "FamilyRow": "contrast_stops scene_stops contrast speed_stops time_s note",
    "FamilyRow.note": lambda row: row.note or None,
}
_CAUTION: Final = (
    "Developers: gloves, fresh air, no food near them; mind the maker's safety data sheet and local rules for waste "
    "(docs/cautions.md)."
)


def family_text(family: Family, *, name: str) -> str:
    """Return a family as a page."""
    first = family.contrasts[0]
    lines = [
        paragraph(f"Contrast against time: {name}", indent=0),
        "",
        paragraph(f"{first.temperature_c:g} C, use {first.use} of the developer; contrast is the {family.measure}."),
        "",
        "      time   contrast        by the law   curve",
    ]
    for member, point in zip(family.members, family.contrasts, strict=True):
        law = family.contrast_at(member.time_s)
        shown = f"  {time_text(member.time_s):>8}   {density_text(point.contrast):<13}   {law.value:<10.2f}"
        lines.append(f"{shown}   {member.name}"[:79])
    wait = f", after a wait of {time_text(family.law.wait_s)}" if family.law.wait_s >= 0.5 else ""
    lines += [
        "",
        paragraph(
            f"G = {family.law.contrast_limit:.2f} (1 - exp(-t / {time_text(1.0 / family.law.rate_per_s)})){wait}",
            label="law",
        ),
        "",
        "       stops  contrast  exposure       time",
    ]
    for row in family.table:
        shown = f"  {development_name(row.contrast_stops):<3}  {row.scene_stops:5.1f}  {row.contrast:8.2f}"
        lines.append(f"{shown}  {exposure_words(row.speed_stops):<13}  {_time(row.time_s, row.note)}"[:79])
    by = "the speed points of these curves" if family.speed_tested else "common practice, a third of a stop each"
    lines += ["", paragraph(f"N is for an average subject, N-1 for one that is a stop longer; exposure by {by}.")]
    warning_lines = [paragraph(f"! {warning.message}") for warning in family.warnings]
    return "\n".join([*lines, "", *warning_lines, paragraph(_CAUTION)])


def _time(time: Quantity | None, note: str) -> str:
    if time is None:
        return f"not told: {note}"
    shown = f"{time_text(time.value)} ± {time_text(time.uncertainty or 0.0)}"
    return f"{shown}  ({note})" if note else shown


def family_document(family: Family, *, film: str | None, developer: str | None) -> dict[str, Any]:
    """Return a family as plain JSON values; kept as a film test, it teaches the advice contrast against time."""
    return as_document(family, _LAYOUT, format=FAMILY_FORMAT, film=film, developer=developer)


def seconds_text(seconds: float) -> str:
    """Return a time of exposure: 1/30, 1.5 s, 12 s, 8:30."""
    if seconds < 0.3:
        return f"1/{round(1.0 / seconds)} s"
    if seconds < 10.0:
        return f"{seconds:.1f} s"
    return f"{seconds:.0f} s" if seconds < 60.0 else time_text(seconds)


def corrected_text(time: Quantity) -> str:
    """Return a time to give with its uncertainty, or the times between which most films lie."""
    if time.interval is not None:
        low, high = (0.0 if end is None else end for end in time.interval)
        return f"{seconds_text(time.value)}, {seconds_text(low)} to {seconds_text(high)}"
    doubt = time.uncertainty or 0.0
    shown = f"{doubt:.1f} s" if doubt < 0.3 else seconds_text(doubt)
    return f"{seconds_text(time.value)} ± {shown}" if doubt >= 0.05 else seconds_text(time.value)


def rests_on(reciprocity: Reciprocity) -> str:
    """Return what a correction for long exposures rests on."""
    if reciprocity.exposures:
        beyond = f"; beyond {seconds_text(reciprocity.longest_s or 0.0)} the table goes on by the same law"
        return f"your {reciprocity.exposures} exposures{beyond}"
    return (
        "other films, not yours; yours may lie anywhere between the two times. If in doubt give the longer: too "
        "much exposure costs less than too little. A series of your own settles it"
    )


def _exponent_words(reciprocity: Reciprocity) -> str:
    low, high = reciprocity.exponent.interval or (None, None)
    if low is None or high is None:
        return density_text(reciprocity.exponent)
    return f"{reciprocity.exponent.value:.2f}, {low:.2f} to {high:.2f}"


def _shorter_words(metered_s: float) -> str:
    part = shorter_development(metered_s)
    return f"{100.0 * part:.0f} % shorter" if part else "as usual"


def reciprocity_text(reciprocity: Reciprocity, metered: tuple[float, ...] = ()) -> str:
    """Return the exponent and the table of corrected times."""
    lines = [
        paragraph("Long exposures", indent=0),
        "",
        paragraph(f"{_exponent_words(reciprocity)}; corrected time = metered ^ (1 / p)", label="exponent p"),
        paragraph(rests_on(reciprocity), label="based on"),
        "",
        "   metered      give                        develop",
    ]
    lines += [
        f"  {seconds_text(time):>8}      {corrected_text(reciprocity.corrected(time)):<26}  {_shorter_words(time)}"
        for time in metered or TABLE_S
    ]
    lines += [
        "",
        paragraph(
            "The effect begins at about 1 s, on some films at half a second, on others at ten. Long exposures also "
            "gain contrast: hence the shorter development (common practice)."
        ),
    ]
    return "\n".join(lines)


def reciprocity_document(reciprocity: Reciprocity, metered: tuple[float, ...] = ()) -> dict[str, Any]:
    """Return the exponent and the table as plain JSON values."""
    return {
        "format": RECIPROCITY_FORMAT,
        "exponent": plain(reciprocity.exponent),
        "exposures": reciprocity.exposures,
        "published": reciprocity.exposures == 0,
        "longest_s": reciprocity.longest_s,
        "table": [
            {
                "metered_s": time,
                "time_s": plain(reciprocity.corrected(time)),
                "shorter_development": shorter_development(time),
            }
            for time in metered or TABLE_S
        ],
        "warnings": [],
    }


def pinhole_text(exposure: PinholeExposure, reciprocity: Reciprocity) -> str:
    """Return the exposure of a pinhole camera as a page."""
    lines = [
        paragraph("Pinhole", indent=0),
        "",
        paragraph(f"f/{exposure.f_number:.0f}", label="aperture"),
        paragraph(seconds_text(exposure.metered_s), label="by the meter"),
        paragraph(corrected_text(exposure.corrected_s), label="give"),
        paragraph(_shorter_words(exposure.metered_s), label="develop"),
        paragraph(f"{_exponent_words(reciprocity)}, from {rests_on(reciprocity)}.", label="exponent p"),
        paragraph(f"{exposure.best_diameter_mm:.2f} mm is the sharpest hole at this distance", label="diameter"),
        paragraph(
            f"a stop less {exposure.stop_less_mm:.0f} mm from the middle of the film (33 degrees off the axis)",
            label="corners",
        ),
    ]
    return "\n".join(lines)


def pinhole_document(exposure: PinholeExposure, reciprocity: Reciprocity) -> dict[str, Any]:
    """Return the exposure of a pinhole camera as plain JSON values."""
    return {
        "format": PINHOLE_FORMAT,
        "f_number": exposure.f_number,
        "metered_s": exposure.metered_s,
        "time_s": plain(exposure.corrected_s),
        "shorter_development": shorter_development(exposure.metered_s),
        "best_diameter_mm": exposure.best_diameter_mm,
        "stop_less_mm": exposure.stop_less_mm,
        "exponent": plain(reciprocity.exponent),
        "published": reciprocity.exposures == 0,
        "warnings": [],
    }
