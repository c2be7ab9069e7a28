"""The page without a browser: it holds everything, lets nothing in, and says what the readings say."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as nps

from densiscan.batch.outliers import Folder
from densiscan.cli.app import run
from densiscan.negative.preview import Preview
from densiscan.report.page.negative import PageReading, sheet_view
from densiscan.report.page.page import PageHead, page_html
from densiscan.report.page.pictures import map_text, negative_gray, picture_data, print_gray, smaller
from tests.support import made_up

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
HOSTILE = (
    "<img src=x onerror=alert(1)>.tif",
    '"><script>alert(1)</script>.tif',
    "'; alert(1) //.tif",
    "</script><script>alert(1)</script>.tif",
    "\u202egnp.evitagen\u202c.tif",
    "שלילי 📷 ネガ.tif",
    "{{ 7 * 7 }}{% raw %}.tif",
    "bytes-\udcff.tif",
)
HEAD = PageHead(title="a page", made="2026-01-02T03:04:05+00:00", version="0.0")


def small_sheet() -> Preview:
    ramp = np.linspace(250, 1500, 60).astype(np.int16)
    return Preview(
        region_mm=(5.0, 5.0, 100.0, 125.0),
        picture=np.tile(ramp, (75, 1)),
        map=np.tile(ramp, (75, 1)),
        first_mm=(6.0, 6.0),
        pitch_mm=(1.6, 1.6),
        levels=(0.2, 1.6),
        doubt=(0.02, 0.03),
        doubt_between=((0.01, 0.02), (0.02, 0.01)),
        calibrated=(0.05, 2.45),
    )


def page_of(*names: str, sheet: Preview | None = None) -> str:
    assessments = [replace(made_up.assessment(file=name), sheet=sheet) for name in names]
    return page_html([PageReading(assessment=assessment, calibration="mine") for assessment in assessments], HEAD)


class Read(HTMLParser):
    """Elements, their attributes, and the text that is shown."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.shown: list[str] = []
        self._raw = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._raw = tag if tag in {"script", "style"} else ""

    def handle_endtag(self, tag: str) -> None:
        if tag == self._raw:
            self._raw = ""

    def handle_data(self, data: str) -> None:
        if not self._raw:
            self.shown.append(data)


def read(page: str) -> Read:
    parser = Read()
    parser.feed(page)
    return parser


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_shown_as_text_and_makes_no_element(name: str) -> None:
    plain, hostile = (
        read(page_of("plain.tif", "b.tif", sheet=small_sheet())),
        read(page_of(name, "b.tif", sheet=small_sheet())),
    )
    assert [tag for tag, _ in hostile.elements] == [tag for tag, _ in plain.elements]
    assert name.encode("utf-8", "replace").decode("utf-8") in "".join(hostile.shown)


def test_a_hostile_name_cannot_leave_the_data_of_the_script() -> None:
    page = page_of('</script><script>alert("1")</script>', sheet=small_sheet())
    data = re.search(r'class="sheet-data">(.*?)</script>', page)
    assert data is not None
    assert json.loads(data[1])["name"] == '</script><script>alert("1")</script>'


def test_no_attribute_runs_or_styles_anything() -> None:
    for tag, attributes in read(page_of("a.tif", "b.tif", sheet=small_sheet())).elements:
        assert not [name for name in attributes if name.startswith("on") or name == "style"], tag


def test_nothing_comes_from_outside() -> None:
    page = page_of("a.tif", "b.tif", sheet=small_sheet())
    assert "//" not in re.sub(r"data:image/jpeg;base64,[^\"]*|class=\"sheet-map\">[^<]*|// [A-Z][^\n]*", "", page)
    for tag, attributes in read(page).elements:
        for name in ("src", "href"):
            value = attributes.get(name)
            assert value is None or value.startswith(("data:", "#")), (tag, value)


def test_the_policy_lets_only_our_style_and_script_run() -> None:
    page = page_of("a.tif")
    policy = next(a["content"] for t, a in read(page).elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    for name in ("style", "script"):
        source = re.findall(rf"<{name}>(.*?)</{name}>", page, flags=re.DOTALL)
        digests = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in source]
        assert [f"'sha256-{digest}'" for digest in digests] == rules[f"{name}-src"].split()


def test_the_page_says_what_the_reading_says() -> None:
    text = " ".join(html.unescape(" ".join(read(page_of("a.tif")).shown)).split())
    assessment = made_up.assessment(file="a.tif")
    assert "0.45 ± 0.02" in text
    assert "1.05 ± 0.03" in text
    assert assessment.exposure.reason in text
    assert assessment.paper.note in text
    assert "net 0.10 is the least that prints" in text.lower()


def test_what_is_not_known_is_said_and_not_drawn() -> None:
    nothing: dict[str, Any] = dict.fromkeys(
        ("base_plus_fog", "shadow", "highlight", "density_range", "net_shadow", "net_highlight", "frame_mm", "film_mm")
    )
    assessment = replace(made_up.assessment(file="a.tif", **nothing), sheet=small_sheet())
    page = page_html([PageReading(assessment=assessment, calibration="mine")], HEAD)
    assert "not known" in page
    assert "No paper named" in page


def test_a_map_is_read_back_to_the_thousandth() -> None:
    assert decoded(map_text(np.array([[0, 127, 0], [-5, 300, 8000]], np.int16)), (2, 3)) == [0, 127, 0, -5, 300, 8000]


@given(nps.arrays(np.int16, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.integers(-2000, 8000)))
def test_any_map_is_read_back(readings: Any) -> None:
    assert decoded(map_text(readings), readings.shape) == readings.ravel().tolist()


def decoded(text: str, shape: tuple[int, int]) -> list[int]:
    """Read a map by the words of its description alone."""
    coded, values = iter(base64.b64decode(text)), list[int]()
    for row in range(shape[0]):
        before = values[(row - 1) * shape[1]] if row else 0
        for _ in range(shape[1]):
            byte = next(coded)
            before = before + byte - 128 if byte else int.from_bytes([next(coded), next(coded)], "big", signed=True)
            values.append(before)
    return values


def test_a_print_is_light_where_the_negative_is_dense_and_follows_its_definition() -> None:
    """At the ends of its range a paper shows 0.04 and 90 % of its net black of 2.0 above 0.05 (ISO 6846, T and S)."""
    density = np.array([[500, 1000, 1500]], np.int16)
    gray = print_gray(density, middle=1.0, paper_range=1.0)[0].astype(float) / 255.0
    linear = np.where(gray <= 0.04045, gray / 12.92, ((gray + 0.055) / 1.055) ** 2.4)
    # Relative to paper white, as the screen's white is; a gray is rounded to 1/255, coarse in the dark.
    np.testing.assert_allclose(-np.log10(linear[2]), 0.04, atol=0.005)
    np.testing.assert_allclose(-np.log10(linear[0]), 1.80, atol=0.08)
    assert gray[0] < gray[1] < gray[2]


def test_a_negative_is_bright_where_it_is_clear() -> None:
    gray = negative_gray(np.array([[100, 400, 1600]], np.int16))[0]
    assert gray[0] == 255
    # 0.30 denser is half the light: 188 of 255 in sRGB (IEC 61966-2-1).
    assert abs(int(gray[1]) - 188) <= 1


def test_a_thumb_is_small() -> None:
    thumb = smaller(np.zeros((900, 600), np.uint8), 96)
    assert max(thumb.shape) <= 120
    assert picture_data(thumb).startswith("data:image/jpeg;base64,")


def folder_of(*readings: dict[str, float]) -> Folder:
    densities: list[dict[str, Any]] = [
        {name: made_up.density(value) for name, value in values.items()} for values in readings
    ]
    return Folder.of([made_up.assessment(file=f"{k}.tif", **values) for k, values in enumerate(densities)])


def test_one_of_nine_stands_out_by_what_it_differs_in() -> None:
    readings = [{"base_plus_fog": 0.25, "shadow": 0.5, "density_range": 1.0 + 0.01 * k} for k in range(8)]
    stands = folder_of(*readings, {"base_plus_fog": 0.45, "shadow": 0.5, "density_range": 1.02}).standings()
    assert [bool(one.odd) for one in stands] == [False] * 8 + [True]
    (odd,) = stands[8].odd
    assert (odd.name, odd.figure) == ("8.tif", "base_plus_fog")
    np.testing.assert_allclose((odd.value, odd.usual), (0.45, 0.25), rtol=1e-12)
    # 0.20 from the middle; the rest are alike, so the unit is what is worth a word, 0.05, over 3.5.
    np.testing.assert_allclose(stands[8].distance, 0.20 / 0.05 * 3.5, atol=0.01)


def test_of_four_none_is_odd_but_the_farthest_is_known() -> None:
    stands = folder_of(*({"base_plus_fog": 0.1 * k * k, "shadow": 0.3} for k in range(4))).standings()
    assert not any(one.odd for one in stands)
    assert max(range(4), key=lambda k: stands[k].distance) == 3


def test_what_stands_out_comes_first_in_the_table() -> None:
    ranges = [1.05, 1.05, 1.05, 1.05, 1.9, 1.05, 1.05, 1.05, 1.05]
    shown = [
        made_up.assessment(file=f"{k}.tif", density_range=made_up.density(value, 0.03))
        for k, value in enumerate(ranges)
    ]
    page = page_html([PageReading(assessment=assessment, calibration="mine") for assessment in shown], HEAD)
    assert re.findall(r'<th scope="row" data-by="([^"]*)"', page)[0] == "4.tif"
    assert "density range +0.85" in page


@pytest.mark.parametrize(
    ("grade_range", "paper_range", "named"),
    [(1.05, None, "paper of grade 2"), (1.05, 95.0, "paper at hand, range 95"), (2.2, None, "softest grade, 0")],
)
def test_the_paper_that_is_meant_is_named(grade_range: float, paper_range: float | None, named: str) -> None:
    changes: dict[str, Any] = {
        "density_range": made_up.density(grade_range),
        "highlight": made_up.density(0.45 + grade_range),
    }
    assessment = replace(made_up.assessment(file="a.tif", **changes), sheet=small_sheet())
    view = sheet_view(
        PageReading(assessment=assessment, calibration="mine", paper_range=paper_range),
        number=1,
    )
    assert view.picture is not None
    assert named in view.picture.print_caption


def test_frames_of_one_film_are_no_rebate_of_each_other() -> None:
    """A film of 100 x 30 mm with two frames of 40 x 20 mm: what is shaded is their difference, by the even-odd rule."""
    frames = [(10.0, 10.0, 40.0, 20.0), (55.0, 10.0, 40.0, 20.0)]
    pages = [
        PageReading(
            assessment=replace(
                made_up.assessment(film_mm=(5.0, 5.0, 100.0, 30.0), frame_mm=box, angle_deg=0.0), sheet=small_sheet()
            ),
            calibration="mine",
        )
        for box in frames
    ]
    view = sheet_view(pages[0], number=1, beside=[page.assessment for page in pages])
    assert view.picture is not None
    assert view.picture.rebate == (
        "M5.00 5.00L105.00 5.00L105.00 35.00L5.00 35.00Z"
        "M10.00 10.00L50.00 10.00L50.00 30.00L10.00 30.00Z"
        "M55.00 10.00L95.00 10.00L95.00 30.00L55.00 30.00Z"
    )


def test_the_corners_of_a_turned_frame_are_those_of_the_reading(tmp_path: Path) -> None:
    assert run(calibrating(tmp_path)) == 0
    from densiscan.batch.assessment import Failure, Task, measure_one
    from densiscan.calibration.file import read_calibration
    from densiscan.negative.options import MeasureOptions

    made = read_calibration(tmp_path / "cal.json")
    outcome = measure_one(SAMPLES / "leak.tif", made, Task(options=MeasureOptions()))
    assert not isinstance(outcome, Failure)
    from densiscan.report.page.negative import _corners

    corners = _corners(outcome[0].reading)[1]
    assert corners is not None
    assert outcome[0].reading.frame_corners_mm is not None
    # The same box, turned about another point: equal but for rounding.
    np.testing.assert_allclose(corners, outcome[0].reading.frame_corners_mm, atol=1e-6)


def calibrating(folder: Path) -> list[str]:
    return [
        *("calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv")),
        *("--out", str(folder / "cal.json"), "--json"),
    ]


def test_measure_writes_a_page_under_its_size_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(calibrating(tmp_path)) == 0
    page = tmp_path / "page.html"
    words = ["measure", str(SAMPLES / "normal.tif"), "--calibration", str(tmp_path / "cal.json"), "--json"]
    capsys.readouterr()
    assert run([*words, "--report", str(page), "--spot", "30,40"]) == 0
    said = capsys.readouterr()
    assert f"Written to {page}." in said.err
    document = json.loads(said.out)["readings"][0]
    assert page.stat().st_size < 1_500_000
    shown = html.unescape(" ".join(read(page.read_text(encoding="utf-8")).shown))
    for name in ("base_plus_fog", "shadow", "net_shadow", "highlight", "density_range"):
        assert f"{document[name]['value']:.2f} ± {document[name]['uncertainty']:.2f}" in shown, name


@pytest.mark.parametrize(
    ("place", "told"),
    [("page.txt", "is not a name for a page; end it in .html."), ("nowhere/page.html", "there is no folder")],
)
def test_a_wrong_place_for_the_page_is_told_before_anything_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], place: str, told: str
) -> None:
    assert run(["measure", str(SAMPLES / "normal.tif"), "--report", str(tmp_path / place)]) == 2
    assert told in capsys.readouterr().err


def test_where_nothing_is_measured_no_page_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(calibrating(tmp_path)) == 0
    (tmp_path / "broken.tif").write_bytes(b"II*\0nothing")
    words = ["measure", str(tmp_path / "broken.tif"), "--calibration", str(tmp_path / "cal.json")]
    assert run([*words, "--report", str(tmp_path / "page.html")]) == 1
    assert "Nothing was measured" in capsys.readouterr().err
    assert not (tmp_path / "page.html").exists()


def test_a_scan_that_failed_is_named_on_the_page_of_the_others(tmp_path: Path) -> None:
    assert run(calibrating(tmp_path)) == 0
    (tmp_path / "<b>broken.tif").write_bytes(b"II*\0nothing")
    words = ["measure", str(SAMPLES / "thin.tif"), str(tmp_path / "<b>broken.tif")]
    status = run([*words, "--calibration", str(tmp_path / "cal.json"), "--report", str(tmp_path / "page.html")])
    assert status == 1
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Not measured" in page
    assert "&lt;b&gt;broken.tif" in page
    assert "<b>" not in page
