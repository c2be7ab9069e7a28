"""The command `start`: the first evening as a conversation, each answer carried out by the command that does it."""

from __future__ import annotations

import contextlib
import io
import shlex
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import typer

from densiscan.cli.options import NotebookOption, now, say, show, wedge_meant
from densiscan.errors import DensiscanError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.calibration.calibration import Calibration
    from densiscan.wedge.wedge import Wedge

NAME: Final = "mine"
"""The name under which the calibration is kept."""
_GREETING: Final = """\
The first evening: calibrate the scanner, measure a negative, note what you did.
Leave an answer empty to take what stands in brackets, or to skip the step.
Ctrl-C stops at any time; what was done until then is kept.
"""
_WEDGE: Final = """
1. The wedge
   Scanned as a transparency, 16 bit gray, everything automatic switched off.
"""
_NEGATIVE: Final = """
2. A negative
   Scanned with exactly the same settings, its clear edges included.
"""
_RUN: Final = """
3. How it was developed
   With that the advice learns your film, your developer and your drum.
"""


class _Left(Exception):  # noqa: N818 - not an error: the answers have ended
    """No more answers come."""


def start(notebook_option: NotebookOption = None) -> None:
    """Be led through the first evening, question by question.

    Each answer may be left empty, and Ctrl-C loses nothing. The same without questions: calibrate with the scan of the
    wedge and --densities (certificate) or --steps; run add with --film, --developer, --time and --temp; measure with
    the scan of the negative and --run last.

    For example:

        densiscan start
    """
    talk = _Talk(notebook=notebook_option)
    show(_GREETING.rstrip())
    try:
        _evening(talk)
    except _Left:
        pass
    except KeyboardInterrupt:
        show(f"\n\nStopped.{_ending(talk)}")
        raise typer.Exit(130) from None
    show(_ending(talk))


def _evening(talk: _Talk) -> None:
    show(_WEDGE.rstrip())
    _wedge(talk)
    show(_NEGATIVE.rstrip())
    negative = talk.file("Scan of the negative")
    developed = negative is not None and _run(talk)
    if negative is not None:
        talk.does("measure", str(negative), *(["--run", "last"] if developed else []))


@dataclass(slots=True, kw_only=True)
class _Talk:
    """What is asked on the terminal, and the command lines that follow from it."""

    notebook: Path | None
    done: list[str] = field(default_factory=list)

    def asks(self, question: str, usual: str = "", reads: Callable[[str, str], float] | None = None) -> str:
        """Return what is answered, or what is usual; _Left where no answers come any more.

        What `reads` cannot read is asked again by itself, so that no other answer has to be typed twice.
        """
        while True:
            typer.echo(f"   {question}{f' [{usual}]' if usual else ''}: ", err=True, nl=False)
            line = sys.stdin.readline()
            if not line:
                raise _Left
            answer = line.strip() or usual
            if reads is None or not answer:
                return answer
            try:
                reads(answer, question.partition(",")[0])
            except DensiscanError as problem:
                say(f"   {problem}")
            else:
                return answer

    def file(self, question: str) -> Path | None:
        """Return a file that is there; None where none is named."""
        while typed := self.asks(f"{question} (file)"):
            path = Path(typed.strip("\"'")).expanduser()
            if path.is_file():
                return path
            say(f"   {path} is not there. Type its name once more, or leave it empty.")
        return None

    def agrees(self, question: str) -> bool:
        """Return whether the answer is yes, which an empty one is."""
        return self.asks(f"{question} (yes or no)", "yes").lower().startswith("y")

    def does(self, *words: str, quietly: bool = False) -> bool:
        """Run a command line and return whether it ended well; quietly: without what it prints."""
        from densiscan.cli.app import run

        where = [] if self.notebook is None else ["--notebook", str(self.notebook)]
        line = f"densiscan {shlex.join([*words, *where])}"
        show(f"\n   {line}\n")
        silence = io.StringIO()
        with contextlib.redirect_stdout(silence) if quietly else contextlib.nullcontext():
            status = run([*words, *where])
        if status == 0:
            self.done.append(line)
        return status == 0


def _wedge(talk: _Talk) -> None:
    """Ask for the wedge until what was found is right, and keep the calibration."""
    book = location.notebook_file(talk.notebook)
    if in_use := [one.name for one in location.kept_calibrations(book) if one.mode == "transmission"]:
        show(f"   You have a calibration, {in_use[0]}: leave this empty to go on with it.")
    while scan := talk.file("Scan of the wedge"):
        certificate = talk.file("Its certificate as a table step,density; empty if it has none")
        nominal = () if certificate is not None else _nominal(talk)
        words = ("--densities", str(certificate)) if certificate is not None else nominal
        region: tuple[str, ...] = ()
        try:
            wedge = _meant(certificate, nominal)
            while not _is_right(talk, scan, wedge, region):
                box = talk.asks("Where is it: left,top,width,height in mm; empty to begin again")
                if not box:
                    break
                region = ("--region", box)
            else:
                talk.does("calibrate", str(scan), *words, *region, "--name", NAME, quietly=True)
                return
        except DensiscanError as problem:
            say(f"   {problem}")


def _nominal(talk: _Talk) -> tuple[str, ...]:
    steps = talk.asks("How many steps has it", "21")
    increment = talk.asks("Density from step to step", "0.15")
    first = talk.asks("Density of the lightest step", "0.05")
    tolerance = talk.asks("How far a step may be off, if its maker says so")
    stated = ("--uncertainty", tolerance) if tolerance else ()
    return ("--steps", steps, "--increment", increment, "--first", first, *stated)


def _meant(certificate: Path | None, nominal: tuple[str, ...]) -> Wedge:
    if certificate is not None:
        return wedge_meant(certificate, None, 0.0, 0.0)
    try:
        steps, increment, first = int(nominal[1]), float(nominal[3]), float(nominal[5])
        tolerance = float(nominal[7]) if len(nominal) > 7 else None
    except ValueError as problem:
        raise DensiscanError("steps are a whole number such as 21, densities numbers such as 0.15.") from problem
    return wedge_meant(None, steps, increment, first, tolerance)


def _is_right(talk: _Talk, scan: Path, wedge: Wedge, region: tuple[str, ...]) -> bool:
    """Show what was found of the wedge, and return whether it is right; where nothing was, say why."""
    from densiscan.calibration.make import Label
    from densiscan.calibration.make import calibrate as calibrated
    from densiscan.cli.arguments import box
    from densiscan.scan.scan import open_scan

    opened = open_scan(scan)
    try:
        region_mm = box(region[1], "--region") if region else None
        calibration = calibrated(opened, wedge, label=Label(name=NAME, created=now()), region_mm=region_mm)
    except DensiscanError as problem:
        say(f"   {problem}")
        return False
    low, high = calibration.density_range
    show(f"\n   Found {len(calibration.steps)} steps; reliable from {low:.2f} to {high:.2f}.")
    show(f"   Where they were found is drawn in {_drawn(scan, calibration)}")
    return talk.agrees("Is each step marked, and numbered in order from clear to black")


def _drawn(scan: Path, calibration: Calibration) -> Path:
    """Draw where each step was read, and open the picture where somebody sits at the terminal."""
    from densiscan.report.figures.marked import Marked, marked_figure
    from densiscan.report.figures.style import save_figure
    from densiscan.scan.scan import open_scan

    marks = [
        Marked(number=number, box_mm=step.reading.box_mm) for number, step in enumerate(calibration.steps, start=1)
    ]
    place = Path(tempfile.mkdtemp(prefix="densiscan-")) / "wedge-found.png"
    save_figure(marked_figure(open_scan(scan), marks), place)
    if sys.stdin.isatty():
        import webbrowser

        webbrowser.open(place.as_uri())
    return place


def _run(talk: _Talk) -> bool:
    """Ask how the negative was developed until a run of it is added; return whether one was."""
    show(_RUN.rstrip())
    from densiscan.cli.arguments import celsius, developing_time

    while (film := talk.asks("Film")) and (developer := talk.asks("Developer")):
        facts = (
            ("--film", film),
            ("--developer", developer),
            ("--dilution", talk.asks("Dilution, such as 1+1")),
            ("--time", talk.asks("Time, such as 8:00", reads=developing_time)),
            ("--temp", talk.asks("Temperature, such as 20 or 68F", "20", reads=celsius)),
            ("--scene-stops", talk.asks("Range of the subject in stops, if you metered it", reads=_stops)),
        )
        if talk.does("run", "add", *(word for option, said in facts if said for word in (option, said)), quietly=True):
            return True
    return False


def _stops(text: str, what: str) -> float:
    from densiscan.development.verdict import range_on_film

    try:
        stops = float(text.replace(",", "."))
    except ValueError as problem:
        raise DensiscanError(f'{what} "{text}" is not a number; give stops such as 7, or leave it empty.') from problem
    range_on_film(stops)
    return stops


def _ending(talk: _Talk) -> str:
    done = "\n".join(f"  {line}" for line in talk.done) or "  nothing yet"
    return f"""
Done:
{done}

Next time, for each negative scanned with the same settings:
  densiscan run add --time 8:30        what has changed; the rest is as before
  densiscan measure NEXT.tif --run last
  densiscan advise                     how long to develop next
  densiscan print NEXT.tif             which paper, how long
Read docs/cautions.md before you mix any chemicals."""
