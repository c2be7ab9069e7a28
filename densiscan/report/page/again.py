"""The picture of a negative that was measured before, from its scan, where that still lies where it lay."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from densiscan.batch.assessment import Assessment, Failure, measure_one
from densiscan.calibration.file import calibration_kept
from densiscan.negative.preview import OF_MANY, Sheet, SheetDetail
from densiscan.notebook.readings import KeptReading, file_sha256
from densiscan.report.page.notebook import Made

_SAME: Final = 0.002
"""Density within which a scan read again counts as read alike: two versions may differ in the last digits."""


def sheets_again(
    progress: Callable[[Path], None], folder: Path | None = None, detail: SheetDetail = OF_MANY
) -> Callable[[KeptReading, Assessment, Made], Sheet | None]:
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
    read: dict[tuple[Path, str], tuple[Assessment, ...]] = {}

    def again(kept: KeptReading, assessment: Assessment, made: Made) -> Sheet | None:
        path = assessment.path
        if folder is not None and not path.is_file():
            path = folder / path.name
        key = path, repr(made)
        if key not in read:
            read[key] = _measured(path, kept.scan_sha256, made, progress, detail)
        return next((one.sheet for one in read[key] if _alike(one, assessment)), None)

    return again


def _measured(
    path: Path, scan_sha256: str | None, made: Made, progress: Callable[[Path], None], detail: SheetDetail
) -> tuple[Assessment, ...]:
    calibration = calibration_kept(made.calibration)
    try:
        if calibration is None or made.task is None or not path.is_file() or file_sha256(path) != scan_sha256:
            return ()
    except OSError:
        return ()
    progress(path)
    outcome = measure_one(path, calibration, replace(made.task, detail=detail))
    return () if isinstance(outcome, Failure) else outcome


def _alike(now: Assessment, before: Assessment) -> bool:
    densities = [
        (getattr(now.reading, name), getattr(before.reading, name)) for name in ("base_plus_fog", "shadow", "highlight")
    ]
    return now.reading.piece == before.reading.piece and all(
        one is other if one is None or other is None else abs(one.value - other.value) <= _SAME
        for one, other in densities
    )
