"""Places on a scan: millimetres from its top left corner, x to the right, y down."""

from __future__ import annotations

BoxMm = tuple[float, float, float, float]
"""Left, top, width, height."""

PlaceMm = tuple[float, float]
"""x, y."""
