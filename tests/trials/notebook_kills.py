"""Kill commands that are writing to a notebook, and look whether anything that they acknowledged is missing.

    python -m tests.trials.notebook_kills --kills 200

Two processes write at once: runs, readings, corrections. One of them is killed (SIGKILL) at a random moment; every few
rounds the notebook is a new one, or one of the first form, so that making and migrating it are killed too. After each
kill the notebook must open, its check must pass, every entry whose writing had returned must be in it, and no writer
may have ended by itself. Exit status 1 where one of it is not so.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

from densiscan.development.run import Run
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading
from densiscan.notebook.schema import APPLICATION_ID, MIGRATIONS

_ROUNDS_A_NOTEBOOK = 5
_CORRECTED = "corrected"
_LONGEST_S = 0.25
"""A kill comes so long after the writer has begun, at most: some dozens of entries, or the making of the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How often was killed, how many entries were acknowledged, and what was found wrong."""

    kills: int
    acknowledged: int
    wrong: tuple[str, ...]


def write_until_killed(path: Path) -> None:
    """Write entries and print the key of each when its writing has returned."""
    sys.stdout.write("begin\n")
    sys.stdout.flush()
    while True:
        with Notebook(path) as book:
            for turn in range(20):
                key = uuid4().hex
                if turn % 2:
                    book.add_reading(_reading(key))
                    _acknowledge(key)
                    continue
                number = book.add_run(_run(key)).number
                _acknowledge(key)
                if turn % 4:
                    book.correct_run(number, note=f"{key} {_CORRECTED}")
                    _acknowledge(f"{key} {_CORRECTED}")


def _acknowledge(entry: str) -> None:
    sys.stdout.write(f"{entry}\n")
    sys.stdout.flush()


def _run(key: str) -> Run:
    return Run(
        number=0, film="Film A", developer="Developer B", batch=key[:3], date="2026-03-14", time_s=480.0,
        temperature_c=20.0, note=key,
    )  # fmt: skip


def _reading(key: str) -> NewReading:
    return NewReading(
        file=f"{key}.tif",
        scan_sha256=key * 2,
        piece=None,
        calibration={"name": "flatbed", "steps": list(range(200))},
        options={},
        document={"density_range": {"value": 1.05, "uncertainty": 0.02}, "filling": "x" * 3000},
    )


def kill_writers(kills: int, seed: int, folder: Path) -> Outcome:
    """Kill one of two writers so many times, and check the notebook after each."""
    moments = random.Random(seed)  # noqa: S311 - moments, not secrets
    wrong: list[str] = []
    acknowledged: set[str] = set()
    total = 0
    path = folder / "none"
    for kill in range(kills):
        if kill % _ROUNDS_A_NOTEBOOK == 0:
            path = folder / f"notebook-{kill}.sqlite"
            total += len(acknowledged)
            acknowledged = _of_the_first_form(path) if kill % (2 * _ROUNDS_A_NOTEBOOK) else set()
        said, failed = _killed(path, moments.uniform(0.0, _LONGEST_S))
        acknowledged |= said
        wrong += [f"kill {kill + 1}: {one}" for one in failed + _wrong_with(path, acknowledged)]
    return Outcome(kills=kills, acknowledged=total + len(acknowledged), wrong=tuple(wrong))


def _of_the_first_form(path: Path) -> set[str]:
    """Make a notebook as the first version did, with some runs; return what is in it."""
    kept = {uuid4().hex for _ in range(300)}
    with closing(sqlite3.connect(path)) as connection, connection:
        for statement in MIGRATIONS[0]:
            connection.execute(statement)
        connection.execute("INSERT INTO films VALUES (1, 'f', 'Film A', 'film a', NULL, NULL, NULL, '2026')")
        connection.execute("INSERT INTO developers VALUES (1, 'd', 'Developer B', 'developer b', NULL, '2026')")
        connection.executemany(
            """INSERT INTO runs (uid, film_id, developer_id, use, date, time_s, temperature_c, note, changed, version,
            arguments) VALUES (?1, 1, 1, 1, '2026-01-02', 540.0, 20.0, ?1, '2026-01-02T10:00:00+00:00', '0.1.0', '')""",
            [(key,) for key in kept],
        )
        connection.execute("PRAGMA user_version = 1")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    return kept


def _killed(path: Path, after_s: float) -> tuple[set[str], list[str]]:
    """Start two writers, kill both, and return what they had acknowledged, and how one failed by itself."""
    command = [sys.executable, "-m", "tests.trials.notebook_kills", "--write", str(path)]
    writers = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    for writer in writers:
        assert writer.stdout is not None
        writer.stdout.readline()
    time.sleep(after_s)
    said: set[str] = set()
    failed = []
    for writer in writers:
        os.kill(writer.pid, signal.SIGKILL)
        out, words = writer.communicate()
        # A line cut off by the kill was not acknowledged.
        said |= set(out.split("\n")[:-1])
        if words:
            failed.append(f"a writer ended by itself: {words.splitlines()[-1]}")
    return said, failed


def _wrong_with(path: Path, acknowledged: set[str]) -> list[str]:
    with Notebook(path) as book:
        wrong = list(book.check())
        notes = {str(run.note) for run in book.runs(removed=None)}
        there = notes | {note.removesuffix(f" {_CORRECTED}") for note in notes}
        there |= {str(reading.file).removesuffix(".tif") for reading in book.readings(with_documents=False)}
    missing = acknowledged - there
    return wrong + ([f"{len(missing)} acknowledged entries are missing"] if missing else [])


def main() -> int:
    """Run the trial as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.write is not None:
        write_until_killed(asked.write)
    with tempfile.TemporaryDirectory() as folder:
        outcome = kill_writers(asked.kills, asked.seed, Path(folder))
    sys.stdout.write(
        f"{outcome.kills} kills, {outcome.acknowledged} entries acknowledged, {len(outcome.wrong)} wrong\n"
    )
    sys.stdout.writelines(f"{one}\n" for one in outcome.wrong)
    return 1 if outcome.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
