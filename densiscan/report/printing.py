"""What the command print says: paper, exposure, losses, test strip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.files.serialise import Layout, as_document, plain
from densiscan.paper.exposure import (
    VOICE_SCATTER,
    Change,
    CountedByVoice,
    ExposureStrip,
    NegativeEnds,
    PaperFit,
    Printing,
    filter_step,
    needed_by_process,
    needed_range,
)
from densiscan.paper.grade import grade_for
from densiscan.report.paper import (
    HELD,
    counted_text,
    grade_words,
    label_line,
    range_text,
    seconds_text,
    sentence,
    warning_lines,
)
from densiscan.report.readings import density_text

FORMAT: Final = "densiscan.print/1"
_LIGHT: Final = {"contact": "a contact print", "diffusion": "diffuse light", "condenser": "condenser light"}
_MOST_PAPERS: Final = 3
"""Papers that are told of at length, the best first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintSheet:
    """All that is said of one negative: papers, the best first, and the change from a print that came out right."""

    negative: NegativeEnds
    printing: Printing
    fits: tuple[PaperFit, ...] = ()
    change: Change | None = None


def print_text(sheets: Sequence[PrintSheet]) -> str:
    """Return what is to be said of every negative."""
    return "\n\n".join(_sheet_text(sheet) for sheet in sheets)


def _sheet_text(sheet: PrintSheet) -> str:
    negative = sheet.negative
    lines = [f"Negative {negative.name}", ""]
    for label, density in (("shadow", negative.shadow), ("highlight", negative.highlight)):
        if density is not None:
            lines.append(label_line(label, density_text(density)))
    if negative.density_range is not None:
        lines.append(label_line("density range", density_text(negative.density_range)))
    lines += [label_line("paper", _needs(sheet)), *_other_light(sheet), *warning_lines(negative.warnings)]
    for fit in sheet.fits[:_MOST_PAPERS]:
        lines += ["", *_fit_lines(fit, with_strip=sheet.change is None or sheet.change.strip is None)]
    rest = [f"{fit.name} (R {range_text(fit.iso_range)})" for fit in sheet.fits[_MOST_PAPERS:]]
    if rest:
        lines += ["", sentence(f"Other papers fit less: {', '.join(rest)}.")]
    if sheet.change is not None:
        lines += ["", *_change_lines(sheet.change)]
    return "\n".join(lines)


def _needs(sheet: PrintSheet) -> str:
    needed = needed_range(sheet.negative, sheet.printing)
    light = _LIGHT[sheet.printing.process]
    if sheet.printing.process == "condenser":
        light = f"{light} (silver looks {sheet.printing.factor.value:g} times as dense)"
    if needed is None:
        return f"for {light}: give both --shadow and --highlight to know the range"
    step = filter_step(needed.value)
    marked = "" if step is None else f"; with filters, step {step:g}"
    return f"for {light} a range R of {range_text(needed)}: {grade_words(grade_for(needed.value / 100.0))}{marked}"


def _other_light(sheet: PrintSheet) -> list[str]:
    """Return what the negative would need in the other kinds of light; contact and diffuse light need the same."""
    alike = {"contact", "diffusion"}
    own = sheet.printing.process
    sentences = [
        f"{_LIGHT[process]} R {needed.value:.0f}, {grade_words(grade_for(needed.value / 100.0))}"
        for process, needed in needed_by_process(sheet.negative, sheet.printing).items()
        if process != own
        and not (own in alike and process in alike)
        and not (own not in alike and process == "contact")
    ]
    return [label_line("", f"({'; '.join(sentences)})")] if sentences else []


def _fit_lines(fit: PaperFit, *, with_strip: bool) -> list[str]:
    """Return what a paper does; without a test strip where a print before gives a better one."""
    name = f"Paper {fit.name}" if fit.name else "Paper of that range"
    known = fit.iso_range.uncertainty is not None or fit.iso_range.limit is not None
    has = range_text(fit.iso_range) if known else f"{fit.iso_range.value:.0f}"
    lines = [f"{name}: R {has}, {grade_words(fit.grade)}", ""]
    if fit.fit is None and fit.iso_range.limit is not None and fit.difference_stops is not None:
        lines.append(label_line("contrast", "not told: the paper's range is only a limit"))
    if fit.fit is not None:
        lines.append(label_line("contrast", _fit_words(fit)))
    lines += _time_lines(fit.shadow_time_s, fit.highlight_time_s)
    if fit.standard_time_s is not None:
        line = f"minimum time for maximum black: {_time_text(fit.standard_time_s)}"
        lines.append(label_line("clear rebate", line))
    if with_strip:
        lines += [*_strip_lines(fit.strip), *_counted_lines(fit.counted)]
    return [*lines, *warning_lines(fit.warnings)]


def _fit_words(fit: PaperFit) -> str:
    difference = fit.difference_stops
    if difference is None:
        return "not known"
    stops = abs(difference.value)
    doubt = "" if difference.uncertainty is None else f" ± {max(difference.uncertainty, 0.1):.1f}"
    if difference.limit is not None:
        return f"too soft: the print falls at least {stops:.1f} stops short. Take a harder paper."
    if fit.fit == "fits":
        return f"fits within {stops:.1f}{doubt} stops"
    if fit.fit == "too hard":
        return (
            f"too hard: {stops:.1f}{doubt} stops are lost. Exposed for the highlights they go from the shadows, which "
            "block; exposed for the shadows they go from the highlights, which stay blank. Take a softer paper."
        )
    return (
        f"too soft: the print falls {stops:.1f}{doubt} stops short. Exposed for the highlights its blacks stay gray; "
        "exposed for the shadows its whites turn gray. Take a harder paper."
    )


def _time_lines(shadow: Quantity | None, highlight: Quantity | None) -> list[str]:
    lines = []
    if highlight is not None:
        lines.append(label_line("highlights", f"{_time_text(highlight)} gives them their first tone"))
    if shadow is not None:
        lines.append(label_line("shadows", f"{_time_text(shadow)} makes them 90 % of the paper's black"))
    return lines


def _time_text(seconds: Quantity) -> str:
    doubt = seconds.uncertainty
    if seconds.limit is not None:
        return f"{seconds.limit} {seconds_text(seconds.value)}"
    if doubt is None:
        return seconds_text(seconds.value)
    if seconds.value >= 119.5:
        return f"{seconds_text(seconds.value)} ± {doubt:.0f}{HELD}s"
    digits = 1 if seconds.value < 9.95 else 0
    return f"{seconds.value:.{digits}f} ± {max(doubt, 10.0**-digits):.{digits}f}{HELD}s"


def _strip_lines(strip: ExposureStrip | None) -> list[str]:
    if strip is None:
        return []
    apart = "half a stop" if strip.step_stops > 0.4 else "a third of a stop"
    each = ", ".join(counted_text(one) for one in strip.seconds)
    first, *more = (counted_text(one) for one in strip.more)
    return [
        label_line("test strip", f"{each}: about {apart} apart"),
        label_line(
            "", f"expose the whole strip for {first}; then cover one more fifth before each of {', '.join(more)}"
        ),
    ]


def _counted_lines(counted: CountedByVoice | None) -> list[str]:
    if counted is None:
        return []
    low, high = (round(100.0 * part) for part in VOICE_SCATTER)
    words = (
        f"Counted by voice so short a time repeats to {low} to {high} % (common practice): middle tones scatter by "
        f"{counted.density[0]:.2f} to {counted.density[1]:.2f}. Dim the lamp to 1/{counted.dimmer}, and give "
        f"{counted.dimmer} times the time."
    )
    return [sentence(f"! {words}")]


def _change_lines(change: Change) -> list[str]:
    lines = ["From the print that came out right", ""]
    for label, factor in (("highlights", change.highlight), ("shadows", change.shadow)):
        if factor is not None:
            lines.append(label_line(label, f"{_factor_text(factor)} the exposure"))
    if change.size is not None:
        lines.append(label_line("size", f"{change.size:.2f} times, in these figures already"))
    if change.paper_highlight is not None and change.paper_shadow is not None:
        light, dark = change.paper_highlight.value, change.paper_shadow.value
        both = f"{light:.2f} times for the highlights, {dark:.2f} for the shadows, in these figures already"
        lines.append(label_line("paper", both))
    lines += _time_lines_plain(change)
    return [*lines, *_strip_lines(change.strip), *_counted_lines(change.counted)]


def _time_lines_plain(change: Change) -> list[str]:
    pairs = (("highlights", change.highlight_time_s), ("shadows", change.shadow_time_s))
    return [
        label_line("time", f"{_time_text(seconds)} for the {name}") for name, seconds in pairs if seconds is not None
    ]


def _factor_text(factor: Quantity) -> str:
    doubt = "" if factor.uncertainty is None or not factor.parts else f" ± {max(factor.uncertainty, 0.01):.2f}"
    return f"{factor.value:.2f}{doubt} times"


def print_document(sheets: Sequence[PrintSheet], failed: Sequence[dict[str, str]] = ()) -> dict[str, Any]:
    """Return everything as plain JSON values."""
    printing = sheets[0].printing if sheets else Printing()
    return as_document(printing, _LAYOUT, format=FORMAT) | {"negatives": plain(sheets, _LAYOUT), "failed": list(failed)}


def _in_each_light(sheet: PrintSheet) -> dict[str, object]:
    return {
        process: {"needed_range": needed, "grade": grade_for(needed.value / 100.0)}
        for process, needed in needed_by_process(sheet.negative, sheet.printing).items()
    }


def _grade(sheet: PrintSheet) -> str | None:
    needed = needed_range(sheet.negative, sheet.printing)
    return None if needed is None else grade_for(needed.value / 100.0)


def _filter_step(sheet: PrintSheet) -> float | None:
    needed = needed_range(sheet.negative, sheet.printing)
    return None if needed is None else filter_step(needed.value)


_LAYOUT: Final[Layout] = {
    "Printing": "process callier_factor=factor magnification",
    "PrintSheet": "name=negative.name shadow=negative.shadow highlight=negative.highlight "
    "density_range=negative.density_range base_plus_fog=negative.base_plus_fog needed_range grade filter_step "
    "by_process papers=fits change warnings=negative.warnings",
    "PrintSheet.needed_range": lambda sheet: needed_range(sheet.negative, sheet.printing),
    "PrintSheet.grade": _grade,
    "PrintSheet.filter_step": _filter_step,
    "PrintSheet.by_process": _in_each_light,
    "PaperFit": "name range=iso_range grade fit difference_stops shadow_time_s highlight_time_s standard_time_s strip "
    "counted_by_voice=counted warnings",
    "PaperFit.fit": lambda fit: None if fit.fit is None else fit.fit.replace(" ", "-"),
    "ExposureStrip": "step_stops seconds",
    "Change": "shadow highlight size paper_shadow paper_highlight shadow_time_s highlight_time_s strip "
    "counted_by_voice=counted",
}
