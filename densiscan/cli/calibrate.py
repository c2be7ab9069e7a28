"""The command `calibrate`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import keep_document
from densiscan.cli.options import (
    OUR_CALIBRATION,
    ChannelOption,
    DensitiesOption,
    EmptyBedOption,
    FirstOption,
    IncrementOption,
    InvertedOption,
    JsonOption,
    NotebookOption,
    OverwriteOption,
    PageOption,
    PlotOption,
    PpiOption,
    RegionOption,
    StepsOption,
    check_out,
    check_plot,
    now,
    say,
    show,
    wedge_meant,
    write_plot,
)
from densiscan.cli.progress import working
from densiscan.files.atomic import as_text
from densiscan.notebook import location


def calibrate(
    scan: Annotated[Path, typer.Argument(metavar="SCAN", help="Scan of the step wedge.")],
    densities: DensitiesOption = None,
    steps: StepsOption = None,
    increment: IncrementOption = 0.15,
    first: FirstOption = 0.05,
    empty_bed: EmptyBedOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write the calibration to this file.")
    ] = None,
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Keep the calibration under this name.")
    ] = None,
    channel: ChannelOption = None,
    region: RegionOption = None,
    ppi: PpiOption = None,
    page: PageOption = None,
    inverted: InvertedOption = None,
    reflection: Annotated[bool, typer.Option("--reflection", help="The wedge is a print, read by reflection.")] = False,
    plot: PlotOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a calibration from the scan of a step wedge.

    The steps are found by themselves. Without --out the calibration is kept by name beside the notebook, and measure
    takes the last one made. --plot draws its curve, each step predicted from the others, and the noise.

    For example, a calibration named mine:

        densiscan calibrate wedge.tif --densities wedge.csv --name mine
    """
    arguments.there(scan, "scan")
    if empty_bed is not None:
        arguments.there(empty_bed, "scan of the empty bed")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    check_plot(plot)
    box = arguments.box(region, "--region")
    wedge = wedge_meant(densities, steps, increment, first)
    places = _places_for(out, name, scan, notebook_option)
    from densiscan.calibration.file import calibration_document, write_calibration
    from densiscan.calibration.make import Label
    from densiscan.calibration.make import calibrate as calibrated
    from densiscan.report.readings import calibration_text
    from densiscan.scan.scan import open_scan
    from densiscan.wedge.wedge import wedge_document

    opened = open_scan(scan, ppi=ppi, channel=channel, page=page)
    mode = "reflection" if reflection else wedge.mode or "transmission"
    label = Label(name=name or as_text((out or scan).stem), created=now(), mode=mode)
    bed = None if empty_bed is None else open_scan(empty_bed, ppi=ppi, channel=channel)
    with working("Looking for the wedge"):
        calibration = calibrated(opened, wedge, label=label, region_mm=box, inverted=inverted, empty_bed=bed)
    for place in places:
        write_calibration(calibration, place)
    show(calibration_document(calibration) if as_json else calibration_text(calibration))
    if plot is not None:
        from densiscan.report.figures.calibration import calibration_figure

        write_plot(calibration_figure(calibration), plot)
    for place in places:
        say(f"Written to {place}.")
    keep_document("calibration", calibration.name[:80], calibration_document(calibration), notebook_option, scan=scan)
    keep_document(
        "wedge", as_text((densities or Path(f"{steps} steps")).stem)[:80], wedge_document(wedge), notebook_option
    )


def _places_for(out: Path | None, name: str | None, scan: Path, notebook_option: Path | None) -> tuple[Path, ...]:
    """Return where the calibration is written: to --out, under --name, under the scan's name where neither is said."""
    check_out(out, "--out", ours=OUR_CALIBRATION)
    places = [] if out is None else [out]
    if name is not None or out is None:
        book = location.notebook_file(notebook_option)
        places.append(location.place_for_calibration(name or _plain(scan.stem), book))
    return tuple(places)


def _plain(stem: str) -> str:
    """Return a file's name with everything left out that a calibration's name may not hold."""
    kept = "".join(mark if mark.isalnum() or mark in " ._-" else "-" for mark in stem)[:80].strip(" ._-")
    return kept or "calibration"
