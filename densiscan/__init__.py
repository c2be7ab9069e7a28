"""densiscan: a flatbed scanner and one step wedge as a densitometer for black-and-white negatives.

The names below are the public shelf. Each is imported when it is first asked for, so that the command line starts
without numpy. docs/api.md has worked examples.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from densiscan.files.shown import shown_by

if TYPE_CHECKING:
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.batch.assessment import Assessment, BatchResult, Failure, PrintAim, Task
    from densiscan.batch.files import measure_files
    from densiscan.calibration.calibration import Calibration
    from densiscan.calibration.file import read_calibration, write_calibration
    from densiscan.calibration.make import Label
    from densiscan.calibration.make import calibrate as calibrate_scan
    from densiscan.calibration.map import density_map, write_density_map
    from densiscan.development.advice import Advice, Plan, advise
    from densiscan.development.run import Run
    from densiscan.errors import DensiscanError
    from densiscan.files.serialise import as_dict, as_row
    from densiscan.film.speed_and_contrast import CurvePoint, FilmTest, film_test
    from densiscan.negative.reading import MeasureOptions, Reading, measure_scan
    from densiscan.notebook.location import open_notebook
    from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest, paper_from_points
    from densiscan.report.page.result import as_html, as_text
    from densiscan.report.readings import readings_document
    from densiscan.report.table import readings_csv
    from densiscan.scan.scan import Scan, open_scan
    from densiscan.wedge.wedge import Wedge, nominal_wedge, read_wedge

__version__ = "0.1.0"

_SHELF = {
    "Advice": "development.advice",
    "Assessment": "batch.assessment",
    "BatchResult": "batch.assessment",
    "Calibration": "calibration.calibration",
    "Circumstances": "paper.tested_range",
    "CurvePoint": "film.speed_and_contrast",
    "DensiscanError": "errors",
    "Failure": "batch.assessment",
    "FilmTest": "film.speed_and_contrast",
    "Influence": "arithmetic.quantity",
    "Label": "calibration.make",
    "MeasureOptions": "negative.reading",
    "PaperPoint": "paper.tested_range",
    "PaperTest": "paper.tested_range",
    "Plan": "development.advice",
    "PrintAim": "batch.assessment",
    "Quantity": "arithmetic.quantity",
    "Reading": "negative.reading",
    "Run": "development.run",
    "Scan": "scan.scan",
    "Task": "batch.assessment",
    "Wedge": "wedge.wedge",
    "advise": "development.advice",
    "as_dict": "files.serialise",
    "as_html": "report.page.result",
    "as_row": "files.serialise",
    "as_text": "report.page.result",
    "calibrate_scan": "calibration.make:calibrate",
    "density_map": "calibration.map",
    "film_test": "film.speed_and_contrast",
    "measure_files": "batch.files",
    "measure_scan": "negative.reading",
    "nominal_wedge": "wedge.wedge",
    "open_notebook": "notebook.location",
    "open_scan": "scan.scan",
    "paper_from_points": "paper.tested_range",
    "read_calibration": "calibration.file",
    "read_wedge": "wedge.wedge",
    "readings_csv": "report.table",
    "readings_document": "report.readings",
    "write_calibration": "calibration.file",
    "write_density_map": "calibration.map",
}
"""Name on the shelf: the module it stands in, and after a colon its name there where that is another."""

__all__ = [
    "Advice",
    "Assessment",
    "BatchResult",
    "Calibration",
    "Circumstances",
    "CurvePoint",
    "DensiscanError",
    "Failure",
    "FilmTest",
    "Influence",
    "Label",
    "MeasureOptions",
    "PaperPoint",
    "PaperTest",
    "Plan",
    "PrintAim",
    "Quantity",
    "Reading",
    "Run",
    "Scan",
    "Task",
    "Wedge",
    "__version__",
    "advise",
    "as_dict",
    "as_html",
    "as_row",
    "as_text",
    "calibrate_scan",
    "density_map",
    "film_test",
    "measure_files",
    "measure_scan",
    "nominal_wedge",
    "open_notebook",
    "open_scan",
    "paper_from_points",
    "read_calibration",
    "read_wedge",
    "readings_csv",
    "readings_document",
    "write_calibration",
    "write_density_map",
]


def __getattr__(name: str) -> Any:
    if name not in _SHELF:
        message = f"module 'densiscan' has no attribute '{name}'"
        raise AttributeError(message)
    module, _, there = _SHELF[name].partition(":")
    return getattr(import_module(f"densiscan.{module}"), there or name)


def __dir__() -> list[str]:
    return sorted(__all__)


shown_by(lambda: import_module("densiscan.report.page.result"))
