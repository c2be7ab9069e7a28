"""JPEG data: their markers, their frame, and whether they are whole (ITU-T T.81, annex B)."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

from densiscan.scan.formats.pixels import DAMAGED, SHORT, ScanFault

# The least data a block of 64 samples needs, one bit in a long run of empty blocks, allows this many samples a byte.
EXPANSION: Final = 1536
END, SCAN, APP0, APP1, APP2 = 0xD9, 0xDA, 0xE0, 0xE1, 0xE2
FRAMES: Final = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_BARE: Final = {0x01, *range(0xD0, 0xD9)}
_LOSSLESS: Final = {0xC3, 0xC7, 0xCB, 0xCF}
_NEXT_MARKER: Final = re.compile(rb"\xff+([^\x00\xff\xd0-\xd7])")


class MarkerSegment(NamedTuple):
    """A marker and what belongs to it, without coded data: they stand between its end and the next one's begin."""

    marker: int
    body: bytes
    begin: int
    end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameHeader:
    """What the head of JPEG data says of the picture."""

    width: int
    height: int
    components: int
    precision: int
    lossless: bool
    jfif: bool


def segments(data: bytes) -> Iterator[MarkerSegment]:
    """Yield the segments up to and with the end marker; data that stop earlier just end.

    Coded data between a scan header and the next marker are passed over.
    """
    position = 0
    while position < len(data):
        match = _NEXT_MARKER.search(data, position)
        if match is None:
            return
        marker, begin, position = match[1][0], match.start(), match.end()
        if marker == END:
            yield MarkerSegment(marker, b"", begin, position)
            return
        if marker in _BARE:
            continue
        if position + 2 > len(data):
            return
        length = struct.unpack_from(">H", data, position)[0]
        if position + length > len(data):
            return
        yield MarkerSegment(marker, data[position + 2 : position + length], begin, position + length)
        position += length


def frame(data: bytes) -> FrameHeader:
    """Return the frame of JPEG data that are whole.

    Raises
    ------
    ScanFault
        If they have no frame, or stop before their end marker.
    """
    found, jfif, ended = None, False, False
    for marker, body, _, _ in segments(data):
        if marker in FRAMES and len(body) >= 6:
            precision, height, width, components = struct.unpack_from(">BHHB", body)
            found = found or (width, height, components, precision, marker in _LOSSLESS)
        jfif = jfif or (marker == APP0 and body.startswith(b"JFIF\0"))
        ended = ended or marker == END
    if found is None:
        raise ScanFault(DAMAGED)
    if not ended:
        raise ScanFault(SHORT)
    width, height, components, precision, lossless = found
    return FrameHeader(
        width=width, height=height, components=components, precision=precision, lossless=lossless, jfif=jfif
    )
