"""CGATS.17 text, read back by a small reader that knows the standard alone.

The reader keeps to ISO 28178 as it is known from memory: an identifier on the first line, keywords with a value, a
format and data between their marks, words in quotation marks with one in them doubled, comments from # on.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Quantity
from densiscan.cli.app import run
from densiscan.paper.tested_range import Circumstances, PaperPoint, paper_from_points
from densiscan.report.cgats import paper_cgats, readings_cgats, wedge_cgats
from tests.support.made_up import calibration, density

WORD = re.compile(r'"((?:[^"]|"")*)"|(\S+)')
KNOWN = {"SAMPLE_ID", "D_VIS"}
TOLD = "2026-03-01T20:00:00+00:00"
SAMPLES = Path(__file__).parents[2] / "sample_scans"


def words_of(line: str) -> list[str]:
    return [quoted.replace('""', '"') or plain for quoted, plain in WORD.findall(line)]


def read(text: str) -> tuple[dict[str, str], list[dict[str, str]]]:
    """Return the keywords and the sets of a file; anything that the standard does not allow fails."""
    assert text.isascii()
    first, *lines = text.splitlines()
    assert first == "CGATS.17"
    said: dict[str, str] = {}
    declared: set[str] = set()
    fields: list[str] = []
    sets: list[list[str]] = []
    place = ""
    for line in lines:
        if line.startswith("#") or not line.strip():
            continue
        words = words_of(line)
        if words[0].startswith("BEGIN_"):
            place = words[0].removeprefix("BEGIN_")
        elif words[0].startswith("END_"):
            assert words[0].removeprefix("END_") == place
            place = ""
        elif place == "DATA_FORMAT":
            fields += words
        elif place == "DATA":
            sets.append(words)
        elif words[0] == "KEYWORD":
            declared.add(words[1])
        else:
            assert len(words) == 2
            assert words[0] not in said
            said[words[0]] = words[1]
    assert set(fields) <= KNOWN | declared
    assert int(said["NUMBER_OF_FIELDS"]) == len(fields)
    assert int(said["NUMBER_OF_SETS"]) == len(sets)
    return said, [dict(zip(fields, row, strict=True)) for row in sets]


def test_a_wedge_as_other_programs_read_it() -> None:
    made = calibration(name='Meadow "new"')
    said, sets = read(wedge_cgats(made))
    assert said["CREATED"] == "2026-01-02T03:04:05+00:00"
    assert 'Meadow "new"' in said["DESCRIPTOR"]
    assert [row["SAMPLE_ID"] for row in sets] == ["1", "2", "3", "4", "5", "6", "7"]
    assert_allclose([float(row["D_VIS"]) for row in sets], [0.05 + 0.4 * k for k in range(7)])
    # certified to 0.02, k = 2; a linear scanner's signal is the transmittance
    assert {row["DENSITY_UNCERTAINTY"] for row in sets} == {"0.0200"}
    assert_allclose([float(row["SIGNAL"]) for row in sets], [10.0 ** -(0.05 + 0.4 * k) for k in range(7)], atol=1e-6)


def test_a_limit_is_no_number() -> None:
    points = [
        PaperPoint(log_exposure=Quantity(0.2 * k), density=density(tone))
        for k, tone in enumerate([0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.84])
    ]
    test = paper_from_points(points, Circumstances(name="old-box ü"))
    said, sets = read(paper_cgats(test, created=TOLD))
    assert said["MATERIAL"] == "old-box ?"
    assert_allclose([float(row["LOG_EXPOSURE"]) for row in sets], [0.2 * k for k in range(9)])
    assert_allclose([float(row["D_VIS"]) for row in sets], [point.density.value for point in points])
    limited = replace(test, points=(*points, replace(points[-1], density=Quantity.at_least(1.9))))
    text = paper_cgats(limited, created=TOLD)
    assert read(text)[1] == sets
    assert "# 10: at least 1.9000" in text


@pytest.fixture
def in_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.usefixtures("in_a_folder")
def test_commands_write_it_beside_what_they_print(capsys: pytest.CaptureFixture[str]) -> None:
    wedge = f"{SAMPLES / 'wedge.tif'} --densities {SAMPLES / 'wedge.csv'}"
    assert run(f"calibrate {wedge} --out cal.json --cgats wedge.txt".split()) == 0
    assert len(read(Path("wedge.txt").read_text())[1]) == 21
    assert run(f"measure {SAMPLES / 'normal.tif'} --calibration cal.json --cgats ends.txt".split()) == 0
    ends = read(Path("ends.txt").read_text())[1]
    assert [row["SAMPLE_ID"] for row in ends] == ["base plus fog", "shadow", "highlight"]
    spots = "--spot 40,30 --spot 50,35 --json"
    capsys.readouterr()
    assert run(f"measure {SAMPLES / 'normal.tif'} --calibration cal.json --cgats spots.txt {spots}".split()) == 0
    told = json.loads(capsys.readouterr().out)["readings"][0]["spots"]
    for row, spot in zip(read(Path("spots.txt").read_text())[1], told, strict=True):
        assert (float(row["X_MM"]), float(row["Y_MM"])) == (spot["x_mm"], spot["y_mm"])
        assert_allclose(float(row["D_VIS"]), spot["density"]["value"], atol=1e-4)
        assert_allclose(float(row["DENSITY_UNCERTAINTY"]), spot["density"]["uncertainty"], atol=1e-4)


@pytest.mark.usefixtures("in_a_folder")
def test_a_film_curve_and_its_refusals() -> None:
    tones = [0.20, 0.20, 0.24, 0.36, 0.53, 0.71, 0.89, 1.07]
    lines = [f"{k},{0.3 * k:.1f},{tone}" for k, tone in enumerate(tones)]
    Path("meadow.csv").write_text("\n".join(["step,log_exposure,density", *lines]))
    assert run(["film", "--points", "meadow.csv", "--cgats", "curve.txt"]) == 0
    sets = read(Path("curve.txt").read_text())[1]
    assert_allclose([float(row["D_VIS"]) for row in sets], tones)
    assert_allclose([float(row["LOG_EXPOSURE"]) for row in sets], [0.3 * k for k in range(8)])
    # its own older file is replaced, another's is not
    assert run(["film", "--points", "meadow.csv", "--cgats", "curve.txt"]) == 0
    assert run(["film", "--points", "meadow.csv", "--cgats", "meadow.csv"]) == 2
    assert run(f"measure {SAMPLES} --cgats all.txt".split()) == 2


def test_nothing_read_is_an_empty_table() -> None:
    said, sets = read(readings_cgats([], created=TOLD))
    assert (said["NUMBER_OF_SETS"], sets) == ("0", [])
