"""A folder is watched: a scan is measured when it is whole, never before, whatever else happens to files."""

from __future__ import annotations

import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from densiscan.batch.watch import Arrivals, is_open_for_writing, status_of
from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from tests.cli.test_folder import negative
from tests.support.made_up import calibration

ROOT = Path(__file__).resolve().parents[2]
A, B = Path("a.tif"), Path("b.tif")


def test_a_file_is_ready_when_it_has_stood_still() -> None:
    arrivals = Arrivals(settle_s=2.0)
    arrivals.note(A, (100, 1, 7), 0.0)
    arrivals.note(A, (200, 2, 7), 1.5)  # it grows
    assert arrivals.ready(2.5) == []
    arrivals.note(A, (200, 2, 7), 3.0)  # told of again, unchanged
    assert arrivals.ready(3.5) == [A]
    arrivals.take(A)
    arrivals.note(A, (200, 2, 7), 4.0)
    assert arrivals.ready(99.0) == []


def test_a_file_written_again_is_ready_again_and_one_that_was_there_only_when_it_changes() -> None:
    arrivals = Arrivals(settle_s=2.0)
    arrivals.there_before(A, (100, 1, 7))
    arrivals.note(A, (100, 1, 7), 0.0)
    assert arrivals.ready(10.0) == []
    arrivals.note(A, (100, 2, 7), 10.0)
    assert arrivals.ready(12.0) == [A]


def test_a_file_that_vanishes_is_forgotten_also_as_measured() -> None:
    arrivals = Arrivals(settle_s=2.0)
    arrivals.note(A, (100, 1, 7), 0.0)
    arrivals.note(A, None, 1.0)
    assert arrivals.ready(9.0) == []
    arrivals.note(B, (100, 1, 7), 0.0)
    arrivals.take(B)
    arrivals.note(B, None, 1.0)
    arrivals.note(B, (100, 1, 7), 2.0)  # moved away and back
    assert arrivals.ready(4.0) == [B]
    arrivals.take(A)  # gone while it was measured: nothing to note
    assert A not in arrivals.taken


def test_a_file_that_cannot_be_read_yet_waits_for_its_next_change_or_its_last_chance() -> None:
    arrivals = Arrivals(settle_s=2.0, patience_s=60.0)
    arrivals.note(A, (100, 1, 7), 0.0)
    assert arrivals.ready(2.0) == [A]
    arrivals.refuse(A)
    assert (arrivals.ready(30.0), arrivals.given_up(30.0)) == ([], [])
    arrivals.note(A, (300, 5, 7), 30.0)  # the rest has come
    assert arrivals.ready(32.0) == [A]
    arrivals.refuse(A)
    assert arrivals.given_up(89.0) == []
    assert arrivals.given_up(90.0) == [A]


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells it this way")
def test_a_file_that_is_open_for_writing_is_told(tmp_path: Path) -> None:
    file = tmp_path / "a.tif"
    file.write_bytes(b"x")
    with subprocess.Popen(
        [sys.executable, "-c", f"f = open({str(file)!r}, 'ab'); print(flush=True); input()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        assert is_open_for_writing(file)
        writer.communicate(b"\n")
    assert not is_open_for_writing(file)
    assert not is_open_for_writing(tmp_path / "absent.tif")
    assert status_of(tmp_path / "absent.tif") is None


class Watching:
    """The command at work on a folder `incoming`, its lines as they come."""

    def __init__(self, here: Path, *more: str) -> None:
        line = ["watch", "incoming", "--calibration", "cal.json", "--settle", "0.4", *more]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "densiscan", *line],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=here,
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
        )
        self.lines: queue.Queue[str] = queue.Queue()
        self.seen: list[str] = []
        self.listening = threading.Thread(target=self._listen, daemon=True)
        self.listening.start()
        self.until("Watching")
        time.sleep(1.0)  # the watch itself begins just after the words

    def _listen(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as stream:
            for line in stream:
                self.lines.put(line)

    def until(self, words: str, seconds: float = 60.0) -> str:
        """Return the next line with these words in it."""
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            try:
                line = self.lines.get(timeout=0.1)
            except queue.Empty:
                continue
            self.seen.append(line)
            if words in line:
                return line
        message = f"{words!r} never came: {self.seen}"
        raise AssertionError(message)

    def silent(self, seconds: float) -> None:
        time.sleep(seconds)
        assert self.lines.empty(), self.lines.get()


@pytest.fixture
def here(tmp_path: Path) -> Path:
    (tmp_path / "incoming").mkdir()
    write_calibration(calibration(), tmp_path / "cal.json")
    negative(tmp_path / "one.tif", 1)
    negative(tmp_path / "two.tif", 2)
    return tmp_path


@pytest.fixture
def watching(here: Path) -> Iterator[Watching]:
    found = Watching(here, "--csv", "out.csv")
    yield found
    found.process.kill()
    found.process.wait()
    found.listening.join(30)


def test_scans_are_measured_when_they_are_whole(here: Path, watching: Watching) -> None:
    incoming = here / "incoming"
    whole = (here / "one.tif").read_bytes()
    # Half a file that stands still for longer than it takes to settle is not measured.
    (incoming / "slow.tif").write_bytes(whole[: len(whole) // 2])
    watching.silent(2.0)
    with (incoming / "slow.tif").open("ab") as stream:
        stream.write(whole[len(whole) // 2 :])
    watching.until("slow.tif")
    # One that vanishes again, one with another suffix while it is written, then renamed.
    (incoming / "gone.tif").write_bytes(whole)
    (incoming / "gone.tif").unlink()
    (incoming / "part.tmp").write_bytes((here / "two.tif").read_bytes())
    (incoming / "part.tmp").rename(incoming / "two.tif")
    assert "gone" not in watching.until("two.tif")
    # Renamed after it was measured; then another picture under the old name.
    (incoming / "two.tif").rename(incoming / "neg-2.tif")
    watching.until("neg-2.tif was measured as two.tif")
    negative(incoming / "two.tif", 5)
    watching.until("two.tif")
    watching.process.send_signal(signal.SIGINT)
    assert "3 measured, 0 failed" in watching.until("Stopped")
    assert watching.process.wait(30) == 0
    assert not any("Traceback" in line for line in watching.seen)
    listed = [line.split(",")[0] for line in (here / "out.csv").read_text().splitlines()]
    assert listed == ["file", "slow.tif", "two.tif", "two.tif"]


def test_the_table_is_gone_on_with_and_the_watch_outlives_it(here: Path) -> None:
    (here / "tables").mkdir()
    table = here / "tables" / "out.csv"
    for number in (1, 2):
        watching = Watching(here, "--csv", "tables/out.csv")
        try:
            negative(here / "incoming" / f"evening-{number}.tif", number)
            watching.until(f"evening-{number}.tif")
            if number == 2:
                shutil.rmtree(here / "tables", ignore_errors=True)
                negative(here / "incoming" / "late.tif", 7)
                watching.until("takes no more lines")
                watching.until("late.tif")
            else:
                negative(here / "incoming" / "second.tif", 5)
                watching.until("second.tif")
            watching.process.send_signal(signal.SIGINT)
            watching.until("Stopped")
            assert watching.process.wait(30) == 0
        finally:
            watching.process.kill()
            watching.process.wait()
            watching.listening.join(30)
        if number == 1:
            kept = table.read_text()
            assert [line.split(",")[0] for line in kept.splitlines()] == ["file", "evening-1.tif", "second.tif"]
            table.write_text(kept + "mine.tif,,\n")


def test_a_table_of_other_columns_is_not_gone_on_with(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "out.csv").write_text("file,path,piece,spot_1_x_mm\n")
    line = ["watch", str(here / "incoming"), "--calibration", str(here / "cal.json"), "--csv", str(here / "out.csv")]
    assert run(line) == 2
    assert "a table of other columns" in capsys.readouterr().err


def test_a_name_that_is_no_text_does_not_end_the_watch(here: Path, watching: Watching) -> None:
    incoming = here / "incoming"
    try:
        negative(incoming / os.fsdecode(b"odd-\xe4.tif"), 5)
    except OSError:
        pytest.skip("this file system takes no name that is not UTF-8")
    watching.until("odd-")
    negative(incoming / "after.tif", 6)
    watching.until("after.tif")


def test_a_folder_that_goes_away_ends_the_watch_in_one_sentence(here: Path, watching: Watching) -> None:
    (here / "incoming").rmdir()
    assert "is gone" in watching.until("densiscan:")
    assert watching.process.wait(30) == 1


def test_what_is_watched_for_a_run_is_kept_with_that_run(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = str(here / "book.sqlite")
    added = "run add --film Fernley --developer Hollin --time 8:00 --temp 20 --notebook"
    assert run([*added.split(), book]) == 0
    watching = Watching(here, "--run", "last", "--notebook", book)
    try:
        negative(here / "incoming" / "three.tif", 3)
        watching.until("three.tif")
        watching.process.send_signal(signal.SIGINT)
        watching.until("Stopped")
        assert watching.process.wait(30) == 0
    finally:
        watching.process.kill()
        watching.process.wait()
        watching.listening.join(30)
    capsys.readouterr()
    assert run(["run", "show", "1", "--json", "--notebook", book]) == 0
    readings = json.loads(capsys.readouterr().out)["readings"]
    assert [reading["file"] for reading in readings] == ["three.tif"]


def test_a_negative_that_moves_to_the_last_run_is_said_to(here: Path) -> None:
    book = str(here / "moved.sqlite")
    added = "run add --film Fernley --developer Hollin --time 8:00 --temp 20 --notebook"
    negative(here / "before.tif", 3)
    assert run([*added.split(), book]) == 0
    measured = ["measure", str(here / "before.tif"), "--calibration", str(here / "cal.json")]
    assert run([*measured, "--run", "1", "--notebook", book]) == 0
    assert run([*added.split(), book]) == 0
    watching = Watching(here, "--run", "last", "--notebook", book)
    try:
        negative(here / "incoming" / "again.tif", 3)
        assert watching.until("was in run 1 and is now in run 2").startswith("again.tif")
        assert "no density range (was" in watching.until("Run 1 now counts")
    finally:
        watching.process.kill()
        watching.process.wait()
        watching.listening.join(30)


@pytest.mark.parametrize(
    ("line", "words"),
    [("absent", "is not a folder"), (". --run first", "give its number, or last"), (". --run last", "has no run yet")],
)
def test_wrong_lines(here: Path, line: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    status = run(
        ["watch", *line.split(), "--calibration", str(here / "cal.json"), "--notebook", str(here / "b.sqlite")]
    )
    err = capsys.readouterr().err
    assert (status, words in err) == (2, True), err
