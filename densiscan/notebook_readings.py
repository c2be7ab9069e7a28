"""Negatives with their readings, and the documents kept by name: wedges, calibrations, tests, prints.

A negative is one piece of film on one scan, known by the SHA-256 of the scan's file. Measured again it is the same
negative with one more reading; measured again in the same way it is the same reading.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

from densiscan.errors import WrongUseError
from densiscan.notebook_runs import Stamp, name_key, quantity_of
from densiscan.notebook_schema import KINDS, READ
from densiscan.quantity import COVERAGE_FACTOR, Quantity

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
        The run it belongs to; None: as before, or none.
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
    uid
        The same in every notebook it is merged into.
    negative
        The uid of the negative: two readings of one scan share it.
    quantities
        The densities by their names in the contract, those that were read.
    document
        The reading as the contract prints it; None where a figure was read elsewhere, or documents were not asked for.
    """

    uid: str
    negative: str
    run: int | None
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


def add_reading(connection: sqlite3.Connection, new: NewReading, stamp: Stamp) -> str:
    """Write a reading and return its uid; one that is there already only moves to the run named."""
    negative = _negative(connection, new, stamp)
    calibration = text_sha256(canonical(new.calibration))
    key = reading_key(new.scan_sha256, new.piece, calibration, new.options, stamp.version)
    name = str(new.calibration.get("name") or "calibration")[:80]
    made_with = _row_of(connection, "calibration", name, calibration)
    if made_with is None:
        made_with = keep(connection, "calibration", name, new.calibration, stamp=stamp)
    values: dict[str, object] = {
        "uid": uuid4().hex,
        "negative_id": negative,
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
        f"INSERT INTO readings ({', '.join(values)}) VALUES ({', '.join('?' * len(values))}) "
        "ON CONFLICT (content_key) DO UPDATE SET removed = NULL, made = excluded.made",
        tuple(values.values()),
    )
    return str(connection.execute("SELECT uid FROM readings WHERE content_key = ?", (key,)).fetchone()[0])


def _row_of(connection: sqlite3.Connection, kind: str, name: str, content: str) -> int | None:
    """Return the row of a document of that name and content, whether it is the last of its name or not."""
    found = connection.execute(
        "SELECT id FROM documents WHERE kind = ? AND name_key = ? AND content_sha256 = ?",
        (kind, name_key(name), content),
    ).fetchone()
    return None if found is None else int(found[0])


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
    found = connection.execute("SELECT id FROM negatives WHERE scan_sha256 = ? AND piece = ?", where)
    return int(found.fetchone()[0])


_SELECT: Final = f"""
    SELECT readings.uid, negatives.uid, negatives.run, negatives.file, negatives.scan_sha256, negatives.piece,
        readings.made, readings.version, readings.arguments,
        {", ".join(f"readings.{name}, readings.{name}_standard" for name in READ)}
"""
_FROM: Final = "FROM readings JOIN negatives ON negatives.id = readings.negative_id WHERE readings.removed IS NULL"


def readings(
    connection: sqlite3.Connection, *, run: int | None = None, with_documents: bool = True
) -> tuple[KeptReading, ...]:
    """Return the readings, of one run or all, in the order they were made."""
    some = "" if run is None else "AND negatives.run = ?"
    document = ", readings.document" if with_documents else ", NULL"
    rows = connection.execute(
        f"{_SELECT}{document} {_FROM} {some} ORDER BY readings.made, readings.id", () if run is None else (run,)
    )
    return tuple(_kept_reading(row) for row in rows)


def last_readings(connection: sqlite3.Connection, runs: Sequence[int]) -> tuple[KeptReading, ...]:
    """Return, of each negative of these runs, the reading made last, without its document."""
    rows = connection.execute(
        f"{_SELECT}, NULL {_FROM} AND negatives.run IN (SELECT value FROM json_each(?)) "
        "ORDER BY negatives.id, readings.made, readings.id",
        (json.dumps(list(runs)),),
    )
    last = {row[1]: row for row in rows}
    return tuple(_kept_reading(row) for row in last.values())


_JUDGED: Final = ("exposure", "clipped", "beyond_calibration", "development")
"""What a reading says of its own frame, by its names in the contract."""


def judged(connection: sqlite3.Connection, runs: Sequence[int]) -> dict[int, dict[str, dict[str, Any]]]:
    """Return, by run and by the uid of each negative, what the reading made last says of its frame.

    Of the whole document only exposure, clipping, what is beyond the calibration, and development: notebooks grow.
    """
    parts = ", ".join(f"'{name}', json_extract(readings.document, '$.{name}')" for name in _JUDGED)
    rows = connection.execute(
        f"""SELECT negatives.run, negatives.uid, json_object({parts}) FROM negatives
        JOIN readings ON readings.negative_id = negatives.id
        WHERE readings.removed IS NULL AND readings.document IS NOT NULL
            AND negatives.run IN (SELECT value FROM json_each(?))
        ORDER BY negatives.id, readings.made, readings.id""",
        (json.dumps(list(runs)),),
    )
    found: dict[int, dict[str, dict[str, Any]]] = {}
    for run, uid, document in rows:
        found.setdefault(run, {})[uid] = json.loads(document)
    return found


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
    uid, negative, run, file, scan, piece, made, version, arguments, *rest = row
    found = {
        name: quantity_of(rest[2 * place], rest[2 * place + 1], f"{negative} {name}") for place, name in enumerate(READ)
    }
    return KeptReading(
        uid=uid,
        negative=negative,
        run=run,
        file=file,
        scan_sha256=scan,
        piece=piece or None,
        made=made,
        version=version,
        arguments=arguments,
        quantities={name: quantity for name, quantity in found.items() if quantity is not None},
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
    found: tuple[int, str, str] | None = connection.execute(
        """SELECT id, content_sha256, document FROM documents WHERE kind = ? AND name_key = ?
        ORDER BY made DESC, id DESC LIMIT 1""",
        (kind, key),
    ).fetchone()
    return found


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
