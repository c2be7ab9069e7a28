"""How something came into the notebook."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final
from uuid import uuid4

_CLOCK_GOES_BACK: Final = timedelta(days=2)
"""By how much a clock that was set back is bridged; a date further ahead was a wrong clock, and is not gone on from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """When (ISO 8601), by which version, by which command line; changes of one `act` are undone together."""

    made: str
    version: str
    arguments: str
    act: str = field(default_factory=lambda: uuid4().hex)


def last_made(connection: sqlite3.Connection) -> str | None:
    """Return the latest time that anything came into the notebook, None for a new one."""
    tables = ("readings", "changes", "documents")
    latest = [connection.execute(f"SELECT max(made) FROM {table}").fetchone()[0] for table in tables]
    return max((str(time) for time in latest if time is not None), default=None)


def never_back(now: str, last: str | None) -> str:
    """Return the time to write: now, or just after the last one where the clock was set back since.

    What was read last must count as the last, whatever happens to the clock in the middle of an evening.
    """
    try:
        present, before = datetime.fromisoformat(now), datetime.fromisoformat(last or now)
        behind = before - present
    except (ValueError, TypeError):
        return now
    if not timedelta(0) <= behind < _CLOCK_GOES_BACK or last is None:
        return now
    return (before + timedelta(microseconds=1)).isoformat(timespec="microseconds")
