"""The budget of an uncertainty, as a table and as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.batch.assessment import BatchResult
from densiscan.cli.app import run
from densiscan.negative.reading import Spot
from densiscan.report.budget import WORDS, budget_of, budgets_text, with_budgets
from densiscan.report.readings import readings_document
from tests.support.made_up import assessment, calibration

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
DENSE = Quantity(1.5, {Influence("wedge", "1"): 0.003, Influence("wedge", "2"): 0.004, Influence("glare"): -0.012})


def test_budget_by_hand() -> None:
    glare, wedge = budget_of(DENSE)  # 5, 12, 13: a right triangle
    assert (glare["kind"], wedge["kind"]) == ("glare", "wedge")
    assert_allclose([glare["contribution"], wedge["contribution"]], [0.024, 0.010], rtol=1e-12)
    assert_allclose([glare["share"], wedge["share"]], [144 / 169, 25 / 169], rtol=1e-12)


@pytest.mark.parametrize("quantity", [Quantity(0.3), Quantity(0.3, None)], ids=["exact", "unknown"])
def test_without_an_uncertainty_there_is_no_budget(quantity: Quantity) -> None:
    assert budget_of(quantity) == []


def result_of(**changes: Any) -> BatchResult:
    return BatchResult(assessments=(assessment(**changes),), failures=())


def test_table_has_the_largest_part_first_in_80_columns() -> None:
    spot = Spot(x_mm=12.5, y_mm=7.0, density=DENSE, net=None)
    text = budgets_text(result_of(highlight=DENSE, base_plus_fog=None, spots=(spot,)))
    lines = text.splitlines()
    assert all(len(line) <= 80 for line in lines)
    at = next(number for number, line in enumerate(lines) if line.startswith("  highlight 1.500 ± 0.026"))
    assert WORDS["glare"] in lines[at + 1]
    assert lines[at + 1].endswith("± 0.0240     85.2%")
    assert WORDS["wedge"] in lines[at + 2]
    assert "spot 12.5, 7 mm" in text
    assert "base plus fog" not in text


def test_document_keeps_every_field_and_adds_the_budgets() -> None:
    found = result_of(highlight=DENSE, spots=(Spot(x_mm=1.0, y_mm=2.0, density=DENSE, net=None),))
    plain = readings_document(found, calibration())
    (told,) = with_budgets(plain, found)["readings"]
    (before,) = plain["readings"]
    assert told.keys() == before.keys()
    assert {key: told["highlight"][key] for key in ("value", "uncertainty")} == before["highlight"]
    assert told["highlight"]["budget"] == budget_of(DENSE)
    assert told["spots"][0]["density"]["budget"] == budget_of(DENSE)
    assert told["spots"][0]["net"] is None
    assert told["fog"] is None


def test_explain_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "cal.json"
    assert (
        run(["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--out", str(kept)])
        == 0
    )
    capsys.readouterr()
    line = ["measure", str(SAMPLES / "normal.tif"), "--calibration", str(kept), "--explain"]
    assert run(line) == 0
    out = capsys.readouterr().out
    assert "What the uncertainties of normal.tif are made of" in out
    assert all(len(text) <= 80 for text in out.splitlines())
    assert run([*line, "--json"]) == 0
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    for name in ("base_plus_fog", "shadow", "highlight", "density_range"):
        parts = reading[name]["budget"]
        assert {part["kind"] for part in parts} <= set(WORDS)
        assert_allclose(sum(part["share"] for part in parts), 1.0, rtol=1e-9)
        squares = sum(part["contribution"] ** 2 for part in parts)
        assert_allclose(squares**0.5, reading[name]["uncertainty"], rtol=1e-9)
        assert [part["contribution"] for part in parts] == sorted((p["contribution"] for p in parts), reverse=True)
