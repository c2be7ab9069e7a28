"""The budget of an uncertainty, as a table and as JSON."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.batch.assessment import BatchResult
from densiscan.cli.app import run
from densiscan.negative.reading import Reading, Spot
from densiscan.report.budget import CURES, WORDS, budget_of, budgets_text, halved_by, with_budgets
from densiscan.report.page.budget import budget_view
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


def test_what_would_halve_it_are_the_largest_parts_that_leave_a_quarter_of_the_variance() -> None:
    """Parts 4, 2, 1: variances 16, 4, 1 of 21. Without the first 5 of 21 are left, less than a quarter."""
    one = Quantity(1.0, {Influence("wedge", "1"): 4.0, Influence("glare"): 2.0, Influence("lamp"): 1.0})
    assert halved_by(one, "shadow") == "To halve the uncertainty of the shadow: a wedge with a better certificate."
    # 9, 9 and 1 of 19: without one of the large ones 10 of 19 are left.
    two = Quantity(1.0, {Influence("wedge", "1"): 3.0, Influence("drift"): 3.0, Influence("lamp"): 1.0})
    assert "a wedge with a better certificate and a calibration of the same evening, together" in halved_by(two, "fog")


def test_every_kind_of_influence_has_its_words_and_its_cure() -> None:
    assert set(CURES) == set(WORDS)


def test_the_bars_of_the_page_are_as_long_as_the_uncertainties_and_their_pieces_share_the_variance() -> None:
    thin = Quantity(0.3, {Influence("wedge", "1"): 0.003, Influence("patch noise"): 0.001})
    reading = (
        result_of(highlight=DENSE, density_range=DENSE - thin, shadow=thin, base_plus_fog=None).assessments[0].reading
    )
    view = budget_view(reading)
    assert view is not None
    named = {"density range": reading.density_range, "highlight": reading.highlight, "shadow": reading.shadow}
    lengths = {}
    for bar in view.bars:
        quantity = named.get(bar.name)
        if quantity is None:
            continue
        lengths[bar.name] = max(piece.x + piece.width for piece in bar.pieces) / (quantity.uncertainty or math.nan)
        shares = sorted((part["share"] for part in budget_of(quantity) if part["share"] >= 0.01), reverse=True)
        whole = 400.0 * (quantity.uncertainty or 0.0) / longest(reading)
        # Places are rounded to hundredths of 400.
        drawn = [piece.width / whole for piece in bar.pieces]
        assert_allclose(drawn[: len(shares)], shares, atol=1e-3)
    assert len(lengths) >= 2


def longest(reading: Reading) -> float:
    names = ("density_range", "highlight", "shadow", "base_plus_fog")
    return max(quantity.uncertainty or 0.0 for name in names if (quantity := getattr(reading, name)) is not None)


def test_of_a_reading_read_back_nothing_is_made_up() -> None:
    whole = Quantity(1.0, {Influence("reading"): 0.01})
    reading = replace(
        result_of().assessments[0].reading, density_range=whole, highlight=whole, shadow=whole, base_plus_fog=whole
    )
    assert budget_view(reading) is None
