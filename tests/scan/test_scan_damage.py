"""Damage to a file is noticed: never another picture under a checksum, nor where the data show it."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from PIL import Image

from densiscan.errors import UnreadableScanError
from densiscan.scan.scan import open_scan
from tests.support import handmade
from tests.support.handmade import SHORT

NOISE: npt.NDArray[np.uint16] = (
    np.random.default_rng(11).normal(30_000, 900, (240, 260)) + 60 * np.arange(240)[:, None]
).astype(np.uint16)


def tiff(**options: Any) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, NOISE, metadata=None, resolution=(300, 300), resolutionunit=2, **options)
    return buffer.getvalue()


def png(*, interlaced: bool = False, bits: int = 16) -> bytes:
    picture = NOISE.astype(">u2") if bits == 16 else (NOISE >> 8).astype(np.uint8)
    starts = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
    passes = [picture[top::down, left::across] for left, top, across, down in starts] if interlaced else [picture]
    rows = b"".join(b"\0" + row.tobytes() for part in passes for row in part)
    resolution = handmade.png_chunk(b"pHYs", struct.pack(">IIB", 11811, 11811, 1))
    return handmade.png((260, 240, bits, 0), rows, chunks=resolution, interlaced=int(interlaced))


def jpeg(**options: Any) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray((NOISE >> 8).astype(np.uint8)).save(buffer, "JPEG", quality=92, dpi=(300, 300), **options)
    return buffer.getvalue()


UNDER_A_CHECKSUM: dict[str, Callable[[], bytes]] = {
    "deflate strips": lambda: tiff(compression="zlib", rowsperstrip=28),
    "deflate strips, differences": lambda: tiff(compression="zlib", predictor=True, rowsperstrip=28),
    "deflate tiles": lambda: tiff(compression="zlib", tile=(64, 64)),
    "deflate in one strip": lambda: tiff(compression="zlib", rowsperstrip=240),
    "png": png,
    "interlaced png": lambda: png(interlaced=True),
}


def read(file: Path, raw: bytes) -> npt.NDArray[Any] | None:
    """Return the whole picture, or None where it is refused in one sentence."""
    file.write_bytes(raw)
    try:
        scan = open_scan(file, ppi=300, threads=1)
        whole = np.zeros((scan.height_px, scan.width_px), np.uint16)
        for block in scan.blocks():
            whole[block.top : block.top + len(block.codes), block.left :][:, : block.codes.shape[1]] = block.codes
    except UnreadableScanError:
        return None
    return whole


@pytest.mark.parametrize("streamed", [False, True])
@pytest.mark.parametrize("name", UNDER_A_CHECKSUM)
def test_damage_under_a_checksum_never_gives_another_picture(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch, *, streamed: bool
) -> None:
    if streamed:
        monkeypatch.setattr("densiscan.scan.formats.tiff_strips._STREAM_ABOVE", 0)
    raw = UNDER_A_CHECKSUM[name]()
    rng = np.random.default_rng(12)
    np.testing.assert_array_equal(read(tmp_path / "whole", raw), NOISE)
    # The tags of a TIFF stand before its data here, and have no checksum.
    begin = 8 if "png" in name else 1000
    for _ in range(12):
        at = int(rng.integers(begin, len(raw) - 1000))
        bit = bytes([raw[at] ^ 1 << int(rng.integers(8))])
        for damaged in (raw[:at] + bytes(1000) + raw[at + 1000 :], raw[:at] + bit + raw[at + 1 :], raw[:at]):
            seen = read(tmp_path / "damaged", damaged)
            assert seen is None or np.array_equal(seen, NOISE)


@pytest.mark.parametrize("name", ["deflate in one strip", "png"])
def test_a_part_is_not_read_of_a_stream_whose_checksum_fails(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("densiscan.scan.formats.tiff_strips._STREAM_ABOVE", 0)
    raw = UNDER_A_CHECKSUM[name]()
    file = tmp_path / "scan"
    file.write_bytes(raw)
    np.testing.assert_array_equal(open_scan(file, ppi=300).region(0, 0, 5, 5), NOISE[:5, :5])
    middle = len(raw) * 3 // 4
    file.write_bytes(raw[:middle] + bytes([raw[middle] ^ 1]) + raw[middle + 1 :])
    with pytest.raises(UnreadableScanError, match=r"is damaged|ends before"):
        open_scan(file, ppi=300).region(0, 0, 5, 5)


@pytest.mark.parametrize(
    ("scheme", "encode"), [(5, imagecodecs.lzw_encode), (32773, imagecodecs.packbits_encode)], ids=["lzw", "packbits"]
)
def test_data_without_a_checksum_that_go_on_after_their_picture(
    tmp_path: Path, scheme: int, encode: Callable[[bytes], bytes]
) -> None:
    strip = bytes(encode(NOISE[:30, :40].tobytes() + b"\1\2\3"))
    (tmp_path / "scan.tif").write_bytes(handmade.tiff((40, 30), [strip], tags={259: (SHORT, [scheme])}))
    with pytest.raises(UnreadableScanError, match="is damaged"):
        open_scan(tmp_path / "scan.tif").region(0, 0, 30, 40)


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_rows": 1}], ids=str)
def test_a_hole_in_a_jpeg(tmp_path: Path, options: dict[str, Any]) -> None:
    raw = jpeg(**options)
    assert read(tmp_path / "scan.jpg", raw) is not None
    first = raw.index(b"\xff\xda") + 20
    noticed = 0
    for share in np.linspace(0.05, 0.9, 20):
        at = first + int(share * (len(raw) - first))
        noticed += read(tmp_path / "scan.jpg", raw[:at] + bytes(1000) + raw[at + 1000 :]) is None
    # JPEG has no checksum: a hole after which the decoder is in step again by chance leaves no trace.
    assert noticed >= 17


def test_sound_jpeg_is_no_damage(tmp_path: Path) -> None:
    rng = np.random.default_rng(13)
    for k in range(40):
        height, width = rng.integers(20, 300, 2)
        shade = np.clip(rng.uniform(0, 255) + rng.normal(0, 1, (height, width, 3)) * rng.choice([0, 0.3, 5]), 0, 255)
        options = ({}, {"optimize": True}, {"progressive": True}, {"restart_marker_rows": 1})[k % 4]
        quality, subsampling = int(rng.choice([50, 90, 98, 100])), int(rng.integers(3))
        buffer = io.BytesIO()
        picture = Image.fromarray(shade.astype(np.uint8))
        picture.save(buffer, "JPEG", quality=quality, subsampling=subsampling, **options)
        assert read(tmp_path / "scan.jpg", buffer.getvalue()) is not None, (k, height, width, quality, subsampling)


@pytest.mark.parametrize("kind", [b"IHDR", b"pHYs", b"tEXt"])
def test_png_chunk_with_a_wrong_checksum(tmp_path: Path, kind: bytes) -> None:
    notes = handmade.png_chunk(b"pHYs", bytes([0, 0, 46, 35, 0, 0, 46, 35, 1])) + handmade.png_chunk(
        b"tEXt", b"Software\0one"
    )
    raw = bytearray(handmade.png((20, 30, 16, 0), bytes(30 * 41), chunks=notes))
    (tmp_path / "scan.png").write_bytes(raw)
    assert open_scan(tmp_path / "scan.png").ppi_x == pytest.approx(300, abs=0.1)
    raw[raw.index(kind) + 7] ^= 2
    (tmp_path / "scan.png").write_bytes(raw)
    with pytest.raises(UnreadableScanError, match="is damaged"):
        open_scan(tmp_path / "scan.png", ppi=300)


def test_png_without_its_end(tmp_path: Path) -> None:
    (tmp_path / "scan.png").write_bytes(png()[:-12])
    with pytest.raises(UnreadableScanError, match="ends before its picture does"):
        open_scan(tmp_path / "scan.png", ppi=300)


def test_png_cut_into_more_pieces_than_any_scan(tmp_path: Path) -> None:
    head = handmade.png((20, 30, 16, 0), bytes(30 * 41))
    pieces = b"".join(handmade.png_chunk(b"IDAT", b"") for _ in range(2000))
    (tmp_path / "scan.png").write_bytes(head[:33] + pieces + head[33:])
    with pytest.raises(UnreadableScanError, match="cut into more pieces than any scan"):
        open_scan(tmp_path / "scan.png", ppi=300)


def test_what_must_be_held_whole_has_a_limit_that_can_be_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DENSISCAN_WHOLE_MB", "0")
    for raw in (png(interlaced=True), jpeg(), tiff(compression="lzw")):
        assert read(tmp_path / "scan", raw) is None
    assert read(tmp_path / "scan", png()) is not None


def test_a_filled_up_strip_whose_checksum_fails(tmp_path: Path) -> None:
    strips = [zlib.compress(NOISE[top : top + 20, :40].tobytes()) for top in (0, 20)]
    strips[1] = strips[1][:-1] + bytes([strips[1][-1] ^ 1])
    raw = handmade.tiff((40, 30), strips, tags={259: (SHORT, [8]), 278: (handmade.LONG, [20])})
    assert read(tmp_path / "scan.tif", raw) is None


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_pixels_multiplied_by_a_transparency_are_no_light(tmp_path: Path, planar: str) -> None:
    file = tmp_path / "scan.tif"
    rng = np.random.default_rng(14)
    clear = rng.integers(20_000, 60_000, NOISE.shape)
    for alpha, value, words in (
        (np.full_like(clear, 65535), NOISE, None),
        (clear, (NOISE * (clear / 65535)).astype(np.uint16), "multiplied by its transparency"),
        # An infra-red channel under the wrong name: a value above it cannot have been multiplied by it.
        (clear, NOISE, None),
    ):
        samples = [value, value, value, alpha.astype(np.uint16)]
        picture = np.stack(samples, axis=-1 if planar == "contig" else 0)
        tifffile.imwrite(file, picture, photometric="rgb", planarconfig=planar, extrasamples=[1], metadata=None)
        if words is None:
            np.testing.assert_array_equal(open_scan(file, ppi=300).region(0, 0, 240, 260), value)
        else:
            with pytest.raises(UnreadableScanError, match=words):
                open_scan(file, ppi=300)
