"""JSON documents from anywhere: what is too large, nested without end, no number or no JSON ends in one sentence."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.calibration.file import calibration_document, read_calibration
from densiscan.calibration.trust import known_glare
from densiscan.cli.app import run
from densiscan.errors import DensiscanError
from densiscan.files.documents import TooLargeError, read_document
from densiscan.notebook.location import kept_calibrations, place_for_calibration
from densiscan.notebook.transfer import read_tables
from densiscan.wedge.wedge import read_wedge
from tests.support import made_up

HOSTILE = {
    "deep lists": b"[" * 200_000 + b"]" * 200_000,
    "deep objects": b'{"a":' * 200_000 + b"1" + b"}" * 200_000,
    "not closed": b'{"format": "densiscan.calibration/1", "steps": [',
    "no text": b"\xff\xfe\x00",
    "empty": b"",
    "not a number": b'{"residual": NaN}',
    "infinite": b"[-Infinity]",
    "huge number": b"1" + b"0" * 5000,
    "a number": b"1e999",
    "a word": b'"densiscan"',
    "null": b"null",
    "a list": b"[]",
}


@pytest.fixture(params=HOSTILE.values(), ids=list(HOSTILE))
def hostile(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    file = tmp_path / "hostile.json"
    file.write_bytes(request.param)
    return file


READERS: dict[str, Callable[[Path], Any]] = {
    "calibration": read_calibration,
    "glare": lambda file: known_glare(file, None, correct=True),
    "notebook": read_tables,
}


@pytest.mark.parametrize("read", READERS.values(), ids=READERS)
def test_hostile_documents_end_in_one_sentence(read: Callable[[Path], Any], hostile: Path) -> None:
    with pytest.raises(DensiscanError, match=r"hostile\.json") as caught:
        read(hostile)
    assert str(caught.value).endswith(".")
    assert len(str(caught.value)) < 400


def test_a_hostile_calibration_in_the_drawer_is_not_for_prints(hostile: Path) -> None:
    book = hostile.parent / "notebook.sqlite"
    place = place_for_calibration("hostile", book)
    place.write_bytes(hostile.read_bytes())
    (kept,) = kept_calibrations(book)
    assert (kept.name, kept.mode == "reflection") == ("hostile", False)


def test_a_hostile_document_of_readings_ends_in_one_sentence(hostile: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["print", str(hostile), "--paper-range", "105"]) == 1
    told = capsys.readouterr().err
    assert "is not a document of readings" in told
    assert told.count("\n") == 1


def test_a_document_of_its_size_is_read_and_no_larger_one(tmp_path: Path) -> None:
    file = tmp_path / "one.json"
    file.write_text("[1, 2]", encoding="utf-8")
    assert read_document(file, largest=6) == [1, 2]
    with pytest.raises(TooLargeError):
        read_document(file, largest=5)


plain = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**30), 10**30) | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@given(data=st.data())
def test_a_calibration_with_anything_anywhere_is_read_or_refused(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """One value somewhere in a sound calibration is replaced by anything that JSON can say."""
    document: Any = json.loads(json.dumps(calibration_document(made_up.calibration())))
    here, place = document, data.draw(st.sampled_from(sorted(document)))
    while isinstance(here[place], dict | list) and here[place] and data.draw(st.booleans()):
        here = here[place]
        place = (
            data.draw(st.sampled_from(sorted(here)))
            if isinstance(here, dict)
            else data.draw(st.integers(0, len(here) - 1))
        )
    here[place] = data.draw(plain)
    file = tmp_path_factory.mktemp("any") / "cal.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    try:
        made = read_calibration(file)
    except DensiscanError as problem:
        assert "cal.json" in str(problem)  # noqa: PT017 - either way is right
    else:
        assert made.table(255).shape == (256,)


def test_the_mark_that_an_editor_puts_before_a_text_is_passed_over(tmp_path: Path) -> None:
    file = tmp_path / "cal.json"
    file.write_text(json.dumps(calibration_document(made_up.calibration())), encoding="utf-8-sig")
    assert read_calibration(file).name == made_up.calibration().name


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="this system has no device without end")
def test_a_device_without_end_is_too_large() -> None:
    with pytest.raises(TooLargeError):
        read_document(Path("/dev/zero"), largest=1000)
    with pytest.raises(DensiscanError, match="/dev/zero is too large for a wedge file"):
        read_wedge("/dev/zero")
