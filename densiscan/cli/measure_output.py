"""How readings come out of the commands that make them."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from densiscan.cli import arguments
from densiscan.cli.options import DEBUG_VARIABLE, OUR_CGATS, check_out, now, say, show, write_cgats
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole

if TYPE_CHECKING:
    from densiscan.batch.assessment import BatchResult
    from densiscan.development.answered import KeptExposure, SheetAnswer
    from densiscan.report.readings import Named


def show_readings(
    result: BatchResult,
    made: Named,
    csv: Path | None,
    *,
    as_json: bool,
    explain: bool = False,
    exposed: KeptExposure | None = None,
) -> None:
    """Print the readings, write the table file, and end with the status that they deserve.

    `exposed` is the exposure that was kept for the negative, where it is to answer for it.
    """
    from densiscan.report.budget import budgets_text, with_budgets
    from densiscan.report.readings import may_be_lost, readings_document, readings_text

    if csv is not None:
        from densiscan.report.table import readings_csv

        write_whole(csv, readings_csv(result), what="the table")
        say(f"Written to {csv}.")
    for failure in result.failures:
        if failure.fault is not None and os.environ.get(DEBUG_VARIABLE):
            say(failure.fault)
        say(f"densiscan: {failure.message}")
    if as_json:
        document = readings_document(result, made) | _answered(result, exposed)
        show(with_budgets(document, result) if explain else document)
    elif result.assessments:
        show(readings_text(result, made, usual=explain))
        if explain:
            show("\n" + budgets_text(result))
        _answer(result, exposed)
    if result.failures or may_be_lost(result.assessments):
        raise typer.Exit(1)


def sheet_exposed(sheet: str | None, scans: Sequence[Path], option: Path | None) -> KeptExposure | None:
    """Return the exposure that was kept for a sheet; None where none is named.

    Raises
    ------
    WrongUseError
        If none is kept under that number, or a folder or several scans are measured.
    """
    if sheet is None:
        return None
    if len(scans) > 1 or scans[0].is_dir():
        raise WrongUseError("--sheet is the number of one negative; measure one scan with it.")
    from densiscan.cli.keep import opened
    from densiscan.development.answered import kept_exposure

    with opened(option) as book:
        return kept_exposure(sheet, book.kept("exposure", sheet))


def _answer_of(result: BatchResult, exposed: KeptExposure | None) -> SheetAnswer | None:
    """Return what the negative answers; None, and why, where it cannot."""
    if exposed is None or not result.assessments:
        return None
    from densiscan.development.answered import sheet_answer

    reading = result.assessments[0].reading
    spot = reading.spots[0].net if reading.spots else None
    try:
        return sheet_answer(exposed, {"spot": spot, "shadow": reading.net_shadow, "highlight": reading.net_highlight})
    except WrongUseError as problem:
        say(f"densiscan: {arguments.in_options(str(problem))}")
        return None


def _answer(result: BatchResult, exposed: KeptExposure | None) -> None:
    answer = _answer_of(result, exposed)
    if answer is not None:
        from densiscan.report.exposing import answer_text

        show("\n" + answer_text(answer))


def _answered(result: BatchResult, exposed: KeptExposure | None) -> dict[str, Any]:
    """Return what a document of readings has more where an exposure was asked about."""
    from densiscan.report.exposing import answer_document

    answer = _answer_of(result, exposed)
    return {} if exposed is None else {"sheet": None if answer is None else answer_document(answer)}


def check_cgats(cgats: Path | None, scans: Sequence[Path]) -> None:
    """Check that the densities of what is measured can be written there; None passes.

    Raises
    ------
    WrongUseError
        If a folder or several scans are measured, or the file cannot be taken.
    """
    check_out(cgats, "--cgats", ours=OUR_CGATS)
    if cgats is not None and (len(scans) > 1 or scans[0].is_dir()):
        raise WrongUseError("--cgats takes the densities of one scan; of a folder write a table with --csv.")


def write_densities(cgats: Path | None, result: BatchResult) -> None:
    """Write the densities of readings for other programs; None passes."""
    if cgats is not None:
        from densiscan.report.cgats import readings_cgats

        write_cgats(lambda: readings_cgats(result.assessments, created=now()), cgats)


def reading_now(number: int, path: Path) -> None:
    """Name the scan that is being read, on a terminal."""
    if sys.stderr.isatty():
        say(f"{number + 1}: {path.name}")
