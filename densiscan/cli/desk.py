"""The command `desk`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.options import NotebookOption, say, show
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.notebook import location


def desk(
    folder: Annotated[
        Path | None, typer.Argument(metavar="FOLDER", help="The folder that your scanner saves into; the last one.")
    ] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the browser.")] = True,
    port: Annotated[
        int, typer.Option("--port", metavar="N", help="Port on this machine; a free one if not given.")
    ] = 0,
    practice: Annotated[
        bool, typer.Option("--practice", help="Try it on practice scans in a folder that is thrown away.")
    ] = False,
    notebook_option: NotebookOption = None,
) -> None:
    """Do the whole job in the browser, on this machine alone.

    New scans in the folder are measured as they come. Runs, papers, the scanner and a page for the dark are there too.
    Nothing leaves this machine, and no other can reach it. End it with Ctrl-C.

    For example:

        densiscan desk ~/scans
    """
    arguments.within(float(port), "--port", above=-1.0, upto=65535.0, such_as="8123")
    if practice and folder is not None:
        raise WrongUseError("--practice brings its own folder; leave FOLDER out.")
    try:
        from densiscan.desk.server import serve
    except ImportError as problem:
        raise DensiscanError(
            f"the desk needs {problem.name}; install it with: pip install 'densiscan[desk]'."
        ) from problem

    def opened(address: str) -> None:
        show(address)
        say("The desk is open. Ctrl-C ends it.")
        if browser:
            import webbrowser

            webbrowser.open(address)

    if practice:
        from densiscan.cli.practice import practice_place

        with practice_place() as (scans, book):
            serve(scans, book, port=port, practice=True, opened=opened)
        return
    book = location.notebook_file(notebook_option)
    serve(_folder(folder, book), book, port=port, practice=False, opened=opened)


def _folder(folder: Path | None, book: Path) -> Path:
    """Return the folder that is meant, the one of the last time where none is, and remember it.

    Raises
    ------
    WrongUseError
        If it is not there, or none was ever named.
    """
    kept = book.parent / "desk" / "folder.txt"
    if folder is None:
        try:
            folder = Path(kept.read_text(encoding="utf-8"))
        except OSError as problem:
            raise WrongUseError("name the folder that your scanner saves into: densiscan desk FOLDER.") from problem
    if not folder.is_dir():
        what = f"{folder} is a file" if folder.exists() else f"there is no folder {folder}"
        raise WrongUseError(f"{what}; name the folder that your scanner saves into.")
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(str(folder.resolve()), encoding="utf-8")
    except (OSError, UnicodeError):
        pass  # it must only be named again the next time
    return folder
