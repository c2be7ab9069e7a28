"""Every document that a command prints with --json keeps to the published schema in docs/schemas."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from densiscan.cli import run

ROOT = Path(__file__).resolve().parents[1]
SCHEMAS = sorted((ROOT / "docs" / "schemas").glob("*.schema.json"))
SAMPLES = ROOT / "sample_scans"


def schema(name: str) -> dict[str, Any]:
    loaded = json.loads((ROOT / "docs" / "schemas" / f"{name}.schema.json").read_text(encoding="utf-8"))
    assert isinstance(loaded, dict)
    return loaded


def faults(document: object, name: str) -> list[str]:
    found = Draft202012Validator(schema(name)).iter_errors(document)
    return [f"{'/'.join(map(str, fault.absolute_path))}: {fault.message}" for fault in found]


def printed(line: list[str], capsys: pytest.CaptureFixture[str], status: int = 0) -> Any:
    capsys.readouterr()
    assert run(line) == status
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("file", SCHEMAS, ids=lambda file: file.name)
def test_schemas_are_schemas(file: Path) -> None:
    Draft202012Validator.check_schema(json.loads(file.read_text(encoding="utf-8")))


@pytest.fixture
def calibration(tmp_path: Path) -> Path:
    place = tmp_path / "cal.json"
    line = ["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--out", str(place)]
    assert run(line) == 0
    return place


def test_calibrate_and_measure_keep_to_their_schemas(
    calibration: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert faults(json.loads(calibration.read_text(encoding="utf-8")), "calibration") == []
    (tmp_path / "broken.tif").write_bytes(b"II*\0 no scan")
    scans = [str(SAMPLES / "normal.tif"), str(SAMPLES / "thin.tif"), str(tmp_path / "broken.tif")]
    line = ["measure", *scans, "--calibration", str(calibration), "--spot", "30,40", "--explain", "--json"]
    document = printed(line, capsys, status=1)
    assert faults(document, "readings") == []
    assert (len(document["readings"]), len(document["failed"])) == (2, 1)
    # a schema that lets everything through would be no test
    document["readings"][0]["shadow"] = "0.40"
    del document["readings"][1]["exposure"]["verdict"]
    assert len(faults(document, "readings")) == 2


def test_demo_keeps_to_the_schema_of_measure(capsys: pytest.CaptureFixture[str]) -> None:
    assert faults(printed(["demo", "--json"], capsys), "readings") == []


def test_a_damaged_calibration_breaks_its_schema(calibration: Path) -> None:
    document = json.loads(calibration.read_text(encoding="utf-8"))
    document["steps"][2]["clipped"] = 1.5
    document["steps"][3]["box_mm"] = [1.0, 2.0]
    document["mode"] = "sideways"
    assert len(faults(document, "calibration")) == 3
