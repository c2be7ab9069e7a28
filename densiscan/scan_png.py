"""PNG scans of 8 and 16 bits, gray or RGB, with or without alpha (ISO/IEC 15948)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

import imagecodecs
import numpy as np

from densiscan.scan_notes import Notes, Picture, iso_date, profile_name, resolution
from densiscan.scan_pixels import BLOCK_PIXELS, Box, Codes, Coding, ScanFault
from densiscan.scan_tags import printable

_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
_SAMPLES: Final = {0: 1, 2: 3, 4: 2, 6: 4}
_READ_BYTES: Final = 1 << 18
_SHORT: Final = "ends before its picture does; scan it again or copy it afresh"
_DAMAGED: Final = "is damaged; scan it again or copy it afresh"


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
    """

    width: int
    height: int
    coding: Coding
    colour_type: int
    wanted: int
    parts: tuple[tuple[int, int], ...]

    def pieces(self, file: BinaryIO, box: Box) -> Iterator[tuple[int, int, Codes]]:
        """Yield (top, left, codes) in file order, down to the end of the box.

        The filters of a row refer to the row above, so the file is read from the top. A group of rows is decoded as a
        small picture of its own, whose first row is the last one of the group before: memory holds one group.

        Raises
        ------
        ScanFault
            If the data are damaged or end too early.
        """
        top, _, bottom, _ = box
        samples = _SAMPLES[self.colour_type]
        row_bytes = self.width * samples * self.coding.bits // 8
        step = max(1, BLOCK_PIXELS // self.width)
        stream = _Stream(file, self.parts)
        above = b"\0" + bytes(row_bytes)
        for row in range(0, bottom, step):
            rows = min(step, bottom - row)
            filtered = stream.take(rows * (row_bytes + 1))
            values = self._decoded(above + filtered, rows + 1)[1:]
            above = b"\0" + values[-1].astype(values.dtype.newbyteorder(">")).tobytes()
            if row + rows > top:
                yield row, 0, np.ascontiguousarray(values.reshape(rows, self.width, samples)[:, :, self.wanted])

    def _decoded(self, filtered: bytes, rows: int) -> Codes:
        head = struct.pack(">IIBBBBB", self.width, rows, self.coding.bits, self.colour_type, 0, 0, 0)
        small = _SIGNATURE + _chunk(b"IHDR", head) + _chunk(b"IDAT", zlib.compress(filtered, 0)) + _chunk(b"IEND", b"")
        return np.asarray(imagecodecs.png_decode(small))


class _Stream:
    """The zlib stream of a PNG file, taken in pieces of known size."""

    def __init__(self, file: BinaryIO, parts: tuple[tuple[int, int], ...]) -> None:
        self._file, self._parts = file, list(reversed(parts))
        self._stream = zlib.decompressobj()

    def take(self, size: int) -> bytes:
        """Return exactly the next `size` bytes."""
        taken = []
        while size > 0:
            fed = self._stream.unconsumed_tail or self._feed()
            part = self._stream.decompress(fed, size)
            if not part and not fed:
                raise ScanFault(_SHORT)
            taken.append(part)
            size -= len(part)
        return b"".join(taken)

    def _feed(self) -> bytes:
        if not self._parts:
            return b""
        offset, length = self._parts.pop()
        if length > _READ_BYTES:
            self._parts.append((offset + _READ_BYTES, length - _READ_BYTES))
        self._file.seek(offset)
        return self._file.read(min(length, _READ_BYTES))


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
        raise ScanFault(_DAMAGED)
    width, height, bits, colour_type, _, _, interlaced = struct.unpack(">IIBBBBB", _body(file, chunks[0]))
    if colour_type == 3:
        raise ScanFault("has palette colours; save it as 16-bit gray or RGB")
    if colour_type not in _SAMPLES or width == 0 or height == 0:
        raise ScanFault(_DAMAGED)
    if bits not in (8, 16):
        raise ScanFault(f"has only {bits} bits a sample; scan it again with 16 bits")
    if interlaced:
        raise ScanFault("is interlaced; save it without interlacing")
    parts = tuple((chunk.offset, chunk.length) for chunk in chunks if chunk.kind == b"IDAT")
    need = height * (1 + width * _SAMPLES[colour_type] * bits // 8)
    if need > 1032 * sum(length for _, length in parts) + 4096:
        raise ScanFault("claims more pixels than its data can hold; scan it again or copy it afresh")
    colour = colour_type in (2, 6)
    coding = Coding(bits=bits, kind="uint", little_endian=False, full_scale=(1 << bits) - 1)
    raster = PngRaster(
        width=width,
        height=height,
        coding=coding,
        colour_type=colour_type,
        wanted={"gray": 1, "red": 0, "green": 1, "blue": 2}[channel] if colour else 0,
        parts=parts,
    )
    return Picture(
        raster=raster,
        notes=_notes(file, chunks),
        colour="rgb" if colour else "gray",
        channels=_SAMPLES[colour_type],
        bits=bits,
    )


def _chunks(file: BinaryIO, size: int) -> list[_Chunk]:
    chunks, offset = [], len(_SIGNATURE)
    while offset + 8 <= size:
        file.seek(offset)
        length, kind = struct.unpack(">I4s", file.read(8))
        if offset + 12 + length > size:
            raise ScanFault(_SHORT)
        chunks.append(_Chunk(kind, offset + 8, length))
        offset += 12 + length
        if kind == b"IEND":
            break
    return chunks


def _body(file: BinaryIO, chunk: _Chunk) -> bytes:
    file.seek(chunk.offset)
    return file.read(chunk.length)


def _notes(file: BinaryIO, chunks: list[_Chunk]) -> Notes:
    ppi, icc, texts = None, None, {}
    for chunk in chunks:
        if chunk.kind == b"pHYs" and chunk.length == 9:
            across, down, unit = struct.unpack(">IIB", _body(file, chunk))
            ppi = resolution(across, down, 0.0254 if unit == 1 else None)
        elif chunk.kind == b"iCCP" and chunk.length < 1 << 24:
            _, _, packed = _body(file, chunk).partition(b"\0")
            icc = profile_name(zlib.decompressobj().decompress(packed[1:], 1 << 24))
        elif chunk.kind == b"tEXt" and chunk.length < 1 << 16:
            key, _, text = _body(file, chunk).partition(b"\0")
            texts[key] = printable(text)
    return Notes(software=texts.get(b"Software"), date=iso_date(texts.get(b"Creation Time")), ppi=ppi, icc=icc)
