"""Tables of a film test: exposures given, and densities read elsewhere."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from densiscan.errors import PointsFileError
from densiscan.film import CurvePoint
from densiscan.quantity import COVERAGE_FACTOR, Influence, Quantity

_LARGEST_FILE_BYTES: Final = 1_000_000
_MOST_ROWS: Final = 500
_HIGHEST_DENSITY: Final = 8.0
_FARTHEST: Final = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """An exposure given: its name on the film, and log10 of it (lux seconds, or relative)."""

    step: str
    log_exposure: Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A line of a table: its number in the file, and its cells by column."""

    line: int
    cells: dict[str, str]


def read_rows(path: str | Path, *, needed: Sequence[str], what: str) -> tuple[Row, ...]:
    """Read a CSV table with a header; lines that begin with # are comments, commas, semicolons and tabs divide.

    Parameters
    ----------
    needed
        Columns that must be there.
    what
        What the file is, for messages.

    Raises
    ------
    PointsFileError
        If it cannot be read, lacks a column, or holds no line.
    """
    file = Path(path)
    header_wanted = ",".join(needed)
    try:
        if file.stat().st_size > _LARGEST_FILE_BYTES:
            raise PointsFileError(f"{file} is too large for {what}; give a text file with one line an exposure.")
        text = file.read_bytes().decode("utf-8-sig")
    except OSError as problem:
        reason = (problem.strerror or "unknown reason").lower()
        raise PointsFileError(f"{file} cannot be read as {what}: {reason}.") from problem
    except UnicodeDecodeError as problem:
        raise PointsFileError(
            f"{file} is not a text file; give a CSV file with the header {header_wanted}."
        ) from problem
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), start=1)]
    lines = [(number, line) for number, line in lines if line and not line.startswith("#")]
    if not lines:
        raise PointsFileError(
            f"{file} is empty; give a CSV file with the header {header_wanted} and a line an exposure."
        )
    separator = next((mark for mark in (";", "\t") if mark in lines[0][1]), ",")
    try:
        rows = list(csv.reader((line for _, line in lines), delimiter=separator))
    except csv.Error as problem:
        raise PointsFileError(
            f"{file} is no table: {problem}; give a CSV file with the header {header_wanted}."
        ) from problem
    header = [name.strip().lower() for name in rows[0]]
    missing = [name for name in needed if name not in header]
    if missing:
        raise PointsFileError(
            f"{file} has no column {missing[0]} on line {lines[0][0]}; {what} begins with the header {header_wanted}."
        )
    found = [
        Row(line=number, cells={name: cell.strip() for name, cell in zip(header, row, strict=False)})
        for (number, _), row in zip(lines[1:], rows[1:], strict=False)
    ]
    if not 0 < len(found) <= _MOST_ROWS:
        raise PointsFileError(f"{file} holds {len(found)} exposures; give 1 to {_MOST_ROWS}, one a line.")
    return tuple(found)


def number_in(row: Row, column: str, path: str | Path, *, low: float, high: float) -> float:
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
