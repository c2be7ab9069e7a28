"""densiscan: a flatbed scanner and one step wedge as a densitometer for black-and-white negatives.

The names below are the public shelf. Each is imported when it is first asked for, so that the command line starts
without numpy. docs/api.md has worked examples.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from densiscan.batch import Assessment, BatchResult, Failure, PrintAim, Task
    from densiscan.batch_files import measure_files
    from densiscan.calibrate import Label
    from densiscan.calibrate import calibrate as calibrate_scan
    from densiscan.calibration import Calibration
    from densiscan.calibration_file import read_calibration, write_calibration
    from densiscan.development_advice import Advice, Plan, advise
    from densiscan.development_runs import Run
    from densiscan.errors import DensiscanError
    from densiscan.film import CurvePoint, FilmTest, film_test
    from densiscan.negative import MeasureOptions, Reading, measure_scan
    from densiscan.notebook import open_notebook
    from densiscan.paper_test import Circumstances, PaperPoint, PaperTest, paper_from_points
    from densiscan.quantity import Influence, Quantity
    from densiscan.report import readings_document
    from densiscan.report_sheet import readings_csv
    from densiscan.results import as_dict, as_row
    from densiscan.scan import Scan, open_scan
    from densiscan.wedge import Wedge, nominal_wedge, read_wedge

__version__ = "0.1.0"

_SHELF = {
    "Advice": "development_advice",
    "Assessment": "batch",
    "BatchResult": "batch",
    "Calibration": "calibration",
    "Circumstances": "paper_test",
    "CurvePoint": "film",
    "DensiscanError": "errors",
    "Failure": "batch",
    "FilmTest": "film",
    "Influence": "quantity",
    "Label": "calibrate",
    "MeasureOptions": "negative",
    "PaperPoint": "paper_test",
    "PaperTest": "paper_test",
    "Plan": "development_advice",
    "PrintAim": "batch",
    "Quantity": "quantity",
    "Reading": "negative",
    "Run": "development_runs",
    "Scan": "scan",
    "Task": "batch",
    "Wedge": "wedge",
    "advise": "development_advice",
    "as_dict": "results",
    "as_row": "results",
    "calibrate_scan": "calibrate:calibrate",
    "film_test": "film",
    "measure_files": "batch_files",
    "measure_scan": "negative",
    "nominal_wedge": "wedge",
    "open_notebook": "notebook",
    "open_scan": "scan",
    "paper_from_points": "paper_test",
    "read_calibration": "calibration_file",
    "read_wedge": "wedge",
    "readings_csv": "report_sheet",
    "readings_document": "report",
    "write_calibration": "calibration_file",
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
    "as_row",
    "calibrate_scan",
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
]


def __getattr__(name: str) -> Any:
    if name not in _SHELF:
        message = f"module 'densiscan' has no attribute '{name}'"
        raise AttributeError(message)
    module, _, there = _SHELF[name].partition(":")
    return getattr(import_module(f"densiscan.{module}"), there or name)


def __dir__() -> list[str]:
    return sorted(__all__)
