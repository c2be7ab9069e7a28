"""One pass over a scan gives what plain numpy gives, however the file is cut; patches are read without dust."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy import ndimage

from densiscan.errors import MeasureError, UnreadableScanError
from densiscan.scan import grain, tally
from densiscan.scan import survey as survey_module
from densiscan.scan.formats import tiff_strips
from densiscan.scan.grain import independent_pixels, without_dust
from densiscan.scan.scan import Scan, open_scan
from densiscan.scan.survey import Survey, disc, patch, survey
from tests.support import handmade

Array = NDArray[Any]

PPI = 254  # ten pixels a millimetre


def scan_of(
    folder: Path, codes: Array, *, name: str = "scan.tif", ppi: tuple[int, int] = (PPI, PPI), **options: Any
) -> Scan:
    file = folder / name
    tifffile.imwrite(file, codes, resolution=ppi, resolutionunit=2, metadata=None, photometric="minisblack", **options)
    return open_scan(file)


def grainy(shape: tuple[int, int], seed: int = 1) -> Array:
    """Return a slope with noise, clipped at both ends here and there."""
    rng = np.random.default_rng(seed)
    slope = np.linspace(-3000, 68000, shape[1])[None, :]
    return np.clip(slope + rng.normal(size=shape, scale=1500), 0, 65535).astype(np.uint16)


def by_numpy(codes: Array, table: Array, result: Survey) -> dict[str, Array]:
    """Return each cell's figures one by one, by numpy's own mean and standard deviation."""
    x, y = result.x_edges_px, result.y_edges_px
    cells = [[codes[y[i] : y[i + 1], x[j] : x[j + 1]] for j in range(x.size - 1)] for i in range(y.size - 1)]

    def each(measure: Any) -> Array:
        return np.array([[measure(cell) for cell in row] for row in cells])

    return {
        "mean": each(lambda cell: table[cell].mean()),
        "sd": each(lambda cell: table[cell].std()),
        "clipped_light": each(lambda cell: np.mean(cell == table.size - 1)),
        "clipped_dark": each(lambda cell: np.mean(cell == 0)),
    }


def assert_matches(result: Survey, codes: Array, table: Array) -> None:
    for name, expected in by_numpy(codes, table, result).items():
        # Values are of order 1: 1e-12 is some thousand roundings. The clipped fractions are float32.
        tolerance = 1e-12 if name in ("mean", "sd") else 1e-7
        assert_allclose(getattr(result, name), expected, rtol=tolerance, atol=tolerance, err_msg=name)
    assert_array_equal(result.histogram, np.bincount(codes.ravel(), minlength=table.size))
    assert result.pixels == codes.size


def test_cells_of_ones_in_the_head(tmp_path: Path) -> None:
    codes = np.array([[0, 0, 65535, 65535], [0, 0, 0, 65535]], np.uint16)
    result = survey(scan_of(tmp_path, codes), cell_mm=0.2)
    assert_array_equal(result.x_edges_px, [0, 2, 4])
    assert_array_equal(result.y_edges_px, [0, 2])
    assert_allclose(result.x_edges_mm, [0, 0.2, 0.4], rtol=1e-14)
    assert_allclose(result.y_edges_mm, [0, 0.2], rtol=1e-14)
    assert_allclose(result.mean, [[0, 0.75]], rtol=0)
    assert_allclose(result.sd, [[0, np.sqrt(3) / 4]], rtol=1e-15)
    assert_allclose(result.clipped_light, [[0, 0.75]], rtol=0)
    assert_allclose(result.clipped_dark, [[1, 0.25]], rtol=0)
    assert result.histogram.sum() == result.histogram[0] + result.histogram[65535] == 8


@pytest.mark.parametrize("step", [7, 300, 600, 300_000])  # 600: three rows of a cell of seven
def test_against_plain_numpy(tmp_path: Path, step: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tally, "STEP_PIXELS", step)
    codes = grainy((133, 171))
    table = np.linspace(0, 1, 65536) ** 1.7
    result = survey(scan_of(tmp_path, codes, rowsperstrip=11), table=table, cell_mm=0.7)
    assert result.mean.shape == (19, 24)
    assert result.clipped_light.max() > 0.5
    assert result.clipped_dark.max() > 0.5
    assert_matches(result, codes, table)


def test_8_bits_against_plain_numpy(tmp_path: Path) -> None:
    codes = (grainy((60, 70)) >> 8).astype(np.uint8)
    result = survey(scan_of(tmp_path, codes))
    assert result.histogram.shape == (256,)
    assert_matches(result, codes, np.arange(256) / 255)


def test_an_even_area_has_no_false_spread(tmp_path: Path) -> None:
    codes = np.full((200, 300), 12345, np.uint16)
    table = np.full(65536, 0.1)
    result = survey(scan_of(tmp_path, codes, rowsperstrip=3), table=table)
    # The last bit of 0.1 is 1.4e-17: a sum of squares less a square of sums would leave 1e-9.
    assert_allclose(result.sd, 0, atol=1e-16)
    assert_allclose(result.mean, 0.1, rtol=1e-15)


LAYOUTS: list[dict[str, Any]] = [
    {"rowsperstrip": 1},
    {"rowsperstrip": 13, "compression": "lzw", "predictor": 2},
    {"compression": "adobe_deflate"},
    {"tile": (16, 48)},
    {"tile": (64, 16), "compression": "packbits"},
    {"byteorder": ">"},
    {"photometric": "miniswhite"},
]


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_same_whatever_the_strips_tiles_and_orientation(
    tmp_path: Path, layout: dict[str, Any], orientation: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    codes = grainy((67, 83))
    table = np.linspace(0, 1, 65536) ** 0.6
    plain = survey(scan_of(tmp_path, codes), table=table, cell_mm=0.5)
    # Undo the turning beforehand, so that the turned scan shows the same picture.
    transposed = orientation >= 5
    rows, columns = orientation in (3, 4, 7, 8), orientation in (2, 3, 6, 7)
    stored = codes[:: -1 if rows else 1, :: -1 if columns else 1]
    stored = np.ascontiguousarray(stored.T if transposed else stored)
    options = {"photometric": "minisblack", **layout}
    if options["photometric"] == "miniswhite":
        stored = 65535 - stored
    file = tmp_path / "turned.tif"
    tifffile.imwrite(
        file,
        stored,
        resolution=(PPI, PPI),
        resolutionunit=2,
        metadata=None,
        extratags=[(274, 3, 1, orientation, True)],
        **options,
    )
    monkeypatch.setattr(tiff_strips, "BLOCK_PIXELS", 600)
    turned = survey(open_scan(file), table=table, cell_mm=0.5)
    for name in ("mean", "sd"):
        # Sums of 25 values of order 1 in another order differ by a few roundings.
        assert_allclose(getattr(turned, name), getattr(plain, name), atol=1e-14, rtol=0, err_msg=name)
    for name in ("x_edges_px", "y_edges_px", "clipped_light", "clipped_dark", "histogram"):
        assert_array_equal(getattr(turned, name), getattr(plain, name), err_msg=name)


@pytest.mark.parametrize("layout", [{"rowsperstrip": 5}, {"tile": (16, 48), "compression": "lzw", "predictor": 2}])
@pytest.mark.parametrize("orientation", [1, 6])
def test_the_same_to_the_last_bit_on_one_thread_and_on_several(
    tmp_path: Path, layout: dict[str, Any], orientation: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tiff_strips, "BLOCK_PIXELS", 900)
    monkeypatch.setattr(tally, "STEP_PIXELS", 300)
    turned = [(274, 3, 1, orientation, True)]
    file = scan_of(tmp_path, grainy((133, 171)), extratags=turned, **layout).path
    one, *others = (survey(open_scan(file, threads=threads), cell_mm=0.7) for threads in (1, 2, 5))
    for other in others:
        for name in ("mean", "sd", "clipped_light", "clipped_dark", "histogram", "clip_code"):
            assert_array_equal(getattr(other, name), getattr(one, name), err_msg=name)


def test_damage_found_on_a_thread_is_the_same_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiff_strips, "BLOCK_PIXELS", 900)
    file = scan_of(tmp_path, grainy((133, 171)), rowsperstrip=5, compression="lzw").path
    with tifffile.TiffFile(file) as tif:
        offset = tif.pages[0].dataoffsets[7]
    raw = bytearray(file.read_bytes())
    raw[offset : offset + 40] = b"\xff" * 40
    file.write_bytes(raw)
    told = []
    for threads in (1, 4):
        with pytest.raises(UnreadableScanError) as caught:
            survey(open_scan(file, threads=threads))
        told.append(str(caught.value))
    assert told[0] == told[1]


def test_a_narrow_full_scale_below_the_file_s_is_no_limit(tmp_path: Path) -> None:
    # The largest code of ten bits in a scan of twelve is a code like any other.
    codes = np.minimum(grainy((40, 40)) >> 5, 1023).astype(np.uint16)
    file = scan_of(tmp_path, codes, extratags=[(281, 3, 1, 4095, True)]).path
    scan = open_scan(file)
    assert scan.facts.full_scale == 4095
    assert survey(scan).clipped_light.max() == 0


@given(
    size=st.tuples(st.integers(1, 40), st.integers(1, 40)),
    cell=st.floats(0.01, 5),
    ppi=st.tuples(st.integers(20, 600), st.integers(20, 600)),
)
@settings(max_examples=60, deadline=None)
def test_any_size_and_cell(
    tmp_path_factory: pytest.TempPathFactory, size: tuple[int, int], cell: float, ppi: tuple[int, int]
) -> None:
    codes = np.random.default_rng(4).integers(0, 65536, size, np.uint16)
    result = survey(scan_of(tmp_path_factory.mktemp("any"), codes, ppi=ppi), cell_mm=cell)
    assert_matches(result, codes, np.arange(65536) / 65535)
    for edges, length in ((result.x_edges_px, size[1]), (result.y_edges_px, size[0])):
        widths = np.diff(edges)
        assert (edges[0], edges[-1]) == (0, length)
        assert widths.min() > 0
        # All but the last cell are alike; the last is from half to one and a half of the others.
        assert np.unique(widths[:-1]).size <= 1
        if widths.size > 1:
            assert 0.5 <= widths[-1] / widths[0] < 1.5


def test_a_scan_of_too_many_cells_gets_larger_ones(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survey_module, "_MOST_CELLS", 100)
    codes = grainy((60, 60))
    result = survey(scan_of(tmp_path, codes), cell_mm=0.1)
    assert result.mean.shape == (10, 10)
    assert_allclose(result.cell_mm, 0.6, rtol=1e-12)


def test_arrays_are_read_only(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, grainy((20, 20)))
    result, measured = survey(scan), patch(scan, box_mm=(0, 0, 1, 1))
    for array in (result.mean, result.sd, result.histogram, result.x_edges_px, measured.values, measured.counts):
        with pytest.raises(ValueError, match="read-only"):
            array[:1] = 0


@pytest.mark.parametrize("table", [np.zeros(256), np.zeros((65536, 1))])
def test_a_table_of_another_length(tmp_path: Path, table: Array) -> None:
    with pytest.raises(ValueError, match="65536 entries"):
        survey(scan_of(tmp_path, grainy((9, 9))), table=table)


@pytest.mark.parametrize("cell", [0, -1, float("nan")])
def test_a_cell_of_no_size(tmp_path: Path, cell: float) -> None:
    with pytest.raises(ValueError, match="must have a size"):
        survey(scan_of(tmp_path, grainy((9, 9))), cell_mm=cell)


@pytest.mark.parametrize("top", [1023, 4095, 16383, 65520, 65532, 65472])
def test_clipped_at_the_top_of_fewer_bits_kept_in_16(tmp_path: Path, top: int) -> None:
    codes = np.minimum(grainy((120, 140)), top)
    scan = scan_of(tmp_path, codes, rowsperstrip=10)
    result = survey(scan, cell_mm=0.5)
    assert result.clip_code == top
    assert_allclose(result.clipped_light.mean(), np.mean(codes == top), rtol=1e-6)
    measured = patch(scan, box_mm=(0, 0, 14, 12))
    assert measured.clip_code == top
    assert_allclose(measured.clipped_light, np.mean(codes == top), rtol=1e-12)


def test_nothing_counts_as_clipped_below_a_larger_code(tmp_path: Path) -> None:
    codes = np.minimum(grainy((120, 140)), 4095)
    codes[100, 3] = 5000
    result = survey(scan_of(tmp_path, codes, rowsperstrip=10), cell_mm=0.5)
    assert result.clip_code == 65535
    assert_array_equal(result.clipped_light, 0)


def test_patch_against_plain_numpy(tmp_path: Path) -> None:
    codes = grainy((90, 110))
    table = np.linspace(0, 1, 65536) ** 1.7
    measured = patch(scan_of(tmp_path, codes), box_mm=(1.0, 2.0, 3.0, 4.0), table=table)
    part = codes[20:60, 10:40]
    assert measured.pixels == part.size == measured.counts.sum()
    assert_allclose((measured.mean, measured.sd), (table[part].mean(), table[part].std()), rtol=1e-13)
    assert_array_equal(np.repeat(measured.values, measured.counts), np.sort(part.ravel()))
    assert_allclose(measured.clipped_dark, np.mean(part == 0), rtol=1e-14)


def test_patch_is_cut_at_the_edge_of_the_scan(tmp_path: Path) -> None:
    codes = grainy((50, 60))
    measured = patch(scan_of(tmp_path, codes), box_mm=(-5, 4, 6, 50))
    assert_allclose(measured.mean, (codes[40:, :10] / 65535).mean(), rtol=1e-13)


def test_patch_outside_the_scan(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, grainy((50, 60)))
    with pytest.raises(MeasureError, match=r"The box 7,1,2,2 mm holds no pixel of .*scan.tif; give a box inside"):
        patch(scan, box_mm=(7, 1, 2, 2))


@pytest.mark.parametrize("square", [False, True])
def test_disc_against_plain_numpy(tmp_path: Path, *, square: bool) -> None:
    codes = grainy((90, 110))
    measured = disc(scan_of(tmp_path, codes), x_mm=5.0, y_mm=4.0, diameter_mm=2.0, square=square)
    y, x = (np.indices(codes.shape) + 0.5) / 10
    near = (abs(x - 5) <= 1) & (abs(y - 4) <= 1) if square else np.hypot(x - 5, y - 4) <= 1
    assert measured.pixels == near.sum()
    assert_allclose((measured.mean, measured.sd), (codes[near].mean() / 65535, codes[near].std() / 65535), rtol=1e-12)


def test_disc_is_round_where_resolutions_differ(tmp_path: Path) -> None:
    codes = np.zeros((200, 100), np.uint16)
    measured = disc(scan_of(tmp_path, codes, ppi=(254, 508)), x_mm=5, y_mm=5, diameter_mm=4)
    # Area of the circle times ten by twenty pixels a square millimetre; the rim of some 170 pixels is cut by centres.
    assert_allclose(measured.pixels, np.pi * 4 * 200, rtol=0.01)


def test_disc_smaller_than_a_pixel_is_the_pixel_under_it(tmp_path: Path) -> None:
    codes = grainy((50, 60))
    measured = disc(scan_of(tmp_path, codes), x_mm=3.19, y_mm=2.01, diameter_mm=0.01)
    assert_allclose(measured.mean, codes[20, 31] / 65535, rtol=1e-14)
    assert (measured.pixels, measured.independent) == (1, 1)


def test_disc_whose_centre_is_not_on_the_scan(tmp_path: Path) -> None:
    with pytest.raises(MeasureError, match=r"The spot 6.5,1 mm is not on .*scan.tif; give a spot inside"):
        disc(scan_of(tmp_path, grainy((50, 60))), x_mm=6.5, y_mm=1, diameter_mm=1)


def test_dust_does_not_shift_a_reading(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    codes = (30000 + rng.normal(size=(200, 200), scale=300)).astype(np.uint16)
    even = patch(scan_of(tmp_path, codes), box_mm=(0, 0, 20, 20))
    for _ in range(25):
        row, column = rng.integers(0, 190, 2)
        codes[row : row + 6, column : column + 6] = rng.choice([2000, 65535])
    dusty = patch(scan_of(tmp_path, codes, name="dusty.tif"), box_mm=(0, 0, 20, 20))
    assert abs(dusty.mean - even.mean) > 1e-3
    # 300 codes over 40,000 pixels scatter by 2e-5 of full scale; less than 3 % of the pixels are left out.
    assert_allclose(dusty.clean_mean, even.mean, atol=2e-5)
    assert_allclose(dusty.clean_sd, even.sd, rtol=0.03)
    assert 38_000 < dusty.clean_pixels < 39_500
    assert even.clean_pixels == 40_000


def test_no_even_block_is_taken_for_dust() -> None:
    values = np.random.default_rng(8).normal(size=(400, 400))
    clean = without_dust(values, np.ones(values.shape, bool), block=(2, 2), one_code=0.0)
    # 4 standard deviations are passed by 6.3e-5 of a normal distribution: 2.5 of 40,000 blocks, 10 pixels.
    assert np.count_nonzero(~clean) <= 40


def test_codes_that_differ_by_one_are_no_dust() -> None:
    values = np.zeros((60, 60))
    values[:6] = 1e-5
    used = np.ones(values.shape, bool)
    assert_array_equal(without_dust(values, used, block=(3, 3), one_code=1.5e-5), used)


def blurred(sigma: float, shape: tuple[int, int], seed: int) -> Array:
    margin = 20
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=(shape[0] + 2 * margin, shape[1] + 2 * margin))
    filtered: Array = ndimage.gaussian_filter(noise, sigma, truncate=6) if sigma else noise
    return filtered[margin:-margin, margin:-margin]


@pytest.mark.parametrize("sigma", [0.0, 0.7, 1.0, 2.0, 3.0])
def test_independent_pixels_of_noise_through_a_point_spread(sigma: float) -> None:
    shape = (160, 200)
    found = [independent_pixels(blurred(sigma, shape, seed), np.ones(shape, bool)) for seed in range(12)]
    # White noise through a Gaussian of this sigma has the noise-equivalent area 4 pi sigma^2. One estimate sums some
    # (6 sigma)^2 lags of scatter 1/sqrt(n): up to 20 % for the widest here, a third of that in the mean of twelve.
    expected = shape[0] * shape[1] / max(1.0, 4 * np.pi * sigma**2)
    assert_allclose(np.mean(found), expected, rtol=0.08)
    assert_allclose(found, expected, rtol=0.5)
    assert max(found) <= shape[0] * shape[1]


def test_independent_pixels_foretell_the_scatter_of_means() -> None:
    sigma, shape = 1.5, (60, 60)
    patches = [blurred(sigma, shape, seed) for seed in range(400)]
    scatter = np.std([part.mean() for part in patches])
    used = np.ones(shape, bool)
    foretold = np.sqrt(np.mean([part.var() / independent_pixels(part, used) for part in patches]))
    # The scatter of 400 means is known to 1/sqrt(800), 3.5 %; removing a plane takes a little off.
    assert_allclose(foretold, scatter, rtol=0.12)


def test_a_slope_of_light_does_not_pass_for_grain() -> None:
    shape = (100, 100)
    slope = np.add.outer(np.arange(100.0), np.arange(100.0))
    used = np.ones(shape, bool)
    # White noise under a slope fifty times as strong; see above for the tolerance.
    assert_allclose(independent_pixels(blurred(0, shape, 3) + slope, used), 10_000, rtol=0.15)


def test_independent_pixels_through_a_round_aperture() -> None:
    shape = (81, 81)
    rows, columns = np.indices(shape) - 40
    inside = np.hypot(rows, columns) <= 40
    found = [independent_pixels(blurred(1.0, shape, seed), inside) for seed in range(20)]
    # 5,000 pixels: the sum over some 40 lags scatters by about 10 %, the mean of twenty by a few.
    assert_allclose(np.mean(found), inside.sum() / (4 * np.pi), rtol=0.15)


@pytest.mark.parametrize("values", [np.zeros((40, 40)), np.ones((3, 3))])
def test_independent_pixels_without_noise_are_all(values: Array) -> None:
    assert_allclose(independent_pixels(values, np.ones(values.shape, bool)), values.size, rtol=0)


def test_sharpened_noise_has_no_more_independent_pixels_than_pixels() -> None:
    noise = blurred(0, (100, 100), 5)
    sharpened = noise + 0.5 * (noise - ndimage.uniform_filter(noise, 3))
    found = independent_pixels(sharpened, np.ones(noise.shape, bool))
    assert_allclose(found, noise.size, rtol=1e-12)


@given(shape=st.tuples(st.integers(1, 30), st.integers(1, 30)), seed=st.integers(0, 1000), share=st.floats(0, 1))
@settings(max_examples=100, deadline=None)
def test_independent_pixels_stay_between_one_and_all(shape: tuple[int, int], seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    used = rng.random(shape) < share
    used[0, 0] = True
    found = independent_pixels(np.cumsum(rng.normal(size=shape), axis=1), used)
    assert 1 <= found <= used.sum()


def test_large_patches_are_judged_by_their_middle(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(grain, "_LARGEST_SIDE", 100)
    values = blurred(1.0, (300, 100), 2)
    values[:80] = 0
    expected = 30_000 / (4 * np.pi)
    # The middle hundred rows stand for all; their 10,000 pixels give the sum to about 10 %.
    assert_allclose(independent_pixels(values, np.ones(values.shape, bool)), expected, rtol=0.3)


def test_min_is_white_counts_its_zero_as_light(tmp_path: Path) -> None:
    codes = np.array([[0, 65535], [0, 65535]], np.uint16)
    raw = handmade.tiff((2, 2), [codes.tobytes()], tags={262: (handmade.SHORT, [0])})
    file = tmp_path / "scan.tif"
    file.write_bytes(raw)
    result = survey(open_scan(file), cell_mm=25.4 / 300)
    assert_array_equal(result.clipped_light, [[1, 0], [1, 0]])
    assert_array_equal(result.clipped_dark, [[0, 1], [0, 1]])
