"""What the notebook has of a run, a film or a span of time, as parts of a page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from densiscan.batch.assessment import Assessment, Task
from densiscan.development.names import same_name, solution_text
from densiscan.development.run import Run
from densiscan.errors import WrongUseError
from densiscan.negative.preview import Preview
from densiscan.notebook.advised import AdviceSheet
from densiscan.notebook.as_read import assessment_kept
from densiscan.notebook.readings import KeptReading
from densiscan.report.advice import advice_text, basis_words, change_words, doubt_in_words, interval_words, use_words
from densiscan.report.page.negative import PageReading
from densiscan.report.page.page import NextStep, Table
from densiscan.report.readings import density_text, time_text
from densiscan.report.runs import sentence, temperature_text, use_text

_NO_DAY_AFTER: Final = "9999-12-31"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """What of the notebook is wanted: runs by number, a film, days (ISO 8601, both included); nothing said is all."""

    runs: tuple[int, ...] = ()
    film: str | None = None
    since: str | None = None
    until: str | None = None

    def has(self, run: Run) -> bool:
        """Return whether a run is wanted."""
        numbered = not self.runs or run.number in self.runs
        named = self.film is None or same_name(run.film, self.film)
        return numbered and named and self.holds(run.date)

    def holds(self, date: str) -> bool:
        """Return whether a date lies among the days wanted."""
        return (self.since or "") <= date[:10] <= (self.until or _NO_DAY_AFTER)

    @property
    def of_runs(self) -> bool:
        """Return whether only what belongs to a run is wanted."""
        return bool(self.runs) or self.film is not None

    def words(self) -> str:
        """Return what is wanted, as a title."""
        told = []
        if self.runs:
            told.append(("Run " if len(self.runs) == 1 else "Runs ") + ", ".join(map(str, self.runs)))
        if self.film is not None:
            told.append(self.film)
        if self.since is not None:
            told.append(f"from {self.since}")
        if self.until is not None:
            told.append(f"until {self.until}")
        return " ".join(told) or "The notebook"


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """How a reading was made: the document of its calibration, and its task; None where the notebook has none."""

    calibration: Mapping[str, Any]
    task: Task | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What was chosen of a notebook: runs, earliest first, and the reading that counts of each negative, likewise."""

    runs: tuple[Run, ...]
    readings: tuple[KeptReading, ...] = field(default=())


def taken(chosen: Chosen, runs: Sequence[Run], readings: Sequence[KeptReading]) -> Taken:
    """Return what is wanted of runs (the earliest first) and of the readings that count (likewise).

    Readings of no run are there where no runs or film are asked for, by the day they were made.
    """
    runs_wanted = tuple(run for run in runs if chosen.has(run))
    numbers = {run.number: place for place, run in enumerate(runs_wanted)}
    shown = {
        reading.negative: reading
        for reading in readings
        if reading.document is not None
        and (reading.run in numbers or (reading.run is None and not chosen.of_runs and chosen.holds(reading.made)))
    }
    ordered = sorted(shown.values(), key=lambda reading: (numbers.get(reading.run or 0, len(numbers)), reading.made))
    return Taken(runs=runs_wanted, readings=tuple(ordered))


def two_of(names: tuple[str, str], runs: Sequence[Run], readings: Sequence[KeptReading]) -> Taken:
    """Return two negatives that are to be compared, in the order they are named, and the runs they are of.

    Parameters
    ----------
    names
        Of each its scan's file, with or without folder and ending, or the number of its reading.
    readings
        Those that count.

    Raises
    ------
    WrongUseError
        If there is no such negative, several have the name, or both names are of one.
    """
    shown = tuple(_the_one(name, readings) for name in names)
    if shown[0].negative == shown[1].negative:
        raise WrongUseError(f"`compare` takes two negatives, and {names[0]} and {names[1]} are the same.")
    numbers = {reading.run for reading in shown}
    return Taken(runs=tuple(run for run in runs if run.number in numbers), readings=shown)


def _the_one(name: str, readings: Sequence[KeptReading]) -> KeptReading:
    by_negative = {reading.negative: reading for reading in readings if reading.document is not None}
    whole, stem = Path(name).name, Path(name).stem
    called = [one for one in by_negative.values() if one.file == whole]
    called = called or [one for one in by_negative.values() if one.file is not None and Path(one.file).stem == stem]
    if not called and name.isdecimal():
        called = [one for one in readings if one.number == int(name) and one.document is not None]
    if len(called) == 1:
        return called[0]
    if not called:
        raise WrongUseError(f"the notebook has no reading of {name}; measure its scan first.")
    numbers = ", ".join(str(one.number) for one in called)
    raise WrongUseError(f"{len(called)} negatives are called {name}; give the number of the reading: {numbers}.")


def page_readings(
    readings: Sequence[tuple[KeptReading, Made]],
    runs: Sequence[Run],
    sheet_of: Callable[[KeptReading, Assessment, Made], Preview | None],
) -> tuple[PageReading, ...]:
    """Return the readings as a page shows them; `sheet_of` gives the picture of one where its scan is still there."""
    by_number = {run.number: run for run in runs}
    shown = []
    for reading, made in readings:
        run = None if reading.run is None else by_number.get(reading.run)
        assessment = assessment_kept(reading.document or {})
        shown.append(
            PageReading(
                assessment=replace(assessment, sheet=sheet_of(reading, assessment, made)),
                calibration=str(made.calibration.get("name", "not known")),
                rebate_mm=None if made.task is None else made.task.options.rebate_mm,
                paper_range=None if made.task is None else made.task.aim.paper_range,
                told="" if run is None else f"run {run.number}: {sentence(run)}",
                run="" if run is None else f"run {run.number}",
                developed=run,
            )
        )
    return tuple(shown)


def next_step(sheet: AdviceSheet) -> NextStep:
    """Return what to do next with a film in a developer, as `advise` says it."""
    advice = sheet.advice
    plan = advice.plan
    at = f"{time_text(advice.time_s.value)} at {plan.temperature_c:g} °C, {use_words(plan.use)}"
    index = sheet.index
    rate = "" if index is None or index.exposure_index is None else f" Rate it at {index.exposure_index:g}."
    return NextStep(
        what=f"{sheet.film} in {solution_text(sheet.developer, sheet.dilution)}",
        say=f"{at}.{rate}",
        why=f"{_capital(change_words(advice))}. {_capital(doubt_in_words(advice))}: {interval_words(advice)}, based on "
        f"{basis_words(advice)}.",
        all=advice_text(sheet),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _ranges_text(run: Run) -> str:
    """Return the density ranges that count, and of the others why they do not."""
    left_out = dict.fromkeys(f"left out, {one.why}" for one in run.left_out)
    return "; ".join([*(density_text(quantity) for quantity in run.density_ranges), *left_out]) or "not read"


def runs_table(runs: Sequence[Run]) -> Table:
    """Return the runs, one a line."""
    return Table(
        heading="Runs",
        columns=("run", "date", "film", "developer", "time", "temperature", "use", "density range", "note"),
        rows=tuple(
            (
                str(run.number),
                run.date[:10],
                run.film,
                run.solution,
                time_text(run.time_s),
                temperature_text(run.temperature_c),
                use_text(run.use),
                _ranges_text(run),
                run.note or "",
            )
            for run in runs
        ),
    )
