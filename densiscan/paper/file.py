"""Paper tests as documents, and the densities of a paper's curve from a table file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity, Warning_, read_back
from densiscan.errors import PaperTestError
from densiscan.files.tables import Form, read_lines, rows_of
from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest

FORMAT: Final = "densiscan.paper/1"
USUAL_UNCERTAINTY: Final = 0.02
"""Expanded uncertainty (k = 2) of a reflection density whose table states none: common practice."""
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
        raise PaperTestError(f"{where}: {density:g} is no reflection density; paper gives about 0.05 to 2.2.")
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
    about = test.circumstances

    def plain(quantity: Quantity | None) -> dict[str, Any] | None:
        return None if quantity is None else quantity.to_json()

    return {
        "format": FORMAT,
        "name": about.name,
        "created": created,
        "method": test.method,
        "source": about.source,
        "relative": test.relative,
        "from_wedge": test.from_wedge,
        "exposure_s": about.exposure_s,
        "magnification": about.magnification,
        "range": plain(test.iso_range),
        "grade": test.grade,
        "base_plus_fog": plain(test.base_plus_fog),
        "fog": plain(test.fog),
        "maximum_black": plain(test.maximum_black),
        "shadow_log_exposure": plain(test.shadow_log_exposure),
        "highlight_log_exposure": plain(test.highlight_log_exposure),
        "black_log_exposure": plain(test.black_log_exposure),
        "points": [
            {
                "step": point.step,
                "log_exposure": point.log_exposure.value,
                "density": point.density.to_json(),
                "box_mm": None if point.box_mm is None else list(point.box_mm),
            }
            for point in test.points
        ],
        "warnings": [warning.to_json() for warning in test.warnings],
    }


def paper_from_document(document: Mapping[str, Any]) -> PaperTest:
    """Return the paper test that a document holds; its figures are independent of each other from here on.

    Raises
    ------
    PaperTestError
        If it is none, or is damaged.
    """
    name = str(document.get("name") or document.get("source") or "the paper test")
    if document.get("format") != FORMAT:
        raise PaperTestError(f"{name} is no paper test; make one with: densiscan paper PRINT --wedge WEDGE.csv")
    try:
        return _from(document, name)
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise PaperTestError(f"the paper test {name} is damaged ({problem}); make it again.") from problem


def _from(document: Mapping[str, Any], name: str) -> PaperTest:
    def quantity(key: str) -> Quantity | None:
        return _quantity(document[key], f"{name} {key}")

    iso_range, shadow, highlight = (
        _quantity_there(document[key], f"{name} {key}")
        for key in ("range", "shadow_log_exposure", "highlight_log_exposure")
    )
    seconds, magnification = document.get("exposure_s"), document.get("magnification")
    return PaperTest(
        method=document["method"],
        circumstances=Circumstances(
            name=document.get("name"),
            source=str(document.get("source", "")),
            exposure_s=None if seconds is None else float(seconds),
            magnification=None if magnification is None else float(magnification),
        ),
        iso_range=iso_range,
        shadow_log_exposure=shadow,
        highlight_log_exposure=highlight,
        black_log_exposure=quantity("black_log_exposure"),
        base_plus_fog=quantity("base_plus_fog"),
        maximum_black=quantity("maximum_black"),
        fog=quantity("fog"),
        points=tuple(
            PaperPoint(
                log_exposure=Quantity(float(point["log_exposure"])),
                density=_quantity_there(point["density"], f"{name} point {number}"),
                step=point.get("step"),
            )
            for number, point in enumerate(document["points"])
        ),
        relative=bool(document["relative"]),
        from_wedge=bool(document["from_wedge"]),
        warnings=tuple(Warning_(code=each["code"], message=each["message"]) for each in document["warnings"]),
    )


def _quantity(plain: Mapping[str, Any] | None, key: str) -> Quantity | None:
    return read_back(plain, Influence("paper test", key))


def _quantity_there(plain: Mapping[str, Any] | None, key: str) -> Quantity:
    quantity = _quantity(plain, key)
    if quantity is None:
        raise ValueError(f"{key} is missing")
    return quantity
