"""Runs in the notebook, with the films, developers and batches they name, and what each run was before a change."""

from __future__ import annotations

import json
import sqlite3
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final
from uuid import uuid4

from densiscan.development_runs import Run
from densiscan.errors import NotebookError, WrongUseError
from densiscan.quantity import Influence, Quantity

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
class Stamp:
    """How something came into the notebook: when (ISO 8601), by which version, by which command line."""

    made: str
    version: str
    arguments: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Which runs are asked for; None: of every film, of every developer, every number, all of them."""

    film: str | None = None
    developer: str | None = None
    number: int | None = None
    removed: bool | None = False
    last: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A developer mixed at one time.

    Attributes
    ----------
    mixed, discarded
        Days, None where they are not known.
    uses
        How often it was used: the highest use of its runs.
    film_area_m2
        Of all its runs of which sheets and size are known.
    runs
        The numbers of its runs.
    """

    developer: str
    name: str
    mixed: str | None
    discarded: str | None
    uses: int
    film_area_m2: float
    runs: tuple[int, ...]


def name_key(name: str) -> str:
    """Return what makes two spellings the same name: letters large or small, one blank or two, composed or not."""
    return " ".join(unicodedata.normalize("NFC", name).casefold().split())


def quantity_of(value: float | None, standard: float | None, key: str) -> Quantity | None:
    """Return a kept value with its uncertainty as one influence of its own."""
    if value is None:
        return None
    if standard is None:
        return Quantity(value, None)
    return Quantity(value, {Influence("reading", key): standard} if standard else {})


def film_id(connection: sqlite3.Connection, name: str, made: str) -> int:
    """Return the row of a film, made where there is none."""
    return _named(connection, "films", name, made)


def developer_id(connection: sqlite3.Connection, name: str, made: str) -> int:
    """Return the row of a developer, made where there is none."""
    return _named(connection, "developers", name, made)


def _named(connection: sqlite3.Connection, table: str, name: str, made: str) -> int:
    key = name_key(name)
    connection.execute(
        f"INSERT INTO {table} (uid, name, name_key, changed) VALUES (?, ?, ?, ?) ON CONFLICT (name_key) DO NOTHING",
        (uuid4().hex, name, key, made),
    )
    return int(connection.execute(f"SELECT id FROM {table} WHERE name_key = ?", (key,)).fetchone()[0])


def batch_id(connection: sqlite3.Connection, developer: int, name: str, *, mixed: str | None, made: str) -> int:
    """Return the row of a batch of a developer, made where there is none, then as mixed on that day."""
    key = name_key(name)
    connection.execute(
        """INSERT INTO batches (uid, developer_id, name, name_key, mixed, changed) VALUES (?, ?, ?, ?, ?, ?)
        ON CONFLICT (developer_id, name_key) DO NOTHING""",
        (uuid4().hex, developer, name, key, mixed, made),
    )
    found = connection.execute("SELECT id FROM batches WHERE developer_id = ? AND name_key = ?", (developer, key))
    return int(found.fetchone()[0])


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
        connection.execute(
            """INSERT INTO readings (uid, negative_id, content_key, made, version, arguments, density_range,
            density_range_standard, base_plus_fog, base_plus_fog_standard) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
            (key, negative.lastrowid, key, stamp.made, stamp.version, stamp.arguments, *_pair(span), *_pair(base)),
        )


def _pair(quantity: Quantity | None) -> tuple[float | None, float | None]:
    return (None, None) if quantity is None else (quantity.value, quantity.standard_uncertainty)


def runs(connection: sqlite3.Connection, choice: Choice) -> tuple[Run, ...]:
    """Return the runs asked for, the earliest first; the last ones where only some are asked for."""
    where, values = _where(choice)
    chosen = f"{_SELECT} {where} ORDER BY runs.date DESC, runs.number DESC LIMIT ?"
    limit = -1 if choice.last is None else choice.last
    rows = _dicts(connection.execute(chosen, (*values, limit)))[::-1]
    whole = choice.last is None and choice.number is None and choice.film is None
    read = _latest_readings(connection, None if whole else [row["number"] for row in rows])
    return tuple(_run(row, read.get(row["number"], ())) for row in rows)


def count_runs(connection: sqlite3.Connection, choice: Choice) -> int:
    """Return how many runs are asked for."""
    where, values = _where(choice)
    return int(connection.execute(f"SELECT count(*) {_FROM} {where}", values).fetchone()[0])


def _where(choice: Choice) -> tuple[str, list[object]]:
    parts: list[str] = []
    values: list[object] = []
    for column, name in (("films.name_key", choice.film), ("developers.name_key", choice.developer)):
        if name is not None:
            parts.append(f"{column} = ?")
            values.append(name_key(name))
    if choice.number is not None:
        parts.append("runs.number = ?")
        values.append(choice.number)
    if choice.removed is not None:
        parts.append(f"runs.removed IS {'NOT ' if choice.removed else ''}NULL")
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), values


def _latest_readings(
    connection: sqlite3.Connection, numbers: list[int] | None
) -> dict[int, list[tuple[Quantity | None, Quantity | None]]]:
    """Return, by run, density range and base plus fog of each negative as it was last read."""
    some = "" if numbers is None else "AND negatives.run IN (SELECT value FROM json_each(?))"
    rows = connection.execute(
        f"""SELECT negatives.run, negatives.id, negatives.uid, readings.density_range, readings.density_range_standard,
            readings.base_plus_fog, readings.base_plus_fog_standard
        FROM negatives JOIN readings ON readings.negative_id = negatives.id
        WHERE readings.removed IS NULL AND negatives.run IS NOT NULL {some}
        ORDER BY negatives.id, readings.made, readings.id""",
        () if numbers is None else (json.dumps(numbers),),
    )
    last = {row[1]: row for row in rows}
    found: dict[int, list[tuple[Quantity | None, Quantity | None]]] = {}
    for run, _, uid, *numbers_read in last.values():
        span = quantity_of(numbers_read[0], numbers_read[1], uid)
        base = quantity_of(numbers_read[2], numbers_read[3], f"{uid} base")
        found.setdefault(run, []).append((span, base))
    return found


def _run(row: Mapping[str, Any], read: Iterable[tuple[Quantity | None, Quantity | None]]) -> Run:
    pairs = list(read)
    width, height = row["sheet_width_mm"], row["sheet_height_mm"]
    try:
        return Run(
            number=row["number"],
            film=row["film"],
            developer=row["developer"],
            batch=row["batch"],
            sheet_size_mm=None if width is None or height is None else (width, height),
            density_ranges=tuple(span for span, _ in pairs if span is not None),
            base_plus_fogs=tuple(base for _, base in pairs if base is not None),
            removed=row["removed"] is not None,
            **{name: row[name] for name in PLAIN},
        )
    except (WrongUseError, TypeError, ValueError):
        # All of it was checked when it was written.
        raise NotebookError(
            f"run {row['number']} in the notebook is damaged; put a backup in the notebook's place."
        ) from None


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
    found = () if connection is None else runs(connection, Choice(number=number, removed=None))
    if not found:
        raise WrongUseError(f"there is no run {number} in the notebook; densiscan run list shows those there are.")
    return found[0]


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


def undo(connection: sqlite3.Connection, stamp: Stamp) -> tuple[str, int] | None:
    """Take back the last change of any run; return what it was and of which run, None where there is none.

    Taking back is a change too, so that a second undo brings it back.
    """
    last = connection.execute("SELECT what, run, before FROM changes ORDER BY made DESC, id DESC LIMIT 1").fetchone()
    if last is None:
        return None
    what, number, before = str(last[0]), int(last[1]), last[2]
    if before is None:
        set_removed(connection, number, stamp, removed=True)
        return what, number
    row = json.loads(before)
    note_change(connection, number, "correct", stamp)
    _set_elsewhere(connection, number, row.get("elsewhere", ()), stamp)
    ids = _ids(connection, row["film"], row["developer"], row["batch"], stamp)
    facts = {name: row[name] for name in (*PLAIN, "sheet_width_mm", "sheet_height_mm", "removed")}
    _update(connection, number, {**facts, **ids, "changed": stamp.made})
    return what, number


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
        "INSERT INTO changes (uid, run, made, what, before, version, arguments) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (uuid4().hex, number, stamp.made, what, before, stamp.version, stamp.arguments),
    )


def uses_of(connection: sqlite3.Connection, developer: str, batch: str) -> int:
    """Return how often a batch was used as far as the runs say; 0 where none names it."""
    found = connection.execute(
        """SELECT max(runs.use) FROM runs JOIN batches ON batches.id = runs.batch_id
        JOIN developers ON developers.id = batches.developer_id
        WHERE developers.name_key = ? AND batches.name_key = ? AND runs.removed IS NULL""",
        (name_key(developer), name_key(batch)),
    ).fetchone()
    return int(found[0] or 0)


def film_base(connection: sqlite3.Connection, film: str) -> Quantity | None:
    """Return the density of a film's base, None where it is not known."""
    found = connection.execute(
        "SELECT uid, base_density, base_density_standard FROM films WHERE name_key = ?", (name_key(film),)
    ).fetchone()
    return None if found is None else quantity_of(found[1], found[2], f"{found[0]} base")


def set_film_base(connection: sqlite3.Connection, film: str, base: Quantity, made: str) -> None:
    """Keep the density of a film's base."""
    connection.execute(
        "UPDATE films SET base_density = ?, base_density_standard = ?, changed = ? WHERE id = ?",
        (base.value, base.standard_uncertainty, made, film_id(connection, film, made)),
    )


def batch(connection: sqlite3.Connection | None, developer: str, name: str) -> Batch:
    """Return what is known of a batch.

    Raises
    ------
    WrongUseError
        If no run names it and it was never described.
    """
    found = None
    if connection is not None:
        found = connection.execute(
            """SELECT batches.id, developers.name, batches.name, batches.mixed, batches.discarded
            FROM batches JOIN developers ON developers.id = batches.developer_id
            WHERE developers.name_key = ? AND batches.name_key = ?""",
            (name_key(developer), name_key(name)),
        ).fetchone()
    if connection is None or found is None:
        raise WrongUseError(f"no batch {name} of {developer} is in the notebook; run add --batch makes it.")
    row, *facts = found
    of = connection.execute(
        """SELECT number, use, coalesce(sheets * sheet_width_mm * sheet_height_mm, 0) / 1e6 FROM runs
        WHERE batch_id = ? AND removed IS NULL ORDER BY date, number""",
        (row,),
    ).fetchall()
    return Batch(
        developer=facts[0],
        name=facts[1],
        mixed=facts[2],
        discarded=facts[3],
        uses=max((use for _, use, _ in of), default=0),
        film_area_m2=sum(area for _, _, area in of),
        runs=tuple(number for number, _, _ in of),
    )


def set_batch(
    connection: sqlite3.Connection, developer: str, name: str, days: Mapping[str, str | None], made: str
) -> None:
    """Set when a batch was `mixed` and `discarded`, as far as said; it is made where there is none."""
    row = batch_id(connection, developer_id(connection, developer, made), name, mixed=None, made=made)
    for day in ("mixed", "discarded"):
        if days.get(day) is not None:
            connection.execute(f"UPDATE batches SET {day} = ?, changed = ? WHERE id = ?", (days[day], made, row))
