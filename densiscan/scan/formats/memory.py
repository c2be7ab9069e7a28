"""A picture that is in memory already: an array of codes as the pixels of a scan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from densiscan.errors import WrongUseError
from densiscan.scan.formats.notes import Notes, Picture
from densiscan.scan.formats.pixels import BLOCK_PIXELS, SAMPLE_OF, Box, Coding, Piece, to_codes

_COLOURS: Final = (3, 4)
"""Samples a pixel of a colour picture, without and with an alpha channel."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArrayRaster:
    """One channel of an array of shape (rows, columns, samples), which is not copied."""

    samples: npt.NDArray[Any]
    coding: Coding
    sample: int

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.samples.shape[1])

    @property
    def height(self) -> int:
        """Rows."""
        return int(self.samples.shape[0])

    def pieces(self, _file: BinaryIO, box: Box) -> Iterator[Piece]:
        """Yield the pixels of a box, rows together."""
        top, left, bottom, right = box
        rows = max(1, BLOCK_PIXELS // (right - left))
        for first in range(top, bottom, rows):
            values = self.samples[first : min(first + rows, bottom), left:right, self.sample]
            yield first, left, partial(to_codes, values, self.coding)


def picture_of(codes: npt.ArrayLike, channel: str) -> Picture:
    """Return an array as a picture of which one channel is read.

    Raises
    ------
    WrongUseError
        If it has another shape than that of a picture, or numbers of another kind than codes.
    """
    samples = np.asarray(codes)
    colour = samples.ndim == 3 and samples.shape[2] in _COLOURS
    if not (colour or samples.ndim == 2) or not samples.size:
        shape = " by ".join(map(str, samples.shape)) or "one number"
        raise WrongUseError(
            f"an array of {shape} is not a scan; give rows by columns, or rows by columns by 3 colours."
        )
    coding = _coding(samples.dtype)
    raster = ArrayRaster(
        samples=samples if colour else samples[:, :, np.newaxis],
        coding=coding,
        sample=SAMPLE_OF[channel] if colour else 0,
    )
    bits = coding.full_scale.bit_length()
    channels = samples.shape[2] if colour else 1
    return Picture(raster=raster, notes=Notes(), colour="rgb" if colour else "gray", channels=channels, bits=bits)


def _coding(dtype: np.dtype[Any]) -> Coding:
    if dtype.kind == "f":
        return Coding(bits=8 * dtype.itemsize, kind="float", little_endian=True, full_scale=65535)
    if dtype.kind != "u" or dtype.itemsize > 2:
        raise WrongUseError(f"an array of {dtype} holds no codes; give uint8 or uint16, or floats from 0 to 1.")
    return Coding(bits=8 * dtype.itemsize, kind="uint", little_endian=True, full_scale=2 ** (8 * dtype.itemsize) - 1)
