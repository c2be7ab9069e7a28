"""The command `map`: a whole scan as optical density, for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.cli.options import (
    OUR_FIGURE,
    CalibrationOption,
    NotebookOption,
    OldestOption,
    OverwriteOption,
    PageOption,
    PpiOption,
    check_out,
    say,
)
from densiscan.errors import WrongUseError
from densiscan.notebook import location


def map_(
    scan: Annotated[Path, typer.Argument(metavar="SCAN", help="The scan.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.tif", help="The TIFF file to write.")],
    calibration: CalibrationOption = None,
    ppi: PpiOption = None,
    page: PageOption = None,
    oldest: OldestOption = 90.0,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
) -> None:
    """Write the density of every pixel of a scan as a TIFF file.

    32-bit floating point numbers, as large as the scan and of its resolution: -log10 of each pixel's transmittance by
    the calibration, NaN where that ends. For programs that measure further; measure itself averages light over an
    aperture.

    For example:

        densiscan map mill.tif --out mill-density.tif
    """
    arguments.there(scan, "scan")
    if out.suffix.lower() not in {".tif", ".tiff"}:
        raise WrongUseError(f"{out} is not a name for a map; end it in .tif.")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    check_out(out, "--out", ours=OUR_FIGURE)
    by = calibration_for(
        CalibrationRequest(name=calibration, book=location.notebook_file(notebook_option), oldest_days=oldest)
    )
    from densiscan.calibration.map import write_density_map
    from densiscan.scan.scan import open_scan

    made = by.calibration
    opened = open_scan(scan, ppi=ppi, channel=made.channel, page=page)
    for warning in (*by.warnings, *opened.warnings, *made.mismatch(opened)):
        say(warning.message)
    write_density_map(opened, made, out)
    say(f"Written to {out}, by the calibration {made.name}.")
