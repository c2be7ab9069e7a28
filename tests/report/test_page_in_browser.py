"""Real pages in a real browser: moved over, clicked, sorted, typed at, read back, and searched for faults of access.

They need Debian's chromium and two packages of the `dev` extra, and are skipped where one is not there.
"""

from __future__ import annotations

import json
import math
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from densiscan.cli import arguments
from densiscan.cli.app import run
from tests.support.browsing import Opened, faults, listen, shown

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
HOSTILE = (
    "<img src=x onerror=alert(1)>.tif",
    "\u202egnp.evitagen\u202c.tif",
    "שלילי 📷 ネガ.tif",
)
DESKTOP, PHONE = (1200, 900), (390, 800)
ROUNDING = 0.005 + 1e-9
"""What a figure shown to two decimals may differ from its own."""

CELLS = 0.012
"""What the cells of the map may make of the pixels of a spot, in an ordinary picture."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with one page of one negative, one of many, and what the commands printed of them."""
    place = tmp_path_factory.mktemp("pages")
    scans = place / "scans"
    scans.mkdir()
    for name in ("normal.tif", "thin.tif", "dense.tif", "underdeveloped.tif", "leak.tif"):
        shutil.copy(SAMPLES / name, scans)
    for name in HOSTILE:
        shutil.copy(SAMPLES / "normal.tif", scans / name)
    (scans / "<b>broken.tif").write_bytes(b"II*\0nothing")
    wedge = ["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv")]
    assert run([*wedge, "--out", str(place / "cal.json")]) == 0
    return place


def measured(folder: Path, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    capsys.readouterr()
    run(["measure", *words, "--calibration", str(folder / "cal.json"), "--json"])
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


@pytest.fixture(scope="module")
def pages(folder: Path) -> Path:
    calibration = ["--calibration", str(folder / "cal.json")]
    one = [str(folder / "scans" / "leak.tif"), "--spot", "30,40", "--paper-range", "95"]
    assert run(["measure", *one, *calibration, "--report", str(folder / "one.html")]) == 0
    assert run(["measure", str(folder / "scans"), *calibration, "--report", str(folder / "many.html")]) == 1
    book = ["--notebook", str(folder / "notebook.sqlite")]
    for time, extent in (("8:00", "0.95"), ("10:00", "1.1")):
        facts = ["--film", "<b>Pan</b>", "--developer", "Powder", "--time", time, "--temp", "20"]
        assert run(["run", "add", *facts, "--density-range", extent, *book]) == 0
    thin = str(folder / "scans" / "thin.tif")
    assert run(["measure", thin, *calibration, "--run", "2", *book]) == 0
    assert run(["report", str(folder / "notebook.html"), *book]) == 0
    return folder


@pytest.fixture
def opened(browser: Browser, pages: Path, request: pytest.FixtureRequest) -> Iterator[Opened]:
    """Open a page without a network; at the end nothing may have gone wrong and nothing been asked for."""
    given: tuple[str, dict[str, Any]] = getattr(request, "param", ("one.html", {}))
    name, asked = given
    size = asked.get("size", DESKTOP)
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        offline=True,
        color_scheme=asked.get("scheme", "light"),
        has_touch=asked.get("touch", False),
        java_script_enabled=asked.get("script", True),
    )
    page = context.new_page()
    seen = Opened(page=page)
    address = (pages / name).as_uri()
    listen(page, seen.wrong, address)
    page.goto(address + asked.get("at", ""))
    yield seen
    wrong = list(seen.wrong)
    context.close()
    assert not wrong


def many(**asked: Any) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("opened", [("many.html", asked)], indirect=True, ids=["many"])


def one(**asked: Any) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("opened", [("one.html", asked)], indirect=True, ids=["one"])


def reading_of(opened: Opened) -> tuple[float, float, float, float, float, float]:
    """Return x, y, density and its uncertainty, net and its uncertainty, as shown at the place that is read."""
    x, y = shown(opened.text(".reading .place"))
    density, doubt = shown(opened.text(".reading .density"))
    net, net_doubt = shown(opened.text(".reading .net"))
    return x, y, density, doubt, net, net_doubt


def point_at(opened: Opened, across: float, down: float) -> None:
    box = opened.find(".negative:visible").first.bounding_box()
    opened.page.mouse.move(box["x"] + across * box["width"], box["y"] + down * box["height"])


def test_what_is_read_under_the_pointer_is_what_spot_reads(
    opened: Opened, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    read = []
    for across, down in ((0.2, 0.3), (0.5, 0.5), (0.71, 0.62), (0.04, 0.5)):
        point_at(opened, across, down)
        read.append(reading_of(opened))
    spots = [word for x, y, *_ in read for word in ("--spot", f"{x:g},{y:g}")]
    document = measured(folder, capsys, str(folder / "scans" / "leak.tif"), *spots)["readings"][0]
    for (_, _, density, doubt, net, net_doubt), spot in zip(read, document["spots"], strict=True):
        np.testing.assert_allclose(density, spot["density"]["value"], atol=ROUNDING + CELLS)
        np.testing.assert_allclose(net, spot["net"]["value"], atol=ROUNDING + CELLS)
        # Drawn out between twelve densities, with the usual grain and glare in place of the spot's own.
        np.testing.assert_allclose(doubt, spot["density"]["uncertainty"], atol=ROUNDING + 0.008)
        np.testing.assert_allclose(net_doubt, spot["net"]["uncertainty"], atol=ROUNDING + 0.01)


def unfolded(opened: Opened, heading: str) -> Any:
    """Open what is folded below the picture and return it."""
    part = opened.find("details", has=opened.page.get_by_role("heading", name=heading)).first
    part.locator("summary").click()
    return part


def test_the_verdict_leads_with_the_leak_and_says_what_to_do(opened: Opened) -> None:
    assert (
        opened.find("h1").inner_text()
        == "Light leak at the bottom edge. Otherwise fine: keep the time, print on grade 2."
    )
    box = opened.find("h1").bounding_box()
    assert box["y"] + box["height"] < 200
    assert opened.find(".verdict .mark").get_attribute("aria-label") == "needs attention"


def test_a_finding_shows_its_place_and_its_place_shows_it(opened: Opened) -> None:
    button = opened.find("button[data-finding]").first
    button.click()
    assert button.get_attribute("aria-pressed") == "true"
    assert opened.find(".found.chosen").count() == 1
    opened.find(".found .finding").first.dispatch_event("click")
    assert button.get_attribute("aria-pressed") == "false"
    opened.find(".found .finding").first.dispatch_event("click")
    assert button.get_attribute("aria-pressed") == "true"


def test_closer_and_split_read_the_same_place(opened: Opened) -> None:
    """Zooming moves the picture under the pointer, never the reading of a place."""
    point_at(opened, 0.4, 0.4)
    before = reading_of(opened)
    opened.find(".glass").first.focus()
    opened.page.mouse.wheel(0, -400)
    point_at(opened, 0.4, 0.4)
    # The wheel zooms about the pointer: the same place but for one cell of the map.
    np.testing.assert_allclose(reading_of(opened)[:2], before[:2], atol=0.3)
    assert "scale" in str(opened.find(".plate").get_attribute("style"))
    for _ in range(3):  # e times closer by the wheel, and back
        opened.find('[data-zoom="0.667"]').click()
    divider = opened.page.get_by_role("slider")
    assert divider.get_attribute("aria-valuenow") == "50"
    divider.press("ArrowLeft")
    assert divider.get_attribute("aria-valuenow") == "45"
    divider.press("Home")
    assert "0%" in str(opened.find(".printed").get_attribute("style"))


def test_side_by_side_the_print_is_read_like_the_negative(opened: Opened) -> None:
    opened.find("[data-apart]").click()
    places = []
    for which in (".negative", ".printed"):
        box = opened.find(which).first.bounding_box()
        opened.page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 0.6 * box["height"])
        places.append(reading_of(opened))
    np.testing.assert_allclose(places[0][:3], places[1][:3], atol=0.3)


def test_a_marked_place_has_a_name_and_stops_to_the_pointer(opened: Opened) -> None:
    point_at(opened, 0.5, 0.5)
    assert opened.find(".spots tbody tr").count() == 1, "looking marks nothing"
    opened.find(".spots input").first.fill("porch")
    assert opened.find(".kept text").first.text_content() == "porch"
    point_at(opened, 0.4, 0.5)
    relation = opened.text(".reading .relation")
    assert "porch" in relation
    assert "zone" in relation
    density = reading_of(opened)[2]
    porch = shown(opened.find(".spots tbody td").first.inner_text())[0]
    stops = re.search(r"([\d.]+) stops", relation)
    if stops is not None:
        np.testing.assert_allclose(float(stops[1]), abs(density - porch) / math.log10(2.0), atol=0.05 + 0.04)


def test_the_figures_are_those_of_the_json(opened: Opened, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = measured(folder, capsys, str(folder / "scans" / "leak.tif"), "--paper-range", "95")["readings"][0]
    rows = {
        row.locator("th").inner_text().split("\n")[0]: row.locator("td").all_inner_texts()
        for row in unfolded(opened, "Figures and their uncertainty").locator("tbody tr").all()
    }
    for field_, net in (
        ("base_plus_fog", None),
        ("shadow", "net_shadow"),
        ("highlight", "net_highlight"),
        ("density_range", None),
    ):
        cells = rows[field_.replace("_", " ")]
        for name, cell in ((field_, cells[0]), (net, cells[1])):
            if name is not None:
                expected = document[name]["value"], max(document[name]["uncertainty"], 0.01)
                np.testing.assert_allclose(shown(cell), expected, atol=ROUNDING)
    for part in ("exposure", "development"):
        assert document[part]["reason"] in opened.text(".todo")
    assert document["paper"]["note"] in opened.text(".todo")
    for finding, told in zip(document["findings"], opened.find(".findings button").all_inner_texts(), strict=True):
        assert told.startswith(finding["message"])


def test_a_spot_of_the_command_stands_there_with_its_own_figures(
    opened: Opened, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = measured(folder, capsys, str(folder / "scans" / "leak.tif"), "--spot", "30,40")["readings"][0]
    cells = opened.find(".spots tbody tr").first.locator("td").all_inner_texts()
    spot = document["spots"][0]
    assert opened.find(".spots input").first.get_attribute("placeholder") == "30, 40 mm"
    np.testing.assert_allclose(
        shown(cells[0]), [spot["density"]["value"], spot["density"]["uncertainty"]], atol=ROUNDING
    )
    np.testing.assert_allclose(shown(cells[1])[:2], [spot["net"]["value"], spot["net"]["uncertainty"]], atol=ROUNDING)


def test_with_the_keyboard_alone_spots_are_read_kept_compared_and_removed(opened: Opened) -> None:
    keyboard = opened.page.keyboard
    keyboard.press("Tab")
    assert opened.page.evaluate("document.activeElement.className") == "glass"
    keyboard.press("ArrowRight")
    start = reading_of(opened)
    keyboard.press("ArrowRight")
    keyboard.press("ArrowDown")
    near = reading_of(opened)
    # A step is a cell of the map: three pixels at 300 an inch.
    np.testing.assert_allclose([near[0] - start[0], near[1] - start[1]], 0.254, atol=0.011)
    keyboard.press("Enter")
    keyboard.press("Shift+ArrowUp")
    far = reading_of(opened)
    # In steps of 5 mm, as near as whole cells come.
    np.testing.assert_allclose(near[1] - far[1], 5.0, atol=0.15)
    keyboard.press("Space")
    assert opened.find(".spots tbody tr").count() == 3
    told = shown(opened.text(".difference"))
    np.testing.assert_allclose(told[0], far[2] - near[2], atol=2 * ROUNDING)
    # The stops come from the difference before it is rounded.
    np.testing.assert_allclose(told[2], abs(far[2] - near[2]) / math.log10(2.0), atol=0.05 + 2 * ROUNDING / 0.301)
    opened.find(".from").select_option(index=0)
    first = shown(opened.find(".spots tbody tr").first.locator("td").nth(0).inner_text())[0]
    np.testing.assert_allclose(shown(opened.text(".difference"))[0], far[2] - first, atol=2 * ROUNDING)
    opened.page.get_by_role("button", name="remove place 1").press("Enter")
    assert opened.find(".spots tbody tr").count() == 2
    assert "mm" in opened.text(".spoken")


def test_clicked_spots_are_copied_as_text_and_as_options(
    opened: Opened, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    box = opened.find(".glass").first.bounding_box()
    for across, down in ((0.3, 0.4), (0.6, 0.7)):
        opened.page.mouse.dblclick(box["x"] + across * box["width"], box["y"] + down * box["height"])
    opened.find('[data-copy="text"]').click()
    text = opened.find(".copied textarea").input_value()
    lines = text.split("\n")
    assert lines[0] == "leak.tif, calibration cal, 1 mm aperture"
    assert [line.split(":")[0] for line in lines[1:]] == ["1", "2", "3", "place 2 to place 3"]
    opened.find('[data-copy="options"]').click()
    options = opened.find(".copied textarea").input_value().split()
    assert options[0::2] == ["--spot"] * 3
    places = arguments.places(options[1::2], "--spot")
    assert places[0] == (30.0, 40.0)
    spots = measured(folder, capsys, str(folder / "scans" / "leak.tif"), *options)["readings"][0]["spots"]
    for line, spot, place in zip(lines[1:4], spots, places, strict=True):
        _, x, y, density, _, net, _ = shown(line)
        np.testing.assert_allclose([x, y], place, atol=1e-9)
        np.testing.assert_allclose(
            [density, net], [spot["density"]["value"], spot["net"]["value"]], atol=ROUNDING + CELLS
        )


@one(touch=True, size=PHONE)
def test_a_touch_reads_above_the_finger_and_marks_nothing(opened: Opened) -> None:
    glass = opened.find(".glass").first
    glass.scroll_into_view_if_needed()
    box = glass.bounding_box()
    opened.page.touchscreen.tap(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    x, y, *_ = reading_of(opened)
    region = json.loads(opened.text(".sheet-data"))["region"]
    # The middle of the picture, to a cell.
    np.testing.assert_allclose([x, y], [region[0] + region[2] / 2, region[1] + region[3] / 2], atol=0.3)
    tag = opened.find(".reading").bounding_box()
    assert tag["y"] + tag["height"] < box["y"] + 0.5 * box["height"] - 30
    assert tag["x"] >= 0
    assert tag["x"] + tag["width"] <= PHONE[0]
    assert opened.find(".spots tbody tr").count() == 1
    opened.find('[data-move="1 0"]').tap()
    assert reading_of(opened)[0] > x
    opened.find("[data-keep]").tap()
    assert opened.find(".spots tbody tr").count() == 2


def test_a_place_beyond_the_calibration_is_only_a_limit(opened: Opened) -> None:
    box = opened.find(".negative").first.bounding_box()
    opened.page.mouse.move(box["x"] + 2, box["y"] + 2)
    assert opened.text(".reading .density") == "at most 0.05"
    assert "lighter than the calibration" in opened.text(".limit")
    point_at(opened, 0.5, 0.5)
    assert opened.text(".limit") == ""


def test_the_profile_follows_the_place(opened: Opened) -> None:
    before = opened.find(".profile .line").get_attribute("points")
    point_at(opened, 0.5, 0.2)
    assert opened.find(".profile .line").get_attribute("points") != before
    assert f"y {reading_of(opened)[1]:g} mm" in opened.text(".height")
    # Where the line marks the place, the profile has the density that is shown.
    begin, per_mm, bottom, per_unit = map(float, opened.find("svg[data-scale]").get_attribute("data-scale").split())
    left = float(opened.find("svg[data-scale]").get_attribute("data-left"))
    points = [point.split(",") for point in opened.find(".profile .line").get_attribute("points").split()]
    x, _, density, *_ = reading_of(opened)
    nearest = min(points, key=lambda point: abs(float(point[0]) - left - (x - begin) * per_mm))
    np.testing.assert_allclose((float(nearest[1]) - bottom) / per_unit, density, atol=0.02)


@many()
def test_the_table_sorts_by_every_column_and_begins_with_what_stands_out(
    opened: Opened, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = measured(folder, capsys, str(folder / "scans"))
    by_name = {reading["file"]: reading for reading in document["readings"]}
    unfolded(opened, "All figures as a table")

    def names() -> list[str]:
        return [cell.inner_text().strip() for cell in opened.find(".sortable tbody th bdi").all()]

    assert len(names()) == len(by_name)
    distances = [float(cell.get_attribute("data-by")) for cell in opened.find(".sortable tbody td:nth-child(2)").all()]
    assert distances == sorted(distances, reverse=True)
    for heading, name in (("range", "density_range"), ("highlight", "highlight"), ("base + fog", "base_plus_fog")):
        button = opened.page.get_by_role("button", name=heading, exact=True)
        for falling in (False, True):
            button.press("Enter")
            values = [by_name[shown_name][name]["value"] for shown_name in names()]
            assert values == sorted(values, reverse=falling), (heading, falling)
            assert button.locator("..").get_attribute("aria-sort") == ("descending" if falling else "ascending")
        cells = opened.find(".sortable tbody tr").first.locator("td").all_inner_texts()
        assert any(abs(shown(cell)[0] - values[0]) <= ROUNDING for cell in cells if "±" in cell)
    assert "largest first" in opened.text(".sorted")
    opened.page.get_by_role("button", name="negative", exact=True).click()
    assert sorted(names()) == sorted(by_name)


@many()
def test_hostile_names_are_text_and_run_nothing(opened: Opened) -> None:
    for name in HOSTILE:
        assert opened.page.get_by_text(name, exact=True).count() >= 1, name
    assert "<b>broken.tif" in opened.text("section[aria-labelledby=failed]")
    assert opened.find("b").count() == 0
    assert opened.find("img:not([src^='data:'])").count() == 0
    for number in range(1, opened.find(".sheet").count() + 1):
        opened.page.evaluate(f"location.hash = 's{number}'")
        assert opened.find(f"#s{number}[data-ready]").is_visible()
    assert opened.find(".sheet[data-ready]").count() == opened.find(".sheet").count()


@many()
def test_a_card_says_the_worst_first_and_leads_to_its_negative_and_back(opened: Opened) -> None:
    cards = opened.find(".cards > li:visible")
    assert cards.count() == opened.find(".sheet").count()
    assert "Under by at least 2.7 stops" in cards.first.inner_text()
    assert "Light leak" in cards.nth(1).inner_text()
    opened.find('[data-filter="look"]').click()
    assert opened.find(".cards > li:visible").count() == 4
    opened.find('[data-filter="all"]').click()
    opened.find("[data-order]").select_option("name")
    names = [card.locator("bdi").inner_text().split(" · ")[1] for card in opened.find(".cards > li").all()]
    plain = [name for name in names if name.isascii() and name[0].isalpha()]
    assert plain == sorted(plain)
    opened.find(".card", has_text="thin.tif").click()
    assert opened.find(".sheet:visible").count() == 1
    assert opened.find(".sheet:visible h2").first.inner_text().startswith("Underexposed")
    assert not opened.find(".cards").is_visible()
    opened.page.go_back()
    assert opened.find(".cards").is_visible()


@many()
def test_the_top_of_a_folder_counts_what_it_has(opened: Opened) -> None:
    assert opened.find("h1").inner_text() == (
        "8 negatives: 4 fine, 1 underexposed by at least 2.7 stops, 1 with a light leak, 1 flat, "
        "1 overexposed by about 3.5 stops; 1 not measured."
    )


@many()
def test_a_name_in_the_table_opens_its_negative(opened: Opened) -> None:
    unfolded(opened, "All figures as a table")
    link = opened.find(".sortable a", has_text="thin.tif")
    target = link.get_attribute("href")
    link.press("Enter")
    box = opened.find(f"{target} .glass").first.bounding_box()
    opened.page.mouse.move(box["x"] + 50, box["y"] + 50)
    assert opened.find(f"{target} .reading .density").inner_text() != ""


def test_two_hundred_negatives_would_make_a_page_under_forty_megabytes(pages: Path) -> None:
    shown_ones = 5 + len(HOSTILE)
    assert (pages / "many.html").stat().st_size / shown_ones * 200 < 40e6
    assert (pages / "one.html").stat().st_size < 1.5e6


def test_the_policy_stops_what_would_come_from_outside_and_what_would_run(browser: Browser, pages: Path) -> None:
    page = browser.new_page()
    page.goto((pages / "one.html").as_uri())
    page.evaluate(
        """() => {
        window.stopped = [];
        document.addEventListener("securitypolicyviolation", (told) => window.stopped.push(told.effectiveDirective));
        document.body.insertAdjacentHTML("beforeend", "<img src=x.png onerror='window.hit = 1'>");
        const script = document.createElement("script");
        script.textContent = "window.hit = 2";
        document.body.append(script);
        fetch("other.html").catch(() => {});
        }"""
    )
    page.wait_for_function("window.stopped.length >= 3")
    assert page.evaluate("window.hit") is None
    assert {"img-src", "connect-src"} <= set(page.evaluate("window.stopped"))
    page.close()


FAULTS = [
    pytest.param((name, {"scheme": scheme, "size": size}), id=f"{name[:-5]}-{scheme}-{size[0]}")
    for name, scheme, size in (
        ("one.html", "light", DESKTOP),
        ("one.html", "dark", PHONE),
        ("many.html", "light", PHONE),
        ("many.html", "dark", DESKTOP),
        ("notebook.html", "dark", PHONE),
    )
]


@pytest.mark.parametrize("opened", FAULTS, indirect=True)
def test_no_serious_fault_of_access_and_nothing_wider_than_the_screen(opened: Opened) -> None:
    assert not faults(opened)
    if opened.find(".card").count():
        opened.find(".card").first.click()
    point_at(opened, 0.5, 0.5)
    opened.find("[data-keep]:visible").click()
    opened.find("[data-keep]:visible").click()
    opened.find('[data-copy="text"]:visible').click()
    for summary in opened.find("summary:visible").all():
        summary.click()
    assert not faults(opened)
    assert opened.page.evaluate("document.scrollingElement.scrollWidth <= innerWidth")


def test_it_prints_to_a_clean_page(opened: Opened) -> None:
    opened.find("[data-keep]").click()
    opened.page.emulate_media(media="print", color_scheme="dark")
    for gone in (".keys", ".how", ".copy", ".reading"):
        assert not opened.find(gone).first.is_visible(), gone
    for stays in (".glass img", ".printed", ".spots", ".todo", ".chart", ".note"):
        assert opened.find(stays).first.is_visible(), stays
    assert opened.page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert opened.page.evaluate("getComputedStyle(document.body).color") == "rgb(32, 31, 28)"


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_on_paper_a_negative_has_one_page(opened: Opened, size: str) -> None:
    printed = opened.page.pdf(format=size)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    opened.page.emulate_media(media="print")
    note, marks, picture = (
        opened.find(one).first.bounding_box() for one in (".note", ".bench .marks", ".bench .negative")
    )
    # Room for three lines by hand, 27 mm at 96 pixels an inch.
    assert note["height"] > 100
    # What is marked lies on the negative alone, not on the print beside it.
    np.testing.assert_allclose(
        [marks[side] for side in ("x", "width")], [picture[side] for side in ("x", "width")], atol=2
    )


@pytest.mark.parametrize("opened", [("many.html", {"at": "#s2"})], indirect=True, ids=["many"])
def test_an_address_leads_to_one_negative(opened: Opened) -> None:
    assert opened.find(".sheet:visible").count() == 1
    assert opened.find("#s2").is_visible()
    assert not opened.find(".cards").is_visible()
    point_at(opened, 0.5, 0.5)
    assert opened.find("#s2 .reading").is_visible()


@pytest.mark.parametrize("opened", [("notebook.html", {"scheme": "dark"})], indirect=True, ids=["notebook"])
def test_figures_of_the_notebook_take_the_inks_of_the_page(opened: Opened) -> None:
    figure = opened.find(".figure").first
    assert figure.is_visible()
    assert figure.get_attribute("aria-label") == "<b>Pan</b> in Powder"
    inks = opened.page.evaluate(
        """() => [...document.querySelectorAll(".figure text")].map((text) => getComputedStyle(text).fill)"""
    )
    # The light inks of the page on its dark paper: text, soft, and the aim.
    assert set(inks) == {"rgb(236, 232, 222)", "rgb(176, 171, 159)", "rgb(239, 154, 108)"}


@one(script=False)
def test_without_script_figures_and_pictures_are_there(opened: Opened) -> None:
    assert opened.find(".glass .negative").is_visible()
    assert opened.find(".glass .printed").is_visible()
    assert "±" in opened.text(".figures")
    assert shown(opened.find(".spots tbody th").first.inner_text()) == [30, 40]
