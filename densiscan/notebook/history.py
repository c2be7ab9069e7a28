"""What was changed of runs and readings, and when."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class NotebookChange:
    """A change of a run or of its readings: when (ISO 8601), what, and of which run, None: of none.

    `what` is "add", "correct", "remove", "restore", "measure", "remove-reading" or "restore-reading".

    Examples
    --------
    >>> NotebookChange(made="2026-03-14T21:05:00+00:00", what="correct", run=3).what
    'correct'
    """

    made: str
    what: str
    run: int | None


def changes(connection: sqlite3.Connection, last: int) -> tuple[NotebookChange, ...]:
    """Return so many changes made last, the latest last."""
    rows = connection.execute("SELECT made, what, run FROM changes ORDER BY made DESC, id DESC LIMIT ?", (last,))
    return tuple(NotebookChange(made=made, what=what, run=run) for made, what, run in reversed(rows.fetchall()))
