"""The command `practice`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from densiscan.cli.options import JsonOption, show
from densiscan.cli.practice_sets import NOTEBOOK, SETS, Topic, lay_out
from densiscan.errors import WrongUseError


def practice(
    folder: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FOLDER]", help='Where to put them; a folder "practice" if not given, with --for this folder.'
        ),
    ] = None,
    topic: Annotated[Topic | None, typer.Option("--for", help="Only those of one page or topic.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Write practice scans, so that each page can be followed.

    Each topic gets a folder of its own, or with --for one topic goes straight into the folder. Nothing that is there is
    replaced. All is invented and rendered, and small.

    For example, those of docs/film.md into a folder film-test:

        densiscan practice film-test --for film
    """
    chosen = tuple(Topic) if topic is None else (topic,)
    place = folder or Path("practice" if topic is None else ".")
    if place.exists() and not place.is_dir():
        raise WrongUseError(f"{place} is a file; name a folder.")
    written = {one: lay_out(one, place / one if topic is None else place) for one in chosen}
    if as_json:
        files = [str(file) for of_topic in written.values() for file in of_topic]
        show({"format": "densiscan.practice/1", "folder": str(place), "files": files, "notebook": NOTEBOOK})
        return
    show(_one(chosen[0], place) if topic is not None else _list(place))


def keep_apart() -> str:
    """Return the line for this system's shell that keeps practice out of a person's own notebook."""
    return f"$env:DENSISCAN_NOTEBOOK = '{NOTEBOOK}'" if os.name == "nt" else f"export DENSISCAN_NOTEBOOK={NOTEBOOK}"


def _one(topic: Topic, place: Path) -> str:
    *others, last = (f"docs/{page}.md" for page in SETS[topic].pages)
    pages = f"{', '.join(others)} or {last}" if others else last
    about = SETS[topic].about
    where = "" if place == Path() else f" In {place}."
    return f"{about[0].upper()}{about[1:]}.{where}\nFollow {pages}.\n{_apart()}"


def _list(place: Path) -> str:
    lines = [f"  {topic:10}{SETS[topic].about}" for topic in Topic]
    return "\n".join([f"Practice scans are in {place}, a folder for each topic:\n", *lines, f"\n{_apart()}"])


def _apart() -> str:
    return f"Before you begin, so that practice stays out of your own notebook:\n  {keep_apart()}"
