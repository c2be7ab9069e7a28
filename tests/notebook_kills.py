"""Kill commands that are writing to a notebook, and look whether anything that they acknowledged is missing.

    python -m tests.notebook_kills --kills 200

Two processes write at once: runs, readings, corrections. One of them is killed (SIGKILL) at a random moment; every few
rounds the notebook is a new one, so that the making of it is killed too. After each kill the notebook must open, its
check must pass, and every entry whose writing had returned must be in it. Exit status 1 where one is missing.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

from densiscan.development_runs import Run
from densiscan.notebook_book import Notebook
from densiscan.notebook_readings import NewReading

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
            acknowledged = set()
        acknowledged |= _killed(path, moments.uniform(0.0, _LONGEST_S))
        wrong += [f"kill {kill + 1}: {one}" for one in _wrong_with(path, acknowledged)]
    return Outcome(kills=kills, acknowledged=total + len(acknowledged), wrong=tuple(wrong))


def _killed(path: Path, after_s: float) -> set[str]:
    """Start two writers, kill one after the other, and return what they had acknowledged."""
    command = [sys.executable, "-m", "tests.notebook_kills", "--write", str(path)]
    writers = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    for writer in writers:
        assert writer.stdout is not None
        writer.stdout.readline()
    time.sleep(after_s)
    said: set[str] = set()
    for writer in writers:
        os.kill(writer.pid, signal.SIGKILL)
        out, _ = writer.communicate()
        # A line cut off by the kill was not acknowledged.
        said |= set(out.split("\n")[:-1])
    return said


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
