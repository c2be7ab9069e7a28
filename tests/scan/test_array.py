"""Arrays as scans, and scans as arrays."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.testing import assert_allclose, assert_array_equal

from densiscan import (
    Label,
    MeasureOptions,
    Run,
    Scan,
    calibrate_scan,
    density_map,
    measure_files,
    measure_scan,
    open_notebook,
    open_scan,
    read_calibration,
    read_wedge,
    write_calibration,
)
from densiscan.errors import DensiscanError, UnreadableScanError, WrongUseError
from densiscan.scan.channels import other_channels
from tests.support.made_up import calibration

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
NOISE = np.random.default_rng(11)
GRAY = NOISE.integers(0, 65536, (70, 90), dtype=np.uint16)
COLOUR = NOISE.integers(0, 65536, (40, 60, 3), dtype=np.uint16)


@given(arrays.arrays(st.sampled_from([np.uint8, np.uint16]), arrays.array_shapes(min_dims=2, max_dims=2, max_side=30)))
def test_an_array_comes_back_from_its_scan(codes: npt.NDArray[Any]) -> None:
    scan = Scan.from_array(codes, ppi=600)
    back = np.asarray(scan)
    assert back.dtype == codes.dtype
    assert_array_equal(back, codes)
    assert (scan.height_px, scan.width_px, scan.ppi_x, scan.ppi_y) == (*codes.shape, 600.0, 600.0)
    assert not np.shares_memory(back, codes)


def test_blocks_cover_each_pixel_once_whatever_order_the_array_lies_in() -> None:
    wide = NOISE.integers(0, 65536, (1100, 1000), dtype=np.uint16)
    for codes in (wide, wide.T, wide[::-1, ::2], wide.astype(">u2"), wide[:3]):
        seen = np.zeros(codes.shape, int)
        for block in (scan := Scan.from_array(codes, ppi=300)).blocks():
            rows, columns = block.codes.shape
            place = (slice(block.top, block.top + rows), slice(block.left, block.left + columns))
            seen[place] += 1
            assert_array_equal(block.codes, codes[place])
            assert block.codes.dtype == np.uint16
        assert (seen == 1).all()
        assert_array_equal(scan.region(1, 5, 2, 7), codes[1:3, 5:12])


def test_a_file_is_an_array_as_another_library_reads_it() -> None:
    assert_array_equal(np.asarray(open_scan(SAMPLES / "normal.tif")), tifffile.imread(SAMPLES / "normal.tif"))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_an_array_stands_as_the_orientation_says(tmp_path: Path, orientation: int) -> None:
    tifffile.imwrite(
        tmp_path / "scan.tif",
        GRAY,
        resolution=(300, 300),
        photometric="minisblack",
        extratags=[(274, "H", 1, orientation, True)],
    )
    upright = np.asarray(open_scan(tmp_path / "scan.tif"))
    # TIFF 6.0, tag 274: where row 0 and column 0 of the file stand, by each orientation.
    turned = {
        1: GRAY,
        2: GRAY[:, ::-1],
        3: GRAY[::-1, ::-1],
        4: GRAY[::-1],
        5: GRAY.T,
        6: GRAY.T[:, ::-1],
        7: GRAY.T[::-1, ::-1],
        8: GRAY.T[::-1],
    }
    assert_array_equal(upright, turned[orientation])


def test_what_is_asked_of_the_array_is_kept() -> None:
    scan = Scan.from_array(GRAY, ppi=300)
    assert np.asarray(scan, dtype=np.float64).dtype == np.float64
    assert_array_equal(np.asarray(scan, dtype=np.float64), GRAY)
    with pytest.raises(ValueError, match="copy"):
        scan.__array__(copy=False)


def test_gray_of_colour_is_green_and_every_channel_is_there() -> None:
    scan = Scan.from_array(COLOUR, ppi=300)
    assert scan.channel == "green"
    assert [warning.code for warning in scan.warnings] == ["gray-from-green"]
    assert_array_equal(np.asarray(scan), COLOUR[:, :, 1])
    red, blue = other_channels(scan)
    assert_array_equal(np.asarray(red), COLOUR[:, :, 0])
    assert_array_equal(np.asarray(blue), COLOUR[:, :, 2])
    blue_of_four = Scan.from_array(np.dstack([COLOUR, COLOUR[:, :, :1]]), ppi=300, channel="blue")
    assert_array_equal(np.asarray(blue_of_four), COLOUR[:, :, 2])
    assert blue_of_four.facts.channels == 4


def test_floats_from_0_to_1_become_16_bit_codes() -> None:
    light = np.linspace(0.0, 1.0, 12).reshape(3, 4)
    assert_array_equal(np.asarray(Scan.from_array(light, ppi=300)), np.rint(65535 * light))
    for wrong in (1.5, -0.5, np.nan):
        with pytest.raises(UnreadableScanError, match=r"my array holds .* outside 0 to 1"):
            np.asarray(Scan.from_array(np.full((3, 3), wrong), ppi=300, name="my array"))


@pytest.mark.parametrize(
    ("codes", "options", "said"),
    [
        (np.zeros(5, np.uint8), {}, "array of 5 is not a scan"),
        (np.zeros((5, 5, 2), np.uint8), {}, "array of 5 by 5 by 2 is not a scan"),
        (np.zeros((0, 5), np.uint8), {}, "array of 0 by 5 is not a scan"),
        (7, {}, "one number is not a scan"),
        (np.zeros((5, 5), np.int32), {}, "int32 holds no codes; give uint8 or uint16"),
        (np.zeros((5, 5), complex), {}, "holds no codes"),
        (np.zeros((5, 5), np.uint8), {"ppi": 0}, "resolution of 0"),
        (np.zeros((5, 5), np.uint8), {"ppi": float("nan")}, "resolution of nan"),
        (np.zeros((5, 5), np.uint8), {"channel": "cyan"}, "no channel cyan"),
    ],
)
def test_what_is_no_scan_is_refused(codes: Any, options: dict[str, Any], said: str) -> None:
    with pytest.raises(WrongUseError, match=said):
        Scan.from_array(codes, **{"ppi": 300} | options)


def test_a_gray_array_has_no_red() -> None:
    with pytest.raises(DensiscanError, match="gray scan"):
        Scan.from_array(GRAY, ppi=300, channel="red")


def test_an_array_is_read_as_the_file_it_was_read_from() -> None:
    """Wedge and negative by file and by array: the same curve and the same densities, to the order of summing."""
    label = Label(name="mine", created="2026-03-01T19:30:00+00:00")
    wedge = read_wedge(SAMPLES / "wedge.csv")
    pictures = [open_scan(SAMPLES / name) for name in ("wedge.tif", "normal.tif")]
    of_arrays = [Scan.from_array(np.asarray(scan), ppi=300, name=scan.facts.file) for scan in pictures]
    by_file, by_array = (calibrate_scan(one[0], wedge, label=label) for one in (pictures, of_arrays))
    assert_allclose(by_array.fit, by_file.fit, atol=1e-9)
    options = MeasureOptions(frame_mm=(12.0, 10.0, 70.0, 45.0))
    (one,), (other,) = (
        measure_scan(scan, curve, options) for scan, curve in ((pictures[1], by_file), (of_arrays[1], by_array))
    )
    assert one.density_range is not None
    assert other.density_range is not None
    assert_allclose(other.density_range.value, one.density_range.value, atol=1e-9)
    assert other.file == "normal.tif"


# Densities of arrays.


def test_densities_of_an_array_of_any_shape() -> None:
    """The made-up scanner is linear: density is -log10 of the signal; known from 0.05 to 2.45."""
    curve = calibration()
    for shape in ((), (4,), (2, 3), (2, 3, 4)):
        signal = NOISE.uniform(0.004, 0.89, shape)
        found = curve.density(signal)
        assert np.shape(found) == shape
        assert_allclose(found, -np.log10(signal), atol=1e-9)
    assert type(curve.density(0.5)) is float
    assert_array_equal(np.isnan(curve.density([0.89, 0.9, 0.0036, 0.0035, 0.0, -1.0, np.nan])), [0, 1, 0, 1, 1, 1, 1])


def test_the_density_of_a_signal_is_that_of_the_map_and_of_the_table() -> None:
    """By the shipped wedge: a map of a scan, pixel by pixel, and -log10 of the transmittance in the table."""
    curve = calibrate_scan(
        open_scan(SAMPLES / "wedge.tif"), read_wedge(SAMPLES / "wedge.csv"), label=Label(name="m", created="2026-03-01")
    )
    scan = open_scan(SAMPLES / "thin.tif")
    densities = curve.density(np.asarray(scan) / scan.facts.full_scale)
    # the map has single precision
    assert_allclose(density_map(scan, curve), densities, atol=1e-6)
    table = curve.table(65535)
    inside = np.isfinite(curve.density(np.arange(65536) / 65535))
    assert inside.sum() > 10000
    assert_allclose(curve.density(np.arange(65536)[inside] / 65535), -np.log10(table[inside]), atol=1e-12)


def test_a_path_is_a_text_or_anything_that_stands_for_one(tmp_path: Path) -> None:
    class Place:
        def __init__(self, path: Path) -> None:
            self.path = path

        def __fspath__(self) -> str:
            return str(self.path)

    for place in (Place(tmp_path / "a.json"), str(tmp_path / "b.json")):
        write_calibration(calibration(), place)
        assert read_calibration(place).steps[3].reading == calibration().steps[3].reading
    assert open_scan(Place(SAMPLES / "normal.tif")).facts == open_scan(str(SAMPLES / "normal.tif")).facts
    assert read_wedge(Place(SAMPLES / "wedge.csv")) == read_wedge(str(SAMPLES / "wedge.csv"))
    absent = measure_files(["absent.tif", Place(tmp_path / "none.tif")], calibration())
    assert [failure.path for failure in absent.failures] == [Path("absent.tif"), tmp_path / "none.tif"]
    assert [failure.path for failure in measure_files("absent.tif", calibration()).failures] == [Path("absent.tif")]
    with open_notebook(str(tmp_path / "notebook.sqlite")) as book:
        book.add_run(
            Run(number=0, film="Meadow-100", developer="Borax", date="2026-03-01", time_s=480.0, temperature_c=20.0)
        )
        book.backup(str(tmp_path / "copy.sqlite"))
        assert repr(book) == f"<Notebook {tmp_path / 'notebook.sqlite'}>"
    assert {"notebook.sqlite", "copy.sqlite"} <= {file.name for file in tmp_path.iterdir()}
