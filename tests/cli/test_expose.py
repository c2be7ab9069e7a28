"""The command `expose`: kept under a sheet's number, and what `measure` answers for it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from densiscan.batch.assessment import BatchResult
from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from densiscan.negative.reading import Spot
from tests.support.made_up import assessment, calibration, density
from tests.support.schemas import faults

EXPOSED = ["expose", "--metered", "1/4", "--zone", "3", "--keep", "12"]
MEASURE = ["measure", "neg.tif", "--calibration", "cal.json", "--sheet"]


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to stand in, with a scan that nobody looks at: what `measure` reads of it is made up."""
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.delenv("DENSISCAN_DEBUG", raising=False)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "neg.tif").write_text("not an image")
    write_calibration(calibration(), tmp_path / "cal.json")
    return tmp_path


def read_as(monkeypatch: pytest.MonkeyPatch, **changes: Any) -> None:
    result = BatchResult(assessments=(assessment(**changes),), failures=())
    monkeypatch.setattr("densiscan.batch.files.measure_files", lambda *_, **__: result)
    monkeypatch.setattr("densiscan.cli.measure.keep_readings", lambda *_, **__: True)


def test_a_sheet_answers_for_its_exposure(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*EXPOSED, "--json"]) == 0
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert (document["zone"], document["film"]) == (3.0, None)
    assert not faults(document, "exposure")
    assert "Kept in the notebook as sheet 12." in err
    # 0.74 above base plus fog is zone V of the typical curve: two stops more than III
    spot = Spot(x_mm=40.0, y_mm=52.0, density=density(0.99), net=density(0.74))
    read_as(monkeypatch, spots=(spot,))
    assert run([*MEASURE, "12"]) == 0
    last = " ".join(capsys.readouterr().out.split())
    assert "Sheet 12: metered on zone III, came out on V: 2.0 ± " in last
    assert last.endswith("stops over.")
    assert run([*MEASURE, "12", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert not faults(document, "readings")
    assert document["sheet"]["by"] == "spot"
    assert document["sheet"]["stops_over"]["value"] == pytest.approx(2.0, abs=0.01)


def test_without_a_spot_a_shadow_is_the_frame_s(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(EXPOSED) == 0
    read_as(monkeypatch, net_shadow=density(0.20))
    capsys.readouterr()
    assert run([*MEASURE, "12"]) == 0
    assert "by the frame's shadow" in " ".join(capsys.readouterr().out.split())


def test_a_middle_tone_needs_its_spot_and_the_reading_is_shown_all_the_same(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["expose", "--metered", "1/4", "--keep", "13"]) == 0
    read_as(monkeypatch)
    capsys.readouterr()
    assert run([*MEASURE, "13"]) == 0
    out, err = capsys.readouterr()
    assert "base plus fog" in out
    assert "name it with --spot" in " ".join(err.split())


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ([*MEASURE, "99"], "no exposure is kept for --sheet 99"),
        (["measure", "neg.tif", "neg.tif", "--calibration", "cal.json", "--sheet", "12"], "measure one scan with it"),
    ],
)
def test_a_sheet_that_cannot_answer(line: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(EXPOSED) == 0
    capsys.readouterr()
    assert run(line) == 2
    assert said in " ".join(capsys.readouterr().err.split())
