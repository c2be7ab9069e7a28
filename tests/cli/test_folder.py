"""A folder from the command line: bad files, a killed worker, Ctrl-C, going on, the table file, the bar."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.batch.files import FileChoice, scans_in
from densiscan.batch.outliers import Folder
from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from densiscan.cli.progress import ProgressBar, bar_text
from densiscan.negative.find.not_film import LeftOut
from densiscan.negative.trouble.finding import SideFog, Trouble
from densiscan.notebook.as_read import assessment_of
from densiscan.report.readings import may_be_lost, notes_text, reading_document, row_text
from densiscan.report.table import sheet_head, sheet_line
from tests.support.made_up import assessment, calibration, density

LINUX = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for the worker's number in /proc")
ROOT = Path(__file__).resolve().parents[2]


def negative(file: Path, seed: int, *, base: float = 0.2) -> None:
    """Write a small scan of a sheet with a slope as its picture, by a linear scanner: signal equals transmittance."""
    rng = np.random.default_rng(seed)
    density_map = np.full((260, 330), -0.0)
    density_map[20:240, 20:310] = base
    density_map[36:224, 36:294] = base + 0.3 + np.linspace(0, 0.9, 258)[None, :]
    codes = 60000 * 10.0**-density_map + rng.normal(scale=60, size=density_map.shape)
    pixels = np.clip(codes, 0, 65535).astype(np.uint16)
    tifffile.imwrite(file, pixels, resolution=(100, 100), resolutionunit=2, metadata=None, photometric="minisblack")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a calibration and six negatives."""
    place = tmp_path_factory.mktemp("folder")
    write_calibration(calibration(), place / "cal.json")
    (place / "scans").mkdir()
    for number in range(6):
        negative(place / "scans" / f"neg-{number:02d}.tif", number)
    return place


@pytest.fixture
def here(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of one's own to stand in, with the scans of `made` linked into it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DENSISCAN_NOTEBOOK", raising=False)
    (tmp_path / "cal.json").write_bytes((made / "cal.json").read_bytes())
    (tmp_path / "scans").mkdir()
    for file in (made / "scans").iterdir():
        os.link(file, tmp_path / "scans" / file.name)
    return tmp_path


def measured(line: str, capsys: pytest.CaptureFixture[str], status: int = 0) -> Any:
    capsys.readouterr()
    assert run(["measure", *line.split(), "--calibration", "cal.json", "--json"]) == status
    return json.loads(capsys.readouterr().out)


def test_thirty_good_and_twenty_broken_files(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = here / "scans"
    good = sorted(folder.iterdir())
    for number in range(6, 30):
        os.link(good[number % 6], folder / f"neg-{number:02d}.tif")
    whole = good[0].read_bytes()
    broken = [b"", b"no scan at all", b"II*\0", whole[:200], whole[: len(whole) // 2], b"\xff\xd8\xff\xe0 and no more"]
    broken += [b"\x89PNG\r\n\x1a\n" + bytes(40), whole[:8] + bytes(400), b"MM\0*\0\0\0\x08\xff\xff", whole[4:]]
    for number in range(20):
        (folder / f"broken-{number:02d}.tif").write_bytes(broken[number % 10])
    document = measured("scans --jobs 2", capsys, status=1)
    assert [found["file"] for found in document["readings"]] == [f"neg-{number:02d}.tif" for number in range(30)]
    assert [failed["file"] for failed in document["failed"]] == [f"broken-{number:02d}.tif" for number in range(20)]
    for failed in document["failed"]:
        assert failed["code"] == "unreadable-scan"
        assert failed["message"].startswith(f"scans/{failed['file']} ")
    summary = document["summary"]
    assert (summary["scans"], summary["measured"], len(summary["failed"])) == (50, 30, 20)


def test_any_number_of_workers_prints_the_same(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "scans" / "broken.tif").write_bytes(b"no scan")
    printed = []
    for jobs in (1, 3):
        assert run(["measure", "scans", "--calibration", "cal.json", "--jobs", str(jobs), "--csv", "out.csv"]) == 1
        out, err = capsys.readouterr()
        printed.append((re.sub(r"in \d+:\d\d\.", "", out), err, (here / "out.csv").read_text()))
    assert printed[0] == printed[1]
    out, err, sheet = printed[0]
    assert "\r" not in err  # no bar where there is no terminal
    assert len(list(csv.DictReader(io.StringIO(sheet)))) == 6
    assert "7 scans: 6 measured, 1 not measured" in out
    assert max(map(len, out.splitlines())) < 80


def test_unchanged_scans_are_taken_from_the_notebook_and_changed_ones_are_not(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = measured("scans --notebook book.sqlite", capsys)
    negative(here / "scans" / "neg-03.tif", 99, base=0.4)
    (here / "scans" / "neg-05.tif").rename(here / "scans" / "other.tif")
    second = measured("scans --notebook book.sqlite", capsys)
    assert (second["summary"]["measured"], second["summary"]["known"]) == (1, 5)
    names = ["neg-00.tif", "neg-01.tif", "neg-02.tif", "neg-03.tif", "neg-04.tif", "other.tif"]
    assert [found["file"] for found in second["readings"]] == names
    for number in (0, 1, 2, 4):
        before, after = first["readings"][number], second["readings"][number]
        # An uncertainty is halved and doubled, and squared under a root on its way.
        assert after["shadow"]["uncertainty"] == pytest.approx(before["shadow"]["uncertainty"], rel=1e-12)
        assert after["shadow"]["value"] == before["shadow"]["value"]
        assert after["paper"] == before["paper"]
    assert measured("scans --notebook book.sqlite --again", capsys)["summary"]["known"] == 0
    assert measured("scans --notebook book.sqlite --aperture 2", capsys)["summary"]["known"] == 0
    write_calibration(calibration(increment=0.41), here / "cal.json")
    assert measured("scans --notebook book.sqlite", capsys)["summary"]["known"] == 0


BYTES_NAME = b"neg-\xe4.tif"
"""As an older disk names it: not UTF-8."""


@pytest.fixture
def odd(here: Path) -> Path:
    """A folder of two scans, the name of one of which is no text on this system."""
    folder = here / "odd"
    folder.mkdir()
    os.link(here / "scans" / "neg-00.tif", folder / "plain.tif")
    try:
        os.link(here / "scans" / "neg-01.tif", folder / os.fsdecode(BYTES_NAME))
    except OSError:
        pytest.skip("this file system takes no name that is not UTF-8")
    return folder


@pytest.mark.usefixtures("odd")
def test_a_name_that_is_no_text_stops_nothing(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(here / "notebook.sqlite"))
    names = ["neg-\\udce4.tif", "plain.tif"]
    document = measured("odd --csv out.csv --report page.html", capsys)
    assert [found["file"] for found in document["readings"]] == names
    sheet = (here / "out.csv").read_text(encoding="utf-8")
    assert [row["file"] for row in csv.DictReader(io.StringIO(sheet))] == names
    assert "neg-" in (here / "page.html").read_text(encoding="utf-8")
    assert run(["measure", "odd", "--calibration", "cal.json"]) == 0
    out = capsys.readouterr().out
    assert "2 in the notebook already" in out
    assert names[0] in out
    # One by itself, the command line holding its name, which the notebook keeps.
    alone = str(Path("odd", os.fsdecode(BYTES_NAME)))
    assert run(["measure", alone, "--calibration", "cal.json"]) == 0
    assert names[0] in capsys.readouterr().out


def test_a_broken_file_whose_name_is_no_text_is_said(odd: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (odd / os.fsdecode(BYTES_NAME)).unlink()
    (odd / os.fsdecode(BYTES_NAME)).write_bytes(b"no scan")
    document = measured("odd", capsys, status=1)
    assert [found["file"] for found in document["readings"]] == ["plain.tif"]
    assert [failed["file"] for failed in document["failed"]] == ["neg-\\udce4.tif"]
    json.dumps(document, ensure_ascii=False).encode("utf-8")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a disk that is always full")
def test_a_table_file_that_cannot_be_written_costs_no_reading(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "full.csv").symlink_to("/dev/full")
    assert run(["measure", "scans", "--calibration", "cal.json", "--csv", "full.csv"]) == 1
    out, err = capsys.readouterr()
    assert "6 scans: 6 measured" in out
    assert "the table cannot be written to full.csv: no space left" in err
    assert len(err.splitlines()) == 1


def test_what_is_kept_is_shown_as_if_just_read() -> None:
    found = assessment(piece=2, warnings=(Warning_(code="no-rebate", message="No clear edge."),), net_shadow=None)
    told = Warning_(code="calibration-old", message="The calibration is old.")
    old = reading_document(found)
    old["warnings"].append(told.to_json())
    back = assessment_of(json.loads(json.dumps(old)), found.path)
    assert (row_text(back), notes_text(back)) == (row_text(found), notes_text(found))
    assert reading_document(back) == reading_document(found)
    assert told not in back.warnings
    assert told in assessment_of(old, found.path, (told,)).warnings


def test_what_was_left_out_is_kept_and_stands_in_every_output() -> None:
    left = LeftOut(
        box_mm=(5.0, 6.0, 20.0, 30.0), code="outline-not-clear", message="No straight edges.", may_be_film=True
    )
    one = assessment()
    found = replace(one, reading=replace(one.reading, left_out=(left,)))
    back = assessment_of(json.loads(json.dumps(reading_document(found))), found.path)
    assert back.reading.left_out == (left,)
    assert may_be_lost([back])
    assert "No straight edges." in notes_text(back)
    row = dict(zip(sheet_head(0).strip().split(","), sheet_line(back, 0).strip().split(","), strict=True))
    assert row["left_out"] == "outline-not-clear"


def test_fog_by_side_is_kept_too() -> None:
    side = SideFog(name="left", base_plus_fog=Quantity(0.2), fog=Quantity(0.12))
    found = replace(assessment(), trouble=Trouble(fog=(side,)))
    back = assessment_of(json.loads(json.dumps(reading_document(found))), found.path)
    assert reading_document(back) == reading_document(found)
    assert back.trouble.fog[0].fog is not None


def test_patterns_folders_below_and_hidden_files(here: Path) -> None:
    (here / "scans" / "roll 2").mkdir()
    (here / "scans" / ".thumbs").mkdir()
    for name in ("NEG-10.TIF", "._neg-11.tif", "print-1.tif", "roll 2/neg-12.tif", ".thumbs/neg-13.tif"):
        (here / "scans" / name).touch()

    def names(choice: FileChoice) -> list[str]:
        files, failures = scans_in([Path("scans"), Path("scans/neg-00.tif")], choice)
        assert not failures
        return [file.relative_to("scans").as_posix() for file in files]

    own = [f"neg-{number:02d}.tif" for number in range(6)]
    assert names(FileChoice()) == ["NEG-10.TIF", *own, "print-1.tif"]
    assert names(FileChoice(patterns=("neg-*",), recursive=True)) == ["NEG-10.TIF", *own, "roll 2/neg-12.tif"]
    _, failures = scans_in([Path("scans")], FileChoice(patterns=("slide*",)))
    assert "slide*" in failures[0].message


def started(here: Path, *more: str) -> subprocess.Popen[str]:
    """Start a folder of thirty scans, one worker."""
    good = sorted((here / "scans").iterdir())
    for number in range(6, 30):
        os.link(good[number % 6], here / "scans" / f"neg-{number:02d}.tif")
    line = ["measure", "scans", "--calibration", "cal.json", "--csv", "out.csv", *more]
    return subprocess.Popen(
        [sys.executable, "-m", "densiscan", *line],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
    )


def rows(here: Path) -> int:
    sheet = here / "out.csv"
    return len(sheet.read_text().splitlines()) - 1 if sheet.exists() else 0


def on_its_way(here: Path) -> int:
    """Lines of the table that is still beside its place, its head left out."""
    return max((len(part.read_text().splitlines()) - 1 for part in here.glob(".out.csv.*")), default=0)


def until(here: Path, number: int) -> None:
    """Wait until so many lines of the table are written."""
    ends = time.monotonic() + 120
    while on_its_way(here) < number and time.monotonic() < ends:
        time.sleep(0.01)
    assert on_its_way(here) >= number


@LINUX
def test_ctrl_c_keeps_what_is_done_and_the_next_call_goes_on(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    process = started(here, "--notebook", "book.sqlite", "--jobs", "1")
    until(here, 3)
    os.killpg(process.pid, signal.SIGINT)  # a terminal sends it to the workers too
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in err
    done = rows(here)
    assert "the same command goes on from there" in " ".join(out.split())
    assert f"Stopped with {30 - done} left" in out
    document = measured("scans --csv out.csv --notebook book.sqlite --jobs 2", capsys)
    assert len(document["readings"]) == rows(here) == 30
    assert document["summary"]["known"] >= done


def children_of(*parents: int) -> list[int]:
    """Return the processes that these have started."""
    found: list[int] = []
    for entry in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = entry.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) in parents:
            found.append(int(entry.parent.name))
    return found


def workers_of(parent: int) -> list[int]:
    """Return the processes that the parent's process server has forked."""
    return children_of(*children_of(parent))


@LINUX
@pytest.mark.parametrize("after", [0.0, 0.1, 0.2, 0.3, 0.5])
def test_ctrl_c_while_the_workers_still_start_leaves_no_trace(here: Path, after: float) -> None:
    process = started(here, "--jobs", "2")
    ends = time.monotonic() + 60
    while not children_of(process.pid) and time.monotonic() < ends:
        time.sleep(0.01)
    time.sleep(after)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in err


@LINUX
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL, signal.SIGHUP])
def test_workers_end_with_their_parent(here: Path, how: signal.Signals) -> None:
    process = started(here, "--jobs", "2")
    until(here, 1)
    children = children_of(process.pid)
    everybody = {*children, *children_of(*children)}
    assert len(everybody) >= 3
    os.kill(process.pid, how)
    # Standard output is closed only when the last of them has ended.
    process.communicate(timeout=30)
    assert process.returncode == -how
    ends = time.monotonic() + 30
    while any(Path(f"/proc/{number}/stat").exists() for number in everybody) and time.monotonic() < ends:
        time.sleep(0.05)
    assert not [number for number in everybody if Path(f"/proc/{number}/stat").exists()]


@LINUX
def test_a_table_that_the_disk_does_not_take_leaves_the_old_one(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    old = "file,path,\nearlier.tif,x,\n"
    (here / "out.csv").write_text(old)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    assert run(["measure", "scans", "--calibration", "cal.json", "--csv", "out.csv", "--jobs", "1"]) == 1
    captured = capsys.readouterr()
    assert "no space left on device; choose another file" in captured.err
    assert "neg-05.tif" in captured.out
    assert (here / "out.csv").read_text() == old
    assert list(here.glob(".out.csv.*")) == []


@LINUX
def test_a_killed_worker_loses_nothing(here: Path) -> None:
    process = started(here, "--jobs", "2")
    until(here, 3)
    workers = workers_of(process.pid)
    assert workers
    os.kill(workers[0], signal.SIGKILL)
    out, err = process.communicate(timeout=120)
    assert (process.returncode, err) == (0, "Written to out.csv.\n")
    assert "30 scans: 30 measured" in out
    listed = [row["file"] for row in csv.DictReader(io.StringIO((here / "out.csv").read_text()))]
    assert listed == [f"neg-{number:02d}.tif" for number in range(30)]


def test_the_odd_one_of_a_folder_is_named() -> None:
    folder = Folder.empty()
    for number in range(11):
        folder.add(assessment(file=f"neg-{number}.tif", base_plus_fog=density(0.25 + 0.002 * (number % 5))))
    folder.add(assessment(file="fogged.tif", base_plus_fog=density(0.52)))
    (outlier,) = folder.outliers()
    assert (outlier.name, outlier.figure) == ("fogged.tif", "base_plus_fog")
    # The eleven others lie at 0.250 to 0.258; half way among all twelve is 0.254.
    assert (outlier.value, outlier.usual) == pytest.approx((0.52, 0.254), abs=1e-9)
    few = Folder.empty()
    for value in (0.25, 0.25, 0.9):
        few.add(assessment(base_plus_fog=density(value)))
    assert few.outliers() == ()


def test_what_is_no_negative_is_neither_odd_nor_what_others_stand_apart_from() -> None:
    folder = Folder.empty()
    for number in range(8):
        folder.add(assessment(file=f"neg-{number}.tif", base_plus_fog=density(0.25)))
    for number in range(9):
        folder.add(assessment(file=f"wedge-{number}.tif", seen="wedge", base_plus_fog=density(0.06)))
    assert folder.outliers() == ()
    assert {standing.distance for standing in folder.standings()} == {0.0}


def test_a_difference_within_the_doubt_or_too_small_to_see_is_not_odd() -> None:
    folder = Folder.empty()
    for number in range(10):
        folder.add(assessment(base_plus_fog=density(0.25), shadow=density(0.45 + 0.001 * (number == 3))))
    folder.add(assessment(base_plus_fog=density(0.45, 0.2), shadow=density(0.45)))
    assert folder.outliers() == ()


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_bar_tells_the_pace_and_the_time_left() -> None:
    assert bar_text(0, 50, measured=0, seconds=3.0) == f"[{'.' * 24}] 0 of 50"
    # Ten in a minute and forty to go: four minutes.
    assert bar_text(10, 50, measured=10, seconds=60.0) == f"[{'#' * 5}{'.' * 19}] 10 of 50, 10 a minute, 4:00 left"
    assert len(bar_text(99_999, 100_000, measured=99_999, seconds=1e6)) < 80
    ticks = iter([0.0, 1.0, 1.01, 2.0])
    terminal = Terminal()
    bar = ProgressBar(50, stream=terminal, clock=lambda: next(ticks))
    bar.draw(10, 10)
    bar.draw(11, 11)  # too soon after the last
    bar.draw(12, 12)
    bar.clear()
    assert terminal.getvalue().count("of 50") == 2
    assert terminal.getvalue().endswith("\x1b[K")
    silent = io.StringIO()
    ProgressBar(50, stream=silent).draw(10, 10)
    assert silent.getvalue() == ""
