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
from scipy import ndimage

from densiscan.calibration.densities import light_on, surveyed_light
from densiscan.calibration.file import write_calibration
from densiscan.calibration.glare import Glare
from densiscan.calibration.map import density_map, write_density_map
from densiscan.cli.app import run
from densiscan.scan import same_size
from densiscan.scan.scan import Scan, open_scan
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


def test_a_stated_value_stands_where_the_calibration_ends(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scan_of(here / "scan.tif", CODES)
    assert run(["map", "scan.tif", "--out", "map.tif", "--calibration", "cal.json", "--beyond", "-1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert faults(told, "map") == []
    assert told["beyond"] == -1.0
    expected = by_hand(CODES)
    expected[np.isnan(expected)] = -1.0
    assert_allclose(tifffile.imread(here / "map.tif"), expected, atol=1e-6)


@pytest.mark.parametrize("more", [{}, {"tile": (32, 48)}], ids=["plain", "tiles"])
def test_a_file_beyond_four_gigabytes_is_written_alike(
    here: Path, more: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(same_size, "_HEADS", 2**32)
    scan_of(here / "scan.tif", CODES, **more)
    assert run(["map", "scan.tif", "--out", "map.tif", "--calibration", "cal.json"]) == 0
    with tifffile.TiffFile(here / "map.tif") as sheet:
        assert sheet.is_bigtiff
        assert_allclose(sheet.pages.first.asarray(), by_hand(CODES), atol=1e-6, equal_nan=True)


GLARES = [None, Glare(shares=(0.001, 0.002, 0.0005, 0.004, 0.003))]
"""Of no check, and of one."""


def bands() -> np.ndarray[tuple[int, int], np.dtype[np.uint16]]:
    """Bands of even density from 0.3 to 2.1 beside open light, at 100 pixels an inch: 60 mm by 50 mm."""
    codes = np.full((200, 240), 65535, np.uint16)
    for number, density in enumerate([0.3, 0.9, 1.5, 2.1]):
        codes[40:160, 20 + 50 * number : 70 + 50 * number] = round(65535 * 10.0**-density)
    return codes


@pytest.mark.parametrize("glare", GLARES, ids=["usual glare", "known glare"])
def test_the_uncertainty_of_a_pixel_is_that_of_an_even_patch_there(here: Path, glare: Glare | None) -> None:
    scan, made = Scan.from_array(bands(), ppi=100), calibration()
    write_density_map(scan, made, here / "map.tif", uncertainty=True, glare=glare)
    surveyed = surveyed_light(scan, made, lamp=None, glare=glare, correct=False)
    light = light_on(scan, made, surveyed, lamp=None, glare=glare, correct=False)
    with tifffile.TiffFile(here / "map.tif") as sheet:
        densities, uncertainty = (page.asarray() for page in sheet.pages)
        told = json.loads(sheet.pages[1].tags["ImageDescription"].value)  # type: ignore[union-attr]
    assert faults(told, "map") == []
    assert told["quantity"].startswith("expanded uncertainty (k = 2)")
    assert np.array_equal(np.isnan(uncertainty), np.isnan(densities))
    for number in range(4):
        column, row = 45 + 50 * number, 100
        box = (column / scan.px_per_mm_x, row / scan.px_per_mm_y, 1.5 / scan.px_per_mm_x, 1.5 / scan.px_per_mm_y)
        read = light.of_box(box, "here")
        # the uncertainty is worked out at every hundredth, the veil at every millimetre
        assert_allclose(uncertainty[row, column], read.uncertainty or 0.0, rtol=0.02)
    # nearer to open light more of it is scattered over the same density
    assert uncertainty[100, 218] > uncertainty[100, 195] > uncertainty[100, 45]


def test_the_veil_over_pixels_is_straight_between_its_nodes() -> None:
    scan, made = Scan.from_array(bands(), ppi=100), calibration()
    surveyed = surveyed_light(scan, made, lamp=None, glare=GLARES[1], correct=False)
    veil = light_on(scan, made, surveyed, lamp=None, glare=GLARES[1], correct=False).veil
    assert veil is not None
    x, y = np.linspace(0.0, 60.0, 37), np.linspace(0.0, 50.0, 41)
    for first in range(0, 41, 10):
        some = y[first : first + 10]
        places = np.meshgrid(some / veil.sizes[0] - 0.5, x / veil.sizes[1] - 0.5, indexing="ij")
        whole = np.tensordot(veil.shares, veil.maps, axes=1)
        expected = ndimage.map_coordinates(whole, places, order=1, mode="nearest")
        # single precision
        assert_allclose(veil.over_pixels(x, some, veil.shares), expected, rtol=1e-6)


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
        ("map scan.tif --out map.tif --calibration cal.json --highlight 1.5", "add --positive"),
        ("map scan.tif --out map.tif --calibration cal.json --positive --beyond 0", "leave out --positive"),
        ("map scan.tif --out map.tif --calibration cal.json --positive --paper none-such", "no paper test"),
    ],
)
def test_wrong_lines(here: Path, line: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    scan_of(here / "scan.tif", CODES)
    (here / "other.tif").write_bytes((here / "scan.tif").read_bytes().replace(b"tifffile", b"somebody"))
    assert run(line.split()) == 2
    assert said in capsys.readouterr().err
