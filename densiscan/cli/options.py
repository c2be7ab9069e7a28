"""What the commands share: options, the wedge that is meant, and how results and words come out."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from contextvars import ContextVar
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from densiscan.cli import arguments
from densiscan.cli.arguments import in_options
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole
from densiscan.report.terminal import inked, takes_ink, visible

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from densiscan.wedge.wedge import Wedge

DEBUG_VARIABLE: Final = "DENSISCAN_DEBUG"
"""Set to 1, the trace of a fault is printed."""


class Channel(StrEnum):
    """The channel that is read."""

    gray = "gray"
    red = "red"
    green = "green"
    blue = "blue"


class PrintingLight(StrEnum):
    """How the negative is printed."""

    contact = "contact"
    diffusion = "diffusion"
    condenser = "condenser"


JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
PpiOption = Annotated[
    float | None, typer.Option("--ppi", metavar="N", help="Pixels an inch, where the file does not say it.")
]
PageOption = Annotated[
    int | None, typer.Option("--page", metavar="N", help="Which picture of a file with several, from 1.")
]
NotebookOption = Annotated[
    Path | None,
    typer.Option(
        "--notebook", metavar="FILE", help="The notebook file; named calibrations are kept in the folder beside it."
    ),
]
OnlyOption = Annotated[
    list[str] | None,
    typer.Option("--only", metavar="PATTERN", help='Of a folder: only names such as "neg-*.tif"; may be repeated.'),
]
RecursiveOption = Annotated[bool, typer.Option("--recursive", help="Of a folder: also the folders below it.")]
JobsOption = Annotated[
    int | None, typer.Option("--jobs", metavar="N", help="Scans at a time; as many as there are cores if not given.")
]
ClusterOption = Annotated[
    str | None,
    typer.Option("--cluster", metavar="ADDRESS", help="Measure on the Dask cluster whose scheduler is there."),
]
DensitiesOption = Annotated[
    Path | None, typer.Option("--densities", metavar="FILE", help="Wedge file: step,density of each step.")
]
StepsOption = Annotated[
    int | None, typer.Option("--steps", metavar="N", help="Instead of a wedge file: number of steps.")
]
IncrementOption = Annotated[
    float, typer.Option("--increment", metavar="D", help="With --steps: density from step to step.")
]
FirstOption = Annotated[float, typer.Option("--first", metavar="D", help="With --steps: density of the lightest step.")]
UncertaintyOption = Annotated[
    float | None,
    typer.Option(
        "--uncertainty", metavar="D", help="With --steps: how far a step may be off (k = 2), if the maker says so."
    ),
]
RegionOption = Annotated[
    str | None,
    typer.Option("--region", metavar="BOX", help="Look for the wedge here: left,top,width,height in mm."),
]
EmptyBedOption = Annotated[
    Path | None,
    typer.Option("--empty-bed", metavar="FILE", help="Scan of the empty bed: corrects the uneven lamp."),
]
ChannelOption = Annotated[Channel | None, typer.Option("--channel", help="Channel to read.")]
CgatsOption = Annotated[
    Path | None, typer.Option("--cgats", metavar="FILE", help="Write the densities as CGATS.17 text too (ISO 28178).")
]
PlotOption = Annotated[
    Path | None, typer.Option("--plot", metavar="FILE", help="Draw the result: a file that ends in .png, .svg or .pdf.")
]
OldestOption = Annotated[
    float, typer.Option("--oldest", metavar="DAYS", help="Age from which a calibration is called old.")
]
InvertedOption = Annotated[
    bool | None,
    typer.Option("--inverted/--not-inverted", help="Clear film is dark on the scan, or bright; detected if not given."),
]


ApertureOption = Annotated[float, typer.Option("--aperture", metavar="MM", help="Diameter of the aperture.")]
BaseOption = Annotated[
    float | None, typer.Option("--base", metavar="D", help="Density of the base: a fixed, undeveloped piece.")
]
CalibrationOption = Annotated[
    str | None,
    typer.Option("--calibration", metavar="FILE|NAME", help="Calibration; the last one made if not given."),
]
CallierOption = Annotated[
    float | None,
    typer.Option("--callier", metavar="Q", help="Condenser light: how much denser silver looks; 1.25 if not given."),
]
FrameOption = Annotated[
    str | None, typer.Option("--frame", metavar="BOX", help="The picture: left,top,width,height in mm.")
]
LastFilmOption = Annotated[
    str | None, typer.Option("--film", metavar="NAME", help="The film; that of the last run if not given.")
]
PaperRangeOption = Annotated[
    float | None, typer.Option("--paper-range", metavar="R", help="ISO range of the paper at hand, such as 105.")
]
ProcessOption = Annotated[PrintingLight, typer.Option("--process", help="How it will be printed.")]
RebateOption = Annotated[
    str | None, typer.Option("--rebate", metavar="BOX", help="Unexposed film: left,top,width,height in mm.")
]
SceneStopsOption = Annotated[
    float | None,
    typer.Option("--scene-stops", metavar="N", help="Range of the subject in stops, metered; N-1 is for one more."),
]


def wedge_meant(
    densities: Path | None, steps: int | None, increment: float, first: float, uncertainty: float | None = None
) -> Wedge:
    """Return the wedge of the file, or the nominal one of these steps.

    Raises
    ------
    WrongUseError
        If both or neither is given, or an uncertainty of a wedge whose file states its own.
    """
    if (densities is None) == (steps is None):
        raise WrongUseError(
            "describe the wedge either with --densities WEDGE.csv, or with --steps 21, --increment and --first."
        )
    if densities is not None:
        arguments.there(densities, "wedge file")
        if uncertainty is not None:
            raise WrongUseError("--uncertainty goes with --steps; a wedge file states it in its column uncertainty.")
    from densiscan.wedge.wedge import nominal_wedge, read_wedge

    if densities is not None:
        return read_wedge(densities)
    return nominal_wedge(steps=steps or 0, increment=increment, first=first, uncertainty=uncertainty)


OUR_TABLE: Final = b"file,path,"
OUR_CALIBRATION: Final = b'"densiscan.calibration/'
OUR_CGATS: Final = b'ORIGINATOR "densiscan'
OUR_CHECK: Final = b'"densiscan.check/'
OUR_EXPORT: Final = b'"densiscan.notebook/'
OUR_PAGE: Final = b"densiscan</title>"
OUR_FIGURE: Final = b"densiscan"
"""What stands in the first part of a file of ours of each kind."""

_HEAD_BYTES: Final = 8192
OVERWRITE: Final[ContextVar[bool]] = ContextVar("overwrite", default=False)
"""Whether the command line being run says that outputs may replace what is there."""
_OUTPUTS: Final[ContextVar[tuple[tuple[str, Path], ...]]] = ContextVar("outputs", default=())
"""What the command line being run will write: the option, and the file behind all links."""


def begin_outputs() -> None:
    """Forget the outputs of an earlier command line of the same process."""
    OVERWRITE.set(False)
    _OUTPUTS.set(())


def _let_overwrite(asked: bool) -> bool:
    OVERWRITE.set(asked)
    return asked


OverwriteOption = Annotated[
    bool,
    typer.Option(
        "--overwrite",
        help="Let the files written replace whatever has their names.",
        callback=_let_overwrite,
        is_eager=True,
    ),
]


def check_out(path: Path | None, option: str, *, ours: bytes) -> None:
    """Check that a file can be written and that nothing but an older one of its kind is lost; None passes.

    Parameters
    ----------
    ours
        What stands in the first part of a file of that kind, which may be replaced without --overwrite.

    Raises
    ------
    WrongUseError
        If its folder does not exist, it is read or written by the same command already, or holds something else.
    """
    arguments.writable(path, option)
    if path is None:
        return
    _claim(path, option)
    if not path.is_file():
        return
    if sum(_is_same(word, path) for word in TYPED.get()) > 1:
        raise WrongUseError(f"{option} {path} is read by the same command; name another file.")
    if OVERWRITE.get():
        return
    with path.open("rb") as stream:
        begins = stream.read(_HEAD_BYTES)
    if begins.strip() and ours not in begins:
        raise WrongUseError(
            f"{option} {path} is there already and holds something else; name another file, or add --overwrite."
        )


def _claim(path: Path, option: str) -> None:
    """Note an output, so that no other of the same command line takes its place."""
    place = Path(os.path.realpath(path))
    for other, taken in _OUTPUTS.get():
        if taken == place and other != option:
            raise WrongUseError(f"{other} and {option} both name {path}; give each its own file.")
    _OUTPUTS.set((*_OUTPUTS.get(), (option, place)))


def _is_same(word: str, path: Path) -> bool:
    """Return whether a word of the command line names that file."""
    with suppress(OSError, ValueError):
        return Path(word.partition("=")[2] if word.startswith("--") else word).samefile(path)
    return False


def check_plot(plot: Path | None) -> None:
    """Check that a figure can be put there; None passes.

    Raises
    ------
    WrongUseError
        If its ending is none that a figure can have, or its folder does not exist.
    """
    from densiscan.report.figures.style import checked_place

    check_out(checked_place(plot), "--plot", ours=OUR_FIGURE)


def write_plot(figure: Figure, plot: Path) -> None:
    """Write the figure and say where."""
    from densiscan.report.figures.style import save_figure

    save_figure(figure, plot)
    say(f"Written to {plot}.")


def write_cgats(text: Callable[[], str], place: Path | None) -> None:
    """Write the densities for other programs and say where; None passes."""
    if place is not None:
        write_whole(place, text(), what="the densities")
        say(f"Written to {place}.")


TYPED: Final[ContextVar[tuple[str, ...]]] = ContextVar("typed", default=())
"""The command line being run, kept with everything that it adds to the notebook."""


def now() -> str:
    """Return the time, ISO 8601."""
    return datetime.now(tz=UTC).isoformat(timespec="seconds")


def show(result: str | dict[str, Any]) -> None:
    """Print a result on standard output: a text, inked on a terminal, or one JSON document in plain ASCII."""
    text = visible(result) if isinstance(result, str) else json.dumps(result, indent=1, allow_nan=False)
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        text = text.replace("±", "+-")
    typer.echo(inked(text) if isinstance(result, str) and takes_ink(sys.stdout) else text)


def say(text: str) -> None:
    """Print words on standard error; where they name a field of the core, its option is put there."""
    typer.echo(visible(in_options(text)), err=True)
