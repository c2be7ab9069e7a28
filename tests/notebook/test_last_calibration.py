"""Which calibration is the last: by the date in its document, whatever happened to its file."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from densiscan.errors import WrongUseError
from densiscan.notebook.location import find_calibration, kept_calibrations, place_for_calibration

NOW = datetime(2026, 11, 1, tzinfo=UTC)


def kept(notebook: Path, name: str, created: str) -> Path:
    file = place_for_calibration(name, notebook)
    file.write_text(json.dumps({"created": created, "mode": "transmission"}))
    return file


def test_the_times_of_files_say_nothing(tmp_path: Path) -> None:
    book = tmp_path / "notebook.sqlite"
    new = kept(book, "new", "2026-03-01T10:00:00+00:00")
    old = kept(book, "old", "2019-03-01T10:00:00")
    damaged = kept(book, "damaged", "yesterday")
    os.utime(new, (0, 0))
    assert [one.file for one in kept_calibrations(book)] == [new, old, damaged]
    assert find_calibration(None, book, now=NOW) == new


def test_one_from_the_future_is_used_only_when_named(tmp_path: Path) -> None:
    book = tmp_path / "notebook.sqlite"
    later = kept(book, "later", (NOW + timedelta(days=30)).isoformat())
    with pytest.raises(WrongUseError):
        find_calibration(None, book, now=NOW)
    new = kept(book, "new", "2026-03-01T10:00:00+00:00")
    assert find_calibration(None, book, now=NOW) == new
    assert find_calibration("later", book, now=NOW) == later
