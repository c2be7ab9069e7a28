"""JPEG files as scans (ITU-T T.81; JFIF 1.02; Exif 2.3)."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import BinaryIO, Final

import imagecodecs
import numpy as np

from densiscan.scan.formats.inflate import Kept
from densiscan.scan.formats.jpeg_frame import APP0, APP1, APP2, EXPANSION, SCAN, frame, segments
from densiscan.scan.formats.jpeg_sound import require_sound
from densiscan.scan.formats.notes import Notes, Picture, directory_notes, made_up, profile_name, resolution, with_xmp
from densiscan.scan.formats.pixels import (
    BLOCK_PIXELS,
    CLAIMS,
    DAMAGED,
    SAMPLE_OF,
    Box,
    Codes,
    Coding,
    Piece,
    ScanFault,
    require_room,
    to_codes,
)
from densiscan.scan.formats.tiff_tags import read_chain

_LARGEST_FILE: Final = 1 << 30


@dataclass(frozen=True, slots=True, kw_only=True)
class JpegRaster:
    """One channel of a JPEG file; the decoder gives the picture only as a whole."""

    width: int
    height: int
    coding: Coding
    size: int
    wanted: int
    kept: Kept = field(default_factory=Kept, repr=False, compare=False)

    def pieces(self, file: BinaryIO, box: Box) -> Iterator[Piece]:
        """Yield pieces from the box's first row to its last, decoded already.

        Raises
        ------
        ScanFault
            If the data are damaged or end too early.
        """
        plane = self.kept.recall("whole")
        if plane is None:
            plane = self._decoded(file)
            if box != (0, 0, self.height, self.width):
                self.kept.keep("whole", plane)
        step = max(1, BLOCK_PIXELS // self.width)
        for row in range(box[0], box[2], step):
            yield row, 0, partial(plane.__getitem__, slice(row, min(row + step, box[2])))

    def _decoded(self, file: BinaryIO) -> Codes:
        file.seek(0)
        data = file.read(self.size)
        whole = _whole(data)
        if whole.shape[:2] != (self.height, self.width):
            raise ScanFault(DAMAGED)
        if 0 not in self.kept.sound:
            require_sound(data, whole, _whole)
            self.kept.sound.add(0)
        plane = whole if whole.ndim == 2 else np.ascontiguousarray(whole[:, :, self.wanted])
        return to_codes(plane, self.coding)


def _whole(data: bytes) -> Codes:
    return np.asarray(imagecodecs.jpeg_decode(data))


def open_jpeg(file: BinaryIO, size: int, channel: str) -> Picture:
    """Return the scan in a JPEG file.

    Raises
    ------
    ScanFault
        If it is damaged, or its pixels are not gray or RGB.
    """
    if size > _LARGEST_FILE:
        raise ScanFault("is longer than any JPEG scan; scan it again to TIFF")
    file.seek(0)
    data = file.read(size)
    head = frame(data)
    if head.components not in (1, 3):
        raise ScanFault("is stored in printing inks (CMYK); save it as 16-bit gray or RGB")
    if head.width == 0 or head.height == 0:
        raise ScanFault(DAMAGED)
    samples = head.width * head.height * head.components
    if samples > size * EXPANSION:
        raise ScanFault(CLAIMS)
    require_room(samples * (1 + (head.precision > 8)), "a JPEG picture")
    wide = head.precision > 8
    coding = Coding(
        bits=16 if wide else 8, kind="uint", little_endian=True, full_scale=(1 << head.precision) - 1 if wide else 255
    )
    raster = JpegRaster(
        width=head.width,
        height=head.height,
        coding=coding,
        size=size,
        wanted=SAMPLE_OF[channel] if head.components == 3 else 0,
    )
    return Picture(
        raster=raster,
        notes=_notes(data),
        colour="rgb" if head.components == 3 else "gray",
        channels=head.components,
        bits=head.precision,
        lossy=not head.lossless,
    )


def _notes(data: bytes) -> Notes:
    jfif: tuple[float, float] | None = None
    exif: Notes | None = None
    profile: dict[int, bytes] = {}
    xmp = b""
    for marker, body, _, _ in segments(data):
        if marker == APP0 and body.startswith(b"JFIF\0") and len(body) >= 12:
            unit, across, down = struct.unpack_from(">BHH", body, 7)
            jfif = resolution(across, down, {1: 1.0, 2: 2.54}.get(unit))
        elif marker == APP1 and body.startswith(b"Exif\0\0") and exif is None:
            exif = exif_notes(body[6:])
        elif marker == APP1 and not body.startswith(b"Exif\0\0"):
            xmp += body
        elif marker == APP2 and body.startswith(b"ICC_PROFILE\0") and len(body) > 14:
            profile[body[12]] = body[14:]
        elif marker == SCAN:
            break
    notes = with_xmp(exif or Notes(), xmp)
    icc = profile_name(b"".join(profile[key] for key in sorted(profile))) if profile else notes.icc
    # Exif may hold what a program puts where it knows nothing; then the older head may know better.
    both = [ppi for ppi in (notes.ppi, jfif) if ppi is not None]
    known = [ppi for ppi in both if not made_up(ppi)]
    return replace(notes, icc=icc, ppi=next(iter(known or both), None), ppi_elsewhere=False)


def exif_notes(note: bytes) -> Notes | None:
    """Return the notes in an Exif block, or None where it is damaged."""
    with suppress(ScanFault):
        return directory_notes(read_chain(io.BytesIO(note), len(note))[0])
    return None
