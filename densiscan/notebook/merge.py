"""One notebook merged into another: what is there already is not doubled, and of two versions the later one counts."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from densiscan.notebook.readings import canonical, reading_key, text_sha256
from densiscan.notebook.runs import PLAIN, batch_id, developer_id, film_id, name_key, note_change
from densiscan.notebook.schema import READ
from densiscan.notebook.stamp import Stamp
from densiscan.notebook.tables import Row, Tables


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """What a merge did: rows added and brought up to date, by table; runs that got another number, old to new."""

    added: Mapping[str, int]
    updated: Mapping[str, int]
    renumbered: Mapping[int, int]


@dataclass(slots=True, kw_only=True)
class _Merge:
    connection: sqlite3.Connection
    stamp: Stamp
    added: dict[str, int] = field(default_factory=dict)
    updated: dict[str, int] = field(default_factory=dict)
    renumbered: dict[int, int] = field(default_factory=dict)
    local: dict[str, Any] = field(default_factory=dict)
    """The row here of each uid there."""
    contents: dict[str, str] = field(default_factory=dict)
    """SHA-256 of the content of each document, by uid."""
    later_runs: set[str] = field(default_factory=set)
    stood_here: dict[str, str] = field(default_factory=dict)
    """When a reading of here last came to stand as it does, by uid: made, taken out or brought back."""
    stood_there: dict[str, str] = field(default_factory=dict)
    next_number: int = 1
    """For a run whose own number is taken here: above all numbers of both, so that no other run loses its own."""

    def one(self, question: str, *values: object) -> Any:
        return self.connection.execute(question, values).fetchone()

    def insert(self, table: str, values: Mapping[str, Any]) -> int:
        names, marks = ", ".join(values), ", ".join("?" * len(values))
        cursor = self.connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values()))
        self.added[table] = self.added.get(table, 0) + 1
        return int(cursor.lastrowid or 0)

    def update(self, table: str, key: str, row: Any, values: Mapping[str, Any]) -> None:
        sets = ", ".join(f"{name} = ?" for name in values)
        self.connection.execute(f"UPDATE {table} SET {sets} WHERE {key} = ?", (*values.values(), row))
        self.updated[table] = self.updated.get(table, 0) + 1


def merge(connection: sqlite3.Connection, tables: Tables, stamp: Stamp) -> Merged:
    """Merge checked tables into a notebook, within one transaction of the caller's."""
    highest = connection.execute("SELECT coalesce(max(number), 0) FROM runs").fetchone()[0]
    following = 1 + max([highest, *(row["number"] for row in tables["runs"])])
    here = connection.execute("SELECT made, before FROM changes WHERE what IN (?, ?)", _OF_READINGS)
    there = (
        (row["made"], row["before"] and canonical(row["before"]))
        for row in tables["changes"]
        if row["what"] in _OF_READINGS
    )
    work = _Merge(
        connection=connection,
        stamp=stamp,
        next_number=following,
        stood_here=_last_changes(here),
        stood_there=_last_changes(there),
    )
    for table, take in _STEPS.items():
        for row in tables[table]:
            take(work, row)
    return Merged(added=work.added, updated=work.updated, renumbered=work.renumbered)


_OF_READINGS: Final = ("remove-reading", "restore-reading")


def _last_changes(changes: Iterable[tuple[str, str | None]]) -> dict[str, str]:
    """Return when each reading was last taken out or brought back, of changes with what stood before them."""
    last: dict[str, str] = {}
    for made, before in changes:
        for uid in json.loads(before or "{}").get("readings", {}):
            last[uid] = max(made, last.get(uid, ""))
    return last


def _named(work: _Merge, table: str, row: Row, facts: tuple[str, ...]) -> None:
    existing = work.one(
        f"SELECT id, changed, {', '.join(facts)} FROM {table} WHERE name_key = ?", name_key(row["name"])
    )
    if existing is None:
        free = work.one(f"SELECT 1 FROM {table} WHERE uid = ?", row["uid"]) is None
        uid = row["uid"] if free else text_sha256(row["uid"] + row["name"])[:32]
        values = {name: row[name] for name in (*facts, "changed")}
        work.insert(table, {"uid": uid, "name": row["name"], "name_key": name_key(row["name"]), **values})
    else:
        _fill(work, table, existing, {name: row[name] for name in facts}, row["changed"])


def _fill(work: _Merge, table: str, existing: Any, facts: Row, changed: str) -> None:
    """Take what is said there: what is unknown here always, what is known here where it was said later there."""
    row, ours, *known = existing
    told = {
        name: value
        for (name, value), mine in zip(facts.items(), known, strict=True)
        if value is not None and value != mine and (mine is None or changed > ours)
    }
    if told:
        work.update(table, "id", row, {**told, "changed": max(changed, ours)})


def _film(work: _Merge, row: Row) -> None:
    _named(work, "films", row, ("base_density", "base_density_standard", "note"))


def _developer(work: _Merge, row: Row) -> None:
    _named(work, "developers", row, ("note",))


def _batch(work: _Merge, row: Row) -> None:
    developer = developer_id(work.connection, row["developer"], row["changed"])
    key = name_key(row["name"])
    facts = {name: row[name] for name in ("mixed", "discarded", "note")}
    existing = work.one(
        f"SELECT id, changed, {', '.join(facts)} FROM batches WHERE developer_id = ? AND name_key = ?", developer, key
    )
    if existing is None:
        values = {"developer_id": developer, "name": row["name"], "name_key": key, **facts, "changed": row["changed"]}
        work.insert("batches", {"uid": row["uid"], **values})
    else:
        _fill(work, "batches", existing, facts, row["changed"])


def _run(work: _Merge, row: Row) -> None:
    developer = developer_id(work.connection, row["developer"], row["changed"])
    batch = row["batch"]
    values = {
        "film_id": film_id(work.connection, row["film"], row["changed"]),
        "developer_id": developer,
        "batch_id": None
        if batch is None
        else batch_id(work.connection, developer, batch, mixed=None, made=row["changed"]),
        **{name: row[name] for name in (*PLAIN, "sheet_width_mm", "sheet_height_mm", "removed", "changed")},
    }
    existing = work.one("SELECT number, changed FROM runs WHERE uid = ?", row["uid"])
    if existing is None:
        taken = work.one("SELECT 1 FROM runs WHERE number = ?", row["number"]) is not None
        number = work.next_number if taken else row["number"]
        if taken:
            work.renumbered[row["number"]] = number
            work.next_number += 1
        values |= {"number": number, "uid": row["uid"], "version": row["version"], "arguments": row["arguments"]}
        work.local[row["uid"]] = work.insert("runs", values)
        work.later_runs.add(row["uid"])
        return
    work.local[row["uid"]] = existing[0]
    if row["changed"] > existing[1]:
        note_change(work.connection, existing[0], "correct", work.stamp)
        work.update("runs", "number", existing[0], values)
        work.later_runs.add(row["uid"])


def _change(work: _Merge, row: Row) -> None:
    if work.one("SELECT 1 FROM changes WHERE uid = ?", row["uid"]) is None:
        before = None if row["before"] is None else canonical(row["before"])
        values = {name: row[name] for name in ("uid", "made", "what", "version", "arguments", "act")}
        run = None if row["run"] is None else work.local[row["run"]]
        work.insert("changes", {**values, "run": run, "before": before})


def _document(work: _Merge, row: Row) -> None:
    text = canonical(row["document"])
    content, key = text_sha256(text), name_key(row["name"])
    work.contents[row["uid"]] = content
    existing = work.one(
        "SELECT id FROM documents WHERE uid = ? OR (kind = ? AND name_key = ? AND content_sha256 = ? AND made = ?)",
        row["uid"],
        row["kind"],
        key,
        content,
        row["made"],
    )
    if existing is None:
        values = {name: value for name, value in row.items() if name != "document"}
        existing = (work.insert("documents", {**values, "name_key": key, "content_sha256": content, "document": text}),)
    work.local[row["uid"]] = existing[0]


def _negative(work: _Merge, row: Row) -> None:
    run = None if row["run"] is None else work.local[row["run"]]
    existing = work.one(
        "SELECT id, run, changed FROM negatives WHERE uid = ? OR (scan_sha256 = ? AND piece = ?)",
        row["uid"],
        row["scan_sha256"],
        row["piece"],
    )
    if existing is None:
        existing = (work.insert("negatives", {**row, "run": run}),)
    elif run is not None and run != existing[1] and (existing[1] is None or row["changed"] > existing[2]):
        work.update("negatives", "id", existing[0], {"run": run, "changed": max(row["changed"], existing[2])})
    work.local[row["uid"]] = existing[0]


def _reading(work: _Merge, row: Row) -> None:
    negative = work.local[row["negative"]]
    scan, piece, run = work.one(
        """SELECT negatives.scan_sha256, negatives.piece, runs.uid FROM negatives
        LEFT JOIN runs ON runs.number = negatives.run WHERE negatives.id = ?""",
        negative,
    )
    made_for = None if row["run"] is None else work.local[row["run"]]
    key = row["uid"]
    if scan is not None and row["calibration"] is not None:
        calibration = work.contents[row["calibration"]]
        key = reading_key(scan, piece, calibration, row["options"], row["version"])
    existing = work.one(
        "SELECT id, made, removed, run, uid FROM readings WHERE uid = ? OR content_key = ? ORDER BY uid = ? DESC",
        row["uid"],
        key,
        row["uid"],
    )
    if existing is None:
        values = {name: row[name] for name in ("uid", "made", "removed", "version", "arguments")}
        values |= {name: row[name] for read in READ for name in (read, f"{read}_standard")}
        values |= {"negative_id": negative, "content_key": key, "run": made_for}
        values["calibration_id"] = None if row["calibration"] is None else work.local[row["calibration"]]
        for name in ("options", "document"):
            values[name] = None if row[name] is None else canonical(row[name])
        work.insert("readings", values)
        return
    ours = max(existing[1], work.stood_here.get(existing[4], ""))
    theirs = max(row["made"], work.stood_there.get(row["uid"], ""))
    removed = row["removed"] if theirs > ours or run in work.later_runs else existing[2]
    if row["made"] > existing[1] or removed != existing[2]:
        values = {"made": max(row["made"], existing[1]), "removed": removed}
        work.update("readings", "id", existing[0], {**values, "run": existing[3] if made_for is None else made_for})


_STEPS: Final = {
    "films": _film,
    "developers": _developer,
    "batches": _batch,
    "runs": _run,
    "changes": _change,
    "documents": _document,
    "negatives": _negative,
    "readings": _reading,
}
