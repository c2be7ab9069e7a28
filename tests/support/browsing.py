"""What tests open pages with in a real browser, and what such a page may not do."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

FLAGS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


def chromium() -> Iterator[Browser]:
    """Start Debian's chromium and end it; skip the test where it, or a package that drives it, is not there."""
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("chromium is not installed, so no page was opened in it")
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no page was opened")
    pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    with api.sync_playwright() as playwright:
        # A user-data folder of its own is made for each start.
        browser = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Opened:
    """A page in the browser, and everything that it did that it should not."""

    page: Page
    wrong: list[str] = field(default_factory=list)

    def find(self, selector: str, **asked: Any) -> Any:
        return self.page.locator(selector, **asked)

    def text(self, selector: str) -> str:
        return str(self.page.locator(selector).first.text_content())


def listen(page: Any, wrong: list[str], address: str) -> None:
    """Note everything that a page says, asks or fetches."""

    def asked_for(request: Any) -> None:
        if request.url.split("#", maxsplit=1)[0] != address:
            wrong.append(f"request: {request.url}")

    def dialog(box: Any) -> None:
        wrong.append(f"dialog: {box.message}")
        box.dismiss()

    page.on("console", lambda message: wrong.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: wrong.append(f"error: {error}"))
    page.on("dialog", dialog)
    page.on("request", asked_for)


def shown(text: str) -> list[float]:
    """Return the numbers of a text as they are shown."""
    return [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", text)]


def faults(opened: Opened) -> list[Any]:
    """Return what axe finds of level A or AA."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    found = axe.Axe().run(opened.page).response["violations"]
    return [(fault["id"], [node["target"] for node in fault["nodes"][:3]]) for fault in found if _serious(fault)]


def _serious(fault: dict[str, Any]) -> bool:
    return fault["impact"] in {"serious", "critical"} or bool({"wcag2a", "wcag2aa"} & set(fault["tags"]))
