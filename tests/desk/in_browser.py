"""A desk of its own, open in Chromium, whose console must stay silent."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = shutil.which("chromium")
if CHROMIUM is None:
    pytest.skip("chromium is not installed, so no page was opened in it", allow_module_level=True)
sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no page was opened")

ROOT: Final = Path(__file__).resolve().parents[2]
FLAGS: Final = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
WAIT_MS: Final = 90_000
"""A machine that is busy with other tests measures slowly."""


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """Start the browser."""
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@contextlib.contextmanager
def desk_page(browser: Browser, *words: str, **told: Any) -> Iterator[Page]:
    """Open a desk by these words of its command; at the end its page must have said nothing to the console."""
    process = subprocess.Popen(
        [sys.executable, "-m", "densiscan", "desk", *words, "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        context = browser.new_context(
            **({"viewport": {"width": 1366, "height": 800}} | told), base_url=address.split("/?")[0]
        )
        context.set_default_timeout(WAIT_MS)
        opened = context.new_page()
        wrong: list[str] = []
        opened.on("console", lambda message: wrong.append(message.text))
        opened.on("pageerror", lambda error: wrong.append(str(error)))
        opened.goto(address)
        yield opened
        context.close()
    finally:
        process.terminate()
        process.communicate(timeout=30)
    assert process.returncode == 0
    # A refused command answers with an error status, which browsers mention.
    assert [text for text in wrong if "422" not in text] == []
