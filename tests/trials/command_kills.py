"""Kill whole commands at random moments, and look whether anything is lost or half done.

    python -m tests.trials.command_kills [--kills 200] [--seed 1]

Each act starts a command as a person would, kills it (SIGKILL) at a random moment within the time that it takes, and
looks: what was there before is there, what the command does is done whole or not at all. Exit status 1 where it is not.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from densiscan.calibration.file import read_calibration
from densiscan.development.run import Run
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.schema import APPLICATION_ID, MIGRATIONS
from densiscan.report.table import sheet_head

ROOT: Final = Path(__file__).resolve().parents[2]
SAMPLES: Final = ROOT / "sample_scans"
_RUNS: Final = 150


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """A command, and how it is set up and looked at afterwards.

    `set_up` fills a fresh folder; `wrong` returns what is not as it must be there, once the command was killed. Of a
    command that goes on without end `lasts` says how long it is let run, and `during` what comes to it meanwhile.
    """

    name: str
    line: tuple[str, ...]
    set_up: Callable[[Path, int], None]
    wrong: Callable[[Path], list[str]]
    lasts: float | None = None
    during: Callable[[Path], None] | None = None


def _runs(path: Path, first: int, count: int) -> None:
    with Notebook(path) as book:
        for number in range(first, first + count):
            book.add_run(
                Run(
                    number=0, film="Film A", developer="Developer B", date="2026-03-14", time_s=480.0,
                    temperature_c=20.0,
                    note=f"run {number}",
                )
            )  # fmt: skip


def _notes(path: Path) -> set[str]:
    with Notebook(path) as book:
        return {str(run.note) for run in book.runs(removed=None)}


def _made_once(folder: Path) -> Path:
    """Return a folder with the notebooks that every round copies: `mine`, `other` and its export."""
    _runs(folder / "mine.sqlite", 0, 5)
    _runs(folder / "other.sqlite", 1000, _RUNS)
    subprocess.run(
        [*DENSISCAN, "notebook", "export", "other.json", "--notebook", "other.sqlite"], cwd=folder, check=True,
        capture_output=True, env=_environment(folder),
    )  # fmt: skip
    return folder


DENSISCAN: Final = (sys.executable, "-m", "densiscan")


def _environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(folder / "data")}


def _merged(folder: Path) -> list[str]:
    with Notebook(folder / "mine.sqlite") as book:
        wrong = list(book.check())
    notes = _notes(folder / "mine.sqlite")
    before, both = {f"run {n}" for n in range(5)}, {f"run {n}" for n in range(1000, 1000 + _RUNS)}
    if notes not in (before, before | both):
        wrong.append(f"{len(notes)} runs, neither {len(before)} nor {len(before | both)}")
    return wrong


def _older(folder: Path, kill: int) -> None:
    """Make a notebook of one of the older forms, each in turn, with some runs in it."""
    form = 1 + kill % (len(MIGRATIONS) - 1)
    with closing(sqlite3.connect(folder / "old.sqlite")) as connection, connection:
        for statements in MIGRATIONS[:1]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(
            "INSERT INTO films VALUES (1, 'f', 'Film A', 'film a', NULL, NULL, NULL, '2026-01-02T10:00:00+00:00')"
        )
        connection.execute(
            "INSERT INTO developers VALUES (1, 'd', 'Developer B', 'developer b', NULL, '2026-01-02T10:00:00+00:00')"
        )
        connection.executemany(
            """INSERT INTO runs (uid, film_id, developer_id, use, date, time_s, temperature_c, note, changed, version,
            arguments) VALUES (?1, 1, 1, 1, '2026-01-02', 540.0, 20.0, ?1, '2026-01-02T10:00:00+00:00', '0.1.0', '')""",
            [(f"run {number}",) for number in range(_RUNS)],
        )
        for statements in MIGRATIONS[1:form]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {form}")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _migrated(folder: Path) -> list[str]:
    with Notebook(folder / "old.sqlite") as book:
        wrong = list(book.check())
    missing = {f"run {number}" for number in range(_RUNS)} - _notes(folder / "old.sqlite")
    return wrong + ([f"{len(missing)} runs are missing"] if missing else [])


def _removed(folder: Path, _kill: int) -> None:
    _runs(folder / "mine.sqlite", 0, 3)
    with Notebook(folder / "mine.sqlite") as book:
        book.remove_run(2)


def _restored(folder: Path) -> list[str]:
    with Notebook(folder / "mine.sqlite") as book:
        wrong = list(book.check())
        there = [run.number for run in book.runs()]
        changes = len(book.tables()["changes"])
    if (there, changes) not in (([1, 3], 4), ([1, 2, 3], 5)):
        wrong.append(f"runs {there} with {changes} changes")
    return wrong


def _wedge(folder: Path, _kill: int) -> None:
    for name in ("wedge.tif", "wedge.csv"):
        shutil.copy(SAMPLES / name, folder)
    (folder / "cal.json").write_bytes(CALIBRATION)


CALIBRATION: bytes = b""


def _calibrated(folder: Path) -> list[str]:
    made = read_calibration(folder / "cal.json")
    return [] if made.name in {"old", "new"} else [f"a calibration called {made.name}"]


def _scans(folder: Path, _kill: int) -> None:
    _wedge(folder, 0)
    (folder / "scans").mkdir()
    for number in range(3):
        shutil.copy(SAMPLES / "normal.tif", folder / "scans" / f"neg-{number}.tif")
    (folder / "out.csv").write_text("file,path,\nold.tif,,\n")


def _measured(folder: Path) -> list[str]:
    lines = (folder / "out.csv").read_text().splitlines()
    with (folder / "out.csv").open(newline="") as sheet:
        files = [row["file"] for row in csv.DictReader(sheet)]
    whole = [f"neg-{number}.tif" for number in range(3)]
    wrong = [] if files in (["old.tif"], whole) else [f"a table of {files}"]
    if (folder / "book.sqlite").exists():
        with Notebook(folder / "book.sqlite") as book:
            wrong += book.check()
            for reading in book.readings():
                json.dumps(reading.document)
    return wrong if len(lines) in {2, 4} else [*wrong, f"{len(lines)} lines"]


def _incoming(folder: Path, _kill: int) -> None:
    _wedge(folder, 0)
    (folder / "scans").mkdir()
    (folder / "out.csv").write_text(sheet_head(0) + "old.tif" + "," * (sheet_head(0).count(",")) + "\n")


def _arrive(folder: Path) -> None:
    for number in range(3):
        time.sleep(0.4)
        with suppress(OSError):  # the round may be over
            # a byte at the end makes each a scan of its own
            content = (SAMPLES / "normal.tif").read_bytes() + bytes([number])
            (folder / "scans" / f"neg-{number}.tif").write_bytes(content)


def _watched(folder: Path) -> list[str]:
    with (folder / "out.csv").open(newline="") as sheet:
        rows = list(csv.reader(sheet))
    names = [row[0] for row in rows[1:]]
    # what lay there before the watch began is left alone
    wrong = [] if names[0] == "old.tif" and names[1:] == sorted(set(names[1:])) else [f"{names}"]
    wrong += [f"a row of {len(row)} cells" for row in rows if len(row) != len(rows[0])]
    if (folder / "book.sqlite").exists():
        with Notebook(folder / "book.sqlite") as book:
            wrong += book.check()
            kept = len(book.readings())
        # A reading is kept before its line is written.
        wrong += [f"{len(names) - 1} lines of {kept} readings"] if len(names) - 1 > kept else []
    return wrong


def acts(once: Path) -> tuple[Act, ...]:
    """Return every act; `once` holds the notebooks that are made once."""

    def copied(folder: Path, _kill: int) -> None:
        for name in ("mine.sqlite", "other.sqlite", "other.json"):
            shutil.copy(once / name, folder)

    book = ("--notebook", "mine.sqlite")
    return (
        Act(name="import", line=("notebook", "import", "other.json", *book), set_up=copied, wrong=_merged),
        Act(name="merge", line=("notebook", "import", "other.sqlite", *book), set_up=copied, wrong=_merged),
        Act(name="migrate", line=("run", "list", "--notebook", "old.sqlite"), set_up=_older, wrong=_migrated),
        Act(name="restore", line=("run", "restore", "2", *book), set_up=_removed, wrong=_restored),
        Act(
            name="calibrate",
            line=("calibrate", "wedge.tif", "--densities", "wedge.csv", "--out", "cal.json", "--name", "new"),
            set_up=_wedge,
            wrong=_calibrated,
        ),
        Act(
            name="folder",
            line=("measure", "scans", "--calibration", "cal.json", "--csv", "out.csv", "--notebook", "book.sqlite"),
            set_up=_scans,
            wrong=_measured,
        ),
        Act(
            name="watch",
            line=(
                *("watch", "scans", "--calibration", "cal.json", "--csv", "out.csv", "--notebook", "book.sqlite"),
                *("--settle", "0.1"),
            ),
            set_up=_incoming,
            wrong=_watched,
            lasts=6.0,
            during=_arrive,
        ),
    )


def _lasts(act: Act, folder: Path) -> float:
    """Return how long the command takes when nobody kills it, and require that it does what it is for."""
    if act.lasts is not None:
        return act.lasts
    act.set_up(folder, 0)
    began = time.monotonic()
    done = subprocess.run(
        [*DENSISCAN, *act.line], cwd=folder, env=_environment(folder), capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode()
    wrong = act.wrong(folder)
    assert wrong == [], wrong
    return time.monotonic() - began


def kill(act: Act, kills: int, moments: random.Random, within: Path) -> list[str]:
    """Kill one command so many times; return what was wrong afterwards."""
    whole = within / "whole"
    whole.mkdir(parents=True)
    lasts = _lasts(act, whole)
    wrong = []
    for number in range(kills):
        folder = within / str(number)
        folder.mkdir()
        act.set_up(folder, number)
        process = subprocess.Popen(
            [*DENSISCAN, *act.line],
            cwd=folder,
            env=_environment(folder),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        after = moments.uniform(0.0, 1.1 * lasts)
        if act.during is not None:
            threading.Thread(target=act.during, args=(folder,), daemon=True).start()
        time.sleep(after)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        try:
            wrong += [f"{act.name}, kill {number + 1}: {one}" for one in act.wrong(folder)]
        except Exception as problem:  # noqa: BLE001 - what cannot even be read is wrong too
            wrong.append(f"{act.name}, kill {number + 1}: {problem!r}")
        shutil.rmtree(folder, ignore_errors=True)
    return wrong


def main() -> int:
    """Run the trial as the command line says."""
    global CALIBRATION  # noqa: PLW0603 - made once, by the command itself
    parser = argparse.ArgumentParser(prog="python -m tests.trials.command_kills", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--act", help="this act alone")
    asked = parser.parse_args()
    moments = random.Random(asked.seed)  # noqa: S311 - moments, not secrets
    failed = False
    with tempfile.TemporaryDirectory() as place:
        once = _made_once(Path(place))
        for name in ("wedge.tif", "wedge.csv"):
            shutil.copy(SAMPLES / name, once)
        line = ["calibrate", "wedge.tif", "--densities", "wedge.csv", "--out", "old.json", "--name", "old"]
        subprocess.run([*DENSISCAN, *line], cwd=once, env=_environment(once), check=True, capture_output=True)
        CALIBRATION = (once / "old.json").read_bytes()
        for act in (one for one in acts(once) if asked.act in (None, one.name)):
            wrong = kill(act, asked.kills, moments, once / act.name)
            failed |= bool(wrong)
            sys.stdout.write(f"{act.name}: {asked.kills} kills, {len(wrong)} wrong\n")
            sys.stdout.writelines(f"  {one}\n" for one in wrong[:5])
            sys.stdout.flush()
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
