"""The evening of docs/evening.md, played on the desk: its figures are those of the commands to the last digit."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from densiscan.cli.app import run
from tests.desk.in_browser import chromium, desk_page

if TYPE_CHECKING:
    import pytest
    from playwright.sync_api import Page


COMMANDS = {
    "paper": "paper print.tif --wedge wedge.csv --exposure 12 --fixed 5,49,10,10 --name old-box",
    "print": "print mill.tif --paper old-box",
    "finished": "finished mill-print.tif --paper old-box --negative mill.tif --exposure 10",
    "next": "print lane.tif --paper old-box --right-negative mill.tif --right-time 10",
}


def calibrate(page: Page, scan: str, densities: Path, name: str, *, reflection: bool) -> None:
    page.goto("/scanner")
    page.locator("[data-wedge] [name=scan]").select_option(label=scan)
    page.locator("[data-wedge] [name=wedge]").fill(densities.read_text(encoding="utf-8"))
    if reflection:
        page.get_by_label("it is a print, read by reflection").check()
    page.get_by_role("button", name="find the steps").click()
    page.locator(".found-steps .say", has_text="Is this right?").wait_for()
    page.locator(".found-steps [name=name]").fill(name)
    page.get_by_role("button", name="keep this calibration").click()
    page.locator(".outcome .said", has_text=f"{name}.json").wait_for()


def answered(page: Page, button: str) -> str:
    """Press a button and return what the desk answers."""
    page.evaluate("document.querySelector('.outcome').hidden = true")
    page.get_by_role("button", name=button).click()
    page.locator(".outcome .told").wait_for()
    return page.locator(".outcome .told").inner_text()


def lines_of(text: str) -> list[str]:
    return [line.rstrip() for line in text.strip().splitlines()]


def test_the_evening_gives_the_figures_of_the_commands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "typed" / "book.sqlite"))
    (tmp_path / "typed").mkdir()
    scans = tmp_path / "scans"
    scans.mkdir()
    monkeypatch.chdir(scans)
    assert run(["practice", "--for", "paper"]) == 0
    for line in (
        "calibrate wedge.tif --densities wedge.csv --name film",
        "calibrate gray.tif --reflection --densities gray.csv --name prints",
    ):
        assert run(line.split()) == 0
    typed: dict[str, list[str]] = {}
    for name, line in COMMANDS.items():
        capsys.readouterr()
        assert run(line.split()) == 0
        typed[name] = lines_of(capsys.readouterr().out)
    capsys.readouterr()
    assert run(["measure", "mill.tif", "--calibration", "film"]) == 0
    measured = capsys.readouterr().out
    book = tmp_path / "clicked" / "book.sqlite"
    book.parent.mkdir()
    with chromium() as browser, desk_page(browser, str(scans), "--notebook", str(book)) as page:
        clicked = evening(page, scans)
        page.goto("/")
        page.locator(".card", has_text="mill.tif").click()
        page.get_by_text("Figures and their uncertainty").click()
        figures = page.locator(".figures tbody").inner_text()
    assert clicked == typed
    densities = re.findall(r"\d\.\d\d ± \d\.\d\d", measured)
    assert len(densities) == 6
    assert sorted(re.findall(r"\d\.\d\d ± \d\.\d\d", figures)) == sorted(densities)


def evening(page: Page, scans: Path) -> dict[str, list[str]]:
    """Play the evening and return what was answered to each step of it."""
    calibrate(page, "wedge.tif", scans / "wedge.csv", "film", reflection=False)
    calibrate(page, "gray.tif", scans / "gray.csv", "prints", reflection=True)
    clicked = {}
    page.goto("/papers")
    test = page.locator("[data-act='/papers/test']")
    test.locator("[name=name]").fill("old-box")
    test.locator("[name=wedge]").fill((scans / "wedge.csv").read_text(encoding="utf-8"))
    test.locator("[name=scan]").select_option(label="print.tif")
    test.locator("[name=exposure]").fill("12")
    test.locator("[name=fixed]").fill("5,49,10,10")
    clicked["paper"] = lines_of(answered(page, "test and keep"))
    how = page.locator("[data-act='/papers/print']")
    how.locator("label", has_text="mill.tif").locator("input").check()
    how.locator("[name=paper]").select_option("old-box")
    clicked["print"] = lines_of(answered(page, "say how to print"))
    right = page.locator("[data-act='/papers/finished']")
    right.locator("[name=scan]").select_option(label="mill-print.tif")
    right.locator("[name=paper]").select_option("old-box")
    right.locator("[name=negative]").select_option(label="mill.tif")
    right.locator("[name=exposure]").fill("10")
    clicked["finished"] = lines_of(answered(page, "say what to change"))
    how.locator("label", has_text="mill.tif").locator("input").uncheck()
    how.locator("label", has_text="lane.tif").locator("input").check()
    how.locator("[name=right-negative]").select_option(label="mill.tif")
    how.locator("[name=right-time]").fill("10")
    clicked["next"] = lines_of(answered(page, "say how to print"))
    return clicked
