"""Scans of an archive as lines of JSON: what a worker makes of one, and what is read back of it."""

from __future__ import annotations

import json
import platform
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from densiscan import __version__
from densiscan.batch.assessment import Assessment, Failure, Task, measure_one
from densiscan.batch.outliers import FIGURES
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import calibration_document
from densiscan.files.atomic import as_text
from densiscan.notebook.keep import task_options
from densiscan.notebook.lines import PieceFigures, ScanLine
from densiscan.notebook.readings import canonical, file_sha256, file_status, text_sha256
from densiscan.report.readings import READINGS_FORMAT, failure_document, reading_document

UNSEEN: Final = "not-seen"
"""Code of a scan that its worker does not see, though it was there a moment ago: its machine lacks the disk."""
_UNSEEN_SECONDS: Final = 10.0
"""So long a worker waits that does not see a scan: a machine without the disk must not be the quickest of all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measuring:
    """How the scans of an archive are measured: sent to every worker, and called there with each scan.

    `how` is the same for two that measure a scan alike.
    """

    calibration: Calibration | None
    task: Task
    named: str
    how: str
    unseen_s: float = _UNSEEN_SECONDS

    @classmethod
    def by(cls, calibration: Calibration | None, task: Task, named: str) -> Measuring:
        """Return how, by this calibration; None where each scan is read by the wedge on it."""
        made = None if calibration is None else calibration_document(calibration)
        beside = None if task.beside is None else repr(task.beside)
        how = text_sha256(canonical([made, task_options(task), beside, __version__]))
        return cls(calibration=calibration, task=task, named=named, how=how)

    def __call__(self, path: Path) -> ScanLine:
        """Return the line of one scan; a fault of the scan, or of ours, is in the line and stops nothing."""
        before = file_status(path)
        if before is None:
            time.sleep(self.unseen_s)
            return self.failed(path, UNSEEN, f"{path} is not seen by {platform.node()}.")
        outcome = measure_one(path, self.calibration, self.task)
        digest = ""
        with suppress(OSError):
            digest = file_sha256(path)
        if file_status(path) != before or not digest:
            return self.failed(path, "changed", f"{path} changed while it was measured; measure it again.")
        return self.line(path, before, digest, outcome)

    def failed(self, path: Path, code: str, message: str) -> ScanLine:
        """Return the line of a scan that gave nothing."""
        return self.line(path, file_status(path) or (0, 0), "", Failure(path=path, code=code, message=message))

    def lost(self, path: Path, problem: str) -> ScanLine:
        """Return the line of a scan whose worker was lost."""
        why = f" ({problem})" if problem else ""
        return self.failed(path, "worker-died", f"{path} could not be measured: its worker was killed or crashed{why}.")

    def line(
        self, path: Path, status: tuple[int, int], digest: str, outcome: tuple[Assessment, ...] | Failure
    ) -> ScanLine:
        """Return what came of a scan as its line: a document of readings, with the scan that they are of."""
        readings = [] if isinstance(outcome, Failure) else [reading_document(one) for one in outcome]
        document = {
            "format": READINGS_FORMAT,
            "calibration": self.named,
            "readings": readings,
            "failed": [failure_document(outcome)] if isinstance(outcome, Failure) else [],
            "scan": {
                "path": as_text(path),
                "size": status[0],
                "changed_ns": status[1],
                "sha256": digest,
                "how": self.how,
                "version": __version__,
            },
        }
        return line_of(json.dumps(document, allow_nan=False, separators=(",", ":")), document)


def line_of(text: str, document: Mapping[str, Any] | None = None) -> ScanLine:
    """Return a line as it stands in the file.

    Raises
    ------
    ValueError
        If it is none of ours.
    """
    try:
        told = json.loads(text) if document is None else document
        scan, failed = told["scan"], told["failed"]
        return ScanLine(
            text=text,
            path=scan["path"],
            size=scan["size"],
            changed_ns=scan["changed_ns"],
            sha256=scan["sha256"],
            how=scan["how"],
            failed=failed[0]["code"] if failed else None,
            message=failed[0]["message"] if failed else None,
            pieces=tuple(map(_piece, told["readings"])),
        )
    except (KeyError, TypeError, IndexError) as problem:
        raise ValueError(f"no line of an archive: {problem}") from problem


def moved(line: ScanLine, path: Path) -> ScanLine:
    """Return the line of a scan that lies elsewhere now, its content being the same."""
    status = file_status(path) or (line.size, line.changed_ns)
    document = json.loads(line.text)
    document["scan"] |= {"path": as_text(path), "size": status[0], "changed_ns": status[1]}
    document["readings"] = [{**one, "file": as_text(path.name), "path": as_text(path)} for one in document["readings"]]
    return line_of(json.dumps(document, allow_nan=False, separators=(",", ":")))


def _piece(reading: Mapping[str, Any]) -> PieceFigures:
    figures = {}
    for figure in FIGURES:
        plain = reading[figure]
        if plain is not None and plain.get("limit") is None:
            figures[figure] = (float(plain["value"]), 0.5 * float(plain["uncertainty"] or 0.0))
    verdict = (reading.get("exposure") or {}).get("verdict")
    return PieceFigures(number=reading.get("piece") or 0, seen=str(reading["seen"]), verdict=verdict, figures=figures)
