"""The command `practice`: what it puts where, and what it never touches."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import tifffile

from densiscan.cli.app import run
from densiscan.cli.practice_sets import NOTEBOOK, SETS, Topic, practice_runs, practice_scans
from densiscan.notebook.location import open_notebook
from tests.renderer.practice_set import trouble
from tests.support.pages import ROOT, pages_with_commands

LARGEST_BYTES = 20_000_000


@pytest.fixture(autouse=True)
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DENSISCAN_NOTEBOOK", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))
    return tmp_path


def files_in(folder: Path) -> set[str]:
    return {file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file()}


@pytest.mark.parametrize("topic", [Topic.film, Topic.folders, Topic.runs])
def test_one_topic_goes_straight_into_the_folder(topic: Topic, empty_folder: Path) -> None:
    assert run(["practice", "--for", topic]) == 0
    assert files_in(empty_folder) == {*SETS[topic].files, *([NOTEBOOK] if SETS[topic].runs else [])}
    assert all((empty_folder / name).is_dir() for name in SETS[topic].empty)


def test_all_topics_have_a_folder_each(empty_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["practice", "scans", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert {Path(file).as_posix() for file in printed["files"]} == {
        f"scans/{name}" for name in files_in(empty_folder / "scans")
    }
    assert {place.name for place in (empty_folder / "scans").iterdir()} == {*Topic}


def test_what_is_there_stays_as_it_is(empty_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = empty_folder / "wedge.csv"
    mine.write_text("step,density\n1,0.05\n", encoding="utf-8")
    assert run(["practice", "--for", "film"]) == 2
    assert capsys.readouterr().err == (
        "densiscan: wedge.csv is already there with other content; name an empty folder.\n"
    )
    assert files_in(empty_folder) == {"wedge.csv"}
    assert mine.read_text(encoding="utf-8") == "step,density\n1,0.05\n"
    assert run(["practice", "wedge.csv"]) == 2


def test_files_that_are_the_same_are_no_hindrance_but_a_notebook_is(empty_folder: Path) -> None:
    assert run(["practice", "--for", "film"]) == 0
    (empty_folder / "strip.tif").unlink()
    assert run(["practice", "--for", "film"]) == 0
    assert (empty_folder / "strip.tif").exists()
    assert run(["practice", "--for", "runs"]) == 0
    assert run(["practice", "--for", "runs"]) == 2


def test_nothing_goes_into_the_own_notebook(empty_folder: Path) -> None:
    assert run(["practice", "--for", "runs"]) == 0
    assert not (empty_folder / "home").exists()
    with open_notebook(NOTEBOOK) as book:
        assert [kept.date for kept in book.runs()] == [run_.date for run_ in practice_runs()]
        assert book.count_runs() == 12


def test_the_runs_follow_the_law_they_name() -> None:
    """Accidents of 3 % (k = 1): three of them, and 0.005 of rounding in a range of 1."""
    for run_ in practice_runs():
        minutes = run_.time_s / 60.0 * 2.2 ** ((run_.temperature_c - 20.0) / 10.0) * math.exp(-0.08 * (run_.use - 1))
        contrast = 0.86 * -math.expm1(-0.14 * minutes)
        assert run_.scene_stops is not None
        expected = contrast * run_.scene_stops * math.log10(2.0) * 0.86
        assert run_.density_ranges[0].value == pytest.approx(expected, rel=0.095)


def test_every_page_with_commands_is_named_and_every_scan_used() -> None:
    named = {f"{page}.md" for chosen in SETS.values() for page in chosen.pages}
    # the README goes with the set of using, and the desk has practice of its own
    assert named | {"README.md", "desk.md"} == set(pages_with_commands())
    used = {source for chosen in SETS.values() for source in chosen.files.values()}
    shipped = {file for file in files_in(practice_scans()) if not file.endswith(".py")}
    assert shipped <= used | {"film/stops.csv"}


def test_the_scans_that_ship_are_small() -> None:
    """What a person downloads with the program; the wheel compresses no further what is compressed."""
    shipped = [file for name in ("sample_scans", "practice_scans") for file in (ROOT / name).rglob("*")]
    assert sum(file.stat().st_size for file in shipped if file.is_file()) < LARGEST_BYTES
    for file in practice_scans().rglob("*.tif"):
        with tifffile.TiffFile(file) as opened:
            page = opened.pages[0]
            assert isinstance(page, tifffile.TiffPage)
            assert (str(page.dtype), int(page.compression)) == ("uint16", 8)


def test_the_renderer_draws_the_scans_that_ship(tmp_path: Path) -> None:
    """On another machine arithmetic may round a code otherwise; noise and grain must be the same draws."""
    trouble(tmp_path)
    for name in ("wedge", "negative", "fog"):
        drawn, shipped = (
            tifffile.imread(place / f"{name}.tif").astype(np.int32)
            for place in (tmp_path, practice_scans() / "trouble")
        )
        assert np.abs(drawn - shipped).max() <= 2
