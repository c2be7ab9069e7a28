"""A whole scan as optical density, pixel by pixel, in a TIFF file that any program of the field reads.

Written block by block as the scan is read, so that a large scan takes no more memory than a small one.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.calibration.calibration import Calibration
from densiscan.errors import DensiscanError
from densiscan.files.atomic import writing_whole
from densiscan.scan.scan import Block, Scan

Densities = npt.NDArray[np.float32]

_INCH: Final = 2
"""Unit of resolution in TIFF 6.0, section 8: dots an inch."""


def density_table(calibration: Calibration, full_scale: int) -> Densities:
    """Return the density of each code 0 to full_scale, shape (full_scale + 1,); NaN beyond the calibration's range."""
    return calibration.density(np.arange(full_scale + 1) / full_scale).astype(np.float32)


def density_map(scan: Scan, calibration: Calibration) -> Densities:
    """Return the density of each pixel of a scan, shape (rows, columns), NaN beyond the calibration's range.

    Parameters
    ----------
    scan
        Read by the calibration's channel, and scanned as its wedge was.

    Raises
    ------
    UnreadableScanError
        If the file turns out to be damaged.

    Examples
    --------
    >>> densities = density_map(open_scan("normal.tif"), read_calibration("mine.json"))
    >>> densities.shape, round(float(np.nanmedian(densities)), 2)
    ((850, 1157), 0.82)
    """
    whole = np.empty((scan.height_px, scan.width_px), np.float32)
    for block, density in _blocks(scan, calibration):
        rows, columns = density.shape
        whole[block.top : block.top + rows, block.left : block.left + columns] = density
    return whole


def write_density_map(scan: Scan, calibration: Calibration, path: str | os.PathLike[str]) -> None:
    """Write the density of each pixel as 32-bit floating point TIFF, whole or not at all.

    Of the scan's own size and resolution, turned as its orientation tag says; the description names the unit, the
    calibration and its range.

    Raises
    ------
    UnreadableScanError
        If the scan turns out to be damaged.
    DensiscanError
        If the file cannot be written.

    Examples
    --------
    >>> write_density_map(open_scan("normal.tif"), read_calibration("mine.json"), "normal-density.tif")
    """
    import tifffile

    with writing_whole(Path(path), what="the map") as whole:
        place = whole.place
        if place is None:
            raise DensiscanError(f"the map cannot be written to {path}, a device or a pipe; name a file.")
        with tifffile.TiffWriter(place, bigtiff=_is_large(scan)) as sheet:
            sheet.write(
                None,
                shape=(scan.height_px, scan.width_px),
                dtype=np.float32,
                photometric="minisblack",
                resolution=(scan.ppi_x, scan.ppi_y),
                resolutionunit=_INCH,
                description=_description(scan, calibration),
                software="densiscan",
                metadata=None,
            )
        with tifffile.TiffFile(place) as sheet:
            begins = sheet.pages.first.dataoffsets[0]
        with whole.in_words(), place.open("r+b", buffering=0) as stream:
            for block, density in _blocks(scan, calibration):
                _put(stream.fileno(), begins, scan.width_px, block, density)


def _is_large(scan: Scan) -> bool:
    return 4 * scan.width_px * scan.height_px > 2**32 - 2**25


def _description(scan: Scan, calibration: Calibration) -> str:
    low, high = calibration.density_range
    light = "reflectance" if calibration.mode == "reflection" else "transmittance"
    return json.dumps(
        {
            "format": "densiscan.map/1",
            "quantity": f"optical density, -log10 of {light}",
            "scan": scan.facts.file,
            "calibration": calibration.name,
            "calibrated": calibration.created,
            "channel": calibration.channel,
            "density_range": [low, high],
            "beyond": "NaN",
        }
    )


def _blocks(scan: Scan, calibration: Calibration) -> Iterator[tuple[Block, Densities]]:
    table = density_table(calibration, scan.facts.full_scale)
    yield from scan.each_block(lambda block: (block, np.take(table, block.codes, mode="clip")))


def _put(file: int, begins: int, width: int, block: Block, density: Densities) -> None:
    """Write a block to its place in the rows of the file."""
    if density.shape[1] == width:
        _write_at(file, density.tobytes(), begins + 4 * block.top * width)
        return
    for number, row in enumerate(density, start=block.top):
        _write_at(file, row.tobytes(), begins + 4 * (number * width + block.left))


def _write_at(file: int, content: bytes, place: int) -> None:
    os.lseek(file, place, os.SEEK_SET)
    view = memoryview(content)
    while view:
        view = view[os.write(file, view) :]
