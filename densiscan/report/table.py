"""Readings as a table sheet (CSV): one line a piece of film, written as they come."""

from __future__ import annotations

import csv
import io
from typing import Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.batch.assessment import Assessment, BatchResult
from densiscan.files.atomic import as_text, guarded
from densiscan.report.readings import QUANTITIES
from densiscan.report.trouble import findings_cell


def readings_csv(result: BatchResult) -> str:
    """Return the readings as a sheet: each quantity with its expanded uncertainty beside it, an unknown one as no text.

    What is only a limit has no uncertainty and "at least" or "at most" in the next column. The spots of a reading
    follow in numbered columns.

    Examples
    --------
    >>> result = measure_files(["normal.tif", "thin.tif"], read_calibration("mine.json"))
    >>> [line.split(",")[0] for line in readings_csv(result).splitlines()]
    ['file', 'normal.tif', 'thin.tif']
    """
    spots = max((len(assessment.reading.spots) for assessment in result.assessments), default=0)
    return sheet_head(spots) + "".join(sheet_line(assessment, spots) for assessment in result.assessments)


def sheet_head(spots: int) -> str:
    """Return the line that names the columns, where each scan is read at so many named places."""
    return _line(list(_columns(spots)))


def sheet_line(assessment: Assessment, spots: int) -> str:
    """Return the line of one reading."""
    row = _row(assessment)
    return _line([row.get(column) for column in _columns(spots)])


def _line(cells: list[object]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(["" if cell is None else _plain(cell) for cell in cells])
    return text.getvalue()


def _plain(cell: object) -> object:
    """Return a text that no table program takes for a formula, whatever it splits cells at."""
    return guarded(cell) if isinstance(cell, str) else cell


def _columns(spots: int) -> tuple[str, ...]:
    numbered = [f"spot_{number}_{what}" for number in range(1, spots + 1) for what in _SPOT]
    return (*_COLUMNS, *numbered)


def _three(name: str) -> tuple[str, str, str]:
    """Return the columns of a quantity: value, expanded uncertainty, and whether it is only a limit."""
    return name, f"{name}_uncertainty", f"{name}_limit"


_SIDES: Final = ("left", "top", "width", "height")
_SPOT: Final = ("x_mm", "y_mm", *_three("density"), *_three("net"))
_COLUMNS: Final = (
    *("file", "path", "piece", "ppi", "aperture_mm"),
    *(f"{box}_{side}_mm" for box in ("film", "frame") for side in _SIDES),
    "angle_deg",
    *(column for name in QUANTITIES for column in _three(name)),
    *("clipped_light", "clipped_dark", "beyond_calibration", "exposure", *_three("exposure_stops")),
    *("development", *_three("contrast"), "target_contrast", *_three("time_factor")),
    *("process", "needed_range", "grade", "warnings", "findings", "seen", "left_out"),
)


def _row(assessment: Assessment) -> dict[str, object]:
    reading = assessment.reading
    row: dict[str, object] = {
        "file": reading.file,
        "path": as_text(assessment.path),
        "piece": reading.piece,
        "ppi": reading.ppi,
        "aperture_mm": reading.aperture_mm,
    }
    for name in ("film_mm", "frame_mm"):
        box = getattr(reading, name) or (None,) * 4
        sides = zip(("left", "top", "width", "height"), box, strict=True)
        row |= {f"{name.removesuffix('_mm')}_{side}_mm": value for side, value in sides}
    row["angle_deg"] = reading.angle_deg
    for name in QUANTITIES:
        row |= _cells(name, getattr(reading, name))
    row |= {
        "clipped_light": reading.clipped_light,
        "clipped_dark": reading.clipped_dark,
        "beyond_calibration": reading.beyond_calibration,
        "seen": reading.seen,
        **(_verdicts(assessment) if assessment.judged else {}),
        "warnings": " ".join(dict.fromkeys(warning.code for warning in assessment.warnings)),
        "findings": findings_cell(assessment.trouble),
        "left_out": " ".join(dict.fromkeys(item.code for item in reading.left_out)),
    }
    for number, spot in enumerate(reading.spots, start=1):
        row |= {f"spot_{number}_x_mm": spot.x_mm, f"spot_{number}_y_mm": spot.y_mm}
        row |= _cells(f"spot_{number}_density", spot.density)
        row |= _cells(f"spot_{number}_net", spot.net)
    return row


def _verdicts(assessment: Assessment) -> dict[str, object]:
    exposure, development, paper = assessment.exposure, assessment.development, assessment.paper
    return {
        "exposure": exposure.verdict,
        **_cells("exposure_stops", exposure.stops),
        "development": development.verdict,
        **_cells("contrast", development.contrast),
        "target_contrast": development.target_contrast,
        **_cells("time_factor", development.time_factor),
        "process": paper.process,
        "needed_range": paper.needed_range,
        "grade": paper.grade,
    }


def _cells(name: str, quantity: Quantity | None) -> dict[str, object]:
    document = {} if quantity is None else quantity.to_json() or {}
    keys = ("value", "uncertainty", "limit")
    return dict(zip(_three(name), (document.get(key) for key in keys), strict=True))
