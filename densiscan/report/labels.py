"""Labels for sleeves, bottles and boxes of paper: what stands on each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from densiscan.development.names import solution_text
from densiscan.development.run import Run
from densiscan.notebook.materials import Batch
from densiscan.notebook.readings import KeptReading
from densiscan.paper.tested_range import PaperTest
from densiscan.report.paper import HELD, grade_words, range_text, seconds_text
from densiscan.report.readings import density_text, time_text


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedLabel:
    """One label: what it is for, large, and lines below."""

    title: str
    lines: tuple[str, ...]


def negative_labels(readings: Sequence[KeptReading], runs: Mapping[int, Run]) -> tuple[PrintedLabel, ...]:
    """Return a label for each negative that counts, for its sleeve."""
    return tuple(_negative_label(one, runs.get(one.run or 0)) for one in readings if one.file)


def _negative_label(reading: KeptReading, run: Run | None) -> PrintedLabel:
    title = PurePath(str(reading.file)).stem
    if reading.piece is not None:
        title += f", {reading.piece}"
    lines = [] if run is None else [f"{run.film}, run {run.number}, {run.date[:10]}", _developed(run)]
    density_range = reading.quantities.get("density_range")
    if density_range is not None:
        grade = ((reading.document or {}).get("paper") or {}).get("grade")
        prints = "" if grade is None else f", {grade_words(grade)}"
        lines.append(f"range {density_text(density_range)}{prints}")
    return PrintedLabel(title=title, lines=tuple(lines))


def run_label(run: Run) -> PrintedLabel:
    """Return the label of a whole run, for the page of sleeves."""
    index = "" if run.exposure_index is None else f", index {run.exposure_index:g}"
    lines = [f"run {run.number}, {run.date[:10]}{index}", _developed(run), run.note or ""]
    return PrintedLabel(title=run.film, lines=tuple(line for line in lines if line))


def _developed(run: Run) -> str:
    developer = solution_text(run.developer, run.dilution)
    use = "" if run.use == 1 else f", use {run.use}"
    return f"{developer}, {time_text(run.time_s)} at {run.temperature_c:g} C{use}"


def batch_label(batch: Batch) -> PrintedLabel:
    """Return the label of a bottle; the hand fills in what the notebook does not know."""
    lines = [
        f"batch {batch.name}",
        f"mixed {batch.mixed or '____________'}",
        f"used {batch.uses} {'time' if batch.uses == 1 else 'times'}",
        f"discarded {batch.discarded or '____________'}",
    ]
    return PrintedLabel(title=solution_text(batch.developer, batch.dilution), lines=tuple(lines))


def paper_label(test: PaperTest) -> PrintedLabel:
    """Return the label of a box of paper, by its test."""
    about = test.circumstances
    lines = [f"R {range_text(test.iso_range)}, {grade_words(test.grade)}"]
    if test.maximum_black is not None:
        lines.append(f"black {density_text(test.maximum_black)}")
    if about.exposure_s is not None:
        lines.append(f"tested at {seconds_text(about.exposure_s).replace(HELD, ' ')}")
    return PrintedLabel(title=about.name or "paper", lines=tuple(lines))
