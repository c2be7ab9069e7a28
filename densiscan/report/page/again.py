"""The picture of a negative that was measured before, from its scan, where that still lies where it lay."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from densiscan.batch.assessment import Assessment, Failure, Task, measure_one, pictures_of
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import calibration_kept
from densiscan.errors import DensiscanError
from densiscan.negative.preview import OF_MANY, Preview, SheetDetail
from densiscan.negative.reading import Reading
from densiscan.notebook.readings import KeptReading, file_sha256
from densiscan.report.page.negative import frame_corners
from densiscan.report.page.notebook import Made

_SAME: Final = 0.002
"""Density within which a scan read again counts as read alike: two versions may differ in the last digits."""


def sheets_again(
    progress: Callable[[Path], None],
    folder: Path | None = None,
    detail: SheetDetail = OF_MANY,
    *,
    version: str,
) -> Callable[[KeptReading, Assessment, Made], Preview | None]:
    """Return a function that gives the picture and map of a kept reading; None where they cannot be had any more.

    The scan must be the same file (by its SHA-256). Where another version made the reading, the scan is measured again
    and must read again what was kept, so that the map never says something else than the figures beside it; by this
    one it is the same without that, which is three times as quick.

    Parameters
    ----------
    progress
        Told the path of each scan before it is read.
    folder
        Where to look for scans that no longer lie where they were measured.
    detail
        How much is kept of each.
    version
        This one.
    """
    read: dict[tuple[Path, str], tuple[Assessment, ...]] = {}
    same: dict[tuple[Path, str | None], bool] = {}
    calibrations: dict[str, Calibration | None] = {}

    def again(kept: KeptReading, assessment: Assessment, made: Made) -> Preview | None:
        path = assessment.path
        if folder is not None and not path.is_file():
            path = folder / path.name
        by = repr(made.calibration)
        if by not in calibrations:
            calibrations[by] = calibration_kept(made.calibration)
        calibration = calibrations[by]
        file = path, kept.scan_sha256
        if file not in same:
            same[file] = _is_same(*file)
        if calibration is None or made.task is None or not same[file]:
            return None
        if kept.version == version and assessment.wedge is None:
            progress(path)
            return _picture(path, calibration, made.task, assessment.reading, detail)
        key = path, repr(made)
        if key not in read:
            progress(path)
            outcome = measure_one(path, calibration, replace(made.task, detail=detail))
            read[key] = () if isinstance(outcome, Failure) else outcome
        return next((one.sheet for one in read[key] if _alike(one, assessment)), None)

    return again


def _is_same(path: Path, scan_sha256: str | None) -> bool:
    try:
        return path.is_file() and file_sha256(path) == scan_sha256
    except OSError:
        return False


def _picture(path: Path, calibration: Calibration, task: Task, reading: Reading, detail: SheetDetail) -> Preview | None:
    corners = frame_corners(reading)
    alone = reading.piece is None
    placed = replace(
        reading,
        frame_corners_mm=None if corners is None else tuple(corners),
        seen_mm=reading.film_mm if alone else None,
        seen_angle_deg=reading.angle_deg or 0.0,
    )
    try:
        return pictures_of(path, calibration, task, (placed,), detail)[0]
    except DensiscanError:
        return None


def _alike(now: Assessment, before: Assessment) -> bool:
    densities = [
        (getattr(now.reading, name), getattr(before.reading, name)) for name in ("base_plus_fog", "shadow", "highlight")
    ]
    return now.reading.piece == before.reading.piece and all(
        one is other if one is None or other is None else abs(one.value - other.value) <= _SAME
        for one, other in densities
    )
