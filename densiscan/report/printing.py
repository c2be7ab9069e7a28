"""What the command print says: paper, exposure, losses, test strip."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.files.serialise import Layout, as_document, plain
from densiscan.paper.drying import percent_off
from densiscan.paper.exposure import (
    VOICE_SCATTER,
    Change,
    CountedByVoice,
    ExposureStrip,
    PaperFit,
    Printing,
    filter_step,
    needed_by_process,
    needed_range,
)
from densiscan.paper.grade import grade_for
from densiscan.paper.places import PrintedPlace
from densiscan.paper.plan import PaperPlan, PlannedPrint, PrintSheet, Proof, SharedSheet, print_plan
from densiscan.paper.split import SplitGrade
from densiscan.report.paper import HELD, grade_words, label_line, range_text, seconds_text, sentence, warning_lines
from densiscan.report.readings import density_text

FORMAT: Final = "densiscan.print/1"
_LIGHT: Final = {"contact": "a contact print", "diffusion": "diffuse light", "condenser": "condenser light"}
_WIDEST_NAME: Final = 28
"""Letters of a negative's name that fit beside its time and strip."""
_RIGHT_STOPS: Final = 0.15
"""Off by less than this a frame is called right: a contact sheet shows no less (chosen by us)."""
_LEAST_PERCENT: Final = 0.5
"""A dry-down smaller than this is not worth a word."""
_MOST_PAPERS: Final = 3
"""Papers that are told of at length, the best first."""


def print_text(sheets: Sequence[PrintSheet]) -> str:
    """Return how to print: of one negative the answer and then the rest, of several the plan."""
    if len(sheets) > 1:
        return plan_text(print_plan(sheets))
    return "\n\n".join(_sheet_text(sheet) for sheet in sheets)


def _sheet_text(sheet: PrintSheet) -> str:
    negative = sheet.negative
    lines = [f"Negative {negative.name}", *_answer(sheet), ""]
    for label, density in (("shadow", negative.shadow), ("highlight", negative.highlight)):
        if density is not None:
            lines.append(label_line(label, density_text(density)))
    if negative.density_range is not None:
        lines.append(label_line("density range", density_text(negative.density_range)))
    lines += [label_line("paper", _needs(sheet)), *_other_light(sheet), *warning_lines(negative.warnings)]
    single = () if sheet.split is not None and sheet.split.soft_time_s is not None else sheet.fits
    for fit in single[:_MOST_PAPERS]:
        lines += ["", *_fit_lines(fit, with_strip=sheet.change is None or sheet.change.strip is None)]
    rest = [f"{fit.name} (R {range_text(fit.iso_range)})" for fit in single[_MOST_PAPERS:]]
    if rest:
        lines += ["", sentence(f"Other papers fit less: {', '.join(rest)}.")]
    if sheet.change is not None:
        lines += ["", *_change_lines(sheet.change)]
    if sheet.places:
        lines += ["", "Dodge and burn", "", *(_place_line(one, sheet) for one in sheet.places)]
    return "\n".join(lines)


def _place_line(one: PrintedPlace, sheet: PrintSheet) -> str:
    """Return what a place prints as, and what gives it the tone wanted."""
    tone = {"white": "bare paper", "black": "full black", None: density_text(one.print_density)}[one.end]
    words = f"prints as {tone}"
    if one.wanted is None or one.stops is None or one.seconds is None:
        return label_line(one.name, words)
    stops, more = abs(one.stops.value), seconds_text(abs(one.seconds.value))
    if stops < _RIGHT_STOPS:
        return label_line(one.name, f"{words}; {one.wanted:.2f} is wanted, which is as good as that")
    doubt = "" if one.stops.uncertainty is None else f" ± {max(one.stops.uncertainty, 0.1):.1f}"
    by = f"by {stops:.1f}{doubt} stops"
    if one.stops.value > 0.0:
        return label_line(one.name, f"{words}. For {one.wanted:.2f} burn it in {by}: {more} more")
    whole = print_plan([sheet])[0].prints[0].seconds
    of = "" if whole is None else f" of the {seconds_text(whole.value)}"
    return label_line(one.name, f"{words}. For {one.wanted:.2f} dodge it {by}: hold it back for {more}{of}")


def _answer(sheet: PrintSheet) -> list[str]:
    """Return what to give, in one sentence; nothing where no time is known."""
    (plan,) = print_plan([sheet])
    (one,) = plan.prints
    if one.split is not None:
        return ["", sentence(_split_words(one.split))]
    beyond = [] if sheet.split is None else ["", sentence(_split_words(sheet.split))]
    if one.seconds is None:
        return beyond
    words = f"Give {seconds_text(one.seconds.value)}{_on(plan)}."
    if one.fit in {"too hard", "too soft"}:
        words += f" {_lost(one)}."
    return [*beyond, "", sentence(f"{words} {_strip_words(one)}".strip())]


def _split_words(split: SplitGrade) -> str:
    """Return the two exposures in one sentence, or why there are not two."""
    if split.soft_time_s is not None and split.hard_time_s is not None:
        soft, hard = (_time_text(one) for one in (split.soft_time_s, split.hard_time_s))
        return f"Split grade: {soft} through {split.soft}, then {hard} through {split.hard}."
    if split.beyond is None or split.difference_stops is None:
        return "Split grade needs shadow and highlight of the negative, and tests that reach black and white."
    side = split.soft if split.beyond == "softer" else split.hard
    stops = abs(split.difference_stops.value)
    return f"No split: it needs {split.beyond} than {side} gives, by {stops:.1f} stops. Use that filter alone."


def _on(plan: PaperPlan) -> str:
    if plan.paper is None:
        return ""
    return f" on {plan.paper}" if plan.grade is None else f" on {plan.paper}, {grade_words(plan.grade)}"


def _strip_words(one: PlannedPrint) -> str:
    return "" if one.strip is None else f"Test strip: {_seconds_of_strip(one.strip)}."


def _seconds_of_strip(strip: ExposureStrip) -> str:
    return ", ".join(_counted_text(one) for one in strip.counted)


def _lost(one: PlannedPrint) -> str:
    """Return what a print loses on its paper, a few words."""
    difference = one.difference_stops
    if one.fit in {None, "fits"} or difference is None:
        return ""
    stops = f"{abs(difference.value):.1f} stops"
    return f"The paper is {one.fit} for it by {stops}"


def plan_text(plans: Sequence[PaperPlan]) -> str:
    """Return the plan of an evening's printing: by paper, the shortest time first, then what fits on one sheet."""
    return "\n\n".join(_paper_plan_text(plan) for plan in plans)


def _paper_plan_text(plan: PaperPlan) -> str:
    width = min(max(len(one.negative) for one in plan.prints), _WIDEST_NAME)
    lines = [plan_title(plan), ""]
    for number, one in enumerate(plan.prints, 1):
        name = one.negative if len(one.negative) <= width else f"{one.negative[: width - 3]}..."
        time = planned_time(one).replace(HELD, " ") or "-"
        lines.append(f"  {number:3}  {name:{width}}  {time:>6}   {plan_note(one)}".rstrip())
    sheets = [sentence(words) for words in sheet_sentences(plan)]
    return "\n".join([*lines, *([""] if sheets else []), *sheets])


def planned_time(one: PlannedPrint) -> str:
    """Return the time of a print, both where it is exposed through two filters; nothing where none is known."""
    if one.split is not None and one.split.soft_time_s is not None and one.split.hard_time_s is not None:
        first, then = (seconds_text(time.value) for time in (one.split.soft_time_s, one.split.hard_time_s))
        return f"{first} + {then}"
    return "" if one.seconds is None else seconds_text(one.seconds.value)


def plan_title(plan: PaperPlan) -> str:
    """Return what stands above the prints on one paper."""
    if plan.iso_range is None:
        split = next((one.split for one in plan.prints if one.split is not None), None)
        return "To print" if split is None else f"Split grade: {split.soft} first, then {split.hard}"
    known = plan.iso_range.uncertainty is not None or plan.iso_range.limit is not None
    has = range_text(plan.iso_range) if known else f"{plan.iso_range.value:.0f}"
    name = "Paper of that range" if plan.paper is None else f"On {plan.paper}"
    return f"{name}: R {has}, {grade_words(plan.grade)}"


def plan_note(one: PlannedPrint) -> str:
    """Return what stands beside a time: what the paper loses, and the strip."""
    lost = _lost(one).replace("The paper is ", "").replace(" for it by", " by")
    strip = "" if one.strip is None else f"strip {_seconds_of_strip(one.strip)}".replace(f"{HELD}s", "")
    return "; ".join(words for words in (lost, strip) if words)


def sheet_sentences(plan: PaperPlan) -> tuple[str, ...]:
    """Return which prints share a contact sheet, and what the proof is exposed for and shows."""
    shared = [sheet for sheet in plan.sheets if len(sheet.negatives) > 1]
    sentences = [_shared_words(sheet) for sheet in shared]
    if plan.proof is not None and len(plan.prints) > 1:
        sentences.append(_proof_words(plan.proof))
    return tuple(sentences)


def _shared_words(sheet: SharedSheet) -> str:
    each = ", ".join(f"{name} {_off_words(off)}" for name, off in zip(sheet.negatives, sheet.off_stops, strict=True))
    return f"One contact sheet of {len(sheet.negatives)} at {seconds_text(sheet.seconds)}: {each}."


def _off_words(off: float) -> str:
    stops = abs(off)
    if stops < _RIGHT_STOPS:
        return "right"
    return f"{stops:.1f} stops {'dark' if off > 0.0 else 'light'}"


def _proof_words(proof: Proof) -> str:
    words = f"Proof: {_time_text(proof.seconds)} is the least that prints the rebate full black."
    thin = [frame.negative for frame in proof.frames if frame.look == "dark"]
    dense = [frame.negative for frame in proof.frames if frame.look == "light"]
    if thin:
        words += f" Dark there, so thin: {', '.join(thin)}."
    if dense:
        words += f" Light there, so dense: {', '.join(dense)}."
    if not thin and not dense and proof.frames:
        words += " Every frame looks right in it."
    return words


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
        lines.append(label_line("contrast", "not given: the paper's range is only a limit"))
    if fit.fit is not None:
        lines.append(label_line("contrast", _fit_words(fit)))
    lines += _time_lines(fit.shadow_time_s, fit.highlight_time_s)
    if fit.standard_time_s is not None:
        line = f"minimum time for maximum black: {_time_text(fit.standard_time_s)}"
        lines.append(label_line("clear rebate", line))
    if with_strip:
        lines += [*_strip_lines(fit.strip), *_dries_lines(fit), *_counted_lines(fit.counted)]
    return [*lines, *warning_lines(fit.warnings)]


def _dries_lines(fit: PaperFit) -> list[str]:
    """Return what to take off where the strip is judged wet; the times are those of the dry print."""
    stops = fit.dry_down_stops
    if stops is None or fit.highlight_time_s is None or percent_off(stops.value) < _LEAST_PERCENT:
        return []
    off = f"{percent_off(stops.value):.0f} %"
    return [label_line("dry-down", f"times are for the dry print; if you judge the strip wet, give {off} less")]


def _fit_words(fit: PaperFit) -> str:
    difference = fit.difference_stops
    if difference is None:
        return "not known"
    stops = abs(difference.value)
    doubt = "" if difference.uncertainty is None else f" ± {max(difference.uncertainty, 0.1):.1f}"
    if difference.limit is not None:
        return f"too soft by at least {stops:.1f} stops. Take a harder paper."
    if fit.fit == "fits":
        return f"fits within {stops:.1f}{doubt} stops"
    if fit.fit == "too hard":
        return (
            f"too hard by {stops:.1f}{doubt} stops: exposed for the highlights, the shadows block up; exposed for the "
            "shadows, the highlights stay blank. Take a softer paper."
        )
    return (
        f"too soft by {stops:.1f}{doubt} stops: exposed for the highlights, the blacks stay gray; exposed for the "
        "shadows, the whites turn gray. Take a harder paper."
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
    each = ", ".join(_counted_text(one) for one in strip.counted)
    first, *more = (_counted_text(one) for one in strip.more)
    return [
        label_line("test strip", f"{each}: {apart} apart"),
        label_line(
            "", f"expose the whole strip for {first}; then cover one more fifth before each of {', '.join(more)}"
        ),
    ]


def _counted_text(seconds: float) -> str:
    """Return a time of a strip: 8.5 s where it is of half seconds, else as any printing time."""
    halves = seconds < 119.5 and float(2.0 * seconds).is_integer()
    return f"{seconds:g}{HELD}s" if halves else seconds_text(seconds)


def _counted_lines(counted: CountedByVoice | None) -> list[str]:
    if counted is None:
        return []
    low, high = (round(100.0 * part) for part in VOICE_SCATTER)
    words = (
        f"Counted aloud, so short a time varies by {low} to {high} % (common practice), and mid-tones by "
        f"{counted.density[0]:.2f} to {counted.density[1]:.2f} in density. Dim the lamp to 1/{counted.dimmer}, and "
        f"give {counted.dimmer} times the time."
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
    if change.dry_down_stops is not None:
        off = percent_off(change.dry_down_stops.value)
        lines.append(label_line("dry-down", f"{off:.0f} % less, in these figures already: it was judged wet"))
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
    return as_document(printing, _LAYOUT, format=FORMAT) | {
        "negatives": plain(sheets, _LAYOUT),
        "plan": plain(print_plan(sheets), _LAYOUT),
        "failed": list(failed),
    }


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
    "by_process papers=fits split places change warnings=negative.warnings",
    "SplitGrade": "soft hard soft_time_s hard_time_s beyond difference_stops",
    "PrintedPlace": "name density print_density end wanted stops seconds",
    "PrintSheet.needed_range": lambda sheet: needed_range(sheet.negative, sheet.printing),
    "PrintSheet.grade": _grade,
    "PrintSheet.filter_step": _filter_step,
    "PrintSheet.by_process": _in_each_light,
    "PaperFit": "name range=iso_range grade fit difference_stops shadow_time_s highlight_time_s standard_time_s strip "
    "counted_by_voice=counted dry_down_stops warnings",
    "PaperFit.fit": lambda fit: None if fit.fit is None else fit.fit.replace(" ", "-"),
    "ExposureStrip": "step_stops seconds",
    "PaperPlan": "name=paper range=iso_range grade prints sheets proof",
    "PlannedPrint": "name=negative seconds strip fit difference_stops split",
    "PlannedPrint.fit": lambda one: None if one.fit is None else one.fit.replace(" ", "-"),
    "SharedSheet": "seconds names=negatives off_stops",
    "Proof": "seconds frames",
    "ProofFrame": "name=negative off_stops look",
    "Change": "shadow highlight size paper_shadow paper_highlight dry_down_stops shadow_time_s highlight_time_s strip "
    "counted_by_voice=counted",
}
