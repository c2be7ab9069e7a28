"""Tonight's answer: what a person would tell a friend of the evening's negatives, and what to do next time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

from densiscan.batch.assessment import Assessment
from densiscan.development.change import FEW_SINCE
from densiscan.development.run import Run
from densiscan.development.surprise import Surprise, surprise_words
from densiscan.development.trends import Trend
from densiscan.negative.trouble.finding import Finding
from densiscan.negative.trouble.fog import FogLevel
from densiscan.notebook.advised import AdviceSheet
from densiscan.report.advice import advice_document, interval_words
from densiscan.report.answer import SPECKS, Answer, answer, folder_headline, trouble_words
from densiscan.report.page.notebook import next_step
from densiscan.report.readings import paragraph

TONIGHT_FORMAT: Final = "densiscan.tonight/1"
_DEVELOPMENT: Final = frozenset({"contrast", "activity"})
_ORDINALS: Final = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierReading:
    """A reading of an earlier evening: its day (ISO 8601), and what looked wrong on it."""

    day: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """What an evening has.

    Attributes
    ----------
    run
        The run that the negatives belong to; None where none is known.
    negatives
        Tonight's.
    before
        The readings of earlier evenings, the earliest first.
    failed
        Scans that gave nothing: file and why.
    fog
        Tonight's fog against earlier runs; None where it is not known.
    sheet
        What `advise` says of the film and developer; None where there is no run yet.
    trends
        How the film in the developer went from run to run, this run the last.
    surprises
        How this run, the last, came out against what was expected, and before it those that it is told with.
    """

    run: Run | None
    negatives: tuple[Assessment, ...]
    before: tuple[EarlierReading, ...] = ()
    failed: tuple[tuple[str, str], ...] = ()
    fog: FogLevel | None = None
    sheet: AdviceSheet | None = None
    trends: tuple[Trend, ...] = ()
    surprises: tuple[Surprise, ...] = ()
    _answers: tuple[Answer, ...] = field(init=False, default=())

    def __post_init__(self) -> None:
        object.__setattr__(self, "_answers", tuple(answer(negative) for negative in self.negatives))

    @property
    def answers(self) -> tuple[Answer, ...]:
        """The answer on each negative."""
        return self._answers

    @property
    def headline(self) -> str:
        """What there is, counted."""
        if not self.negatives and not self.failed:
            return "Nothing new tonight."
        return folder_headline(self.answers, len(self.failed))

    def attention(self) -> list[tuple[str, str]]:
        """Return the file of each negative that needs attention with what is to be said of it, the worst first."""
        ordered = sorted(zip(self.negatives, self.answers, strict=True), key=lambda pair: -pair[1].gravity)
        return [(negative.reading.name, self._told(negative, said)) for negative, said in ordered if said.attention]

    def _told(self, negative: Assessment, said: Answer) -> str:
        if not said.is_negative:
            return said.reason or f"{said.short}."
        grave = [finding for finding in negative.trouble.findings if finding.code not in SPECKS]
        again = self._again(grave[0]) if grave else ""
        words = f"{said.short} ({again})" if again else said.short
        then = said.reason if grave else said.why
        return f"{words}. {then[:1].upper()}{then[1:].rstrip('.')}." if then else f"{words}."

    def _again(self, trouble: Finding) -> str:
        """Return how often a trouble was seen at its place: "the third since May 2026"; "" where never before."""
        what = trouble_words(trouble)
        days = [one.day for one in self.before if any(trouble_words(finding) == what for finding in one.findings)]
        if not days:
            return ""
        number = len(days) + 1
        ordinal = _ORDINALS[number] if number < len(_ORDINALS) else f"{number}th"
        return f"the {ordinal} since {date.fromisoformat(days[0][:10]):%B %Y}"

    def fog_words(self) -> str:
        """Return what is to be said of fog; "" where nothing is known."""
        if self.fog is None or (self.fog.usual and self.fog.against != "own history"):
            return ""
        return "Fog is where it was." if self.fog.usual else self.fog.message

    def trend_words(self) -> tuple[str, ...]:
        """Return what this run shows of development, fog and speed.

        Of development one thing is told: that something changed, else what the charts of contrast and activity say,
        which are two views of it, else that this run and one before it surprise.
        """
        change = next((one.change for one in self.trends if one.change is not None), None)
        if change is not None and change.runs <= FEW_SINCE:
            development: tuple[str, ...] = (change.words,)
        else:
            development = next((one.news for one in self.trends if one.name in _DEVELOPMENT and one.news), ())
        development = development or tuple(filter(None, (surprise_words(self.surprises),)))
        others = [words for one in self.trends if one.name not in _DEVELOPMENT for words in one.news]
        return (*development, *others)

    def next_words(self) -> str:
        """Return what to do next time; "" where there is nothing to learn from yet."""
        if self.sheet is None:
            return ""
        step, advice, wear = next_step(self.sheet), self.sheet.advice, self.sheet.wear
        last = advice.plan.use >= wear.last_good_use
        discard = " Discard the developer after that; take used chemicals where your local rules say." if last else ""
        say = step.say.replace("°C", "C")
        return f"Next time: {step.what}, {say} {interval_words(advice).capitalize()}.{discard}"


def evening_text(evening: Evening) -> str:
    """Return the evening as it is told, in 80 columns."""
    run = evening.run
    lines = [paragraph(evening.headline, indent=0)]
    lines += [paragraph(f"{name}: {said}") for name, said in evening.attention()]
    lines += [paragraph(f"{name}: not measured. {why}") for name, why in evening.failed]
    rest = [words for words in (evening.fog_words(), *evening.trend_words(), evening.next_words()) if words]
    lines += ["", *(paragraph(words, indent=0) for words in rest)] if rest else []
    if evening.negatives and run is None:
        lines += [
            "",
            paragraph("They belong to no run yet: log it with densiscan run add, then run this again.", indent=0),
        ]
    return "\n".join(lines)


def evening_document(evening: Evening, readings: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the evening as plain JSON values, with the documents of its readings."""
    return {
        "format": TONIGHT_FORMAT,
        "run": None if evening.run is None else evening.run.number,
        "headline": evening.headline,
        "attention": [{"file": name, "message": said} for name, said in evening.attention()],
        "fog": evening.fog_words() or None,
        "trends": list(evening.trend_words()),
        "next": evening.next_words() or None,
        "advice": None if evening.sheet is None else advice_document(evening.sheet),
        "readings": list(readings),
        "failed": [{"file": name, "message": why} for name, why in evening.failed],
    }
