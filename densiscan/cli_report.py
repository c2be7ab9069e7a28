"""The page to look at: what `measure` takes to write one, and the command `report`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan import __version__, arguments
from densiscan.cli_options import now, say
from densiscan.errors import WrongUseError
from densiscan.writing import write_whole

if TYPE_CHECKING:
    from densiscan.batch import BatchResult, Task
    from densiscan.calibration import Calibration
    from densiscan.negative_sheet import SheetDetail

ReportOption = Annotated[
    Path | None,
    typer.Option("--report", metavar="FILE.html", help="Write a page to look at in a browser, pictures and all."),
]


def check_report(report: Path | None) -> None:
    """Check that a page can be put there; None passes.

    Raises
    ------
    WrongUseError
        If its name does not end in .html, or its folder does not exist.
    """
    if report is not None and report.suffix.lower() not in {".html", ".htm"}:
        raise WrongUseError(f"{report} is no name for a page; let it end in .html.")
    arguments.writable(report, "--report")


def detail_for(report: Path | None, scans: Sequence[Path]) -> SheetDetail | None:
    """Return how much of each negative is kept for the page: of one scan more than of many; nothing without a page."""
    if report is None:
        return None
    from densiscan.negative_sheet import OF_MANY, ONE_SHEET

    return ONE_SHEET if len(scans) == 1 and not scans[0].is_dir() else OF_MANY


def write_report(
    report: Path, scans: Sequence[Path], result: BatchResult, made: Calibration | None, task: Task
) -> None:
    """Write the page of what was measured; none where nothing was."""
    if not result.assessments:
        say(f"Nothing was measured, so {report} was not written.")
        return
    from densiscan.report import failure_document, reading_document
    from densiscan.report_page import PageHead, page_html
    from densiscan.report_page_sheet import PageReading

    readings = [
        PageReading(
            document=reading_document(assessment),
            sheet=assessment.sheet,
            rebate_mm=task.options.rebate_mm,
            paper_range=task.aim.paper_range,
        )
        for assessment in result.assessments
    ]
    wedge = result.assessments[0].wedge
    by = made if wedge is None else wedge.calibration
    assert by is not None  # noqa: S101 - what was measured was read by one of the two
    told = f"Read with the calibration {by.name} of {by.created[:10]}." if wedge is None else f"Read by {by.name}."
    head = PageHead(
        title=scans[0].resolve().name if len(scans) == 1 else f"{len(readings)} negatives",
        made=now(),
        version=__version__,
        calibration=by.name,
        density_range=by.density_range,
        told=(told,),
    )
    failed = [failure_document(failure) for failure in result.failures]
    write_whole(report, page_html(readings, head, failed=failed), what="the page")
    say(f"Written to {report}.")
