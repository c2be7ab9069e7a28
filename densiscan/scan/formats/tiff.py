"""TIFF and linear DNG: which picture of the file is the scan, and how its samples are stored."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import BinaryIO, Final, Literal

import numpy as np

from densiscan.arithmetic.quantity import Warning_
from densiscan.scan.formats import jpeg_frame
from densiscan.scan.formats.notes import Picture, directory_notes, extra_samples
from densiscan.scan.formats.pixels import DAMAGED, SAMPLE_OF, Coding, ScanFault, decoded
from densiscan.scan.formats.tiff_strips import EXPANSION, JPEG, NONE, StripRaster, picture_segments
from densiscan.scan.formats.tiff_tags import Directory, read_chain, read_directory_at

MIN_IS_WHITE, MIN_IS_BLACK, RGB, YCBCR, LINEAR_RAW = 0, 1, 2, 6, 34892

_UNFIT: Final = {
    3: "has palette colours",
    4: "is a transparency mask",
    5: "is stored in printing inks (CMYK)",
    8: "is stored in Lab colour",
    9: "is stored in Lab colour",
    10: "is stored in Lab colour",
    32803: "is an unprocessed camera mosaic",
    32844: "is stored on a logarithmic scale",
    32845: "is stored on a logarithmic scale",
}
_SAVE: Final = "save it as 16-bit gray or RGB"
_REDUCED_OR_MASK: Final = 0b101
_MOST_SAMPLES: Final = 16
_MULTIPLIED: Final = 1
_BORDERS: Final = 0.05
_MUCH_SMOOTHER: Final = 4.0
"""Times the mean square, twice the step from pixel to pixel: a picture read backwards has some hundred times."""
_MOST_CHILDREN: Final = 32

Kind = Literal["uint", "int", "float"]
# TIFF 6.0, tag 339; 4 is "undefined", which readers take as whole numbers. 5 and 6 are complex.
_KINDS: Final[dict[int, Kind]] = {1: "uint", 2: "int", 3: "float", 4: "uint"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """What the tags say of the samples of a picture."""

    colour: Literal["gray", "rgb"]
    samples: int
    bits: int
    kind: Kind
    planar: bool
    warnings: tuple[Warning_, ...]


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
    directory, parents = _picked(file, size, chain, page)
    layout = _layout(directory)
    compression = directory.integer(259, 1)
    if compression not in EXPANSION:
        raise ScanFault(f"is compressed with scheme {compression}; save it uncompressed, with LZW or with Deflate")
    sample = SAMPLE_OF[channel] if layout.colour == "rgb" else 0
    _require_opaque(file, size, directory, layout, sample)
    raster, notices = _fitted(file, _raster(directory, size, layout, sample), directory)
    return Picture(
        raster=raster,
        notes=directory_notes(directory, parents=parents),
        colour=layout.colour,
        channels=layout.samples,
        bits=raster.coding.full_scale.bit_length(),
        lossy=compression == JPEG and not _lossless(file, raster),
        warnings=(*layout.warnings, *notices),
    )


def _picked(
    file: BinaryIO, size: int, chain: list[Directory], page: int | None
) -> tuple[Directory, tuple[Directory, ...]]:
    """Return the picture's directory and those it belongs to."""
    if page is not None and not 1 <= page <= len(chain):
        raise ScanFault(f"has no page {page}, only {len(chain)}; choose another --page")
    families = [_family(file, size, directory) for directory in chain]
    full = [number for number, family in enumerate(families, 1) if _is_full(family[0])]
    if page is None and len(full) > 1:
        raise ScanFault(_several(families, full))
    number = page or (full or [1])[0]
    if page is None and not full and len(chain) > 1:
        raise ScanFault("holds only small previews; choose one of them with --page")
    family = families[number - 1]
    return family[0], (*family[1:], *(chain[:1] if number > 1 else ()))


def _family(file: BinaryIO, size: int, directory: Directory) -> tuple[Directory, ...]:
    """Return a page's full-size picture, and the page itself where the picture stands in a directory below it."""
    children = []
    for offset in directory.integers(330)[:_MOST_CHILDREN]:
        try:
            children.append(read_directory_at(file, size, offset))
        except ScanFault:
            continue
    best = max((child for child in children if _is_full(child)), key=_area, default=directory)
    if best is directory or (_is_full(directory) and _area(directory) >= _area(best)):
        return (directory,)
    return (best, directory)


def _is_full(directory: Directory) -> bool:
    """Tell whether a directory holds a picture, and neither a reduced one nor a mask."""
    # Tag 254: bit 0 a reduced picture, bit 2 a mask. Its forerunner 255: 2 is a reduced picture.
    other = directory.integer(254, 0) & _REDUCED_OR_MASK or directory.integer(255, 1) == 2
    stored = 273 in directory.numbers or 324 in directory.numbers
    return not other and stored and _area(directory) > 0


def _area(directory: Directory) -> int:
    return directory.integer(256, 0) * directory.integer(257, 0)


def _several(families: list[tuple[Directory, ...]], full: list[int]) -> str:
    words = []
    for number in full[:4]:
        picture = families[number - 1][0]
        colour = "RGB" if picture.integer(277, 1) >= 3 else "gray"
        words.append(f"page {number} {colour} {picture.integer(256, 0)} x {picture.integer(257, 0)}")
    more = ", ..." if len(full) > 4 else ""
    first, second = (families[number - 1][0] for number in full[:2])
    same = first.integers(256) == second.integers(256) and first.integers(257) == second.integers(257)
    infrared = same and first.integer(277, 1) >= 3 and second.integer(277, 1) == 1
    hint = f" (page {full[1]} may be its infra-red channel)" if infrared else ""
    return f"holds {len(full)} pictures: {', '.join(words)}{more}{hint}; choose one with --page"


def _layout(directory: Directory) -> _Layout:
    width, height = directory.integer(256, 0), directory.integer(257, 0)
    if width < 1 or height < 1:
        raise ScanFault("holds a picture of no size; scan it again")
    samples = directory.integer(277, 1)
    if not 1 <= samples <= _MOST_SAMPLES:
        raise ScanFault(f"has {samples} samples a pixel, which no scan has; {_SAVE}")
    colour, extra, warnings = _colour(directory, samples)
    all_bits = directory.integers(258)[:samples] or (1,)
    kinds = {_KINDS.get(value) for value in directory.integers(339)[:samples] or (1,)}
    kind = kinds.pop()
    if kinds or kind is None or len(set(all_bits)) > 1:
        raise ScanFault(f"mixes kinds of samples or holds complex ones; {_SAVE}")
    return _Layout(
        colour=colour,
        samples=samples,
        bits=_bits(all_bits[0], kind),
        kind=kind,
        planar=directory.integer(284, 1) == 2 and samples > 1,
        warnings=(*warnings, *extra_samples(extra)),
    )


def _colour(directory: Directory, samples: int) -> tuple[Literal["gray", "rgb"], int, list[Warning_]]:
    """Return the picture's colour, how many samples a pixel are none of it, and what to warn of."""
    warnings = []
    photometric = directory.integer(262, -1)
    if photometric == -1:
        photometric = RGB if samples >= 3 else MIN_IS_BLACK
        warnings.append(
            Warning_(
                code="polarity-not-stated",
                message="The file does not say whether its lowest value is black or white; black is taken.",
            )
        )
    if photometric == YCBCR and directory.integer(259, 1) != JPEG:
        raise ScanFault(f"is stored as luminance and chroma (YCbCr); {_SAVE}")
    if photometric in _UNFIT:
        raise ScanFault(f"{_UNFIT[photometric]}; {_SAVE}")
    if photometric not in (MIN_IS_WHITE, MIN_IS_BLACK, RGB, YCBCR, LINEAR_RAW):
        raise ScanFault(f"is stored in a way that is not known here (photometric {photometric}); {_SAVE}")
    rgb = photometric in (RGB, YCBCR) or (photometric == LINEAR_RAW and samples >= 3)
    extra = samples - (3 if rgb else 1)
    if extra < 0:
        raise ScanFault(DAMAGED)
    if not rgb and extra > 1 and len(directory.integers(338)) != extra:
        raise ScanFault(f"holds {samples} samples a pixel and does not say which is the picture; {_SAVE}")
    return ("rgb" if rgb else "gray"), extra, warnings


def _bits(bits: int, kind: Kind) -> int:
    if bits < 8:
        raise ScanFault(f"has only {bits} bit{'s' * (bits > 1)} a sample; scan it again with 16 bits")
    fit = {"uint": (*range(8, 17), 24, 32, 64), "int": (8, 16, 24, 32, 64), "float": (16, 32, 64)}[kind]
    if bits not in fit:
        raise ScanFault(f"has {bits} bits a sample, which is not known here; {_SAVE}")
    return bits


def _raster(directory: Directory, size: int, layout: _Layout, wanted: int) -> StripRaster:
    compression, predictor = directory.integer(259, 1), directory.integer(317, 1)
    if predictor not in (1, 2, 3) or (predictor == 3 and layout.kind != "float"):
        raise ScanFault(f"is compressed with predictor {predictor}, which does not fit its samples; {_SAVE}")
    width, height = directory.integer(256, 0), directory.integer(257, 0)
    together = 1 if layout.planar else layout.samples
    stored = layout.bits
    if _unpacked(directory, layout):
        stored = 16
    full_bits = min(layout.bits, 16)
    signed = layout.kind == "int"
    coding = Coding(
        bits=stored,
        kind=layout.kind,
        little_endian=directory.little_endian,
        full_scale=65535 if layout.kind == "float" else (1 << (full_bits - signed)) - 1,
        inverted=directory.integer(262, MIN_IS_BLACK) == MIN_IS_WHITE,
        shift=max(0, layout.bits - 16) if layout.kind != "float" else 0,
        predictor=1 if compression == JPEG else predictor,
    )
    if compression == JPEG and (layout.bits not in (8, 12, 16) or layout.kind != "uint"):
        raise ScanFault(DAMAGED)
    stored_width = directory.integer(322, width)
    planes = (layout.samples, wanted) if layout.planar else (1, 0)
    return StripRaster(
        width=width,
        height=height,
        coding=coding,
        compression=compression,
        samples=together,
        wanted=0 if layout.planar else wanted,
        stored_width=stored_width,
        stored_height=directory.integer(323, min(directory.integer(278, height) or height, height)),
        segments=picture_segments(directory, size, planes, coding.row_bytes(stored_width * together)),
        reversed_bits=directory.integer(266, 1) == 2 and compression != JPEG,
        jpeg_tables=directory.texts.get(347),
        jpeg_rgb=directory.integer(262, MIN_IS_BLACK) != YCBCR,
    )


def _require_opaque(file: BinaryIO, size: int, directory: Directory, layout: _Layout, wanted: int) -> None:
    """Check that no pixel is multiplied by a transparency (TIFF 6.0, section 18: extra sample 1).

    What was multiplied is not above its transparency. Where more is than a few borders that were drawn anew, that
    sample is another channel, such as infra-red.

    Raises
    ------
    ScanFault
        If one is: its value is no light any more.
    """
    extra = directory.integers(338)
    place = layout.samples - len(extra) + extra.index(_MULTIPLIED) if _MULTIPLIED in extra else layout.samples
    if not 0 < place < layout.samples:
        return
    rasters = (_raster(directory, size, layout, sample) for sample in (wanted, place))
    plain = [replace(raster, coding=replace(raster.coding, inverted=False)) for raster in rasters]
    whole = (0, 0, plain[0].height, plain[0].width)
    seen_through, above = False, 0
    for (_, _, codes), (_, _, alpha) in zip(*(decoded(raster.pieces(file, whole)) for raster in plain), strict=True):
        above += int(np.count_nonzero(codes > alpha))
        seen_through = seen_through or int(alpha.min()) < plain[1].coding.full_scale
    if seen_through and above < _BORDERS * whole[2] * whole[3]:
        raise ScanFault("is multiplied by its transparency (premultiplied alpha); save it without transparency")


def _unpacked(directory: Directory, layout: _Layout) -> bool:
    """Tell whether samples of 9 to 15 bits fill two bytes each, which only the length of plain data shows."""
    if not 8 < layout.bits < 16 or directory.integer(259, 1) != NONE or 322 in directory.numbers:
        return False
    counts = directory.integers(279) or directory.integers(325)
    return sum(counts) == 2 * _area(directory) * layout.samples


def _fitted(file: BinaryIO, raster: StripRaster, directory: Directory) -> tuple[StripRaster, list[Warning_]]:
    """Return the raster with the full scale its values have, where the tags leave that to be seen."""
    coding = raster.coding
    if coding.kind != "float" and coding.bits > 16:
        raster, odd = _in_order(file, raster) if coding.bits == 24 else (raster, [])
        raster, wide = _narrowed(file, raster)
        return raster, [*odd, *wide]
    if coding.bits == 16 and coding.full_scale < 32767:
        return _justified(file, raster)
    stated = directory.integer(281, directory.integer(341, 0))
    if coding.bits == 16 and coding.kind == "uint" and stated in (1023, 4095, 16383):
        if _largest(file, raster) <= stated:
            return replace(raster, coding=replace(coding, full_scale=stated)), []
        message = (
            f"The file says that no value exceeds {stated}, but some do; {coding.full_scale} is taken as full scale."
        )
        return raster, [Warning_(code="wrong-full-scale", message=message)]
    return raster, []


def _in_order(file: BinaryIO, raster: StripRaster) -> tuple[StripRaster, list[Warning_]]:
    """Fit the byte order of 24-bit samples: the file's, unless the other one makes a much smoother picture.

    Some writers take them for bits packed without gaps, whose highest come first whatever the order of the file. Read
    backwards, the noise of the lowest byte stands in the highest.
    """
    other = replace(raster, coding=replace(raster.coding, little_endian=not raster.coding.little_endian))
    if not _MUCH_SMOOTHER * _roughness(file, other) < _roughness(file, raster):
        return raster, []
    first = "lowest" if other.coding.little_endian else "highest"
    message = f"The 24-bit samples stand with their {first} byte first, against the byte order of the file."
    return other, [Warning_(code="other-byte-order", message=message)]


def _roughness(file: BinaryIO, raster: StripRaster) -> float:
    """Return the mean squared difference of neighbours over the variance: near 2 for noise, little for a picture.

    Infinite where all is one code.
    """
    plain = replace(raster, coding=replace(raster.coding, inverted=False, kind="uint", full_scale=65535))
    steps, pairs, sums = 0.0, 0, np.zeros(3)
    for _, _, codes in decoded(plain.pieces(file, (0, 0, raster.height, raster.width))):
        # Taken from the middle of the scale, so that the squares keep their digits.
        values = codes.astype(np.float64) - 32768
        steps += float(np.square(np.diff(values, axis=1)).sum())
        pairs += values.size - len(values)
        sums += (values.size, values.sum(), np.square(values).sum())
    spread = sums[2] / sums[0] - (sums[1] / sums[0]) ** 2
    return steps / pairs / float(spread) if pairs and spread > 1e-6 else math.inf


def _narrowed(file: BinaryIO, raster: StripRaster) -> tuple[StripRaster, list[Warning_]]:
    """Fit whole numbers wider than 16 bits: their upper 16, or the upper 16 of those that are used at all.

    Values that all vanish when the lower half is dropped do not use the upper half.
    """
    coding = raster.coding
    shift, full_scale = coding.shift, coding.full_scale
    while shift > 0 and _largest(file, raster, shift=max(shift, 16)) == 0:
        shift, full_scale = max(shift - 16, 0), 65535
    bits = coding.bits
    if shift == 0:
        message = f"{bits}-bit whole numbers that never exceed 65535 are read as 16 bits."
    else:
        message = f"{bits}-bit whole numbers are read as 16 bits: the lowest {shift} are dropped."
    fitted = replace(raster, coding=replace(coding, shift=shift, full_scale=full_scale))
    return fitted, [Warning_(code="wide-integers", message=message)]


def _justified(file: BinaryIO, raster: StripRaster) -> tuple[StripRaster, list[Warning_]]:
    """Fit samples of 9 to 15 bits in two bytes: in the lower bits, or in the upper ones with zeros below."""
    full_scale = raster.coding.full_scale
    shift = 16 - full_scale.bit_length()
    plain = replace(raster.coding, full_scale=65535, inverted=False)
    union, largest = 0, 0
    for _, _, codes in decoded(replace(raster, coding=plain).pieces(file, (0, 0, raster.height, raster.width))):
        union |= int(np.bitwise_or.reduce(codes, axis=None))
        largest = max(largest, int(codes.max()))
    if largest <= full_scale:
        return raster, []
    if union & ((1 << shift) - 1) == 0:
        return replace(raster, coding=replace(raster.coding, shift=shift)), []
    raise ScanFault(f"says that its samples have {16 - shift} bits, but they have more; {_SAVE}")


def _largest(file: BinaryIO, raster: StripRaster, *, shift: int = 0) -> int:
    """Return the largest code; with a shift, any code above zero will do."""
    coding = replace(raster.coding, inverted=False, shift=shift, full_scale=65535)
    largest = 0
    for _, _, codes in decoded(replace(raster, coding=coding).pieces(file, (0, 0, raster.height, raster.width))):
        largest = max(largest, int(codes.max()))
        if shift and largest:
            break
    return largest


def _lossless(file: BinaryIO, raster: StripRaster) -> bool:
    first = raster.segments[0]
    file.seek(first.offset)
    return jpeg_frame.frame(file.read(first.count)).lossless
