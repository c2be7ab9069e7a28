"""The commands: parse, call the core in the order of the flow, show.

numpy and everything heavy is imported inside the command that needs it, so that `--help` is quick.
"""

from __future__ import annotations

import os
import sys
import traceback
import warnings
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, cast

import typer

from densiscan import __version__, arguments, notebook
from densiscan.cli_check import check
from densiscan.cli_options import (
    ChannelOption,
    DensitiesOption,
    EmptyBedOption,
    FirstOption,
    IncrementOption,
    InvertedOption,
    JsonOption,
    NotebookOption,
    OldestOption,
    PageOption,
    PpiOption,
    RegionOption,
    StepsOption,
    wedge_meant,
)
from densiscan.cli_options import now as _now
from densiscan.cli_options import say as _say
from densiscan.cli_options import show as _show
from densiscan.cli_trouble import FogSheetOption, MarkedOption, check_fog_sheet, check_marked, write_marked
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.writing import write_whole

if TYPE_CHECKING:
    from densiscan.batch import BatchResult
    from densiscan.calibration import Calibration

DEBUG_VARIABLE: Final = "DENSISCAN_DEBUG"
_USAGE_ERROR: Final = cast("type[Exception]", typer.BadParameter.__mro__[1])
"""Every wrong command line; typer shows only this one child of it by name."""
_HELP_WIDTH: Final = 80


class Light(StrEnum):
    """How the negative is printed."""

    contact = "contact"
    diffusion = "diffusion"
    condenser = "condenser"


app = typer.Typer(
    name="densiscan",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["--help", "-h"], "max_content_width": _HELP_WIDTH},
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"densiscan {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def densiscan(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001 - its callback acts
        bool, typer.Option("--version", help="Print the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Turn a flatbed scanner and one step wedge into a densitometer for black-and-white negatives.

    Scan the wedge and run calibrate; scan a negative and run measure. To see both at work first, run demo.
    """
    if context.invoked_subcommand is None:
        typer.echo(context.get_help(), err=True)
        raise typer.Exit(2)


@app.command()
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
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a calibration from the scan of a step wedge.

    The steps are found by themselves. Without --out the calibration is kept by name beside the notebook, and measure
    takes the last one made.
    """
    arguments.there(scan, "scan")
    if empty_bed is not None:
        arguments.there(empty_bed, "scan of the empty bed")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    box = arguments.box(region, "--region")
    wedge = wedge_meant(densities, steps, increment, first)
    places = _places_for(out, name, scan, notebook_option)
    from densiscan.calibrate import Label
    from densiscan.calibrate import calibrate as calibrated
    from densiscan.calibration_file import calibration_document, write_calibration
    from densiscan.report import calibration_text
    from densiscan.scan import open_scan

    opened = open_scan(scan, ppi=ppi, channel=channel, page=page)
    mode = "reflection" if reflection else wedge.mode or "transmission"
    label = Label(name=name or (out or scan).stem, created=_now(), mode=mode)
    bed = None if empty_bed is None else open_scan(empty_bed, ppi=ppi, channel=channel)
    made = calibrated(opened, wedge, label=label, region_mm=box, inverted=inverted, empty_bed=bed)
    for place in places:
        write_calibration(made, place)
    _show(calibration_document(made) if as_json else calibration_text(made))
    for place in places:
        _say(f"Written to {place}.")


def _places_for(out: Path | None, name: str | None, scan: Path, notebook_option: Path | None) -> tuple[Path, ...]:
    """Return where the calibration is written: to --out, under --name, under the scan's name where neither is said."""
    places = [] if out is None else [arguments.writable(out, "--out") or out]
    if name is not None or out is None:
        book = notebook.notebook_file(notebook_option)
        places.append(notebook.place_for_calibration(name or _plain(scan.stem), book))
    return tuple(places)


def _plain(stem: str) -> str:
    """Return a file's name with everything left out that a calibration's name may not hold."""
    kept = "".join(mark if mark.isalnum() or mark in " ._-" else "-" for mark in stem)[:80].strip(" ._-")
    return kept or "calibration"


@app.command()
def measure(
    scans: Annotated[list[Path], typer.Argument(metavar="SCAN_OR_FOLDER", help="Scans, or folders of scans.")],
    calibration: Annotated[
        str | None,
        typer.Option("--calibration", metavar="FILE|NAME", help="Calibration; the last one made if not given."),
    ] = None,
    aperture: Annotated[float, typer.Option("--aperture", metavar="MM", help="Diameter of the aperture.")] = 1.0,
    square: Annotated[bool, typer.Option("--square", help="A square aperture of that side.")] = False,
    trim: Annotated[
        float, typer.Option("--trim", metavar="PERCENT", help="Area left out at either end for shadow and highlight.")
    ] = 1.0,
    frame: Annotated[
        str | None, typer.Option("--frame", metavar="BOX", help="The picture: left,top,width,height in mm.")
    ] = None,
    rebate: Annotated[
        str | None, typer.Option("--rebate", metavar="BOX", help="Unexposed film: left,top,width,height in mm.")
    ] = None,
    spot: Annotated[
        list[str] | None, typer.Option("--spot", metavar="X,Y", help="Read this place too, in mm; may be repeated.")
    ] = None,
    base: Annotated[
        float | None, typer.Option("--base", metavar="D", help="Density of the base: a fixed, undeveloped piece.")
    ] = None,
    base_fog: Annotated[
        float | None, typer.Option("--base-fog", metavar="D", help="Base plus fog, where no rebate is in the scan.")
    ] = None,
    process: Annotated[Light, typer.Option("--process", help="How it will be printed.")] = Light.contact,
    paper_range: Annotated[
        float | None, typer.Option("--paper-range", metavar="R", help="ISO range of the paper at hand, such as 105.")
    ] = None,
    scene_stops: Annotated[
        float | None, typer.Option("--scene-stops", metavar="N", help="Range of the subject in stops, if metered.")
    ] = None,
    ppi: PpiOption = None,
    page: PageOption = None,
    empty_bed: EmptyBedOption = None,
    glare: Annotated[
        Path | None,
        typer.Option("--glare", metavar="FILE", help="What check --slot wrote; else as kept with the calibration."),
    ] = None,
    correct_glare: Annotated[
        bool, typer.Option("--correct-glare", help="Take glare out of the readings instead of only doubting them.")
    ] = False,
    oldest: OldestOption = 90.0,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write the readings to a table file.")
    ] = None,
    fog_sheet: FogSheetOption = False,
    marked: MarkedOption = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Show what each uncertainty is made of, largest part first.")
    ] = False,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure negatives and say what to change.

    One reading for each piece of film: base plus fog, shadow, highlight, density range, and from them advice on
    exposure, development and paper. Densities carry their uncertainty (k = 2, about 95 %). Positions are millimetres
    from the top left corner of the scan, x to the right, y down.
    """
    for path in scans:
        arguments.there(path, "scan or folder")
    _check_numbers(aperture=aperture, trim=trim, base=base, base_fog=base_fog, ppi=ppi)
    arguments.within(oldest, "--oldest", above=0.0, upto=1e5, such_as="90")
    for file, what in ((empty_bed, "scan of the empty bed"), (glare, "check")):
        if file is not None:
            arguments.there(file, what)
    arguments.writable(csv, "--csv")
    check_marked(marked, scans)
    check_fog_sheet(fog_sheet=fog_sheet, frame=frame)
    boxes = arguments.box(frame, "--frame"), arguments.box(rebate, "--rebate")
    spots = arguments.places(spot, "--spot")
    chosen = notebook.find_calibration(calibration, notebook.notebook_file(notebook_option))
    from densiscan.batch import PrintAim, Task, measure_files
    from densiscan.calibration_file import read_calibration
    from densiscan.development import range_on_film
    from densiscan.negative import MeasureOptions
    from densiscan.paper import density_range_for
    from densiscan.scanner import known_glare, lamp_on, trust_warnings

    aim = PrintAim(process=process.value, paper_range=paper_range, scene_stops=scene_stops)
    density_range_for(aim.paper_range, aim.process)
    range_on_film(aim.scene_stops)
    made = read_calibration(chosen)
    options = MeasureOptions(
        aperture_mm=aperture,
        square=square,
        trim=trim / 100.0,
        frame_mm=boxes[0],
        rebate_mm=boxes[1],
        spots_mm=spots,
        base_density=base,
        base_fog=base_fog,
        lamp=lamp_on(empty_bed, made, ppi=ppi),
        glare=known_glare(glare, made, correct=correct_glare),
        correct_glare=correct_glare,
        fog_sheet=fog_sheet,
    )
    if calibration is None:
        _say(f"With the last calibration made: {chosen} ({made.created}).")
    told = trust_warnings(made, now=datetime.fromisoformat(_now()), oldest_days=oldest)
    task = Task(options=options, aim=aim, ppi=ppi, page=page, told=told)
    result = measure_files(scans, made, task, progress=_progress)
    if marked is not None:
        write_marked(marked, result, made, task)
    _show_readings(result, made, csv, as_json=as_json, explain=explain)


app.command()(check)


@app.command()
def demo(as_json: JsonOption = False) -> None:
    """Run the main job on the sample scans.

    Calibrates with the sample wedge, measures the sample negatives, writes nothing, and says where to go next.
    """
    from densiscan.demo import GREETING, NEXT, THEN, sample_scans

    samples = sample_scans()
    from densiscan.batch import Task, measure_files
    from densiscan.calibrate import Label
    from densiscan.calibrate import calibrate as calibrated
    from densiscan.negative import MeasureOptions
    from densiscan.report import calibration_text
    from densiscan.scan import open_scan
    from densiscan.wedge import read_wedge

    label = Label(name="sample", created=_now())
    made = calibrated(open_scan(samples.wedge), read_wedge(samples.densities), label=label)
    if not as_json:
        _show(GREETING.format(folder=samples.folder, wedge=samples.wedge.name, densities=samples.densities.name))
        _show(calibration_text(made))
        _show(THEN.format(scans=" ".join(file.name for file in samples.negatives)))
    result = measure_files(samples.negatives, made, Task(options=MeasureOptions()), progress=_progress)
    try:
        _show_readings(result, made, None, as_json=as_json)
    finally:
        if not as_json:
            _show(NEXT)


def _check_numbers(
    *, aperture: float, trim: float, base: float | None, base_fog: float | None, ppi: float | None
) -> None:
    arguments.within(aperture, "--aperture", above=0.0, upto=50.0, such_as="1")
    arguments.within(trim, "--trim", above=0.05, upto=40.0, such_as="1 (per cent of the area)")
    arguments.within(base, "--base", above=-0.05, upto=3.0, such_as="0.12")
    arguments.within(base_fog, "--base-fog", above=-0.05, upto=5.0, such_as="0.25")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")


def _show_readings(
    result: BatchResult, made: Calibration, csv: Path | None, *, as_json: bool, explain: bool = False
) -> None:
    """Print the readings, write the table file, and end with the status that they deserve."""
    from densiscan.report import readings_csv, readings_document, readings_text
    from densiscan.report_budget import budgets_text, with_budgets

    if csv is not None:
        write_whole(csv, readings_csv(result), what="the table")
        _say(f"Written to {csv}.")
    for failure in result.failures:
        if failure.fault is not None and os.environ.get(DEBUG_VARIABLE):
            _say(failure.fault)
        _say(f"densiscan: {failure.message}")
    if as_json:
        document = readings_document(result, made)
        _show(with_budgets(document, result) if explain else document)
    elif result.assessments:
        _show(readings_text(result, made))
        if explain:
            _show("\n" + budgets_text(result))
    if result.failures:
        raise typer.Exit(1)


def _progress(number: int, path: Path) -> None:
    if sys.stderr.isatty():
        _say(f"{number + 1}: {path.name}")


def run(arguments_: Sequence[str]) -> int:
    """Run one command line and return its exit status; every error becomes one sentence here."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    command = typer.main.get_command(app)
    try:
        status = command.main(args=list(arguments_), prog_name="densiscan", standalone_mode=False)
    except (Exception, KeyboardInterrupt) as problem:  # noqa: BLE001 - a fault of our own is one sentence too
        return _ended_by(problem)
    return status if isinstance(status, int) else 0


def _ended_by(problem: BaseException) -> int:
    """Say in one sentence what ended a command, and return its exit status."""
    if isinstance(problem, OSError):
        _let_go_of_output()
    if os.environ.get(DEBUG_VARIABLE):
        _say("".join(traceback.format_exception(problem)))
    if isinstance(problem, BrokenPipeError):
        return 1
    message, status = _in_words(problem)
    _say(f"densiscan: {message}")
    return status


def _in_words(problem: BaseException) -> tuple[str, int]:
    if isinstance(problem, DensiscanError):
        return str(problem), 2 if isinstance(problem, WrongUseError) else 1
    if isinstance(problem, _USAGE_ERROR):
        place = getattr(getattr(problem, "ctx", None), "command_path", "densiscan")
        return f"{_sentence(problem)} See {place} --help.", 2
    if isinstance(problem, typer.Abort | KeyboardInterrupt):
        return "stopped.", 130
    if isinstance(problem, OSError):
        place = f"{problem.filename}: " if problem.filename else ""
        return f"the system refused: {place}{(problem.strerror or str(problem)).lower()}.", 1
    words = " ".join(str(problem).split())[:200]
    return (
        f"this is a fault in densiscan ({type(problem).__name__}: {words}); please report it with the command line, "
        f"the version {__version__} and what {DEBUG_VARIABLE}=1 prints."
    ), 1


def _let_go_of_output() -> None:
    """Let standard output go nowhere: Python must not complain again when it closes a stream that is gone or full."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _sentence(problem: BaseException) -> str:
    """Return the words of a wrong command line as a sentence."""
    told = getattr(problem, "format_message", lambda: str(problem))().strip()
    return told if told.endswith((".", "?", "!")) else f"{told}."


def main() -> None:
    """Run the command line of this process."""
    if not os.environ.get(DEBUG_VARIABLE):
        # What a library warns of is for us, not for a person who prints.
        warnings.simplefilter("ignore")
    sys.exit(run(sys.argv[1:]))
