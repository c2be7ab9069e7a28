"""The scan as a small gray picture with numbered boxes where something was found, as a PNG file.

Boxes and digits are drawn black with a white rim, so that they are seen on any gray and without colour.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from densiscan.negative.trouble.finding import BoxMm
from densiscan.scan.scan import Scan
from densiscan.scan.survey import survey

Gray = NDArray[np.uint8]

LONGEST_PX: Final = 1600
_AFTER_HEADER: Final = 8 + 25
"""Bytes of the signature and the first chunk of a PNG file."""
_LEAST_BOX_PX: Final = 9
_DIGITS: Final = (
    "111101101101111",
    "010110010010111",
    "111001111100111",
    "111001111001111",
    "101101111001001",
    "111100111001111",
    "111100111101111",
    "111001010010010",
    "111101111101111",
    "111101111001111",
)
"""Three by five dots each, row by row, 0 to 9."""


def marked_png(scan: Scan, boxes: Sequence[tuple[int, BoxMm]]) -> bytes:
    """Return a PNG file of the scan, at most 1600 pixels long, with numbered boxes.

    Parameters
    ----------
    boxes
        The number of each, and left, top, width, height on the scan, mm.
    """
    import imagecodecs

    gray, px_per_mm = small_picture(scan)
    for number, box in boxes:
        _mark(gray, number, box, px_per_mm)
    return _signed(bytes(imagecodecs.png_encode(gray)))


def _signed(png: bytes) -> bytes:
    """Return a PNG file with a note of what made it (PNG specification, 11.3.3.3), by which it is known as ours."""
    content = b"tEXt" + b"Software\0densiscan"
    chunk = struct.pack(">I", len(content) - 4) + content + struct.pack(">I", zlib.crc32(content))
    return png[:_AFTER_HEADER] + chunk + png[_AFTER_HEADER:]


def small_picture(scan: Scan) -> tuple[Gray, tuple[float, float]]:
    """Return a scan as a gray picture (rows, columns), its middle 99 % spread over the grays, and pixels a mm."""
    cell = max(scan.width_mm, scan.height_mm) / LONGEST_PX
    found = survey(scan, cell_mm=max(cell, 1.0 / min(scan.px_per_mm_x, scan.px_per_mm_y)))
    low, high = np.quantile(found.mean, (0.005, 0.995))
    spread = np.clip((found.mean - low) / max(float(high - low), 1e-6), 0.0, 1.0)
    rows, columns = spread.shape
    gray = np.rint(spread * 255.0).astype(np.uint8)
    return gray, (columns / scan.width_mm, rows / scan.height_mm)


def _mark(gray: Gray, number: int, box: BoxMm, px_per_mm: tuple[float, float]) -> None:
    rows, columns = gray.shape
    left, top = box[0] * px_per_mm[0], box[1] * px_per_mm[1]
    width, height = box[2] * px_per_mm[0], box[3] * px_per_mm[1]
    grow_x, grow_y = max(_LEAST_BOX_PX - width, 0.0) / 2, max(_LEAST_BOX_PX - height, 0.0) / 2
    first_x, last_x = _between(left - grow_x, columns), _between(left + width + grow_x, columns)
    first_y, last_y = _between(top - grow_y, rows), _between(top + height + grow_y, rows)
    _frame(gray, (first_x - 1, first_y - 1, last_x + 1, last_y + 1), 255)
    _frame(gray, (first_x + 1, first_y + 1, last_x - 1, last_y - 1), 255)
    _frame(gray, (first_x, first_y, last_x, last_y), 0)
    dot = max(2, round(max(rows, columns) / 320))
    # of a small thing the number stands beside its box, so that it is seen
    small = min(last_x - first_x, last_y - first_y) < 16 * dot
    _write(gray, str(number), (last_x + 4, first_y) if small else (first_x + 4, first_y + 4), dot)


def _between(place: float, size: int) -> int:
    return int(np.clip(round(place), 2, max(size - 3, 2)))


def _frame(gray: Gray, box: tuple[int, int, int, int], value: int) -> None:
    left, top, right, bottom = box
    if right < left or bottom < top:
        return
    gray[top, left : right + 1] = value
    gray[bottom, left : right + 1] = value
    gray[top : bottom + 1, left] = value
    gray[top : bottom + 1, right] = value


def _write(gray: Gray, digits: str, place: tuple[int, int], dot: int) -> None:
    """Write digits black on a white ground, moved inside the picture where they would reach beyond it."""
    width, height = (4 * len(digits) + 1) * dot, 7 * dot
    rows, columns = gray.shape
    left, top = max(0, min(place[0], columns - width)), max(0, min(place[1], rows - height))
    ground = np.full((7, 4 * len(digits) + 1), 255, np.uint8)
    for index, digit in enumerate(digits):
        dots = np.array(list(_DIGITS[int(digit)])).reshape(5, 3) == "1"
        ground[1:6, 1 + 4 * index : 4 + 4 * index][dots] = 0
    large = np.repeat(np.repeat(ground, dot, axis=0), dot, axis=1)
    part = gray[top : top + height, left : left + width]
    part[...] = large[: part.shape[0], : part.shape[1]]
