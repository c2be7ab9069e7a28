"""The command that checks a scanner."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.options import (
    OUR_CHECK,
    ChannelOption,
    DensitiesOption,
    FirstOption,
    IncrementOption,
    InvertedOption,
    JsonOption,
    NotebookOption,
    OldestOption,
    OverwriteOption,
    PageOption,
    PpiOption,
    RegionOption,
    StepsOption,
    UncertaintyOption,
    check_out,
    now,
    say,
    show,
    wedge_meant,
)
from densiscan.cli.progress import working
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.calibration.calibration import Calibration
    from densiscan.calibration.check.check import ScannerCheck


def check(
    wedge: Annotated[
        Path | None, typer.Option("--wedge", metavar="SCAN", help="Scan of the step wedge: noise, range, tone, drift.")
    ] = None,
    empty_bed: Annotated[
        Path | None, typer.Option("--empty-bed", metavar="SCAN", help="Scan of the empty bed: lamp, dust, banding.")
    ] = None,
    slot: Annotated[
        Path | None,
        typer.Option("--slot", metavar="SCAN", help="Scan of a black mask with one clear slot: glare."),
    ] = None,
    calibration: Annotated[
        str | None,
        typer.Option("--calibration", metavar="FILE|NAME", help="Calibration in use: has the scanner drifted from it?"),
    ] = None,
    densities: DensitiesOption = None,
    steps: StepsOption = None,
    increment: IncrementOption = 0.15,
    first: FirstOption = 0.05,
    uncertainty: UncertaintyOption = None,
    region: RegionOption = None,
    channel: ChannelOption = None,
    inverted: InvertedOption = None,
    signal_to_noise: Annotated[
        float,
        typer.Option("--signal-to-noise", metavar="N", help="Where the usable range ends, for single pixels."),
    ] = 1.0,
    oldest: OldestOption = 90.0,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write what was found to this file, as JSON.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep what was found in the calibration, so that measure knows of it.")
    ] = False,
    explain: Annotated[bool, typer.Option("--explain", help="Show also the drift at each step.")] = False,
    ppi: PpiOption = None,
    page: PageOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check how far you can trust the scanner.

    From a scan of the step wedge, of the empty bed, of a black mask with one clear slot, or of any of them. With
    --calibration the wedge also shows whether the scanner has drifted since.

    For example, how far the scanner has drifted since:

        densiscan check --wedge wedge.tif --densities wedge.csv --calibration mine
    """
    _scans_there(wedge, empty_bed, slot)
    if wedge is None and (densities is not None or steps is not None):
        raise WrongUseError("a wedge is described, but no scan of it named; add --wedge SCAN.")
    if keep and calibration is None:
        raise WrongUseError("--keep writes into a calibration; name it with --calibration.")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    arguments.within(signal_to_noise, "--signal-to-noise", above=0.0, upto=1000.0, such_as="1")
    arguments.within(oldest, "--oldest", above=0.0, upto=1e5, such_as="90")
    check_out(out, "--out", ours=OUR_CHECK)
    box = arguments.box(region, "--region")
    meant = None if wedge is None else wedge_meant(densities, steps, increment, first, uncertainty)
    book = location.notebook_file(notebook_option)
    moment = datetime.fromisoformat(now())
    file = None if calibration is None else location.find_calibration(calibration, book, now=moment)
    from densiscan.calibration.check.check import Asked, check_scanner
    from densiscan.calibration.file import read_calibration
    from densiscan.calibration.trust import read_with
    from densiscan.report.check import check_document, check_text

    in_use = None if file is None else read_calibration(file)
    with working("Checking"):
        result = check_scanner(
            Asked(
                wedge_scan=wedge,
                wedge=meant,
                empty_bed=empty_bed,
                slot=slot,
                in_use=in_use,
                region_mm=box,
                inverted=inverted,
                channel=channel,
                ppi=ppi,
                page=page,
                least_ratio=signal_to_noise,
            )
        )
    time = now()
    age = () if in_use is None else read_with(in_use, now=moment, mode=in_use.mode, oldest_days=oldest).warnings
    for failure in result.failed:
        say(f"densiscan: {failure.message}")
    document = check_document(result, age)
    if out is not None:
        write_whole(out, json.dumps(document, indent=1, allow_nan=False) + "\n", what="the check")
        say(f"Written to {out}.")
    if keep and file is not None and in_use is not None:
        _keep(result, in_use, file, time)
    show(document if as_json else check_text(result, age, every_step=explain))
    if result.failed:
        raise typer.Exit(1)


def _scans_there(*scans: Path | None) -> None:
    named = [scan for scan in scans if scan is not None]
    if not named:
        raise WrongUseError(
            "give something to check: --wedge SCAN with its densities, --empty-bed SCAN, or --slot SCAN."
        )
    for scan in named:
        arguments.there(scan, "scan")


def _keep(result: ScannerCheck, in_use: Calibration, file: Path, time: str) -> None:
    """Write what was found into the calibration's own file."""
    from dataclasses import replace

    from densiscan.calibration.check.check import findings_of
    from densiscan.calibration.file import write_calibration

    write_calibration(replace(in_use, findings=findings_of(result, checked=time).over(in_use.findings)), file)
    say(f"Kept in {file}.")
