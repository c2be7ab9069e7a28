"""The scan as a small gray picture, to draw on what was found."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from densiscan.scan.scan import Scan
from densiscan.scan.survey import survey

Gray = NDArray[np.uint8]

LONGEST_PX: Final = 1600


def small_picture(scan: Scan) -> Gray:
    """Return a scan as a gray picture (rows, columns), 1600 pixels long at most, its middle 99 % spread out."""
    cell = max(scan.width_mm, scan.height_mm) / LONGEST_PX
    found = survey(scan, cell_mm=max(cell, 1.0 / min(scan.px_per_mm_x, scan.px_per_mm_y)))
    low, high = np.quantile(found.mean, (0.005, 0.995))
    spread = np.clip((found.mean - low) / max(float(high - low), 1e-6), 0.0, 1.0)
    return np.asarray(np.rint(spread * 255.0).astype(np.uint8))
