"""Pictures as large as a scan, made of its pixels and written block by block into one TIFF file.

A large scan takes no more memory than a small one: each block is written to its place as soon as it is made.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from densiscan.errors import DensiscanError
from densiscan.files.atomic import writing_whole
from densiscan.scan.scan import Block, Scan

Pixels = npt.NDArray[Any]
Work = Callable[[Block], tuple[Pixels, ...]]

_INCH: Final = 2
"""Unit of resolution in TIFF 6.0, section 8: dots an inch."""
_SMALLEST_VALUE: Final = 340
_LARGEST_VALUE: Final = 341
"""SMinSampleValue and SMaxSampleValue, TIFF 6.0, section 19."""
_FLOAT: Final = 11
"""Field type of TIFF 6.0, section 2."""
_HEADS: Final = 2**25
"""Bytes that are left to tags, below where a plain TIFF file ends at 4 GB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One picture of the file.

    Attributes
    ----------
    sample
        Type of its pixels.
    told
        What its image description says, one JSON object.
    between
        Smallest and largest value that a pixel can have, where the file is to say so.
    profile
        Its colour profile, as the ICC has it.
    """

    sample: type[np.float32 | np.uint16]
    told: Mapping[str, Any]
    between: tuple[float, float] | None = None
    profile: bytes | None = None

    @property
    def bytes(self) -> int:
        """Size of a pixel."""
        return np.dtype(self.sample).itemsize


def write_sheets(scan: Scan, sheets: Sequence[Sheet], work: Work, path: str | os.PathLike[str], *, what: str) -> None:
    """Write pictures of a scan's own size and resolution, turned as its orientation tag says, whole or not at all.

    Parameters
    ----------
    work
        Makes the pixels of each sheet from a block, in their order and of the block's shape; called for several blocks
        at a time.
    what
        What the file holds, for the sentence: "the map".

    Raises
    ------
    UnreadableScanError
        If the scan turns out to be damaged.
    DensiscanError
        If the file cannot be written.
    """
    with writing_whole(Path(path), what=what) as whole:
        place = whole.place
        if place is None:
            raise DensiscanError(f"{what} cannot be written to {path}, a device or a pipe; name a file.")
        begins = _begun(scan, sheets, place)
        with whole.in_words(), place.open("r+b", buffering=0) as stream:
            for block, made in scan.each_block(lambda block: (block, work(block))):
                for first, pixels in zip(begins, made, strict=True):
                    _put(stream.fileno(), first, scan.width_px, block, pixels)


def _begun(scan: Scan, sheets: Sequence[Sheet], place: Path) -> list[int]:
    """Write the tags, leave room for the pixels, and return where those of each sheet begin."""
    import tifffile

    size = scan.width_px * scan.height_px * sum(sheet.bytes for sheet in sheets)
    with tifffile.TiffWriter(place, bigtiff=size > 2**32 - _HEADS) as file:
        for sheet in sheets:
            ends = zip((_SMALLEST_VALUE, _LARGEST_VALUE), sheet.between or (), strict=False)
            file.write(
                None,
                shape=(scan.height_px, scan.width_px),
                dtype=sheet.sample,
                photometric="minisblack",
                resolution=(scan.ppi_x, scan.ppi_y),
                resolutionunit=_INCH,
                description=json.dumps(sheet.told),
                software="densiscan",
                metadata=None,
                iccprofile=sheet.profile,
                extratags=[(tag, _FLOAT, 1, value, True) for tag, value in ends],
            )
    with tifffile.TiffFile(place) as file:
        return [page.dataoffsets[0] for page in file.pages]


def _put(file: int, begins: int, width: int, block: Block, pixels: Pixels) -> None:
    """Write a block to its place in the rows of a sheet."""
    size = pixels.itemsize
    if pixels.shape[1] == width:
        _write_at(file, np.ascontiguousarray(pixels), begins + size * block.top * width)
        return
    for number, row in enumerate(pixels, start=block.top):
        _write_at(file, np.ascontiguousarray(row), begins + size * (number * width + block.left))


def _write_at(file: int, content: Pixels, place: int) -> None:
    os.lseek(file, place, os.SEEK_SET)
    view = content.data.cast("B")
    while view:
        view = view[os.write(file, view) :]
