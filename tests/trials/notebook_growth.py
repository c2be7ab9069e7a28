"""How long the commands take on a notebook of 10,000 readings, against one of 100.

    python -m tests.trials.notebook_growth

Each command runs as a process of its own, on both notebooks in turn, so many rounds; medians are compared. Exit status
1 where one takes more than three times as long.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from densiscan.development.run import Run
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading

MOST = 3.0
NEGATIVES_A_RUN = 2
FEW, MANY = 100, 10_000
COMMANDS = (
    ("advise", ["advise", "--film", "Film A", "--developer", "Developer B"]),
    ("run list", ["run", "list"]),
    ("run show", ["run", "show", "1"]),
    ("run add", ["run", "add"]),
    ("trends", ["trends"]),
)


def fill(place: Path, readings: int) -> None:
    """Make a notebook of so many readings, all of one film in one developer: nothing is easier left out."""
    with Notebook(place) as book, book._store.writing():
        for at in range(readings // NEGATIVES_A_RUN):
            number = book.add_run(_run(at)).number
            book.add_readings([_reading(at, negative, number) for negative in range(NEGATIVES_A_RUN)])


def _run(at: int) -> Run:
    return Run(
        number=0, film="Film A", developer="Developer B", batch=f"{at // 3}", use=at % 3 + 1, time_s=480.0 + at % 60,
        date=f"{2000 + at // 336}-{at // 28 % 12 + 1:02d}-{at % 28 + 1:02d}", temperature_c=20.0, exposure_index=100.0,
    )  # fmt: skip


def _reading(at: int, negative: int, run: int) -> NewReading:
    def read(value: float) -> dict[str, float]:
        return {"value": value, "uncertainty": 0.02}

    off = 0.01 * ((at * 7 + negative) % 11)
    document = {
        "base_plus_fog": read(0.2 + 0.1 * off),
        "shadow": read(0.45),
        "net_shadow": read(0.25 - 0.1 * off),
        "density_range": read(1.0 + off),
        "exposure": {"stops": read(0.1)},
        "filling": "x" * 3000,
    }
    return NewReading(
        file=f"{at}-{negative}.tif", scan_sha256=f"{at:032d}{negative:032d}", piece=None, calibration={"name": "one"},
        options={}, document=document, run=run,
    )  # fmt: skip


def seconds(arguments: list[str], place: Path) -> float:
    """Return how long one command takes, process start and all."""
    environment = {**os.environ, "DENSISCAN_NOTEBOOK": str(place)}
    began = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "densiscan", *arguments], env=environment, check=True, stdout=subprocess.DEVNULL
    )
    return time.perf_counter() - began


def main() -> int:
    """Run the comparison as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    slow = 0
    with tempfile.TemporaryDirectory() as folder:
        few, many = Path(folder) / "few.sqlite", Path(folder) / "many.sqlite"
        fill(few, FEW)
        fill(many, MANY)
        sys.stdout.write(f"command     {FEW} readings   {MANY} readings   ratio\n")
        for name, arguments in COMMANDS:
            taken = [(seconds(arguments, few), seconds(arguments, many)) for _ in range(rounds)]
            first, second = (statistics.median(side) for side in zip(*taken, strict=True))
            slow += second > MOST * first
            sys.stdout.write(f"{name:<10}  {first:10.2f} s  {second:12.2f} s  {second / first:6.2f}\n")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
