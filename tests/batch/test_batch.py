"""Many scans: which files are taken, and that one bad scan never stops the rest."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from densiscan.arithmetic.quantity import Quantity
from densiscan.batch.assessment import Failure, PrintAim, Task, measure_one
from densiscan.batch.files import measure_files, scans_in
from densiscan.errors import MeasureError
from densiscan.negative.options import MeasureOptions
from densiscan.negative.trouble.finding import Trouble
from tests.support.made_up import assessment, calibration, density, reading

TASK = Task(options=MeasureOptions(), aim=PrintAim())


@pytest.fixture
def core(monkeypatch: pytest.MonkeyPatch) -> None:
    """The core replaced: a scan named after an error sets it off, any other holds one normal negative."""

    def measure_on(path: Path) -> Any:
        if path.stem == "bad":
            raise MeasureError(f"{path} holds no film.")
        if path.stem == "fault":
            raise IndexError("out of range")
        return (reading(file=path.name, piece=1), reading(file=path.name, piece=2))

    def open_scan(path: Path, **_: Any) -> Path:
        return path

    monkeypatch.setattr("densiscan.batch.assessment.open_scan", open_scan)
    monkeypatch.setattr("densiscan.batch.assessment.bench_for", lambda path, *_: path)
    monkeypatch.setattr("densiscan.batch.assessment.measure_on", measure_on)
    monkeypatch.setattr(
        "densiscan.batch.assessment.trouble_on", lambda _, readings, *__, **___: [Trouble() for _reading in readings]
    )


def test_folder_gives_its_image_files_by_name_and_nothing_below_it(tmp_path: Path) -> None:
    for name in ("b.TIF", "a.tiff", "c.Png", "d.jpeg", "e.jpg", "f.dng", "notes.txt", ".hidden", "g.csv"):
        (tmp_path / name).touch()
    (tmp_path / "below.tif").mkdir()
    (tmp_path / "deeper").mkdir()
    (tmp_path / "deeper" / "z.tif").touch()
    files, failures = scans_in([tmp_path])
    assert [file.name for file in files] == ["a.tiff", "b.TIF", "c.Png", "d.jpeg", "e.jpg", "f.dng"]
    assert failures == ()


def test_files_are_taken_as_named_and_empty_folders_fail(tmp_path: Path) -> None:
    named = tmp_path / "scan.xyz"
    empty = tmp_path / "empty"
    empty.mkdir()
    files, failures = scans_in([named, empty])
    assert files == (named,)
    assert [(failure.path, failure.code) for failure in failures] == [(empty, "no-scans")]
    assert str(empty) in failures[0].message


@pytest.mark.usefixtures("core")
def test_bad_scans_never_stop_the_rest() -> None:
    seen: list[tuple[int, str]] = []
    result = measure_files(
        [Path("one.tif"), Path("bad.tif"), Path("fault.tif"), Path("two.tif")],
        calibration(),
        TASK,
        progress=lambda number, path: seen.append((number, path.name)),
    )
    assert [found.reading.file for found in result.assessments] == ["one.tif"] * 2 + ["two.tif"] * 2
    assert [found.reading.piece for found in result.assessments] == [1, 2, 1, 2]
    assert [failure.code for failure in result.failures] == ["not-measurable", "fault"]
    assert seen == [(0, "one.tif"), (1, "bad.tif"), (2, "fault.tif"), (3, "two.tif")]


@pytest.mark.usefixtures("core")
def test_fault_of_our_own_is_one_sentence_with_the_trace_beside_it() -> None:
    failure = measure_one(Path("fault.tif"), calibration(), TASK)
    assert isinstance(failure, Failure)
    assert failure.message.count(".") == 2  # the file's own and the full stop
    assert "IndexError" in failure.message
    assert failure.fault is not None
    assert "out of range" in failure.fault


@pytest.mark.parametrize(
    "changes",
    [{"highlight": Quantity.at_least(2.45)}, {"highlight": Quantity(2.3), "clipped_dark": 0.05}],
    ids=["beyond the wedge", "clipped"],
)
def test_range_that_is_a_limit_is_no_reason_to_develop_longer(changes: dict[str, Any]) -> None:
    found = assessment(density_range=density(0.4), **changes)
    assert (found.development.verdict, found.development.time_factor) == ("keep", None)
    assert "longer than could be read" in found.paper.note
    assert "development-not-judged" in {warning.code for warning in found.warnings}


def test_bare_glass_is_not_taken_for_a_picture() -> None:
    # Where no frame was found the lightest part may be the glass: nothing is advised on it.
    found = assessment(frame_mm=None, base_plus_fog=None, net_shadow=None, shadow=density(0.01))
    assert {warning.code for warning in found.warnings} == {"exposure-not-judged", "development-not-judged"}
    assert (found.development.time_factor, found.paper.grade) == (None, None)


def test_cropped_picture_is_still_told_what_can_be_told() -> None:
    found = assessment(frame_mm=None, base_plus_fog=None, net_shadow=None, shadow=density(0.45))
    assert {warning.code for warning in found.warnings} == {"exposure-not-judged"}
    assert found.development.time_factor is not None
    assert found.paper.grade == "2"
