"""The strips and tiles of one picture in a TIFF file, read and decoded piece by piece."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import BinaryIO, Final

import imagecodecs
import numpy as np

from densiscan.scan.formats import jpeg_frame
from densiscan.scan.formats.inflate import Inflater, Kept, fetch, inflated
from densiscan.scan.formats.jpeg_sound import require_sound
from densiscan.scan.formats.pixels import (
    BLOCK_PIXELS,
    CLAIMS,
    DAMAGED,
    GOES_ON,
    SHORT,
    Box,
    Codes,
    Coding,
    Piece,
    ScanFault,
    channel_codes,
    require_room,
    to_codes,
)
from densiscan.scan.formats.tiff_tags import Directory

NONE, LZW, JPEG, DEFLATE, OLD_DEFLATE, PACKBITS = 1, 5, 7, 8, 32946, 32773

# The most bytes that one stored byte can become. Deflate: 258 in 2 bits (RFC 1951, 3.2.5). PackBits: 128 from 2. LZW:
# codes of at most 12 bits, whose strings grow by one byte, from 1 to 3,838, between two clearings (TIFF 6.0, 13).
EXPANSION: Final = {
    NONE: 1,
    LZW: 1400,
    JPEG: jpeg_frame.EXPANSION,
    DEFLATE: 1032,
    OLD_DEFLATE: 1032,
    PACKBITS: 64,
}
_SLACK: Final = 4096
_STREAM_ABOVE: Final = 1 << 23


@dataclass(frozen=True, slots=True)
class Segment:
    """A strip or tile: where its bytes lie, and which pixels it holds (the stored padding of tiles not counted)."""

    offset: int
    count: int
    top: int
    left: int
    height: int
    width: int

    def touches(self, box: Box) -> bool:
        """Tell whether it holds a pixel of the box."""
        top, left, bottom, right = box
        across = self.left < right and left < self.left + self.width
        return across and self.top < bottom and top < self.top + self.height


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
    stored_width, stored_height
        Pixels of a whole segment, padding included.
    segments
        In file order: strips from the top, or tiles row by row.
    reversed_bits
        True where the lowest bit of a byte comes first.
    jpeg_tables
        Tables shared by all JPEG segments.
    jpeg_rgb
        True where three JPEG components are RGB already, not luminance and chroma.
    kept
        What makes a second reading faster.
    """

    width: int
    height: int
    coding: Coding
    compression: int
    samples: int
    wanted: int
    stored_width: int
    stored_height: int
    segments: tuple[Segment, ...]
    reversed_bits: bool = False
    jpeg_tables: bytes | None = None
    jpeg_rgb: bool = False
    kept: Kept = field(default_factory=Kept, repr=False, compare=False)

    def pieces(self, file: BinaryIO, box: Box) -> Iterator[Piece]:
        """Yield pieces in file order; together they cover the box, each pixel once, maybe with a margin.

        Raises
        ------
        ScanFault
            If the data are damaged or end too early.
        """
        small = box != (0, 0, self.height, self.width)
        for group in self._groups(box):
            first = group[0]
            if self._splits(first):
                yield from self._split(file, first, box)
                continue
            key = (*group, self.coding, self.wanted)
            codes = self.kept.recall(key)
            if codes is not None:
                yield first.top, first.left, partial(np.asarray, codes)
                continue
            decode = partial(self._assembled, group, [self._stored(file, segment) for segment in group])
            if small:
                codes = decode()
                self.kept.keep(key, codes)
                decode = partial(np.asarray, codes)
            yield first.top, first.left, decode

    def decode(self, raw: bytes, segment: Segment) -> Codes:
        """Return the codes of one segment from its stored bytes.

        Raises
        ------
        ScanFault
            If the data are damaged or end too early.
        """
        if self.compression == JPEG:
            return self._jpeg_codes(raw, segment)
        plain = self._decompressed(raw, segment.height)
        return self._cropped(plain, segment.height, segment.width)

    @property
    def _row_bytes(self) -> int:
        return self.coding.row_bytes(self.stored_width * self.samples)

    def _cropped(self, plain: bytes | bytearray, rows: int, width: int) -> Codes:
        return channel_codes(plain, rows, self.stored_width, (self.samples, self.wanted), self.coding)[:, :width]

    def _groups(self, box: Box) -> Iterator[list[Segment]]:
        """Yield the segments that the box needs: large ones alone, small ones in rectangles of about one block."""
        group: list[Segment] = []
        pixels = 0
        for segment in self.segments:
            if not segment.touches(box):
                continue
            area = segment.height * segment.width
            alone = self._splits(segment) or (group and self._splits(group[0]))
            if group and (alone or pixels + area > BLOCK_PIXELS or not _continues(group, segment)):
                yield group
                group, pixels = [], 0
            group.append(segment)
            pixels += area
        if group:
            yield group

    def _splits(self, segment: Segment) -> bool:
        """Tell whether a segment is read in groups of rows: plain or Deflate data that are large."""
        if self.compression == NONE:
            return segment.height * self.stored_width > BLOCK_PIXELS
        large = segment.height * self._row_bytes > _STREAM_ABOVE
        return self.compression in (DEFLATE, OLD_DEFLATE) and large

    def _split(self, file: BinaryIO, segment: Segment, box: Box) -> Iterator[Piece]:
        """Yield the rows of one segment that the box needs; memory holds one group of rows."""
        size = self._row_bytes
        first, last = max(box[0], segment.top), min(box[2], segment.top + segment.height)
        step = max(1, BLOCK_PIXELS // self.stored_width)
        stream = None
        if self.compression != NONE:
            parts = ((segment.offset, segment.count),)
            stream = Inflater(file, parts, self.kept, reversed_bits=self.reversed_bits)
            stream.skip_to((first - segment.top) * size)
        for row in range(first, last, step):
            rows = min(step, last - row)
            if stream is None:
                offset = segment.offset + (row - segment.top) * size
                raw = fetch(file, offset, rows * size, reversed_bits=self.reversed_bits)
            else:
                raw = stream.take(rows * size)
                stream.mark()
            yield row, segment.left, partial(self._cropped, raw, rows, segment.width)
        if stream is not None:
            stream.verify()

    def _assembled(self, group: list[Segment], stored: list[bytes]) -> Codes:
        """Return one block of a strip, of several small ones, or of tiles side by side."""
        first, last = group[0], group[-1]
        if len(group) == 1:
            return self.decode(stored[0], first)
        shape = (last.top + last.height - first.top, last.left + last.width - first.left)
        whole = np.empty(shape, self.coding.code_type)
        for segment, raw in zip(group, stored, strict=True):
            row, column = segment.top - first.top, segment.left - first.left
            part = self.decode(raw, segment)
            whole[row : row + segment.height, column : column + segment.width] = part
        return whole

    def _stored(self, file: BinaryIO, segment: Segment) -> bytes:
        raw = fetch(file, segment.offset, segment.count, reversed_bits=self.reversed_bits)
        if len(raw) != segment.count:
            raise ScanFault(SHORT)
        return raw

    def _decompressed(self, raw: bytes, rows: int) -> bytes | bytearray:
        """Return the bytes of some rows. LZW and PackBits have no checksum; but their data end where the rows do."""
        need = rows * self._row_bytes
        if self.compression in (DEFLATE, OLD_DEFLATE):
            return inflated(raw, need)
        if self.compression not in (LZW, PACKBITS):
            return raw
        # A last strip may be filled up to the height of the others. With room for a byte more, surplus shows.
        filled = self.stored_height * self._row_bytes
        decode = imagecodecs.lzw_decode if self.compression == LZW else imagecodecs.packbits_decode
        plain: bytes | bytearray = decode(raw, out=filled + 1)
        if need < len(plain) != filled:
            raise ScanFault(GOES_ON)
        return plain

    def _jpeg_codes(self, raw: bytes, segment: Segment) -> Codes:
        head = jpeg_frame.frame(raw)
        # A segment may be filled up to whole blocks of 16; more than that is not this picture.
        fits = head.width < self.stored_width + 16 and head.height < self.stored_height + 16
        if head.components != self.samples or head.precision != self.coding.bits or not fits:
            raise ScanFault(DAMAGED)
        rgb = self.samples == 3

        def decode(raw: bytes) -> Codes:
            return np.asarray(
                imagecodecs.jpeg_decode(
                    raw,
                    tables=self.jpeg_tables,
                    colorspace="RGB" if rgb and self.jpeg_rgb and not head.jfif else None,
                    outcolorspace="RGB" if rgb else None,
                )
            )

        whole = decode(raw)
        if segment.offset not in self.kept.sound:
            require_sound(raw, whole, decode, tables=self.jpeg_tables)
            self.kept.sound.add(segment.offset)
        plane = whole[:, :, self.wanted] if whole.ndim == 3 else whole
        if plane.shape[0] < segment.height or plane.shape[1] < segment.width:
            raise ScanFault(SHORT)
        return to_codes(plane[: segment.height, : segment.width], self.coding)


def _continues(group: list[Segment], segment: Segment) -> bool:
    """Tell whether a segment continues the group's rectangle: below its last one, or beside it."""
    first, last = group[0], group[-1]
    below = segment.left == first.left and segment.width == first.width and segment.top == last.top + last.height
    beside = segment.top == first.top and segment.height == first.height and segment.left == last.left + last.width
    if len(group) == 1:
        return below or beside
    return below if last.top != first.top else beside


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
        raise ScanFault(DAMAGED)
    across, down = math.ceil(width / piece_width), math.ceil(height / piece_height)
    offsets = directory.integers(324) or directory.integers(273)
    counts = directory.integers(325) or directory.integers(279)
    compression = directory.integer(259, 1)
    if compression == NONE and not any(counts):
        counts = (piece_height * row_bytes,) * len(offsets)
    if min(len(offsets), len(counts)) < across * down * planes[0]:
        raise ScanFault("lacks some of its strips or tiles; scan it again or copy it afresh")
    found = []
    for index in range(across * down):
        row, column = divmod(index, across)
        top, left = row * piece_height, column * piece_width
        rows = min(piece_height, height - top)
        place = planes[1] * across * down + index
        segment = Segment(offsets[place], counts[place], top, left, rows, min(piece_width, width - left))
        found.append(_checked(segment, size, rows * row_bytes, compression))
    if compression == NONE and not tiled:
        return _merged(found, row_bytes)
    return tuple(found)


def _checked(segment: Segment, size: int, need: int, compression: int) -> Segment:
    """Return the segment, without bytes that are not needed, or refuse it where its data cannot be there."""
    if segment.offset <= 0 or segment.count <= 0:
        raise ScanFault("lacks some of its strips or tiles; scan it again or copy it afresh")
    if compression == NONE:
        if need > min(segment.count, size - segment.offset):
            raise ScanFault(SHORT)
        return Segment(segment.offset, need, segment.top, segment.left, segment.height, segment.width)
    if segment.offset + segment.count > size:
        raise ScanFault(SHORT)
    if need > segment.count * EXPANSION[compression] + _SLACK:
        raise ScanFault(CLAIMS)
    if compression not in (DEFLATE, OLD_DEFLATE):
        require_room(need, "one compressed piece")
    return segment


def _merged(segments: list[Segment], row_bytes: int) -> tuple[Segment, ...]:
    """Join strips that follow one another in the file without a gap."""
    merged: list[Segment] = []
    for segment in segments:
        last = merged[-1] if merged else None
        if last is not None and segment.offset == last.offset + last.count:
            height = last.height + segment.height
            merged[-1] = Segment(last.offset, height * row_bytes, last.top, 0, height, last.width)
        else:
            merged.append(segment)
    return tuple(merged)
