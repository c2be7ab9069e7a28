"""Some 150 files of other people's test suites: a scan that can be surveyed, or one sentence; never a wrong picture.

The independent reader is tifffile's (for TIFF), Pillow's (PNG and JPEG): whole images, decoded another way.
"""

from __future__ import annotations

import csv
import logging
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from PIL import Image, ImageOps

from densiscan.errors import UnreadableScanError
from densiscan.scan.scan import Scan, open_scan
from densiscan.scan.survey import survey
from tests.support.read_apart import read_apart

Array = NDArray[Any]

PPI: Final = 300

# What must come out, by the structure in MANIFEST.csv; the first pattern that is found decides. A text is what the
# sentence must say, None that the file must be read.
EXPECTED: Final[tuple[tuple[str, str | None], ...]] = (
    (r"pages3", "pictures|luminance and chroma|compressed with scheme"),
    (r"spp65535", "65535 samples"),
    (r"PALETTE", "palette"),
    (r"SEPARATED", "printing inks"),
    (r"CIELAB", "Lab colour"),
    (r"LOGL", "logarithmic"),
    (r"YCBCR (?!JPEG)", "luminance and chroma"),
    (r"bits[1-7] ", "bits? a sample"),
    (r"WEBP", "compressed with scheme"),
    (r"(8|16) spp[134] (RGB|MINISBLACK|MINISWHITE|YCBCR) (NONE|LZW|(ADOBE_)?DEFLATE|PACKBITS|JPEG)", None),
    (r"(10|12|14|24|32|64) spp[13] (RGB|MINISBLACK|MINISWHITE) (NONE|(ADOBE_)?DEFLATE)", None),
)
# Files whose structure does not tell: what is wrong with them, or None where they are good.
SPECIAL: Final[dict[str, str | None]] = {
    "image-tiff__tests__images__int16_rgb.tif": "negative values",
    "image-tiff__tests__images__minisblack-1c-i16b.tiff": "negative values",
    "image-tiff__tests__images__seq__seq-1c-i16-63af2488.tiff": "negative values",
    "image-tiff__tests__images__seq__seq-3c-i8-d7550ce4.tiff": "does not say which is the picture",
    "pillow__8bit.s.tif": "negative values",
    "pillow__10ct_32bit_128.tiff": "outside 0 to 1",
    # Strips of JPEG data without an end.
    "pillow__crash-1152ec2d1a1a71395b6f2ce6721c38924d025bf3.tif": "ends before its picture does",
    "pillow__crash-1185209cf7655b5aed8ae5e77784dfdd18ab59e9.tif": "ends before its picture does",
    "pillow__crash-338516dbd2f0e83caddb8ce256c22db3bd6dc40f.tif": "ends before its picture does",
    "pillow__crash-f46f5b2f43c370fe65706c11449f567ecc345e74.tif": "ends before its picture does",
    "image-tiff__tests__fuzz_images__oor_panic__graydepth-invert-overflow-5a0aad5024cc4ff3.tiff": "1 bit a sample",
    "image-tiff__tests__fuzz_images__oor_panic__graydepth-invert-overflow-9f2f479685f84884.tiff": "17 bits a sample",
    "image-tiff__tests__fuzz_images__oor_panic__sample-get-lzw-stuck.tiff": "ends before its picture does",
    "pillow__oom-225817ca0f8c663be7ab4b9e717b02c661e66834.tif": "ends before its directory does",
    "pillow__seek_too_large.tif": "ends before its directory does",
    "pillow__pil136.tiff": "multiplied by its transparency",
    "pillow__tiff_tiled_planar_16bit_RGBa.tiff": "multiplied by its transparency",
    "image-tiff__tests__libtiffpic__strike.tif": "multiplied by its transparency",
    "pillow__broken.png": "ends before its picture does",
    "pillow__truncated_image.png": "ends before its picture does",
    "pillow__truncated_jpeg.jpg": "ends before its picture does",
    "pillow__pil123p.png": "palette",
    "pillow__pil_sample_cmyk.jpg": "printing inks",
}


@pytest.fixture(scope="session")
def odd_files(shared_data: Path) -> dict[str, tuple[Path, str]]:
    folder = shared_data / "odd_files"
    with (folder / "MANIFEST.csv").open(encoding="utf-8") as manifest:
        return {row["file"]: (folder / row["file"], row["structure"]) for row in csv.DictReader(manifest)}


def expected_of(name: str, structure: str) -> str | None:
    """Return the words that must be in the sentence, or None where the file must be read."""
    if name in SPECIAL:
        return SPECIAL[name]
    if not structure:
        return None
    return next(words for pattern, words in EXPECTED if re.search(pattern, structure))


@contextmanager
def others_quiet() -> Iterator[None]:
    """Keep the independent readers' own complaints about odd files out of the test."""
    logging.disable(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logging.disable(logging.NOTSET)


def test_every_odd_file_gives_what_its_structure_says(
    odd_files: dict[str, tuple[Path, str]], capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    wrong = []
    for name, (file, structure) in odd_files.items():
        words = expected_of(name, structure)
        try:
            scan = open_scan(file, ppi=PPI)
            assert survey(scan).pixels == scan.width_px * scan.height_px
        except UnreadableScanError as error:
            message = str(error)
            if not message.startswith(str(file)) or "\n" in message:
                wrong.append(f"{name}: not one sentence with the file's name: {message}")
            if words is None or not re.search(words, message):
                wrong.append(f"{name}: {message}")
        else:
            if words is not None:
                wrong.append(f"{name}: read, but must be refused ({words})")
    assert not wrong
    # The decoders' own words never reach the user.
    assert capfd.readouterr() == ("", "")
    assert not caplog.records


def test_opened_as_they_are_they_name_what_is_missing(odd_files: dict[str, tuple[Path, str]]) -> None:
    for file, _ in odd_files.values():
        with suppress(UnreadableScanError):
            assert open_scan(file).ppi_x > 0


def read_scans(odd_files: dict[str, tuple[Path, str]]) -> Iterator[tuple[str, Path, str, Scan]]:
    for name, (file, structure) in odd_files.items():
        if expected_of(name, structure) is None:
            yield name, file, structure, open_scan(file, ppi=PPI)


def plane_of(decoded: Array, scan: Scan, *, planes_first: bool) -> Array:
    """Return the channel the scan reads from an independently decoded picture."""
    if decoded.ndim == 2:
        return decoded
    channel = 1 if scan.channel == "green" else 0
    return decoded[channel] if planes_first else decoded[:, :, channel]


def test_tiff_codes_are_those_of_an_independent_reader(odd_files: dict[str, tuple[Path, str]]) -> None:
    compared = 0
    for name, file, structure, scan in read_scans(odd_files):
        if not structure or not re.search(r"bits(8|10|12|14|16) ", structure) or "fp16" in name:
            continue
        with others_quiet():
            decoded = tifffile.imread(file, key=0)
        expected: Array = plane_of(decoded, scan, planes_first="planar2" in structure)
        if "MINISWHITE" in structure:
            assert scan.facts.min_is_white, name
            expected = scan.facts.full_scale - expected
        codes = scan.region(0, 0, scan.height_px, scan.width_px)
        assert codes.dtype == (np.uint8 if "bits8 " in structure else np.uint16), name
        assert_array_equal(codes, expected, err_msg=name)
        compared += 1
    assert compared > 50


def test_wide_samples_keep_the_upper_16_bits_of_an_independent_reader(odd_files: dict[str, tuple[Path, str]]) -> None:
    compared = 0
    for name, file, structure, scan in read_scans(odd_files):
        if not re.search(r"bits(32|64) ", structure) and "fp16" not in name:
            continue
        with others_quiet():
            decoded = tifffile.imread(file, key=0)
        expected: Array = plane_of(decoded, scan, planes_first="planar2" in structure)
        if expected.dtype.kind == "f":
            expected = np.rint(expected.astype(np.float64) * 65535)
        else:
            largest = int(decoded.max())
            expected = expected >> (0 if largest < 1 << 16 else 16 if largest < 1 << 32 else 48)
        assert_array_equal(scan.region(0, 0, scan.height_px, scan.width_px), expected, err_msg=name)
        compared += 1
    assert compared >= 10


def test_24_bits_follow_the_byte_order_of_the_file(odd_files: dict[str, tuple[Path, str]]) -> None:
    # The same picture with 16 and with 24 bits; the latter was made from 8 bits, so that they differ by up to 257. (The
    # independent reader takes 24 bits highest byte first whatever the file's order.)
    name = "image-tiff__tests__libtiffpic__depth__flower-rgb-planar-{}.tif"
    narrow, wide = (open_scan(odd_files[name.format(bits)][0], ppi=PPI).region(0, 0, 43, 73) for bits in (16, 24))
    assert_allclose(wide.astype(int), narrow, atol=257)


def test_24_bits_stored_against_the_byte_order_of_the_file(odd_files: dict[str, tuple[Path, str]]) -> None:
    # A count from 0 to 767 over the samples, the highest byte first in a file that begins with the lowest.
    file, _ = odd_files["image-tiff__tests__images__seq__seq-3c-24b-contig-27b9f8ce.tiff"]
    for sample, channel in enumerate(("red", "green", "blue")):
        scan = open_scan(file, ppi=PPI, channel=channel)
        count = np.arange(sample, 768, 3).reshape(16, 16)
        assert_array_equal(scan.region(0, 0, 16, 16), count)
        assert "other-byte-order" in {warning.code for warning in scan.warnings}


def test_png_and_jpeg_codes_are_those_of_an_independent_reader(odd_files: dict[str, tuple[Path, str]]) -> None:
    compared = 0
    for name, file, _, scan in read_scans(odd_files):
        if file.suffix not in (".png", ".jpg", ".mpo"):
            continue
        with others_quiet(), Image.open(file) as picture:
            decoded = np.asarray(ImageOps.exif_transpose(picture))
        codes: Array = scan.region(0, 0, scan.height_px, scan.width_px)
        if scan.facts.full_scale == 65535:
            codes = codes >> 8  # the independent reader narrows colour to 8 bits
        if codes.shape == decoded.shape[:2]:
            # Exact for PNG; two JPEG decoders may round the colour conversion differently by one code.
            assert_allclose(
                codes, plane_of(decoded, scan, planes_first=False), atol=0 if file.suffix == ".png" else 1, err_msg=name
            )
            compared += 1
    assert compared > 10


def test_in_1_gb_and_10_seconds_a_file(odd_files: dict[str, tuple[Path, str]]) -> None:
    said = read_apart([file for file, _ in odd_files.values()])
    assert "read" in said
    assert len(set(said)) > 1  # some are refused
