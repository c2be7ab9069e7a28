"""Runs from the command line: few questions, everything shown, nothing lost; and readings tied to them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from numpy.testing import assert_allclose

from densiscan.cli import app
from densiscan.notebook.location import open_notebook
from tests.support.pages import ROOT
from tests.support.schemas import faults

SAMPLES = ROOT / "sample_scans"
FIRST = "--film Film-A --developer Developer-B --time 8:00 --temp 68F"

Json = Callable[[str], dict[str, Any]]


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "notebook.sqlite"


@pytest.fixture
def printed(capsys: pytest.CaptureFixture[str]) -> Json:
    def run(line: str) -> dict[str, Any]:
        capsys.readouterr()
        assert app.run([*line.split(), "--json"]) == 0, capsys.readouterr().err
        document: dict[str, Any] = json.loads(capsys.readouterr().out)
        return document

    return run


def test_contract_of_run_add(printed: Json) -> None:
    added = printed(
        f"run add {FIRST} --dilution 1+1 --batch March --use 2 --scene-stops 7 --density-range 1.1 --base-plus-fog 0.2"
    )
    assert added["format"] == "densiscan.run/1"
    assert added["run"] == 1
    assert_allclose([added["time_s"], added["temperature_c"]], [480.0, 20.0], rtol=0, atol=1e-9)
    assert (added["use"], added["batch"], added["dilution"], added["scene_stops"]) == (2, "March", "1+1", 7.0)
    assert added["density_ranges"] == [{"value": 1.1, "uncertainty": None}]
    assert added["base_plus_fogs"] == [{"value": 0.2, "uncertainty": None}]
    assert (added["like"], added["taken"], added["removed"]) == (None, [], False)


def test_nothing_said_repeats_the_last_run(printed: Json) -> None:
    first = printed(f"run add {FIRST} --agitation drum --sheets 2 --sheet-size 4x5in --scene-stops 7 --note dull")
    again = printed("run add")
    same = ("film", "developer", "time_s", "temperature_c", "agitation", "sheets", "sheet_size_mm")
    assert {name: again[name] for name in same} == {name: first[name] for name in same}
    # What belongs to one picture, not to the process, is not repeated.
    assert (again["scene_stops"], again["note"]) == (None, None)
    assert again["like"] == 1
    assert_allclose(again["sheet_size_mm"], [101.6, 127.0], rtol=0, atol=1e-9)  # 4 x 25.4 and 5 x 25.4


def test_last_run_of_the_same_film_and_developer_is_repeated(printed: Json) -> None:
    printed(f"run add {FIRST}")
    printed("run add --film Other --time 11:00")
    again = printed("run add --film film-a")
    assert (again["like"], again["time_s"]) == (1, 480.0)


def test_like_repeats_another(printed: Json) -> None:
    printed(f"run add {FIRST} --use 3")
    printed(f"run add {FIRST} --time 9:00")
    again = printed("run add --like 1")
    assert (again["like"], again["time_s"], again["use"]) == (1, 480.0, 3)


def test_batch_goes_on_and_its_use_is_counted(printed: Json) -> None:
    uses = [printed(line)["use"] for line in (f"run add {FIRST} --batch March", "run add", "run add --batch march")]
    assert uses == [1, 2, 3]
    fresh = printed("run add --fresh")
    assert (fresh["batch"], fresh["use"]) == (None, 1)
    assert printed("run add --batch April")["use"] == 1
    assert printed("run add --batch March")["use"] == 4


def test_said_use_that_does_not_go_on_belongs_to_no_batch(printed: Json) -> None:
    printed(f"run add {FIRST} --batch March --use 2")
    assert printed("run add --use 1")["batch"] is None


def test_use_counted_before_is_warned_of(printed: Json) -> None:
    printed(f"run add {FIRST} --batch March --use 2")
    codes = [warning["code"] for warning in printed("run add --batch March --use 1")["warnings"]]
    assert codes == ["use-counted-before"]


def test_correct_remove_restore_undo(printed: Json) -> None:
    printed(f"run add {FIRST} --density-range 1.0 --note old")
    changed = printed("run correct 1 --time 9:00 --clear note --density-range 1.2")
    assert (changed["time_s"], changed["note"]) == (540.0, None)
    assert [span["value"] for span in changed["density_ranges"]] == [1.2]
    back = printed("run undo")
    assert (back["undone"], back["time_s"], back["note"]) == ("correct", 480.0, "old")
    assert [span["value"] for span in back["density_ranges"]] == [1.0]
    again = printed("run undo")
    assert [span["value"] for span in again["density_ranges"]] == [1.2]
    assert printed("run remove 1")["removed"]
    assert printed("run list")["runs"] == []
    assert [run["run"] for run in printed("run list --removed")["runs"]] == [1]
    assert printed("run undo")["removed"] is False
    printed("run remove 1")
    assert printed("run restore 1")["removed"] is False


def test_undo_of_add_takes_the_run_out(printed: Json) -> None:
    printed(f"run add {FIRST}")
    assert printed("run undo")["removed"]
    assert printed("run undo")["removed"] is False


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("run", "please say what to do: add, list"),
        ("notebook", "See densiscan notebook --help."),
        ("run add", "please give --film, --developer, --time and --temp"),
        ("run add --film A --developer B --temp 20", "please give --time"),
        (f"run add {FIRST} --time 8:75", "--time"),
        (f"run add {FIRST} --temp 200F", "--temp"),
        (f"run add {FIRST} --sheet-size large", "--sheet-size"),
        (f"run add {FIRST} --density-range 9", "--density-range"),
        (f"run add {FIRST} --fresh --use 2", "--fresh"),
        (f"run add {FIRST} --like 4", "no run 4"),
        (f"run add {FIRST} --date tomorrow", "--date"),
        ("run correct 1", "say what to correct"),
        ("run correct 1 --time 9:00", "no run 1"),
        ("run correct 1 --clear film", "--clear"),
        ("run show 1", "no run 1"),
        ("run remove 1", "no run 1"),
        ("run undo", "nothing to undo"),
        ("run list --last 0", "--last"),
    ],
)
def test_wrong_use_is_one_sentence_and_leaves_no_notebook(
    line: str, told: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert app.run(line.split()) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert told in said.err
    assert len(said.err.splitlines()) == 1
    if place.exists():
        with open_notebook(place) as book:
            assert book.runs(removed=None) == ()


def test_every_page_fits_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    long = "A-film-with-a-name-as-long-as-names-may-be-in-a-notebook-that-is-80-letters-wide"
    for line in (
        f"run add --film {long} --developer {long} --time 18:00 --temp 20.5 --batch {long} --note {long}",
        "run add --agitation drum --sheets 2 --sheet-size 102x127 --volume 300 --density-range 1.05",
        "run list",
        "run show 2",
        "run correct 2 --time 9:30",
        "run remove 2",
        "run list --removed",
        "run restore 2",
        "run undo",
    ):
        assert app.run(line.split()) == 0
        out = capsys.readouterr().out
        assert all(len(row) <= 80 or long in row for row in out.splitlines()), out


def test_list_shows_the_latest_and_says_how_many_more(capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(3):
        app.run(f"run add {FIRST}".split())
    capsys.readouterr()
    app.run(["run", "list", "--last", "2"])
    out = capsys.readouterr().out
    assert "    3  " in out
    assert "    1  " not in out
    assert "1 earlier not shown" in out


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two negatives, a calibration, and the notebook that calibrating left."""
    folder = tmp_path_factory.mktemp("scans")
    for name in ("wedge.tif", "wedge.csv", "normal.tif", "thin.tif"):
        shutil.copy(SAMPLES / name, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("DENSISCAN_NOTEBOOK", "notebook.sqlite")
        line = ["calibrate", "wedge.tif", "--densities", "wedge.csv", "--out", "cal.json", "--name", "mine"]
        assert app.run(line) == 0
    return folder


@pytest.fixture
def scans(calibrated: Path, tmp_path: Path) -> Path:
    shutil.copytree(calibrated, tmp_path, dirs_exist_ok=True)
    return tmp_path


def test_measure_ties_its_readings_to_the_run(scans: Path, place: Path, printed: Json) -> None:
    assert scans == Path.cwd()
    printed(f"run add {FIRST} --scene-stops 8")
    with open_notebook(place) as book:
        assert book.names("calibration") == ("mine",)
        assert book.names("wedge") == ("wedge",)
    shown = printed("measure normal.tif thin.tif --run 1")
    read = printed("run show 1")
    assert [one["file"] for one in read["readings"]] == ["normal.tif", "thin.tif"]
    # The thin one lacks shadows: its range says nothing about the development, its base plus fog counts.
    assert read["density_ranges"] == [shown["readings"][0]["density_range"]]
    assert read["base_plus_fogs"] == [one["base_plus_fog"] for one in shown["readings"]]
    assert read["left_out"] == [{"file": "thin.tif", "why": "underexposed", "fog_counts": True}]
    assert "measure normal.tif thin.tif --run 1" in read["readings"][0]["arguments"]
    assert {len(one["scan_sha256"]) for one in read["readings"]} == {64}
    # The subject of the run was metered, so the development is judged by it.
    assert "average" not in shown["readings"][0]["development"]["reason"]
    printed("measure normal.tif --run 1 --aperture 2")
    again = printed("run show 1")
    assert len(again["readings"]) == 3
    assert len(again["density_ranges"]) == 1
    assert again["density_ranges"] != read["density_ranges"]


def test_fog_is_told_where_the_base_of_the_film_is_known(scans: Path, place: Path, printed: Json) -> None:
    from densiscan.arithmetic.quantity import Quantity

    assert scans == Path.cwd()
    printed(f"run add {FIRST}")
    with open_notebook(place) as book:
        book.set_film_base("Film-A", Quantity(0.05, None))
    reading = printed("measure normal.tif --run 1")["readings"][0]
    assert_allclose(reading["fog"]["value"], reading["base_plus_fog"]["value"] - 0.05, rtol=0, atol=1e-9)


def test_notebook_that_cannot_be_written_costs_no_reading(
    scans: Path, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place.unlink()
    place.write_text("a letter, not a notebook")
    capsys.readouterr()
    assert app.run(["measure", str(scans / "normal.tif"), "--calibration", "cal.json", "--json"]) == 0
    said = capsys.readouterr()
    assert len(json.loads(said.out)["readings"]) == 1
    assert "the readings are not in the notebook" in said.err
    assert len(said.err.splitlines()) == 1
    assert place.read_text() == "a letter, not a notebook"


def test_run_there_is_not_is_told_before_anything_is_measured(scans: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert scans == Path.cwd()
    assert app.run(["measure", "normal.tif", "--run", "9"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "no run 9" in said.err


def test_no_notebook_is_made_where_none_is_named(scans: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DENSISCAN_NOTEBOOK")
    monkeypatch.setenv("XDG_DATA_HOME", str(scans / "data"))
    assert app.run(["measure", "normal.tif", "--calibration", "cal.json"]) == 0
    assert not (scans / "data").exists()


def test_documents_keep_to_their_schemas(scans: Path, printed: Json) -> None:
    printed(f"run add {FIRST} --density-range 1.0 --sheets 1 --sheet-size 60x60 --batch one")
    printed("measure normal.tif --run 1")
    for line in ("run add", "run show 1", "run correct 1 --note x", "run undo", "run remove 1", "run restore 1"):
        assert faults(printed(line), "run") == []
    assert faults(printed("run list"), "runs") == []
    assert faults(printed("trends"), "trends") == []
    assert app.run(["notebook", "export", "notes.json"]) == 0
    document = json.loads((scans / "notes.json").read_text(encoding="utf-8"))
    assert faults(document, "notebook") == []
    document["runs"][0]["time_s"] = "8:00"
    assert len(faults(document, "notebook")) == 1


def test_an_empty_notebook_says_how_to_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    assert app.run(["run", "list"]) == 0
    out = capsys.readouterr().out
    assert "densiscan run add" in out
    assert all(len(line) <= 80 for line in out.splitlines())
    assert app.run(["trends"]) == 2
    assert "densiscan run add" in capsys.readouterr().err


def test_last_is_a_run_wherever_one_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = ["--notebook", str(tmp_path / "book.sqlite")]

    def says(line: str, status: int = 0) -> str:
        capsys.readouterr()
        assert app.run([*line.split(), *book]) == status, line
        out = capsys.readouterr()
        return out.out + out.err

    assert "has no run yet" in says("run show last", 2)
    says("run add --film Meadow-100 --developer Borax --time 8:00 --temp 20 --date 2026-03-01")
    says("run add --film Orchard --developer Borax --time 9:00 --temp 20 --date 2026-03-02")
    assert "Orchard" in says("run show last")
    assert "Orchard" in says("run add --like last --time 9:30 --date 2026-03-03")
    assert "9:45" in says("run correct last --time 9:45")
    assert json.loads(says("run remove last --json"))["run"] == 3
    assert json.loads(says("run show last --json"))["run"] == 2
    assert json.loads(says("run restore last --json"))["run"] == 3
    assert "no run was removed" in says("run restore last", 2)
    assert "give its number, or last" in says("run show first", 2)
    assert "No readings" in says("reading list --run last") or "no reading" in says("reading list --run last").lower()
    says(f"report {tmp_path / 'last.html'} --run last")
    assert "run 3" in (tmp_path / "last.html").read_text(encoding="utf-8").lower()
