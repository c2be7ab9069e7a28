"""densiscan: a flatbed scanner and one step wedge as a densitometer for black-and-white negatives.

The names below are the public shelf. Each is imported when it is first asked for, so that the command line starts
without numpy. docs/api.md has worked examples.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from densiscan.files.shown import shown_by

if TYPE_CHECKING:
    from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
    from densiscan.batch.assessment import Assessment, BatchResult, Failure, PrintAim, Task
    from densiscan.batch.files import measure_files
    from densiscan.calibration.calibration import CalibratedStep, Calibration, StepReading
    from densiscan.calibration.check.wedge import DriftCheck, StepDrift
    from densiscan.calibration.file import read_calibration, write_calibration
    from densiscan.calibration.findings import Findings
    from densiscan.calibration.glare import Glare, Scattering
    from densiscan.calibration.lamp import Bed, LampField
    from densiscan.calibration.look import Look
    from densiscan.calibration.make import Label
    from densiscan.calibration.make import calibrate as calibrate_scan
    from densiscan.calibration.map import density_map, write_density_map
    from densiscan.calibration.posterior_curve import WeighedLaw
    from densiscan.calibration.several_looks import combine_looks
    from densiscan.calibration.weighed_curve import CurvePoints, UsedStep
    from densiscan.development.advice import Advice, Misfit, Plan, TableRow, advise
    from densiscan.development.change import UnloggedChange
    from densiscan.development.exposure import ExposureAdvice
    from densiscan.development.kinetics import ContrastPoint, Kinetics
    from densiscan.development.prior import Belief
    from densiscan.development.run import NegativeLeftOut, Run
    from densiscan.development.usable_readings import Counted, RunReading, Way
    from densiscan.development.verdict import DevelopmentAdvice
    from densiscan.development.zones import PlacedZone, WantedZone, ZoneChange
    from densiscan.errors import (
        CalibrationError,
        DensiscanError,
        MeasureError,
        NotebookError,
        PaperTestError,
        PointsFileError,
        PolarityError,
        UnreadableScanError,
        WedgeFileError,
        WedgeNotFoundError,
        WrongUseError,
    )
    from densiscan.files.serialise import as_dict, as_row
    from densiscan.film.curve import FilmCurve
    from densiscan.film.definitions import Arcs, IsoSpeed
    from densiscan.film.exposing import Highlight
    from densiscan.film.few_points import PossibleCurves
    from densiscan.film.speed_and_contrast import CurvePoint, FilmAim, FilmTest, Reference, film_test
    from densiscan.negative.channels import ChannelReading
    from densiscan.negative.find.not_film import LeftOut
    from densiscan.negative.find.rebate import Rebate, RebateSide
    from densiscan.negative.options import MeasureOptions
    from densiscan.negative.own_wedge import Beside, WedgeRead
    from densiscan.negative.preview import SheetDetail
    from densiscan.negative.reading import Reading, Spot, measure_scan
    from densiscan.negative.trouble.finding import Finding, SideFog, Trouble
    from densiscan.notebook.history import NotebookChange
    from densiscan.notebook.location import open_notebook
    from densiscan.notebook.materials import Batch
    from densiscan.notebook.merge import Merged
    from densiscan.notebook.news import News, ReadingNews
    from densiscan.notebook.notebook import Notebook
    from densiscan.notebook.readings import KeptReading
    from densiscan.paper.curve import PaperCurve
    from densiscan.paper.grade import PaperAdvice
    from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest, paper_from_points
    from densiscan.report.figures.result import plot
    from densiscan.report.page.result import as_html, as_text
    from densiscan.report.readings import readings_document
    from densiscan.report.table import readings_csv
    from densiscan.scan.scan import Block, Scan, ScanFacts, open_scan
    from densiscan.wedge.wedge import Wedge, WedgeStep, nominal_wedge, read_wedge

__version__ = "0.1.0"

_SHELF = {
    "Advice": "development.advice",
    "advise": "development.advice",
    "Arcs": "film.definitions",
    "as_dict": "files.serialise",
    "as_html": "report.page.result",
    "as_row": "files.serialise",
    "as_text": "report.page.result",
    "Assessment": "batch.assessment",
    "Batch": "notebook.materials",
    "BatchResult": "batch.assessment",
    "Bed": "calibration.lamp",
    "Belief": "development.prior",
    "Beside": "negative.own_wedge",
    "Block": "scan.scan",
    "calibrate_scan": "calibration.make:calibrate",
    "CalibratedStep": "calibration.calibration",
    "Calibration": "calibration.calibration",
    "CalibrationError": "errors",
    "ChannelReading": "negative.channels",
    "Circumstances": "paper.tested_range",
    "combine_looks": "calibration.several_looks",
    "ContrastPoint": "development.kinetics",
    "Counted": "development.usable_readings",
    "CurvePoint": "film.speed_and_contrast",
    "CurvePoints": "calibration.weighed_curve",
    "DensiscanError": "errors",
    "density_map": "calibration.map",
    "DevelopmentAdvice": "development.verdict",
    "DriftCheck": "calibration.check.wedge",
    "ExposureAdvice": "development.exposure",
    "Failure": "batch.assessment",
    "film_test": "film.speed_and_contrast",
    "FilmAim": "film.speed_and_contrast",
    "FilmCurve": "film.curve",
    "FilmTest": "film.speed_and_contrast",
    "Finding": "negative.trouble.finding",
    "Findings": "calibration.findings",
    "Glare": "calibration.glare",
    "Highlight": "film.exposing",
    "Influence": "arithmetic.quantity",
    "IsoSpeed": "film.definitions",
    "KeptReading": "notebook.readings",
    "Kinetics": "development.kinetics",
    "Label": "calibration.make",
    "LampField": "calibration.lamp",
    "LeftOut": "negative.find.not_film",
    "Look": "calibration.look",
    "measure_files": "batch.files",
    "measure_scan": "negative.reading",
    "MeasureError": "errors",
    "MeasureOptions": "negative.options",
    "Merged": "notebook.merge",
    "Misfit": "development.advice",
    "NegativeLeftOut": "development.run",
    "News": "notebook.news",
    "nominal_wedge": "wedge.wedge",
    "Notebook": "notebook.notebook",
    "NotebookChange": "notebook.history",
    "NotebookError": "errors",
    "open_notebook": "notebook.location",
    "open_scan": "scan.scan",
    "paper_from_points": "paper.tested_range",
    "PaperAdvice": "paper.grade",
    "PaperCurve": "paper.curve",
    "PaperPoint": "paper.tested_range",
    "PaperTest": "paper.tested_range",
    "PlacedZone": "development.zones",
    "PaperTestError": "errors",
    "Plan": "development.advice",
    "plot": "report.figures.result",
    "PointsFileError": "errors",
    "PolarityError": "errors",
    "PossibleCurves": "film.few_points",
    "PrintAim": "batch.assessment",
    "Quantity": "arithmetic.quantity",
    "read_calibration": "calibration.file",
    "read_wedge": "wedge.wedge",
    "Reading": "negative.reading",
    "ReadingNews": "notebook.news",
    "readings_csv": "report.table",
    "readings_document": "report.readings",
    "Rebate": "negative.find.rebate",
    "RebateSide": "negative.find.rebate",
    "Reference": "film.speed_and_contrast",
    "Run": "development.run",
    "RunReading": "development.usable_readings",
    "Scan": "scan.scan",
    "ScanFacts": "scan.scan",
    "Scattering": "calibration.glare",
    "SheetDetail": "negative.preview",
    "SideFog": "negative.trouble.finding",
    "Spot": "negative.reading",
    "StepDrift": "calibration.check.wedge",
    "StepReading": "calibration.calibration",
    "TableRow": "development.advice",
    "Task": "batch.assessment",
    "Trouble": "negative.trouble.finding",
    "UnloggedChange": "development.change",
    "UnreadableScanError": "errors",
    "UsedStep": "calibration.weighed_curve",
    "WantedZone": "development.zones",
    "Warning_": "arithmetic.quantity",
    "Way": "development.usable_readings",
    "Wedge": "wedge.wedge",
    "WedgeFileError": "errors",
    "WedgeNotFoundError": "errors",
    "WedgeRead": "negative.own_wedge",
    "WedgeStep": "wedge.wedge",
    "WeighedLaw": "calibration.posterior_curve",
    "write_calibration": "calibration.file",
    "ZoneChange": "development.zones",
    "write_density_map": "calibration.map",
    "WrongUseError": "errors",
}
"""Name on the shelf: the module it stands in, and after a colon its name there where that is another."""

__all__ = [
    "Advice",
    "Arcs",
    "Assessment",
    "Batch",
    "BatchResult",
    "Bed",
    "Belief",
    "Beside",
    "Block",
    "CalibratedStep",
    "Calibration",
    "CalibrationError",
    "ChannelReading",
    "Circumstances",
    "ContrastPoint",
    "Counted",
    "CurvePoint",
    "CurvePoints",
    "DensiscanError",
    "DevelopmentAdvice",
    "DriftCheck",
    "ExposureAdvice",
    "Failure",
    "FilmAim",
    "FilmCurve",
    "FilmTest",
    "Finding",
    "Findings",
    "Glare",
    "Highlight",
    "Influence",
    "IsoSpeed",
    "KeptReading",
    "Kinetics",
    "Label",
    "LampField",
    "LeftOut",
    "Look",
    "MeasureError",
    "MeasureOptions",
    "Merged",
    "Misfit",
    "NegativeLeftOut",
    "News",
    "Notebook",
    "NotebookChange",
    "NotebookError",
    "PaperAdvice",
    "PaperCurve",
    "PaperPoint",
    "PaperTest",
    "PaperTestError",
    "PlacedZone",
    "Plan",
    "PointsFileError",
    "PolarityError",
    "PossibleCurves",
    "PrintAim",
    "Quantity",
    "Reading",
    "ReadingNews",
    "Rebate",
    "RebateSide",
    "Reference",
    "Run",
    "RunReading",
    "Scan",
    "ScanFacts",
    "Scattering",
    "SheetDetail",
    "SideFog",
    "Spot",
    "StepDrift",
    "StepReading",
    "TableRow",
    "Task",
    "Trouble",
    "UnloggedChange",
    "UnreadableScanError",
    "UsedStep",
    "WantedZone",
    "Warning_",
    "Way",
    "Wedge",
    "WedgeFileError",
    "WedgeNotFoundError",
    "WedgeRead",
    "WedgeStep",
    "WeighedLaw",
    "WrongUseError",
    "ZoneChange",
    "__version__",
    "advise",
    "as_dict",
    "as_html",
    "as_row",
    "as_text",
    "calibrate_scan",
    "combine_looks",
    "density_map",
    "film_test",
    "measure_files",
    "measure_scan",
    "nominal_wedge",
    "open_notebook",
    "open_scan",
    "paper_from_points",
    "plot",
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


shown_by(
    lambda: import_module("densiscan.report.page.result"),
    lambda: import_module("densiscan.report.figures.result"),
)
