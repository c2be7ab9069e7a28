"""The command `notebook`: backup, check, what films and batches are known to be, out and in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from densiscan import __version__
from densiscan.cli import arguments
from densiscan.cli.keep import meant, opened, tell
from densiscan.cli.options import OUR_EXPORT, JsonOption, NotebookOption, OverwriteOption, check_out, now, say, show
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.notebook import location

pages = typer.Typer(
    name="notebook",
    rich_markup_mode=None,
    help="Keep the notebook itself: back up, check, move.",
)

DeveloperNeeded = Annotated[str, typer.Option("--developer", metavar="NAME", help="The developer it is of.")]


@pages.command()
def backup(
    to: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="The copy; beside the notebook, with the time, if not given.")
    ] = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy the notebook as it is at this moment.

    For example:

        densiscan notebook backup copy.sqlite
    """
    with opened(notebook_option) as book:
        time = now()[:19].replace(":", "").replace("T", "-")
        place = to or book.path.with_name(f"{book.path.stem}.{time}{book.path.suffix or '.sqlite'}")
        if place.exists():
            raise WrongUseError(f"{place} is there already; name another file, or remove it first.")
        check_out(place, "the backup", ours=OUR_EXPORT)
        book.backup(place)
        tell(book)
    show({"format": "densiscan.backup/1", "file": str(place)} if as_json else f"Copied to {place}.")


@pages.command()
def check(notebook_option: NotebookOption = None, as_json: JsonOption = False) -> None:
    """Say where the notebook is, what it has, and if it is sound.

    For example:

        densiscan notebook check
    """
    from densiscan.report.notebook import state_document, state_text

    with opened(notebook_option) as book:
        wrong = tuple(map(arguments.in_options, book.check()))
        state = {table: len(rows) for table, rows in book.tables().items()}
        there = book.path.exists()
        tell(book)
    shown = state_document(book.path, there, state, wrong), state_text(book.path, there, state, wrong)
    show(shown[0] if as_json else shown[1])
    if wrong:
        raise DensiscanError(f"the notebook {book.path} is damaged; put a backup in its place.")


@pages.command()
def film(
    name: Annotated[str, typer.Argument(metavar="FILM", help="The film.")],
    base: Annotated[
        float | None,
        typer.Option("--base", metavar="D", help="Density of its base: a fixed, undeveloped piece, measured."),
    ] = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show or set the density of a film's base.

    From it measure --run tells fog.

    For example:

        densiscan notebook film Meadow-100 --base 0.06
    """
    arguments.within(base, "--base", above=-0.05, upto=3.0, such_as="0.12")
    from densiscan.arithmetic.quantity import Quantity
    from densiscan.report.readings import density_text

    with opened(notebook_option) as book:
        name = meant(book, name, None)[0] or name
        if base is not None:
            book.set_film_base(name, Quantity(base, None))
        film_base = book.film_base(name)
        tell(book)
    document = {
        "format": "densiscan.film-base/1",
        "film": name,
        "base": None if film_base is None else film_base.to_json(),
    }
    show(document if as_json else f"{name}: density of the base {density_text(film_base)}.")


@pages.command()
def batch(
    name: Annotated[str, typer.Argument(metavar="BATCH", help="Your name for what was mixed at one time.")],
    developer: DeveloperNeeded,
    mixed: Annotated[str | None, typer.Option("--mixed", metavar="DATE", help="Day it was mixed.")] = None,
    discarded: Annotated[str | None, typer.Option("--discarded", metavar="DATE", help="Day it was poured off.")] = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show a batch of developer, or set its days.

    When it was mixed, how often and for how much film it was used.
    Used solutions are waste: fixer carries silver, and local rules say where both may go.

    For example:

        densiscan notebook batch March --developer Borax --mixed 2026-03-01
    """
    from densiscan.development.run import require_date
    from densiscan.report.advice import CAUTION
    from densiscan.report.notebook import batch_document, batch_text

    for day in (mixed, discarded):
        if day is not None:
            require_date(day)
    with opened(notebook_option) as book:
        developer = meant(book, None, developer)[1] or developer
        if mixed is not None or discarded is not None:
            book.set_batch(developer, name, mixed=mixed, discarded=discarded)
        developer_batch = book.batch(developer, name)
        tell(book)
    show(batch_document(developer_batch) if as_json else batch_text(developer_batch))
    if not as_json and (mixed is not None or discarded is not None):
        show(CAUTION)


@pages.command()
def export(
    to: Annotated[Path, typer.Argument(metavar="FILE|FOLDER", help="The JSON file to write, or the folder.")],
    csv: Annotated[bool, typer.Option("--csv", help="Write a folder of CSV tables instead of one JSON file.")] = False,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
) -> None:
    """Write everything in the notebook to a file.

    Named calibrations too; as one JSON document, or with --csv as a folder of tables.

    For example:

        densiscan notebook export notes.json
    """
    from densiscan.files.atomic import write_whole
    from densiscan.notebook.tables import TABLES
    from densiscan.notebook.transfer import notebook_json, whole_tables, write_csv_tables

    if not csv:
        check_out(to, "the export", ours=OUR_EXPORT)
    elif to.exists() and not to.is_dir():
        raise WrongUseError(f"{to} is a file; with --csv name a folder.")
    elif to.is_dir():
        for table, columns in TABLES.items():
            head = ",".join(column.name for column in columns)
            check_out(to / f"{table}.csv", f"the table of {table}", ours=head.encode())
    with opened(notebook_option) as book:
        tables = whole_tables(book)
        tell(book)
    if csv:
        write_csv_tables(tables, to)
    else:
        write_whole(to, notebook_json(tables, exported=now(), version=__version__), what="the notebook")
    say(f"Written to {to}: {sum(len(rows) for rows in tables.values())} rows.")


@pages.command(name="import")
def import_(
    place: Annotated[Path, typer.Argument(metavar="FILE|FOLDER", help="What export wrote, or another notebook.")],
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Merge another notebook into this one. What is in both is not doubled; of a run in both the later one counts.

    For example:

        densiscan notebook import notes.json
    """
    arguments.there(place, "exported notebook")
    from densiscan.notebook.transfer import merge_into, read_tables
    from densiscan.report.notebook import merged_document, merged_text

    if place.resolve() == location.notebook_file(notebook_option).resolve():
        raise WrongUseError(f"{place} is the notebook itself; name another one.")
    tables = read_tables(place)
    with opened(notebook_option) as book:
        merged, calibrations = merge_into(book, tables)
        tell(book)
    show(merged_document(merged, calibrations) if as_json else merged_text(merged, calibrations))
