"""What a change of the notebook did to what counts for runs, to be said in words."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from densiscan.development.run import Run
from densiscan.development.usable_readings import Counted, RunReading, Standing, other_ways, why_silent
from densiscan.notebook.counting import counted_by_run
from densiscan.notebook.readings import NewReading


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingNews:
    """What became of one reading that was just made.

    Attributes
    ----------
    was, run
        The run its negative was of before, and is of now.
    asked
        Whether it was made for a run.
    standing
        For the run; None where its negative is of none, but `removed` where it is taken out.
    ways
        By what it differs from the reading that counts.
    left_out
        Why its range does not count, None where it does.
    """

    file: str
    was: int | None
    run: int | None
    asked: bool
    standing: Standing | None
    ways: tuple[str, ...] = ()
    left_out: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """One change: the runs that it may have touched, before and after, and the readings that were made."""

    before: tuple[Run, ...]
    after: tuple[Run, ...]
    readings: tuple[ReadingNews, ...] = ()


def news_of(
    connection: sqlite3.Connection,
    new: Sequence[NewReading],
    uids: Sequence[str],
    *,
    were: Mapping[tuple[str, int | None], int | None],
    before: tuple[Run, ...],
    after: tuple[Run, ...],
) -> News:
    """Return what became of readings just added; `were` is the run of each scan and piece before."""
    counts = counted_by_run(connection, [run.number for run in after])
    changes = []
    for one, uid in zip(new, uids, strict=True):
        number, negative, run, removed = connection.execute(
            """SELECT readings.id, negatives.uid, negatives.run, readings.removed FROM readings
            JOIN negatives ON negatives.id = readings.negative_id WHERE readings.uid = ?""",
            (uid,),
        ).fetchone()
        counted = counts.get(run)
        standing: Standing | None = None if counted is None else counted.standings.get(number)
        if removed is not None:
            standing = "removed"
        counting = None if counted is None else _counting(counted, negative)
        changes.append(
            ReadingNews(
                file=one.file if one.piece is None else f"{one.file}, piece {one.piece}",
                was=were[one.scan_sha256, one.piece],
                run=run,
                asked=one.run is not None,
                standing=standing,
                ways=_ways(counted, counting, number),
                left_out=None if counting is None else why_silent(counting.document or {}),
            )
        )
    return News(before=before, after=after, readings=tuple(changes))


def _counting(counted: Counted, negative: str) -> RunReading | None:
    return next((reading for reading in counted.readings if reading.negative == negative), None)


def _ways(counted: Counted | None, counting: RunReading | None, number: int) -> tuple[str, ...]:
    """Return by what a reading differs from the one that counts of its negative."""
    if counted is None or counting is None:
        return ()
    own = counted.ways.get(number)
    return () if own is None else other_ways(own, counting.way)
