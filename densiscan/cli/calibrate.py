"""The command `calibrate`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import end_unless, keep_document
from densiscan.cli.options import (
    OUR_CALIBRATION,
    OUR_CGATS,
    CgatsOption,
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
    UncertaintyOption,
    check_out,
    check_plot,
    now,
    say,
    show,
    wedge_meant,
    write_cgats,
    write_plot,
)
from densiscan.cli.progress import working
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.files.atomic import as_text
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.calibration.calibration import Calibration

_HEAD_BYTES: Final = 200
"""Of a calibration file, its form stands in the first line or two."""


def calibrate(
    scans: Annotated[
        list[str],
        typer.Argument(
            metavar="SCAN...",
            help="Scan of the step wedge; several, turned and moved between, or calibrations by name.",
        ),
    ],
    densities: DensitiesOption = None,
    steps: StepsOption = None,
    increment: IncrementOption = 0.15,
    first: FirstOption = 0.05,
    uncertainty: UncertaintyOption = None,
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
    cgats: CgatsOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a calibration from the scan of a step wedge.

    The steps are found by themselves. Without --out the calibration is kept by name beside the notebook, and measure
    takes the last one made. --plot draws its curve, each step predicted from the others, and the noise.

    Several scans of the wedge, turned round and moved between them, are combined: noise, dust and the lamp average out,
    and what the scans differ by is shown. Calibrations by that wedge from several days may be named instead of scans.

    For example, a calibration named mine:

        densiscan calibrate wedge.tif --densities wedge.csv --name mine
    """
    if empty_bed is not None:
        arguments.there(empty_bed, "scan of the empty bed")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    check_plot(plot)
    check_out(cgats, "--cgats", ours=OUR_CGATS)
    box = arguments.box(region, "--region")
    meant = _meant(scans, notebook_option)
    files = [file for file, is_scan in meant if is_scan]
    wedge = wedge_meant(densities, steps, increment, first, uncertainty) if files else None
    places = _places_for(out, name, meant[0][0], notebook_option)
    from densiscan.calibration.file import calibration_document, read_calibration, write_calibration
    from densiscan.calibration.make import Label
    from densiscan.calibration.make import calibrate as calibrated
    from densiscan.report.cgats import wedge_cgats
    from densiscan.report.readings import calibration_text
    from densiscan.scan.scan import open_scan
    from densiscan.wedge.wedge import wedge_document

    called = name or as_text((out or meant[0][0]).stem)
    bed = None if empty_bed is None else open_scan(empty_bed, ppi=ppi, channel=channel)

    def look(file: Path, *, is_scan: bool) -> Calibration:
        if wedge is None or not is_scan:
            return read_calibration(file)
        opened = open_scan(file, ppi=ppi, channel=channel, page=page)
        label = Label(name=called, created=now(), mode="reflection" if reflection else wedge.mode or "transmission")
        with working("Looking for the wedge"):
            return calibrated(opened, wedge, label=label, region_mm=box, inverted=inverted, empty_bed=bed)

    looks = _looks([partial(look, file, is_scan=is_scan) for file, is_scan in meant])
    calibration = _together(looks, called)
    for place in places:
        write_calibration(calibration, place)
    show(calibration_document(calibration) if as_json else calibration_text(calibration))
    if plot is not None:
        from densiscan.report.figures.calibration import calibration_figure

        write_plot(calibration_figure(calibration), plot)
    write_cgats(lambda: wedge_cgats(calibration), cgats)
    for place in places:
        say(f"Written to {place}.")
    scan = files[0] if files else None
    keep_document("calibration", calibration.name[:80], calibration_document(calibration), notebook_option, scan=scan)
    if wedge is not None:
        described = as_text((densities or Path(f"{steps} steps")).stem)[:80]
        keep_document("wedge", described, wedge_document(wedge), notebook_option)
    end_unless(len(looks) == len(meant))


def _looks(each: Sequence[Callable[[], Calibration]]) -> list[Calibration]:
    """Return what each look at the wedge gives; of several, one that fails is told and does not stop the others."""
    if len(each) == 1:
        return [each[0]()]
    looks = []
    for look in each:
        try:
            looks.append(look())
        except DensiscanError as problem:
            say(f"densiscan: {problem}")
    if not looks:
        raise typer.Exit(1)
    return looks


def _together(looks: Sequence[Calibration], name: str) -> Calibration:
    if len(looks) == 1:
        return looks[0]
    from densiscan.calibration.make import Label
    from densiscan.calibration.several_looks import combine_looks

    return combine_looks(looks, label=Label(name=name, created=max(look.created for look in looks)))


def _meant(scans: list[str], notebook_option: Path | None) -> list[tuple[Path, bool]]:
    """Return the files that are named, and whether each is a scan or else a calibration.

    Raises
    ------
    WrongUseError
        If one is neither a file nor a calibration that is kept.
    """
    book = location.notebook_file(notebook_option)
    kept = {one.name: one.file for one in location.kept_calibrations(book)}
    found = []
    for typed in scans:
        file = Path(typed)
        if not file.exists() and typed in kept:
            found.append((kept[typed], False))
            continue
        arguments.there(file, "scan")
        if file.suffix.lower() == ".csv":
            raise WrongUseError(f"{typed} is a table; if it has the densities of the wedge, write --densities {typed}.")
        with file.open("rb") as stream:
            found.append((file, OUR_CALIBRATION not in stream.read(_HEAD_BYTES)))
    if len(found) == 1 and not found[0][1]:
        raise WrongUseError(f"{scans[0]} is a calibration already; name a scan of the wedge, or several calibrations.")
    return found


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
