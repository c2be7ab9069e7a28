"""TIFF and linear DNG: which picture of the file is the scan, and how its samples are stored."""

from __future__ import annotations

from typing import BinaryIO, Final, Literal

from densiscan.quantity import Warning_
from densiscan.scan_notes import Picture, directory_notes
from densiscan.scan_pixels import Coding, ScanFault
from densiscan.scan_strips import DEFLATE, JPEG, LZW, NONE, OLD_DEFLATE, PACKBITS, StripRaster, picture_segments
from densiscan.scan_tags import Directory, read_chain, read_directory_at

MIN_IS_WHITE, MIN_IS_BLACK, RGB, YCBCR, LINEAR_RAW = 0, 1, 2, 6, 34892

_UNFIT: Final = {
    3: "has palette colours",
    4: "is a transparency mask",
    5: "is stored in printing inks (CMYK)",
    6: "is stored as luminance and chroma (YCbCr)",
    8: "is stored in Lab colour",
    9: "is stored in Lab colour",
    10: "is stored in Lab colour",
    32803: "is an unprocessed camera mosaic",
    32844: "is stored on a logarithmic scale",
    32845: "is stored on a logarithmic scale",
}
_CODECS: Final = (NONE, LZW, JPEG, DEFLATE, OLD_DEFLATE, PACKBITS)
_SAVE_GRAY: Final = "save it as 16-bit gray or RGB"


def open_tiff(file: BinaryIO, size: int, channel: str, page: int | None) -> Picture:
    """Return the scan in a TIFF file.

    Parameters
    ----------
    file, size
        The open file and its length in bytes.
    channel
        "gray", "red", "green" or "blue"; "gray" of a colour scan is its green channel.
    page
        Which page, from 1; None where the file must hold one picture only.

    Raises
    ------
    ScanFault
        If the file holds no picture that can be read as a scan, or several and none was named.
    """
    chain = read_chain(file, size)
    directory = _picked(file, size, chain, page)
    colour = _colour(directory)
    samples = directory.integer(277, 1)
    coding = _coding(directory, size)
    compression = directory.integer(259, 1)
    if compression not in _CODECS:
        raise ScanFault(f"is compressed with scheme {compression}; save it uncompressed, with LZW or with Deflate")
    wanted = {"gray": 1, "red": 0, "green": 1, "blue": 2}[channel] if colour == "rgb" else 0
    planar = directory.integer(284, 1) == 2 and samples > 1
    together = 1 if planar else samples
    width = directory.integer(256, 0)
    stored_width = directory.integer(322, width)
    planes = (samples, wanted) if planar else (1, 0)
    raster = StripRaster(
        width=width,
        height=directory.integer(257, 0),
        coding=coding,
        compression=compression,
        samples=together,
        wanted=0 if planar else wanted,
        stored_width=stored_width,
        segments=picture_segments(directory, size, planes, coding.row_bytes(stored_width * together)),
    )
    return Picture(
        raster=raster,
        notes=directory_notes(directory, first=chain[0]),
        colour=colour,
        channels=samples,
        bits=coding.full_scale.bit_length(),
    )


def _picked(file: BinaryIO, size: int, chain: list[Directory], page: int | None) -> Directory:
    if page is not None:
        if not 1 <= page <= len(chain):
            raise ScanFault(f"has {len(chain)} pages, not a page {page}; choose another --page")
        return chain[page - 1]
    pictures = [directory for directory in chain if not directory.integer(254, 0) & 0b101]
    if len(pictures) > 1:
        raise ScanFault(f"holds {len(pictures)} pictures; choose one with --page")
    return (pictures or chain)[0]


def _colour(directory: Directory) -> Literal["gray", "rgb"]:
    photometric = directory.integer(262, MIN_IS_BLACK)
    if photometric in _UNFIT:
        raise ScanFault(f"{_UNFIT[photometric]}; {_SAVE_GRAY}")
    return "rgb" if directory.integer(277, 1) >= 3 else "gray"


def _coding(directory: Directory, size: int) -> Coding:
    bits = directory.integer(258, 1)
    if bits < 8:
        raise ScanFault(f"has only {bits} bits a sample; scan it again with 16 bits")
    kind = {1: "uint", 2: "int", 3: "float"}.get(directory.integer(339, 1), "uint")
    full_scale = 255 if bits == 8 else (1 << min(bits, 16)) - 1
    return Coding(
        bits=bits,
        kind=kind,
        little_endian=directory.little_endian,
        full_scale=full_scale,
        inverted=directory.integer(262, 1) == MIN_IS_WHITE,
        shift=max(0, bits - 16) if kind != "float" else 0,
        predictor=directory.integer(317, 1),
    )
