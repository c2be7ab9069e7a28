"""A colour profile for gray pictures, made of the structure that the ICC publishes and the tone curve of screens.

The tags and their order of bytes: ICC.1:2010 (profile version 4.3), clauses 7, 9 and 10, from memory. The tone curve:
IEC 61966-2-1:1999, clause 5, from memory.
"""

from __future__ import annotations

import struct
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats

_GAMMA: Final = 2.4
_OFFSET: Final = 0.055
_SLOPE: Final = 12.92
_STRAIGHT_BELOW: Final = 0.0031308
"""Light, white being 1, below which the tone curve is straight."""
_D50: Final = (0.9642, 1.0, 0.8249)
"""White of the space in which profiles meet."""
_NAME: Final = "Gray with the tone curve of screens"
_RIGHTS: Final = "No copyright, use freely"
_HEAD: Final = 128
_ENTRY: Final = 12


def encoded(light: npt.ArrayLike) -> Floats:
    """Return the values, 0 to 1, by which the tone curve stands for light, white being 1; light beyond is cut."""
    cut = np.clip(np.asarray(light, dtype=float), 0.0, 1.0)
    curved = (1.0 + _OFFSET) * np.maximum(cut, _STRAIGHT_BELOW) ** (1.0 / _GAMMA) - _OFFSET
    return np.asarray(np.where(cut <= _STRAIGHT_BELOW, _SLOPE * cut, curved))


def gray_profile() -> bytes:
    """Return the profile that says how light was `encoded`.

    Examples
    --------
    >>> profile = gray_profile()
    >>> int.from_bytes(profile[:4], "big") == len(profile), profile[36:40]
    (True, b'acsp')
    """
    tags = {b"desc": _words(_NAME), b"cprt": _words(_RIGHTS), b"wtpt": _white(), b"kTRC": _tone_curve()}
    place = _HEAD + 4 + _ENTRY * len(tags)
    table, content = struct.pack(">I", len(tags)), b""
    for name, tag in tags.items():
        table += struct.pack(">4sII", name, place + len(content), len(tag))
        content += tag + bytes(-len(tag) % 4)
    return _head(place + len(content)) + table + content


def _head(size: int) -> bytes:
    made = struct.pack(">6H", 2026, 1, 1, 0, 0, 0)
    begin = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x04300000, b"mntr", b"GRAY", b"XYZ ")
    kind = struct.pack(">4s4sI4s4sQI", b"acsp", bytes(4), 0, bytes(4), bytes(4), 0, 1)
    head = begin + made + kind + struct.pack(">3i", *map(_fixed, _D50))
    return head + bytes(_HEAD - len(head))


def _fixed(value: float) -> int:
    return round(value * 65536.0)


def _words(text: str) -> bytes:
    said = text.encode("utf-16-be")
    return struct.pack(">4sIII2s2sII", b"mluc", 0, 1, 12, b"en", b"US", len(said), 28) + said


def _white() -> bytes:
    return struct.pack(">4sI3i", b"XYZ ", 0, *map(_fixed, _D50))


def _tone_curve() -> bytes:
    """Return the way back, as the fourth kind of parametric curve: (a X + b)^g from d on, c X below."""
    figures = (_GAMMA, 1.0 / (1.0 + _OFFSET), _OFFSET / (1.0 + _OFFSET), 1.0 / _SLOPE, _SLOPE * _STRAIGHT_BELOW)
    return struct.pack(">4sIHH5i", b"para", 0, 3, 0, *map(_fixed, figures))
