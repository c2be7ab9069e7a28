"""Units of the trade in each other."""

from __future__ import annotations

import math
from typing import Final

MM_PER_INCH: Final = 25.4

STOP: Final = math.log10(2.0)
"""Density, or log exposure, of one stop of light."""

SPEED_POINT_ZONE: Final = 1.0
"""The zone, a stop each, of the speed point, net density 0.10 (common practice)."""
