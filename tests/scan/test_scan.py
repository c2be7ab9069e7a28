"""Every kind of file that is a scan: its pixels are exact, its notes kept, and what is doubtful is said."""

from __future__ import annotations

import io
import pickle
import struct
import zlib
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from PIL import Image

from densiscan.errors import UnreadableScanError, WrongUseError
from densiscan.files.serialise import as_dict, read_result
from densiscan.scan.formats import inflate, jpeg, png, tiff_strips
from densiscan.scan.scan import Scan, open_scan
from tests.support import handmade

Array = NDArray[Any]

MIN_IS_WHITE, LINEAR_RAW = 0, 34892


def noise(shape: tuple[int, ...], dtype: type, seed: int = 1) -> Array:
    codes: Array = np.random.default_rng(seed).integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)
    return codes


def whole(scan: Scan) -> Array:
    """Put the blocks together, counting how often each pixel comes."""
    codes = np.zeros((scan.height_px, scan.width_px), np.int64)
    times = np.zeros(codes.shape, np.int64)
    for block in scan.blocks():
        rows, columns = block.codes.shape
        place = np.s_[block.top : block.top + rows, block.left : block.left + columns]
        codes[place] = block.codes
        times[place] += 1
    assert_array_equal(times, 1)
    return codes


def assert_reads(scan: Scan, expected: Array) -> None:
    """Pixel for pixel, by blocks, as a whole region and as a small one."""
    assert (scan.height_px, scan.width_px) == expected.shape
    assert_array_equal(whole(scan), expected)
    assert_array_equal(scan.region(0, 0, *expected.shape), expected)
    top, left = expected.shape[0] // 3, expected.shape[1] // 2
    assert_array_equal(scan.region(top, left, 2, 3), expected[top : top + 2, left : left + 3])


def write_tiff(path: Path, data: Array, **options: Any) -> Path:
    file = path / "scan.tif"
    options.setdefault("photometric", "rgb" if data.ndim == 3 else "minisblack")
    with tifffile.TiffWriter(
        file, bigtiff=options.pop("bigtiff", False), byteorder=options.pop("order", "<")
    ) as writer:
        writer.write(data, resolution=(300, 300), resolutionunit=2, metadata=None, **options)
    return file


def write(path: Path, raw: bytes, name: str = "scan.tif") -> Path:
    file = path / name
    file.write_bytes(raw)
    return file


def codes_of(scan: Scan) -> set[str]:
    return {warning.code for warning in scan.warnings}


LAYOUTS: dict[str, dict[str, Any]] = {
    "one strip": {},
    "strips": {"rowsperstrip": 5},
    "strips of one row": {"rowsperstrip": 1},
    "tiles": {"tile": (16, 32)},
    "big file": {"bigtiff": True, "rowsperstrip": 7},
    "big file, high byte first": {"bigtiff": True, "order": ">"},
    "high byte first": {"order": ">", "rowsperstrip": 8},
    "lzw": {"compression": "lzw", "rowsperstrip": 6},
    "lzw, differences": {"compression": "lzw", "predictor": 2, "rowsperstrip": 6},
    "deflate": {"compression": "adobe_deflate", "rowsperstrip": 9},
    "old deflate": {"compression": 32946},
    "deflate, differences": {"compression": "adobe_deflate", "predictor": 2},
    "deflate, differences, high byte first": {"compression": "adobe_deflate", "predictor": 2, "order": ">"},
    "packbits": {"compression": "packbits", "rowsperstrip": 4},
    "deflated tiles, differences": {"compression": "adobe_deflate", "predictor": 2, "tile": (16, 16)},
    "lzw tiles": {"compression": "lzw", "tile": (32, 16)},
}


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS.keys())
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_gray_tiff(tmp_path: Path, dtype: type, layout: dict[str, Any]) -> None:
    data = noise((37, 53), dtype)
    assert_reads(open_scan(write_tiff(tmp_path, data, **layout)), data)


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS.keys())
@pytest.mark.parametrize("planar", [False, True], ids=["together", "planes"])
def test_colour_tiff(tmp_path: Path, layout: dict[str, Any], *, planar: bool) -> None:
    data = noise((37, 53, 3), np.uint16)
    stored = np.moveaxis(data, 2, 0) if planar else data
    file = write_tiff(tmp_path, stored, photometric="rgb", planarconfig="separate" if planar else "contig", **layout)
    for channel, number in (("red", 0), ("green", 1), ("blue", 2)):
        scan = open_scan(file, channel=channel)
        assert scan.channel == channel
        assert "gray-from-green" not in codes_of(scan)
        assert_reads(scan, data[:, :, number])


@pytest.mark.parametrize("channel", [None, "gray"])
def test_gray_of_a_colour_scan_is_its_green_channel_and_said(tmp_path: Path, channel: str | None) -> None:
    data = noise((20, 30, 3), np.uint16)
    scan = open_scan(write_tiff(tmp_path, data), channel=channel)
    assert scan.channel == "green"
    assert "gray-from-green" in codes_of(scan)
    assert scan.facts.channels == 3
    assert_reads(scan, data[:, :, 1])


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("layout", [{}, {"tile": (16, 16)}, {"rowsperstrip": 4, "compression": "lzw"}])
def test_orientation(tmp_path: Path, orientation: int, layout: dict[str, Any]) -> None:
    stored = noise((37, 53), np.uint16)
    file = write_tiff(tmp_path, stored, extratags=[(274, 3, 1, orientation, True)], **layout)
    # TIFF 6.0, tag 274, in its own words: where the visual (oriented) position of stored row r, column c is.
    rows, columns = stored.shape
    r, c = np.indices(stored.shape)
    visual = {
        1: (r, c),
        2: (r, columns - 1 - c),
        3: (rows - 1 - r, columns - 1 - c),
        4: (rows - 1 - r, c),
        5: (c, r),
        6: (c, rows - 1 - r),
        7: (columns - 1 - c, rows - 1 - r),
        8: (columns - 1 - c, r),
    }[orientation]
    expected = np.zeros(stored.shape if orientation < 5 else stored.shape[::-1], np.uint16)
    expected[visual] = stored
    assert_reads(open_scan(file), expected)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("samples", ["<", ">"])
@pytest.mark.parametrize("kind", ["all 24", "16 above 0", "8 above 0", "16 below 0"])
def test_24_bits_in_either_byte_order(tmp_path: Path, order: str, samples: str, kind: str) -> None:
    rng = np.random.default_rng(31)
    picture = np.clip(
        np.linspace(1e6, 12e6, 60) + 1e6 * np.sin(np.arange(50) / 9)[:, None] + rng.normal(0, 1e5, (50, 60)),
        0,
        2**24 - 1,
    ).astype(np.uint32)
    if kind == "16 below 0":
        picture >>= 8
    elif kind != "all 24":
        picture &= 0xFFFF00 if kind.startswith("16") else 0xFF0000
    raw = picture.astype(samples + "u4").view(np.uint8).reshape(50, 60, 4)
    strip = (raw[..., :3] if samples == "<" else raw[..., 1:]).tobytes()
    scan = open_scan(write(tmp_path, handmade.tiff((60, 50), [strip], tags={258: (handmade.SHORT, [24])}, order=order)))
    # Whole numbers that need 16 bits only keep them all, as with 32 bits.
    assert_array_equal(whole(scan), picture if kind == "16 below 0" else picture >> 8)
    assert ("other-byte-order" in {warning.code for warning in scan.warnings}) == (order != samples)


@pytest.mark.parametrize("predictor", [1, 2])
def test_24_bits_with_a_sign(tmp_path: Path, predictor: int) -> None:
    for lowest in (5, -5):
        values = np.linspace(lowest, 8e6, 60).astype("<i4")
        stored = np.diff(values, prepend=0).astype("<i4") if predictor == 2 else values
        strip = zlib.compress(stored.view(np.uint8).reshape(60, 4)[:, :3].tobytes())
        tags = {258: (handmade.SHORT, [24]), 259: (handmade.SHORT, [8]), 317: (handmade.SHORT, [predictor])}
        file = write(tmp_path, handmade.tiff((60, 1), [strip], tags={**tags, 339: (handmade.SHORT, [2])}))
        if lowest < 0:
            with pytest.raises(UnreadableScanError, match="negative values"):
                whole(open_scan(file))
        else:
            assert_array_equal(whole(open_scan(file))[0], values >> 8)


XMP = b"""<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:Description %s</x:xmpmeta>"""


def png_text_chunks(note: bytes) -> dict[str, bytes]:
    """Return one note as every kind of text that a PNG has."""
    key = b"XML:com.adobe.xmp\0"
    digits = b"\nxmp\n%8d\n%s\n" % (len(note), note.hex().encode())
    return {
        "plain": handmade.png_chunk(b"iTXt", key + b"\0\0\0\0" + note),
        "packed": handmade.png_chunk(b"iTXt", key + b"\1\0\0\0" + zlib.compress(note)),
        "digits": handmade.png_chunk(b"zTXt", b"Raw profile type xmp\0\0" + zlib.compress(digits)),
        "exif digits": handmade.png_chunk(
            b"tEXt", b"Raw profile type exif\0\nexif\n  32\n" + handmade.exif(6)[6:].hex().encode()
        ),
    }


@pytest.mark.parametrize("written", [b"tiff:Orientation='6'>", b"><tiff:Orientation>6</tiff:Orientation>"])
@pytest.mark.parametrize("kind", ["tiff", "tiff bytes", "jpeg", "plain", "packed", "digits", "exif digits"])
def test_orientation_in_xmp_or_text(tmp_path: Path, kind: str, written: bytes) -> None:
    note = XMP % written
    codes = np.arange(6, dtype=np.uint16).reshape(2, 3)
    if kind.startswith("tiff"):
        tag = (handmade.BYTE if "bytes" in kind else handmade.UNDEFINED, note)
        raw = handmade.tiff((3, 2), [codes.tobytes()], tags={700: tag})
        other = handmade.tiff((3, 2), [codes.tobytes()], tags={700: tag, 274: (handmade.SHORT, [1])})
    elif kind == "jpeg":
        buffer = io.BytesIO()
        Image.fromarray(np.zeros((2, 3), np.uint8)).save(buffer, "JPEG", dpi=(300, 300))
        plain = buffer.getvalue()
        segment = b"\xff\xe1" + (2 + len(note)).to_bytes(2, "big") + note
        raw, other = plain[:2] + segment + plain[2:], plain[:2] + segment + jpeg_exif(1) + plain[2:]
    else:
        rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in codes)
        text = png_text_chunks(note)[kind]
        raw = handmade.png((3, 2, 16, 0), rows, chunks=text)
        other = handmade.png((3, 2, 16, 0), rows, chunks=text + handmade.png_chunk(b"eXIf", handmade.exif(1)[6:]))
    turned = open_scan(write(tmp_path, raw), ppi=300)
    assert (turned.width_px, turned.height_px) == (2, 3)
    assert "turned-by-text" in {warning.code for warning in turned.warnings}
    if kind != "jpeg":
        assert_array_equal(turned.region(0, 0, 3, 2), [[3, 0], [4, 1], [5, 2]])
    # The tag goes before the text.
    scan = open_scan(write(tmp_path, other), ppi=300)
    assert (scan.width_px, scan.height_px) == (3, 2)
    assert "turned-by-text" not in {warning.code for warning in scan.warnings}


def jpeg_exif(orientation: int) -> bytes:
    """Return the segment of a JPEG file that holds an orientation tag."""
    body = handmade.exif(orientation)
    return b"\xff\xe1" + (2 + len(body)).to_bytes(2, "big") + body


def test_orientation_turns_an_uneven_resolution_too(tmp_path: Path) -> None:
    raw = handmade.tiff(
        (4, 2),
        [bytes(16)],
        tags={274: (handmade.SHORT, [6]), 282: (handmade.RATIONAL, [600, 1]), 283: (handmade.RATIONAL, [300, 1])},
    )
    scan = open_scan(write(tmp_path, raw))
    assert (scan.width_px, scan.height_px) == (2, 4)
    assert_allclose((scan.ppi_x, scan.ppi_y), (300, 600), rtol=0)
    assert scan.facts.ppi == 450
    assert_allclose((scan.width_mm, scan.height_mm), (2 / 300 * 25.4, 4 / 600 * 25.4), rtol=1e-14)


def test_min_is_white_is_undone(tmp_path: Path) -> None:
    for dtype, full in ((np.uint8, 255), (np.uint16, 65535)):
        data = noise((21, 33), dtype)
        scan = open_scan(write_tiff(tmp_path, data, photometric="miniswhite"))
        assert scan.facts.min_is_white
        assert_reads(scan, full - data)


@pytest.mark.parametrize("bits", [10, 12, 14])
@pytest.mark.parametrize("samples", [1, 3])
def test_packed_bits(tmp_path: Path, bits: int, samples: int) -> None:
    data = noise((19, 23, samples), np.uint16) >> (16 - bits)
    raw = handmade.packed(data.reshape(19, -1), bits)
    tags: dict[int, handmade.Tag | None] = {
        258: (handmade.SHORT, [bits] * samples),
        262: (handmade.SHORT, [2 if samples == 3 else 1]),
        277: (handmade.SHORT, [samples]),
    }
    scan = open_scan(write(tmp_path, handmade.tiff((23, 19), [raw], tags=tags)))
    assert (scan.facts.bits, scan.facts.full_scale) == (bits, (1 << bits) - 1)
    assert_reads(scan, data[:, :, samples // 2])


def test_packed_bits_min_is_white(tmp_path: Path) -> None:
    data = noise((8, 9), np.uint16) >> 4
    tags: dict[int, handmade.Tag | None] = {258: (handmade.SHORT, [12]), 262: (handmade.SHORT, [MIN_IS_WHITE])}
    assert_reads(open_scan(write(tmp_path, handmade.tiff((9, 8), [handmade.packed(data, 12)], tags=tags))), 4095 - data)


def test_lowest_bit_first(tmp_path: Path) -> None:
    data = noise((8, 9), np.uint16)
    reversed_bits = np.packbits(np.unpackbits(data.view(np.uint8), bitorder="little")).tobytes()
    raw = handmade.tiff((9, 8), [reversed_bits], tags={266: (handmade.SHORT, [2])})
    assert_reads(open_scan(write(tmp_path, raw)), data)


@pytest.mark.parametrize("shift", [0, 4], ids=["lower bits", "upper bits"])
def test_12_bits_in_16_by_the_length_of_the_data(tmp_path: Path, shift: int) -> None:
    data = noise((15, 17), np.uint16) >> 4
    raw = handmade.tiff((17, 15), [(data << shift).tobytes()], tags={258: (handmade.SHORT, [12])})
    scan = open_scan(write(tmp_path, raw))
    assert (scan.facts.bits, scan.facts.full_scale) == (12, 4095)
    assert_reads(scan, data)


def test_12_bits_in_16_by_the_largest_value_the_file_names(tmp_path: Path) -> None:
    data = noise((15, 17), np.uint16) >> 4
    raw = handmade.tiff((17, 15), [data.tobytes()], tags={281: (handmade.SHORT, [4095])})
    scan = open_scan(write(tmp_path, raw))
    assert (scan.facts.bits, scan.facts.full_scale, codes_of(scan)) == (12, 4095, set())
    assert_reads(scan, data)


def test_a_largest_value_that_is_exceeded_is_not_believed_and_said(tmp_path: Path) -> None:
    data = noise((15, 17), np.uint16)
    raw = handmade.tiff((17, 15), [data.tobytes()], tags={281: (handmade.SHORT, [4095])})
    scan = open_scan(write(tmp_path, raw))
    assert (scan.facts.full_scale, codes_of(scan)) == (65535, {"wrong-full-scale"})
    assert_reads(scan, data)


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
@pytest.mark.parametrize("predictor", [1, 3])
@pytest.mark.parametrize("order", ["<", ">"])
def test_floating_point_from_0_to_1_becomes_16_bits(tmp_path: Path, dtype: type, predictor: int, order: str) -> None:
    data: Array = (noise((19, 23), np.uint16) / 65535).astype(dtype)
    options: dict[str, Any] = {"compression": "adobe_deflate", "predictor": predictor} if predictor > 1 else {}
    scan = open_scan(write_tiff(tmp_path, data, order=order, **options))
    assert_reads(scan, np.rint(data.astype(np.float64) * 65535).astype(np.uint16))


def test_floating_point_min_is_white(tmp_path: Path) -> None:
    data = np.linspace(0, 1, 24, dtype=np.float32).reshape(4, 6)
    scan = open_scan(write_tiff(tmp_path, data, photometric="miniswhite"))
    assert_reads(scan, 65535 - np.rint(data.astype(np.float64) * 65535).astype(np.uint16))


def test_32_bit_whole_numbers_keep_their_upper_16(tmp_path: Path) -> None:
    data = noise((19, 23), np.uint32)
    scan = open_scan(write_tiff(tmp_path, data))
    assert "wide-integers" in codes_of(scan)
    assert_reads(scan, data >> 16)


def test_16_bit_values_in_32_bits_are_kept_as_they_are(tmp_path: Path) -> None:
    data = noise((19, 23), np.uint16)
    for dtype in (np.uint32, np.int32):
        scan = open_scan(write_tiff(tmp_path, data.astype(dtype)))
        assert "wide-integers" in codes_of(scan)
        assert scan.facts.full_scale == 65535
        assert_reads(scan, data)


@pytest.mark.parametrize("order", ["<", ">"])
def test_24_bit_whole_numbers_keep_their_upper_16(tmp_path: Path, order: str) -> None:
    data = noise((7, 5), np.uint32) >> 8
    low_first = data.astype("<u4").view(np.uint8).reshape(7, 5, 4)[:, :, :3]
    raw = np.ascontiguousarray(low_first if order == "<" else low_first[:, :, ::-1]).tobytes()
    scan = open_scan(write(tmp_path, handmade.tiff((5, 7), [raw], tags={258: (handmade.SHORT, [24])}, order=order)))
    assert_reads(scan, data >> 8)


def test_signed_samples_without_negatives(tmp_path: Path) -> None:
    data = noise((19, 23), np.int16) & 0x7FFF
    scan = open_scan(write_tiff(tmp_path, data.astype(np.int16)))
    assert (scan.facts.bits, scan.facts.full_scale) == (15, 32767)
    assert_reads(scan, data)


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_infra_red_and_alpha_are_left_out_and_said(tmp_path: Path, planar: str) -> None:
    data = noise((19, 23, 4), np.uint16)
    stored = data if planar == "contig" else np.moveaxis(data, 2, 0)
    file = write_tiff(tmp_path, stored, photometric="rgb", planarconfig=planar, extrasamples=["unspecified"])
    scan = open_scan(file, channel="blue")
    assert "extra-samples" in codes_of(scan)
    assert scan.facts.channels == 4
    assert_reads(scan, data[:, :, 2])


def test_gray_with_alpha(tmp_path: Path) -> None:
    data = noise((19, 23, 2), np.uint16)
    scan = open_scan(write_tiff(tmp_path, data, photometric="minisblack", planarconfig="contig", extrasamples=[2]))
    assert "extra-samples" in codes_of(scan)
    assert_reads(scan, data[:, :, 0])


def test_a_file_that_does_not_state_its_polarity_is_read_and_said(tmp_path: Path) -> None:
    raw = handmade.tiff((2, 2), [bytes(8)], tags={262: None})
    assert codes_of(open_scan(write(tmp_path, raw))) == {"polarity-not-stated"}


@pytest.mark.parametrize("tile", [None, (32, 32)])
@pytest.mark.parametrize("colour", ["gray", "rgb"])
def test_jpeg_in_tiff(tmp_path: Path, colour: str, tile: tuple[int, int] | None) -> None:
    ramp = np.add.outer(np.arange(48), np.arange(80)).astype(np.uint8)
    data = ramp if colour == "gray" else np.stack([ramp, ramp + 30, 200 - ramp], axis=-1)
    photometric = "minisblack" if colour == "gray" else "rgb"
    options: dict[str, Any] = {"tile": tile} if tile else {"rowsperstrip": 16}
    file = write_tiff(
        tmp_path, data, photometric=photometric, compression="jpeg", compressionargs={"level": 95}, **options
    )
    scan = open_scan(file)
    reference = tifffile.imread(file)
    assert_reads(scan, reference if colour == "gray" else reference[:, :, 1])
    # The coder itself at quality 95 errs by a few codes on a ramp; a wrong colour space would err by tens.
    assert_allclose(whole(scan), data if colour == "gray" else data[:, :, 1], atol=8)
    assert scan.facts.lossy
    assert {"lossy-8-bit", "8-bit"} <= codes_of(scan)


def test_jpeg_in_tiff_as_luminance_and_chroma(tmp_path: Path) -> None:
    ramp = np.add.outer(np.arange(32), np.arange(80)).astype(np.uint8)
    data = np.stack([ramp, ramp + 30, 200 - ramp], axis=-1)
    strips = [
        bytes(imagecodecs.jpeg_encode(part, level=95, colorspace="RGB", outcolorspace="YCBCR"))
        for part in (data[:16], data[16:])
    ]
    tags: dict[int, handmade.Tag | None] = {
        258: (handmade.SHORT, [8, 8, 8]),
        259: (handmade.SHORT, [7]),
        262: (handmade.SHORT, [6]),
        277: (handmade.SHORT, [3]),
    }
    scan = open_scan(write(tmp_path, handmade.tiff((80, 32), strips, tags=tags)))
    # As above: a wrong colour space would err by tens of codes.
    assert_allclose(whole(scan), data[:, :, 1], atol=8)


def test_lossless_jpeg_of_16_bits(tmp_path: Path) -> None:
    data = noise((16, 24), np.uint16)
    strip = bytes(imagecodecs.ljpeg_encode(data, bitspersample=16))
    raw = handmade.tiff((24, 16), [strip], tags={259: (handmade.SHORT, [7])})
    scan = open_scan(write(tmp_path, raw))
    assert not scan.facts.lossy
    assert_reads(scan, data)


def test_linear_raw_full_picture_below_a_preview(tmp_path: Path) -> None:
    data, preview = noise((40, 60, 3), np.uint16), noise((10, 15, 3), np.uint8)
    file = tmp_path / "scan.dng"
    with tifffile.TiffWriter(file) as writer:
        writer.write(
            preview, photometric="rgb", subfiletype=1, subifds=1, resolution=(600, 600), resolutionunit=2, metadata=None
        )
        writer.write(data, photometric=LINEAR_RAW, planarconfig="contig", subfiletype=0, metadata=None)
    scan = open_scan(file)
    assert_reads(scan, data[:, :, 1])
    assert_allclose(scan.ppi_x, 600, rtol=0)
    assert "doubtful-resolution" in codes_of(scan)
    assert "doubtful-resolution" not in codes_of(open_scan(file, ppi=600))


def pages(path: Path, *pictures: tuple[Array, dict[str, Any]]) -> Path:
    file = path / "pages.tif"
    with tifffile.TiffWriter(file) as writer:
        for data, options in pictures:
            photometric = "rgb" if data.ndim == 3 else "minisblack"
            writer.write(
                data, photometric=photometric, resolution=(300, 300), resolutionunit=2, metadata=None, **options
            )
    return file


def test_a_thumbnail_is_no_second_picture(tmp_path: Path) -> None:
    data = noise((40, 60), np.uint16)
    file = pages(tmp_path, (noise((10, 15), np.uint8), {"subfiletype": 1}), (data, {}))
    assert_reads(open_scan(file), data)


def test_infra_red_on_a_second_page_is_named_not_passed_over(tmp_path: Path) -> None:
    colour, infrared = noise((40, 60, 3), np.uint16), noise((40, 60), np.uint16, seed=2)
    file = pages(tmp_path, (colour, {}), (infrared, {}))
    with pytest.raises(UnreadableScanError, match=r"page 1 RGB 60 x 40, page 2 gray 60 x 40 .*infra-red.*--page"):
        open_scan(file)
    assert_reads(open_scan(file, page=1), colour[:, :, 1])
    assert_reads(open_scan(file, page=2), infrared)
    with pytest.raises(UnreadableScanError, match="no page 3, only 2"):
        open_scan(file, page=3)


PNG_COLOURS = {0: 1, 2: 3, 4: 2, 6: 4}


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("colour", PNG_COLOURS)
def test_png(tmp_path: Path, colour: int, dtype: type, monkeypatch: pytest.MonkeyPatch) -> None:
    samples = PNG_COLOURS[colour]
    # A ramp with noise makes the writer use several kinds of row filters; small groups of rows cross them.
    ramp = (np.add.outer(np.arange(61), np.arange(47))[:, :, None] * 3 + noise((61, 47, samples), np.uint8) % 7).astype(
        dtype
    )
    if dtype is np.uint16:
        ramp = ramp * np.uint16(257) + np.uint16(3)
    monkeypatch.setattr(png, "BLOCK_PIXELS", 47 * 5)
    raw = bytes(imagecodecs.png_encode(ramp[:, :, 0] if samples == 1 else ramp))
    scan = open_scan(write(tmp_path, raw, "scan.png"), ppi=300)
    assert scan.facts.bits == np.iinfo(dtype).bits
    assert ("extra-samples" in codes_of(scan)) == (colour in (4, 6))
    assert_reads(scan, ramp[:, :, 1 if samples >= 3 else 0])


@pytest.mark.parametrize("kind", range(5), ids=["none", "sub", "up", "average", "paeth"])
def test_png_row_filters(tmp_path: Path, kind: int, monkeypatch: pytest.MonkeyPatch) -> None:
    filtered = noise((23, 1 + 2 * 11), np.uint8)
    filtered[:, 0] = kind
    raw = handmade.png((11, 23, 16, 0), filtered.tobytes())
    monkeypatch.setattr(png, "BLOCK_PIXELS", 11 * 4)
    assert_reads(open_scan(write(tmp_path, raw, "scan.png"), ppi=300), imagecodecs.png_decode(raw))


@pytest.mark.parametrize("size", [(13, 11), (1, 1), (3, 9), (8, 8)])
def test_interlaced_png(tmp_path: Path, size: tuple[int, int], capfd: pytest.CaptureFixture[str]) -> None:
    data = noise((size[1], size[0], 3), np.uint16)
    rows = b""
    for left, top, across, down in (
        (0, 0, 8, 8),
        (4, 0, 8, 8),
        (0, 4, 4, 8),
        (2, 0, 4, 4),
        (0, 2, 2, 4),
        (1, 0, 2, 2),
        (0, 1, 1, 2),
    ):
        part = data[top::down, left::across]
        rows += b"".join(b"\0" + row.astype(">u2").tobytes() for row in part if part.size)
    file = write(tmp_path, handmade.png((*size, 16, 2), rows, interlaced=1), "scan.png")
    scan = open_scan(file, ppi=300, channel="red")
    assert_array_equal(whole(scan), data[:, :, 0])
    assert capfd.readouterr() == ("", "")


def test_png_notes(tmp_path: Path) -> None:
    chunks = (
        handmade.png_chunk(b"sBIT", b"\x0c")
        + handmade.png_chunk(b"iCCP", b"profile\0\0" + imagecodecs.zlib_encode(handmade.profile(4, "Invented gray")))
        + handmade.png_chunk(b"pHYs", struct.pack(">IIB", 11811, 23622, 1))
        + handmade.png_chunk(b"tEXt", b"Software\0Invented scanning 1.0")
        + handmade.png_chunk(b"eXIf", handmade.tiff((1, 1), [b"\0\0"], tags={274: (3, [6]), 271: (2, b"Invented\0")}))
    )
    raw = handmade.png((3, 2, 16, 0), b"\0" * 14, chunks=chunks)
    scan = open_scan(write(tmp_path, raw, "scan.png"))
    assert (scan.width_px, scan.height_px) == (2, 3)
    # 11811 pixels a metre is what 300 an inch is written as: a unit in the last digit is 0.0254 ppi.
    assert_allclose((scan.ppi_x, scan.ppi_y), (600, 300), atol=0.0254)
    facts = scan.facts
    assert (facts.make, facts.software, facts.icc, facts.bits) == (
        "Invented",
        "Invented scanning 1.0",
        "Invented gray",
        12,
    )


@pytest.mark.parametrize("mode", ["L", "RGB"])
@pytest.mark.parametrize("orientation", [1, 6, 8])
def test_jpeg(tmp_path: Path, mode: str, orientation: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jpeg, "BLOCK_PIXELS", 40 * 7)
    ramp = np.add.outer(np.arange(24), np.arange(40)).astype(np.uint8)
    picture = Image.fromarray(ramp if mode == "L" else np.stack([ramp, ramp + 50, 200 - ramp], axis=-1))
    exif = Image.Exif()
    exif[274], exif[271], exif[306] = orientation, "Invented", "2031:02:03 04:05:06"
    file = tmp_path / "scan.jpg"
    picture.save(file, quality=95, dpi=(300, 300), exif=exif)
    scan = open_scan(file)
    # An independent decoder; the two may round the colour conversion differently by one code.
    with Image.open(file) as reference:
        decoded = np.asarray(reference)
    plane = decoded if mode == "L" else decoded[:, :, 1]
    expected = np.rot90(plane, {1: 0, 6: -1, 8: 1}[orientation])
    assert_allclose(whole(scan), expected, atol=1)
    assert_array_equal(scan.region(3, 4, 5, 6), whole(scan)[3:8, 4:10])
    assert (scan.facts.make, scan.facts.date, scan.facts.lossy) == ("Invented", "2031-02-03T04:05:06", True)
    assert {"lossy-8-bit", "8-bit"} <= codes_of(scan)


def test_jpeg_resolution_by_the_centimetre(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    Image.new("L", (16, 16)).save(buffer, "JPEG", dpi=(300, 300))
    raw = bytearray(buffer.getvalue())
    place = raw.index(b"JFIF\0") + 7
    raw[place : place + 5] = struct.pack(">BHH", 2, 118, 118)
    scan = open_scan(write(tmp_path, bytes(raw), "scan.jpg"))
    assert_allclose(scan.ppi_x, 118 * 2.54, rtol=1e-14)


def test_damaged_exif_does_not_spoil_a_jpeg(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    Image.new("L", (16, 16)).save(buffer, "JPEG", dpi=(300, 300), exif=b"Exif\0\0II*\0\xff\xff\xff\x7f")
    scan = open_scan(write(tmp_path, buffer.getvalue(), "scan.jpg"))
    assert_allclose(scan.ppi_x, 300, rtol=0)


@pytest.mark.parametrize(("unit", "value", "ppi"), [(2, 600, 600.0), (3, 240, 609.6)])
def test_resolution_by_inch_and_centimetre(tmp_path: Path, unit: int, value: int, ppi: float) -> None:
    tags: dict[int, handmade.Tag | None] = {
        282: (handmade.RATIONAL, [value, 1]),
        283: (handmade.RATIONAL, [value, 1]),
        296: (handmade.SHORT, [unit]),
    }
    scan = open_scan(write(tmp_path, handmade.tiff((2, 2), [bytes(8)], tags=tags)))
    assert_allclose((scan.ppi_x, scan.ppi_y, scan.px_per_mm_x), (ppi, ppi, ppi / 25.4), rtol=1e-14)


def test_a_given_resolution_replaces_the_files_and_says_so(tmp_path: Path) -> None:
    file = write(tmp_path, handmade.tiff((2, 2), [bytes(8)]))
    scan = open_scan(file, ppi=600)
    assert (scan.ppi_x, scan.facts.ppi) == (600, 600)
    assert codes_of(scan) == {"ppi-overridden"}
    assert codes_of(open_scan(file, ppi=300)) == set()


@pytest.mark.parametrize("value", [72, 96])
def test_a_resolution_that_programs_make_up_is_doubtful(tmp_path: Path, value: int) -> None:
    tags: dict[int, handmade.Tag | None] = {tag: (handmade.RATIONAL, [value, 1]) for tag in (282, 283)}
    scan = open_scan(write(tmp_path, handmade.tiff((2, 2), [bytes(8)], tags=tags)))
    assert codes_of(scan) == {"doubtful-resolution"}


@pytest.mark.parametrize("version", [2, 4])
def test_notes_of_a_tiff(tmp_path: Path, version: int) -> None:
    tags: dict[int, handmade.Tag | None] = {
        271: (handmade.ASCII, b"Invented Works\0"),
        272: (handmade.ASCII, b"Flatbed\x1b[1m 9\0"),
        305: (handmade.ASCII, b"Scanning 2.0\0"),
        306: (handmade.ASCII, b"2031:02:03 04:05:06\0"),
        34675: (handmade.UNDEFINED, handmade.profile(version, "Invented RGB")),
    }
    facts = open_scan(write(tmp_path, handmade.tiff((2, 2), [bytes(8)], tags=tags))).facts
    assert as_dict(facts) == {
        "file": "scan.tif",
        "make": "Invented Works",
        "model": "Flatbed[1m 9",
        "software": "Scanning 2.0",
        "date": "2031-02-03T04:05:06",
        "ppi": 300.0,
        "bits": 16,
        "channels": 1,
        "icc": "Invented RGB",
        "full_scale": 65535,
        "min_is_white": False,
        "lossy": False,
    }


@pytest.mark.parametrize(
    "note", [b"", b"\xff" * 200, handmade.profile(2, "cut")[:150], handmade.profile(4, "cut")[:160]]
)
def test_a_damaged_colour_profile_has_no_name(tmp_path: Path, note: bytes) -> None:
    raw = handmade.tiff((2, 2), [bytes(8)], tags={34675: (handmade.UNDEFINED, note or b"\0")})
    assert open_scan(write(tmp_path, raw)).facts.icc is None


def test_a_channel_that_does_not_exist(tmp_path: Path) -> None:
    file = write(tmp_path, handmade.tiff((2, 2), [bytes(8)]))
    with pytest.raises(WrongUseError, match="no channel cyan"):
        open_scan(file, channel="cyan")
    with pytest.raises(UnreadableScanError, match=r"is a gray scan, and its red channel is wanted"):
        open_scan(file, channel="red")


@pytest.mark.parametrize("ppi", [0, -300, float("nan"), float("inf")])
def test_a_given_resolution_that_makes_no_sense(tmp_path: Path, ppi: float) -> None:
    with pytest.raises(WrongUseError, match="makes no sense"):
        open_scan(write(tmp_path, handmade.tiff((2, 2), [bytes(8)])), ppi=ppi)


@pytest.mark.parametrize("box", [(0, 0, 0, 1), (-1, 0, 1, 1), (0, 0, 3, 1), (0, 1, 1, 2)])
def test_a_region_outside_the_scan(tmp_path: Path, box: tuple[int, int, int, int]) -> None:
    scan = open_scan(write(tmp_path, handmade.tiff((2, 2), [bytes(8)])))
    with pytest.raises(ValueError, match="inside the scan of 2 by 2"):
        scan.region(*box)


def regions_twice(scan: Scan, expected: Array) -> None:
    for _ in range(2):
        for top in (3, 90, 45, 0, 60):
            assert_array_equal(scan.region(top, 7, 9, 20), expected[top : top + 9, 7:27])


@pytest.mark.parametrize("name", ["scan.tif", "scan.png"])
def test_a_stream_is_read_again_from_a_marked_place(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    data = noise((100, 40), np.uint16)
    write_tiff(tmp_path, data, compression="adobe_deflate", predictor=2, rowsperstrip=100)
    write(tmp_path, bytes(imagecodecs.png_encode(data)), "scan.png")
    monkeypatch.setattr(tiff_strips, "_STREAM_ABOVE", 0)
    monkeypatch.setattr(tiff_strips, "BLOCK_PIXELS", 40 * 7)
    monkeypatch.setattr(png, "BLOCK_PIXELS", 40 * 7)
    monkeypatch.setattr(inflate, "_MARK_EVERY", 1000)
    monkeypatch.setattr(inflate, "_READ_BYTES", 64)
    scan = open_scan(tmp_path / name, ppi=300)
    regions_twice(scan, data)
    read: list[int] = []
    fetch = inflate.fetch

    def counted(*arguments: Any, **options: Any) -> bytes:
        raw = fetch(*arguments, **options)
        read.append(len(raw))
        return raw

    monkeypatch.setattr(inflate, "fetch", counted)
    assert_array_equal(scan.region(95, 0, 2, 40), data[95:97])
    # Of 8,000 bytes that do not compress, those of about twenty rows are read, not those of ninety-five.
    assert sum(read) < 2000


@pytest.mark.parametrize("options", [{"compression": "lzw"}, {"compression": "adobe_deflate"}, {}])
def test_a_scan_travels_between_processes(tmp_path: Path, options: dict[str, Any]) -> None:
    data = noise((100, 40), np.uint16)
    scan = open_scan(write_tiff(tmp_path, data, rowsperstrip=100, **options))
    regions_twice(scan, data)
    assert_reads(pickle.loads(pickle.dumps(scan)), data)  # noqa: S301 - our own


def test_what_is_kept_of_tiles_side_by_side_is_not_taken_for_tiles_below_each_other(tmp_path: Path) -> None:
    data = noise((60, 60), np.uint16)
    scan = open_scan(write_tiff(tmp_path, data, tile=(16, 16), compression="lzw"))
    for box in ((0, 0, 10, 30), (0, 0, 30, 10), (0, 0, 30, 30), (0, 0, 10, 60)):
        assert_array_equal(scan.region(*box), data[: box[2], : box[3]])


def test_what_is_kept_of_a_jpeg_serves_every_region(tmp_path: Path) -> None:
    file = tmp_path / "scan.jpg"
    Image.fromarray(noise((100, 40), np.uint8)).save(file, dpi=(300, 300))
    scan = open_scan(file)
    regions_twice(scan, whole(scan))


@st.composite
def layouts(draw: st.DrawFn) -> dict[str, Any]:
    compression = draw(st.sampled_from([None, "lzw", "adobe_deflate", "packbits"]))
    options: dict[str, Any] = {"compression": compression} if compression else {}
    if compression in ("lzw", "adobe_deflate") and draw(st.booleans()):
        options["predictor"] = 2
    if draw(st.booleans()):
        options["tile"] = (16 * draw(st.integers(1, 3)), 16 * draw(st.integers(1, 3)))
    else:
        options["rowsperstrip"] = draw(st.integers(1, 60))
    return options | {"order": draw(st.sampled_from("<>")), "bigtiff": draw(st.booleans())}


@given(
    layout=layouts(),
    size=st.tuples(st.integers(1, 60), st.integers(1, 60)),
    samples=st.sampled_from([1, 3, 4]),
    planar=st.booleans(),
    orientation=st.integers(1, 8),
    limits=st.tuples(st.sampled_from([1, 50, 700, 1 << 19]), st.sampled_from([0, 1 << 23])),
    boxes=st.lists(st.tuples(*[st.floats(0, 1, exclude_max=True)] * 4), min_size=1, max_size=4),
)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_layout_gives_the_same_pixels(  # noqa: PLR0917 - one argument a property varied
    tmp_path_factory: pytest.TempPathFactory,
    layout: dict[str, Any],
    size: tuple[int, int],
    samples: int,
    planar: bool,
    orientation: int,
    limits: tuple[int, int],
    boxes: list[tuple[float, float, float, float]],
) -> None:
    data: Array = noise((*size, samples), np.uint16)
    stored = np.moveaxis(data, 2, 0) if planar and samples > 1 else data if samples > 1 else data[:, :, 0]
    colour = {"photometric": "rgb", "planarconfig": "separate" if planar else "contig"} if samples > 1 else {}
    file = write_tiff(
        tmp_path_factory.mktemp("any"), stored, extratags=[(274, 3, 1, orientation, True)], **colour, **layout
    )
    green = data[:, :, min(1, samples - 1)]
    turned = green.T if orientation >= 5 else green
    expected = turned[:: -1 if orientation in (3, 4, 7, 8) else 1, :: -1 if orientation in (2, 3, 6, 7) else 1]
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(tiff_strips, "BLOCK_PIXELS", limits[0])
        patched.setattr(tiff_strips, "_STREAM_ABOVE", limits[1])
        patched.setattr(inflate, "_MARK_EVERY", limits[0])
        scan = open_scan(file)
        assert_array_equal(whole(scan), expected)
        for box in boxes:
            top, left = int(box[0] * expected.shape[0]), int(box[1] * expected.shape[1])
            height = 1 + int(box[2] * (expected.shape[0] - top))
            width = 1 + int(box[3] * (expected.shape[1] - left))
            assert_array_equal(scan.region(top, left, height, width), expected[top : top + height, left : left + width])


def test_the_older_head_of_a_jpeg_is_asked_where_exif_knows_nothing(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = 72.0, 72.0, 2
    file = tmp_path / "scan.jpg"
    Image.new("L", (16, 16)).save(file, dpi=(300, 300), exif=exif)
    raw = bytearray(file.read_bytes())
    place = raw.index(b"JFIF\0") + 7
    raw[place : place + 5] = struct.pack(">BHH", 1, 300, 300)
    scan = open_scan(write(tmp_path, bytes(raw), "scan.jpg"))
    assert_allclose(scan.ppi_x, 300, rtol=0)
    assert "doubtful-resolution" not in codes_of(scan)


def test_a_next_page_that_is_no_picture_is_passed_over(tmp_path: Path) -> None:
    first = bytearray(handmade.tiff((2, 2), [np.arange(4, dtype=np.uint16).tobytes()]))
    second = handmade.directory({270: (handmade.ASCII, b"nothing\0")}, len(first))
    start = struct.unpack_from("<I", first, 4)[0]
    after = start + 2 + 12 * struct.unpack_from("<H", first, start)[0]
    struct.pack_into("<I", first, after, len(first))
    scan = open_scan(write(tmp_path, bytes(first) + second))
    assert_array_equal(whole(scan), [[0, 1], [2, 3]])


def test_progressive_jpeg_with_a_profile(tmp_path: Path) -> None:
    ramp = np.add.outer(np.arange(64), np.arange(64)).astype(np.uint8)
    file = tmp_path / "scan.jpg"
    Image.fromarray(ramp).save(
        file, dpi=(300, 300), quality=95, progressive=True, icc_profile=handmade.profile(2, "Invented gray")
    )
    scan = open_scan(file)
    assert scan.facts.icc == "Invented gray"
    # Quality 95 leaves a ramp within a few codes.
    assert_allclose(whole(scan), ramp, atol=4)


def test_a_damaged_directory_below_a_page_is_passed_over(tmp_path: Path) -> None:
    data = np.arange(4, dtype=np.uint16)
    raw = handmade.tiff((2, 2), [data.tobytes()], tags={330: (handmade.LONG, [1 << 30])})
    assert_array_equal(whole(open_scan(write(tmp_path, raw))), data.reshape(2, 2))


def test_png_notes_that_are_damaged_are_passed_over(tmp_path: Path) -> None:
    chunks = (
        handmade.png_chunk(b"iCCP", b"profile\0\0not deflated")
        + handmade.png_chunk(b"eXIf", b"II*\0")
        + handmade.png_chunk(b"pHYs", struct.pack(">IIB", 0, 0, 1))
        + handmade.png_chunk(b"tEXt", b"Creation Time\0some day")
        + handmade.png_chunk(b"tEXt", b"Comment\0nothing")
    )
    scan = open_scan(write(tmp_path, handmade.png((3, 2, 16, 0), b"\0" * 14, chunks=chunks), "scan.png"), ppi=300)
    assert (scan.facts.icc, scan.facts.date, scan.facts.make) == (None, "some day", None)


def test_facts_travel_through_json(tmp_path: Path) -> None:
    facts = open_scan(write(tmp_path, handmade.tiff((2, 2), [bytes(8)]))).facts
    assert read_result(type(facts), as_dict(facts)) == facts
