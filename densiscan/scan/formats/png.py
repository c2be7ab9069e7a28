"""PNG scans of 8 and 16 bits, gray or RGB, with or without alpha (ISO/IEC 15948).

Pillow was tried for the head: its import takes 20 to 40 ms, and it does not say where the pixels lie. imagecodecs
decodes a picture only as a whole: a large scan would not fit into 100 MB.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import BinaryIO, Final, cast

import imagecodecs
import numpy as np

from densiscan.scan.formats.inflate import Inflater, Kept
from densiscan.scan.formats.jpeg import exif_notes
from densiscan.scan.formats.notes import Notes, Picture, extra_samples, iso_date, profile_name, resolution, with_xmp
from densiscan.scan.formats.pixels import (
    BLOCK_PIXELS,
    CLAIMS,
    DAMAGED,
    SAMPLE_OF,
    SHORT,
    Box,
    Codes,
    Coding,
    Piece,
    ScanFault,
    require_room,
)
from densiscan.scan.formats.png_text import TEXTS, png_text, raw_profile
from densiscan.scan.formats.tiff_tags import printable

_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
_SAMPLES: Final = {0: 1, 2: 3, 4: 2, 6: 4}
# Adam7: first column and row of each pass, and its steps across and down (ISO/IEC 15948, 8.2).
_PASSES: Final = (
    (0, 0, 8, 8),
    (4, 0, 8, 8),
    (0, 4, 4, 8),
    (2, 0, 4, 4),
    (0, 2, 2, 4),
    (1, 0, 2, 2),
    (0, 1, 1, 2),
)
_LONGEST_NOTE: Final = 1 << 24
_HEADS_BYTES: Final = 512
_FEW_CHUNKS: Final = 1000
_SMALL_CHUNK: Final = 256
"""Bytes: chunks of pixels are much longer (8 kB and more are common), all others together few."""


@dataclass(frozen=True, slots=True)
class _Chunk:
    kind: bytes
    offset: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PngRaster:
    """One channel of a PNG picture.

    Attributes
    ----------
    width, height
        In pixels.
    coding
        How a sample is stored.
    colour_type
        0 gray, 2 RGB, 4 gray with alpha, 6 RGB with alpha.
    wanted
        Which sample of a pixel is read.
    parts
        Offset and length of each piece of the one zlib stream.
    interlaced
        True where the picture is stored in seven passes, which have to be held together.
    kept
        What makes a second reading faster.
    """

    width: int
    height: int
    coding: Coding
    colour_type: int
    wanted: int
    parts: tuple[tuple[int, int], ...]
    interlaced: bool = False
    kept: Kept = field(default_factory=Kept, repr=False, compare=False)

    def pieces(self, file: BinaryIO, box: Box) -> Iterator[Piece]:
        """Yield pieces in file order, down to the end of the box.

        The filters of a row refer to the row above, so the file is read from the top. A group of rows is decoded as a
        small picture of its own, whose first row is the last one of the group before: memory holds one group.

        Raises
        ------
        ScanFault
            If the data are damaged or end too early.
        """
        top, _, bottom, _ = box
        stream = Inflater(file, self.parts, self.kept)
        if self.interlaced:
            codes = self.kept.recall("whole")
            if codes is None:
                codes = self._seven_passes(stream)
                self.kept.keep("whole", codes)
            yield 0, 0, partial(np.asarray, codes)
            return
        filtered_bytes = 1 + self._row_bytes(self.width)
        begin = stream.resume(top * filtered_bytes)
        first = stream.position // filtered_bytes
        for row, values, above in self._rows(stream, (first, bottom), self.width, begin):
            stream.mark(above)
            if row + len(values) > top:
                yield row, 0, partial(self._channel, values)
        stream.verify()

    def _rows(
        self, stream: Inflater, rows: tuple[int, int], width: int, above: bytes = b""
    ) -> Iterator[tuple[int, Codes, bytes]]:
        """Yield rows of a picture or pass in groups: the first one's number, values, and the last one as it is stored.

        The row above the first is part of the call, or none.
        """
        filtered_bytes = 1 + self._row_bytes(width)
        above = above or bytes(filtered_bytes)
        step = max(1, BLOCK_PIXELS // width)
        for row in range(*rows, step):
            count = min(step, rows[1] - row)
            values = self._decoded(above + _exactly(stream, count * filtered_bytes), width, count + 1)[1:]
            above = b"\0" + values[-1].astype(values.dtype.newbyteorder(">")).tobytes()
            yield row, values, above

    def _row_bytes(self, width: int) -> int:
        return width * _SAMPLES[self.colour_type] * self.coding.bits // 8

    def _channel(self, values: Codes) -> Codes:
        return values if values.ndim == 2 else np.ascontiguousarray(values[:, :, self.wanted])

    def _seven_passes(self, stream: Inflater) -> Codes:
        whole = np.empty((self.height, self.width), self.coding.code_type)
        for left, top, across, down in _PASSES:
            part = whole[top::down, left::across]
            height, width = part.shape
            for row, values, _ in self._rows(stream, (0, height if width else 0), width or 1):
                part[row : row + len(values)] = self._channel(values)
        stream.verify()
        return whole

    def _decoded(self, filtered: bytes, width: int, rows: int) -> Codes:
        """Undo the filters of some rows: the decoder gets them as a picture of their own."""
        head = struct.pack(">IIBBBBB", width, rows, self.coding.bits, self.colour_type, 0, 0, 0)
        small = _SIGNATURE + _chunk(b"IHDR", head) + _chunk(b"IDAT", zlib.compress(filtered, 0)) + _chunk(b"IEND", b"")
        return np.asarray(imagecodecs.png_decode(small))


def _exactly(stream: Inflater, size: int) -> bytes:
    raw = stream.take(size)
    if len(raw) < size:
        raise ScanFault(SHORT)
    return raw


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def open_png(file: BinaryIO, size: int, channel: str) -> Picture:
    """Return the scan in a PNG file.

    Raises
    ------
    ScanFault
        If it is damaged, or its pixels are not 8 or 16-bit gray or RGB.
    """
    chunks = _chunks(file, size)
    if not chunks or chunks[0].kind != b"IHDR" or chunks[0].length != 13:
        raise ScanFault(DAMAGED)
    width, height, bits, colour_type, _, _, interlaced = struct.unpack(">IIBBBBB", _body(file, chunks[0]))
    if colour_type == 3:
        raise ScanFault("has palette colours; save it as 16-bit gray or RGB")
    if colour_type not in _SAMPLES or width == 0 or height == 0:
        raise ScanFault(DAMAGED)
    if bits not in (8, 16):
        raise ScanFault(f"has only {bits} bits a sample; scan it again with 16 bits")
    parts = tuple((chunk.offset, chunk.length) for chunk in chunks if chunk.kind == b"IDAT")
    need = height * (1 + width * _SAMPLES[colour_type] * bits // 8)
    if need > 1032 * sum(length for _, length in parts) + 4096:
        raise ScanFault(CLAIMS)
    if interlaced:
        require_room(width * height * bits // 8, "an interlaced picture")
    colour = colour_type in (2, 6)
    coding = Coding(bits=bits, kind="uint", little_endian=False, full_scale=(1 << bits) - 1)
    raster = PngRaster(
        width=width,
        height=height,
        coding=coding,
        colour_type=colour_type,
        wanted=SAMPLE_OF[channel] if colour else 0,
        parts=parts,
        interlaced=interlaced != 0,
    )
    notes, carrying = _notes(file, chunks)
    return Picture(
        raster=raster,
        notes=notes,
        colour="rgb" if colour else "gray",
        channels=_SAMPLES[colour_type],
        bits=min(bits, carrying),
        warnings=extra_samples(1 if colour_type in (4, 6) else 0),
    )


def _chunks(file: BinaryIO, size: int) -> list[_Chunk]:
    """Return the chunks of the file, each but those of the picture with its checksum verified: these have another."""
    # Many small chunks are read at once; the file itself is not to be closed with the reader.
    reader = io.BufferedReader(cast("io.FileIO", file), _HEADS_BYTES)
    try:
        return list(_walked(reader, size))
    finally:
        reader.detach()


def _walked(reader: io.BufferedReader[io.FileIO], size: int) -> Iterator[_Chunk]:
    offset = len(_SIGNATURE)
    for _ in range(_FEW_CHUNKS + size // _SMALL_CHUNK):
        if offset + 12 > size:
            raise ScanFault(SHORT)
        reader.seek(offset)
        length, kind = struct.unpack(">I4s", reader.read(8))
        if offset + 12 + length > size:
            raise ScanFault(SHORT)
        if kind != b"IDAT":
            _require_checksum(reader, kind, length)
        yield _Chunk(kind, offset + 8, length)
        offset += 12 + length
        if kind == b"IEND":
            return
    raise ScanFault("is cut into more pieces than any scan; save it again as 16-bit gray or RGB")


def _require_checksum(reader: io.BufferedReader[io.FileIO], kind: bytes, length: int) -> None:
    checksum = zlib.crc32(kind)
    while length and (part := reader.read(min(length, 1 << 16))):
        checksum, length = zlib.crc32(part, checksum), length - len(part)
    if reader.read(4) != struct.pack(">I", checksum):
        raise ScanFault(DAMAGED)


def _body(file: BinaryIO, chunk: _Chunk) -> bytes:
    file.seek(chunk.offset)
    return file.read(chunk.length)


def _notes(file: BinaryIO, chunks: list[_Chunk]) -> tuple[Notes, int]:
    """Return the notes of the file, and how many bits of a sample carry signal."""
    notes, carrying = Notes(), 16
    for chunk in chunks:
        if chunk.length > _LONGEST_NOTE or chunk.kind == b"IDAT":
            continue
        body = _body(file, chunk)
        if chunk.kind == b"pHYs" and len(body) == 9:
            across, down, unit = struct.unpack(">IIB", body)
            notes = replace(notes, ppi=notes.ppi or resolution(across, down, 0.0254 if unit == 1 else None))
        elif chunk.kind == b"sBIT" and body and max(body) > 0:
            carrying = max(body[:3])
        elif chunk.kind == b"iCCP":
            packed = body.partition(b"\0")[2][1:]
            with suppress(zlib.error):
                notes = replace(notes, icc=profile_name(zlib.decompressobj().decompress(packed, _LONGEST_NOTE)))
        elif chunk.kind in TEXTS:
            key, text = png_text(chunk.kind, body)
            notes = _texted(notes, key, text)
        elif chunk.kind == b"eXIf":
            notes = _completed(notes, exif_notes(body))
    return notes, carrying


def _texted(notes: Notes, key: bytes, text: bytes) -> Notes:
    """Return the notes with what a text says: its keywords are those of the standard, or of common use."""
    if key == b"Software":
        return replace(notes, software=printable(text))
    if key == b"Creation Time":
        return replace(notes, date=iso_date(printable(text)))
    if not key.startswith(b"Raw profile type "):
        return with_xmp(notes, text) if key.startswith(b"XML") else notes
    block = raw_profile(text).removeprefix(b"Exif\0\0")
    exif = exif_notes(block)
    if exif is None or notes.orientation is not None:
        return with_xmp(notes, block)
    return replace(_completed(notes, exif), orientation_aside=exif.orientation is not None)


def _completed(notes: Notes, exif: Notes | None) -> Notes:
    """Return the notes with what Exif says where the file's own chunks say nothing."""
    if exif is None:
        return notes
    stated = notes if exif.orientation is None else exif
    return Notes(
        make=exif.make or notes.make,
        model=exif.model or notes.model,
        software=notes.software or exif.software,
        date=notes.date or exif.date,
        ppi=notes.ppi or exif.ppi,
        orientation=stated.orientation,
        orientation_aside=stated.orientation_aside,
        icc=notes.icc,
    )
