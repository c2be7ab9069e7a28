"""The page to look at: what `measure` takes to write one, and the command `report`."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from densiscan import __version__
from densiscan.cli import arguments
from densiscan.cli.keep import meant, opened, run_number, tell
from densiscan.cli.options import OUR_PAGE, NotebookOption, OverwriteOption, check_out, now, say
from densiscan.cli.trends import stops_by_run
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole

if TYPE_CHECKING:
    from densiscan.batch.assessment import BatchResult, Task
    from densiscan.calibration.calibration import Calibration
    from densiscan.development.run import Run
    from densiscan.negative.preview import SheetDetail
    from densiscan.notebook.advised import AdviceSheet
    from densiscan.notebook.notebook import Notebook
    from densiscan.report.page.negative import PageReading
    from densiscan.report.page.notebook import Chosen, Taken

ReportOption = Annotated[
    Path | None,
    typer.Option("--report", metavar="FILE.html", help="Write a web page with pictures."),
]


def check_report(report: Path | None) -> None:
    """Check that a page can be put there; None passes.

    Raises
    ------
    WrongUseError
        If its name does not end in .html, or its folder does not exist.
    """
    if report is not None and report.suffix.lower() not in {".html", ".htm"}:
        raise WrongUseError(f"{report} is not a name for a page; end it in .html.")
    check_out(report, "--report", ours=OUR_PAGE)


def detail_for(report: Path | None, scans: Sequence[Path]) -> SheetDetail | None:
    """Return how much of each negative is kept for the page: of one scan more than of many; nothing without a page."""
    if report is None:
        return None
    from densiscan.negative.preview import OF_MANY, ONE_SHEET

    return ONE_SHEET if len(scans) == 1 and not scans[0].is_dir() else OF_MANY


def write_report(
    report: Path, scans: Sequence[Path], result: BatchResult, made: Calibration | None, task: Task
) -> None:
    """Write the page of what was measured; none where nothing was."""
    if not result.assessments:
        say(f"Nothing was measured, so {report} was not written.")
        return
    from densiscan.report.page.negative import PageReading
    from densiscan.report.page.page import PageHead, page_html

    wedge = result.assessments[0].wedge
    by = made if wedge is None else wedge.calibration
    assert by is not None  # noqa: S101 - what was measured was read by one of the two
    readings = [
        PageReading(
            assessment=assessment,
            calibration=by.name if assessment.wedge is None else assessment.wedge.calibration.name,
            rebate_mm=task.options.rebate_mm,
            paper_range=task.aim.paper_range,
        )
        for assessment in result.assessments
    ]
    source = f"Read with the calibration {by.name} of {by.created[:10]}." if wedge is None else f"Read by {by.name}."
    head = PageHead(
        title=scans[0].resolve().name if len(scans) == 1 else f"{len(readings)} negatives",
        made=now(),
        version=__version__,
        told=(source,),
    )
    write_whole(report, page_html(readings, head, failed=result.failures), what="the page")
    say(f"Written to {report}.")


def report(
    page: Annotated[Path, typer.Argument(metavar="FILE.html", help="The page to write.")],
    run: Annotated[
        list[str] | None,
        typer.Option("--run", metavar="RUN", help="Of this run, by number or last; may be repeated."),
    ] = None,
    film: Annotated[str | None, typer.Option("--film", metavar="NAME", help="What was read of this film.")] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="From this day on, such as 2026-03-14.")
    ] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="DATE", help="Up to this day.")] = None,
    compare: Annotated[
        tuple[str, str] | None,
        typer.Option("--compare", metavar="A B", help="Two negatives beside each other, by the names of their scans."),
    ] = None,
    pictures: Annotated[
        bool,
        typer.Option("--pictures/--no-pictures", help="Read scans that are still there again, for their pictures."),
    ] = True,
    scans: Annotated[
        Path | None, typer.Option("--scans", metavar="FOLDER", help="Where the scans are now, if they were moved.")
    ] = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
) -> None:
    """Make a web page from the notebook.

    Of a run, a film, a span of time, or everything: runs, what was read of their negatives, and how it went from one
    to the next. A negative is shown with its picture where its scan still lies where it was measured.

    For example, everything of one spring:

        densiscan report spring.html --since 2026-03-01 --until 2026-05-31
    """
    check_report(page)
    if scans is not None:
        arguments.there(scans, "folder of scans")
    from densiscan.report.page.notebook import Chosen

    days = _day(since, "--since"), _day(until, "--until")
    numbers = tuple(run_number(one, notebook_option) for one in run or ())
    if compare is not None and (numbers or film is not None or any(days)):
        raise WrongUseError("--compare names the two negatives itself; leave --run, --film, --since and --until out.")
    if compare is None:
        chosen = Chosen(runs=numbers, film=film, since=days[0], until=days[1])
        written = _notebook_page(chosen, notebook_option, pictures=pictures, scans=scans)
    else:
        written = _pair_page(compare, notebook_option, pictures=pictures, scans=scans)
    write_whole(page, written, what="the page")
    say(f"Written to {page}.")


def _day(text: str | None, option: str) -> str | None:
    """Return the day that was typed; WrongUseError where it is none."""
    from datetime import date

    try:
        return None if text is None else date.fromisoformat(text).isoformat()
    except ValueError as problem:
        raise WrongUseError(
            f'{option} "{text}" is not a valid date; give year-month-day, such as 2026-03-14.'
        ) from problem


def _notebook_page(chosen: Chosen, notebook_option: Path | None, *, pictures: bool, scans: Path | None) -> str:
    """Return the page of what is chosen; NotebookError where there is nothing of it."""
    from densiscan.errors import NotebookError
    from densiscan.report.page.drawings import drawings, film_drawings
    from densiscan.report.page.notebook import next_step, runs_table, taken
    from densiscan.report.page.page import PageHead, page_html

    with opened(notebook_option) as book:
        tell(book)
        film, _ = meant(book, chosen.film, None)
        chosen = replace(chosen, film=film)
        every = _runs_beside(book, chosen)
        wanted = [run.number for run in every if chosen.has(run)] if chosen.of_runs else None
        selection = taken(chosen, every, book.counting_readings(runs=wanted))
        if not selection.runs and not selection.readings:
            raise NotebookError(f"{book.path} has no runs or readings of that; densiscan run list shows what it has.")
        stops = stops_by_run(book, selection.runs)
        tests = {name: book.kept("film-test", name) or {} for name in book.names("film-test")}
        steps = [next_step(sheet) for sheet in _advised(book, selection.runs)]
        how = [book.how_read(reading.uid) for reading in selection.readings]
    readings = _shown(selection, how, pictures=pictures, scans=scans)
    head = PageHead(title=chosen.words(), made=now(), version=__version__, told=(_counted(selection),))
    films = {run.film for run in selection.runs}
    tables = [runs_table(selection.runs)] if selection.runs else []
    figures = (*film_drawings(tests, films), *drawings(selection.runs, stops, tests, every=every))
    return page_html(readings, head, tables=tables, drawings=figures, next_steps=steps)


def _runs_beside(book: Notebook, chosen: Chosen) -> tuple[Run, ...]:
    """Return all runs of the films that are wanted, the earliest first: no more is read of a large notebook."""
    films = {book.run(number).film for number in chosen.runs} if chosen.runs else {chosen.film}
    of_each = [book.runs(film) for film in sorted(films, key=str)]
    return of_each[0] if len(of_each) == 1 else tuple(sorted(chain(*of_each), key=lambda run: (run.date, run.number)))


def _pair_page(names: tuple[str, str], notebook_option: Path | None, *, pictures: bool, scans: Path | None) -> str:
    """Return the page of two negatives beside each other."""
    from densiscan.report.page.notebook import two_of
    from densiscan.report.page.page import PageHead, page_html

    with opened(notebook_option) as book:
        tell(book)
        selection = two_of(names, book.runs(), book.counting_readings())
        how = [book.how_read(reading.uid) for reading in selection.readings]
    readings = _shown(selection, how, pictures=pictures, scans=scans)
    title = " and ".join(str(reading.file) for reading in selection.readings)
    return page_html(readings, PageHead(title=title, made=now(), version=__version__, beside=True))


def _shown(
    selection: Taken, how: Sequence[tuple[dict[str, Any], dict[str, Any]]], *, pictures: bool, scans: Path | None
) -> tuple[PageReading, ...]:
    """Return the chosen readings as a page shows them, with their pictures where those can be had and are wanted."""
    from densiscan.negative.preview import OF_MANY, ONE_SHEET
    from densiscan.notebook.keep import task_kept
    from densiscan.report.page.again import sheets_again
    from densiscan.report.page.notebook import Made, page_readings

    made = [Made(calibration=calibration, task=task_kept(options)) for calibration, options in how]
    detail = ONE_SHEET if len(made) <= 2 else OF_MANY
    sheet_of = (
        sheets_again(_reading_again, scans, detail, version=__version__)
        if pictures
        else (lambda _kept, _assessment, _made: None)
    )
    return page_readings(list(zip(selection.readings, made, strict=True)), selection.runs, sheet_of)


def _advised(book: Notebook, runs: Sequence[Run]) -> list[AdviceSheet]:
    """Return what `advise` says of each film and developer in use, developed last first."""
    from densiscan.notebook.advised import advised_after, in_use
    from densiscan.report.page.drawings import MOST_PAIRS

    today = datetime.now().astimezone().date().isoformat()
    return [advised_after(book, run, today=today) for run in in_use(runs, MOST_PAIRS)]


def _counted(selection: Taken) -> str:
    runs, negatives = len(selection.runs), len(selection.readings)
    return f"{runs} {'run' if runs == 1 else 'runs'}, {negatives} {'negative' if negatives == 1 else 'negatives'}."


def _reading_again(path: Path) -> None:
    if sys.stderr.isatty():
        say(f"{path.name}")
