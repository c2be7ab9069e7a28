"""The notebook as plain tables, which mean the same in any notebook: rows point to rows by uid and name.

What comes from outside is checked column by column before a row of it is believed.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from densiscan.development.run import Run, require_name
from densiscan.errors import NotebookError, WrongUseError
from densiscan.notebook.runs import PLAIN
from densiscan.notebook.schema import CHANGES, KINDS, READ

Row = dict[str, Any]
Tables = dict[str, list[Row]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: its `kind` (`text`, `number`, `whole`, `document`), and whether every row must fill it."""

    name: str
    kind: str = "text"
    needed: bool = False


def _columns(text: str) -> tuple[Column, ...]:
    """Return columns as written: name, a colon and the kind where it is not text, a star where it is needed."""
    columns = []
    for word in text.split():
        name, _, kind = word.rstrip("*").partition(":")
        columns.append(Column(name=name, kind=kind or "text", needed=word.endswith("*")))
    return tuple(columns)


_MOST_RUNS: Final = 1_000_000
"""A run's number beyond this is a slip: nobody develops so often."""

_HOW: Final = "version* arguments*"
_READ: Final = " ".join(f"{name}:number {name}_standard:number" for name in READ)
_NUMBERS: Final = frozenset({"time_s", "temperature_c", "exposure_index", "volume_ml", "scene_stops"})
_WHOLE: Final = frozenset({"use", "sheets"})
_NEEDED: Final = frozenset({"use", "date", "time_s", "temperature_c"})


def _plain_column(name: str) -> str:
    kind = ":number" if name in _NUMBERS else ":whole" if name in _WHOLE else ""
    return f"{name}{kind}{'*' if name in _NEEDED else ''}"


TABLES: Final[dict[str, tuple[Column, ...]]] = {
    "films": _columns("uid* name* base_density:number base_density_standard:number note changed*"),
    "developers": _columns("uid* name* note changed*"),
    "batches": _columns("uid* developer* name* mixed discarded note changed*"),
    "runs": _columns(
        f"uid* number:whole* film* developer* batch {' '.join(map(_plain_column, PLAIN))} sheet_width_mm:number "
        f"sheet_height_mm:number removed changed* {_HOW}"
    ),
    "changes": _columns(f"uid* run made* what* before:document act {_HOW}"),
    "documents": _columns(f"uid* kind* name* scan_sha256 made* {_HOW} document:document*"),
    "negatives": _columns("uid* scan_sha256 piece:whole* file run changed*"),
    "readings": _columns(
        f"uid* negative* run calibration options:document made* removed {_HOW} {_READ} document:document"
    ),
}
"""In the order in which they can be read in: a row points only to tables above its own, or to its own."""

_FROM: Final[dict[str, tuple[str, dict[str, str]]]] = {
    "films": ("films ORDER BY films.id", {}),
    "developers": ("developers ORDER BY developers.id", {}),
    "batches": (
        "batches JOIN developers ON developers.id = batches.developer_id ORDER BY batches.id",
        {"developer": "developers.name"},
    ),
    "runs": (
        """runs JOIN films ON films.id = runs.film_id JOIN developers ON developers.id = runs.developer_id
        LEFT JOIN batches ON batches.id = runs.batch_id ORDER BY runs.number""",
        {"film": "films.name", "developer": "developers.name", "batch": "batches.name"},
    ),
    "changes": ("changes LEFT JOIN runs ON runs.number = changes.run ORDER BY changes.id", {"run": "runs.uid"}),
    "documents": ("documents ORDER BY documents.id", {}),
    "negatives": ("negatives LEFT JOIN runs ON runs.number = negatives.run ORDER BY negatives.id", {"run": "runs.uid"}),
    "readings": (
        """readings JOIN negatives ON negatives.id = readings.negative_id LEFT JOIN runs ON runs.number = readings.run
        LEFT JOIN documents ON documents.id = readings.calibration_id ORDER BY readings.id""",
        {"negative": "negatives.uid", "run": "runs.uid", "calibration": "documents.uid"},
    ),
}


def tables_of(connection: sqlite3.Connection) -> Tables:
    """Return every table of the notebook, documents as JSON values."""
    tables: Tables = {}
    for table, columns in TABLES.items():
        source, elsewhere = _FROM[table]
        names = ", ".join(elsewhere.get(column.name, f"{table}.{column.name}") for column in columns)
        rows = connection.execute(f"SELECT {names} FROM {source}")
        tables[table] = [
            {column.name: _opened(column, value) for column, value in zip(columns, row, strict=True)} for row in rows
        ]
    return tables


def _opened(column: Column, value: Any) -> Any:
    return json.loads(value) if column.kind == "document" and value is not None else value


def checked(tables: Mapping[str, Any], where: str) -> Tables:
    """Return tables from outside, every row checked.

    Parameters
    ----------
    where
        What the tables were read from, for the sentence.

    Raises
    ------
    NotebookError
        If a row is not as it must be; the sentence names it.
    """
    rows_of: Tables = {}
    for table, columns in TABLES.items():
        rows = tables.get(table)
        if table == "readings" and isinstance(rows, list):
            rows = _with_runs(rows, rows_of["negatives"])
        if not isinstance(rows, list):
            raise NotebookError(f"{where} has no table of {table}, so nothing was imported; export it again.")
        rows_of[table] = [_row(row, columns, f"{where}, {table} row {at}") for at, row in enumerate(rows, start=1)]
    _require_links(rows_of, where)
    return rows_of


def _with_runs(rows: list[Any], negatives: Sequence[Row]) -> list[Any]:
    """Return readings with the run each was made for: an earlier version exported none, as all counted for theirs."""
    of_negative = {row["uid"]: row["run"] for row in negatives}
    return [
        {**row, "run": of_negative.get(str(row.get("negative")))} if isinstance(row, dict) and "run" not in row else row
        for row in rows
    ]


def _row(row: Any, columns: Sequence[Column], where: str) -> Row:
    if not isinstance(row, dict):
        raise _bad(where, "is not a row of named values")
    unknown = row.keys() - {column.name for column in columns}
    if unknown:
        raise _bad(where, f"has the unknown column {min(unknown)}")
    kept = {}
    for column in columns:
        value = row.get(column.name)
        if value is None and column.needed:
            raise _bad(where, f"has no {column.name}")
        kept[column.name] = None if value is None else _value(value, column, where)
    _require_sense(kept, where)
    return kept


def _value(value: Any, column: Column, where: str) -> Any:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not _is_characters(value):
        raise _bad(where, f"has half a character in {column.name}, as of a text cut off in the middle")
    fits = {
        "text": isinstance(value, str),
        "number": number and math.isfinite(value),
        "whole": number and value == int(value) and abs(value) < 2**53 if number and math.isfinite(value) else False,
        "document": isinstance(value, dict),
    }[column.kind]
    if not fits:
        wanted = {"text": "a text", "number": "a number", "whole": "a whole number", "document": "a JSON object"}
        raise _bad(where, f"has {str(value)[:40]!r} for {column.name}, where {wanted[column.kind]} must be")
    return {"number": float, "whole": int}.get(column.kind, lambda same: same)(value)


def _is_characters(value: Any) -> bool:
    """Return whether a text, or all texts of a document, are whole characters: a lone surrogate is none."""
    if isinstance(value, dict):
        return all(_is_characters(name) and _is_characters(held) for name, held in value.items())
    if isinstance(value, list):
        return all(map(_is_characters, value))
    return not isinstance(value, str) or not any("\ud800" <= character <= "\udfff" for character in value)


_COUNTED: Final = {"number": 1, "piece": 0}
_ALLOWED: Final = {"kind": frozenset(KINDS), "what": frozenset(CHANGES)}


def _require_sense(row: Row, where: str) -> None:
    """Check what a row says as it would be checked from the command line."""
    try:
        for name in {"name", "film", "developer"} & row.keys():
            require_name(row[name], name)
        for run in (row, row.get("before") or {}):
            if "time_s" in run:
                Run(number=0, **{name: run[name] for name in ("film", "developer", "batch", *PLAIN)})
    except WrongUseError as problem:
        raise _bad(where, f"cannot be: {str(problem).rstrip('.')}") from None
    except (KeyError, TypeError, AttributeError):
        raise _bad(where, "describes an impossible run") from None
    for name, least in _COUNTED.items():
        if name in row and not least <= row[name] <= _MOST_RUNS:
            raise _bad(where, f"has {row[name]} for {name}, where a whole number from {least} must be")
    _require_marks(row, where)


def _require_marks(row: Row, where: str) -> None:
    for name in ("changed", "made", "removed"):
        if not _is_time(row.get(name)):
            raise _bad(where, f"has {row[name][:40]!r} for {name}, where a date and time must be")
    for name in _ALLOWED.keys() & row.keys():
        if row[name] not in _ALLOWED[name]:
            raise _bad(where, f"has the unknown {name} {row[name][:40]!r}")


def _is_time(text: str | None) -> bool:
    try:
        return text is None or bool(datetime.fromisoformat(text))
    except ValueError:
        return False


_LINKS: Final = (
    ("changes", "run", "runs"),
    ("negatives", "run", "runs"),
    ("readings", "negative", "negatives"),
    ("readings", "run", "runs"),
    ("readings", "calibration", "documents"),
)


def _require_links(tables: Tables, where: str) -> None:
    """Check that no uid stands twice, and that what a row points to is there."""
    there = {}
    for table, rows in tables.items():
        uids = [row["uid"] for row in rows]
        there[table] = set(uids)
        if len(there[table]) < len(uids):
            twice = next(at for at, uid in enumerate(uids, start=1) if uid in uids[: at - 1])
            raise _bad(f"{where}, {table} row {twice}", "has the uid of a row above it")
    for table, column, target in _LINKS:
        for at, row in enumerate(tables[table], start=1):
            if row[column] is not None and row[column] not in there[target]:
                raise _bad(f"{where}, {table} row {at}", f"points to a row of {target} that is not there")


def _bad(where: str, why: str) -> NotebookError:
    return NotebookError(f"{where} {why}; nothing was imported.")
