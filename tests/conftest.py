"""Fixtures shared by the tests: they only build, they never assert."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Return the folder of real frames, tables and odd files, where this checkout has it beside it."""
    folder = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("the folder of real frames and odd files is not beside this checkout")
    return folder
