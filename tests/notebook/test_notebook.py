"""Where things are kept, what a person types, and files that are written whole."""

from __future__ import annotations

import json
import math
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.cli import arguments
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.files.atomic import write_whole
from densiscan.notebook import location

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


def kept(book: Path, name: str, created: str, mode: str = "transmission") -> Path:
    place = location.place_for_calibration(name, book)
    place.write_text(json.dumps({"created": created, "mode": mode}))
    return place


def test_the_last_calibration_goes_by_the_date_in_it(tmp_path: Path) -> None:
    """A check that is kept, a copy, a restored backup move the times of files, not which calibration is the last."""
    book = tmp_path / "notebook.sqlite"
    new = kept(book, "new", "2026-05-20T10:00:00+00:00")
    old = kept(book, "old", "2019-05-20T10:00:00+00:00")
    for_prints = kept(book, "prints", "2026-05-25T10:00:00+00:00", "reflection")
    os.utime(new, (1, 1))
    os.utime(old, (4e9, 4e9))
    assert location.find_calibration(None, book, now=NOW) == new
    assert location.find_calibration(None, book, now=NOW, mode="reflection") == for_prints
    assert [one.name for one in location.kept_calibrations(book)] == ["prints", "new", "old"]


def test_a_calibration_from_the_future_is_used_only_by_name(tmp_path: Path) -> None:
    book = tmp_path / "notebook.sqlite"
    future = kept(book, "future", "2031-01-01T00:00:00+00:00")
    with pytest.raises(WrongUseError, match="dated in the future"):
        location.find_calibration(None, book, now=NOW)
    now_one = kept(book, "now", "2026-05-20T10:00:00")
    assert location.find_calibration(None, book, now=NOW) == now_one
    assert location.find_calibration("future", book, now=NOW) == future


def test_a_name_mistyped_is_answered_by_the_one_close_to_it(tmp_path: Path) -> None:
    book = tmp_path / "notebook.sqlite"
    kept(book, "mine", "2026-05-20T10:00:00+00:00")
    with pytest.raises(WrongUseError, match=r'no calibration called "min", .*did you mean "mine"'):
        location.find_calibration("min", book, now=NOW)


def test_option_goes_before_environment_before_data_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(location.VARIABLE, "named.sqlite")
    assert location.notebook_file(Path("typed.sqlite")) == Path("typed.sqlite")
    assert location.notebook_file() == Path("named.sqlite")
    monkeypatch.delenv(location.VARIABLE)
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_DATA_HOME", "data")
    assert location.notebook_file() == Path("data") / "densiscan" / "notebook.sqlite"
    monkeypatch.delenv("XDG_DATA_HOME")
    monkeypatch.setenv("HOME", "home")
    assert location.notebook_file() == Path("home") / ".local" / "share" / "densiscan" / "notebook.sqlite"
    monkeypatch.setattr("sys.platform", "win32")
    monkeypatch.setenv("APPDATA", "roaming")
    assert location.notebook_file() == Path("roaming") / "densiscan" / "notebook.sqlite"


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../up", "a/b", "a\\b", " edge", "edge ", "a:b", "-x", "x" * 81, "a\nb"]
)
def test_name_that_is_no_file_name_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match="`name`"):
        location.place_for_calibration(name, tmp_path / "notebook.sqlite")


@pytest.mark.parametrize("name", ["mine", "flatbed-600", "négatifs 4x5", "v1.2_b"])
def test_named_calibration_lies_beside_the_notebook(name: str, tmp_path: Path) -> None:
    book = tmp_path / "kept" / "notebook.sqlite"
    place = location.place_for_calibration(name, book)
    assert place == tmp_path / "kept" / "calibrations" / f"{name}.json"
    place.write_text("{}")
    assert location.find_calibration(name, book, now=NOW) == place
    assert location.find_calibration(None, book, now=NOW) == place


def test_folder_that_cannot_be_made_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(DensiscanError, match="cannot be made"):
        location.place_for_calibration("mine", tmp_path / "file" / "notebook.sqlite")


def test_file_goes_before_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("mine").write_text("{}")
    assert location.find_calibration("mine", tmp_path / "notebook.sqlite", now=NOW) == Path("mine")


@given(st.tuples(*[st.floats(-500.0, 500.0)] * 2, *[st.floats(0.001, 500.0)] * 2))
def test_box_comes_back_as_typed(box: tuple[float, float, float, float]) -> None:
    read = arguments.box(",".join(str(side) for side in box), "--frame")
    assert read is not None
    assert_allclose(read, box, rtol=0, atol=0)  # text and back is exact


def test_places_keep_their_order() -> None:
    assert arguments.places(["4, 5", "1,2"], "--spot") == ((4.0, 5.0), (1.0, 2.0))
    assert arguments.places(None, "--spot") == ()
    assert arguments.box(None, "--frame") is None


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_number_out_of_reach_is_refused(value: float) -> None:
    with pytest.raises(WrongUseError, match="--aperture"):
        arguments.within(value, "--aperture", above=0.0, upto=50.0, such_as="1")


def test_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "table.csv"
    place.write_text("old")
    write_whole(place, "new\n", what="the table")
    assert place.read_text(encoding="utf-8") == "new\n"

    def full(*_: object) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(DensiscanError, match="no space left"):
        write_whole(place, "newer", what="the table")
    assert place.read_text(encoding="utf-8") == "new\n"
    assert [file.name for file in tmp_path.iterdir()] == ["table.csv"]
