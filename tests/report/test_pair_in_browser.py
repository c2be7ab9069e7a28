"""Two negatives beside each other, in a real browser: their figures, one scale, the same place in both."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from densiscan.cli.app import run
from tests.renderer.bed import Place
from tests.renderer.pieces import sheet
from tests.renderer.render import Rendered, render_bed, write_scan
from tests.renderer.sample_set import NORMAL, SCANNER, samples
from tests.renderer.scenes import Picture
from tests.support.browsing import Opened, faults, listen, shown

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
GLASS = replace(SCANNER, ppi=150.0)
SHEETS = {
    "short.tif": ("mill", 0.45, 0.5, (49.0, 36.0), 0),
    "long.tif": ("mill", 0.60, -0.8, (50.0, 35.0), 2),
    "other.tif": ("wood", 0.57, 0.2, (49.0, 36.0), 0),
}
"""Scene, contrast, angle in degrees, middle in mm and quarter turns of each sheet: the second lies upside down."""


def drawn(name: str) -> Rendered:
    scene, contrast, angle, middle, turns = SHEETS[name]
    picture = Picture(scene=scene, seed=9, range_stops=7.0, shadow_stops=0.8, flare=0.006, quarter_turns=turns)
    film = sheet(
        size_mm=(88.0, 63.0),
        place=Place(x_mm=middle[0], y_mm=middle[1], angle_deg=angle),
        picture=picture,
        edge_mm=(4.0, 4.0, 4.0, 4.0),
        curve=replace(NORMAL, contrast=contrast),
        granularity=8.0,
    )
    return render_bed([film], GLASS, seed=len(name), size_mm=(98.0, 72.0))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a page of two developments beside each other, one of three negatives, and their readings."""
    place = tmp_path_factory.mktemp("pair")
    scans = place / "scans"
    scans.mkdir()
    for name in SHEETS:
        write_scan(drawn(name), scans / name)
    wedge = samples()[0]
    write_scan(render_bed([wedge.piece], GLASS, seed=3, size_mm=wedge.size_mm), place / "wedge.tif")
    by = ["--densities", str(SAMPLES / "wedge.csv"), "--out", str(place / "cal.json")]
    assert run(["calibrate", str(place / "wedge.tif"), *by]) == 0
    book = ["--notebook", str(place / "book.sqlite")]
    for number, (time, day, name) in enumerate((("6:30", "01", "short.tif"), ("9:00", "08", "long.tif")), start=1):
        facts = ["--film", "Meadow-100", "--developer", "Borax", "--time", time, "--temp", "20"]
        assert run(["run", "add", *facts, "--date", f"2026-11-{day}", *book]) == 0
        read = ["measure", str(scans / name), "--calibration", str(place / "cal.json"), "--run", str(number)]
        assert run([*read, *book]) == 0
    # Named the other way round: before and after go by the day.
    assert run(["report", str(place / "pair.html"), "--compare", "long", "short.tif", *book]) == 0
    whole = ["measure", str(scans), "--calibration", str(place / "cal.json"), "--report", str(place / "three.html")]
    assert run(whole) == 0
    return place


@pytest.fixture
def opened(browser: Browser, pages: Path, request: pytest.FixtureRequest) -> Iterator[Opened]:
    """Open a page without a network; at the end nothing may have gone wrong and nothing been asked for."""
    asked: Any = getattr(request, "param", ("pair.html", (1400, 900), "light"))
    name, (width, height), scheme = asked
    context = browser.new_context(viewport={"width": width, "height": height}, offline=True, color_scheme=scheme)
    page = context.new_page()
    seen = Opened(page=page)
    address = (pages / name.split("#")[0]).as_uri()
    listen(page, seen.wrong, address)
    page.goto(address + name[len(name.split("#")[0]) :])
    yield seen
    wrong = list(seen.wrong)
    context.close()
    assert not wrong


def page(name: str, size: tuple[int, int] = (1400, 900), scheme: str = "light") -> pytest.MarkDecorator:
    return pytest.mark.parametrize("opened", [(name, size, scheme)], indirect=True, ids=[name])


def rows(opened: Opened) -> dict[str, list[str]]:
    return {
        row.locator("th").inner_text(): row.locator("td").all_inner_texts()
        for row in opened.find(".differences tbody tr").all()
    }


def test_before_and_after_say_what_the_longer_time_did(opened: Opened) -> None:
    cells = rows(opened)["density range"]
    before, after = (drawn(name).truth.films[0].frame.density_range for name in ("short.tif", "long.tif"))
    value, uncertainty = shown(cells[2])
    # Against the drawn truth within the uncertainty that stands there.
    np.testing.assert_allclose(value, after - before, atol=uncertainty + 0.005)
    assert [name.inner_text() for name in opened.find(".half .name").all()] == ["short.tif", "long.tif"]
    assert opened.find(".headline").inner_text().startswith(f"Run 2 has {value:.2f} more density range than run 1")
    assert "6:30 before, 9:00 after" in opened.find(".behind").inner_text()


def test_the_difference_has_the_uncertainties_of_both_in_quadrature(opened: Opened) -> None:
    facts = [json.loads(one.text_content()) for one in opened.find(".pair-data").all()]
    ranges = [next(one for one in of["figures"] if one["name"] == "density range") for of in facts]
    expected = math.hypot(*(one["uncertainty"] for one in ranges))
    # Both are shown to two decimals.
    np.testing.assert_allclose(shown(rows(opened)["density range"][2])[1], expected, atol=0.0051)


def test_a_place_in_one_is_the_same_place_of_the_subject_in_the_other(opened: Opened) -> None:
    """The second sheet lies upside down, turned and moved: what is read in it must be the same spot of the scene."""
    assert opened.find("[data-linked]").get_attribute("aria-pressed") == "true"
    frames = [drawn(name).truth.films[0] for name in ("short.tif", "long.tif")]
    regions = [json.loads(one.text_content())["region"] for one in opened.find(".sheet-data").all()][::-1]
    plates = [one.bounding_box() for one in opened.find(".half .negative").all()]
    for across, down in ((0.35, 0.4), (0.6, 0.55), (0.5, 0.7)):
        x, y = plates[0]["x"] + across * plates[0]["width"], plates[0]["y"] + down * plates[0]["height"]
        opened.page.mouse.move(x, y)
        rings = opened.find(".half .cross circle:not(.ring)").all()
        there = [[float(ring.get_attribute(key)) for key in ("cx", "cy")] for ring in rings]
        offsets = []
        for film, (cx, cy), sign in zip(frames, there, (1.0, -1.0), strict=True):
            turned = math.radians(film.angle_deg)
            left, top, width, height = film.frame.frame_mm
            right, below = cx - left - width / 2, cy - top - height / 2
            offsets.append(
                [
                    sign * (right * math.cos(turned) + below * math.sin(turned)),
                    sign * (below * math.cos(turned) - right * math.sin(turned)),
                ]
            )
        # A cell of the map, and a quarter of a millimetre that the search goes in; boxes of turned frames are upright.
        np.testing.assert_allclose(offsets[0], offsets[1], atol=1.2)
    assert regions[0] != regions[1]
    assert "The same place: +" in opened.find(".both").inner_text()


def test_both_are_drawn_at_one_scale(opened: Opened) -> None:
    regions = [json.loads(one.text_content())["region"] for one in opened.find(".sheet-data").all()][::-1]
    boxes = [one.bounding_box() for one in opened.find(".half .negative").all()]
    scales = [box["width"] / region[2] for box, region in zip(boxes, regions, strict=True)]
    # A pixel of a thousand.
    np.testing.assert_allclose(scales[0], scales[1], rtol=2e-3)


def test_with_the_keyboard_both_are_read_and_swapped(opened: Opened) -> None:
    opened.find(".half .glass").first.focus()
    opened.page.keyboard.press("ArrowRight")
    first = shown(opened.find(".half .density").first.inner_text())
    opened.page.keyboard.press("Shift+ArrowDown")
    assert shown(opened.find(".half .density").first.inner_text()) != first
    opened.find("[data-swap]").press("Enter")
    assert [name.inner_text() for name in opened.find(".half .name").all()] == ["long.tif", "short.tif"]
    value = rows(opened)["density range"][2]
    assert value.startswith("\u2212")


def test_as_prints_both_change(opened: Opened) -> None:
    before = [one.get_attribute("src") for one in opened.find(".half .negative").all()]
    opened.find("[data-prints]").click()
    after = [one.get_attribute("src") for one in opened.find(".half .negative").all()]
    assert before[0] != after[0]
    assert before[1] != after[1]


@page("three.html")
def test_two_cards_are_chosen_and_different_subjects_are_not_linked(opened: Opened) -> None:
    opened.find("[data-choose]").click()
    opened.find(".card", has_text="other.tif").click()
    assert "now the second" in opened.find(".choosing").inner_text()
    opened.find(".card", has_text="short.tif").press("Enter")
    assert opened.find(".beside").is_visible()
    assert opened.find("[data-linked]").get_attribute("aria-pressed") == "false"
    box = opened.find(".half .negative").first.bounding_box()
    opened.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert opened.find(".half .reading:visible").count() == 1
    opened.page.go_back()
    assert opened.find(".cards").is_visible()
    assert not opened.find(".beside").is_visible()
    opened.find(".card", has_text="long.tif").click()
    opened.find("[data-with]:visible").click()
    opened.find(".card", has_text="short.tif").click()
    assert opened.find("[data-linked]").get_attribute("aria-pressed") == "true"


@pytest.mark.parametrize(
    "opened",
    [("pair.html", (1400, 900), "light"), ("three.html#s1+s3", (390, 844), "dark")],
    indirect=True,
    ids=["light", "phone-dark"],
)
def test_beside_each_other_without_a_fault_of_access(opened: Opened) -> None:
    assert opened.find(".beside").is_visible()
    opened.find(".half .glass").first.focus()
    opened.page.keyboard.press("ArrowRight")
    assert not faults(opened)
    assert opened.page.evaluate("document.scrollingElement.scrollWidth <= innerWidth")


def test_on_paper_only_the_two_are_there(opened: Opened) -> None:
    opened.page.emulate_media(media="print")
    assert opened.find(".half .negative").first.is_visible()
    assert opened.find(".differences").is_visible()
    assert not opened.find(".sheet").first.is_visible()


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("short", "short.tif"), "are the same"),
        (("short", "gone.tif"), "no reading of gone.tif"),
        (("1", "short"), "are the same"),
    ],
)
def test_what_cannot_be_compared_is_said(
    pages: Path, names: tuple[str, str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    book = ["--notebook", str(pages / "book.sqlite")]
    assert run(["report", str(pages / "no.html"), "--compare", *names, *book]) == 2
    assert told in " ".join(capsys.readouterr().err.split())
    assert not (pages / "no.html").exists()
