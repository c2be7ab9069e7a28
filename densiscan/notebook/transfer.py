"""The whole notebook out and in again: one JSON document, or a folder of CSV tables.

A text cell that a table program would take for a formula gets an apostrophe before it, which is taken off again on the
way in. What is read in is checked whole before anything is merged.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from densiscan.errors import NotebookError, WrongUseError
from densiscan.files.atomic import guarded, unguarded, write_whole
from densiscan.files.documents import TooLargeError, read_document
from densiscan.notebook.location import kept_calibrations, place_for_calibration
from densiscan.notebook.merge import Merged
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import canonical, text_sha256
from densiscan.notebook.tables import TABLES, Column, Row, Tables, checked

FORMAT: Final = "densiscan.notebook/1"
_LARGEST_BYTES: Final = 2_000_000_000


def whole_tables(book: Notebook) -> Tables:
    """Return everything in the notebook, the named calibrations beside it too."""
    tables = book.tables()
    there = {row["uid"] for row in tables["documents"]}
    for file in (kept.file for kept in kept_calibrations(book.path)):
        document = _calibration_in(file)
        if document is None or _named_uid(file.stem, document) in there:
            continue
        tables["documents"].append(
            {
                "uid": _named_uid(file.stem, document),
                "kind": "calibration",
                "name": file.stem,
                "scan_sha256": None,
                "made": str(document.get("created")),
                "version": "",
                "arguments": "",
                "document": document,
            }
        )
    return tables


def _named_uid(name: str, document: Mapping[str, Any]) -> str:
    """Return the uid by which a named calibration is known from one that a reading was merely made with."""
    return text_sha256(f"{name}\n{canonical(document)}")[:32]


def _calibration_in(file: Path) -> dict[str, Any] | None:
    """Return the document of a calibration file, None where it holds none that can be kept."""
    try:
        document = read_document(file)
        row = {"made": str(document["created"])}
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return document if isinstance(document, dict) and row["made"] else None


def notebook_json(tables: Tables, *, exported: str, version: str) -> str:
    """Return tables as the text of one JSON document."""
    document = {"format": FORMAT, "exported": exported, "version": version, **tables}
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_csv_tables(tables: Tables, folder: Path) -> tuple[Path, ...]:
    """Write each table as a CSV file of its name into a folder, made where there is none.

    Raises
    ------
    DensiscanError
        If one cannot be written; each is written whole or not at all.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        reason = (problem.strerror or "unknown reason").lower()
        raise NotebookError(f"the folder {folder} cannot be made: {reason}; name another.") from problem
    files = []
    for table, columns in TABLES.items():
        text = io.StringIO(newline="")
        sheet = csv.writer(text, lineterminator="\n")
        sheet.writerow(column.name for column in columns)
        sheet.writerows([_cell(row[column.name], column) for column in columns] for row in tables[table])
        files.append(folder / f"{table}.csv")
        write_whole(files[-1], text.getvalue(), what="the table")
    return tuple(files)


def _cell(value: Any, column: Column) -> str:
    if value is None:
        return ""
    if column.kind == "text":
        return guarded(str(value))
    # within a document a semicolon stands as its code, so that nothing after it can begin a cell
    return canonical(value).replace(";", "\\u003b") if column.kind == "document" else repr(value)


def read_tables(place: Path) -> Tables:
    """Read what was exported: a JSON file, a folder of CSV tables, or another notebook.

    Raises
    ------
    NotebookError
        If it is none of these, or a row of it is not as it must be; the sentence names the row.
    """
    if place.is_dir():
        return checked(_csv_tables(place), str(place))
    try:
        with place.open("rb") as stream:
            head = stream.read(15)
        if head == b"SQLite format 3":
            with Notebook(place) as other:
                return checked(whole_tables(other), str(place))
        document = _document_in(place)
    except OSError as problem:
        reason = (problem.strerror or "unknown reason").lower()
        raise NotebookError(f"{place} cannot be read: {reason}.") from problem
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise NotebookError(f"{place} is not an exported notebook; give what densiscan notebook export wrote.")
    return checked(document, str(place))


def _document_in(place: Path) -> Any:
    try:
        return read_document(place, largest=_LARGEST_BYTES)
    except TooLargeError:
        raise NotebookError(f"{place} is too large for an exported notebook.") from None
    except ValueError:
        raise NotebookError(
            f"{place} is not an exported notebook, or was cut off; give what densiscan notebook export wrote."
        ) from None


def _csv_tables(folder: Path) -> dict[str, list[Row]]:
    tables: dict[str, list[Row]] = {}
    for table, columns in TABLES.items():
        file = folder / f"{table}.csv"
        try:
            with file.open(encoding="utf-8-sig", newline="") as stream:
                text = stream.read()
        except (OSError, UnicodeDecodeError):
            raise NotebookError(
                f"{file} cannot be read; give the folder that densiscan notebook export --csv wrote."
            ) from None
        tables[table] = _rows_of(text, columns, file)
    return tables


def _rows_of(text: str, columns: tuple[Column, ...], file: Path) -> list[Row]:
    usual = csv.field_size_limit(max(len(text), 1))  # a document in a cell may be large
    try:
        sheet = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as problem:
        raise NotebookError(f"{file} is not a table: {problem}; nothing was imported.") from None
    finally:
        csv.field_size_limit(usual)
    by_name = {column.name: column for column in columns}
    head = sheet[0] if sheet else []
    strange = [name for name in head if name not in by_name]
    if not head or strange or len(set(head)) < len(head):
        what = f"the unknown column {strange[0]}" if strange else "no head line, or a column twice"
        raise NotebookError(f"{file} has {what}; nothing was imported.")
    rows = []
    for at, cells in enumerate(sheet[1:], start=1):
        if len(cells) != len(head):
            raise NotebookError(f"{file} row {at} has {len(cells)} cells instead of {len(head)}; nothing was imported.")
        rows.append({name: _read(cell, by_name[name]) for name, cell in zip(head, cells, strict=True)})
    return rows


def _read(cell: str, column: Column) -> Any:
    """Return what a cell says; where that is not of the column's kind, the text itself, to be refused by its name."""
    if not cell:
        return "" if column.needed and column.kind == "text" else None
    if column.kind == "text":
        return unguarded(cell)
    readers: dict[str, Callable[[str], Any]] = {"number": float, "whole": int, "document": json.loads}
    try:
        return readers[column.kind](cell)
    except (ValueError, RecursionError):
        return cell


def merge_into(book: Notebook, tables: Tables) -> tuple[Merged, tuple[Path, ...]]:
    """Merge checked tables into a notebook; return what was done, and the named calibrations put beside it."""
    merged = book.merge(tables)
    last: dict[str, Mapping[str, Any]] = {}
    for row in sorted(tables["documents"], key=lambda row: str(row["made"])):
        if row["kind"] == "calibration" and row["uid"] == _named_uid(row["name"], row["document"]):
            last[row["name"]] = row["document"]
    places = [_put_beside(book, name, document) for name, document in last.items()]
    return merged, tuple(place for place in places if place is not None)


def _put_beside(book: Notebook, name: str, document: Mapping[str, Any]) -> Path | None:
    """Write a named calibration beside the notebook, where its name allows and there is none."""
    try:
        place = place_for_calibration(name, book.path)
    except WrongUseError:
        return None
    if place.exists():
        return None
    write_whole(place, json.dumps(document, indent=1, ensure_ascii=False) + "\n", what="the calibration")
    return place
