"""The command `map`: a whole scan as optical density, or as the print it gives, for other programs."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.cli.options import (
    OUR_FIGURE,
    CalibrationOption,
    CallierOption,
    JsonOption,
    NotebookOption,
    OldestOption,
    OverwriteOption,
    PageOption,
    PaperRangeOption,
    PpiOption,
    PrintingLight,
    ProcessOption,
    check_out,
    say,
    show,
)
from densiscan.cli.printing_sources import Source, Typed, measured_negatives, papers_named, typed_negative
from densiscan.errors import WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.calibration.trust import ReadWith
    from densiscan.paper.exposure import NegativeEnds, Printing
    from densiscan.paper.positive import PositiveAim
    from densiscan.paper.tested_range import PaperTest


def map_(
    scan: Annotated[Path, typer.Argument(metavar="SCAN", help="The scan.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.tif", help="The TIFF file to write.")],
    with_uncertainty: Annotated[
        bool, typer.Option("--with-uncertainty", help="Add a second page: the uncertainty (k = 2) of every pixel.")
    ] = False,
    beyond: Annotated[
        float | None, typer.Option("--beyond", metavar="D", help="What stands where the calibration ends; else NaN.")
    ] = None,
    positive: Annotated[
        bool, typer.Option("--positive", help="Write the print that a paper makes of the negative, 16-bit gray.")
    ] = False,
    paper: Annotated[
        str | None,
        typer.Option("--paper", metavar="NAME", help="With --positive: a tested paper; that which fits if not given."),
    ] = None,
    paper_range: PaperRangeOption = None,
    process: ProcessOption = PrintingLight.contact,
    callier: CallierOption = None,
    highlight: Annotated[
        float | None,
        typer.Option("--highlight", metavar="D", help="With --positive: the density that prints as the first tone."),
    ] = None,
    calibration: CalibrationOption = None,
    ppi: PpiOption = None,
    page: PageOption = None,
    oldest: OldestOption = 90.0,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the density of every pixel of a scan as a TIFF file.

    32-bit floating point numbers, as large as the scan and of its resolution: -log10 of each pixel's transmittance by
    the calibration, NaN where that ends. For programs that measure further; measure itself averages light over an
    aperture. With --positive it is the print instead: the negative on a tested paper, its highlight as the first tone,
    16-bit gray with a colour profile.

    For example:

        densiscan map mill.tif --out mill-density.tif
    """
    arguments.there(scan, "scan")
    if out.suffix.lower() not in {".tif", ".tiff"}:
        raise WrongUseError(f"{out} is not a name for a map; end it in .tif.")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    _check_ways(
        positive=positive,
        for_density={"--with-uncertainty": with_uncertainty, "--beyond": beyond is not None},
        for_print={
            "--paper": paper is not None,
            "--paper-range": paper_range is not None,
            "--process": process is not PrintingLight.contact,
            "--callier": callier is not None,
            "--highlight": highlight is not None,
        },
    )
    check_out(out, "--out", ours=OUR_FIGURE)
    book = location.notebook_file(notebook_option)
    by = calibration_for(CalibrationRequest(name=calibration, book=book, oldest_days=oldest))
    from densiscan.calibration.lamp import lamp_warnings
    from densiscan.calibration.map import write_density_map
    from densiscan.scan.scan import open_scan

    made = by.calibration
    opened = open_scan(scan, ppi=ppi, channel=made.channel, page=page)
    lamp = lamp_warnings(None, calibrated=made.knows_lamp)
    for warning in (*by.warnings, *opened.warnings, *made.mismatch(opened), *lamp):
        say(warning.message)
    if not positive:
        kept = math.nan if beyond is None else beyond
        told = write_density_map(opened, made, out, uncertainty=with_uncertainty, glare=by.glare, beyond=kept)
        say(f"Written to {out}, by the calibration {made.name}.")
    else:
        from densiscan.paper.exposure import printing_with
        from densiscan.paper.positive import write_positive

        printing = printing_with(process.value, callier=callier)
        source = Source(book=book, calibration=calibration, ppi=ppi)
        negative = _negative(scan, highlight, source, by)
        aim = _aim(negative, papers_named([paper], book) if paper else [], paper_range, printing, source)
        told = write_positive(opened, made, aim, out)
        say(f"Written to {out}: {scan.name} on {aim.paper}, density {aim.density:.2f} as its first tone.")
    if as_json:
        show(told)


def _check_ways(*, positive: bool, for_density: dict[str, bool], for_print: dict[str, bool]) -> None:
    """Check that nothing is asked for that the other of the two files would have.

    Raises
    ------
    WrongUseError
        If something is.
    """
    for option, given in (for_density if positive else for_print).items():
        if given and positive:
            raise WrongUseError(f"{option} is for densities; leave out --positive, or it.")
        if given:
            raise WrongUseError(f"{option} is for a print; add --positive, or leave it out.")


def _negative(scan: Path, highlight: float | None, source: Source, by: ReadWith) -> NegativeEnds:
    """Return the negative that is to be placed: as typed, else measured."""
    if highlight is not None:
        return typed_negative(Typed(highlight=highlight))
    negatives = measured_negatives(scan, source, lambda: by)
    if len(negatives) != 1:
        raise WrongUseError(f"{scan} holds {len(negatives)} negatives; give the density to print by with --highlight.")
    return negatives[0]


def _aim(
    negative: NegativeEnds, named: list[PaperTest], paper_range: float | None, printing: Printing, source: Source
) -> PositiveAim:
    """Return how it is placed: on the paper named, of that range, or that fits best of those kept; else a usual one."""
    from densiscan.paper.exposure import best_first, paper_fit
    from densiscan.paper.grade import USUAL_PAPER_RANGE, density_range_for
    from densiscan.paper.positive import aim_at

    density_range_for(paper_range, printing.process)
    tests = named or ([] if paper_range is not None else papers_named((), source.book))
    if named and paper_range is not None:
        raise WrongUseError("--paper and --paper-range both say which paper; give one of them.")
    with_curve = {test.circumstances.name: test for test in tests if named or test.points}
    if not with_curve:
        return aim_at(negative, USUAL_PAPER_RANGE if paper_range is None else paper_range, printing)
    best = best_first([paper_fit(negative, test, printing) for test in with_curve.values()])[0]
    return aim_at(negative, with_curve[best.name], printing)
