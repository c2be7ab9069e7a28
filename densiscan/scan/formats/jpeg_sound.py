"""Whether coded JPEG data are sound: they have no checksum, and the decoder keeps its doubts to itself.

Of sound data the decoder takes all, and no more. Where damage shifted its place among the codes, it stops before their
end, or lacks some; either shows in what it makes of the same data with another end. Data in several scans or with
restart markers (progressive ones above all) are read by a second, strict decoder instead.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from typing import Final

import imagecodecs
import numpy as np

from densiscan.scan.formats.jpeg_frame import APP0, FRAMES, SCAN, MarkerSegment, segments
from densiscan.scan.formats.pixels import DAMAGED, Codes, ScanFault

Decode = Callable[[bytes], Codes]

_SEQUENTIAL: Final = (0xC0, 0xC1, 0xC3)
_STRICT: Final = (0xC0, 0xC1, 0xC2)
"""Frames that the strict decoder knows: Huffman codes, 8 bits."""
_STRICT_SAMPLING: Final = ((0x11,), *((first, 0x11, 0x11) for first in (0x11, 0x12, 0x21, 0x22)))
_MOST_STRICT_SAMPLES: Final = 1 << 26
"""The strict decoder takes ten bytes for each; larger pictures are not put to it."""
_RESTART: Final = re.compile(rb"\xff[\xd0-\xd7]")
_COMMENT: Final = 0xFE
_LAST: Final = (4, 16)
"""Bytes at the end of the data that are changed: a few codes; and the last blocks, as those codes may be of what lies
beyond the border of the picture."""
_FEW: Final = 64
"""Bytes of data of a picture so small that its last codes may be of what lies beyond its border."""
_FILLINGS: Final = (0x00, 0xFE, 0x55, 0xAA)
_FURTHER: Final = bytes((37 * k) % 251 for k in range(1, 65))
"""Codes of no meaning, never 255."""
_ROWS: Final = 256


def require_sound(data: bytes, picture: Codes, decode: Decode, *, tables: bytes | None = None) -> None:
    """Check that coded data end where their picture does.

    Parameters
    ----------
    data
        Whole JPEG data.
    picture
        What `decode` makes of them, all channels: the last code may be one of any.
    decode
        Decodes JPEG data of the same head.
    tables
        Tables that stand elsewhere in the file.

    Raises
    ------
    ScanFault
        If they do not.
    """
    parts = list(segments(data))
    frame = next(part for part in parts if part.marker in FRAMES)
    coded = [(part.end, after.begin) for part, after in pairwise(parts) if part.marker == SCAN]
    restarts = any(_RESTART.search(data, begin, end) for begin, end in coded)
    if frame.marker in _SEQUENTIAL and len(coded) == 1 and not restarts:
        sound = _ends_with_its_picture(data, coded[0], picture, decode)
    else:
        sound = picture.size > _MOST_STRICT_SAMPLES or _strictly_read(data, parts, frame, tables or b"")
    if not sound:
        raise ScanFault(DAMAGED)


def _ends_with_its_picture(data: bytes, coded: tuple[int, int], picture: Codes, decode: Decode) -> bool:
    """Tell whether the last bytes of the data are used, and none that would follow."""
    begin, end = coded
    further = data[:end] + _FURTHER + data[end:]
    if not _same(further, picture, decode):
        return False
    if end - begin < _FEW:
        return True
    others = (_ended_otherwise(data, end, last, fill) for last in _LAST for fill in _FILLINGS)
    return any(not _same(other, picture, decode) for other in others)


def _ended_otherwise(data: bytes, end: int, last: int, fill: int) -> bytes:
    cut = end - last
    while data[cut - 1] == 0xFF:
        cut -= 1
    return data[:cut] + bytes([fill]) * (end - cut) + data[end:]


def _same(data: bytes, picture: Codes, decode: Decode) -> bool:
    """Tell whether other data give the same picture."""
    try:
        other = decode(data)
    except (RuntimeError, ValueError):
        return False
    rows = range(0, picture.shape[0], _ROWS)
    return all(np.array_equal(other[row : row + _ROWS], picture[row : row + _ROWS]) for row in rows)


def _strictly_read(data: bytes, parts: list[MarkerSegment], frame: MarkerSegment, tables: bytes) -> bool:
    """Tell whether the strict decoder can follow the codes; True where it does not know their kind."""
    sampling = tuple(frame.body[7::3])
    known = frame.marker in _STRICT and frame.body[0] == 8 and sampling in _STRICT_SAMPLING
    if not known or not imagecodecs.JPEGXL.available:
        return True
    bare = [b"\xff\xd8", tables[2:-2]]
    for part, after in zip(parts, [*parts[1:], None], strict=True):
        if APP0 <= part.marker < APP0 + 16 or part.marker == _COMMENT:
            continue
        end = after.begin if after is not None and part.marker == SCAN else part.end
        bare.append(data[part.begin : end])
    try:
        imagecodecs.jpegxl_encode_jpeg(b"".join(bare))
    except RuntimeError:
        return False
    return True
