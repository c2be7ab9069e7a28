"""Units of the trade in each other."""

from __future__ import annotations

import math
from typing import Final

MM_PER_INCH: Final = 25.4

STOP: Final = math.log10(2.0)
"""Density, or log exposure, of one stop of light."""
