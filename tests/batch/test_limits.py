"""A reading beyond the calibration is a limit, and so is all that is built on it, in every form that is shown."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from densiscan.arithmetic.quantity import Quantity
from densiscan.batch.assessment import Assessment, BatchResult
from densiscan.development.exposure import exposure_advice
from densiscan.report.readings import reading_document, reading_text
from densiscan.report.table import readings_csv
from tests.support.made_up import assessment, calibration, density

DENSE: dict[str, Any] = {
    "highlight": Quantity.at_least(2.45),
    "density_range": Quantity.at_least(2.45) - density(0.45),
    "net_highlight": Quantity.at_least(2.45) - density(0.25),
    "beyond_calibration": 0.02,
}


@pytest.fixture
def dense() -> Assessment:
    return assessment(**DENSE)


def test_what_is_built_on_a_limit_is_one(dense: Assessment) -> None:
    document = reading_document(dense)
    for name, value in (("highlight", 2.45), ("density_range", 2.0), ("net_highlight", 2.2)):
        assert document[name] == {"value": pytest.approx(value), "uncertainty": None, "limit": "at least"}
    # by hand: a range of at least 2.00 from an average subject (2.20 less 0.35 by flare) is a contrast of 1.08
    contrast = document["development"]["contrast"]
    assert (contrast["limit"], contrast["uncertainty"]) == ("at least", None)
    assert contrast["value"] == pytest.approx(2.0 / 1.85, abs=0.005)
    assert document["development"]["verdict"] == "less"
    assert document["development"]["time_factor"]["limit"] == "at most"
    assert document["paper"]["grade"] is None


def test_it_looks_like_one(dense: Assessment) -> None:
    text = " ".join(reading_text(dense, calibration()).split())
    assert "at least 2.45" in text
    assert "at least 2.00" in text
    (row,) = csv.DictReader(io.StringIO(readings_csv(BatchResult(assessments=(dense,), failures=()))))
    assert (row["highlight"], row["highlight_uncertainty"], row["highlight_limit"]) == ("2.45", "", "at least")
    assert row["shadow_limit"] == ""


@pytest.mark.parametrize(
    ("net", "shadow", "verdict", "judged"),
    [
        (Quantity.at_most(0.05), Quantity.at_most(0.30), "under", True),  # whatever it is, it is too little
        (Quantity.at_most(0.20), Quantity.at_most(0.45), "normal", False),  # it may be too little
        (Quantity.at_least(0.50), density(0.60), "over", True),
        (Quantity.at_least(0.20), density(0.30), "normal", True),  # between 0.20 and all of 0.32: usual either way
        (Quantity.at_least(0.05), density(0.30), "normal", False),
    ],
)
def test_an_exposure_is_judged_by_what_a_limit_leaves_possible(
    net: Quantity, shadow: Quantity, verdict: str, judged: bool
) -> None:
    found = exposure_advice(net_shadow=net, shadow=shadow)
    assert (found.verdict, not found.warnings) == (verdict, judged)
    assert "± 0.00" not in found.reason
