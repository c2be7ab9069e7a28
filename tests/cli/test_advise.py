"""The command `advise`, end to end: from runs in a notebook to a time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.cli import sitting
from densiscan.cli.app import run as command
from densiscan.development.run import Run
from densiscan.notebook.location import open_notebook
from densiscan.notebook.readings import NewReading
from tests.support.schemas import faults

NAMES = ["advise", "--film", "Plain film", "--developer", "Plain developer"]


@pytest.fixture(autouse=True)
def notebook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    file = tmp_path / "notebook.sqlite"
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(file))
    return file


def logged(file: Path, **facts: Any) -> int:
    usual: dict[str, Any] = {
        "film": "Plain film",
        "developer": "Plain developer",
        "date": "2026-01-01",
        "time_s": 480.0,
        "temperature_c": 20.0,
        "scene_stops": 7.0,
        "density_ranges": (Quantity(0.90, {Influence("reading"): 0.01}),),
    }
    with open_notebook(file) as book:
        return book.add_run(Run(number=0, **{**usual, **facts})).number


def document(capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    capsys.readouterr()
    assert command([*NAMES, *options, "--json"]) == 0, capsys.readouterr().err
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert faults(found, "advice") == []
    return found


def codes(found: dict[str, Any]) -> set[str]:
    return {warning["code"] for warning in found["warnings"]}


def test_an_empty_notebook_gives_common_practice(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    found = document(capsys)
    assert found["format"] == "densiscan.advice/1"
    assert (found["film"], found["developer"]) == ("Plain film", "Plain developer")
    assert_allclose((found["time_s"]["value"], found["factor"]), (480.0, 1.0))
    assert_allclose(found["target_density_range"], 1.05)
    assert found["based_on"]["runs"] == []
    assert found["based_on"]["common_practice"] is True
    assert [row["contrast_stops"] for row in found["table"]] == [-2, -1, 0, 1, 2]
    times = {row["contrast_stops"]: row["time_s"]["value"] for row in found["table"]}
    assert 1.25 <= times[1] / times[0] <= 1.45
    assert 0.70 <= times[-1] / times[0] <= 0.85
    assert {"provisional", "subject-not-known"} <= codes(found)
    assert not notebook.exists()


def test_runs_are_learned_from(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, film="Other film")
    number = logged(notebook)
    found = document(capsys, "--scene-stops", "7")
    assert found["based_on"]["runs"] == [number]
    assert found["against"] == {"run": number, "time_s": 480.0}
    assert 1.05 < found["factor"] <= 1.35
    assert_allclose(found["time_s"]["value"], found["factor"] * 480.0)
    low, high = found["interval_s"]
    assert low < found["time_s"]["value"] < high


@pytest.mark.parametrize(
    ("options", "target"),
    [
        (["--target-range", "1.2"], 1.2),
        (["--paper-range", "95"], 0.95),
        (["--grade", "2"], 1.05),
        (["--process", "condenser"], 1.05 / 1.25),
        (["--paper", "Cheap paper"], 1.234),
        (["--paper", "cheap paper", "--process", "condenser"], 1.234 / 1.25),
    ],
)
def test_what_to_aim_at(capsys: pytest.CaptureFixture[str], notebook: Path, options: list[str], target: float) -> None:
    with open_notebook(notebook) as book:
        book.keep("paper-test", "Cheap paper", {"range": {"value": 123.4, "uncertainty": 5.0}})
    assert_allclose(document(capsys, *options)["target_density_range"], target)


def test_the_doubt_of_a_paper_test_widens_the_interval(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    with open_notebook(notebook) as book:
        book.keep("paper-test", "doubtful", {"range": {"value": 105.0, "uncertainty": 30.0}})
    for number in range(1, 6):
        logged(notebook, date=f"2026-01-{number:02d}", density_ranges=(Quantity(1.05),))
    sure, doubtful = document(capsys), document(capsys, "--paper", "doubtful")
    (low, high), (least, most) = (one["interval_s"] for one in (sure, doubtful))
    assert most is None or most - least > 1.3 * (high - low)


def test_the_next_use_of_a_batch_is_counted(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, batch="May", use=2)
    assert document(capsys, "--batch", "May")["use"] == 3
    assert document(capsys, "--batch", "June")["use"] == 1
    assert document(capsys)["use"] == 3  # the batch in use goes on, as a run does
    tired = document(capsys, "--use", "5")
    assert "developer-tired" in codes(tired)
    assert tired["developer_use"]["discard_after_use"] == 3


def test_runs_at_another_dilution_are_left_out(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, dilution="stock")
    logged(notebook, dilution="1+1", time_s=660.0, date="2026-01-02")
    found = document(capsys)
    assert found["based_on"]["runs"] == [2]
    assert "other-dilution" in codes(found)
    assert document(capsys, "--dilution", "Stock")["based_on"]["runs"] == [1]


def test_too_little_solution_is_said(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    assert "too-little-developer" in codes(document(capsys, "--film-area", "1000", "--volume", "300"))
    assert "too-little-developer" not in codes(document(capsys, "--film-area", "1000", "--volume", "500"))
    logged(notebook, sheets=4, sheet_size_mm=(102.0, 127.0), volume_ml=200.0)
    assert "too-little-developer" in codes(document(capsys))
    halved = document(capsys, "--film-area", "1000", "--volume", "500", "--dilution", "1+1")
    assert "too-little-developer" in codes(halved)


def test_short_times_and_large_steps_are_said(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, density_ranges=(Quantity(2.2),))
    found = document(capsys)
    assert "step-limited" in codes(found)
    assert found["limited_by"] == "step"
    assert "short-time" in codes(document(capsys, "--temp", "28"))
    assert "temperature-far" in codes(document(capsys, "--temp", "28"))


def test_a_run_that_does_not_fit_is_named(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    for number in range(1, 7):
        logged(notebook, date=f"2026-01-{number:02d}", density_ranges=(Quantity(1.0),))
    logged(notebook, date="2026-01-07", density_ranges=(Quantity(0.5),))
    found = document(capsys)
    assert [one["run"] for one in found["runs_that_do_not_fit"]] == [7]
    assert "run-does-not-fit" in codes(found)


def test_the_exposure_index_moves_with_the_shadows(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    assert document(capsys)["exposure"] is None
    number = logged(notebook, exposure_index=100.0, density_ranges=())
    assert document(capsys)["exposure"]["exposure_index"] == 100.0
    under = {"density_range": {"value": 0.9, "uncertainty": 0.02}, "exposure": _exposure(-1.0)}
    with open_notebook(notebook) as book:
        for piece in range(3):
            book.add_reading(_reading(number, piece, under))
    index = document(capsys)["exposure"]
    assert index["negatives"] == 3
    # A stop too little, told by three negatives of 0.45 stop each against a belief of 0.7: 0.88 of a stop.
    assert_allclose(index["exposure_stops"]["value"], -0.88, atol=0.02)
    assert index["exposure_index"] == 50.0


def test_negatives_that_tell_nothing_of_development_are_left_out(
    capsys: pytest.CaptureFixture[str], notebook: Path
) -> None:
    number = logged(notebook, density_ranges=())
    right: dict[str, Any] = {
        "density_range": {"value": 1.05, "uncertainty": 0.02},
        "exposure": {"verdict": "normal", "stops": None},
        "clipped": {"light": 0.0, "dark": 0.0},
        "beyond_calibration": 0.0,
        "development": {"contrast": {"value": 0.57, "uncertainty": 0.1}},
    }
    short = {"value": 0.5, "uncertainty": 0.02}
    silent = [
        {**right, "density_range": short, "exposure": {"verdict": "under", "stops": None}},
        {**right, "density_range": short, "beyond_calibration": 0.05},
        {**right, "density_range": short, "clipped": {"light": 0.0, "dark": 0.02}},
        {**right, "density_range": short, "development": {"contrast": None}},
    ]
    with open_notebook(notebook) as book:
        for piece, read in enumerate([right, *silent]):
            book.add_reading(_reading(number, piece, read))
    found = document(capsys, "--scene-stops", "7")
    assert_allclose(found["factor"], 1.0, atol=0.05)
    left_out = [one["message"] for one in found["warnings"] if one["code"] == "negatives-left-out"]
    assert len(left_out) == 3
    assert any("2 negatives of run 1 are beyond the calibration" in message for message in left_out)


def _exposure(stops: float) -> dict[str, Any]:
    return {"verdict": "under", "stops": {"value": stops, "uncertainty": 0.4}}


def _reading(run: int, piece: int, read: dict[str, Any]) -> NewReading:
    return NewReading(
        run=run,
        file="neg.tif",
        scan_sha256="0" * 64,
        piece=piece + 1,
        calibration={"name": "x"},
        options={},
        document=read,
    )


def test_a_kept_film_test_is_learned_from(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    contrasts = {360.0: 0.40, 480.0: 0.50, 720.0: 0.64}
    developments = [{"time_s": t, "contrast": {"value": g, "uncertainty": 0.02}} for t, g in contrasts.items()]
    document_kept = {"film": "plain film", "developer": "Plain Developer", "developments": developments}
    with open_notebook(notebook) as book:
        book.keep("film-test", "three times", document_kept)
        book.keep("film-test", "another", {**document_kept, "film": "Other film"})
        book.keep("film-test", "a single curve", {"gamma": {"value": 0.6, "uncertainty": None}})
    found = document(capsys, "--scene-stops", "7.33")
    assert found["based_on"]["film_tests"] == 3
    # 0.57 lies between 8 and 12 minutes, nearer to the middle of the logarithms.
    assert 520.0 < found["time_s"]["value"] < 640.0
    assert command([*NAMES]) == 0
    assert "a film test with 3 developments" in " ".join(capsys.readouterr().out.split())


def test_a_name_that_the_notebook_does_not_have(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, film="Plane film")
    (told,) = [one["message"] for one in document(capsys)["warnings"] if one["code"] == "no-such-runs"]
    assert "Plane film in Plain developer" in told
    logged(notebook)
    assert "no-such-runs" not in codes(document(capsys))


@pytest.mark.parametrize(
    "options",
    [["--scene-stops", "1"], ["--scene-stops", "20"], ["--target-range", "2.5", "--temp", "5"], ["--use", "50"]],
)
def test_what_can_hardly_be_reached_is_still_answered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str]
) -> None:
    found = document(capsys, *options)
    doubt, interval = found["time_s"]["uncertainty"], found["time_s"].get("interval")
    # no width as wide as the time itself is stated, and an end that nobody waits for is open
    assert interval is None or interval[1] is None or interval[1] < 10.5 * found["time_s"]["value"]
    assert doubt is None or 0.0 < doubt <= found["time_s"]["value"]
    assert command([*NAMES, *options, "--plot", str(tmp_path / "figure.svg")]) == 0


def test_the_page_fits_80_columns(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, batch="May", use=2, exposure_index=100.0)
    capsys.readouterr()
    assert command([*NAMES, "--batch", "May", "--temp", "68F", "--scene-stops", "7"]) == 0
    page = capsys.readouterr().out
    assert max(map(len, page.splitlines())) <= 80
    for words in ("third use", "based on", "run 1 and common practice", "data sheet", "discard after use 3"):
        assert words in " ".join(page.split())


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--target-range", "1", "--grade", "2"], "both set the aim"),
        (["--grade", "7"], "not a paper grade"),
        (["--paper", "unknown"], "no paper test called unknown"),
        (["--paper-range", "900"], "not a paper's"),
        (["--temp", "hot"], "not a valid temperature"),
        (["--temp", "50"], "not a temperature to develop at"),
        (["--use", "0"], "--use"),
        (["--scene-stops", "40"], "not a valid subject range"),
        (["--target-range", "0.05"], "not a range to aim at"),
        (["--volume", "-3"], "--volume"),
    ],
)
def test_wrong_use_is_one_sentence(capsys: pytest.CaptureFixture[str], options: list[str], sentence: str) -> None:
    assert command([*NAMES, *options]) == 2
    said = capsys.readouterr().err
    assert sentence in said
    assert len(said.strip().splitlines()) == 1


def test_film_and_developer_are_those_of_the_last_run(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    assert command(["advise"]) == 2
    assert "please give --film and --developer" in capsys.readouterr().err
    logged(notebook)
    logged(notebook, film="Other film", date="2026-01-02")
    assert command(["advise", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["film"] == "Other film"
    assert command(["advise", "--film", "plain film", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["developer"] == "Plain developer"


def test_a_film_that_the_notebook_does_not_have_is_said(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, film="Other film")
    found = document(capsys)
    assert found["based_on"]["runs"] == []
    assert any("it has Other film in Plain developer" in one["message"] for one in found["warnings"])


def test_as_a_person_runs_it(notebook: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "densiscan", *NAMES, "--notebook", str(notebook)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "8:00 at 20 C, fresh developer" in done.stdout


def test_the_cautions_stand_once_a_sitting_and_where_chemicals_are_mixed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "book.sqlite"))

    def cautioned(line: str) -> bool:
        capsys.readouterr()
        assert command(line.split()) == 0, line
        return "docs/cautions.md" in capsys.readouterr().out

    process = "--film Meadow-100 --developer Borax --temp 20"
    assert not cautioned(f"run add {process} --time 8:00 --batch March")
    assert [cautioned("advise"), cautioned("advise"), cautioned("advise")] == [True, False, False]
    # the next sitting, a day later
    note = tmp_path / sitting.NOTE
    os.utime(note, (note.stat().st_mtime - 86_400.0,) * 2)
    assert [cautioned("advise"), cautioned("advise")] == [True, False]
    assert cautioned("run add --time 8:30 --fresh --batch April")
    assert cautioned("notebook batch April --developer Borax --mixed 2026-04-01")
    assert not cautioned("notebook batch April --developer Borax")
    # a developer that is to be discarded: common practice allows three uses
    assert cautioned("advise --use 5")


def test_an_ordinary_advice_fits_a_screen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """24 lines, one of which is for the next command; the cautions, once a sitting, may stand above it."""
    monkeypatch.chdir(tmp_path)
    assert command(["practice", "--for", "runs"]) == 0
    ask = ["advise", "--notebook", "practice.sqlite", "--scene-stops", "7"]
    assert command(ask) == 0
    capsys.readouterr()
    assert command(ask) == 0
    out = capsys.readouterr()
    assert len((out.out + out.err).splitlines()) < 24


def test_the_makers_time_is_said_once_and_kept(capsys: pytest.CaptureFixture[str]) -> None:
    first = document(capsys, "--chart-time", "11:00")
    assert_allclose(first["time_s"]["value"], 660.0, atol=2.5)
    assert_allclose(document(capsys)["time_s"]["value"], 660.0, atol=2.5)
    # Doubted by 15 %: the 95 % range lies within a factor of 1.3 or so, widened by what differs from batch to batch.
    low, high = first["interval_s"]
    assert 1.3 <= high / low <= 3.2
    # For another dilution the maker states another time.
    assert_allclose(document(capsys, "--dilution", "1+1")["time_s"]["value"], 480.0, atol=2.5)


def test_another_dilution_begins_from_the_one_known(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    for number in range(4):
        logged(notebook, time_s=360.0, density_ranges=(Quantity(1.03 + 0.01 * number),), scene_stops=22.0 / 3.0)
    known = document(capsys)["time_s"]["value"]
    diluted = document(capsys, "--dilution", "1+1")
    assert "dilution-reckoned" in codes(diluted)
    # Common practice: 1+1 takes 1.3 to 1.5 times as long.
    assert 1.25 <= diluted["time_s"]["value"] / known <= 1.55


def test_a_batch_in_use_goes_on_as_a_run_would(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    logged(notebook, batch="May", temperature_c=22.0)
    found = document(capsys)
    assert (found["use"], found["temperature_c"]) == (2, 22.0)
    assert "batch-goes-on" in codes(found)
    assert found["developer_age_days"] > 30.0
    fresh = document(capsys, "--use", "1", "--temp", "20")
    assert (fresh["use"], fresh["temperature_c"]) == (1, 20.0)
    assert "batch-goes-on" not in codes(fresh)


def test_what_belongs_to_the_developer_goes_with_a_new_film(capsys: pytest.CaptureFixture[str], notebook: Path) -> None:
    """Another film in this developer showed a factor of 3 for 10 C; a new one begins nearer to it than to 2.2."""
    usual = document(capsys, "--temp", "26")["time_s"]["value"] / 480.0
    for warmth in (18.0, 26.0) * 6:
        time = 480.0 * 3.0 ** (-(warmth - 20.0) / 10.0)
        facts = {"time_s": time, "temperature_c": warmth, "density_ranges": (Quantity(1.05),)}
        logged(notebook, film="Other film", scene_stops=22.0 / 3.0, **facts)
    carried = document(capsys, "--temp", "26")["time_s"]["value"] / 480.0
    assert_allclose(usual, 2.2**-0.6, rtol=0.02)
    assert 3.0**-0.6 - 0.03 < carried < 0.5 * (3.0**-0.6 + usual)


def test_the_makers_time_is_kept_as_its_schema_has_it(notebook: Path) -> None:
    assert command([*NAMES, "--chart-time", "7:30"]) == 0
    with open_notebook(notebook) as book:
        kept = book.kept("film-test", "maker's time, Plain film in Plain developer")
    assert kept is not None
    assert kept["chart_time_s"] == 450.0
    assert faults(kept, "chart-time") == []
