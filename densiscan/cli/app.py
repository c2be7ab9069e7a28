"""The commands: parse, call the core in the order of the flow, show.

numpy and everything heavy is imported inside the command that needs it, so that `--help` is quick.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from densiscan import __version__
from densiscan.cli.completion import answer_the_shell
from densiscan.cli.help import Commands, last_words, shown_last
from densiscan.cli.options import DEBUG_VARIABLE, TYPED, begin_outputs
from densiscan.cli.options import say as _say
from densiscan.cli.typed import as_meant
from densiscan.cli.usage import USAGE_ERROR, usage_words
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.files.atomic import as_text

_HELP_WIDTH: Final = 80
_COMMANDS: Final = {
    "start": "start.start",
    "calibrate": "calibrate.calibrate",
    "measure": "measure.measure",
    "watch": "watch.watch",
    "tonight": "tonight.tonight",
    "advise": "advise.advise",
    "check": "check.check",
    "film": "film.film",
    "family": "film_times.family",
    "reciprocity": "film_times.reciprocity",
    "pinhole": "film_times.pinhole",
    "fixer": "fixer.fixer",
    "expose": "expose.expose",
    "card": "card.card",
    "labels": "labels.labels",
    "paper": "paper.paper",
    "print": "printing.print_",
    "finished": "finished.finished",
    "trends": "trends.trends",
    "report": "report.report",
    "map": "map.map_",
    "desk": "desk.desk",
    "demo": "demo.demo",
    "practice": "practice_scans.practice",
}
"""Where each command is, in the order of the work."""
_GROUPS: Final = {"run": "run.runs", "reading": "reading.readings", "notebook": "notebook.pages"}
"""Where each group of commands is."""


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"densiscan {__version__}")
        raise typer.Exit


def densiscan(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001 - its callback acts
        bool, typer.Option("--version", help="Print the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Turn a flatbed scanner and one step wedge into a densitometer for black-and-white negatives.

    Scan the wedge and run calibrate; scan a negative and run measure, or name the scan alone. To see both at work
    first, run demo.
    """
    if context.invoked_subcommand is None:
        typer.echo(context.get_help(), err=True)
        raise typer.Exit(2)


def command_line(asked: str = "") -> typer.Typer:
    """Return the command line with the one command that is asked for; all of them where that is none of them.

    To import and build all of them takes longer than to import numpy.
    """
    built = typer.Typer(
        name="densiscan",
        cls=Commands,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["--help", "-h"], "max_content_width": _HELP_WIDTH},
    )
    built.callback(invoke_without_command=True, epilog=last_words("For example:\n\n    densiscan demo"))(densiscan)
    alone = asked in _COMMANDS or asked in _GROUPS
    for name, place in _COMMANDS.items():
        if not alone or name == asked:
            built.command(name)(_found(place))
    for name, place in _GROUPS.items():
        if not alone or name == asked:
            built.add_typer(_found(place))
    shown_last(built)
    return built


def _found(place: str) -> Any:
    module, _, name = place.partition(".")
    return getattr(import_module(f"densiscan.cli.{module}"), name)


def run(arguments_: Sequence[str]) -> int:
    """Run one command line and return its exit status; every error becomes one sentence here."""
    _open_what_was_closed()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        begin_outputs()
        words = as_meant(arguments_, {*_COMMANDS, *_GROUPS})
        TYPED.set(tuple(map(as_text, words)))
        asked = answer_the_shell() or (words[0] if words else "")
        command = typer.main.get_command(command_line(asked))
        status = command.main(args=words, prog_name="densiscan", standalone_mode=False)
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
    if isinstance(problem, USAGE_ERROR):
        return usage_words(problem), 2
    if isinstance(problem, typer.Abort | KeyboardInterrupt):
        return "stopped.", 130
    if isinstance(problem, UnicodeEncodeError):
        return f'"{as_text(problem.object)}" is not valid UTF-8 text; type it again in plain letters.', 2
    if isinstance(problem, OSError):
        place = f"{problem.filename}: " if problem.filename else ""
        return f"the system refused: {place}{(problem.strerror or str(problem)).lower()}.", 1
    words = " ".join(str(problem).split())[:200]
    return (
        f"this is a fault in densiscan ({type(problem).__name__}: {words}); please report it with the command line, "
        f"the version {__version__} and what {DEBUG_VARIABLE}=1 prints."
    ), 1


def _open_what_was_closed() -> None:
    """Let words go nowhere where the standard output or error was closed before we began."""
    if sys.stdout is None:
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - it is open to the end
    if sys.stderr is None:
        sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - it is open to the end


def _let_go_of_output() -> None:
    """Let standard output go nowhere: Python must not complain again when it closes a stream that is gone or full."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
