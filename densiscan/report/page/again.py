"""The picture of a negative that was measured before, from its scan, where that still lies where it lay."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from densiscan.batch.assessment import Assessment, Failure, Task, measure_one
from densiscan.calibration.file import calibration_kept
from densiscan.errors import WrongUseError
from densiscan.negative.preview import OF_MANY, Sheet, SheetDetail
from densiscan.negative.reading import MeasureOptions
from densiscan.notebook.readings import KeptReading, file_sha256
from densiscan.report.page.notebook import Made

_SAME: Final = 0.002
"""Density within which a scan read again counts as read alike: two versions may differ in the last digits."""

_TAKEN: Final = (*("aperture_mm", "square", "trim", "frame_mm", "rebate_mm", "base_density", "base_fog", "fog_sheet"),)


def sheets_again(
    progress: Callable[[Path], None], folder: Path | None = None, detail: SheetDetail = OF_MANY
) -> Callable[[KeptReading, Made], Sheet | None]:
    """Return a function that gives the picture and map of a kept reading; None where they cannot be had any more.

    The scan must be the same file (by its SHA-256) and must read again what was kept, so that the map never says
    something else than the figures beside it.

    Parameters
    ----------
    progress
        Told the path of each scan before it is read.
    folder
        Where to look for scans that no longer lie where they were measured.
    detail
        How much is kept of each.
    """
    read: dict[tuple[str, str], tuple[Assessment, ...]] = {}

    def again(reading: KeptReading, made: Made) -> Sheet | None:
        document = reading.document or {}
        path = _where(document, folder)
        key = str(path), repr(made)
        if key not in read:
            read[key] = _measured(path, reading.scan_sha256, made, progress, detail)
        for found in read[key]:
            if found.reading.piece == reading.piece and _alike(found, document):
                return found.sheet
        return None

    return again


def _where(document: Mapping[str, Any], folder: Path | None) -> Path:
    path = Path(str(document.get("path", "")))
    return path if folder is None or path.is_file() else folder / path.name


def _measured(
    path: Path, scan_sha256: str | None, made: Made, progress: Callable[[Path], None], detail: SheetDetail
) -> tuple[Assessment, ...]:
    calibration = calibration_kept(made.calibration)
    try:
        if calibration is None or not path.is_file() or file_sha256(path) != scan_sha256:
            return ()
        task = Task(
            options=_options(made.options.get("measure", {})),
            ppi=made.options.get("ppi"),
            page=made.options.get("page"),
            detail=detail,
        )
    except (OSError, WrongUseError, TypeError, ValueError):
        return ()
    progress(path)
    outcome = measure_one(path, calibration, task)
    return () if isinstance(outcome, Failure) else outcome


def _options(kept: Mapping[str, Any]) -> MeasureOptions:
    """Return the options of a reading as far as they make a picture: lamp and glare are not kept whole."""
    given: dict[str, Any] = {name: kept[name] for name in _TAKEN if kept.get(name) is not None}
    for box in ("frame_mm", "rebate_mm"):
        if box in given:
            given[box] = tuple(given[box])
    return MeasureOptions(**given)


def _alike(assessment: Assessment, document: Mapping[str, Any]) -> bool:
    for name in ("base_plus_fog", "shadow", "highlight"):
        now, before = getattr(assessment.reading, name), document.get(name)
        if (now is None) != (before is None):
            return False
        if now is not None and before is not None and abs(now.value - before["value"]) > _SAME:
            return False
    return True
