"""The desk in a real browser, on practice scans: an evening by mouse and by keyboard, read back from the page."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.desk.in_browser import ROOT, WAIT_MS, chromium, desk_page, sync_api

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

axe_api = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    """Return a page of a desk with practice scans, all measured."""
    with desk_page(browser, "--practice") as opened:
        opened.locator(".cards .tick").nth(5).wait_for()
        yield opened


def faults(page: Any) -> list[Any]:
    """Return what axe finds of level A or AA."""
    found = axe_api.Axe().run(page).response["violations"]
    return [
        (fault["id"], [node["target"] for node in fault["nodes"][:3]])
        for fault in found
        if {"wcag2a", "wcag2aa"} & set(fault["tags"])
    ]


def test_the_key_is_gone_from_the_address_and_no_page_has_a_fault_of_access(page: Page) -> None:
    assert "key" not in page.url
    for place in ("/", "/runs", "/papers", "/scanner", "/dark"):
        page.goto(place)
        page.locator("main").wait_for()
        assert not faults(page), place
        page.set_viewport_size({"width": 390, "height": 844})
        assert page.evaluate("document.scrollingElement.scrollWidth") <= 390, place
        page.set_viewport_size({"width": 1366, "height": 800})


def test_the_folder_counts_what_it_has_and_a_dropped_scan_appears(page: Page, tmp_path: Path) -> None:
    page.goto("/")
    assert "1 with a light leak" in page.locator("h1").inner_text()
    assert "1 scan of a step wedge" in page.locator("h1").inner_text()
    scan = tmp_path / "dropped.tif"
    shutil.copy(ROOT / "sample_scans" / "thin.tif", scan)
    page.locator("[data-choose]").set_input_files(scan)
    card = page.locator(".card", has_text="dropped.tif")
    card.locator(".say", has_text="Under by at least 2.7 stops").wait_for()
    assert "2 underexposed" in page.locator("h1").inner_text()


def test_a_frame_is_dragged_and_moved_by_keys_and_kept_for_a_run(page: Page) -> None:
    page.goto("/")
    page.locator(".card", has_text="normal.tif").click()
    grip = page.get_by_role("button", name="right edge of the frame")
    box = grip.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 3, box["y"] + 3)
    page.mouse.down()
    page.mouse.move(box["x"] - 120, box["y"] + 3, steps=4)
    page.mouse.up()
    command = page.locator(".command-now")
    sync_api.expect(command).to_contain_text("--frame=", timeout=WAIT_MS)
    frame = page.locator("[name=frame]")
    before = float(frame.input_value().split(", ")[2])
    grip = page.get_by_role("button", name="right edge of the frame")
    grip.focus()
    grip.press("Shift+ArrowLeft")
    # With Shift a key moves it by 2 mm; the field shows a tenth.
    assert abs(float(frame.input_value().split(", ")[2]) - (before - 2.0)) < 0.11
    page.locator("[name=run]").select_option(index=1)
    page.locator("[data-keep-reading]").click()
    page.locator(".outcome .said", has_text="now counts").wait_for()
    assert "--run=" in (page.locator(".outcome .command").text_content() or "")
    page.get_by_role("button", name="take back the last change").click()
    page.locator(".outcome .said, .outcome .told", has_text=re.compile("Undone|now counts")).first.wait_for()


def test_a_run_is_logged_and_what_to_do_next_answers_the_sliders(page: Page) -> None:
    page.goto("/runs")
    say = page.locator("[data-say]")
    sync_api.expect(say).to_contain_text("at 20 °C", timeout=WAIT_MS)
    before = say.inner_text()
    warmer = page.locator("[data-advice] [name=temp]")
    warmer.focus()
    for _ in range(6):
        warmer.press("ArrowRight")
    sync_api.expect(say).to_contain_text("at 23 °C", timeout=WAIT_MS)
    # Warmer developer works faster.
    assert _seconds(say.inner_text()) < _seconds(before)
    assert page.locator("[data-curve] polyline").count() == 1
    page.locator("[data-act] [name=time]").fill("8:20")
    page.get_by_role("button", name="log this run").click()
    page.locator("td", has_text="8:20").first.wait_for()


def _seconds(said: str) -> int:
    minutes, seconds = re.findall(r"(\d+):(\d\d)", said)[0]
    return 60 * int(minutes) + int(seconds)


def test_the_wedge_is_found_shown_and_kept_under_a_name(page: Page) -> None:
    page.goto("/scanner")
    page.locator("[name=scan]").select_option(label="wedge.tif")
    page.locator("[name=wedge]").fill((ROOT / "sample_scans" / "wedge.csv").read_text(encoding="utf-8"))
    page.get_by_role("button", name="find the steps").click()
    page.locator(".found-steps .say", has_text="Is this right?").wait_for()
    assert page.locator("[data-steps] .step").count() == 21
    page.locator(".found-steps [name=name]").fill("bench")
    page.get_by_role("button", name="keep this calibration").click()
    page.locator(".outcome .said", has_text="bench").wait_for()


def test_in_the_dark_the_bath_counts_by_the_clock(page: Page) -> None:
    page.goto("/dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(0, 0, 0)"
    page.locator("[name=developer]").fill("0:03")
    page.locator("[data-start]").click()
    assert page.locator(".cue").inner_text() == "agitate"
    # Over a reload the clock goes on, and then the next bath is named.
    page.reload()
    page.locator(".cue", has_text="next is stop").wait_for()
    page.locator("[data-black]").click()
    assert page.locator(".blackness").is_visible()
    page.keyboard.press("Space")
    assert not page.locator(".blackness").is_visible()


def choose(page: Page, *names: str) -> None:
    """Choose cards, by ticking the first and dragging the others onto the tray."""
    page.goto("/")
    page.locator(".cards .tick").nth(5).wait_for()
    page.get_by_role("checkbox", name=f"choose {names[0]}").check()
    for name in names[1:]:
        page.locator(".card", has_text=name).drag_to(page.locator("[data-tray]"))
    assert page.locator(".chosen bdi").all_inner_texts() == list(names)


def test_negatives_are_kept_for_a_run_each_with_its_own_subject(page: Page) -> None:
    choose(page, "normal.tif", "underdeveloped.tif")
    page.get_by_label("subject range of underdeveloped.tif").fill("5")
    page.locator("[data-run]").select_option("11")
    page.get_by_role("button", name="keep for this run").click()
    page.locator(".outcome .said", has_text="from 3 negatives").wait_for()
    commands = (page.locator(".outcome .command").text_content() or "").splitlines()
    assert [("normal.tif" in line, "--scene-stops=5" in line) for line in commands] == [(True, False), (False, True)]
    assert all("--run=11" in line for line in commands)
    assert page.locator(".chosen li").count() == 0


def test_two_negatives_lie_side_by_side(page: Page) -> None:
    choose(page, "thin.tif", "normal.tif")
    page.get_by_role("button", name="side by side").click()
    page.locator(".beside .headline", has_text="more density range than").wait_for()
    names = page.locator(".half .name").all_inner_texts()
    assert sorted(names) == ["normal.tif", "thin.tif"]
    assert page.locator(".half .run", has_text="run 11").count() == 1
    assert not faults(page)
    page.locator(".half .glass").first.focus()
    page.keyboard.press("ArrowRight")
    assert re.match(r"\d\.\d\d", page.locator(".half .density").first.inner_text())
    page.locator(".half .name", has_text="thin.tif").click()
    page.locator(".sheet h1", has_text="Underexposed").wait_for()
    page.locator("[data-beside]").select_option(label="dense.tif")
    page.locator(".beside .name", has_text="dense.tif").wait_for()


def test_a_place_put_on_a_zone_answers_with_exposure_and_development(page: Page) -> None:
    page.goto("/")
    page.locator(".card", has_text="normal.tif").click()
    page.locator("[name=scene-stops]").fill("7")
    glass = page.locator(".glass")
    glass.scroll_into_view_if_needed()
    box = glass.bounding_box()
    assert box is not None
    for across, down in ((0.32, 0.62), (0.62, 0.34)):
        page.mouse.dblclick(box["x"] + box["width"] * across, box["y"] + box["height"] * down)
    zones = page.locator(".todo li", has_text="Zones")
    page.get_by_label("put place 1 on zone").select_option("IV")
    zones.locator(".say", has_text=re.compile(r"Give \d\.\d ± \d\.\d stops (more|less)\.$")).wait_for()
    page.get_by_label("put place 2 on zone").select_option("VII")
    zones.locator(".say", has_text="Develop N").wait_for()
    command = page.locator(".command-now").text_content() or ""
    assert command.count("--on-zone=") == 2
    assert "--scene-stops=7" in command
    page.get_by_role("button", name="remove place 1").click()
    page.get_by_role("button", name="remove place 1").click()
    zones.wait_for(state="detached")


def test_a_run_is_changed_and_its_history_told(page: Page) -> None:
    choose(page, "dense.tif")
    page.locator("[data-run]").select_option("10")
    page.get_by_role("button", name="keep for this run").click()
    page.locator(".outcome .said", has_text="Run 10 now counts").wait_for()
    page.goto("/runs")
    page.get_by_role("button", name="change run 3", exact=True).click()
    form = page.locator("[data-editing]")
    assert form.locator("[name=film]").input_value() == "Meadow-100"
    form.locator("[name=time]").fill("9:10")
    form.locator("[name=exposure-index]").fill("")
    form.get_by_role("button", name="keep the change").click()
    page.locator("tr[data-run='3'] td", has_text="9:10").wait_for()
    command = page.locator(".outcome .command").text_content()
    assert command == "densiscan run correct 3 --time=9:10 --clear=exposure-index"
    page.get_by_role("button", name="what was changed").click()
    page.locator(".outcome .told", has_text=re.compile(r"run 3 +corrected")).wait_for()
    page.get_by_role("button", name="show run 10", exact=True).click()
    page.get_by_role("button", name="take out the reading of dense.tif").click()
    page.locator(".outcome .said", has_text="Run 10 now counts").wait_for()
