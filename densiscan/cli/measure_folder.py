"""Many scans from the command line: results as they come, a bar, a summary at the end."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import typer

from densiscan.batch.assessment import Assessment, BatchResult, Failure, Outcome, Task
from densiscan.batch.files import FileChoice, scans_in
from densiscan.batch.outliers import Folder
from densiscan.batch.workers import Workers, measured, processes
from densiscan.calibration.calibration import Calibration
from densiscan.cli.folder_notebook import Memory, forget, memory_for
from densiscan.cli.options import DEBUG_VARIABLE, say, show
from densiscan.cli.progress import ProgressBar
from densiscan.errors import DensiscanError
from densiscan.files.atomic import WholeFile
from densiscan.report.budget import budgets_text, with_budgets
from densiscan.report.folder import Summary, summary_document, summary_text
from densiscan.report.readings import (
    READINGS_FORMAT,
    Named,
    failure_document,
    left_out_documents,
    may_be_lost,
    notes_text,
    reading_document,
    row_text,
    table_head,
)
from densiscan.report.table import sheet_head, sheet_line
from densiscan.scan.threads import usable_cores

STOPPED = 130


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderRequest:
    """What is to be measured, with what, and how the results come out.

    Attributes
    ----------
    made, named
        The calibration, None where each scan is read by the wedge on it; and what the readings are said to be read by.
    jobs
        Worker processes; None: one for each core.
    cluster
        Address of a scheduler; None: this machine.
    notebook
        As named on the command line.
    at_end
        Given everything when all is done; then nothing is taken from the notebook, and all of it is held in memory.
    """

    scans: Sequence[Path]
    choice: FileChoice
    made: Calibration | None
    named: Named
    task: Task
    jobs: int | None = None
    cluster: str | None = None
    again: bool = False
    csv: Path | None = None
    as_json: bool = False
    explain: bool = False
    run: int | None = None
    notebook: Path | None = None
    at_end: Callable[[BatchResult], None] | None = None


def measure_folder(asked: FolderRequest) -> None:
    """Measure many scans and end with the status that they deserve."""
    files, refused = scans_in(asked.scans, asked.choice)
    again = asked.again or asked.explain or asked.at_end is not None
    memory = memory_for(asked.made, asked.task, asked.notebook, run=asked.run, again=again, together=True)
    out = _Out(asked=asked, bar=ProgressBar(len(files)))
    began = time.monotonic()
    stopped = False
    try:
        for failure in refused:
            out.failed(failure)
        with ExitStack() as stack:
            workers = workers_for(asked, len(files), stack)
            task = replace(asked.task, threads=1 if workers.count > 1 else None)
            outcomes = measured(out.noted(memory, files), asked.made, task, workers)
            for path, outcome in stack.enter_context(closing(outcomes)):
                memory.keep(path, outcome)
                out.take(outcome)
    except KeyboardInterrupt:
        stopped = True
    finally:
        out.close()
        forget(memory)
    if asked.at_end is not None:
        asked.at_end(BatchResult(assessments=tuple(out.assessments), failures=tuple(out.failures)))
    out.finish(
        Summary(
            scans=len(files),
            measured=out.measured,
            known=out.known,
            readings=out.readings,
            failures=tuple(out.failures),
            outliers=out.folder.outliers(),
            seconds=time.monotonic() - began,
            stopped=stopped,
            run=None if memory.failed else asked.run,
        )
    )
    if stopped:
        raise typer.Exit(STOPPED)
    if out.failures or out.lost or out.unwritten or (memory.failed and asked.run is not None):
        raise typer.Exit(1)


def workers_for(asked: FolderRequest, scans: int, stack: ExitStack) -> Workers:
    """Return the workers that are asked for: of a cluster, else of this machine."""
    if asked.cluster is not None:
        from densiscan.batch.cluster import cluster

        return stack.enter_context(cluster(asked.cluster))
    return processes(max(1, min(asked.jobs or usable_cores(), scans)))


@dataclass(slots=True, kw_only=True)
class _Out:
    """Where the results go as they come. Of each scan only what the end needs is kept."""

    asked: FolderRequest
    bar: ProgressBar
    folder: Folder = field(default_factory=Folder.empty)
    failures: list[Failure] = field(default_factory=list)
    assessments: list[Assessment] = field(default_factory=list)
    documents: list[dict[str, Any]] = field(default_factory=list)
    left_out: list[dict[str, Any]] = field(default_factory=list)
    lost: bool = False
    notes: list[str] = field(default_factory=list)
    recalled: set[int] = field(default_factory=set)
    sheet: WholeFile | None = None
    unwritten: bool = False
    handed: int = 0
    done: int = 0
    measured: int = 0
    known: int = 0
    readings: int = 0

    def noted(self, memory: Memory, files: Sequence[Path]) -> Iterator[tuple[Path, Outcome | None]]:
        """Yield the scans to hand out, and note which of them are known already."""
        for path, known in memory.items(files):
            if known is not None:
                self.recalled.add(self.handed)
            self.handed += 1
            yield path, known
            self.bar.draw(self.done, self.measured)

    def take(self, outcome: Outcome) -> None:
        """Show what came of the next scan."""
        known = self.done in self.recalled
        self.recalled.discard(self.done)
        self.done += 1
        if isinstance(outcome, Failure):
            self.failed(outcome)
        else:
            self.known += known
            self.measured += not known
            self._read(outcome)
        self.bar.draw(self.done, self.measured)

    def failed(self, failure: Failure) -> None:
        """Say why a scan gave nothing."""
        self.bar.clear()
        self.failures.append(failure)
        if failure.fault is not None and os.environ.get(DEBUG_VARIABLE):
            say(failure.fault)
        say(f"densiscan: {failure.message}")

    def _read(self, assessments: Sequence[Assessment]) -> None:
        self.bar.clear()
        self._write(assessments)
        self.left_out += left_out_documents(assessment.reading for assessment in assessments)
        self.lost = self.lost or may_be_lost(assessments)
        first = 1
        for assessment in assessments:
            self.folder.add(assessment)
            self.readings += 1
            if self.asked.at_end is not None:
                self.assessments.append(assessment)
            if self.asked.as_json:
                self.documents.append(self._document(assessment))
                continue
            if self.readings == 1:
                show(table_head(self.asked.named))
            show(row_text(assessment))
            note = notes_text(assessment, first)
            first += len(assessment.trouble.findings)
            self.notes += [note] if note else []
            if self.asked.explain:
                self.notes.append(budgets_text(BatchResult(assessments=(assessment,), failures=())))

    def _document(self, assessment: Assessment) -> dict[str, Any]:
        document = reading_document(assessment)
        if not self.asked.explain:
            return document
        alone = BatchResult(assessments=(assessment,), failures=())
        explained: dict[str, Any] = with_budgets({"readings": [document]}, alone)["readings"][0]
        return explained

    def _write(self, assessments: Sequence[Assessment]) -> None:
        """Add the lines of a scan to the table, which takes its place when all is done or Ctrl-C ends it."""
        if self.asked.csv is None or self.unwritten:
            return
        spots = len(self.asked.task.options.spots_mm)
        try:
            if self.sheet is None:
                self.sheet = WholeFile(self.asked.csv, "the table")
                self.sheet.add(sheet_head(spots))
            self.sheet.add("".join(sheet_line(assessment, spots) for assessment in assessments))
        except DensiscanError as problem:
            # Said once; what is measured is still shown and kept.
            self.unwritten = True
            say(f"densiscan: {problem}")

    def close(self) -> None:
        """Let go of the table file and the bar."""
        self.bar.clear()
        if self.sheet is None or self.unwritten:
            return
        try:
            self.sheet.keep()
        except DensiscanError as problem:
            self.unwritten = True
            say(f"densiscan: {problem}")

    def finish(self, summary: Summary) -> None:
        """Say what came of it all."""
        if self.asked.as_json:
            show(
                {
                    "format": READINGS_FORMAT,
                    "calibration": self.asked.named.name,
                    "readings": self.documents,
                    "failed": [failure_document(failure) for failure in self.failures],
                    "left_out": self.left_out,
                    "summary": summary_document(summary),
                }
            )
        else:
            show("\n".join(["", *(f"{note}\n" for note in self.notes), summary_text(summary)]))
        if self.sheet is not None and not self.unwritten:
            say(f"Written to {self.asked.csv}.")
