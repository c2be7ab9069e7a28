"""How long the commands take on a notebook of 10,000 readings, against one of 100.

    python -m tests.trials.notebook_growth [--rounds N] [--films N]

Each command runs as a process of its own, on both notebooks in turn, so many rounds; medians are compared. Exit status
1 where one takes more than three times as long. With --films the larger notebook has so many films of 1,000 readings
each, and both are asked about one of them: 1,000 films make a million readings, 5 GB and half an hour. Then a command
may take 1.2 times as long.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from densiscan.development.run import Run
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading
from densiscan.report.readings import reading_document
from tests.support.made_up import assessment

MOST, MOST_OF_ONE_FILM = 3.0, 1.2
NEGATIVES_A_RUN = 2
FEW, MANY, OF_A_FILM = 100, 10_000, 1000
COMMANDS = (
    ("advise", ["advise", "--film", "Film A", "--developer", "Developer B"]),
    ("run list", ["run", "list"]),
    ("run show", ["run", "show", "1"]),
    ("run add", ["run", "add"]),
    ("trends", ["trends"]),
)
OF_ONE_FILM = (
    ("advise", ["advise", "--film", "Film A", "--developer", "Developer B"]),
    ("trends", ["trends", "--film", "Film A", "--developer", "Developer B"]),
    ("report", ["report", "page.html", "--film", "Film A", "--no-pictures"]),
)


def fill(place: Path, readings: int) -> None:
    """Make a notebook of so many readings, all of one film in one developer: nothing is easier left out."""
    with Notebook(place) as book, book._store.writing():
        for at in range(readings // NEGATIVES_A_RUN):
            number = book.add_run(_run(at)).number
            book.add_readings([_reading(at, negative, number) for negative in range(NEGATIVES_A_RUN)])


def crowd(place: Path, films: int) -> None:
    """Put the runs and readings of a notebook into it again under the names of other films."""
    with closing(sqlite3.connect(place)) as book, book:
        book.execute("PRAGMA synchronous = OFF")
        last = {
            table: book.execute(f"SELECT max({key}) FROM {table}").fetchone()[0]  # noqa: S608 - names of our own
            for table, key in (("runs", "number"), ("negatives", "id"), ("readings", "id"))
        }
        for film in range(1, films):
            made = book.execute(
                "INSERT INTO films (uid, name, name_key, changed) VALUES (?, ?, ?, '2000-01-01')",
                (f"film {film}", f"Other {film}", f"other {film}"),
            )
            run, negative, reading = (f"+ {film * last[table]}" for table in ("runs", "negatives", "readings"))
            own = f"|| '-{film}'"
            _again(book, "runs", last["runs"], number=f"number {run}", uid=f"uid {own}", film_id=str(made.lastrowid))
            _again(
                *(book, "negatives", last["negatives"]),
                id=f"id {negative}",
                uid=f"uid {own}",
                run=f"run {run}",
                scan_sha256=f"scan_sha256 {own}",
            )
            _again(
                *(book, "readings", last["readings"]),
                id=f"id {reading}",
                uid=f"uid {own}",
                run=f"run {run}",
                negative_id=f"negative_id {negative}",
                content_key=f"content_key {own}",
            )


def _again(book: sqlite3.Connection, table: str, last: int, **instead: str) -> None:
    """Put rows up to the last one into a table again, some columns otherwise."""
    columns = [str(row[1]) for row in book.execute(f"PRAGMA table_info({table})")]
    values = ", ".join(instead.get(column, column) for column in columns)
    key = "number" if table == "runs" else "id"
    statement = f"INSERT INTO {table} ({', '.join(columns)}) SELECT {values} FROM {table} WHERE {key} <= ?"  # noqa: S608
    book.execute(statement, (last,))


def _run(at: int) -> Run:
    return Run(
        number=0, film="Film A", developer="Developer B", batch=f"{at // 3}", use=at % 3 + 1, time_s=480.0 + at % 60,
        date=f"{2000 + at // 336}-{at // 28 % 12 + 1:02d}-{at % 28 + 1:02d}", temperature_c=20.0, exposure_index=100.0,
    )  # fmt: skip


def _reading(at: int, negative: int, run: int) -> NewReading:
    def read(value: float) -> dict[str, float]:
        return {"value": value, "uncertainty": 0.02}

    off = 0.01 * ((at * 7 + negative) % 11)
    plain = json.loads(json.dumps(reading_document(assessment())))
    document = {
        **plain,
        "base_plus_fog": read(0.2 + 0.1 * off),
        "shadow": read(0.45),
        "net_shadow": read(0.25 - 0.1 * off),
        "density_range": read(1.0 + off),
        "exposure": {**plain["exposure"], "stops": read(0.1)},
        "filling": "x" * 3000,
    }
    return NewReading(
        file=f"{at}-{negative}.tif", scan_sha256=f"{at:032d}{negative:032d}", piece=None, calibration={"name": "one"},
        options={}, document=document, run=run,
    )  # fmt: skip


def seconds(arguments: list[str], place: Path) -> float:
    """Return how long one command takes, process start and all."""
    environment = {**os.environ, "DENSISCAN_NOTEBOOK": str(place), "PYTHONPATH": str(Path(__file__).parents[2])}
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "densiscan", *arguments],
        env=environment,
        check=True,
        stdout=subprocess.DEVNULL,
        cwd=place.parent,
    )
    return time.perf_counter() - began


def main() -> int:
    """Run the comparison as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--films", type=int, default=0)
    asked = parser.parse_args()
    rounds, most = asked.rounds, MOST_OF_ONE_FILM if asked.films else MOST
    slow = 0
    with tempfile.TemporaryDirectory() as folder:
        few, many = Path(folder) / "few.sqlite", Path(folder) / "many.sqlite"
        fill(few, OF_A_FILM if asked.films else FEW)
        if asked.films:
            shutil.copy(few, many)
            crowd(many, asked.films)
        else:
            fill(many, MANY)
        sizes = (OF_A_FILM, OF_A_FILM * asked.films) if asked.films else (FEW, MANY)
        sys.stdout.write(f"command     {sizes[0]} readings   {sizes[1]} readings   ratio\n")
        for name, arguments in OF_ONE_FILM if asked.films else COMMANDS:
            taken = [(seconds(arguments, few), seconds(arguments, many)) for _ in range(rounds)]
            first, second = (statistics.median(side) for side in zip(*taken, strict=True))
            slow += second > most * first
            sys.stdout.write(f"{name:<10}  {first:10.2f} s  {second:12.2f} s  {second / first:6.2f}\n")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
