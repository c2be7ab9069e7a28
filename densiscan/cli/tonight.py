"""The command `tonight`: from tonight's scans to tonight's answer."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.cli.keep import keep_readings, opened, run_of_today, tell
from densiscan.cli.measure_output import reading_now
from densiscan.cli.options import CalibrationOption, JsonOption, NotebookOption, say, show
from densiscan.errors import WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.batch.assessment import BatchResult
    from densiscan.development.run import Run
    from densiscan.development.surprise import Surprise
    from densiscan.development.trends import Trend
    from densiscan.notebook.notebook import Notebook
    from densiscan.report.evening import EarlierReading, Evening


def tonight(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder that tonight's scans are in.")],
    run: Annotated[
        int | None, typer.Option("--run", metavar="RUN", help="The run they belong to; else today's run.")
    ] = None,
    calibration: CalibrationOption = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure what is new and say how the evening went.

    New scans are measured and tied to today's run; if none is logged yet, you are asked whether it was as the last one.
    Then: what needs attention, whether fog, speed or development have changed, and what to do next time.

    For example:

        densiscan tonight .
    """
    arguments.there(folder, "folder")
    if not folder.is_dir():
        raise WrongUseError(f"{folder} is a file; name the folder that tonight's scans are in.")
    book_file = location.notebook_file(notebook_option)
    by = calibration_for(CalibrationRequest(name=calibration, book=book_file))
    with opened(notebook_option) as book:
        tell(book)
        meant = book.run(run) if run is not None else run_of_today(book)
        if meant is None and not as_json and sys.stdin.isatty():
            meant = _as_the_last(book)
        new = _new_scans(book, folder)
        before = _before(book, meant)
    from densiscan.batch.assessment import Task
    from densiscan.batch.files import measure_files
    from densiscan.negative.options import MeasureOptions
    from densiscan.report.evening import evening_document, evening_text

    stops = None if meant is None else meant.scene_stops
    from densiscan.batch.assessment import PrintAim

    task = Task(options=MeasureOptions(glare=by.glare), aim=PrintAim(scene_stops=stops), told=by.warnings)
    result = measure_files(new, by.calibration, task, progress=reading_now)
    keep_readings(result, by.calibration, task, notebook_option, run=None if meant is None else meant.number)
    evening, documents = _evening(result, meant, before, notebook_option)
    show(evening_document(evening, documents) if as_json else evening_text(evening))
    if result.failures:
        raise typer.Exit(1)


def _as_the_last(book: Notebook) -> Run | None:
    """Ask whether tonight's run was as the last one, and log it; None where it was not, or nobody answers."""
    last = book.last_run()
    if last is None:
        return None
    from densiscan.report.runs import sentence

    say(f"No run is logged for today. The last was run {last.number}: {sentence(last)}.")
    if not typer.confirm("Log tonight's as the same again?", default=False, err=True):
        return None
    from densiscan.cli.app import run

    status = run(["run", "add", "--like", str(last.number), "--notebook", str(book.path)])
    return run_of_today(book) if status == 0 else None


def _new_scans(book: Notebook, folder: Path) -> list[Path]:
    """Return the scans of a folder that the notebook has no reading of for any run."""
    from densiscan.batch.files import scans_in
    from densiscan.notebook.readings import file_sha256

    files, _ = scans_in([folder])
    digests = {one.scan_sha256 for one in book.readings(with_documents=False) if one.run is not None}
    return [file for file in files if file_sha256(file) not in digests]


def _before(book: Notebook, run: Run | None) -> tuple[EarlierReading, ...]:
    """Return the readings of other runs, the earliest first, dated by their run."""
    from densiscan.notebook.as_read import findings_kept
    from densiscan.report.evening import EarlierReading

    days = {one.number: one.date for one in book.runs()}
    number = None if run is None else run.number
    kept = [
        EarlierReading(day=days.get(one.run or 0, one.made), findings=findings_kept(one.document))
        for one in book.counting_readings()
        if one.document is not None and one.run is not None and one.run != number
    ]
    return tuple(sorted(kept, key=lambda one: one.day))


def _evening(
    result: BatchResult, run: Run | None, before: tuple[EarlierReading, ...], notebook_option: Path | None
) -> tuple[Evening, list[Mapping[str, Any]]]:
    """Return the evening, and the documents of its readings: where none are new, those that the run has."""
    from densiscan.cli.trends import stops_by_run
    from densiscan.development.evidence import MOST_RUNS
    from densiscan.development.run import at_dilution, fog_before
    from densiscan.development.trends import trends_of
    from densiscan.negative.trouble.fog import judged_fog
    from densiscan.notebook.advised import advised_after
    from densiscan.notebook.as_read import assessment_kept
    from densiscan.report.evening import Evening
    from densiscan.report.readings import reading_document

    negatives = result.assessments
    documents: list[Mapping[str, Any]] = [reading_document(one) for one in negatives]
    fog, sheet = None, None
    trends: tuple[Trend, ...] = ()
    surprises: tuple[Surprise, ...] = ()
    if run is not None:
        with opened(notebook_option) as book:
            if not negatives:  # told again, from what was kept
                kept = book.counting_readings(runs=[run.number])
                documents = [one.document for one in kept if one.document is not None]
                negatives = tuple(assessment_kept(document) for document in documents)
            tell(book)
            logged = book.run(run.number)
            history = fog_before(book.runs(run.film), run.number)
            alike = at_dilution(book.runs(run.film, run.developer), run.dilution)
            upto = [one for one in alike if one.number <= run.number][-MOST_RUNS:]
            trends = trends_of(upto, stops_by_run(book, upto))
            surprises = _surprises(book, logged)
            sheet = advised_after(book, logged, today=datetime.now().astimezone().date().isoformat())
        if logged.base_plus_fogs:
            fog = judged_fog(max(logged.base_plus_fogs, key=lambda one: one.value), history=history)
    evening = Evening(
        run=run,
        negatives=negatives,
        before=before,
        failed=tuple((failure.path.name, failure.message) for failure in result.failures if failure.code != "no-scans"),
        fog=fog,
        sheet=sheet,
        trends=trends,
        surprises=surprises,
    )
    return evening, documents


def _surprises(book: Notebook, run: Run) -> tuple[Surprise, ...]:
    """Return how this run came out against what was expected, and before it those that it is told with."""
    from densiscan.development.evidence import MOST_RUNS
    from densiscan.development.run import at_dilution
    from densiscan.development.surprise import surprise_of

    def upto(one: Run) -> list[Run]:
        alike = at_dilution(book.runs(one.film, one.developer), one.dilution)
        return [other for other in alike if other.number <= one.number][-MOST_RUNS:]

    before = [*[other for other in book.runs() if other.number < run.number][-1:], *upto(run)[-2:-1]]
    told = {one.number: surprise_of(upto(one)) for one in sorted(before, key=lambda one: one.number)}
    here = surprise_of(upto(run))
    return () if here is None else (*(one for one in told.values() if one is not None), here)
