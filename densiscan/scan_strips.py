"""The strips and tiles of one picture in a TIFF file, read and decoded piece by piece."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

import imagecodecs
import numpy as np

from densiscan.scan_pixels import BLOCK_PIXELS, Box, Codes, Coding, ScanFault, channel_codes
from densiscan.scan_tags import Directory

NONE, LZW, JPEG, DEFLATE, OLD_DEFLATE, PACKBITS = 1, 5, 7, 8, 32946, 32773

# The most that one stored byte can become: Deflate 258 bytes in 2 bits (RFC 1951, 3.2.5); PackBits 128 bytes from 2; LZW
# codes of at most 12 bits whose strings grow by one, from 1 to 3,838 bytes between two clearings (TIFF 6.0, section
# 13); JPEG 64 samples of a block in one bit at the very least (ITU-T T.81, a long end-of-band run).
_EXPANSION: Final = {NONE: 1, LZW: 1400, JPEG: 1536, DEFLATE: 1032, OLD_DEFLATE: 1032, PACKBITS: 64}
_SLACK: Final = 4096
_STREAM_ABOVE: Final = 1 << 23
_LARGEST_PIECE: Final = 1 << 31
_READ_BYTES: Final = 1 << 18


@dataclass(frozen=True, slots=True)
class Segment:
    """A strip or tile: where its bytes lie, and which pixels it holds (the stored padding of tiles not counted)."""

    offset: int
    count: int
    top: int
    left: int
    height: int
    width: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StripRaster:
    """One channel of one picture, as stored (orientation not applied).

    Attributes
    ----------
    width, height
        In pixels, as stored.
    coding
        How a sample is stored.
    compression
        TIFF compression scheme.
    samples, wanted
        Samples that stand together in a segment, and which of them is read.
    stored_width
        Pixels in a row of a segment, padding included.
    segments
        In file order: strips from the top, or tiles row by row.
    reversed_bits
        True where the lowest bit of a byte comes first.
    jpeg_tables
        Tables shared by all JPEG segments.
    jpeg_colour
        Colour space of JPEG data: "gray", "rgb" or "ycbcr".
    """

    width: int
    height: int
    coding: Coding
    compression: int
    samples: int
    wanted: int
    stored_width: int
    segments: tuple[Segment, ...]
    reversed_bits: bool = False
    jpeg_tables: bytes | None = None
    jpeg_colour: str = "gray"

    def pieces(self, file: BinaryIO, box: Box) -> Iterator[tuple[int, int, Codes]]:
        """Yield (top, left, codes) in file order; together they cover the box, each pixel once, maybe with a margin.

        Raises
        ------
        ScanFault
            If the data are damaged or end too early.
        """
        top, left, bottom, right = box
        group: list[Segment] = []
        for segment in self.segments:
            if not (segment.top < bottom and top < segment.top + segment.height):
                continue
            if not (segment.left < right and left < segment.left + segment.width):
                continue
            if self._splits(segment):
                yield from self._assembled(file, group)
                group = []
                yield from self._split(file, segment, top, bottom)
            elif _joins(group, segment):
                group.append(segment)
            else:
                yield from self._assembled(file, group)
                group = [segment]
        yield from self._assembled(file, group)

    def decode(self, raw: bytes, segment: Segment) -> Codes:
        """Return the codes of one segment from its stored bytes; a pure function.

        Raises
        ------
        ScanFault
            If the data are damaged or end too early.
        """
        plain = self._decompressed(raw, segment.height * self._row_bytes)
        codes = channel_codes(plain, segment.height, self.stored_width, (self.samples, self.wanted), self.coding)
        return codes[:, : segment.width]

    @property
    def _row_bytes(self) -> int:
        return self.coding.row_bytes(self.stored_width * self.samples)

    def _splits(self, segment: Segment) -> bool:
        """Tell whether a segment is read in groups of rows: plain data always, Deflate when it is large."""
        if segment.width != self.stored_width:
            return False
        if self.compression == NONE:
            return not self.reversed_bits
        large = segment.height * self._row_bytes > _STREAM_ABOVE
        return self.compression in (DEFLATE, OLD_DEFLATE) and large

    def _split(self, file: BinaryIO, segment: Segment, top: int, bottom: int) -> Iterator[tuple[int, int, Codes]]:
        first, last = max(top, segment.top), min(bottom, segment.top + segment.height)
        step = max(1, BLOCK_PIXELS // self.stored_width)
        read = self._plain_rows if self.compression == NONE else self._inflated_rows
        row = first
        for raw in read(file, segment, first, last, step):
            rows = min(step, last - row)
            plane = (self.samples, self.wanted)
            yield row, segment.left, channel_codes(raw, rows, self.stored_width, plane, self.coding)
            row += rows

    def _plain_rows(self, file: BinaryIO, segment: Segment, first: int, last: int, step: int) -> Iterator[bytes]:
        size = self._row_bytes
        for row in range(first, last, step):
            file.seek(segment.offset + (row - segment.top) * size)
            yield file.read(min(step, last - row) * size)

    def _inflated_rows(self, file: BinaryIO, segment: Segment, first: int, last: int, step: int) -> Iterator[bytes]:
        """Inflate a large strip from its start, keeping only some rows; memory holds one group of rows."""
        size = self._row_bytes
        stream = _Inflater(file, segment.offset, segment.count)
        for row in range(segment.top, first, step):
            stream.take(min(step, first - row) * size)
        for row in range(first, last, step):
            yield stream.take(min(step, last - row) * size)

    def _assembled(self, file: BinaryIO, group: list[Segment]) -> Iterator[tuple[int, int, Codes]]:
        """Yield one block of several small strips, or of tiles side by side."""
        if not group:
            return
        first, last = group[0], group[-1]
        if len(group) == 1:
            yield first.top, first.left, self.decode(_read(file, first), first)
            return
        shape = (last.top + last.height - first.top, last.left + last.width - first.left)
        whole = np.empty(shape, np.uint8 if self.coding.full_scale <= 255 else np.uint16)
        for segment in group:
            row, column = segment.top - first.top, segment.left - first.left
            part = self.decode(_read(file, segment), segment)
            whole[row : row + segment.height, column : column + segment.width] = part
        yield first.top, first.left, whole

    def _decompressed(self, raw: bytes, need: int) -> bytes | bytearray | memoryview:
        if self.reversed_bits:
            raw = imagecodecs.bitorder_decode(raw)
        if self.compression == NONE:
            return raw
        if self.compression in (DEFLATE, OLD_DEFLATE):
            return zlib.decompressobj().decompress(raw, need)
        if self.compression == LZW:
            return bytes(imagecodecs.lzw_decode(raw, out=need))
        if self.compression == PACKBITS:
            return bytes(imagecodecs.packbits_decode(raw, out=need))
        raise ScanFault(f"is compressed with scheme {self.compression}; save it uncompressed, with LZW or with Deflate")


class _Inflater:
    """Takes bytes off a zlib stream in a file, never holding more than asked for."""

    def __init__(self, file: BinaryIO, offset: int, count: int) -> None:
        self._file, self._offset, self._left = file, offset, count
        self._stream = zlib.decompressobj()

    def take(self, size: int) -> bytes:
        """Return the next `size` bytes, fewer only at the end of the data."""
        parts = []
        while size > 0:
            fed = self._stream.unconsumed_tail
            if not fed and self._left > 0:
                self._file.seek(self._offset)
                fed = self._file.read(min(_READ_BYTES, self._left))
                self._offset += len(fed)
                self._left -= len(fed)
            part = self._stream.decompress(fed, size)
            if not part and not fed:
                break
            parts.append(part)
            size -= len(part)
        return b"".join(parts)


def picture_segments(directory: Directory, size: int, planes: tuple[int, int], row_bytes: int) -> tuple[Segment, ...]:
    """Return the segments of one plane, checked against the size of the file.

    Parameters
    ----------
    directory
        The picture's tags.
    size
        The file's length in bytes.
    planes
        How many separate planes the file holds, and which of them is wanted.
    row_bytes
        Uncompressed bytes in one row of a segment.

    Raises
    ------
    ScanFault
        If segments are missing, lie outside the file, or cannot hold what the head claims.
    """
    width, height = directory.integer(256, 0), directory.integer(257, 0)
    tiled = 322 in directory.numbers
    if tiled:
        piece_width, piece_height = directory.integer(322, 0), directory.integer(323, 0)
    else:
        piece_width, piece_height = width, min(directory.integer(278, height) or height, height)
    if piece_width < 1 or piece_height < 1:
        raise ScanFault("has strips or tiles of no size; save it again as plain TIFF")
    across, down = math.ceil(width / piece_width), math.ceil(height / piece_height)
    offsets = directory.integers(324) or directory.integers(273)
    counts = directory.integers(325) or directory.integers(279)
    compression = directory.integer(259, 1)
    if not counts and compression == NONE:
        counts = (piece_height * row_bytes,) * len(offsets)
    number, wanted = planes
    if min(len(offsets), len(counts)) < across * down * number:
        raise ScanFault("lacks some of its strips or tiles; scan it again or copy it afresh")
    segments = []
    for index in range(across * down):
        row, column = divmod(index, across)
        top, left = row * piece_height, column * piece_width
        rows = min(piece_height, height - top)
        place = wanted * across * down + index
        segment = Segment(offsets[place], counts[place], top, left, rows, min(piece_width, width - left))
        _check_claim(segment, size, rows * row_bytes, compression)
        segments.append(segment)
    if compression == NONE and not tiled:
        return _merged(segments, row_bytes)
    return tuple(segments)


def _check_claim(segment: Segment, size: int, need: int, compression: int) -> None:
    count = segment.count
    if segment.offset <= 0 or count <= 0 or segment.offset + count > size:
        raise ScanFault("ends before its picture does; scan it again or copy it afresh")
    if need > count * _EXPANSION[compression] + (_SLACK if compression != NONE else 0):
        raise ScanFault("claims more pixels than its data can hold; scan it again or copy it afresh")
    if need > _LARGEST_PIECE and compression not in (NONE, DEFLATE, OLD_DEFLATE):
        raise ScanFault("holds its picture in one piece of more than 2 GB; save it uncompressed")


def _merged(segments: list[Segment], row_bytes: int) -> tuple[Segment, ...]:
    """Join strips that follow one another in the file without a gap."""
    merged: list[Segment] = []
    for segment in segments:
        last = merged[-1] if merged else None
        if last is not None and segment.offset == last.offset + last.height * row_bytes:
            length = last.height * row_bytes + segment.count
            merged[-1] = Segment(last.offset, length, last.top, 0, last.height + segment.height, last.width)
        else:
            merged.append(segment)
    return tuple(merged)


def _joins(group: list[Segment], segment: Segment) -> bool:
    """Tell whether a segment continues the group's rectangle without making it larger than one block."""
    if not group:
        return True
    first, last = group[0], group[-1]
    pixels = sum(part.height * part.width for part in (*group, segment))
    if pixels > BLOCK_PIXELS:
        return False
    below = (
        segment.left == first.left == last.left
        and segment.width == first.width
        and segment.top == last.top + last.height
    )
    beside = segment.top == first.top == last.top and segment.left == last.left + last.width
    return below if len(group) > 1 and last.top != first.top else below or beside


def _read(file: BinaryIO, segment: Segment) -> bytes:
    file.seek(segment.offset)
    raw = file.read(segment.count)
    if len(raw) != segment.count:
        raise ScanFault("ends before its picture does; scan it again or copy it afresh")
    return raw
