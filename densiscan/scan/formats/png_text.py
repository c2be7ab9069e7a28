"""The texts of a PNG: plain, compressed, international, and blocks of other formats written in them as digits."""

from __future__ import annotations

import zlib
from contextlib import suppress
from typing import Final

TEXTS: Final = (b"tEXt", b"zTXt", b"iTXt")
_LONGEST: Final = 1 << 24


def png_text(kind: bytes, body: bytes) -> tuple[bytes, bytes]:
    """Return keyword and text of a chunk (ISO/IEC 15948, 11.3.4); what is damaged or too long is cut off."""
    key, _, text = body.partition(b"\0")
    packed = kind == b"zTXt"
    if kind == b"iTXt":
        packed, text = text[:1] == b"\1", text[2:]
        text = text.partition(b"\0")[2].partition(b"\0")[2]
    elif packed:
        text = text[1:]
    if not packed:
        return key, text
    with suppress(zlib.error):
        return key, zlib.decompressobj().decompress(text, _LONGEST)
    return key, b""


def raw_profile(text: bytes) -> bytes:
    """Return the block that a text "Raw profile type ..." holds: a name, a length, then hexadecimal digits."""
    words = text.split()
    with suppress(ValueError):
        return bytes.fromhex(b"".join(words[2:]).decode("latin-1"))
    return b""
