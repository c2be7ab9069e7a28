"""From the bytes of one decoded piece of a scan to the codes of one channel.

A code is a whole number from 0 to full scale, bright is high. Pure functions: no file is touched here.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO, Final, Literal, Protocol

import imagecodecs
import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.unsignedinteger]
"""Always uint8 or uint16."""

SHORT: Final = "ends before its picture does; scan it again or copy it afresh"
DAMAGED: Final = "is damaged and cannot be decoded; scan it again or copy it afresh"
GOES_ON: Final = "is damaged: its data go on after its picture; scan it again or copy it afresh"
CLAIMS: Final = "claims more pixels than its data can hold; scan it again or copy it afresh"
SAMPLE_OF: Final = {"gray": 1, "red": 0, "green": 1, "blue": 2}
"""Which sample of an RGB pixel a channel is read from; gray is green, see `scan.open_scan`."""

Box = tuple[int, int, int, int]
"""Top, left, bottom, right in pixels as stored; half-open."""

BLOCK_PIXELS: Final = 1 << 19
"""Pixels in a block that is read at once: 1 MB of 16-bit codes, 3 MB as stored in a colour scan."""


_MOST_WHOLE_MB: Final = 1000


class ScanFault(Exception):  # noqa: N818 - it never leaves the scan modules; scan.py adds the file's name
    """Why a file cannot be read, as a phrase that follows the file's name: "is ...; do ..."."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """How one sample is stored.

    Attributes
    ----------
    bits
        Stored bits a sample.
    kind
        Whole numbers without or with sign, or floating point from 0 to 1.
    little_endian
        Byte order of samples wider than a byte.
    full_scale
        Largest code after conversion.
    inverted
        True where the file stores 0 for white.
    shift
        Right shift that brings whole numbers wider than 16 bits to codes.
    predictor
        TIFF predictor: 1 none, 2 horizontal difference, 3 floating point.
    """

    bits: int
    kind: Literal["uint", "int", "float"]
    little_endian: bool
    full_scale: int
    inverted: bool = False
    shift: int = 0
    predictor: int = 1

    @property
    def packed(self) -> bool:
        """True where samples do not begin on byte borders."""
        return self.bits not in (8, 16, 24, 32, 64)

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of one sample that fills whole bytes."""
        letter = {"uint": "u", "int": "i", "float": "f"}[self.kind]
        return np.dtype(("<" if self.little_endian else ">") + letter + str(self.bits // 8))

    @property
    def code_type(self) -> type[np.uint8 | np.uint16]:
        """Type of the codes."""
        return np.uint8 if self.full_scale <= 255 else np.uint16

    def row_bytes(self, samples: int) -> int:
        """Return the bytes of a row of this many samples; rows are padded to a whole byte."""
        return (samples * self.bits + 7) // 8


def require_room(size: int, what: str) -> None:
    """Check that what can only be decoded as a whole fits into memory.

    Parameters
    ----------
    size
        Bytes once decoded.
    what
        Names it in the sentence.

    Raises
    ------
    ScanFault
        If it is larger than 1,000 MB, or than what the environment variable DENSISCAN_WHOLE_MB says.
    """
    given = os.environ.get("DENSISCAN_WHOLE_MB", "")
    most = int(given) if given.isdecimal() else _MOST_WHOLE_MB
    if size > most * 1_000_000:
        raise ScanFault(
            f"holds {what} that takes {size / 1e6:.0f} MB of memory at once, more than {most}; save it as uncompressed "
            "TIFF, or set DENSISCAN_WHOLE_MB higher"
        )


Piece = tuple[int, int, Callable[[], Codes]]
"""Top and left of some pixels as stored, and what decodes them: any thread may call it, once."""


def decoded(pieces: Iterator[Piece]) -> Iterator[tuple[int, int, Codes]]:
    """Decode pieces one by one."""
    return ((top, left, decode()) for top, left, decode in pieces)


class Raster(Protocol):
    """The pixels of one channel as a file stores them, orientation not applied."""

    @property
    def width(self) -> int:
        """Columns as stored."""
        ...

    @property
    def height(self) -> int:
        """Rows as stored."""
        ...

    @property
    def coding(self) -> Coding:
        """How a sample is stored."""
        ...

    def pieces(self, file: BinaryIO, box: Box) -> Iterator[Piece]:
        """Yield pieces in file order; together they cover the box, each pixel once, maybe with a margin."""
        ...


def channel_codes(raw: bytes | bytearray, rows: int, width: int, plane: tuple[int, int], coding: Coding) -> Codes:
    """Return the codes of one channel from the uncompressed bytes of some rows.

    Parameters
    ----------
    raw
        At least `rows` rows of `width` pixels, samples of a pixel together.
    rows, width
        Size of the piece in pixels.
    plane
        Samples a pixel, and which of them is wanted.
    coding
        How the samples are stored.

    Raises
    ------
    ScanFault
        If the bytes are too few, or a value is not a code (negative, NaN, outside 0 to 1).
    """
    samples, wanted = plane
    shape = (rows, width, samples)
    need = rows * coding.row_bytes(width * samples)
    if len(raw) < need:
        raise ScanFault(SHORT)
    if coding.packed:
        unpacked = imagecodecs.packints_decode(bytes(raw[:need]), np.uint16, coding.bits, runlen=width * samples)
        values = unpacked.reshape(shape)[:, :, wanted]
    elif coding.bits == 24:
        values = _three_bytes(np.frombuffer(raw, np.uint8, need).reshape(*shape, 3)[:, :, wanted], coding)
    else:
        stored = np.frombuffer(raw, coding.dtype, need // coding.dtype.itemsize).reshape(shape)
        if coding.predictor == 3:
            stored = np.asarray(imagecodecs.floatpred_decode(stored, axis=-2, dist=1)).reshape(shape)
        values = stored[:, :, wanted]
    if coding.predictor == 2:
        values = _summed_rows(values, coding)
    if coding.bits == 24 and coding.kind == "int":
        values = (values << 8).view(np.int32) >> 8
    return to_codes(values, coding)


def to_codes(values: NDArray[Any], coding: Coding) -> Codes:
    """Return native uint8 or uint16 codes, bright is high, from stored sample values of any shape.

    Raises
    ------
    ScanFault
        If a value is negative, NaN, or (floating point) rounds to a code outside 0 to full scale.
    """
    if coding.kind == "float":
        values = _float_codes(values, coding.full_scale)
    elif coding.kind == "int" and values.size and int(values.min()) < 0:
        raise ScanFault("holds negative values; save it with unsigned 16-bit samples")
    if coding.shift:
        values = values >> coding.shift
    kind = coding.code_type
    codes: Codes = values.astype(kind, copy=False)
    if coding.inverted:
        codes = np.subtract(kind(coding.full_scale), codes, dtype=kind)
    return codes


def _float_codes(values: NDArray[Any], full_scale: int) -> NDArray[Any]:
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = np.rint(values.astype(np.float64) * full_scale)
    if scaled.size and not (scaled.min() >= 0 and scaled.max() <= full_scale):
        raise ScanFault(
            "holds floating-point values that are NaN or outside 0 to 1; save it with unsigned 16-bit samples. Of a "
            "density map, name the scan that it was made from"
        )
    return scaled


def _summed_rows(values: NDArray[Any], coding: Coding) -> NDArray[Any]:
    """Undo horizontal differences along each row, modulo the sample's range."""
    native = values.dtype.newbyteorder("=")
    unsigned = np.ascontiguousarray(values, dtype=native).view(f"u{native.itemsize}")
    summed = np.asarray(imagecodecs.delta_decode(unsigned, axis=-1))
    if coding.bits < 8 * native.itemsize:
        summed = np.bitwise_and(summed, summed.dtype.type((1 << coding.bits) - 1))
    return summed.view(native)


def _three_bytes(parts: NDArray[np.uint8], coding: Coding) -> NDArray[Any]:
    """Return whole numbers from their three bytes along the last axis."""
    wide = parts.astype(np.uint32)
    low, middle, high = (0, 1, 2) if coding.little_endian else (2, 1, 0)
    whole: NDArray[Any] = wide[..., low] | wide[..., middle] << 8 | wide[..., high] << 16
    return whole
