"""The command `map`: a whole scan as optical density, for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from densiscan import arguments, notebook
from densiscan.cli_options import (
    OUR_FIGURE,
    CalibrationOption,
    NotebookOption,
    OldestOption,
    OverwriteOption,
    PageOption,
    PpiOption,
    check_out,
    now,
    say,
)
from densiscan.errors import WrongUseError


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
        raise WrongUseError(f"{out} is not a name for the map; let it end in .tif.")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    check_out(out, "--out", ours=OUR_FIGURE)
    chosen = notebook.find_calibration(calibration, notebook.notebook_file(notebook_option))
    from datetime import datetime

    from densiscan.calibration_file import read_calibration
    from densiscan.calibration_map import write_density_map
    from densiscan.calibration_trust import trust_warnings
    from densiscan.scan import open_scan

    made = read_calibration(chosen)
    opened = open_scan(scan, ppi=ppi, channel=made.channel, page=page)
    for warning in (
        *trust_warnings(made, now=datetime.fromisoformat(now()), oldest_days=oldest),
        *opened.warnings,
        *made.mismatch(opened),
    ):
        say(warning.message)
    write_density_map(opened, made, out)
    say(f"Written to {out}, by the calibration {made.name}.")
