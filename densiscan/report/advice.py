"""Advice on the next development as a person reads it (80 columns) and as a program reads it (JSON)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from densiscan.arithmetic.quantity import Warning_
from densiscan.development.advice import Advice, Misfit, TableRow
from densiscan.development.developer_life import Wear, wear_warnings
from densiscan.development.exposure_index import exposure_words
from densiscan.development.falling import falling_contrast
from densiscan.development.learning import Learning
from densiscan.development.names import solution_text
from densiscan.development.prior import LONGEST_REACH, SHORTEST_EVEN_S
from densiscan.development.verdict import LARGEST_STEP, SMALLEST_STEP
from densiscan.files.serialise import Layout, as_document
from densiscan.notebook.advised import AdviceSheet
from densiscan.report.readings import paragraph, time_text

ADVICE_FORMAT: Final = "densiscan.advice/1"
_HYDROQUINONE_C: Final = 13.0
_DOUBTS: Final = (
    (0.10, "well known"),
    (0.20, "fairly well known"),
    (0.40, "roughly known"),
    (math.inf, "little more than a guess"),
)
"""Up to this half-width of the interval against the time, in words."""

CAUTION: Final = paragraph(
    "Chemicals: gloves, eye protection, fresh air; breathe no dust; used fixer carries silver, so keep it out of the "
    "drain. First read the maker's safety data sheet and docs/cautions.md."
)
"""What is said before chemicals are mixed, used or discarded."""


def doubt_in_words(advice: Advice) -> str:
    """Return how well the right time is known."""
    doubt = advice.time_s.uncertainty
    share = math.inf if doubt is None else doubt / advice.time_s.value
    return next(words for limit, words in _DOUBTS if share <= limit)


def advice_text(sheet: AdviceSheet, *, cautioned: bool = False) -> str:
    """Return the advice as a page.

    Parameters
    ----------
    cautioned
        Whether the cautions were read in this sitting; they stand all the same where developer is to be discarded.
    """
    advice = sheet.advice
    spent = bool(wear_warnings(sheet.wear, sheet.load, use=advice.plan.use))
    lines = [
        paragraph(f"Advice for {sheet.film} in {solution_text(sheet.developer, sheet.dilution)}", indent=0),
        "",
        *(paragraph(words, label=label) for label, words in figures_of(advice)),
        *([] if sheet.index is None else [paragraph(sheet.index.words, label="exposure")]),
        paragraph(_wear_words(sheet.wear), label="developer"),
        "",
        _TABLE_HEAD,
        *(_row_text(row) for row in advice.table),
        "",
        *([] if sheet.learning is None else [paragraph(_learning_words(sheet.learning), label="to learn"), ""]),
        *(paragraph(f"! {warning.message}") for warning in _all_warnings(sheet)),
        *([CAUTION] if spent or not cautioned else []),
    ]
    return "\n".join(lines).rstrip("\n")


def time_advice_text(advice: Advice) -> str:
    """Return the advice on the time alone as a page."""
    lines = [
        "Advice",
        "",
        *(paragraph(words, label=label) for label, words in figures_of(advice)),
        "",
        _TABLE_HEAD,
        *(_row_text(row) for row in advice.table),
        "",
        *(paragraph(f"! {warning.message}") for warning in warnings_of(advice)),
        CAUTION,
    ]
    return "\n".join(lines)


def figures_of(advice: Advice) -> list[tuple[str, str]]:
    """Return time, change, range and what they rest on in words, each under its name."""
    return [
        ("time", _time_words(advice)),
        ("change", change_words(advice)),
        ("density range", _range_words(advice)),
        ("based on", basis_words(advice)),
    ]


def advice_document(sheet: AdviceSheet) -> dict[str, Any]:
    """Return the advice as the contract's JSON document."""
    return as_document(sheet, _LAYOUT, format=ADVICE_FORMAT)


def interval_words(advice: Advice) -> str:
    """Return where the right time lies: "95 % range 8:51 to 14:11"."""
    low, high = advice.interval_s
    if low is None:
        return "no time is likely to be right"
    return f"over {time_text(low)}" if high is None else f"95 % range {time_text(low)} to {time_text(high)}"


def _time_words(advice: Advice) -> str:
    plan = advice.plan
    at = f"{time_text(advice.time_s.value)} at {plan.temperature_c:g} C, {use_words(plan.use)}"
    return f"{at}; {doubt_in_words(advice)}: {interval_words(advice)}"


def use_words(use: int) -> str:
    """Return which use of the developer it is: "fresh developer", "second use"."""
    return {1: "fresh developer", 2: "second use", 3: "third use"}.get(use, f"use {use}")


def change_words(advice: Advice) -> str:
    """Return by how much to change the time: "16 % shorter than run 12, 8:45"."""
    percent = round(100.0 * (advice.factor - 1.0))
    direction = "as long as" if percent == 0 else f"{abs(percent)} % {'longer' if percent > 0 else 'shorter'} than"
    other = "the time to begin with" if advice.last_run is None else f"run {advice.last_run}"
    at = " at 20 C" if advice.last_run is None else ""
    words = f"{direction} {other}, {time_text(advice.against_s)}{at}"
    if abs(advice.step - advice.factor) < 0.01:
        small = abs(percent) > 0 and abs(math.log(advice.factor)) <= math.log1p(SMALLEST_STEP)
        return f"{words}: too little to matter" if small and advice.last_run is not None else words
    equal = time_text(advice.time_s.value / advice.step)
    return (
        f"{words}, which would be {equal} at this temperature and use: a step of {100.0 * (advice.step - 1.0):+.0f} %"
    )


def _range_words(advice: Advice) -> str:
    expected, plan = advice.expected_range, advice.plan
    subject = (
        "an average subject"
        if plan.scene_stops is None
        else f"{plan.scene_stops:g} stop{'s' * (plan.scene_stops != 1.0)}"
    )
    return (
        f"{expected.value:.2f} ± {max(expected.uncertainty or 0.0, 0.01):.2f} expected of {subject} "
        f"(aim {plan.target_range.value:.2f})"
    )


def basis_words(advice: Advice) -> str:
    """Return what the advice rests on: "runs 3 and 4 and common practice"."""
    parts = []
    if advice.runs:
        parts.append(f"run{'s' if len(advice.runs) > 1 else ''} {numbers_in_words(advice.runs)}")
    if advice.tests:
        parts.append(f"a film test with {advice.tests} development{'s' if advice.tests > 1 else ''}")
    if advice.common_practice:
        parts.append("common practice")
    return " and ".join(parts) + ("" if parts[:-1] or not advice.common_practice else " alone: provisional")


def numbers_in_words(numbers: Sequence[int]) -> str:
    """Return numbers as 3, 5 to 8 and 12."""
    spans: list[list[int]] = []
    for number in sorted(numbers):
        if spans and number == spans[-1][-1] + 1:
            spans[-1].append(number)
        else:
            spans.append([number])
    words = [
        piece
        for span in spans
        for piece in ([f"{span[0]} to {span[-1]}"] if len(span) > 2 else [str(number) for number in span])
    ]
    return _listed(words)


def _wear_words(wear: Wear) -> str:
    by = "by your runs" if wear.learned else "by common practice"
    if wear.last_good_use == 1:
        return _one_use_words(wear)
    served = "" if wear.developed_cm2 is None else f"; this batch has served {wear.developed_cm2:.0f}"
    return (
        f"each use takes {100.0 * wear.more_time_a_use:.0f} % more time {by}: discard after use {wear.last_good_use}, "
        f"or after {wear.film_cm2:.0f} square centimetres of film a litre of full strength (common practice){served}"
    )


def _one_use_words(wear: Wear) -> str:
    """Return what is said of a developer that is used once: what a second use would take is no matter."""
    why = "your runs show that it tires with each use" if wear.learned else "common practice for a diluted developer"
    return (
        f"use it once, then discard it ({why}); a litre of full strength is good for {wear.film_cm2:.0f} square "
        "centimetres of film (common practice)"
    )


_TABLE_HEAD: Final = "        stops    time  95 % range      exposure"


def _row_text(row: TableRow) -> str:
    name, stops, time, ends, exposure, note = cells_of(row)
    return f"  {name:<4}  {stops:>5}  {time:>6}  {ends:<14}  {exposure:<13}  {note}".rstrip()


def development_name(contrast_stops: int) -> str:
    """Return what a development is called: N, N-1, N+2."""
    return f"N{contrast_stops:+d}" if contrast_stops else "N"


def cells_of(row: TableRow) -> tuple[str, str, str, str, str, str]:
    """Return a line of the table of times: name, stops of the subject, time, its range, exposure, a note."""
    name, stops = development_name(row.contrast_stops), f"{row.scene_stops:.1f}"
    low, high = row.interval_s
    if row.time_s is None or low is None:
        return name, stops, "-", row.note or "out of reach", "", ""
    open_ended = "" if row.note else "may not be reachable"
    ends = f"{time_text(low)} to {time_text(high)}" if high is not None else f"over {time_text(low)}"
    by_stops = exposure_words(row.speed_stops)
    exposure = by_stops if row.exposure_index is None else f"index {row.exposure_index:g}"
    return name, stops, time_text(row.time_s.value), ends, exposure, row.note or (open_ended if high is None else "")


def _learning_words(learning: Learning) -> str:
    times = _listed([time_text(time) for time in learning.times_s])
    many = len(learning.times_s) > 1
    then, now = (
        _listed([f"{share:.0f}" if share <= 100.0 else "over 100" for share in doubts])
        for doubts in (
            [100.0 * math.expm1(row.doubt_then) for row in learning.rows],
            [100.0 * math.expm1(row.doubt_now) for row in learning.rows],
        )
    )
    first, last = (development_name(row.contrast_stops) for row in (learning.rows[0], learning.rows[-1]))
    return (
        f"develop the next {f'{len(learning.times_s)} ' if many else ''}for {times}{', in any order' if many else ''}; "
        f"{'no negative' if many else 'it'} should be {'' if many else 'no '}more than {learning.risk_stops:g} "
        f"stop{'s' * (learning.risk_stops > 1.0)} of contrast off. The times for {first} to {last} are then known "
        f"within {then} %, now {now} %"
    )


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _all_warnings(sheet: AdviceSheet) -> list[Warning_]:
    advice = sheet.advice
    return [
        *warnings_of(advice),
        *wear_warnings(sheet.wear, sheet.load, use=advice.plan.use),
        *sheet.told,
    ]


def warnings_of(advice: Advice) -> list[Warning_]:
    """Return what a person should know of the time advised."""
    changed = [] if advice.change is None else [Warning_(code="something-changed", message=advice.change.words)]
    falling = [] if changed or advice.misfits else _falling_warnings(advice)
    misfits = [*changed, *(_misfit_warning(misfit) for misfit in advice.misfits), *falling]
    return [*_time_warnings(advice), *_temperature_warnings(advice), *misfits]


def _time_warnings(advice: Advice) -> list[Warning_]:
    warnings = []
    if advice.time_s.value < SHORTEST_EVEN_S:
        message = (
            f"Times under {time_text(SHORTEST_EVEN_S)} develop unevenly in a tray or drum: dilute the developer or "
            "work cooler, so that the time is longer."
        )
        warnings.append(Warning_(code="short-time", message=message))
    if advice.limit is not None and math.isfinite(advice.best_time_s):
        warnings.append(_limit_warning(advice))
    if advice.expected_range.value < 0.93 * advice.plan.target_range.value and advice.interval_s[1] is None:
        message = (
            "This film may never reach that contrast in this developer: choose a harder paper or a stronger developer."
        )
        warnings.append(Warning_(code="contrast-out-of-reach", message=message))
    if not advice.runs and not advice.tests:
        message = (
            "No run of this film in this developer has a density range yet: log the next one, and the advice learns."
        )
        warnings.append(Warning_(code="provisional", message=message))
    if advice.plan.scene_stops is None:
        message = (
            "The subject is taken as average: outdoors, in daylight. In dull weather and indoors most are flatter, and "
            "the advice then overdevelops; give the range with --scene-stops."
        )
        warnings.append(Warning_(code="subject-not-known", message=message))
    return warnings


def _limit_warning(advice: Advice) -> Warning_:
    best = time_text(advice.best_time_s)
    if advice.limit == "reach":
        message = f"{best} is the best estimate, but it is beyond {LONGEST_REACH:g} times the longest time logged."
        return Warning_(code="beyond-longest-run", message=message)
    message = (
        f"The best estimate is {best}, but this is limited to a {100.0 * LARGEST_STEP:.0f} % change: develop at this "
        "time, measure, then ask again."
    )
    return Warning_(code="step-limited", message=message)


def _temperature_warnings(advice: Advice) -> list[Warning_]:
    low, high = advice.temperatures_c
    here = advice.plan.temperature_c
    far = max(low - here, here - high)
    if here < _HYDROQUINONE_C:
        message = (
            f"Hydroquinone hardly works below about {_HYDROQUINONE_C:g} C (from memory): a developer that has it loses "
            "contrast that no time brings back. Warm it up."
        )
        return [Warning_(code="temperature-far", message=message)]
    if far <= 4.0:
        return []
    message = (
        f"No run was made near {here:g} C: the effect of temperature is common practice, and films may not stand "
        "temperatures far from 20 C."
    )
    return [Warning_(code="temperature-far", message=message)]


def _falling_warnings(advice: Advice) -> list[Warning_]:
    falling = falling_contrast(advice.posterior)
    if falling is None:
        return []
    (high, low), (short, long) = falling.contrasts, falling.times_s
    message = (
        f"Contrast falls from {high:.2f} in run {falling.shorter_run} to {low:.2f} in run {falling.longer_run}, "
        f"developed as long or longer ({time_text(short)} and {time_text(long)} as at 20 C, fresh). Development alone "
        "cannot do that: look for another film, subject, temperature or developer than was logged."
    )
    return [Warning_(code="contrast-falls", message=message)]


def _misfit_warning(misfit: Misfit) -> Warning_:
    side = "more" if misfit.ratio > 1.0 else "less"
    what = f"Run {misfit.number}" if misfit.number else "A development of the film test"
    message = (
        f"{what} does not fit the others: {100.0 * abs(misfit.ratio - 1.0):.0f} % {side} range than expected; it "
        "counts little. Was it another subject, temperature or dilution? If so correct it with run correct; else leave "
        "it in, for it may be the first of others."
    )
    return Warning_(code="run-does-not-fit", message=message)


_LAYOUT: Final[Layout] = {
    "AdviceSheet": "film developer dilution time_s=advice.time_s interval_s=advice.interval_s doubt "
    "factor=advice.factor step=advice.step against.run=advice.last_run against.time_s=advice.against_s "
    "unlimited_time_s=advice.best_time_s limited_by=advice.limit temperature_c=advice.plan.temperature_c "
    "use=advice.plan.use developer_age_days=advice.plan.age_days scene_stops=advice.plan.scene_stops "
    "expected_density_range=advice.expected_range "
    "target_density_range=advice.plan.target_range.value based_on.runs=advice.runs based_on.film_tests=advice.tests "
    "based_on.common_practice=advice.common_practice based_on.common_practice_share=advice.practice "
    "kinetics=advice.kinetics changed=advice.change "
    "runs_that_do_not_fit=advice.misfits table=advice.table learn=learning developer_use=wear exposure=index "
    "warnings",
    "AdviceSheet.doubt": lambda sheet: doubt_in_words(sheet.advice),
    "AdviceSheet.warnings": lambda sheet: tuple(_all_warnings(sheet)),
    "Kinetics": "contrast_limit rate_per_s wait_s factor_per_ten_degrees=per_ten_degrees loss_per_use "
    "loss_per_day shape",
    "UnloggedChange": "since_run chance pace",
    "Misfit": "run=number chance ratio",
    "TableRow": "contrast_stops scene_stops time_s speed_stops exposure_index note unlimited_time_s=best_s",
    "TableRow.note": lambda row: row.note or None,
    "Learning": "times_s risk_stops table=rows",
    "LearnedTime": "contrast_stops doubt_now doubt_then",
    "Wear": "discard_after_use=last_good_use more_time_a_use learned film_cm2_per_litre=film_cm2 "
    "developed_cm2_per_litre=developed_cm2",
    "IndexAdvice": "exposure_index last_index exposure_stops=stops negatives",
}
