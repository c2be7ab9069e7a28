"""The density of every pixel, against plain numpy and another library's reading of the file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose
from PIL import Image

from densiscan.calibration.file import write_calibration
from densiscan.calibration.map import density_map
from densiscan.cli.app import run
from densiscan.scan.scan import open_scan
from tests.support.made_up import calibration
from tests.support.schemas import faults

CODES = np.random.default_rng(5).integers(0, 65536, (70, 90), dtype=np.uint16)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    write_calibration(calibration(), tmp_path / "cal.json")
    return tmp_path


def scan_of(path: Path, codes: np.ndarray[tuple[int, int], np.dtype[np.uint16]], **more: Any) -> None:
    tifffile.imwrite(path, codes, resolution=(300, 300), resolutionunit=2, photometric="minisblack", **more)


def by_hand(
    codes: np.ndarray[tuple[int, int], np.dtype[np.uint16]],
) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """The made-up scanner is linear, so that density is -log10 of the code; known from 0.05 to 2.45."""
    with np.errstate(divide="ignore"):
        density = -np.log10(codes / 65535.0)
    return np.where((density >= 0.05) & (density <= 2.45), density, np.nan)


@pytest.mark.parametrize(
    "more",
    [{}, {"tile": (32, 48)}, {"compression": "zlib"}, {"rowsperstrip": 7}],
    ids=["plain", "tiles", "deflate", "strips"],
)
def test_every_pixel_is_minus_the_logarithm_of_its_light(here: Path, more: dict[str, Any]) -> None:
    scan_of(here / "scan.tif", CODES, **more)
    assert run(["map", "scan.tif", "--out", "map.tif", "--calibration", "cal.json"]) == 0
    with tifffile.TiffFile(here / "map.tif") as sheet:
        page = sheet.pages.first
        found = page.asarray()
        told = json.loads(page.tags["ImageDescription"].value)
        assert page.tags["XResolution"].value == (300, 1)
        assert page.tags["ResolutionUnit"].value == 2
    assert faults(told, "map") == []
    assert found.dtype == np.float32
    assert found.shape == CODES.shape
    # single precision has seven digits; densities are below 3
    assert_allclose(found, by_hand(CODES), atol=1e-6, equal_nan=True)
    assert np.isnan(found).any()
    assert (told["calibration"], told["density_range"]) == ("mine", [0.05, 2.45])
    with Image.open(here / "map.tif") as picture:
        assert_allclose(np.asarray(picture), found, equal_nan=True)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_scan_is_written_upright(here: Path, orientation: int) -> None:
    scan_of(here / "scan.tif", CODES, extratags=[(274, "H", 1, orientation, True)])
    assert run(["map", "scan.tif", "--out", "map.tif", "--calibration", "cal.json"]) == 0
    scan = open_scan(here / "scan.tif")
    codes = scan.region(0, 0, scan.height_px, scan.width_px)
    assert_allclose(tifffile.imread(here / "map.tif"), by_hand(codes), atol=1e-6, equal_nan=True)
    assert_allclose(density_map(scan, calibration()), by_hand(codes), atol=1e-6, equal_nan=True)


def test_a_damaged_scan_leaves_no_map(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scan_of(here / "scan.tif", CODES, compression="zlib")
    whole = (here / "scan.tif").read_bytes()
    (here / "scan.tif").write_bytes(whole[: len(whole) // 2])
    assert run(["map", "scan.tif", "--out", "map.tif", "--calibration", "cal.json"]) == 1
    assert "scan.tif" in capsys.readouterr().err
    assert sorted(file.name for file in here.iterdir()) == ["cal.json", "scan.tif"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("map scan.tif --out map.png --calibration cal.json", "end it in .tif"),
        ("map scan.tif --out scan.tif --calibration cal.json", "is read by the same command"),
        ("map scan.tif --out other.tif --calibration cal.json", "holds something else"),
        ("map absent.tif --out map.tif --calibration cal.json", "does not exist"),
    ],
)
def test_wrong_lines(here: Path, line: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    scan_of(here / "scan.tif", CODES)
    (here / "other.tif").write_bytes((here / "scan.tif").read_bytes().replace(b"tifffile", b"somebody"))
    assert run(line.split()) == 2
    assert said in capsys.readouterr().err
