"""Runs in the notebook, with the films, developers and batches they name, and what each run was before a change."""

from __future__ import annotations

import json
import sqlite3
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final
from uuid import uuid4

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.names import name_key as meant
from densiscan.development.run import Run
from densiscan.development.usable_readings import Counted
from densiscan.errors import NotebookError, WrongUseError
from densiscan.notebook.counting import (
    counted_by_run,
    negatives_of,
    note_states,
    quantity_of,
    runs_of,
    set_states,
    states_of,
)
from densiscan.notebook.stamp import Stamp

PLAIN: Final = (
    "use",
    "date",
    "time_s",
    "temperature_c",
    "dilution",
    "exposure_index",
    "agitation",
    "prewash",
    "stop",
    "fix",
    "sheets",
    "volume_ml",
    "scene_stops",
    "note",
)
"""The fields of a run that are a column of the same name."""

_FROM: Final = """FROM runs JOIN films ON films.id = runs.film_id JOIN developers ON developers.id = runs.developer_id
    LEFT JOIN batches ON batches.id = runs.batch_id"""
_SELECT: Final = f"""
    SELECT runs.number, runs.uid, runs.removed, films.name AS film, developers.name AS developer, batches.name AS batch,
        runs.sheet_width_mm, runs.sheet_height_mm, {", ".join(f"runs.{name}" for name in PLAIN)} {_FROM}
"""


_ELSEWHERE: Final = "negatives.run = ? AND negatives.scan_sha256 IS NULL"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunChoice:
    """Which runs are asked for; None: of every film, of every developer, every number, all of them."""

    film: str | None = None
    developer: str | None = None
    number: int | None = None
    removed: bool | None = False
    last: int | None = None


def name_key(name: str) -> str:
    """Return what a name is kept under: letters large or small, one blank or two, composed or not are the same.

    Films and developers are looked for by what a person means, too: see `same_named`.
    """
    return " ".join(unicodedata.normalize("NFC", name).casefold().split())


def film_id(connection: sqlite3.Connection, name: str, made: str) -> int:
    """Return the row of a film, made where there is none."""
    return _named(connection, "films", name, made)


def developer_id(connection: sqlite3.Connection, name: str, made: str) -> int:
    """Return the row of a developer, made where there is none."""
    return _named(connection, "developers", name, made)


def same_named(connection: sqlite3.Connection, table: str, name: str) -> dict[int, str]:
    """Return rows and names of the films or developers that a name means, the first kept first."""
    rows = connection.execute(f"SELECT id, name FROM {table} ORDER BY id")
    return {int(row): str(kept) for row, kept in rows if meant(kept) == meant(name)}


def names_in(connection: sqlite3.Connection, table: str) -> tuple[str, ...]:
    """Return the names of all films or developers that runs were logged of, the first kept first."""
    column = {"films": "film_id", "developers": "developer_id"}[table]
    rows = connection.execute(
        f"SELECT name FROM {table} WHERE EXISTS "
        f"(SELECT 1 FROM runs WHERE {column} = {table}.id AND removed IS NULL) ORDER BY id"
    )
    return tuple(str(row[0]) for row in rows)


def _named(connection: sqlite3.Connection, table: str, name: str, made: str) -> int:
    key = name_key(name)
    exactly = connection.execute(f"SELECT id FROM {table} WHERE name_key = ?", (key,)).fetchone()
    if exactly is not None:
        return int(exactly[0])
    for row in same_named(connection, table, name):
        return row
    added = connection.execute(
        f"INSERT INTO {table} (uid, name, name_key, changed) VALUES (?, ?, ?, ?)", (uuid4().hex, name, key, made)
    )
    return int(added.lastrowid or 0)


def batch_id(connection: sqlite3.Connection, developer: int, name: str, *, mixed: str | None, made: str) -> int:
    """Return the row of a batch of a developer, made where there is none, then as mixed on that day."""
    key = name_key(name)
    connection.execute(
        """INSERT INTO batches (uid, developer_id, name, name_key, mixed, changed) VALUES (?, ?, ?, ?, ?, ?)
        ON CONFLICT (developer_id, name_key) DO NOTHING""",
        (uuid4().hex, developer, name, key, mixed, made),
    )
    row = connection.execute("SELECT id FROM batches WHERE developer_id = ? AND name_key = ?", (developer, key))
    return int(row.fetchone()[0])


def add_run(connection: sqlite3.Connection, run: Run, stamp: Stamp) -> int:
    """Write a new run and return its number; `run.number` is not used.

    What was read of it elsewhere becomes a reading of a negative of its own.
    """
    values = {**_values(connection, run, stamp), "uid": uuid4().hex, "version": stamp.version}
    values |= {"arguments": stamp.arguments, "changed": stamp.made}
    names, marks = ", ".join(values), ", ".join("?" * len(values))
    cursor = connection.execute(f"INSERT INTO runs ({names}) VALUES ({marks})", tuple(values.values()))
    number = int(cursor.lastrowid or 0)
    _add_elsewhere(connection, number, run, stamp)
    note_change(connection, number, "add", stamp)
    return number


def _values(connection: sqlite3.Connection, run: Run, stamp: Stamp) -> dict[str, Any]:
    width, height = run.sheet_size_mm or (None, None)
    return {
        **_ids(connection, run.film, run.developer, run.batch, stamp, mixed=run.date[:10]),
        **{name: getattr(run, name) for name in PLAIN},
        "sheet_width_mm": width,
        "sheet_height_mm": height,
    }


def _ids(
    connection: sqlite3.Connection, film: str, developer: str, batch: str | None, stamp: Stamp, mixed: str | None = None
) -> dict[str, int | None]:
    """Return the rows that a run points to, made where there are none."""
    mixed_in = developer_id(connection, developer, stamp.made)
    of = None if batch is None else batch_id(connection, mixed_in, batch, mixed=mixed, made=stamp.made)
    return {"film_id": film_id(connection, film, stamp.made), "developer_id": mixed_in, "batch_id": of}


def _add_elsewhere(connection: sqlite3.Connection, number: int, run: Run, stamp: Stamp) -> None:
    """Keep the density ranges and bases plus fog read elsewhere: the first of both are of one negative, and so on."""
    for place in range(max(len(run.density_ranges), len(run.base_plus_fogs))):
        span = run.density_ranges[place] if place < len(run.density_ranges) else None
        base = run.base_plus_fogs[place] if place < len(run.base_plus_fogs) else None
        negative = connection.execute(
            "INSERT INTO negatives (uid, run, changed) VALUES (?, ?, ?)", (uuid4().hex, number, stamp.made)
        )
        key = uuid4().hex
        how = (stamp.made, stamp.version, stamp.arguments)
        connection.execute(
            """INSERT INTO readings (uid, negative_id, run, content_key, made, version, arguments, density_range,
            density_range_standard, base_plus_fog, base_plus_fog_standard) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
            (key, negative.lastrowid, number, key, *how, *_pair(span), *_pair(base)),
        )


def _pair(quantity: Quantity | None) -> tuple[float | None, float | None]:
    return (None, None) if quantity is None else (quantity.value, quantity.standard_uncertainty)


def runs(connection: sqlite3.Connection, choice: RunChoice) -> tuple[Run, ...]:
    """Return the runs asked for, the earliest first; the last ones where only some are asked for."""
    where, values = _where(connection, choice)
    chosen = f"{_SELECT} {where} ORDER BY runs.date DESC, runs.number DESC LIMIT ?"
    limit = -1 if choice.last is None else choice.last
    rows = _dicts(connection.execute(chosen, (*values, limit)))[::-1]
    whole = choice.last is None and choice.number is None and choice.film is None
    read = counted_by_run(connection, None if whole else [row["number"] for row in rows])
    spelling = {table: _spellings(connection, table) for table in ("films", "developers")}
    for row in rows:
        row |= {"film": spelling["films"][row["film"]], "developer": spelling["developers"][row["developer"]]}
    return tuple(_run(row, read.get(row["number"], _NOTHING)) for row in rows)


_NOTHING: Final = Counted(
    standings={}, ways={}, silent={}, readings=(), density_ranges=(), scene_stops=(), base_plus_fogs=(), left_out=()
)


def _spellings(connection: sqlite3.Connection, table: str) -> dict[str, str]:
    """Return by each name the one that was kept first of all that mean the same, so that they are one history."""
    names = [str(row[0]) for row in connection.execute(f"SELECT name FROM {table} ORDER BY id")]
    first: dict[str, str] = {}
    return {name: first.setdefault(meant(name), name) for name in names}


def count_runs(connection: sqlite3.Connection, choice: RunChoice) -> int:
    """Return how many runs are asked for."""
    where, values = _where(connection, choice)
    return int(connection.execute(f"SELECT count(*) {_FROM} {where}", values).fetchone()[0])


def _where(connection: sqlite3.Connection, choice: RunChoice) -> tuple[str, list[object]]:
    parts: list[str] = []
    values: list[object] = []
    for table, name in (("films", choice.film), ("developers", choice.developer)):
        if name is not None:
            parts.append(f"{table}.id IN (SELECT value FROM json_each(?))")
            values.append(json.dumps(list(same_named(connection, table, name))))
    if choice.number is not None:
        parts.append("runs.number = ?")
        values.append(choice.number)
    if choice.removed is not None:
        parts.append(f"runs.removed IS {'NOT ' if choice.removed else ''}NULL")
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), values


def _run(row: Mapping[str, Any], read: Counted) -> Run:
    width, height = row["sheet_width_mm"], row["sheet_height_mm"]
    try:
        return Run(
            number=row["number"],
            film=row["film"],
            developer=row["developer"],
            batch=row["batch"],
            sheet_size_mm=None if width is None or height is None else (width, height),
            density_ranges=read.density_ranges,
            sheet_stops=_own_subjects(read.scene_stops, row["scene_stops"]),
            base_plus_fogs=read.base_plus_fogs,
            left_out=read.left_out,
            removed=row["removed"] is not None,
            **{name: row[name] for name in PLAIN},
        )
    except (WrongUseError, TypeError, ValueError):
        # All of it was checked when it was written.
        raise NotebookError(
            f"run {row['number']} in the notebook is damaged; put a backup in the notebook's place."
        ) from None


def _own_subjects(stated: tuple[float | None, ...], of_run: float | None) -> tuple[float | None, ...]:
    """Return the subject of each negative where they differ, or where the run says none; else the run's is for all."""
    told = {stops for stops in stated if stops is not None}
    return stated if len(told) > 1 or (told and of_run is None) else ()


def _dicts(cursor: sqlite3.Cursor) -> list[dict[str, Any]]:
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]


def run_numbered(connection: sqlite3.Connection | None, number: int) -> Run:
    """Return one run, removed or not.

    Raises
    ------
    WrongUseError
        If there is none of that number.
    """
    matching = () if connection is None else runs(connection, RunChoice(number=number, removed=None))
    if not matching:
        raise WrongUseError(f"there is no run {number} in the notebook; densiscan run list shows those there are.")
    return matching[0]


def correct_run(connection: sqlite3.Connection, run: Run, stamp: Stamp, *, reread: bool = False) -> None:
    """Write a run's facts over those of the same number.

    Parameters
    ----------
    reread
        The density ranges and bases plus fog of `run` take the place of those read elsewhere; else these stay.
    """
    note_change(connection, run.number, "correct", stamp)
    _update(connection, run.number, {**_values(connection, run, stamp), "changed": stamp.made})
    if reread:
        _set_elsewhere(connection, run.number, (), stamp)
        _add_elsewhere(connection, run.number, run, stamp)


def set_removed(connection: sqlite3.Connection, number: int, stamp: Stamp, *, removed: bool) -> None:
    """Take a run out of the notebook, or put it back; nothing of it is lost."""
    what = "remove" if removed else "restore"
    note_change(connection, number, what, stamp)
    _update(connection, number, {"removed": stamp.made if removed else None, "changed": stamp.made})


@dataclass(frozen=True, slots=True, kw_only=True)
class Undone:
    """What was taken back: the kind of change, its run (None: of no run), and the runs whose readings it may move."""

    what: str
    run: int | None
    runs: frozenset[int]


def last_act(connection: sqlite3.Connection) -> frozenset[int]:
    """Return the runs that an undo now would touch."""
    touched: set[int] = set()
    for _, run, before in _last_changes(connection):
        touched |= set() if run is None else {run}
        state = json.loads(before or "{}")
        if "readings" in state:
            touched |= runs_of(connection, negatives_of(connection, state))
            touched |= _numbers(connection, state["negatives"].values())
    return frozenset(touched)


def _numbers(connection: sqlite3.Connection, uids: Iterable[str | None]) -> set[int]:
    rows = connection.execute(
        "SELECT number FROM runs WHERE uid IN (SELECT value FROM json_each(?))", (json.dumps(list(uids)),)
    )
    return {int(row) for (row,) in rows}


def _last_changes(connection: sqlite3.Connection) -> list[tuple[str, int | None, str | None]]:
    """Return the last change with all that were made with it, the last first."""
    last = connection.execute("SELECT id, act FROM changes ORDER BY made DESC, id DESC LIMIT 1").fetchone()
    if last is None:
        return []
    row, act = last
    chosen = ("id = ?", row) if act is None else ("act = ?", act)
    rows = connection.execute(
        f"SELECT what, run, before FROM changes WHERE {chosen[0]} ORDER BY made DESC, id DESC", (chosen[1],)
    )
    return [(str(what), None if run is None else int(run), before) for what, run, before in rows]


def undo(connection: sqlite3.Connection, stamp: Stamp) -> Undone | None:
    """Take back the last change of any run or reading, None where there is none.

    Taking back is a change too, so that a second undo brings it back.
    """
    changes = _last_changes(connection)
    if not changes:
        return None
    touched = last_act(connection)
    for what, number, before in changes:
        _take_back(connection, what, number, before, stamp)
    return Undone(what=changes[0][0], run=changes[0][1], runs=touched)


def _take_back(connection: sqlite3.Connection, what: str, number: int | None, before: str | None, stamp: Stamp) -> None:
    row = json.loads(before or "{}")
    if "readings" in row:
        negatives = negatives_of(connection, row)
        now = states_of(connection, negatives)
        set_states(connection, row)
        note_states(connection, now, negatives, number, what, stamp)
        return
    assert number is not None  # noqa: S101 - only changes of readings are of no run
    if before is None:
        set_removed(connection, number, stamp, removed=True)
        return
    note_change(connection, number, "correct", stamp)
    _set_elsewhere(connection, number, row.get("elsewhere", ()), stamp)
    ids = _ids(connection, row["film"], row["developer"], row["batch"], stamp)
    facts = {name: row[name] for name in (*PLAIN, "sheet_width_mm", "sheet_height_mm", "removed")}
    _update(connection, number, {**facts, **ids, "changed": stamp.made})


def elsewhere(connection: sqlite3.Connection, number: int) -> tuple[tuple[Quantity, ...], tuple[Quantity, ...]]:
    """Return the density ranges and bases plus fog of a run that were read elsewhere."""
    rows = connection.execute(
        f"""SELECT readings.uid, density_range, density_range_standard, base_plus_fog, base_plus_fog_standard
        FROM readings JOIN negatives ON negatives.id = readings.negative_id
        WHERE {_ELSEWHERE} AND readings.removed IS NULL ORDER BY readings.id""",
        (number,),
    ).fetchall()
    spans = (quantity_of(row[1], row[2], row[0]) for row in rows)
    bases = (quantity_of(row[3], row[4], row[0]) for row in rows)
    return tuple(one for one in spans if one is not None), tuple(one for one in bases if one is not None)


def _set_elsewhere(connection: sqlite3.Connection, number: int, counting: Iterable[str], stamp: Stamp) -> None:
    """Let exactly these of the readings made elsewhere count."""
    rows = connection.execute(
        f"SELECT readings.id, readings.uid FROM readings JOIN negatives ON negatives.id = readings.negative_id "
        f"WHERE {_ELSEWHERE}",
        (number,),
    ).fetchall()
    wanted = set(counting)
    for row, uid in rows:
        removed = None if uid in wanted else stamp.made
        connection.execute("UPDATE readings SET removed = ? WHERE id = ?", (removed, row))


def _row(connection: sqlite3.Connection, number: int) -> dict[str, Any]:
    """Return a run as it is, by the names and uids that mean the same in any notebook."""
    row = _dicts(connection.execute(f"{_SELECT} WHERE runs.number = ?", (number,)))[0]
    counting = connection.execute(
        f"SELECT readings.uid FROM readings JOIN negatives ON negatives.id = readings.negative_id "
        f"WHERE {_ELSEWHERE} AND readings.removed IS NULL",
        (number,),
    )
    kept = {name: value for name, value in row.items() if name not in {"number", "uid"}}
    return {**kept, "elsewhere": [uid for (uid,) in counting]}


def _update(connection: sqlite3.Connection, number: int, values: Mapping[str, Any]) -> None:
    sets = ", ".join(f"{name} = ?" for name in values)
    connection.execute(f"UPDATE runs SET {sets} WHERE number = ?", (*values.values(), number))


def note_change(connection: sqlite3.Connection, number: int, what: str, stamp: Stamp) -> None:
    """Keep what a run is now, before it is corrected, removed or restored; of one just added there is no before."""
    before = None if what == "add" else json.dumps(_row(connection, number))
    connection.execute(
        "INSERT INTO changes (uid, run, made, what, before, version, arguments, act) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (uuid4().hex, number, stamp.made, what, before, stamp.version, stamp.arguments, stamp.act),
    )
