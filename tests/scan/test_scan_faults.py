"""Every file that is no scan gets one sentence: what is wrong, which file, what to do. Named after the fault."""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from densiscan.errors import UnreadableScanError
from densiscan.scan.scan import open_scan
from tests.support import handmade
from tests.support.handmade import ASCII, LONG, SHORT, Tag
from tests.support.read_apart import read_apart

PIXELS = np.arange(30 * 40, dtype=np.uint16).reshape(30, 40) * 50


def assert_refused(file: Path, words: str, **options: Any) -> None:
    """Opening or reading gives one sentence that begins with the file's name and matches `words`."""
    with pytest.raises(UnreadableScanError, match=words) as caught:
        for _ in open_scan(file, **options).blocks():
            pass
    message = str(caught.value)
    assert message.startswith(str(file))
    assert "\n" not in message
    assert message.endswith(".")


def refused_bytes(folder: Path, raw: bytes, words: str, **options: Any) -> None:
    file = folder / "odd.tif"
    file.write_bytes(raw)
    assert_refused(file, words, **options)


def refused_tags(folder: Path, tags: dict[int, Tag | None], words: str) -> None:
    refused_bytes(folder, handmade.tiff((40, 30), [PIXELS.tobytes()], tags=tags), words)


def written(data: np.ndarray[Any, Any], **options: Any) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, data, metadata=None, resolution=(300, 300), resolutionunit=2, **options)
    return buffer.getvalue()


def test_missing_file(tmp_path: Path) -> None:
    assert_refused(tmp_path / "none.tif", "does not exist; check the name")


def test_folder_named_like_a_scan(tmp_path: Path) -> None:
    folder = tmp_path / "x.tif"
    folder.mkdir()
    assert_refused(folder, "is a folder; name an image file")


def test_file_below_a_file(tmp_path: Path) -> None:
    (tmp_path / "x.tif").write_bytes(b"II*\0")
    assert_refused(tmp_path / "x.tif" / "y.tif", "cannot be read")


def test_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "x.tif"
    os.mkfifo(pipe)
    assert_refused(pipe, "device or a pipe; name an image file")


def test_device() -> None:
    assert_refused(Path("/dev/zero"), "device or a pipe; name an image file")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_permission_denied(tmp_path: Path) -> None:
    file = tmp_path / "x.tif"
    file.write_bytes(b"II*\0")
    file.chmod(0)
    assert_refused(file, "may not be read; change its permissions")


def test_permission_denied_by_the_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "x.tif"
    file.write_bytes(b"II*\0")

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    assert_refused(file, "may not be read; change its permissions")


def test_empty_file(tmp_path: Path) -> None:
    refused_bytes(tmp_path, b"", "is empty")


def test_text_file(tmp_path: Path) -> None:
    refused_bytes(tmp_path, b"step,density\n1,0.05\n", "is not a TIFF, DNG, PNG or JPEG image")


def test_name_with_a_line_break_stays_one_line(tmp_path: Path) -> None:
    with pytest.raises(UnreadableScanError) as caught:
        open_scan(tmp_path / "a\nb.tif")
    assert "\n" not in str(caught.value)


def test_head_without_a_picture(tmp_path: Path) -> None:
    refused_bytes(tmp_path, b"II*\0" + bytes(12), "holds no picture")


def test_head_cut_short(tmp_path: Path) -> None:
    refused_bytes(tmp_path, b"II*\0\1", "is not a whole TIFF file")


def test_directory_outside_the_file(tmp_path: Path) -> None:
    refused_bytes(tmp_path, struct.pack("<2sHI", b"II", 42, 1 << 30), "ends before its directory does")


def test_directory_of_random_bytes(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    for _ in range(300):
        file = tmp_path / "random.tif"
        file.write_bytes(struct.pack("<2sHIH", b"II", 42, 8, 20) + rng.bytes(400))
        with pytest.raises(UnreadableScanError):
            open_scan(file, ppi=300)


def test_any_byte_of_a_good_file_wrong(tmp_path: Path) -> None:
    good = bytearray(written(PIXELS, compression="zlib", predictor=2, rowsperstrip=7))
    rng = np.random.default_rng(6)
    file = tmp_path / "spoilt.tif"
    for _ in range(400):
        spoilt = bytearray(good)
        spoilt[int(rng.integers(4, len(good)))] = int(rng.integers(256))
        file.write_bytes(spoilt)
        with suppress(UnreadableScanError):
            scan = open_scan(file, ppi=300)
            assert sum(block.codes.size for block in scan.blocks()) == scan.width_px * scan.height_px


@pytest.mark.parametrize("options", [{}, {"compression": "lzw"}, {"compression": "zlib"}, {"tile": (16, 16)}])
def test_truncated_tiff(tmp_path: Path, options: dict[str, Any]) -> None:
    buffer = io.BytesIO()
    # The directory stands before the data here, as scanners write it, so that only data are lost.
    with tifffile.TiffWriter(buffer) as writer:
        writer.write(PIXELS, metadata=None, resolution=(300, 300), resolutionunit=2, **options)
    raw = buffer.getvalue()
    for share in (0.5, 0.8, 0.9):
        refused_bytes(tmp_path, raw[: int(len(raw) * share)], "ends before|lacks some")


def test_lzw_strip_that_decodes_to_too_little(tmp_path: Path) -> None:
    strip = bytes(imagecodecs.lzw_encode(PIXELS[:29].tobytes()))
    raw = handmade.tiff((40, 30), [strip], tags={259: (SHORT, [5])})
    refused_bytes(tmp_path, raw, "ends before its picture does")


def test_packbits_strip_that_decodes_to_too_little(tmp_path: Path) -> None:
    strip = bytes(imagecodecs.packbits_encode(PIXELS[:29].tobytes()))
    raw = handmade.tiff((40, 30), [strip], tags={259: (SHORT, [32773])})
    refused_bytes(tmp_path, raw, "ends before its picture does")


def test_deflate_strip_that_decodes_to_too_little(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raw = handmade.tiff((40, 30), [zlib.compress(PIXELS[:29].tobytes())], tags={259: (SHORT, [8])})
    refused_bytes(tmp_path, raw, "ends before its picture does")
    monkeypatch.setattr("densiscan.scan.formats.tiff_strips._STREAM_ABOVE", 0)
    refused_bytes(tmp_path, raw, "ends before its picture does")


def test_corrupt_deflate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    strip = bytearray(zlib.compress(PIXELS.tobytes()))
    strip[len(strip) // 2] ^= 0xFF
    raw = handmade.tiff((40, 30), [bytes(strip)], tags={259: (SHORT, [8])})
    refused_bytes(tmp_path, raw, "is damaged|ends before")
    monkeypatch.setattr("densiscan.scan.formats.tiff_strips._STREAM_ABOVE", 0)
    refused_bytes(tmp_path, raw, "is damaged|ends before")


def test_filled_up_last_strip_is_no_fault(tmp_path: Path) -> None:
    for scheme, encode in ((8, zlib.compress), (5, imagecodecs.lzw_encode), (32773, imagecodecs.packbits_encode)):
        strips = [bytes(encode(np.vstack([PIXELS, PIXELS])[top : top + 20].tobytes())) for top in (0, 20)]
        file = tmp_path / "filled.tif"
        file.write_bytes(handmade.tiff((40, 30), strips, tags={259: (SHORT, [scheme]), 278: (LONG, [20])}))
        np.testing.assert_array_equal(open_scan(file).region(0, 0, 30, 40), PIXELS)


def test_strip_missing(tmp_path: Path) -> None:
    refused_tags(tmp_path, {278: (LONG, [10])}, "lacks some of its strips or tiles")


def test_strip_empty(tmp_path: Path) -> None:
    refused_tags(tmp_path, {259: (SHORT, [8]), 279: (LONG, [0])}, "lacks some of its strips or tiles")


def test_picture_of_no_size(tmp_path: Path) -> None:
    refused_tags(tmp_path, {256: (LONG, [0])}, "a picture of no size")


def test_tile_of_no_size(tmp_path: Path) -> None:
    refused_tags(tmp_path, {322: (LONG, [0]), 323: (LONG, [16])}, "is damaged")


def test_palette(tmp_path: Path) -> None:
    refused_tags(tmp_path, {262: (SHORT, [3])}, "palette colours; save it as 16-bit gray or RGB")


def test_printing_inks(tmp_path: Path) -> None:
    refused_tags(tmp_path, {262: (SHORT, [5])}, "printing inks")


@pytest.mark.parametrize("photometric", [8, 9, 10])
def test_lab(tmp_path: Path, photometric: int) -> None:
    refused_tags(tmp_path, {262: (SHORT, [photometric])}, "Lab colour")


def test_luminance_and_chroma_uncompressed(tmp_path: Path) -> None:
    refused_tags(tmp_path, {262: (SHORT, [6])}, "luminance and chroma")


@pytest.mark.parametrize("photometric", [32844, 32845])
def test_logarithmic(tmp_path: Path, photometric: int) -> None:
    refused_tags(tmp_path, {262: (SHORT, [photometric])}, "logarithmic scale")


def test_camera_mosaic(tmp_path: Path) -> None:
    refused_tags(tmp_path, {262: (SHORT, [32803])}, "unprocessed camera mosaic")


def test_unknown_photometric(tmp_path: Path) -> None:
    refused_tags(tmp_path, {262: (SHORT, [77])}, "not known here .photometric 77.")


@pytest.mark.parametrize("bits", [1, 2, 4, 7])
def test_bilevel_and_too_few_bits(tmp_path: Path, bits: int) -> None:
    refused_tags(tmp_path, {258: (SHORT, [bits])}, f"only {bits} bits? a sample; scan it again with 16 bits")


@pytest.mark.parametrize("bits", [17, 48, 128])
def test_unknown_bits(tmp_path: Path, bits: int) -> None:
    refused_tags(tmp_path, {258: (SHORT, [bits])}, f"has {bits} bits a sample")


def test_bits_that_differ_between_samples(tmp_path: Path) -> None:
    refused_tags(tmp_path, {258: (SHORT, [16, 8, 16]), 262: (SHORT, [2]), 277: (SHORT, [3])}, "mixes kinds of samples")


@pytest.mark.parametrize("kind", [5, 6, 99])
def test_complex_samples(tmp_path: Path, kind: int) -> None:
    refused_tags(tmp_path, {339: (SHORT, [kind])}, "holds complex ones")


def test_65535_samples(tmp_path: Path) -> None:
    refused_tags(tmp_path, {277: (SHORT, [65535])}, "65535 samples a pixel")


def test_gray_samples_of_unknown_meaning(tmp_path: Path) -> None:
    refused_tags(tmp_path, {277: (SHORT, [3])}, "does not say which is the picture")


def test_rgb_with_too_few_samples(tmp_path: Path) -> None:
    refused_tags(tmp_path, {262: (SHORT, [2])}, "is damaged")


def test_negative_values(tmp_path: Path) -> None:
    refused_bytes(tmp_path, written(PIXELS.astype(np.int16) - 5), "negative values")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -0.25, 1.5])
def test_floating_point_that_is_no_fraction_of_light(tmp_path: Path, value: float) -> None:
    data = np.full((30, 40), 0.5, np.float32)
    data[20, 30] = value
    refused_bytes(tmp_path, written(data), "NaN or outside 0 to 1")


def test_more_bits_than_it_says(tmp_path: Path) -> None:
    refused_tags(tmp_path, {258: (SHORT, [12])}, "says that its samples have 12 bits, but they have more")


@pytest.mark.parametrize("scheme", [2, 3, 4, 6, 34712, 34925, 50000, 50001, 12345])
def test_compression_not_known_here(tmp_path: Path, scheme: int) -> None:
    refused_tags(tmp_path, {259: (SHORT, [scheme])}, f"compressed with scheme {scheme}; save it uncompressed")


def test_predictor_not_known_here(tmp_path: Path) -> None:
    refused_tags(tmp_path, {317: (SHORT, [3])}, "predictor 3, which does not fit")


def test_no_resolution(tmp_path: Path) -> None:
    refused_tags(tmp_path, {282: None, 283: None}, "does not say its resolution; if it is a scan, add it with --ppi")


def test_resolution_without_a_unit(tmp_path: Path) -> None:
    refused_tags(tmp_path, {296: (SHORT, [1])}, "does not say its resolution; if it is a scan, add it with --ppi")


def test_resolution_divided_by_zero(tmp_path: Path) -> None:
    zero: dict[int, Tag | None] = {tag: (handmade.RATIONAL, [300, 0]) for tag in (282, 283)}
    refused_tags(tmp_path, zero, "does not say its resolution; if it is a scan, add it with --ppi")


@pytest.mark.parametrize("value", [1, 19, 12801, 100000])
def test_resolution_that_no_scan_has(tmp_path: Path, value: int) -> None:
    tags: dict[int, Tag | None] = {tag: (handmade.RATIONAL, [value, 1]) for tag in (282, 283)}
    refused_tags(tmp_path, tags, r"which no scan has; give the right resolution with --ppi")


def test_previews_only(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer) as writer:
        for _ in range(2):
            writer.write(PIXELS, subfiletype=1, metadata=None)
    refused_bytes(tmp_path, buffer.getvalue(), "only small previews; choose one of them with --page")


def test_jpeg_strip_of_another_size(tmp_path: Path) -> None:
    strip = bytes(imagecodecs.jpeg_encode(np.zeros((30, 400), np.uint8)))
    raw = handmade.tiff((40, 30), [strip], tags={258: (SHORT, [8]), 259: (SHORT, [7])})
    refused_bytes(tmp_path, raw, "is damaged")


def test_jpeg_strip_with_other_samples(tmp_path: Path) -> None:
    strip = bytes(imagecodecs.jpeg_encode(np.zeros((30, 40, 3), np.uint8)))
    raw = handmade.tiff((40, 30), [strip], tags={258: (SHORT, [8]), 259: (SHORT, [7])})
    refused_bytes(tmp_path, raw, "is damaged")


def jpeg(mode: str = "L", size: tuple[int, int] = (64, 64)) -> bytes:
    buffer = io.BytesIO()
    noise = np.random.default_rng(3).integers(0, 256, (*size, len(mode)), np.uint8)
    Image.fromarray(noise.squeeze(), mode if mode == "CMYK" else None).save(buffer, "JPEG", dpi=(300, 300))
    return buffer.getvalue()


@pytest.mark.parametrize("share", [0.3, 0.9, 0.999])
def test_truncated_jpeg(tmp_path: Path, share: float) -> None:
    raw = jpeg()
    refused_bytes(tmp_path, raw[: int(len(raw) * share)], "ends before its picture does|is damaged")


def test_jpeg_in_printing_inks(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    Image.new("CMYK", (16, 16)).save(buffer, "JPEG")
    refused_bytes(tmp_path, buffer.getvalue(), "printing inks")


def test_jpeg_without_a_frame(tmp_path: Path) -> None:
    refused_bytes(tmp_path, b"\xff\xd8\xff\xe0\0\x04ab\xff\xd9", "is damaged")


def png(colour: int = 0, bits: int = 16) -> bytes:
    return handmade.png((20, 30, bits, colour), bytes(30 * (1 + 20 * bits // 8)))


@pytest.mark.parametrize("cut", [10, 40, -30, -13, -1])
def test_truncated_png(tmp_path: Path, cut: int) -> None:
    refused_bytes(tmp_path, png()[:cut], "ends before its picture does|is damaged", ppi=300)


def test_png_stream_cut_short(tmp_path: Path) -> None:
    refused_bytes(tmp_path, handmade.png((20, 30, 16, 0), bytes(29 * 41)), "ends before its picture does", ppi=300)


def test_png_with_a_wrong_checksum(tmp_path: Path) -> None:
    raw = bytearray(png())
    end = raw.index(b"IEND") - 9
    raw[end] ^= 1
    refused_bytes(tmp_path, bytes(raw), "is damaged", ppi=300)


def test_png_palette(tmp_path: Path) -> None:
    refused_bytes(tmp_path, png(colour=3, bits=8), "palette colours")


@pytest.mark.parametrize("bits", [1, 2, 4])
def test_png_of_too_few_bits(tmp_path: Path, bits: int) -> None:
    refused_bytes(tmp_path, png(bits=bits), f"only {bits} bits? a sample")


def test_png_of_unknown_colour(tmp_path: Path) -> None:
    refused_bytes(tmp_path, png(colour=5), "is damaged")


def test_png_without_resolution(tmp_path: Path) -> None:
    refused_bytes(tmp_path, png(), "does not say its resolution; if it is a scan, add it with --ppi")


def test_page_2_of_a_png(tmp_path: Path) -> None:
    refused_bytes(tmp_path, png(), "has no page 2, only one picture", page=2)


def test_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    file = tmp_path / "scan.tif"
    file.write_bytes(handmade.tiff((40, 30), [PIXELS.tobytes()]))
    scan = open_scan(file)
    file.write_bytes(b"II*\0" + bytes(100))
    with pytest.raises(UnreadableScanError, match="ends before its picture does"):
        scan.region(0, 0, 30, 40)


def test_file_that_vanishes(tmp_path: Path) -> None:
    file = tmp_path / "scan.tif"
    file.write_bytes(handmade.tiff((40, 30), [PIXELS.tobytes()]))
    scan = open_scan(file)
    file.unlink()
    with pytest.raises(UnreadableScanError, match="does not exist"):
        next(scan.blocks())


def huge(**tags: Any) -> bytes:
    wide: dict[int, Tag | None] = {256: (LONG, [100_000]), 257: (LONG, [100_000]), 278: (LONG, [100_000])}
    return handmade.tiff((40, 30), [PIXELS.tobytes()], tags=wide | {int(tag[1:]): value for tag, value in tags.items()})


def huge_jpeg() -> bytes:
    raw = bytearray(jpeg())
    frame = raw.index(b"\xff\xc0") + 5
    raw[frame : frame + 4] = struct.pack(">HH", 65500, 65500)
    return bytes(raw)


def thousand_values_in_one_place() -> bytes:
    """Return a file of 4 MB whose every tag claims the same million numbers."""
    tags: dict[int, Tag | None] = dict.fromkeys(range(40_000, 41_000), (LONG, [0, 0]))
    raw = bytearray(handmade.tiff((40, 30), [bytes(4_000_000)], tags=tags | {278: (LONG, [30])}))
    start = struct.unpack_from("<I", raw, 4)[0]
    for entry in range(start + 2, start + 2 + 12 * (12 + 1000), 12):
        if struct.unpack_from("<H", raw, entry)[0] >= 40_000:
            struct.pack_into("<II", raw, entry + 4, 1_000_000, 8)
    return bytes(raw)


CLAIMS: dict[str, Callable[[], bytes]] = {
    "uncompressed": huge,
    "deflate": lambda: huge(t259=(SHORT, [8])),
    "lzw": lambda: huge(t259=(SHORT, [5])),
    "packbits": lambda: huge(t259=(SHORT, [32773])),
    "tiles": lambda: huge(t322=(LONG, [100_000]), t323=(LONG, [100_000]), t259=(SHORT, [8])),
    "rows one by one": lambda: huge(t278=(LONG, [1])),
    "strip counts of nothing": lambda: huge(t279=(LONG, [0])),
    "samples": lambda: huge(t277=(SHORT, [65535])),
    "text": lambda: handmade.tiff((40, 30), [PIXELS.tobytes()[:-2]], tags={270: (ASCII, b"x" * 90_000)}),
    "png": lambda: handmade.png((100_000, 100_000, 16, 0), bytes(1000)),
    "interlaced png": lambda: handmade.png((100_000, 100_000, 16, 0), bytes(1000), interlaced=1),
    "jpeg": huge_jpeg,
    "tags": thousand_values_in_one_place,
}


def test_head_that_claims_more_than_the_file_can_hold(tmp_path: Path) -> None:
    files = [tmp_path / f"{name}.bin" for name in CLAIMS]
    for file, make in zip(files, CLAIMS.values(), strict=True):
        file.write_bytes(make())
    for file, said in zip(files, read_apart(files), strict=True):
        # Tags that no scan needs are passed over, and the picture is read.
        assert said == "read" if file.stem == "tags" else said.startswith(str(file)), said


def test_a_small_file_that_unfolds_into_a_huge_picture(tmp_path: Path) -> None:
    """A sound file of a few kB, all its strips the same 4 kB: nothing in its head claims what is not there."""
    strip = zlib.compress(bytes(2 * 20_000 * 100), 9)
    tags: dict[int, Tag | None] = {
        256: (LONG, [20_000]),
        257: (LONG, [20_000]),
        259: (SHORT, [8]),
        273: (LONG, [8] * 200),
        278: (LONG, [100]),
        279: (LONG, [len(strip)] * 200),
    }
    small = handmade.tiff((20_000, 100), [strip], tags={name: tags[name] for name in (256, 259, 278)})
    (tmp_path / "small.tif").write_bytes(small)
    assert sum(len(block.codes) for block in open_scan(tmp_path / "small.tif", ppi=300).blocks()) == 100
    raw = handmade.tiff((20_000, 20_000), [strip], tags=tags)
    assert len(raw) < 10_000
    refused_bytes(tmp_path, raw, "MB into 400 million pixels, which no scan does; scan it again", ppi=300)


@pytest.mark.parametrize("size", [(300_000, 1), (1, 300_000)])
def test_a_side_that_no_scanner_has(tmp_path: Path, size: tuple[int, int]) -> None:
    width, height = size
    raw = handmade.png((width, height, 16, 0), bytes(height * (1 + 2 * width)))
    refused_bytes(tmp_path, raw, "is 300000 pixels long, which no scan is; scan it again", ppi=300)


def test_png_without_its_head(tmp_path: Path) -> None:
    refused_bytes(tmp_path, b"\x89PNG\r\n\x1a\n" + handmade.png_chunk(b"IEND", b""), "is damaged")


def test_jpeg_strip_of_too_few_rows(tmp_path: Path) -> None:
    strip = bytes(imagecodecs.jpeg_encode(np.zeros((29, 40), np.uint8)))
    raw = handmade.tiff((40, 30), [strip], tags={258: (SHORT, [8]), 259: (SHORT, [7])})
    refused_bytes(tmp_path, raw, "ends before its picture does")


def test_jpeg_strip_in_a_signed_picture(tmp_path: Path) -> None:
    strip = bytes(imagecodecs.jpeg_encode(np.zeros((30, 40), np.uint8)))
    tags: dict[int, Tag | None] = {258: (SHORT, [8]), 259: (SHORT, [7]), 339: (SHORT, [2])}
    refused_bytes(tmp_path, handmade.tiff((40, 30), [strip], tags=tags), "is damaged")


def test_compressed_piece_of_more_than_1_gb(tmp_path: Path) -> None:
    tags: dict[int, Tag | None] = {
        256: (LONG, [30_000]),
        257: (LONG, [30_000]),
        259: (SHORT, [5]),
        278: (LONG, [30_000]),
    }
    raw = handmade.tiff((40, 30), [bytes(2_000_000)], tags=tags)
    refused_bytes(tmp_path, raw, "one compressed piece that takes 1800 MB of memory at once, more than 1000")
