"""What the notebook knows of films and of developer as mixed: bases, batches, how often they were used."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.names import dilution_key
from densiscan.errors import WrongUseError
from densiscan.notebook.counting import quantity_of
from densiscan.notebook.runs import batch_id, developer_id, film_id, name_key, same_named


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
    dilution
        At which it was used, None where that is not known or not one.
    began
        Day from which it stood: mixed, else first used.
    """

    developer: str
    name: str
    mixed: str | None
    discarded: str | None
    uses: int
    film_area_m2: float
    runs: tuple[int, ...]
    dilution: str | None = None
    began: str | None = None


def uses_of(connection: sqlite3.Connection, developer: str, batch: str) -> int:
    """Return how often a batch was used as far as the runs say; 0 where none names it."""
    row = connection.execute(
        """SELECT max(runs.use) FROM runs JOIN batches ON batches.id = runs.batch_id
        JOIN developers ON developers.id = batches.developer_id
        WHERE developers.id IN (SELECT value FROM json_each(?)) AND batches.name_key = ? AND runs.removed IS NULL""",
        (json.dumps(list(same_named(connection, "developers", developer))), name_key(batch)),
    ).fetchone()
    return int(row[0] or 0)


def film_base(connection: sqlite3.Connection, film: str) -> Quantity | None:
    """Return the density of a film's base, None where it is not known."""
    row = connection.execute(
        """SELECT uid, base_density, base_density_standard FROM films
        WHERE id IN (SELECT value FROM json_each(?)) ORDER BY base_density IS NULL, changed DESC""",
        (json.dumps(list(same_named(connection, "films", film))),),
    ).fetchone()
    return None if row is None else quantity_of(row[1], row[2], f"{row[0]} base")


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
    entry = None
    if connection is not None:
        entry = connection.execute(
            """SELECT batches.id, developers.name, batches.name, batches.mixed, batches.discarded
            FROM batches JOIN developers ON developers.id = batches.developer_id
            WHERE developers.id IN (SELECT value FROM json_each(?)) AND batches.name_key = ? ORDER BY batches.id""",
            (json.dumps(list(same_named(connection, "developers", developer))), name_key(name)),
        ).fetchone()
    if connection is None or entry is None:
        raise WrongUseError(f"no batch {name} of {developer} is in the notebook; run add --batch makes it.")
    row, *facts = entry
    of = connection.execute(
        """SELECT number, use, dilution, coalesce(sheets * sheet_width_mm * sheet_height_mm, 0) / 1e6, date FROM runs
        WHERE batch_id = ? AND removed IS NULL ORDER BY date, number""",
        (row,),
    ).fetchall()
    return Batch(
        developer=facts[0],
        name=facts[1],
        mixed=facts[2],
        discarded=facts[3],
        uses=max((use for _, use, *_ in of), default=0),
        film_area_m2=sum(area for *_, area, _ in of),
        runs=tuple(number for number, *_ in of),
        dilution=of[-1][2] if len({dilution_key(dilution) for _, _, dilution, *_ in of}) == 1 else None,
        began=min((day for day in (facts[2], *(date for *_, date in of)) if day is not None), default=None),
    )


def set_batch(
    connection: sqlite3.Connection, developer: str, name: str, days: Mapping[str, str | None], made: str
) -> None:
    """Set when a batch was `mixed` and `discarded`, as far as said; it is made where there is none."""
    row = batch_id(connection, developer_id(connection, developer, made), name, mixed=None, made=made)
    for day in ("mixed", "discarded"):
        if days.get(day) is not None:
            connection.execute(f"UPDATE batches SET {day} = ?, changed = ? WHERE id = ?", (days[day], made, row))
