"""An archive: lines as they come, gone on with after a stop, by content, whatever a machine or a file does."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.batch.assessment import Task
from densiscan.batch.outliers import scatter_of
from densiscan.calibration.file import read_calibration, write_calibration
from densiscan.cli.app import run
from densiscan.cli.measure_archive import _Progress
from densiscan.errors import DensiscanError
from densiscan.notebook.lines import LineFile, PieceFigures, ScanLine
from densiscan.report.archive import FARTHEST, archive_of, scatter_of_counts
from densiscan.report.lines import UNSEEN, Measuring, line_of, moved
from densiscan.report.page.archive import archive_html
from tests.cli.test_folder import negative
from tests.support.made_up import calibration
from tests.support.schemas import faults

LINE = "measure plates --recursive --calibration cal.json --lines all.jsonl"


@pytest.fixture(scope="module")
def plates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a calibration, and four plates in folders of any depth."""
    place = tmp_path_factory.mktemp("archive")
    write_calibration(calibration(), place / "cal.json")
    for number, folder in enumerate(("", "a", "a/b", "a/b/c")):
        (place / "plates" / folder).mkdir(parents=True, exist_ok=True)
        negative(place / "plates" / folder / f"plate-{number}.tif", number)
    return place


@pytest.fixture
def here(plates: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    (tmp_path / "cal.json").write_bytes((plates / "cal.json").read_bytes())
    for file in plates.rglob("*.tif"):
        to = tmp_path / file.relative_to(plates)
        to.parent.mkdir(parents=True, exist_ok=True)
        os.link(file, to)
    return tmp_path


def lines_in(file: Path) -> list[dict[str, Any]]:
    return [json.loads(text) for text in file.read_text(encoding="utf-8").splitlines()]


def test_lines_are_those_of_measure_and_nothing_is_measured_twice(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(f"{LINE} --jobs 1".split()) == 0
    assert not (here / "notebook.sqlite").exists()
    lines = lines_in(here / "all.jsonl")
    assert all(faults(line, "readings") == [] for line in lines)
    assert len({line["scan"]["sha256"] for line in lines}) == 4
    capsys.readouterr()
    assert run(["measure", "plates", "--recursive", "--calibration", "cal.json", "--json", "--jobs", "1"]) == 0
    plainly = {Path(one["path"]).name: one for one in json.loads(capsys.readouterr().out)["readings"]}
    for line in lines:
        (reading,) = line["readings"]
        assert {**reading, "path": ""} == {**plainly[reading["file"]], "path": ""}
    # again: nothing is read; a plate moved is known by its content, one that is new is measured, a copy too
    before = (here / "all.jsonl").read_bytes()
    assert run(LINE.split()) == 0
    assert "0 measured, 4 measured before" in capsys.readouterr().out
    assert (here / "all.jsonl").read_bytes() == before
    (here / "plates" / "a" / "plate-1.tif").rename(here / "plates" / "moved.tif")
    negative(here / "plates" / "new.tif", 77)
    assert run(f"{LINE} --jobs 1".split()) == 0
    assert "1 measured, 4 measured before" in capsys.readouterr().out
    last = lines_in(here / "all.jsonl")[4:]
    assert sorted(Path(line["readings"][0]["path"]).name for line in last) == ["moved.tif", "new.tif"]
    # otherwise than before is measured anew
    assert run(f"{LINE} --trim 2 --jobs 1".split()) == 0
    assert "5 measured, in" in capsys.readouterr().out


def test_a_broken_file_is_a_line_and_is_tried_again_once_mended(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = (here / "plates" / "plate-0.tif").read_bytes()
    (here / "plates" / "broken.tif").write_bytes(whole[:3000])
    assert run(f"{LINE} --jobs 1 --report out.html".split()) == 1
    assert "1 not measured (unreadable scan)" in capsys.readouterr().out
    (failed,) = [line for line in lines_in(here / "all.jsonl") if line["failed"]]
    assert failed["failed"][0]["code"] == "unreadable-scan"
    page = (here / "out.html").read_text(encoding="utf-8")
    assert "Not measured: 1" in page
    assert "broken.tif" in page
    (here / "plates" / "broken.tif").write_bytes(whole)
    assert run(f"{LINE} --jobs 1".split()) == 0
    assert "1 measured, 4 measured before" in capsys.readouterr().out


def test_half_a_line_and_a_lost_index_are_made_good(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(f"{LINE} --jobs 1".split()) == 0
    whole = (here / "all.jsonl").read_bytes()
    (here / "all.jsonl").write_bytes(whole[:-100])
    (here / "all.jsonl.index").write_bytes(b"no index" * 100)
    capsys.readouterr()
    assert run(f"{LINE} --jobs 1".split()) == 0
    assert "1 measured, 3 measured before" in capsys.readouterr().out
    assert (here / "all.jsonl").read_bytes().count(b"\n") == 4


def test_readings_as_a_parquet_table(here: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra parquet is not installed")
    assert run(f"{LINE} --jobs 1 --parquet all.parquet".split()) == 0
    rows = parquet.read_table(here / "all.parquet").to_pylist()
    told = {line["scan"]["path"]: line["readings"][0] for line in lines_in(here / "all.jsonl")}
    assert len(rows) == 4
    for row in rows:
        reading = told[row["path"]]
        assert row["shadow"] == reading["shadow"]["value"]
        assert row["highlight_uncertainty"] == reading["highlight"]["uncertainty"]
        assert row["exposure"] == reading["exposure"]["verdict"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("measure plates --calibration cal.json --parquet all.parquet", "add --lines"),
        (f"{LINE} --json", "does not go with --lines"),
        (f"{LINE} --run 1", "does not go with --lines"),
        ("measure plates --calibration cal.json --lines notes.txt", "holds something else"),
        ("measure plates --calibration cal.json --lines notes.txt --overwrite", "holds something else"),
    ],
)
def test_what_does_not_go_together(here: Path, line: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "notes.txt").write_text("half a word")
    assert run(line.split()) in {1, 2}
    assert said in capsys.readouterr().err
    assert (here / "notes.txt").read_text() == "half a word"


def scan_line(number: int, value: float, *, failed: str | None = None, path: str | None = None) -> ScanLine:
    """A line made by hand, as a worker makes it."""
    figures = {} if failed else {"shadow": {"value": value, "uncertainty": 0.02}}
    reading = {"base_plus_fog": None, "highlight": None, "density_range": None, "seen": "negative", **figures}
    document = {
        "format": "densiscan.readings/1",
        "failed": [{"code": failed, "message": f"{number} <failed>"}] if failed else [],
        "readings": [] if failed else [reading],
        "scan": {
            "path": path or f"/plates/{number}.tif",
            "size": 5,
            "changed_ns": 7,
            "sha256": f"{number}",
            "how": "x",
        },
    }
    return line_of(json.dumps(document, separators=(",", ":")))


def test_only_one_command_adds_at_a_time(tmp_path: Path) -> None:
    first = LineFile(tmp_path / "all.jsonl", line_of)
    with pytest.raises(DensiscanError, match="another command"):
        LineFile(tmp_path / "all.jsonl", line_of)
    first.close()
    LineFile(tmp_path / "all.jsonl", line_of).close()


def test_what_stands_out_among_thousands_is_named_and_the_page_stays_small(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    values = rng.normal(0.5, 0.02, 3000)
    values[1234], values[2345] = 1.9, 0.05
    sizes = []
    for place, count in (("few", 300), ("many", 3000)):
        lines = LineFile(tmp_path / f"{place}.jsonl", line_of)
        for number in range(count):
            lines.add(scan_line(number, values[number]))
        for number in range(count // 10):
            lines.add(scan_line(count + number, 0.0, failed="unreadable-scan"))
        archive = archive_of(lines)
        lines.close()
        sizes.append(len(archive_html(archive, title="plates", told="Read today.")))
    assert [Path(one.path).name for one in archive.farthest[:2]] == ["1234.tif", "2345.tif"]
    (spread,) = archive.spreads
    assert_allclose(spread.scatter.usual, np.median(values), atol=5e-4)  # half a bin
    assert sum(spread.bars) == spread.readings == 3000
    assert archive.failures[0][1] == 300
    assert len(archive.failures[0][2]) == 20
    assert sizes[1] < sizes[0] + 150 * FARTHEST


def test_names_do_no_harm_on_the_page(tmp_path: Path) -> None:
    lines = LineFile(tmp_path / "all.jsonl", line_of)
    lines.add(scan_line(1, 0.0, failed="unreadable-scan", path="/<script>alert(1)</script>.tif"))
    page = archive_html(archive_of(lines), title="<b>", told="&")
    lines.close()
    assert "<script" not in page
    assert "<b>" not in page
    assert "1 &lt;failed&gt;" in page


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-0.9, 8.9), min_size=1, max_size=60))
def test_counted_in_thousandths_the_middle_and_the_scatter_are_those_of_the_values(values: list[float]) -> None:
    counts = np.bincount([int((value + 1.0) / 0.001) for value in values], minlength=10_000)
    found, exact = scatter_of_counts(counts), scatter_of(values)
    # half a bin for each of the two values in the middle; twice that away from it
    assert abs(found.usual - exact.usual) <= 0.0005 + 1e-9
    assert abs(found.spread - exact.spread) <= 1.4826 * 0.001 + 1e-9


def test_a_machine_that_does_not_see_a_plate_is_slow_and_says_so(here: Path) -> None:
    how = replace(Measuring.by(read_calibration(here / "cal.json"), Task(), "mine"), unseen_s=0.2)
    began = time.monotonic()
    line = how(here / "plates" / "absent.tif")
    assert line.failed == UNSEEN
    assert time.monotonic() - began >= 0.2  # no speed is asserted: a machine without the disk must wait


def test_a_moved_line_says_where_the_plate_is_now(here: Path) -> None:
    how = Measuring.by(read_calibration(here / "cal.json"), Task(), "mine")
    line = how(here / "plates" / "plate-0.tif")
    there = here / "plates" / "other.tif"
    os.link(here / "plates" / "plate-0.tif", there)
    now = moved(line, there)
    assert (now.path, now.sha256, now.pieces) == (str(there), line.sha256, line.pieces)
    assert json.loads(now.text)["readings"][0]["file"] == "other.tif"


def test_the_time_to_go_is_by_the_slower_pace_and_leaves_out_what_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = 0.0
    monkeypatch.setattr("densiscan.cli.measure_archive.time.monotonic", lambda: clock)
    progress = _Progress(total=2000, spared=500, began=0.0, told=0.0)
    for _ in range(500):
        progress.step(known=True)
    for _ in range(600):  # one a second: ten minutes
        clock += 1.0
        progress.step(known=False)
    assert "60 a minute, 15:00 left" in progress.text()
    for _ in range(100):  # then machines went: one in ten seconds
        clock += 10.0
        progress.step(known=False)
    # 800 left at one in ten seconds, as for the last five minutes
    assert "6 a minute, 2 h 13 min left" in progress.text()


def test_an_index_of_another_form_is_made_anew(tmp_path: Path) -> None:
    lines = LineFile(tmp_path / "all.jsonl", line_of)
    lines.add(scan_line(1, 0.4))
    lines.close()
    index = sqlite3.connect(tmp_path / "all.jsonl.index")
    index.execute("PRAGMA user_version = 99")
    index.commit()
    index.close()
    lines = LineFile(tmp_path / "all.jsonl", line_of)
    assert lines.readings() == (1, 1)
    assert list(lines.rows("shadow")) == [("/plates/1.tif", 0, 0.4, 0.01)]
    assert lines.of_content("1", "x") == scan_line(1, 0.4)
    lines.close()


def test_pieces_hold_no_limits() -> None:
    told = {"value": 2.45, "uncertainty": None, "limit": "at least"}
    text = scan_line(1, 0.4).text.replace('"highlight":null', f'"highlight":{json.dumps(told)}')
    (piece,) = line_of(text).pieces
    assert piece == PieceFigures(number=0, seen="negative", verdict=None, figures={"shadow": (0.4, 0.01)})
