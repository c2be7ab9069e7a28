"""The published schemas of docs/schemas: sound, one for each format, and strict enough to find fault.

That every document printed with --json keeps to its own is held by `conftest`, in whatever test it is printed.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from densiscan.cli.app import run
from tests.support.schemas import FOLDER, PRINTED, faults, name_of

ROOT = FOLDER.parents[1]
SCHEMAS = sorted(FOLDER.glob("*.schema.json"))
SAMPLES = ROOT / "sample_scans"
FIRST_RUN = "run add --film Meadow-100 --developer Borax --time 8:00 --temp 20 --batch March"


def printed(line: list[str], capsys: pytest.CaptureFixture[str], status: int = 0) -> Any:
    capsys.readouterr()
    assert run(line) == status
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("file", SCHEMAS, ids=lambda file: file.name)
def test_schemas_are_schemas(file: Path) -> None:
    Draft202012Validator.check_schema(json.loads(file.read_text(encoding="utf-8")))


def test_every_format_has_its_schema() -> None:
    source = "".join(file.read_text(encoding="utf-8") for file in (ROOT / "densiscan").rglob("*.py"))
    formats = set(re.findall(r"\"(densiscan\.[a-z-]+/\d)\"", source))
    assert {name_of(format_) for format_ in formats} == {file.name.removesuffix(".schema.json") for file in SCHEMAS}
    for format_ in formats:
        assert json.loads((FOLDER / f"{name_of(format_)}.schema.json").read_text(encoding="utf-8"))["properties"][
            "format"
        ] == {"const": format_}


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("notebook check", "notebook-check"),
        ("notebook backup copy.sqlite", "backup"),
        ("notebook film Meadow-100 --base 0.06", "film-base"),
        ("notebook batch March --developer Borax --mixed 2026-03-01", "batch"),
        ("notebook import other.json", "import"),
    ],
)
def test_what_the_notebook_says_of_itself(
    line: str, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for notebook in ("other", "this"):
        monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / f"{notebook}.sqlite"))
        assert run(FIRST_RUN.split()) == 0
        assert run(["notebook", "export", f"{notebook}.json"]) == 0
    assert faults(json.loads(Path("this.json").read_text(encoding="utf-8")), "notebook") == []
    assert faults(printed([*line.split(), "--json"], capsys), name) == []
    # So it is held in every test, and the document is one of those that were looked at.
    assert [(f"densiscan.{name}/1", [])] == PRINTED


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
