"""Text tables that a person writes: wedges, exposures, densities.

A header, then one line an entry; cells are divided by commas, semicolons or tabs, lines that begin with # are comments.
"""

from __future__ import annotations

import codecs
import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from densiscan.errors import DensiscanError

_LARGEST_FILE_BYTES: Final = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What a table is, as messages say it, and the columns that must be there.

    `what` is such as "a wedge file", `entry` what a line holds, such as "a step", `error` what is raised. `instead` are
    columns that serve as well, in a table that has the first of them.
    """

    what: str
    entry: str
    columns: tuple[str, ...]
    error: type[DensiscanError]
    instead: tuple[str, ...] = ()

    @property
    def header(self) -> str:
        """The first line, as a person writes it."""
        return ",".join(self.columns)


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLine:
    """A line of a table: its number in the file, and its cells by column."""

    line: int
    cells: dict[str, str]


def read_lines(path: str | Path, form: Form) -> list[tuple[int, str]]:
    """Return the lines of a text file with their numbers from 1 on, stripped, without blank ones and comments.

    Raises
    ------
    DensiscanError
        Of the form's kind, if the file cannot be read, is too large, or is no text.
    """
    file = Path(path)
    try:
        with file.open("rb") as stream:
            raw = stream.read(_LARGEST_FILE_BYTES + 1)
        if len(raw) > _LARGEST_FILE_BYTES:
            raise form.error(f"{file} is too large for {form.what}; give a text file with one line {form.entry}.")
        text = _decoded(raw)
    except OSError as problem:
        reason = (problem.strerror or "unknown reason").lower()
        raise form.error(f"{file} cannot be read as {form.what}: {reason}.") from problem
    except UnicodeDecodeError as problem:
        raise form.error(f"{file} is not a text file; give a CSV file with the header {form.header}.") from problem
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), start=1)]
    return [(number, line) for number, line in lines if line and not line.startswith("#")]


def _decoded(raw: bytes) -> str:
    """Return text as editors and spreadsheets write it: UTF-8, UTF-16 by its mark, else the older Western code page.

    Raises
    ------
    UnicodeDecodeError
        If it is no text: pictures and the like hold zero bytes.
    """
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        if b"\0" in raw:
            raise
        # Only words can be read wrongly so, as figures and separators are the same in all.
        return raw.decode("latin-1")


def rows_of(lines: Sequence[tuple[int, str]], path: str | Path, form: Form) -> tuple[TableLine, ...]:
    """Return the entries of a table from its numbered lines, the header first; cells are stripped.

    Raises
    ------
    DensiscanError
        Of the form's kind, if there is no line, or a column is missing.
    """
    if not lines:
        raise form.error(f"{path} is empty; give a CSV file with the header {form.header} and one line {form.entry}.")
    separator = next((mark for mark in (";", "\t") if mark in lines[0][1]), ",")
    header, *entries = (_cells(line, separator) for _, line in lines)
    names = [name.lower() for name in header]
    wanted = form.instead if form.instead and form.instead[0] in names else form.columns
    twice = next((name for name in names if name and names.count(name) > 1), None)
    if twice is not None:
        raise form.error(f"{path}, line {lines[0][0]}: two columns are called {twice}; give each its own name.")
    missing = next((name for name in wanted if name not in names), None)
    if missing is not None:
        raise form.error(
            f"{path} has no header {','.join(wanted)} on line {lines[0][0]}: no column {missing}; put it above "
            "the numbers."
        )
    for (number, line), cells in zip(lines[1:], entries, strict=True):
        if any(cells[len(names) :]):
            raise form.error(
                f'{path}, line {number}: "{line}" has {len(cells)} cells under {len(names)} headings; write decimals '
                "with a point, or separate the cells by semicolons."
            )
    return tuple(
        TableLine(line=number, cells=dict(zip(names, cells, strict=False)))
        for (number, _), cells in zip(lines[1:], entries, strict=True)
    )


def _cells(line: str, separator: str) -> list[str]:
    """Return the cells of one line by itself: a quotation mark left open must not swallow the lines after it."""
    try:
        cells = next(csv.reader([line], delimiter=separator), [])
    except csv.Error:  # a cell longer than the reader takes
        cells = line.split(separator)
    return [cell.strip() for cell in cells]
