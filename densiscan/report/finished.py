"""A finished print as a person reads it, and as a program does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.units import STOP
from densiscan.files.serialise import Layout, as_document
from densiscan.paper.finished import Against, Judgement, PrintReading
from densiscan.paper.tested_range import PaperTest
from densiscan.report.paper import label_line, seconds_text, sentence, warning_lines
from densiscan.report.readings import density_text

FORMAT: Final = "densiscan.finished/1"
_LAYOUT: Final[Layout] = {
    "FinishedSheet": "file=reading.file seen=reading.seen frame_mm=reading.frame_mm white=reading.white "
    "black=reading.black tonal_range=reading.tonal_range rebate=reading.rebate paper=test judgement "
    "warnings=reading.warnings",
    "PaperTest": "name=circumstances.name range=iso_range grade base_plus_fog maximum_black",
    "Judgement": "highlights shadows bare_share black_share bare_share_between=bare_between "
    "black_share_between=black_between contrast exposure_stops at_least rebate_stops negative=against",
    "Against": "black_below white_above lost_shadow_stops lost_highlight_stops from_exposure=given",
}
_NO_PRINT: Final = "seen-negative"
_HIGHLIGHTS: Final = {
    "blank": "blank: bare paper without a tone",
    "right": "right: just off bare paper",
    "gray": "gray: the lightest part is not white",
}
_SHADOWS: Final = {
    "blocked": "blocked: black without a tone",
    "right": "right: as black as they should be",
    "weak": "weak: the darkest part is not black",
}
_CONTRAST: Final = {"harder": "one grade harder", "keep": "the same grade", "softer": "one grade softer"}


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedSheet:
    """All that is said of one print; test and judgement None where its paper was not named."""

    reading: PrintReading
    test: PaperTest | None = None
    judgement: Judgement | None = None
    seconds: float | None = None


def finished_text(sheet: FinishedSheet) -> str:
    """Return the page of one print."""
    reading, test = sheet.reading, sheet.test
    left, top, width, height = reading.frame_mm
    how = "found" if reading.found else "given"
    box = f"picture {left:.1f},{top:.1f} mm, {width:.1f} x {height:.1f} mm ({how})"
    first = [warning for warning in reading.warnings if warning.code == _NO_PRINT]
    lines = [f"Print {reading.file}", *(sentence(f"! {warning.message}") for warning in first), sentence(box), ""]
    limits = (None, None) if test is None else (test.base_plus_fog, test.maximum_black)
    for label, tone, limit in (("white", reading.white, limits[0]), ("black", reading.black, limits[1])):
        beside = "" if limit is None else f"   (the paper: {density_text(limit)})"
        lines.append(label_line(label, density_text(tone) + beside))
    beside = ""
    if limits[0] is not None and limits[1] is not None:
        beside = f"   (the paper: {density_text(limits[1] - limits[0])})"
    lines.append(label_line("tonal range", density_text(reading.tonal_range) + beside))
    if reading.rebate is not None:
        lines.append(label_line("clear rebate", f"prints as {density_text(reading.rebate)}"))
    if sheet.judgement is not None:
        lines += ["", *_judgement_lines(sheet.judgement, sheet.seconds)]
    return "\n".join([*lines, *warning_lines(tuple(warning for warning in reading.warnings if warning not in first))])


def _judgement_lines(judgement: Judgement, seconds: float | None) -> list[str]:
    bare, black = _share_text(judgement.bare_between), _share_text(judgement.black_between)
    lines = [
        label_line("highlights", f"{_HIGHLIGHTS[judgement.highlights]} ({bare} % of the area is bare)"),
        label_line("shadows", f"{_SHADOWS[judgement.shadows]} ({black} % of the area is full black)"),
    ]
    if judgement.against is not None:
        lines.append(label_line("negative", _against_words(judgement.against)))
    lines.append(label_line("next", _next_words(judgement, seconds)))
    if judgement.rebate_stops is not None:
        lines.append(label_line("rebate", _rebate_words(judgement.rebate_stops, seconds)))
    return lines


def _share_text(between: tuple[float, float]) -> str:
    least, most = (f"{100.0 * share:.0f}" for share in between)
    return least if least == most else f"{least} to {most}"


def _against_words(against: Against) -> str:
    below, above = max(against.black_below.value, 0.0), against.white_above.value
    how = "" if against.given else " (from the tones of the print)"
    lost = [
        f"{stops:.1f} {'stop' if stops < 1.05 else 'stops'} of {name} detail"
        for stops, name in (
            (against.lost_shadow_stops, "shadow"),
            (against.lost_highlight_stops, "highlight"),
        )
        if stops >= 0.05
    ]
    fell = f"{' and '.join(lost)} lost" if lost else "nothing lost"
    return f"densities below {below:.2f} print as full black, above {above:.2f} as bare paper{how}: {fell}"


def _next_words(judgement: Judgement, seconds: float | None) -> str:
    words = _CONTRAST[judgement.contrast]
    stops = judgement.exposure_stops
    if stops is None:
        return f"{words}; the tones do not show the exposure: give --exposure and the negative, or make a test strip"
    if stops == 0.0:
        return f"{words}, the same exposure"
    least = "at least " if judgement.at_least else ""
    way = "more" if stops > 0.0 else "less"
    after = "" if seconds is None else f" ({seconds_text(seconds * 10.0 ** (STOP * stops))})"
    return f"{words}, {least}{abs(stops):.1f} stops {way} exposure{after}"


def _rebate_words(stops: float, seconds: float | None) -> str:
    if stops <= 0.0:
        return "full black already: the standard exposure is this one or shorter"
    after = "" if seconds is None else f": {seconds_text(seconds * 10.0 ** (STOP * stops))}"
    return f"full black takes {stops:.1f} stops more, the standard exposure of this paper and film{after}"


def finished_document(sheet: FinishedSheet) -> dict[str, Any]:
    """Return one print as plain JSON values."""
    return as_document(sheet, _LAYOUT, format=FORMAT)
