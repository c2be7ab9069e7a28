"""The first evening as a conversation, with the answers typed beforehand."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from densiscan.cli import app, start
from densiscan.notebook.location import kept_calibrations, open_notebook
from tests.support.pages import ROOT

SAMPLES = ROOT / "sample_scans"
BOOK = "book.sqlite"


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / BOOK))


def said(answers: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{answer}\n" for answer in answers)))
    capsys.readouterr()
    status = app.run(["start"])
    return status, capsys.readouterr().out


def names_kept() -> list[str]:
    return [kept.name for kept in kept_calibrations(Path(BOOK))]


WEDGE = [str(SAMPLES / "wedge.tif"), str(SAMPLES / "wedge.csv"), "yes"]


def test_an_evening_from_wedge_to_run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    facts = ["Meadow-100", "Borax", "1+1", "8:00", "", "7"]
    status, out = said(["nowhere.tif", *WEDGE, str(SAMPLES / "normal.tif"), *facts], monkeypatch, capsys)
    assert status == 0
    assert "Found 21 steps; reliable from 0.05 to 2.89." in out
    picture = Path(out.partition("drawn in ")[2].split("\n")[0])
    assert picture.read_bytes().startswith(b"\x89PNG")
    measured = float(out.partition("density range")[2].split()[0])
    assert measured == pytest.approx(1.09, abs=0.04)  # as truth.csv has it; what measure states is tested elsewhere
    assert out.count("--name mine") == 2  # as it is done, and in the list of what was done
    assert names_kept() == ["mine"]
    with open_notebook(BOOK) as book:
        run = book.run(1)
        assert (run.film, run.developer, run.dilution, run.time_s, run.temperature_c) == (
            "Meadow-100",
            "Borax",
            "1+1",
            480.0,
            20.0,
        )
        assert run.scene_stops == 7.0
        assert len(book.readings(run=1)) == 1


def test_every_answer_may_be_left_empty(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    status, out = said([""] * 12, monkeypatch, capsys)
    assert (status, "nothing yet" in out) == (0, True)
    assert not Path(BOOK).exists()


def test_a_wrong_count_of_steps_is_asked_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    scan = str(SAMPLES / "wedge.tif")
    words = [scan, "", "many", "", "", "", scan, "", "13", "", "", "", "", scan, "", "", "", "", "0.03", "yes"]
    status, out = said(words, monkeypatch, capsys)
    assert status == 0
    assert "--steps 21 --increment 0.15 --first 0.05 --uncertainty 0.03 --name mine" in out
    assert names_kept() == ["mine"]


def test_a_wedge_that_is_not_the_one_found_is_not_kept(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out = said([*WEDGE[:2], "no", "2,2,120,28", "no", "", ""], monkeypatch, capsys)
    assert (status, out.count("Found 21 steps")) == (0, 2)
    assert names_kept() == []


def test_a_time_that_is_none_is_asked_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    facts = ["Meadow-100", "Borax", "1+1", "8", "8:00", "68", "68F", "seven", "7"]
    status, out = said([*WEDGE, str(SAMPLES / "normal.tif"), *facts], monkeypatch, capsys)
    assert (status, "measure" in out) == (0, True)
    with open_notebook(BOOK) as book:
        assert [(run.dilution, run.time_s, run.temperature_c, run.scene_stops) for run in book.runs()] == [
            ("1+1", 480.0, 20.0, 7.0)
        ]


def test_a_calibration_that_is_there_need_not_be_made_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    said([*WEDGE, ""], monkeypatch, capsys)
    status, out = said(["", str(SAMPLES / "normal.tif"), ""], monkeypatch, capsys)
    assert (status, "You have a calibration, mine" in out, "density range" in out) == (0, True, True)


def test_ctrl_c_loses_nothing(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    typed = iter([*WEDGE, KeyboardInterrupt()])

    class Keyboard:
        def readline(self) -> str:
            key = next(typed)
            if isinstance(key, KeyboardInterrupt):
                raise key
            return f"{key}\n"

        def isatty(self) -> bool:
            return False

    monkeypatch.setattr("sys.stdin", Keyboard())
    assert app.run(["start"]) == 130
    out = capsys.readouterr().out
    assert "Stopped." in out
    assert "--name mine" in out.partition("Done:")[2]
    assert names_kept() == ["mine"]


def test_the_help_names_the_commands_and_asks_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert app.run(["start", "--help"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    for command in ("calibrate", "run add", "measure", "--densities", "--steps", "--run last"):
        assert command in words
    assert start.NAME == "mine"
