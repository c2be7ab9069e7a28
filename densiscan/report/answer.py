"""The answer on a negative in one or two plain sentences, and on a folder of them: what needs attention comes first.

A negative measured now and one kept in the notebook years ago are answered alike.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from densiscan.batch.assessment import Assessment
from densiscan.development.exposure import ExposureAdvice
from densiscan.development.verdict import DevelopmentAdvice
from densiscan.negative.trouble.finding import Finding
from densiscan.paper.grade import HARDER, SOFTER

MANYSPECKS: Final = 1e-3
"""Share of the area from which dust, pinholes and scratches are trouble (common practice: less is spotted out)."""

_TROUBLE: Final[Mapping[str, str]] = {
    "light-leak": "light leak",
    "fog-high": "high fog",
    "gradient": "uneven density",
    "edge-density": "uneven edges",
    "bands": "bands",
    "streak": "streak",
    "air-bell": "air bell",
    "drying-mark": "drying mark",
    "clear-area": "clear area",
    "clipped-light": "clipped in the clear parts",
    "clipped-dark": "clipped in the dense parts",
    "scratches": "scratches",
    "pinholes": "pinholes",
    "dust": "dust",
}
"""What a finding is called in a few words, the worst first."""

SPECKS: Final = frozenset({"scratches", "pinholes", "dust"})
_UNCOUNTED: Final = frozenset({"high fog", "uneven density", "dust"})

_SEEN: Final[Mapping[str, str]] = {
    "inverted": "an inverted scan",
    "wedge": "a step wedge",
    "print": "a print",
    "colour negative": "a colour negative",
    "unexposed": "an unexposed sheet",
    "even": "an even sheet without a picture",
}

_DISQUALIFYING: Final = (
    "wrong-full-scale",
    "calibration-drifted",
    "calibration-old",
    "calibration-from-the-future",
    "scan-differs-from-calibration",
    "fog-sheet-has-picture",
    "no-film-found",
    "no-frame-found",
    "rebate-beyond-calibration",
    "no-rebate",
    "frame-touches-edge",
    "seen-unknown",
)
"""Codes of warnings that put a figure of the answer in doubt, the gravest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What is to be said of one negative.

    Attributes
    ----------
    attention
        Whether it needs any; a mark shows it.
    kind
        What it is counted under among others: "fine", "underexposed", "light leak".
    headline, reason
        For the top of a page: one or two sentences in plain words, and what is behind them.
    short, why
        For a card: a few words, and a few more.
    gravity
        The larger, the earlier among what needs attention; 0 where nothing does.
    is_negative
        Whether it was judged as a negative.
    alone
        What it is called where it is the only one of its kind; "" where that is `kind`.
    """

    attention: bool
    kind: str
    headline: str
    reason: str
    short: str
    why: str
    gravity: float
    is_negative: bool = True
    alone: str = ""


def answer(assessment: Assessment) -> Answer:
    """Return the answer on one negative."""
    if not assessment.judged:
        return _no_negative(assessment)
    troubles = _troubles(assessment)
    parts = _Parts.of(assessment)
    if troubles:
        return _with_trouble(troubles, parts)
    if parts.wrong:
        return Answer(
            attention=True,
            kind=parts.kind,
            headline=f"{_capital(parts.kind)}: {parts.then}.",
            reason=" ".join(filter(None, (_disqualifying(assessment), parts.reason))),
            short=_capital(parts.wrong),
            why=parts.then,
            gravity=parts.gravity,
            alone=parts.alone,
        )
    doubtful = _disqualifying(assessment)
    return Answer(
        attention=doubtful is not None,
        kind="fine" if doubtful is None else "to look at again",
        headline=f"Fine: {parts.then}." if doubtful is None else f"{doubtful} If that is right: {parts.then}.",
        reason=assessment.exposure.reason,
        short="Fine" if doubtful is None else "Look again",
        why=parts.then if doubtful is None else doubtful,
        gravity=0.0 if doubtful is None else 0.5,
    )


def folder_headline(answers: Sequence[Answer], failed: int = 0) -> str:
    """Return one sentence on several: "5 negatives: 2 fine, 1 underexposed, 1 overexposed, 1 with a light leak"."""
    negatives = [one for one in answers if one.is_negative]
    others = [one for one in answers if not one.is_negative]
    parts = _counts(negatives)
    if negatives and all(one.kind == "fine" for one in negatives):
        headline = f"{len(negatives)} negatives, all fine" if len(negatives) > 1 else "One negative, and it is fine"
    else:
        several = "negative" if len(negatives) == 1 else "negatives"
        headline = f"{len(negatives)} {several}: {', '.join(parts)}" if negatives else "No negatives"
    more = [f"{count} {'scan' if count == 1 else 'scans'} of {kind}" for kind, count in _kinds(others)]
    more += [f"{failed} not measured"] if failed else []
    return "; ".join([headline, *more]) + "."


def _counts(negatives: Sequence[Answer]) -> list[str]:
    alone = {one.kind: one.alone for one in negatives}
    return [
        f"{count} {(alone[kind] if count == 1 else '') or _counted(kind, count)}" for kind, count in _kinds(negatives)
    ]


def _kinds(answers: Sequence[Answer]) -> list[tuple[str, int]]:
    """Return kinds and how many of each, what is fine first, then the gravest."""
    counted = Counter(one.kind for one in answers)
    gravest = {kind: max(one.gravity for one in answers if one.kind == kind) for kind in counted}
    return [(kind, counted[kind]) for kind in sorted(counted, key=lambda kind: (kind != "fine", -gravest[kind]))]


def _counted(kind: str, many: int) -> str:
    """Return a kind as it stands after a number."""
    if kind in _TROUBLE.values():
        plural = kind.endswith("s") or kind in _UNCOUNTED or many > 1
        return f"with {kind}" if plural else f"with {_article(kind)} {kind}"
    return kind


def _article(word: str) -> str:
    return "an" if word[0] in "aeiou" else "a"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """Exposure, development and paper in a few words: what is wrong ("" where nothing is) and what to do then."""

    wrong: str
    kind: str
    then: str
    gravity: float
    reason: str
    alone: str = ""

    @classmethod
    def of(cls, assessment: Assessment) -> _Parts:
        exposure, development = assessment.exposure, assessment.development
        grade = grade_words(assessment)
        time = development_words(development)
        amount = _amount(exposure)
        stops = f" by {amount}" if amount else ""
        if not exposure.warnings and exposure.verdict == "under":
            then = f"give {amount or 'more exposure'}{' more' if amount else ''} next time"
            size = 1.0 if exposure.stops is None else abs(exposure.stops.value)
            return cls(
                wrong=f"under{stops}" if stops else "underexposed",
                kind="underexposed",
                then=then,
                gravity=2.0 + size,
                reason=exposure.reason,
                alone=f"underexposed{stops}",
            )
        flat = development.verdict == "more"
        if not development.warnings and development.verdict in {"more", "less"}:
            factor = 1.0 if development.time_factor is None else development.time_factor.value
            return cls(
                wrong="flat" if flat else "contrasty",
                kind="flat" if flat else "contrasty",
                then=f"{time}; this one prints on {grade}" if grade else time,
                gravity=1.0 + abs(factor - 1.0),
                reason=development.reason,
            )
        then = ", ".join(filter(None, (time, f"print on {grade}" if grade else "")))
        if not exposure.warnings and exposure.verdict == "over":
            size = 1.0 if exposure.stops is None else abs(exposure.stops.value)
            return cls(
                wrong=f"over{stops}" if stops else "overexposed",
                kind="overexposed",
                then=f"give less next time; {then}" if then else "give less next time",
                gravity=0.6 + 0.1 * size,
                reason=exposure.reason,
                alone=f"overexposed{stops}",
            )
        return cls(wrong="", kind="fine", then=then or "densities only", gravity=0.0, reason=exposure.reason)


def development_words(development: DevelopmentAdvice) -> str:
    """Return what to do to the time: "keep the time", "develop 18 % longer"; "" where it is not judged."""
    if development.warnings:
        return ""
    factor = development.time_factor
    if development.verdict not in {"more", "less"} or factor is None:
        return "keep the time"
    change = round(100.0 * (factor.value - 1.0))
    return f"develop {change} % longer" if change > 0 else f"develop {-change} % less"


def grade_words(assessment: Assessment) -> str:
    """Return the grade of paper in words; "" where none is known."""
    grade = assessment.paper.grade
    if grade in {SOFTER, HARDER}:
        return "a paper softer than grade 0" if grade == SOFTER else "a paper harder than grade 5"
    return "" if grade is None else f"grade {grade}"


def _amount(exposure: ExposureAdvice) -> str:
    """Return how many stops: "at least 2.7 stops"; "" where it is not known."""
    if exposure.stops is None:
        return ""
    size = f"{abs(exposure.stops.value):.1f}".removesuffix(".0")
    return f"{'at least' if exposure.at_least else 'about'} {size} {'stop' if size == '1' else 'stops'}"


def _troubles(assessment: Assessment) -> list[Finding]:
    """Return the findings that are trouble, the worst first; a speck of dust is none."""
    rank = {code: place for place, code in enumerate(_TROUBLE)}
    grave = [
        finding
        for finding in assessment.trouble.findings
        if finding.code not in SPECKS or (finding.area_share or 0.0) >= MANYSPECKS
    ]
    return sorted(grave, key=lambda finding: (rank.get(finding.code, len(rank)), -finding.sure))


def trouble_name(finding: Finding) -> str:
    """Return what a finding is called: "light leak"."""
    return _TROUBLE.get(finding.code, finding.code.replace("-", " "))


def trouble_title(finding: Finding) -> str:
    """Return a finding in a few words, with how many there are of what is counted: "light leak at the bottom edge"."""
    words = trouble_words(finding)
    return words if finding.count is None else f"{words}, {finding.count}"


def trouble_words(finding: Finding) -> str:
    """Return a finding in a few words: "light leak at the bottom edge"."""
    name = trouble_name(finding)
    side = finding.side
    if side is None:
        return name
    return f"{name} towards the {side}" if finding.code == "gradient" else f"{name} at the {side} edge"


def _with_trouble(troubles: Sequence[Finding], parts: _Parts) -> Answer:
    first = troubles[0]
    name = _capital(trouble_words(first))
    more = "" if len(troubles) == 1 else f", and {len(troubles) - 1} more"
    rest = f"{_capital(parts.kind)}: {parts.then}" if parts.wrong else f"Otherwise fine: {parts.then}"
    return Answer(
        attention=True,
        kind=_TROUBLE.get(first.code, "trouble"),
        headline=f"{name}{more}. {rest}.",
        reason=_cure(first.message),
        short=f"{name}{more}",
        why=f"{parts.wrong}; {parts.then}" if parts.wrong else f"otherwise {parts.then}",
        gravity=3.0 + first.sure + parts.gravity / 10.0,
    )


def _cure(message: str) -> str:
    """Return what to check, where the message of a finding says that after what was seen; else all of it."""
    what, dot, cure = message.partition(". ")
    return cure if dot and cure else what


def _no_negative(assessment: Assessment) -> Answer:
    what = _SEEN[assessment.reading.seen]
    return Answer(
        attention=True,
        kind=what,
        headline=f"This looks like {what}: densities only.",
        reason=next((one.message for one in assessment.warnings if one.code.startswith("seen-")), ""),
        short=_capital(what.removeprefix("an ").removeprefix("a ")),
        why="densities only",
        gravity=0.8,
        is_negative=False,
    )


def _disqualifying(assessment: Assessment) -> str | None:
    messages = {warning.code: warning.message for warning in reversed(assessment.warnings)}
    return next((messages[code] for code in _DISQUALIFYING if code in messages), None)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
