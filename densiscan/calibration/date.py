"""When a calibration was made: the date in its document, which no copy and no clock of a file system moves."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

_CLOCKS_DIFFER: Final = timedelta(days=1)
"""A date is in the future only beyond this: clocks are set by hand, and dates may lack their zone."""


def time_now() -> str:
    """Return the time now, to the second (ISO 8601)."""
    return datetime.now(tz=UTC).isoformat(timespec="seconds")


def moment_of(created: str) -> datetime | None:
    """Return a calibration's time (ISO 8601) with its zone, universal time where none is named; None if unreadable."""
    try:
        made = datetime.fromisoformat(created)
    except ValueError:
        return None
    return made if made.tzinfo is not None else made.replace(tzinfo=UTC)


def is_future(made: datetime, now: datetime) -> bool:
    """Return whether a calibration is dated later than a clock that is a day wrong would explain."""
    return made > now + _CLOCKS_DIFFER


def age_days(created: str, now: datetime) -> float | None:
    """Return the days from a calibration's time (ISO 8601) to now; None where that time cannot be read."""
    made = moment_of(created)
    now = now if now.tzinfo is not None else now.replace(tzinfo=UTC)
    return None if made is None else (now - made).total_seconds() / 86400.0
