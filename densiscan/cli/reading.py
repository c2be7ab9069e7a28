"""The command `reading`: what was read of scans, taken out of the notebook and brought back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import opened, run_number, tell
from densiscan.cli.options import JsonOption, NotebookOption, show
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from densiscan.notebook.notebook import Notebook
    from densiscan.notebook.readings import KeptReading
    from densiscan.report.counting import ShownReading

readings = typer.Typer(
    name="reading", rich_markup_mode=None, help="Take readings out of the notebook, and bring them back."
)

ReadingArgument = Annotated[
    str,
    typer.Argument(metavar="READING", help="The reading's number, or a scan's file name for all readings of it."),
]


@readings.command(name="list")
def list_(
    run: Annotated[
        str | None, typer.Option("--run", metavar="RUN", help="Only those of this run: its number, or last.")
    ] = None,
    last: Annotated[int, typer.Option("--last", metavar="N", help="Only so many, the latest.")] = 20,
    removed: Annotated[bool, typer.Option("--removed", help="Those that were taken out instead.")] = False,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the readings, the latest last, and show which count.

    For example:

        densiscan reading list --run 1
    """
    arguments.within(last, "--last", above=0.0, upto=1e9, such_as="20")
    from densiscan.report.counting import readings_document, readings_text

    number = None if run is None else run_number(run, notebook_option)
    with opened(notebook_option) as book:
        if number is not None:
            book.run(number)
        every = book.readings(run=number, removed=removed, with_documents=False)
        shown = standing(book, every[-last:])
        tell(book)
    show(readings_document(shown) if as_json else readings_text(shown, more=len(every) - len(shown)))


@readings.command()
def remove(reading: ReadingArgument, notebook_option: NotebookOption = None, as_json: JsonOption = False) -> None:
    """Take a reading out: it no longer counts, nor stands on any page. It is kept, and restore brings it back.

    For example, all readings of one scan, measured by mistake:

        densiscan reading remove mill.tif
    """
    _set(reading, notebook_option, removed=True, as_json=as_json)


@readings.command()
def restore(reading: ReadingArgument, notebook_option: NotebookOption = None, as_json: JsonOption = False) -> None:
    """Bring back a reading that was taken out.

    For example:

        densiscan reading restore mill.tif
    """
    _set(reading, notebook_option, removed=False, as_json=as_json)


def _set(wanted: str, notebook_option: Path | None, *, removed: bool, as_json: bool) -> None:
    from densiscan.report.counting import readings_document, readings_text

    with opened(notebook_option) as book:
        numbers = [one.number for one in _meant(book, wanted, removed=removed)]
        if removed:
            book.remove_readings(numbers)
        else:
            book.restore_readings(numbers)
        changed = [one for one in book.readings(removed=removed, with_documents=False) if one.number in numbers]
        shown = standing(book, changed)
        tell(book)
    show(readings_document(shown) if as_json else readings_text(shown))


def _meant(book: Notebook, wanted: str, *, removed: bool) -> list[KeptReading]:
    """Return the readings that a number or a file name means, those that can be taken out, or brought back.

    Raises
    ------
    WrongUseError
        If there is none.
    """
    every = book.readings(removed=None, with_documents=False)
    named = [one for one in every if one.file is not None and wanted in {one.file, Path(one.file).name}]
    if not named and wanted.isdigit():
        named = [one for one in every if one.number == int(wanted)]
    if not named:
        raise WrongUseError(
            f'there is no reading "{wanted}" in the notebook; densiscan reading list shows those there are.'
        )
    matching = [one for one in named if one.removed is not removed]
    if not matching:
        state = "taken out already" if removed else "not taken out, so there is nothing to restore"
        raise WrongUseError(f"{wanted} is {state}; densiscan reading list --removed shows those that are.")
    return matching


def standing(book: Notebook, read: Sequence[KeptReading]) -> list[ShownReading]:
    """Return readings as they stand for their runs."""
    from densiscan.report.counting import shown_readings

    runs = sorted({one.run for one in read if one.run is not None})
    return shown_readings(read, book.counted(runs))
