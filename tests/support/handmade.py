"""Image files built byte by byte, for what no writer at hand writes: odd tags, packed bits, broken heads."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 1, 2, 3, 4, 5, 7
LETTERS = {BYTE: "B", SHORT: "H", LONG: "I", RATIONAL: "I"}

Tag = tuple[int, Sequence[int] | bytes]


def tiff(
    size: tuple[int, int],
    strips: Sequence[bytes],
    *,
    tags: Mapping[int, Tag | None] | None = None,
    order: str = "<",
) -> bytes:
    """Return a TIFF file of (width, height); `tags` replace or (None) remove the plain 16-bit gray ones."""
    width, height = size
    rows = -(-height // max(len(strips), 1))
    first = 8
    offsets = [first + sum(len(strip) for strip in strips[:index]) for index in range(len(strips))]
    entries: dict[int, Tag | None] = {
        256: (LONG, [width]),
        257: (LONG, [height]),
        258: (SHORT, [16]),
        259: (SHORT, [1]),
        262: (SHORT, [1]),
        273: (LONG, offsets),
        277: (SHORT, [1]),
        278: (LONG, [rows]),
        279: (LONG, [len(strip) for strip in strips]),
        282: (RATIONAL, [300, 1]),
        283: (RATIONAL, [300, 1]),
        296: (SHORT, [2]),
        **(tags or {}),
    }
    body = b"".join(strips)
    start = first + len(body) + len(body) % 2
    head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, start)
    return head + body.ljust(start - first, b"\0") + directory(entries, start, order)


def directory(entries: Mapping[int, Tag | None], start: int, order: str = "<") -> bytes:
    """Return a TIFF directory that stands at `start`, its longer values behind it."""
    kept = sorted((tag, value) for tag, value in entries.items() if value is not None)
    table, values = struct.pack(order + "H", len(kept)), b""
    end = start + 2 + 12 * len(kept) + 4
    for tag, (kind, content) in kept:
        if isinstance(content, bytes):
            raw, count = content, len(content)
        else:
            raw = struct.pack(f"{order}{len(content)}{LETTERS[kind]}", *content)
            count = len(content) // (2 if kind == RATIONAL else 1)
        table += struct.pack(order + "HHI", tag, kind, count)
        if len(raw) <= 4:
            table += raw.ljust(4, b"\0")
        else:
            table += struct.pack(order + "I", end + len(values))
            values += raw + b"\0" * (len(raw) % 2)
    return table + struct.pack(order + "I", 0) + values


def exif(orientation: int) -> bytes:
    """Return an Exif block with nothing but an orientation."""
    return b"Exif\0\0II*\0\x08\0\0\0" + directory({274: (SHORT, [orientation])}, 8)


def packed(codes: npt.NDArray[Any], bits: int) -> bytes:
    """Return rows of samples packed without gaps, highest bit first, each row filled up to a whole byte."""
    planes = (codes[..., None] >> np.arange(bits - 1, -1, -1)) & 1
    return np.packbits(planes.reshape(codes.shape[0], -1).astype(np.uint8), axis=1).tobytes()


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """Return one PNG chunk."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(head: tuple[int, int, int, int], rows: bytes, *, chunks: bytes = b"", interlaced: int = 0) -> bytes:
    """Return a PNG file of (width, height, bits, colour type) with these filtered rows."""
    width, height, bits, colour = head
    ihdr = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, interlaced))
    return b"\x89PNG\r\n\x1a\n" + ihdr + chunks + png_chunk(b"IDAT", zlib.compress(rows)) + png_chunk(b"IEND", b"")


def profile(version: int, name: str) -> bytes:
    """Return the part of a colour profile that holds its description, as ICC version 2 or 4 has it."""
    if version == 2:
        text = name.encode("ascii") + b"\0"
        tag = b"desc" + bytes(4) + struct.pack(">I", len(text)) + text
    else:
        text = name.encode("utf-16-be")
        tag = b"mluc" + bytes(4) + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(text), 28) + text
    return bytes(128) + struct.pack(">I", 1) + struct.pack(">4sII", b"desc", 144, len(tag)) + tag
