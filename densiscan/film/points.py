"""Tables of a film test: exposures given, and densities read elsewhere."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity
from densiscan.errors import PointsFileError
from densiscan.files.tables import Form, TableLine, read_lines, rows_of
from densiscan.film.speed_and_contrast import CurvePoint

_MOST_ROWS: Final = 500
_HIGHEST_DENSITY: Final = 8.0
_FARTHEST: Final = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """An exposure given: its name on the film, and log10 of it (lux seconds, or relative)."""

    step: str
    log_exposure: Quantity


def read_rows(
    path: str | Path, *, needed: Sequence[str], what: str, instead: Sequence[str] = ()
) -> tuple[TableLine, ...]:
    """Read a table with a line an exposure.

    Parameters
    ----------
    needed
        Columns that must be there.
    what
        What the file is, for messages.
    instead
        Columns that serve as well, in a table that has the first of them.

    Raises
    ------
    PointsFileError
        If it cannot be read, lacks a column, or holds no line.
    """
    form = Form(what=what, entry="an exposure", columns=tuple(needed), error=PointsFileError, instead=tuple(instead))
    rows = rows_of(read_lines(path, form), path, form)
    if not 0 < len(rows) <= _MOST_ROWS:
        raise PointsFileError(f"{path} holds {len(rows)} exposures; give 1 to {_MOST_ROWS}, one a line.")
    return rows


def number_in(row: TableLine, column: str, path: str | Path, *, low: float, high: float) -> float:
    """Return the number in a cell.

    Raises
    ------
    PointsFileError
        If there is none between the limits.
    """
    text = row.cells.get(column, "")
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise PointsFileError(
            f'{path}, line {row.line}: "{text}" is no {column.replace("_", " ")}; write a number from {low:g} to '
            f"{high:g}."
        )
    return value


def read_curve(path: str | Path) -> tuple[CurvePoint, ...]:
    """Read densities measured elsewhere: log_exposure,density and optionally uncertainty (expanded, k = 2) and step.

    Raises
    ------
    PointsFileError
        If the file is no such table.
    """
    points = []
    for number, row in enumerate(read_rows(path, needed=("log_exposure", "density"), what="a curve"), start=1):
        step = row.cells.get("step") or f"{number}"
        parts = None
        if row.cells.get("uncertainty"):
            stated = number_in(row, "uncertainty", path, low=0.0, high=_HIGHEST_DENSITY)
            # 0 stands where none can be given.
            parts = {Influence("reading", f"{path}, {number}"): stated / COVERAGE_FACTOR} if stated > 0.0 else None
        points.append(
            CurvePoint(
                step=step,
                log_exposure=Quantity(number_in(row, "log_exposure", path, low=-_FARTHEST, high=_FARTHEST)),
                density=Quantity(number_in(row, "density", path, low=-0.1, high=_HIGHEST_DENSITY), parts),
            )
        )
    return tuple(points)


def read_exposures(path: str | Path) -> tuple[Exposure, ...]:
    """Read the exposures given: step,log_exposure and optionally uncertainty (expanded, k = 2, of the log exposure).

    Raises
    ------
    PointsFileError
        If the file is no such table, or names a step twice.
    """
    exposures: list[Exposure] = []
    for row in read_rows(path, needed=("step", "log_exposure"), what="a list of exposures"):
        step = row.cells["step"] or f"{len(exposures) + 1}"
        if any(one.step == step for one in exposures):
            raise PointsFileError(f"{path}, line {row.line}: step {step} is there twice; give each step once.")
        parts = {}
        if row.cells.get("uncertainty"):
            stated = number_in(row, "uncertainty", path, low=0.0, high=3.0)
            parts = {Influence("exposure", f"{path}, {step}"): stated / COVERAGE_FACTOR}
        value = number_in(row, "log_exposure", path, low=-_FARTHEST, high=_FARTHEST)
        exposures.append(Exposure(step=step, log_exposure=Quantity(value, parts)))
    return tuple(exposures)
