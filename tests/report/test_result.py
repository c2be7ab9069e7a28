"""A result in a shell and in a notebook: one line, the report's own page, the report's own tables."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.batch.assessment import Assessment, BatchResult, Failure
from densiscan.development.advice import Advice, Plan, advise
from densiscan.film.speed_and_contrast import CurvePoint, FilmTest, film_test
from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest, paper_from_points
from densiscan.report.advice import time_advice_text
from densiscan.report.film import film_text
from densiscan.report.page.result import as_html, as_text
from densiscan.report.paper import paper_text
from densiscan.report.readings import calibration_text, measured_text, reading_text, readings_text
from densiscan.scan.scan import open_scan
from tests.support.made_up import assessment, calibration, reading

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
EVIL = '<img src=x onerror="alert(1)">&\n\x1b[31m'


def a_film_test() -> FilmTest:
    densities = [0.20, 0.20, 0.24, 0.36, 0.53, 0.71, 0.89, 1.07, 1.25, 1.43, 1.60]
    return film_test(
        [
            CurvePoint(step=f"<b>{k}", log_exposure=Quantity(0.3 * k), density=Quantity(density))
            for k, density in enumerate(densities)
        ]
    )


def a_paper_test(name: str = "old box") -> PaperTest:
    tones = [0.06, 0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.84, 1.84]
    points = [PaperPoint(log_exposure=Quantity(0.2 * k), density=Quantity(tone)) for k, tone in enumerate(tones)]
    return paper_from_points(points, Circumstances(name=name))


def an_advice() -> Advice:
    return advise([], Plan(target_range=Quantity(1.05)))


def named(name: str) -> Assessment:
    return replace(assessment(), reading=replace(reading(), file=name))


def some() -> BatchResult:
    failure = Failure(path=Path("broken.tif"), code="unreadable-scan", message="broken.tif ends too early.")
    return BatchResult(assessments=(named("one.tif"), named("two.tif")), failures=(failure,))


RESULTS: dict[str, tuple[Callable[[], Any], Callable[[Any], str]]] = {
    "Advice": (an_advice, time_advice_text),
    "Assessment": (assessment, reading_text),
    "BatchResult": (some, readings_text),
    "Calibration": (calibration, calibration_text),
    "FilmTest": (a_film_test, film_text),
    "PaperTest": (a_paper_test, paper_text),
    "Reading": (reading, measured_text),
}


class Table(HTMLParser):
    """The tags of a page, and the text of its cells."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.cells: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert dict(attrs) in ({}, {"scope": "row"}, {"scope": "col"})
        if tag in {"td", "th", "caption", "p"}:
            self.cells.append("")

    def handle_data(self, data: str) -> None:
        if self.cells:
            self.cells[-1] += data.rstrip("\n")


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_a_result_prints_as_the_command_line_reports_it(name: str) -> None:
    make, page = RESULTS[name]
    result = make()
    assert str(result) == as_text(result) == page(result)
    assert max(map(len, str(result).splitlines())) < 80


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_a_result_is_a_table_in_a_notebook(name: str) -> None:
    """What the page says in figures stands in the table too, and nothing but a table and sentences is in it."""
    result = RESULTS[name][0]()
    html = result._repr_html_()
    assert html == as_html(result)
    table = Table(html)
    assert set(table.tags) <= {"div", "table", "caption", "thead", "tbody", "tr", "th", "td", "bdi", "p"}
    words = " ".join(" ".join(table.cells).split())
    figures = [part for part in str(result).split() if part.replace(".", "").isdigit() and "." in part]
    assert figures
    assert [figure for figure in figures if figure not in words] in ([], ["300"])


@pytest.mark.parametrize(
    ("result", "line"),
    [
        (reading(), "<Reading negative.tif: 0.45 ± 0.02 to 1.50 ± 0.02, range 1.05 ± 0.03>"),
        (
            replace(reading(), piece=2, density_range=None, shadow=Quantity.at_most(0.05), seen="print"),
            "<Reading negative.tif, piece 2: at most 0.05 to 1.50 ± 0.02, range not known, seen as print>",
        ),
        (
            calibration(),
            "<Calibration mine: transmission, 0.05 to 2.45 by 7 of 7 steps, typical error 0.003, 1 warning>",
        ),
        (a_paper_test(), "<PaperTest old box: R 89 ± 2, grade 3>"),
        (a_film_test(), "<FilmTest: 11 points, gamma 0.59 ± 0.01, average gradient 0.58 ± 0.01>"),
        (some(), "<BatchResult: 2 readings, 1 failure>"),
        (BatchResult(assessments=(), failures=()), "<BatchResult: no readings>"),
    ],
)
def test_a_result_is_one_line(result: object, line: str) -> None:
    assert repr(result) == line


def test_an_assessment_is_one_line_with_its_verdicts() -> None:
    line = repr(assessment())
    assert line.startswith("<Assessment negative.tif: 0.45 ± 0.02 to 1.50 ± 0.02, range 1.05 ± 0.03, ")
    assert f"exposure {assessment().exposure.verdict}, development {assessment().development.verdict}, grade " in line
    one = assessment()
    lost = replace(one, development=replace(one.development, time_factor=None, verdict="keep"))
    assert "development not judged" in repr(lost)
    print_ = replace(assessment(), reading=replace(reading(), seen="print"))
    assert "seen as print" in repr(print_)
    assert "grade" not in repr(print_)


def test_a_scan_is_one_line() -> None:
    scan = open_scan(SAMPLES / "normal.tif")
    assert repr(scan) == f"{scan}" == "<Scan normal.tif: 1157 x 850 pixels, 300 ppi, gray, 16 bit>"


def test_an_advice_is_one_line() -> None:
    assert repr(an_advice()).startswith("<Advice: 480 (244 to 1122) s at 20 C, range 1.05 ± ")


def test_names_from_outside_can_do_nothing() -> None:
    told = Warning_(code="odd", message=f"Odd: {EVIL}")
    for result in (
        replace(reading(), file=EVIL, warnings=(told,)),
        named(EVIL),
        calibration(name=EVIL),
        a_paper_test(EVIL),
        a_film_test(),
        BatchResult(assessments=(named(EVIL),), failures=(Failure(path=Path("x"), code="c", message=EVIL),)),
    ):
        assert "img" not in Table(as_html(result)).tags
        assert "b" not in Table(as_html(result)).tags
        assert repr(result).isprintable()


@pytest.mark.parametrize("what", [3.0, "text", None, Quantity(1.0), RESULTS])
def test_what_has_no_page_is_refused(what: object) -> None:
    for make in (as_text, as_html):
        with pytest.raises(TypeError, match="has no page"):
            make(what)


def test_a_module_of_the_package_alone_prints_results_too() -> None:
    """Whatever is imported first, the shelf has said who makes the pages."""
    code = (
        "from densiscan.batch.assessment import BatchResult\n"
        "assert 'Gross' not in str(BatchResult(assessments=(), failures=()))\n"
        "assert '<table>' in BatchResult(assessments=(), failures=())._repr_html_()"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
