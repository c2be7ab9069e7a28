"""Paper tests as documents, and the densities of a paper's curve from a table file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity
from densiscan.errors import PaperTestError
from densiscan.files.serialise import Layout, as_document, read_result
from densiscan.files.tables import Form, read_lines, rows_of
from densiscan.paper.tested_range import PaperPoint, PaperTest

FORMAT: Final = "densiscan.paper/1"
USUAL_UNCERTAINTY: Final = 0.02
"""Expanded uncertainty (k = 2) of a reflection density whose table states none: common practice."""
_LAYOUT: Final[Layout] = {
    "PaperTest": "name=circumstances.name created method source=circumstances.source relative from_wedge "
    "exposure_s=circumstances.exposure_s magnification=circumstances.magnification range=iso_range grade base_plus_fog "
    "fog maximum_black shadow_log_exposure highlight_log_exposure black_log_exposure dry_down_stops points warnings",
    "PaperPoint": "step log_exposure=log_exposure.value density box_mm",
}
_POINTS: Final = Form(
    what="a table of densities", entry="a point", columns=("log_exposure", "density"), error=PaperTestError
)


def read_points(path: Path) -> tuple[PaperPoint, ...]:
    """Read the points of a paper's curve: `log_exposure,density` and optionally `uncertainty` (k = 2).

    Raises
    ------
    PaperTestError
        If the file cannot be read or holds no such table; the sentence names the line.
    """
    return tuple(
        _point(row.cells, f"{path}, line {row.line}", row.line)
        for row in rows_of(read_lines(path, _POINTS), path, _POINTS)
    )


def fixed_piece(density: float | None) -> Quantity | None:
    """Return the density of a fixed-only piece as a person states it, None where none is given."""
    if density is None:
        return None
    return Quantity(density, {Influence("reading", "fixed-only piece"): USUAL_UNCERTAINTY / COVERAGE_FACTOR})


def _point(cells: Mapping[str, str], where: str, number: int) -> PaperPoint:
    exposure = _number(cells.get("log_exposure", ""), "log exposure", where)
    density = _number(cells.get("density", ""), "density", where)
    stated = cells.get("uncertainty", "")
    expanded = _number(stated, "uncertainty", where) if stated else USUAL_UNCERTAINTY
    if not -0.5 <= density <= 4.0:
        raise PaperTestError(f"{where}: {density:g} is not a reflection density; paper gives about 0.05 to 2.2.")
    if expanded <= 0.0:
        raise PaperTestError(f"{where}: an uncertainty must be above zero; leave it out where it is unknown.")
    parts = {Influence("reading", f"{number}"): expanded / COVERAGE_FACTOR}
    return PaperPoint(log_exposure=Quantity(exposure), density=Quantity(density, parts))


def _number(text: str, what: str, where: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise PaperTestError(f'{where}: "{text}" is no {what}; write it as a number such as -1.05.')
    return value


def paper_document(test: PaperTest, *, created: str | None = None) -> dict[str, Any]:
    """Return a paper test as plain JSON values."""
    return as_document(test, {**_LAYOUT, "PaperTest.created": lambda _: created}, format=FORMAT)


def paper_from_document(document: Mapping[str, Any]) -> PaperTest:
    """Return the paper test that a document holds; its figures are independent of each other from here on.

    Raises
    ------
    PaperTestError
        If it is none, or is damaged.
    """
    name = str(document.get("name") or document.get("source") or "the paper test")
    if document.get("format") != FORMAT:
        raise PaperTestError(f"{name} is not a paper test; make one with: densiscan paper PRINT --wedge WEDGE.csv")
    try:
        return read_result(PaperTest, document, _LAYOUT, source=Influence("paper test", name))
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise PaperTestError(f"the paper test {name} is damaged ({problem}); make it again.") from problem
