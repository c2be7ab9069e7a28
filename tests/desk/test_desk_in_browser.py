"""The desk in a real browser, on practice scans: an evening by mouse and by keyboard, read back from the page."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("chromium is not installed, so no page was opened in it", allow_module_level=True)
sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no page was opened")
axe_api = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")

ROOT = Path(__file__).resolve().parents[2]
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
WAIT_MS = 90_000
"""A machine that is busy with other tests measures slowly."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    """Return a page of a desk with practice scans, all measured; it may say nothing to the console."""
    process = subprocess.Popen(
        [sys.executable, "-m", "densiscan", "desk", "--practice", "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    context = browser.new_context(viewport={"width": 1366, "height": 800}, base_url=address.split("/?")[0])
    context.set_default_timeout(WAIT_MS)
    opened = context.new_page()
    wrong: list[str] = []
    opened.on("console", lambda message: wrong.append(message.text))
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    opened.goto(address)
    opened.locator(".cards .tick").nth(5).wait_for()
    yield opened
    context.close()
    process.terminate()
    process.communicate(timeout=30)
    assert process.returncode == 0
    # A refused command answers with an error status, which browsers mention.
    assert [text for text in wrong if "422" not in text] == []


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
    page.locator("[name=time]").fill("8:20")
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
