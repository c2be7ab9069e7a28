"""How readings come out of the commands that make them."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from densiscan.cli.options import DEBUG_VARIABLE, OUR_CGATS, check_out, now, say, show, write_cgats
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole

if TYPE_CHECKING:
    from densiscan.batch.assessment import BatchResult
    from densiscan.report.readings import Named


def show_readings(result: BatchResult, made: Named, csv: Path | None, *, as_json: bool, explain: bool = False) -> None:
    """Print the readings, write the table file, and end with the status that they deserve."""
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
        document = readings_document(result, made)
        show(with_budgets(document, result) if explain else document)
    elif result.assessments:
        show(readings_text(result, made, usual=explain))
        if explain:
            show("\n" + budgets_text(result))
    if result.failures or may_be_lost(result.assessments):
        raise typer.Exit(1)


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
