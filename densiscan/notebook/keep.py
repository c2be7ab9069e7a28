"""What a measurement leaves in the notebook: its readings, and all that they depend on."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from densiscan.batch.assessment import Assessment, PrintAim, Task
from densiscan.calibration.file import calibration_document
from densiscan.errors import NotebookError, WrongUseError
from densiscan.files.serialise import Layout, read_result
from densiscan.negative.options import MeasureOptions
from densiscan.notebook.readings import NewReading, file_sha256


def task_options(task: Task) -> dict[str, Any]:
    """Return everything but the scan and the calibration that a reading depends on, as plain JSON values.

    Two tasks that give equal values measure a scan alike in one version, whose thresholds nobody asks for. An array
    stands as the SHA-256 of its bytes.
    """
    measure = {name: value for name, value in _plain(task.options).items() if name != "limits"}
    return {"measure": measure, "aim": _plain(task.aim), "ppi": task.ppi, "page": task.page}


_LAYOUT: Final[Layout] = {
    "MeasureOptions": "aperture_mm square trim frame_mm rebate_mm base_density base_fog fog_sheet"
}


def task_kept(options: Mapping[str, Any]) -> Task | None:
    """Return the task that `task_options` wrote, as far as it makes a picture; None where there is none of that kind.

    Lamp and glare are not kept whole, and spots show on no picture.
    """
    try:
        measure = read_result(MeasureOptions, options["measure"], _LAYOUT)
        aim = read_result(PrintAim, options["aim"])
        return Task(options=measure, aim=aim, ppi=options["ppi"], page=options["page"])
    except (WrongUseError, KeyError, TypeError, ValueError):
        return None


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, np.ndarray):
        digest = hashlib.sha256(np.ascontiguousarray(value).tobytes())
        return [list(value.shape), str(value.dtype), digest.hexdigest()]
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(one) for one in value]
    if value is None or isinstance(value, str | bool | int | float):
        return value
    return str(value)


def new_readings(
    assessments: Sequence[Assessment],
    documents: Sequence[Mapping[str, Any]],
    *,
    calibration: Mapping[str, Any] | None,
    task: Task,
    run: int | None = None,
) -> list[NewReading]:
    """Return the readings of a batch as the notebook takes them.

    Parameters
    ----------
    documents
        Each assessment as the contract prints it.
    calibration
        The document of the calibration used; None where each scan was read by the wedge on it.
    run
        The run that all of them belong to.

    Raises
    ------
    NotebookError
        If a scan can no longer be read for its SHA-256.
    """
    options = task_options(task)
    digests: dict[Path, str] = {}
    for path in dict.fromkeys(assessment.path for assessment in assessments):
        try:
            digests[path] = file_sha256(path)
        except OSError as problem:
            reason = (problem.strerror or "unknown reason").lower()
            raise NotebookError(f"{path} cannot be read again for the notebook: {reason}.") from problem
    return [
        NewReading(
            file=assessment.reading.file,
            scan_sha256=digests[assessment.path],
            piece=assessment.reading.piece,
            calibration=read_by(assessment, calibration),
            options=options,
            document=document,
            run=run,
        )
        for assessment, document in zip(assessments, documents, strict=True)
    ]


def read_by(assessment: Assessment, calibration: Mapping[str, Any] | None) -> Mapping[str, Any]:
    """Return the document of what one reading was made by: the wedge on its own scan, else the calibration."""
    if assessment.wedge is not None:
        return calibration_document(assessment.wedge.calibration)
    assert calibration is not None  # noqa: S101 - nothing is read by neither
    return calibration
