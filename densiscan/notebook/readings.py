"""Negatives with their readings, and the documents kept by name: wedges, calibrations, tests, prints.

A negative is one piece of film on one scan, known by the SHA-256 of the scan's file. Measured again it is the same
negative with one more reading; measured again in the same way it is the same reading.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Quantity
from densiscan.errors import WrongUseError
from densiscan.notebook.counting import counted_by_run, note_states, quantity_of, runs_of, states_of
from densiscan.notebook.runs import name_key
from densiscan.notebook.schema import KINDS, READ
from densiscan.notebook.stamp import Stamp

_BLOCK_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class NewReading:
    """What one measurement of one piece of film adds.

    Parameters
    ----------
    file
        The scan's name.
    scan_sha256
        Of the scan's file, as `file_sha256` gives it.
    piece
        1, 2, ... where the scan holds several pieces, else None.
    calibration
        The document of the calibration used.
    options
        Everything else the reading depends on, as plain JSON values.
    document
        The reading as the contract prints it.
    run
        The run it is made for, which its negative then belongs to; None: for none.
    """

    file: str
    scan_sha256: str
    piece: int | None
    calibration: Mapping[str, Any]
    options: Mapping[str, Any]
    document: Mapping[str, Any]
    run: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptReading:
    """A reading as the notebook has it.

    Attributes
    ----------
    number
        In this notebook: what a person calls it by.
    uid
        The same in every notebook it is merged into.
    negative
        The uid of the negative: two readings of one scan share it.
    run
        That the negative is of.
    removed
        Taken out of the notebook, but not forgotten.
    quantities
        The densities by their names in the contract, those that were read.
    document
        The reading as the contract prints it; None where a figure was read elsewhere, or documents were not asked for.
    """

    number: int = 0
    uid: str
    negative: str
    run: int | None
    removed: bool = False
    file: str | None
    scan_sha256: str | None
    piece: int | None
    made: str
    version: str
    arguments: str
    quantities: Mapping[str, Quantity]
    document: dict[str, Any] | None


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file, read block by block; OSError where it cannot be read."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


def file_status(path: Path) -> tuple[int, int] | None:
    """Return size and time of change (ns) of a file, by which it is the same as before; None where it is not seen."""
    with suppress(OSError):
        status = path.stat()
        return status.st_size, status.st_mtime_ns
    return None


def canonical(document: object) -> str:
    """Return a document as the one text that equal documents share."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))


def text_sha256(text: str) -> str:
    """Return the SHA-256 of a text as UTF-8."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def reading_key(
    scan_sha256: str, piece: int | None, calibration_sha256: str, options: Mapping[str, Any] | None, version: str
) -> str:
    """Return what makes two measurements the same: scan, piece, calibration, options and version."""
    return text_sha256(canonical([scan_sha256, piece or 0, calibration_sha256, options, version]))


def add_readings(connection: sqlite3.Connection, new: Sequence[NewReading], stamp: Stamp) -> tuple[str, ...]:
    """Write readings and return their uids; what those made for a run changed is kept, so that it can be undone."""
    there = [row for one in new if (row := _negative_of(connection, one)) is not None]
    before = states_of(connection, there)
    numbers = {one.run for one in new if one.run is not None}
    counting = {one.number for of in counted_by_run(connection, sorted(numbers)).values() for one in of.readings}
    uids = tuple(_add_reading(connection, one, stamp, counting) for one in new)
    for_runs = [one for one in new if one.run is not None]
    negatives = [row for one in for_runs if (row := _negative_of(connection, one)) is not None]
    if for_runs:
        note_states(connection, before, negatives, for_runs[0].run, "measure", stamp)
    return uids


def _negative_of(connection: sqlite3.Connection, new: NewReading) -> int | None:
    row = connection.execute(
        "SELECT id FROM negatives WHERE scan_sha256 = ? AND piece = ?", (new.scan_sha256, new.piece or 0)
    ).fetchone()
    return None if row is None else int(row[0])


def runs_before(connection: sqlite3.Connection, new: Sequence[NewReading]) -> dict[tuple[str, int | None], int | None]:
    """Return, by scan and piece, the run that each negative is of, before readings of it are added."""
    run_of = {}
    for one in new:
        row = connection.execute(
            "SELECT run FROM negatives WHERE scan_sha256 = ? AND piece = ?", (one.scan_sha256, one.piece or 0)
        ).fetchone()
        run_of[one.scan_sha256, one.piece] = None if row is None else row[0]
    return run_of


def _add_reading(connection: sqlite3.Connection, new: NewReading, stamp: Stamp, counting: set[int]) -> str:
    """Write a reading and return its uid.

    One that is there already is made anew only for a run: made for none, or counting for that run already, it stays as
    it is, taken out or not.
    """
    negative = _negative(connection, new, stamp)
    calibration = text_sha256(canonical(new.calibration))
    key = reading_key(new.scan_sha256, new.piece, calibration, new.options, stamp.version)
    there = connection.execute("SELECT id, uid, run FROM readings WHERE content_key = ?", (key,)).fetchone()
    if there is not None and there[0] in counting and there[2] == new.run:
        return str(there[1])
    name = str(new.calibration.get("name") or "calibration")[:80]
    made_with = _row_of(connection, "calibration", name, calibration)
    if made_with is None:
        made_with = keep(connection, "calibration", name, new.calibration, stamp=stamp)
    values: dict[str, object] = {
        "uid": uuid4().hex,
        "negative_id": negative,
        "run": new.run,
        "calibration_id": made_with,
        "options": canonical(new.options),
        "content_key": key,
        "made": stamp.made,
        "version": stamp.version,
        "arguments": stamp.arguments,
        "document": canonical(new.document),
    }
    for quantity in READ:
        values |= _columns(quantity, new.document.get(quantity))
    connection.execute(
        f"""INSERT INTO readings ({", ".join(values)}) VALUES ({", ".join("?" * len(values))})
        ON CONFLICT (content_key) DO UPDATE SET
            removed = CASE WHEN excluded.run IS NULL THEN readings.removed END,
            made = iif(excluded.run IS NULL AND readings.run IS NOT NULL, readings.made, excluded.made),
            run = coalesce(excluded.run, readings.run)""",
        tuple(values.values()),
    )
    return str(connection.execute("SELECT uid FROM readings WHERE content_key = ?", (key,)).fetchone()[0])


def _row_of(connection: sqlite3.Connection, kind: str, name: str, content: str) -> int | None:
    """Return the row of a document of that name and content, whether it is the last of its name or not."""
    row = connection.execute(
        "SELECT id FROM documents WHERE kind = ? AND name_key = ? AND content_sha256 = ?",
        (kind, name_key(name), content),
    ).fetchone()
    return None if row is None else int(row[0])


def _columns(name: str, read: Any) -> dict[str, float | None]:
    if read is None:
        return {}
    doubt = read["uncertainty"]
    return {name: read["value"], f"{name}_standard": None if doubt is None else doubt / COVERAGE_FACTOR}


def _negative(connection: sqlite3.Connection, new: NewReading, stamp: Stamp) -> int:
    where = (new.scan_sha256, new.piece or 0)
    connection.execute(
        """INSERT INTO negatives (uid, scan_sha256, piece, file, run, changed) VALUES (?, ?, ?, ?, ?, ?)
        ON CONFLICT (scan_sha256, piece) DO UPDATE SET file = excluded.file, run = coalesce(excluded.run, run),
        changed = excluded.changed""",
        (uuid4().hex, *where, new.file, new.run, stamp.made),
    )
    row = connection.execute("SELECT id FROM negatives WHERE scan_sha256 = ? AND piece = ?", where)
    return int(row.fetchone()[0])


_SELECT: Final = f"""
    SELECT readings.id, readings.uid, negatives.uid, negatives.run, readings.removed, negatives.file,
        negatives.scan_sha256, negatives.piece, readings.made, readings.version, readings.arguments,
        {", ".join(f"readings.{name}, readings.{name}_standard" for name in READ)}
"""
_ALL: Final = "FROM readings JOIN negatives ON negatives.id = readings.negative_id"
_FROM: Final = f"{_ALL} WHERE readings.removed IS NULL"


def readings(
    connection: sqlite3.Connection, *, run: int | None = None, removed: bool | None = False, with_documents: bool = True
) -> tuple[KeptReading, ...]:
    """Return the readings, of one run or all, in the order they were made; `removed` None: those taken out too."""
    state = {False: "readings.removed IS NULL", True: "readings.removed IS NOT NULL", None: "TRUE"}[removed]
    some = "" if run is None else "AND negatives.run = ?"
    document = ", readings.document" if with_documents else ", NULL"
    rows = connection.execute(
        f"{_SELECT}{document} {_ALL} WHERE {state} {some} ORDER BY readings.made, readings.id",
        () if run is None else (run,),
    )
    return tuple(_kept_reading(row) for row in rows)


def counting_readings(
    connection: sqlite3.Connection, *, runs: Sequence[int] | None = None, with_documents: bool = True
) -> tuple[KeptReading, ...]:
    """Return, of each negative, the reading that counts for its run, in the order they were made.

    Where no runs are given, those of all runs, and of each negative of no run the reading made last.
    """
    numbers = [one.number for of in counted_by_run(connection, runs).values() for one in of.readings]
    if runs is None:
        rows = connection.execute(
            """SELECT readings.id, negatives.id FROM readings JOIN negatives ON negatives.id = readings.negative_id
            WHERE readings.removed IS NULL AND negatives.run IS NULL ORDER BY readings.made, readings.id"""
        )
        numbers += {negative: number for number, negative in rows}.values()
    document = ", readings.document" if with_documents else ", NULL"
    rows = connection.execute(
        f"{_SELECT}{document} {_ALL} WHERE readings.id IN (SELECT value FROM json_each(?)) "
        "ORDER BY readings.made, readings.id",
        (json.dumps(numbers),),
    )
    return tuple(_kept_reading(row) for row in rows)


def _negatives_read(connection: sqlite3.Connection, numbers: Sequence[int]) -> list[int]:
    rows = connection.execute(
        "SELECT DISTINCT negative_id FROM readings WHERE id IN (SELECT value FROM json_each(?))",
        (json.dumps(list(numbers)),),
    )
    return [int(row) for (row,) in rows]


def runs_of_readings(connection: sqlite3.Connection, numbers: Sequence[int]) -> set[int]:
    """Return the runs that the negatives of readings are of."""
    return runs_of(connection, _negatives_read(connection, numbers))


def set_removed(connection: sqlite3.Connection, numbers: Sequence[int], stamp: Stamp, *, removed: bool) -> None:
    """Take readings out, or put them back; nothing of them is lost."""
    negatives = _negatives_read(connection, numbers)
    before = states_of(connection, negatives)
    connection.execute(
        "UPDATE readings SET removed = ? WHERE id IN (SELECT value FROM json_each(?))",
        (stamp.made if removed else None, json.dumps(list(numbers))),
    )
    what = "remove-reading" if removed else "restore-reading"
    note_states(connection, before, negatives, min(runs_of(connection, negatives), default=None), what, stamp)


def readings_of_scan(
    connection: sqlite3.Connection, scan_sha256: str, calibration: Mapping[str, Any], options: Mapping[str, Any]
) -> tuple[KeptReading, ...]:
    """Return the readings that a scan gave when it was measured in this way, by piece; none: it was not."""
    rows = connection.execute(
        f"{_SELECT}, readings.document {_FROM} AND negatives.scan_sha256 = ? AND readings.options = ? "
        "AND readings.calibration_id IN (SELECT id FROM documents WHERE kind = 'calibration' AND content_sha256 = ?) "
        "ORDER BY negatives.piece",
        (scan_sha256, canonical(options), text_sha256(canonical(calibration))),
    )
    return tuple(_kept_reading(row) for row in rows)


def how_read(connection: sqlite3.Connection, uid: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the document of the calibration that a reading was made with, and its options; empty where not known."""
    row = connection.execute(
        "SELECT documents.document, readings.options FROM readings "
        "LEFT JOIN documents ON documents.id = readings.calibration_id WHERE readings.uid = ?",
        (uid,),
    ).fetchone()
    calibration, options = (None, None) if row is None else row
    return json.loads(calibration or "{}"), json.loads(options or "{}")


def _kept_reading(row: tuple[Any, ...]) -> KeptReading:
    number, uid, negative, run, removed, file, scan, piece, made, version, arguments, *rest = row
    quantities = {
        name: quantity_of(rest[2 * place], rest[2 * place + 1], f"{negative} {name}") for place, name in enumerate(READ)
    }
    return KeptReading(
        number=number,
        uid=uid,
        negative=negative,
        run=run,
        removed=removed is not None,
        file=file,
        scan_sha256=scan,
        piece=piece or None,
        made=made,
        version=version,
        arguments=arguments,
        quantities={name: quantity for name, quantity in quantities.items() if quantity is not None},
        document=None if rest[-1] is None else json.loads(rest[-1]),
    )


def require_kind(kind: str) -> None:
    """Check that the notebook keeps documents of that kind.

    Raises
    ------
    WrongUseError
        If not.
    """
    if kind not in KINDS:
        raise WrongUseError(f'the notebook keeps no "{kind}"; it keeps {", ".join(KINDS)}.')


def keep(
    connection: sqlite3.Connection,
    kind: str,
    name: str,
    document: Mapping[str, Any],
    *,
    stamp: Stamp,
    scan_sha256: str | None = None,
) -> int:
    """Keep a document under a name, the earlier ones of that name too; the same as the last one is kept once."""
    text = canonical(document)
    content, key = text_sha256(text), name_key(name)
    last = _last(connection, kind, key)
    if last is not None and last[1] == content:
        return int(last[0])
    made = connection.execute(
        """INSERT INTO documents (uid, kind, name, name_key, content_sha256, scan_sha256, made, version, arguments,
        document) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        (uuid4().hex, kind, name, key, content, scan_sha256, stamp.made, stamp.version, stamp.arguments, text),
    )
    return int(made.lastrowid or 0)


def _last(connection: sqlite3.Connection, kind: str, key: str) -> tuple[int, str, str] | None:
    last: tuple[int, str, str] | None = connection.execute(
        """SELECT id, content_sha256, document FROM documents WHERE kind = ? AND name_key = ?
        ORDER BY made DESC, id DESC LIMIT 1""",
        (kind, key),
    ).fetchone()
    return last


def kept(connection: sqlite3.Connection, kind: str, name: str) -> dict[str, Any] | None:
    """Return the document last kept under a name, None where there is none."""
    last = _last(connection, kind, name_key(name))
    document: dict[str, Any] | None = None if last is None else json.loads(last[2])
    return document


def names(connection: sqlite3.Connection, kind: str) -> tuple[str, ...]:
    """Return the names that documents of a kind are kept under, the last kept first."""
    rows = connection.execute(
        "SELECT name, max(made), max(id) FROM documents WHERE kind = ? GROUP BY name_key ORDER BY 2 DESC, 3 DESC",
        (kind,),
    )
    return tuple(str(row[0]) for row in rows)


def film_calibration_from(connection: sqlite3.Connection, scan_sha256: str) -> str | None:
    """Return the name of the calibration for film last made from a scan, None where none was."""
    row = connection.execute(
        """SELECT name FROM documents WHERE kind = 'calibration' AND scan_sha256 = ?
        AND json_extract(document, '$.mode') = 'transmission' ORDER BY made DESC, id DESC LIMIT 1""",
        (scan_sha256,),
    ).fetchone()
    return None if row is None else str(row[0])
