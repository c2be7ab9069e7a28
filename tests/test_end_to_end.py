"""The main job whole, by the commands, on the sample scans: what is read agrees with what is true of them.

The true values stand in sample_scans/truth.csv, written by the renderer, which shares no code with the analyser.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from numpy.testing import assert_allclose

from densiscan.cli.app import run

SAMPLES = Path(__file__).resolve().parents[1] / "sample_scans"
NEGATIVES = ("normal", "thin", "dense", "underdeveloped", "leak")


def truths() -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {}
    with (SAMPLES / "truth.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(line for line in stream if not line.startswith("#")):
            found.setdefault(row["file"], {})[row["quantity"]] = float(row["value"])
    return found


TRUTH = truths()


@pytest.fixture(scope="module")
def calibration_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("calibration") / "cal.json"
    wedge, densities = SAMPLES / "wedge.tif", SAMPLES / "wedge.csv"
    assert run(["calibrate", str(wedge), "--densities", str(densities), "--out", str(place)]) == 0
    return place


@pytest.fixture(scope="module")
def sheet(calibration_file: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    """All negatives measured at once, from the table sheet."""
    place = tmp_path_factory.mktemp("readings") / "readings.csv"
    scans = [str(SAMPLES / f"{name}.tif") for name in NEGATIVES]
    assert run(["measure", *scans, "--calibration", str(calibration_file), "--csv", str(place)]) == 0
    with place.open(encoding="utf-8", newline="") as stream:
        return {row["file"].removesuffix(".tif"): row for row in csv.DictReader(stream)}


def test_calibration_reads_the_wedge_back(calibration_file: Path) -> None:
    made = json.loads(calibration_file.read_text(encoding="utf-8"))
    assert made["format"] == "densiscan.calibration/1"
    assert made["inverted"] is False
    true = TRUTH["wedge.tif"]
    steps = [step for step in made["steps"] if step["measured"] is not None]
    assert len(steps) >= 15
    for step in steps:
        measured = step["measured"]
        # Left out of the fit, a step is read by its neighbours; 1.5 times 95 %, since some twenty are looked at.
        assert_allclose(measured["value"], true[f"step {step['step']}"], atol=1.5 * measured["uncertainty"])
    assert made["density_range"][1] > 2.5
    assert made["residual"] < 0.02


@pytest.mark.parametrize("name", NEGATIVES)
def test_readings_agree_with_the_truth(name: str, sheet: dict[str, dict[str, str]]) -> None:
    row, true = sheet[name], TRUTH[f"{name}.tif"]
    # Tolerances: what is promised of readings on rendered scans.
    assert_allclose(float(row["base_plus_fog"]), true["base plus fog"], atol=0.015)
    assert_allclose(float(row["density_range"]), true["density range"], atol=0.03)
    for figure in ("shadow", "highlight"):
        assert_allclose(float(row[figure]), true[figure], atol=0.03)
    for quantity, truth in (
        ("base_plus_fog", "base plus fog"),
        ("density_range", "density range"),
        ("shadow", "shadow"),
        ("highlight", "highlight"),
    ):
        # 1.5 times the 95 % interval: twenty readings are looked at, and one in twenty may lie outside.
        assert_allclose(float(row[quantity]), true[truth], atol=1.5 * float(row[f"{quantity}_uncertainty"]))


@pytest.mark.parametrize("name", NEGATIVES)
def test_film_and_frame_are_found(name: str, sheet: dict[str, dict[str, str]]) -> None:
    row, true = sheet[name], TRUTH[f"{name}.tif"]
    for what in ("film", "frame"):
        found = [float(row[f"{what}_{side}_mm"]) for side in ("left", "top", "width", "height")]
        wanted = [true[f"{what} {side}"] for side in ("left", "top", "width", "height")]
        assert_allclose(found, wanted, atol=1.0)  # promised: within 1 mm
    assert_allclose(float(row["angle_deg"]), true["angle"], atol=0.3)  # promised: within 0.3 degrees


@pytest.mark.parametrize(
    ("name", "exposure", "grade"),
    [("normal", "normal", "2"), ("thin", "under", "4"), ("dense", "over", "2"), ("underdeveloped", "normal", "4")],
)
def test_what_to_change_is_what_was_done_to_the_negative(
    name: str, exposure: str, grade: str, sheet: dict[str, dict[str, str]]
) -> None:
    assert (sheet[name]["exposure"], sheet[name]["grade"]) == (exposure, grade)


def test_underdeveloped_negative_is_to_be_developed_longer(sheet: dict[str, dict[str, str]]) -> None:
    assert sheet["underdeveloped"]["development"] == "more"
    assert sheet["normal"]["development"] == "keep"


def test_a_measured_subject_makes_the_advice_surer(calibration_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["measure", str(SAMPLES / "underdeveloped.tif"), "--calibration", str(calibration_file), "--json"]
    factors = []
    for subject in ([], ["--scene-stops", "7"]):
        assert run([*line, *subject]) == 0
        found: Any = json.loads(capsys.readouterr().out)["readings"][0]["development"]
        assert found["verdict"] == "more"
        factors.append(found["time_factor"])
    unknown, known = factors
    assert known["value"] > unknown["value"] > 1.0
    assert known["uncertainty"] / known["value"] < unknown["uncertainty"] / unknown["value"]


def test_spots_and_frame_by_hand(calibration_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["measure", str(SAMPLES / "normal.tif"), "--calibration", str(calibration_file), "--json"]
    assert run([*line, "--frame", "20,20,40,30", "--spot", "40,30", "--spot", "30,35", "--base", "0.06"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["readings"]
    # As typed, but told in the own frame of the film, which lies half a degree askew.
    assert_allclose(found["frame_mm"], [20.0, 20.0, 40.0, 30.0], atol=0.5)
    places = [(spot["x_mm"], spot["y_mm"]) for spot in found["spots"]]
    assert places == [(40.0, 30.0), (30.0, 35.0)]
    for spot in found["spots"]:
        assert found["base_plus_fog"]["value"] < spot["density"]["value"] < 2.0
        assert_allclose(
            spot["net"]["value"], spot["density"]["value"] - found["base_plus_fog"]["value"], atol=1e-9
        )  # by definition
    assert_allclose(found["fog"]["value"], found["base_plus_fog"]["value"] - 0.06, atol=1e-9)  # by definition


def test_a_broken_scan_never_stops_the_others(
    calibration_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = (SAMPLES / "normal.tif").read_bytes()
    (tmp_path / "a.tif").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "B.TIF").write_bytes(whole)
    (tmp_path / "notes.txt").write_text("not a scan")
    assert run(["measure", str(tmp_path), "--calibration", str(calibration_file), "--json"]) == 1
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert [reading["file"] for reading in document["readings"]] == ["B.TIF"]
    assert [(failed["file"], failed["code"]) for failed in document["failed"]] == [("a.tif", "unreadable-scan")]
    assert err.count("\n") == 1


def test_demo_runs_the_main_job(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notes" / "notebook.sqlite"))
    assert run(["demo"]) == 0
    out = capsys.readouterr().out
    for name in NEGATIVES:
        assert f"{name}.tif" in out
    assert "densiscan start" in out
    assert all(len(line) <= 80 for line in out.splitlines())
    # A terminal of 24 lines, one of which is for the next command.
    assert len(out.splitlines()) < 24
    assert not list(tmp_path.iterdir()), "the demonstration wrote something"


def test_demo_for_programs(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [reading["file"].removesuffix(".tif") for reading in document["readings"]] == sorted(NEGATIVES)
