"""What is said of a folder at its end: how many were measured, which not and why, which stand apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.batch.assessment import Failure
from densiscan.batch.outliers import FIGURES, Outlier
from densiscan.files.serialise import Layout, as_document
from densiscan.report.readings import failure_document, paragraph, time_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What came of a folder.

    Attributes
    ----------
    scans
        How many there are.
    measured, known
        How many were read now, and how many were in the notebook already.
    readings
        Pieces of film on both.
    seconds
        How long it took.
    stopped
        Whether it was interrupted.
    run
        The run that all of it was measured into.
    """

    scans: int
    measured: int
    known: int
    readings: int
    failures: Sequence[Failure]
    outliers: Sequence[Outlier]
    seconds: float
    stopped: bool = False
    run: int | None = None


def summary_text(summary: Summary) -> str:
    """Return the summary as a person reads it."""
    lines = [paragraph(_counted(summary), indent=0)]
    if summary.stopped:
        left = summary.scans - summary.measured - summary.known - _of_scans(summary)
        lines.append(paragraph(f"Stopped with {left} left; the same command goes on from there.", indent=0))
    if summary.outliers:
        lines += ["", "Apart from the rest:", *(_outlier_text(outlier) for outlier in summary.outliers)]
    if summary.failures:
        lines += ["", "Not measured:", *(paragraph(failure.message) for failure in summary.failures)]
    return "\n".join(lines)


def _of_scans(summary: Summary) -> int:
    """Return how many scans failed; a folder that failed is none."""
    return sum(failure.code not in {"no-scans", "unreadable-folder"} for failure in summary.failures)


def _counted(summary: Summary) -> str:
    parts = [f"{summary.measured} measured"]
    if summary.known:
        into = "" if summary.run is None else f", now in run {summary.run}"
        parts.append(f"{summary.known} in the notebook already{into} (--again reads them again)")
    if summary.failures:
        parts.append(f"{len(summary.failures)} not measured")
    scans = "1 scan" if summary.scans == 1 else f"{summary.scans} scans"
    return f"{scans}: {', '.join(parts)}, in {time_text(summary.seconds)}."


def _outlier_text(outlier: Outlier) -> str:
    what = FIGURES[outlier.figure]
    return paragraph(
        f"{outlier.name}: {what} {outlier.value:.2f}; the others {outlier.usual:.2f}, within {outlier.spread:.2f}"
    )


def summary_document(summary: Summary) -> dict[str, Any]:
    """Return the summary as plain JSON values."""
    return as_document(summary, _LAYOUT)


_LAYOUT: Final[Layout] = {
    "Summary": "scans measured known readings failed=failures outliers seconds stopped",
    "Summary.failed": lambda summary: [failure_document(failure) for failure in summary.failures],
    "Summary.seconds": lambda summary: round(summary.seconds, 3),
    "Outlier": "file=name figure value usual spread",
}
