"""Readings beside their runs: what of them counts, by the rule in `development_readings`; how they stood before."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final
from uuid import uuid4

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.usable_readings import Counted, RunReading, Way, counted
from densiscan.notebook.stamp import Stamp

_JUDGED: Final = ("seen", "exposure", "clipped", "beyond_calibration", "development")
"""What a reading says of its own frame, by its names in the contract; not the whole document: notebooks grow."""

_PARTS: Final = ", ".join(f"'{name}', json_extract(readings.document, '$.{name}')" for name in _JUDGED)
_SELECT: Final = f"""
    SELECT negatives.run, readings.id, negatives.uid, negatives.file, readings.run IS negatives.run, readings.removed,
        documents.content_sha256, documents.name, readings.options, readings.density_range,
        readings.density_range_standard, readings.base_plus_fog, readings.base_plus_fog_standard,
        CASE WHEN readings.document IS NULL THEN NULL ELSE json_object({_PARTS}) END
    FROM negatives JOIN readings ON readings.negative_id = negatives.id
    LEFT JOIN documents ON documents.id = readings.calibration_id
    WHERE negatives.run IS NOT NULL
"""


def quantity_of(value: float | None, standard: float | None, key: str) -> Quantity | None:
    """Return a kept value with its uncertainty as one influence of its own."""
    if value is None:
        return None
    if standard is None:
        return Quantity(value, None)
    return Quantity(value, {Influence("reading", key): standard} if standard else {})


def counted_by_run(connection: sqlite3.Connection, numbers: Sequence[int] | None) -> dict[int, Counted]:
    """Return what counts, by run; of all runs where no numbers are given. A run without readings is not in it."""
    some = "" if numbers is None else "AND negatives.run IN (SELECT value FROM json_each(?))"
    rows = connection.execute(
        f"{_SELECT} {some} ORDER BY negatives.id, readings.made, readings.id",
        () if numbers is None else (json.dumps(list(numbers)),),
    )
    by_run: dict[int, list[RunReading]] = {}
    for run, *row in rows:
        by_run.setdefault(run, []).append(_run_reading(row))
    return {run: counted(readings) for run, readings in by_run.items()}


def _run_reading(row: Sequence[Any]) -> RunReading:
    number, negative, file, for_run, removed, calibration, name, options, *densities, document = row
    return RunReading(
        number=number,
        negative=negative,
        file=file,
        for_run=bool(for_run),
        removed=removed is not None,
        way=Way(calibration=calibration, name=name, options=json.loads(options or "{}")),
        density_range=quantity_of(densities[0], densities[1], negative),
        base_plus_fog=quantity_of(densities[2], densities[3], f"{negative} base"),
        document=None if document is None else json.loads(document),
    )


_STATE: Final = ("run", "removed", "made")

States = dict[str, dict[str, Any]]
"""By uid: the run of each negative; run, removal and time of each reading. Runs are by uid too."""


def states_of(connection: sqlite3.Connection, negatives: Iterable[int]) -> States:
    """Return how negatives and their readings stand."""
    rows = json.dumps(list(negatives))
    of_negatives = connection.execute(
        """SELECT negatives.uid, runs.uid FROM negatives LEFT JOIN runs ON runs.number = negatives.run
        WHERE negatives.id IN (SELECT value FROM json_each(?))""",
        (rows,),
    )
    of_readings = connection.execute(
        """SELECT readings.uid, runs.uid, readings.removed, readings.made
        FROM readings LEFT JOIN runs ON runs.number = readings.run
        WHERE readings.negative_id IN (SELECT value FROM json_each(?))""",
        (rows,),
    )
    return {
        "negatives": dict(of_negatives.fetchall()),
        "readings": {uid: dict(zip(_STATE, state, strict=True)) for uid, *state in of_readings},
    }


def set_states(connection: sqlite3.Connection, states: Mapping[str, Mapping[str, Any]]) -> None:
    """Let negatives and readings stand as they stood."""
    run = "(SELECT number FROM runs WHERE uid = ?)"
    for uid, of in states["negatives"].items():
        connection.execute(f"UPDATE negatives SET run = {run} WHERE uid = ?", (of, uid))
    for uid, state in states["readings"].items():
        connection.execute(
            f"UPDATE readings SET run = {run}, removed = ?, made = coalesce(?, made) WHERE uid = ?",
            (state["run"], state["removed"], state["made"], uid),
        )


def note_states(
    connection: sqlite3.Connection, before: States, negatives: Sequence[int], run: int | None, what: str, stamp: Stamp
) -> None:
    """Keep how negatives and their readings stood before a change that was just made; nothing where none was.

    What was not there before stands as belonging to no run.
    """
    after = states_of(connection, negatives)
    was = {
        "negatives": {uid: before["negatives"].get(uid) for uid in after["negatives"]},
        "readings": {
            uid: before["readings"].get(uid, {"run": None, "removed": None, "made": now["made"]})
            for uid, now in after["readings"].items()
        },
    }
    if was == after:
        return
    connection.execute(
        "INSERT INTO changes (uid, run, made, what, before, version, arguments, act) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (uuid4().hex, run, stamp.made, what, json.dumps(was), stamp.version, stamp.arguments, stamp.act),
    )


def negatives_of(connection: sqlite3.Connection, states: Mapping[str, Mapping[str, Any]]) -> list[int]:
    """Return the rows of the negatives in these states, as far as they are here."""
    rows = connection.execute(
        "SELECT id FROM negatives WHERE uid IN (SELECT value FROM json_each(?))",
        (json.dumps(list(states["negatives"])),),
    )
    return [int(row) for (row,) in rows]


def runs_of(connection: sqlite3.Connection, negatives: Iterable[int]) -> set[int]:
    """Return the numbers of the runs that negatives are of."""
    rows = connection.execute(
        "SELECT DISTINCT run FROM negatives WHERE run IS NOT NULL AND id IN (SELECT value FROM json_each(?))",
        (json.dumps(list(negatives)),),
    )
    return {int(row) for (row,) in rows}
