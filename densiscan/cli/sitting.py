"""What is said once a sitting."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Final

from densiscan.notebook import location

SITTING_S: Final = 12 * 3600.0
"""An evening in the darkroom, or a day of it, ends within this; after it the cautions are said again."""
NOTE: Final = "cautions-read.txt"
"""Beside the notebook, as old as the last time they were shown."""


def was_cautioned(option: Path | None) -> bool:
    """Return whether the cautions were shown in this sitting, and note beside the notebook that they are now.

    Where there is no notebook yet, or nothing can be written beside it, they count as not shown.
    """
    book = location.notebook_file(option)
    note = book.parent / NOTE
    try:
        if note.exists() and 0.0 <= time.time() - note.stat().st_mtime < SITTING_S:
            return True
        if book.exists():
            note.write_text("When the cautions about chemicals were shown last.\n", encoding="utf-8")
    except OSError:
        return False
    return False
