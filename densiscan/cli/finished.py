"""The command `finished`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.cli.keep import end_unless, keep_named
from densiscan.cli.options import (
    CallierOption,
    FrameOption,
    JsonOption,
    NotebookOption,
    PageOption,
    PpiOption,
    PrintingLight,
    say,
    show,
)
from densiscan.cli.printing_sources import Source, Typed, negatives_named, papers_named, typed_negative
from densiscan.cli.progress import working
from densiscan.errors import WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.paper.exposure import NegativeEnds


def finished(
    scan: Annotated[Path, typer.Argument(metavar="PRINT", help="Reflection scan of a finished print.")],
    paper: Annotated[
        str | None, typer.Option("--paper", metavar="NAME", help="The paper it is on, as it was tested.")
    ] = None,
    negative: Annotated[
        str | None,
        typer.Option(
            "--negative", metavar="NEGATIVE", help="Its negative: a scan, or the name of one measured before."
        ),
    ] = None,
    shadow: Annotated[
        float | None, typer.Option("--shadow", metavar="D", help="Instead of --negative: its shadow density.")
    ] = None,
    highlight: Annotated[
        float | None, typer.Option("--highlight", metavar="D", help="Instead of --negative: its highlight density.")
    ] = None,
    exposure: Annotated[
        float | None, typer.Option("--exposure", metavar="SECONDS", help="Seconds that the print got.")
    ] = None,
    process: Annotated[PrintingLight, typer.Option("--process", help="How it was printed.")] = PrintingLight.contact,
    callier: CallierOption = None,
    frame: FrameOption = None,
    rebate: Annotated[
        str | None, typer.Option("--rebate", metavar="BOX", help="The printed clear rebate: is it full black?")
    ] = None,
    calibration: Annotated[
        str | None,
        typer.Option(
            "--calibration", metavar="FILE|NAME", help="By a reflection wedge; the last such one if not given."
        ),
    ] = None,
    film_calibration: Annotated[
        str | None,
        typer.Option("--film-calibration", metavar="FILE|NAME", help="By a wedge on film, for a scan of the negative."),
    ] = None,
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Keep the reading in the notebook under this name.")
    ] = None,
    as_print: Annotated[
        bool, typer.Option("--as-print", help="It is a print, whatever it looks like: judge it as one.")
    ] = False,
    ppi: PpiOption = None,
    page: PageOption = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Read a finished print, and say what to change in the next.

    White, black and tonal range. With --paper against what the paper can give; with its negative and --exposure also
    which of its densities were lost at either end.

    For example, a print on the paper tested as old-box:

        densiscan finished mill-print.tif --paper old-box --exposure 10
    """
    arguments.there(scan, "scan")
    arguments.within(exposure, "--exposure", above=0.0, upto=1e5, such_as="12 (seconds)")
    arguments.within(callier, "--callier", above=0.99, upto=2.0, such_as="1.25")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="300")
    boxes = arguments.box(frame, "--frame"), arguments.box(rebate, "--rebate")
    typed = Typed(shadow=shadow, highlight=highlight)
    book = location.notebook_file(notebook_option)
    _check(paper, negative, typed)
    tests = [] if paper is None else papers_named([paper], book)
    made_of = _negative(negative, typed, Source(book=book, calibration=film_calibration))
    by = calibration_for(CalibrationRequest(name=calibration, book=book, mode="reflection"))
    calibrated = by.calibration
    from densiscan.paper.exposure import printing_with
    from densiscan.paper.finished import PrintMade, judged, read_print
    from densiscan.report.finished import FinishedSheet, finished_document, finished_text
    from densiscan.scan.scan import open_scan

    print_made = PrintMade(printing=printing_with(process.value, callier=callier), negative=made_of, seconds=exposure)
    opened = open_scan(scan, ppi=ppi, channel=calibrated.channel, page=page)
    with working("Reading the print"):
        reading = read_print(opened, calibrated, frame_mm=boxes[0], rebate_mm=boxes[1], as_print=as_print)
    reading = replace(reading, warnings=(*by.warnings, *reading.warnings))
    test = tests[0] if tests else None
    judgement = None if test is None or reading.seen == "negative" else judged(reading, test, print_made)
    sheet = FinishedSheet(reading=reading, test=test, judgement=judgement, seconds=exposure)
    document = finished_document(sheet)
    show(document if as_json else finished_text(sheet))
    if name is not None:
        end_unless(keep_named("print", name, document, notebook_option, scan=scan))
        say(f"Kept in the notebook as {name}.")


def _check(paper: str | None, negative: str | None, typed: Typed) -> None:
    if negative is not None and typed.any():
        raise WrongUseError("--negative and --shadow with --highlight both give the negative; give one of them.")
    if paper is None and (negative is not None or typed.any()):
        raise WrongUseError("a print is held against its negative through its paper; name it with --paper.")


def _negative(name: str | None, typed: Typed, source: Source) -> NegativeEnds | None:
    if name is None:
        return typed_negative(typed) if typed.any() else None
    negatives, failed = negatives_named([name], source)
    if failed:
        raise WrongUseError(failed[0]["message"])
    if len(negatives) != 1:
        raise WrongUseError(f"{name} holds {len(negatives)} negatives; name a scan of one.")
    return negatives[0]
