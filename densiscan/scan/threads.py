"""How many threads a pass over a scan runs on."""

from __future__ import annotations

import os
from typing import Final

_MOST: Final = 8


def usable_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def usual_threads() -> int:
    """Return on how many threads a scan is read where nobody says it: the cores there are, up to 8."""
    return min(usable_cores(), _MOST)
