"""The command `measure`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.archive_options import LinesOption, ParquetOption, check_lines
from densiscan.cli.calibrations import CalibrationRequest
from densiscan.cli.keep import end_unless, keep_readings, run_meant, run_number
from densiscan.cli.measure_output import check_cgats, reading_now, sheet_exposed, show_readings, write_densities
from densiscan.cli.measure_wedge import WedgeOption, check_wedge, read_by
from densiscan.cli.options import (
    OUR_TABLE,
    ApertureOption,
    BaseOption,
    CalibrationOption,
    CgatsOption,
    ChannelOption,
    ClusterOption,
    EmptyBedOption,
    FrameOption,
    InvertedOption,
    JobsOption,
    JsonOption,
    NotebookOption,
    OldestOption,
    OnlyOption,
    OverwriteOption,
    PageOption,
    PaperRangeOption,
    PpiOption,
    PrintingLight,
    ProcessOption,
    RebateOption,
    RecursiveOption,
    RegionOption,
    SceneStopsOption,
    check_out,
)
from densiscan.cli.progress import working
from densiscan.cli.report import ReportOption, check_report, detail_for, write_report
from densiscan.cli.trouble_options import (
    AsNegativeOption,
    FogSheetOption,
    MarkedOption,
    check_fog_sheet,
    check_marked,
    write_marked,
)
from densiscan.errors import WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.cli.measure_folder import FolderRequest
    from densiscan.development.zones import WantedZone


def measure(
    scans: Annotated[list[Path], typer.Argument(metavar="SCAN_OR_FOLDER...", help="Scans, or folders of scans.")],
    calibration: CalibrationOption = None,
    wedge: WedgeOption = None,
    region: RegionOption = None,
    inverted: InvertedOption = None,
    channel: ChannelOption = None,
    aperture: ApertureOption = 1.0,
    square: Annotated[bool, typer.Option("--square", help="A square aperture of that side.")] = False,
    trim: Annotated[
        float, typer.Option("--trim", metavar="PERCENT", help="Area left out at either end for shadow and highlight.")
    ] = 1.0,
    frame: FrameOption = None,
    rebate: RebateOption = None,
    spot: Annotated[
        list[str] | None, typer.Option("--spot", metavar="X,Y", help="Read this place too, in mm; may be repeated.")
    ] = None,
    on_zone: Annotated[
        list[str] | None,
        typer.Option(
            "--on-zone", metavar="X,Y,ZONE", help="What puts this place on this zone, 0 to 10; repeat for two."
        ),
    ] = None,
    base: BaseOption = None,
    base_fog: Annotated[
        float | None, typer.Option("--base-fog", metavar="D", help="Base plus fog, where no rebate is in the scan.")
    ] = None,
    process: ProcessOption = PrintingLight.contact,
    paper_range: PaperRangeOption = None,
    scene_stops: SceneStopsOption = None,
    ppi: PpiOption = None,
    page: PageOption = None,
    empty_bed: EmptyBedOption = None,
    glare: Annotated[
        Path | None,
        typer.Option("--glare", metavar="FILE", help="What check --slot wrote; else as kept with the calibration."),
    ] = None,
    correct_glare: Annotated[
        bool,
        typer.Option("--correct-glare", help="Take glare out of the readings instead of widening their uncertainty."),
    ] = False,
    oldest: OldestOption = 90.0,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write the readings to a table file.")
    ] = None,
    cgats: CgatsOption = None,
    lines: LinesOption = None,
    parquet: ParquetOption = None,
    fog_sheet: FogSheetOption = False,
    as_negative: AsNegativeOption = False,
    marked: MarkedOption = None,
    report: ReportOption = None,
    explain: Annotated[
        bool,
        typer.Option(
            "--explain", help="Show also what is usual, and what each uncertainty is made of, largest part first."
        ),
    ] = False,
    run: Annotated[
        str | None,
        typer.Option("--run", metavar="RUN", help="The development run they are of: its number, or last."),
    ] = None,
    sheet: Annotated[
        str | None,
        typer.Option("--sheet", metavar="SHEET", help="The number its exposure was kept under: how did it come out?"),
    ] = None,
    only: OnlyOption = None,
    recursive: RecursiveOption = False,
    jobs: JobsOption = None,
    cluster: ClusterOption = None,
    again: Annotated[
        bool, typer.Option("--again", help="Of a folder: read scans again that the notebook has just as they are.")
    ] = False,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure negatives and say what to change.

    One reading for each piece of film: base plus fog, shadow, highlight, density range, and from them advice on
    exposure, development and paper. Densities carry their uncertainty (k = 2, about 95 %). Positions are millimetres
    from the top left corner of the scan, x to the right, y down.

    For example, a negative of a subject of six stops:

        densiscan measure mill.tif --scene-stops 6
    """
    for file, what in (
        *((path, "scan or folder") for path in scans),
        *((empty_bed, "scan of the empty bed"), (glare, "check")),
    ):
        if file is not None:
            arguments.there(file, what)
    _check_numbers(aperture=aperture, trim=trim, base=base, base_fog=base_fog, ppi=ppi, jobs=jobs, oldest=oldest)
    check_out(csv, "--csv", ours=OUR_TABLE)
    check_cgats(cgats, scans)
    check_lines(
        lines,
        parquet,
        {
            "--csv": csv is not None,
            "--cgats": cgats is not None,
            "--explain": explain,
            "--json": as_json,
            "--run": run is not None,
            "--marked": marked is not None,
        },
    )
    check_wedge(wedge, region=region, inverted=inverted)
    check_marked(marked, scans)
    check_report(report)
    check_fog_sheet(fog_sheet=fog_sheet, frame=frame, as_negative=as_negative)
    boxes = arguments.box(frame, "--frame"), arguments.box(rebate, "--rebate")
    zones = _zones(on_zone, scans)
    spots = tuple(dict.fromkeys((*arguments.places(spot, "--spot"), *((one.x_mm, one.y_mm) for one in zones))))
    request = CalibrationRequest(
        name=calibration,
        book=location.notebook_file(notebook_option),
        oldest_days=oldest,
        glare=glare,
        correct_glare=correct_glare,
    )
    exposed = sheet_exposed(sheet, scans, notebook_option)
    number = None if run is None else run_number(run, notebook_option)
    of_run, known_base, fog_before = run_meant(number, notebook_option)
    base = known_base if base is None else base
    scene_stops = of_run.scene_stops if scene_stops is None and of_run is not None else scene_stops
    from densiscan.batch.assessment import PrintAim, Task
    from densiscan.batch.files import measure_files
    from densiscan.development.verdict import range_on_film
    from densiscan.negative.options import MeasureOptions
    from densiscan.paper.grade import density_range_for

    aim = PrintAim(process=process.value, paper_range=paper_range, scene_stops=scene_stops)
    density_range_for(aim.paper_range, aim.process)
    range_on_film(aim.scene_stops)
    by = read_by(
        request,
        wedge,
        region=region,
        inverted=inverted,
        channel=channel,
        empty_bed=empty_bed,
        ppi=ppi,
    )
    options = MeasureOptions(
        aperture_mm=aperture,
        square=square,
        trim=trim / 100.0,
        frame_mm=boxes[0],
        rebate_mm=boxes[1],
        spots_mm=spots,
        base_density=base,
        base_fog=base_fog,
        lamp=by.lamp,
        glare=by.glare,
        correct_glare=correct_glare,
        fog_sheet=fog_sheet,
        as_negative=as_negative,
    )
    task = Task(
        options=options,
        aim=aim,
        ppi=ppi,
        page=page,
        told=by.told,
        beside=by.beside,
        detail=None if lines is not None else detail_for(report, scans),
        fog_history=fog_before,
        zones=zones,
    )
    if lines is not None or len(scans) > 1 or scans[0].is_dir():
        from densiscan.batch.files import FileChoice
        from densiscan.cli.measure_folder import FolderRequest

        asked = FolderRequest(
            scans=scans,
            choice=FileChoice(patterns=tuple(only or ()), recursive=recursive),
            made=by.made,
            named=by,
            task=task,
            jobs=jobs,
            cluster=cluster,
            again=again,
            csv=csv,
            as_json=as_json,
            explain=explain,
            run=number,
            notebook=notebook_option,
            at_end=None if report is None else lambda all_: write_report(report, scans, all_, by.made, task),
        )
        _measure_many(asked, lines, parquet, report)
        return
    with working("Measuring"):
        result = measure_files(scans, by.made, task, progress=reading_now)
    if marked is not None:
        write_marked(marked, result, task, channel=by.channel)
    if report is not None:
        write_report(report, scans, result, by.made, task)
    write_densities(cgats, result)
    try:
        show_readings(result, by, csv, as_json=as_json, explain=explain, exposed=exposed)
    finally:
        kept = keep_readings(result, by.made, task, notebook_option, run=number)
    end_unless(kept or number is None)


def _measure_many(asked: FolderRequest, lines: Path | None, parquet: Path | None, report: Path | None) -> None:
    if lines is None:
        from densiscan.cli.measure_folder import measure_folder

        measure_folder(asked)
        return
    from densiscan.cli.measure_archive import measure_archive

    measure_archive(asked, lines, parquet, report)


def _zones(on_zone: list[str] | None, scans: list[Path]) -> tuple[WantedZone, ...]:
    if on_zone and (len(scans) > 1 or scans[0].is_dir()):
        raise WrongUseError("--on-zone names places of one negative; give one scan.")
    return arguments.zones(on_zone, "--on-zone")


def _check_numbers(
    *,
    aperture: float,
    trim: float,
    base: float | None,
    base_fog: float | None,
    ppi: float | None,
    jobs: int | None,
    oldest: float,
) -> None:
    arguments.within(jobs, "--jobs", above=0.0, upto=256.0, such_as="2")
    arguments.within(oldest, "--oldest", above=0.0, upto=1e5, such_as="90")
    arguments.within(aperture, "--aperture", above=0.0, upto=50.0, such_as="1")
    arguments.within(trim, "--trim", above=0.05, upto=40.0, such_as="1 (per cent of the area)")
    arguments.within(base, "--base", above=-0.05, upto=3.0, such_as="0.12")
    arguments.within(base_fog, "--base-fog", above=-0.05, upto=5.0, such_as="0.25")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
