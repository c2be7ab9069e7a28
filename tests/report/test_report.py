"""What is said of results: to a person in 80 columns, to a program as JSON, to a table sheet as CSV."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.batch.assessment import BatchResult, Failure, PrintAim
from densiscan.negative.reading import Spot
from densiscan.report.readings import (
    calibration_text,
    density_text,
    readings_document,
    readings_text,
    time_text,
)
from densiscan.report.table import readings_csv
from tests.support.made_up import assessment, calibration, density

FAILURE = Failure(path=Path("scans/broken.tif"), code="unreadable-scan", message="scans/broken.tif is damaged.")
SPOTS = (Spot(x_mm=40.0, y_mm=52.5, density=density(0.91), net=density(0.66)),)
UNKNOWN: dict[str, Any] = {
    "film_mm": None,
    "frame_mm": None,
    "angle_deg": None,
    "base_plus_fog": None,
    "net_shadow": None,
    "net_highlight": None,
    "warnings": (Warning_(code="no-rebate", message="No clear edge is in the scan."),),
}


def result(*found: Any, failures: tuple[Failure, ...] = ()) -> BatchResult:
    return BatchResult(assessments=found, failures=failures)


def document(*found: Any, failures: tuple[Failure, ...] = ()) -> Any:
    text = json.dumps(readings_document(result(*found, failures=failures), calibration()), allow_nan=False)
    return json.loads(text)


@pytest.mark.parametrize(
    ("quantity", "text"),
    [
        (density(1.052, 0.018), "1.05 ± 0.02"),
        (density(0.25, 0.001), "0.25 ± 0.01"),
        (density(-0.001), "0.00 ± 0.02"),
        (Quantity(1.5, None), "1.50"),
        (None, "not known"),
    ],
)
def test_densities_have_two_decimals(quantity: Quantity | None, text: str) -> None:
    assert density_text(quantity) == text


@pytest.mark.parametrize(("seconds", "text"), [(510, "8:30"), (59.6, "1:00"), (5, "0:05")])
def test_times_read_as_minutes_and_seconds(seconds: float, text: str) -> None:
    assert time_text(seconds) == text


def test_a_page_says_the_readings_and_what_to_change() -> None:
    page = readings_text(result(assessment(spots=SPOTS, fog=density(0.08))), calibration())
    for words in ("base plus fog", "0.25 ± 0.02", "0.08", "1.05 ± 0.03", "net 0.20", "40, 52.5 mm", "0.91", "grade 2"):
        assert words in page
    assert "exposure        normal." in page
    assert "development     keep." in page


def test_everything_fits_80_columns() -> None:
    long = "a-name-that-goes-on-and-on-for-longer-than-any-column-could-hold.tif"
    found = [
        assessment(),
        assessment(file=long, piece=2, spots=SPOTS),
        assessment(**UNKNOWN),
        assessment(net_shadow=density(0.01), shadow=density(0.26), density_range=density(0.5)),
        assessment(density_range=density(2.2), aim=PrintAim(process="condenser", paper_range=80, scene_stops=7)),
    ]
    texts = [readings_text(result(*found, failures=(FAILURE,)), calibration()), calibration_text(calibration())]
    texts += [readings_text(result(one), calibration()) for one in found]
    for line in "\n".join(texts).splitlines():
        assert len(line) < 80 or long in line, line


def test_warnings_stand_as_sentences() -> None:
    assert "! No clear edge is in the scan." in readings_text(result(assessment(**UNKNOWN)), calibration())
    assert "! Steps 8 are at the end of the scale." in calibration_text(calibration())


def test_what_is_not_known_is_not_made_up() -> None:
    page = readings_text(result(assessment(**UNKNOWN)), calibration())
    assert "base plus fog   not known" in page
    assert "exposure        not judged." in page


def test_several_pieces_make_a_table() -> None:
    text = readings_text(result(assessment(piece=1), assessment(piece=2), failures=(FAILURE,)), calibration())
    assert "negative.tif (1)" in text
    assert "negative.tif (2)" in text
    assert "Not measured: 1 file" in text


def test_document_has_every_field_of_the_contract() -> None:
    made = document(assessment(spots=SPOTS, piece=1), failures=(FAILURE,))
    assert made["format"] == "densiscan.readings/1"
    assert made["calibration"] == "mine"
    (found,) = made["readings"]
    fields = (
        "file ppi aperture_mm film_mm frame_mm angle_deg base_plus_fog fog shadow highlight density_range net_shadow "
        "net_highlight spots clipped beyond_calibration exposure development paper warnings piece"
    )
    assert set(fields.split()) <= set(found)
    assert set(found["clipped"]) == {"light", "dark"}
    assert {"verdict", "stops"} <= set(found["exposure"])
    assert {"verdict", "contrast", "target_contrast", "time_factor"} <= set(found["development"])
    assert {"process", "needed_range", "grade", "note"} <= set(found["paper"])
    assert found["paper"]["grade"] == "2"
    assert found["fog"] is None
    assert_allclose(found["density_range"]["uncertainty"], 0.03, rtol=1e-9)  # passed through unrounded
    assert_allclose([found["spots"][0]["x_mm"], found["spots"][0]["net"]["value"]], [40.0, 0.66], rtol=1e-9)
    (failed,) = made["failed"]
    assert {key: failed[key] for key in ("file", "code", "message")} == {
        "file": "broken.tif",
        "code": "unreadable-scan",
        "message": "scans/broken.tif is damaged.",
    }


def test_piece_is_named_only_where_there_are_several() -> None:
    assert "piece" not in document(assessment())["readings"][0]


def test_warnings_of_the_advice_are_in_the_document() -> None:
    codes = {warning["code"] for warning in document(assessment(**UNKNOWN))["readings"][0]["warnings"]}
    assert {"no-rebate", "exposure-not-judged"} <= codes


@given(value=st.floats(-1.0, 6.0), expanded=st.floats(0.0, 2.0))
def test_document_never_holds_what_json_has_not(value: float, expanded: float) -> None:
    made = document(assessment(shadow=density(value, expanded), net_shadow=density(value, expanded)))
    uncertainty = made["readings"][0]["shadow"]["uncertainty"]
    assert uncertainty is None or uncertainty > 0.0


def test_sheet_has_one_line_a_piece() -> None:
    found = result(assessment(), assessment(spots=SPOTS, piece=2), assessment(**UNKNOWN))
    rows = list(csv.DictReader(io.StringIO(readings_csv(found))))
    assert [row["piece"] for row in rows] == ["", "2", ""]
    assert_allclose(float(rows[0]["density_range"]), 1.05, rtol=1e-9)  # passed through unrounded
    assert_allclose(float(rows[1]["spot_1_density"]), 0.91, rtol=1e-9)  # passed through unrounded
    assert rows[0]["spot_1_density"] == ""
    assert rows[2]["base_plus_fog"] == ""
    assert rows[2]["warnings"].split() == ["no-rebate", "exposure-not-judged"]


@pytest.mark.parametrize("name", ["=1+2.tif", "+a.tif", "-a.tif", "@a.tif", "\ta.tif"])
def test_no_file_s_name_becomes_a_formula(name: str) -> None:
    (row,) = csv.DictReader(io.StringIO(readings_csv(result(assessment(file=name, angle_deg=-0.4)))))
    assert row["file"] == f"'{name}"
    assert row["angle_deg"] == "-0.4"  # a number is none


def test_empty_batch_is_an_empty_sheet() -> None:
    assert readings_csv(result()).count("\n") == 1
    assert document(failures=(FAILURE,))["readings"] == []
