"""What a file says of itself: scanner, software, date, resolution, orientation, colour profile."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, replace
from typing import Final, Literal

from densiscan.arithmetic.quantity import Warning_
from densiscan.scan.formats.pixels import Raster, ScanFault
from densiscan.scan.formats.tiff_tags import Directory, printable

_CM_PER_INCH: Final = 2.54
_XMP_ORIENTATION: Final = re.compile(rb"\btiff:Orientation\s*(?:=\s*[\"']|>)\s*([1-8])\b")
_LONGEST_XMP: Final = 1 << 24
_ANY_FILE: Final = 1 << 28
"""Pixels that are read in seconds, however closely they are packed."""
_LONGEST: Final = 1 << 18
"""Pixels on a side: half a metre at the highest resolution that is believed (`scan`)."""
_CLOSEST: Final = 100
"""Pixels a byte beyond which a larger picture is no scan: noise lets 8 bits pack to one or two (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notes:
    """Notes of a file; None where it says nothing.

    Attributes
    ----------
    ppi
        Pixels an inch across and down, as stored.
    ppi_elsewhere
        True where the resolution stands with another picture of the file, not with this one.
    orientation
        Value of the TIFF orientation tag, 1 to 8; None where the file does not say.
    orientation_aside
        True where no tag says it, but only XMP or a text, which many programs ignore.
    """

    make: str | None = None
    model: str | None = None
    software: str | None = None
    date: str | None = None
    ppi: tuple[float, float] | None = None
    ppi_elsewhere: bool = False
    orientation: int | None = None
    orientation_aside: bool = False
    icc: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One picture of a file, ready to be read.

    Attributes
    ----------
    raster
        The wanted channel's pixels.
    notes
        What the file says of it.
    colour
        Whether the file holds gray or RGB.
    channels
        Samples a pixel, extra ones included.
    bits
        Bits of a sample that carry signal.
    lossy
        True where the compression altered the pixels.
    warnings
        What a person should know of the file.
    """

    raster: Raster
    notes: Notes
    colour: Literal["gray", "rgb"]
    channels: int
    bits: int
    lossy: bool = False
    warnings: tuple[Warning_, ...] = ()


def sane(picture: Picture, size: int) -> Picture:
    """Return the picture of a file of `size` bytes.

    Raises
    ------
    ScanFault
        If a small file unfolds into a huge picture, or a side is longer than that of any scan: it would be read for
        minutes, or one row of it fill the memory.
    """
    longest = max(picture.raster.width, picture.raster.height)
    if longest > _LONGEST:
        raise ScanFault(f"is {longest} pixels long, which no scan is; scan it again")
    pixels = picture.raster.width * picture.raster.height
    if pixels > max(_ANY_FILE, _CLOSEST * size):
        raise ScanFault(
            f"unfolds {size / 1e6:.3g} MB into {pixels / 1e6:.0f} million pixels, which no scan does; scan it again"
        )
    return picture


def directory_notes(directory: Directory, *, parents: tuple[Directory, ...] = ()) -> Notes:
    """Return the notes of a TIFF or Exif directory, completed from the directories it belongs to, nearest first.

    Tags after TIFF 6.0: 271 make, 272 model, 305 software, 306 date, 282 and 283 resolution, 296 its unit (1 none,
    2 inch, 3 centimetre), 274 orientation, 700 XMP, 34675 the colour profile.
    """
    sources = (directory, *parents)

    def text(tag: int) -> str | None:
        return next((found for source in sources if (found := source.text(tag))), None)

    orientation = next((source.integer(274, 1) for source in sources if 274 in source.numbers), None)
    profile = next((source.texts[34675] for source in sources if 34675 in source.texts), None)
    own = _resolution(directory)
    notes = Notes(
        make=text(271),
        model=text(272),
        software=text(305),
        date=iso_date(text(306)),
        ppi=own or next((found for source in parents if (found := _resolution(source))), None),
        ppi_elsewhere=own is None,
        orientation=orientation if orientation is None or 1 <= orientation <= 8 else 1,
        icc=None if profile is None else profile_name(profile),
    )
    return with_xmp(notes, directory.raw(700))


def with_xmp(notes: Notes, xmp: bytes) -> Notes:
    """Return the notes with the orientation that XMP (ISO 16684-1) gives, where nothing else has given one.

    It stands as an attribute or as an element, in 8 or 16-bit text.
    """
    match = _XMP_ORIENTATION.search(xmp[:_LONGEST_XMP].replace(b"\0", b""))
    if match is None or notes.orientation is not None:
        return notes
    return replace(notes, orientation=int(match[1]), orientation_aside=True)


def extra_samples(count: int) -> tuple[Warning_, ...]:
    """Return the warning that samples which are not density are left out, if there are any."""
    if count == 0:
        return ()
    words = f"{count} further sample{'s' * (count > 1)} a pixel (infra-red, alpha) left out: not density."
    return (Warning_(code="extra-samples", message=words),)


def _resolution(directory: Directory) -> tuple[float, float] | None:
    unit = directory.integer(296, 2)
    across, down = directory.real(282), directory.real(283)
    return resolution(across, down, {2: 1.0, 3: _CM_PER_INCH}.get(unit))


def resolution(across: float | None, down: float | None, per_inch: float | None) -> tuple[float, float] | None:
    """Return pixels an inch across and down, or None where the file's figures mean nothing."""
    across = across or down
    down = down or across
    if across is None or down is None or per_inch is None:
        return None
    both = (across * per_inch, down * per_inch)
    return both if all(0 < value < 1e6 for value in both) else None


def made_up(ppi: tuple[float, float]) -> bool:
    """Tell whether a resolution is one that programs write where they know nothing: 72 or 96."""
    return any(round(value) in (72, 96) for value in ppi)


def iso_date(text: str | None) -> str | None:
    """Return "2024:05:01 10:20:30" as "2024-05-01T10:20:30"; anything else as it stands."""
    if text is None:
        return None
    match = re.fullmatch(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d:\d\d:\d\d)", text)
    return text if match is None else f"{match[1]}-{match[2]}-{match[3]}T{match[4]}"


def profile_name(profile: bytes) -> str | None:
    """Return the description of a colour profile (ICC.1:2001-04 and ICC.1:2010, tag 'desc'), or None."""
    try:
        return _profile_name(profile)
    except (struct.error, UnicodeDecodeError):
        return None


def _profile_name(profile: bytes) -> str | None:
    count = min(struct.unpack_from(">I", profile, 128)[0], 256)
    for index in range(count):
        signature, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        if signature == b"desc":
            tag = profile[offset : offset + size]
            break
    else:
        return None
    if tag[:4] == b"desc":
        length = struct.unpack_from(">I", tag, 8)[0]
        return printable(tag[12 : 12 + length])
    if tag[:4] == b"mluc":
        # The first record will do: a name, not prose.
        length, start = struct.unpack_from(">II", tag, 20)
        return printable(tag[start : start + length].decode("utf-16-be").encode())
    return None
