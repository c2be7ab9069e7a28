"""The rendered scanner and film against what can be worked out by hand or with an independent tool."""

from __future__ import annotations

import ast
import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from densiscan.errors import WrongUseError
from tests.renderer import (
    SCENES,
    TONES,
    FilmCurve,
    Picture,
    Place,
    Scanner,
    WedgeLayout,
    encoded,
    faultless,
    render_bed,
    write_scan,
)
from tests.renderer.bed import Array, blurred
from tests.renderer.film import grain
from tests.renderer.scanner import lamp_light, scanned, scattered
from tests.renderer.scenes import luminance

PACKAGE = Path(__file__).resolve().parents[2] / "densiscan"


def _even(density: float, shape: tuple[int, int] = (200, 200)) -> Array:
    return np.full(shape, 10.0**-density, np.float32)


def _scan(light: Array, scanner: Scanner, seed: int = 1) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return scanned(light, scanner, np.random.default_rng(seed)).astype(np.float64)


def test_renderer_shares_nothing_with_the_analyser_but_the_errors() -> None:
    for path in PACKAGE.glob("sample*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                ours = name.split(".")[0] == "densiscan"
                assert not ours or name == "densiscan.errors" or name.startswith("tests.renderer"), (path.name, name)


@pytest.mark.parametrize("density", [0.0, 0.05, 0.3, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_faultless_code_is_full_scale_times_transmittance(density: float, bits: int) -> None:
    codes = _scan(_even(density), faultless(bits=bits))
    # half a code of rounding, and single precision (6e-8 relative) below it
    assert_allclose(codes, (2**bits - 1) * 10.0**-density, atol=0.51)


def test_density_one_and_two_by_hand() -> None:
    # 65535/10 = 6553.5 and 65535/100 = 655.35
    assert_allclose(_scan(_even(2.0), faultless()), 655, atol=0)
    assert_allclose(_scan(_even(1.0), faultless()), 6553.5, atol=0.5)


@pytest.mark.parametrize("side_um", [20.0, 42.54, 84.67, 169.3])
@pytest.mark.parametrize("silver", [0.25, 1.0, 2.25])
def test_grain_follows_selwyn(side_um: float, silver: float) -> None:
    factor = grain(np.full((400, 400), silver, np.float32), 12.0, side_um / 1000, np.random.default_rng(3))
    # granularity 12: sd 0.012 over the disc of 48 um (1809.6 um2) at silver density 1; sd * sqrt(area) constant;
    # growing as sqrt(density). 160,000 pixels know an sd to 0.2 %: 1 % is 5 standard errors.
    expected = 0.012 * math.sqrt(1809.557 / side_um**2) * math.sqrt(silver)
    assert_allclose(np.std(np.log10(factor)), expected, rtol=0.01)


def test_grain_is_white_and_keeps_the_mean_transmittance() -> None:
    factor = grain(np.ones((512, 512), np.float32), 16.0, 0.0423, np.random.default_rng(4)).astype(np.float64)
    single = float(np.std(factor))
    blocks = factor.reshape(64, 8, 64, 8).mean(axis=(1, 3))
    # the mean of 64 independent pixels spreads 8 times less; 4096 blocks: 1.1 % standard error
    assert_allclose(np.std(blocks), single / 8, rtol=0.05)
    # standard error of the mean is single/512
    assert_allclose(factor.mean(), 1.0, atol=4 * single / 512)


def test_srgb_tone_against_published_decoding(shared_data: Path) -> None:
    # colour-science 0.4.7 eotf_sRGB, table beside this checkout: linear value of each 8-bit code
    lines = (shared_data / "reference" / "colour_science_srgb.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    linear = np.array([float(row["linear"]) for row in rows], np.float32)
    codes = np.array([float(row["code8"]) for row in rows])
    # the table has ten digits and we compute in single precision: 1e-4 of a code is ample
    assert_allclose(encoded(linear, "srgb") * 255, codes, atol=2e-4)


def test_tones_by_hand() -> None:
    value = np.array([0.0, 0.25, 1.0], np.float32)
    # 0.25**(1/2.2) = exp(-1.386294/2.2) = 0.53252; 0.25**(1/1.8) = exp(-0.770163) = 0.46294
    assert_allclose(encoded(value, "linear"), value, atol=0)
    assert_allclose(encoded(value, "2.2"), [0, 0.53252, 1], atol=1e-5)
    assert_allclose(encoded(value, "1.8"), [0, 0.46294, 1], atol=1e-5)
    # density 1.8 of 3.6 is half scale
    assert_allclose(encoded(np.array([10**-1.8], np.float32), "log"), [0.5], atol=1e-6)


@pytest.mark.parametrize("tone", TONES)
def test_tones_rise_from_black_to_white(tone: str) -> None:
    out = encoded(np.linspace(0, 1, 5001, dtype=np.float32), tone)  # type: ignore[arg-type]
    assert np.all(np.diff(out) >= 0)
    assert_allclose(out[[0, -1]], [0, 1], atol=1e-6)


def test_glare_leaves_an_even_field_alone() -> None:
    codes = _scan(_even(0.3), replace(faultless(), glare=0.02))
    # (1 - g) T + g T = T
    assert_allclose(codes, 65535 * 10**-0.3, atol=1.0)


def test_black_spot_on_open_glass_reads_the_stated_glare() -> None:
    light = np.ones((900, 900), np.float32)
    light[445:455, 445:455] = 0.0
    codes = _scan(light, replace(faultless(), glare=0.01))
    # the spot of 0.85 mm side takes 0.7 mm2 of the near half of the glare, 0.5 * 0.72/(2 pi 2.5**2) = 0.9 %
    assert_allclose(codes[448:452, 448:452] / 65535, 0.01 * (1 - 0.009), rtol=0.01)


def test_glare_at_a_straight_edge_is_half() -> None:
    light = np.zeros((600, 1200), np.float32)
    light[:, 600:] = 1.0
    spread = scattered(light, 300.0)
    # by symmetry; cells of 1 mm stretched back are exact on the edge, which lies on a cell border
    assert_allclose(spread[:, 599:601].mean(axis=1), 0.5, atol=0.01)
    assert_allclose(spread + spread[:, ::-1], 1.0, atol=1e-4)


def test_stray_light_adds_a_constant() -> None:
    codes = _scan(_even(3.0), replace(faultless(), stray=0.004))
    assert_allclose(codes / 65535, 0.005, atol=1e-5)


def test_blur_against_scipy() -> None:
    from scipy.ndimage import gaussian_filter

    image = np.random.default_rng(5).random((60, 80)).astype(np.float32)
    # both cut at 4 sigma; scipy rounds the reach, we take the next whole pixel: 1e-5 of the kernel's weight
    assert_allclose(blurred(image, 1.7), gaussian_filter(image, 1.7, mode="nearest", truncate=4.0), atol=3e-5)


def test_point_spread_width_on_an_edge() -> None:
    light = np.zeros((8, 4000), np.float32)
    light[:, 2000:] = 1.0
    codes = _scan(light, replace(faultless(ppi=2540.0), psf_um=100.0)).mean(axis=0) / 65535
    x = np.arange(4000) * 10.0
    low, high = np.interp([0.158655, 0.841345], codes, x)
    # an edge blurred by a Gaussian rises from 15.9 to 84.1 % over two standard deviations: 200 um at 10 um pixels
    assert_allclose(high - low, 200.0, atol=1.0)


@pytest.mark.parametrize(("density", "electrons", "read"), [(0.1, 20_000, 0.0), (1.0, 20_000, 0.0), (5.0, 20_000, 8.0)])
def test_noise_by_the_electron_model(density: float, electrons: float, read: float) -> None:
    scanner = replace(faultless(), shot_electrons=electrons, read_noise=read, offset=0.05)
    codes = _scan(_even(density, (500, 500)), scanner)
    # electrons n = N T; variance n + read^2. 250,000 pixels: 0.14 % standard error
    expected = math.sqrt(electrons * 10**-density + read**2) / electrons * 65535
    assert_allclose(np.std(codes), expected, rtol=0.01)


def test_gain_clips_and_offset_shifts() -> None:
    assert_array_equal(_scan(_even(0.0), replace(faultless(), gain=1.1)), 65535)
    assert_allclose(_scan(_even(1.0), replace(faultless(), gain=1.1)), 65535 * 0.11, atol=0.51)
    assert_allclose(_scan(_even(1.0), replace(faultless(), offset=0.01)), 65535 * 0.11, atol=0.51)
    assert_array_equal(_scan(_even(3.0), replace(faultless(), offset=-0.002)), 0)


def test_inverted_scan_is_the_complement() -> None:
    plain, positive = (
        _scan(_even(0.7), replace(faultless(), tone="2.2", inverted=inverted)) for inverted in (False, True)
    )
    # each is rounded on its own
    assert_allclose(plain + positive, 65535, atol=1)


def test_lamp_has_the_stated_span_and_stays_the_same() -> None:
    scanner = Scanner(lamp=0.02, lamp_seed=9)
    light = lamp_light((300, 400), scanner)
    # stretching the map from 33 cells loses at most half a cell at the border
    assert_allclose(np.ptp(light), 0.04, rtol=0.08)
    assert_allclose(light.mean(), 1.0, atol=0.003)
    assert_array_equal(light, lamp_light((300, 400), scanner))


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    wedge = WedgeLayout(densities=(0.1, 0.5, 1.0), place=Place(x_mm=15, y_mm=10, angle_deg=1.0), numerals=True)
    files = []
    for number, seed in enumerate((7, 7, 8)):
        path = tmp_path / f"{number}.tif"
        write_scan(render_bed([wedge], Scanner(ppi=150.0), seed=seed, size_mm=(30, 20)), path)
        files.append(path.read_bytes())
    assert files[0] == files[1]
    assert files[0] != files[2]


CURVES = st.builds(
    FilmCurve,
    contrast=st.floats(0.3, 1.2),
    toe=st.floats(0.05, 0.3),
    shoulder=st.floats(0.05, 0.4),
    maximum_net=st.floats(1.5, 3.2),
    speed_log_h=st.floats(-3, 0),
)


@given(curve=CURVES)
def test_speed_point_is_where_the_curve_says(curve: FilmCurve) -> None:
    # ISO 6: the speed point lies 0.10 above base plus fog
    assert_allclose(curve.net(np.array([curve.speed_log_h], np.float32)), [0.10], atol=1e-5)


@given(curve=CURVES, net=st.floats(0.02, 1.4))
def test_curve_there_and_back(curve: FilmCurve, net: float) -> None:
    # single precision in net(): 1e-6 of a density near 2, and the slope is at most 1.2
    assert_allclose(curve.net(np.array([curve.log_h(net)], np.float32)), [net], atol=3e-5)


def test_curve_has_toe_straight_part_and_shoulder() -> None:
    curve = FilmCurve(contrast=0.6, toe=0.1, shoulder=0.1, maximum_net=3.0)
    log_h = curve.foot + np.array([-3.0, 1.0, 2.0, 9.0], np.float32)
    net = curve.net(log_h)
    # far below the foot nothing; slope 0.6 between one and two decades above it; the maximum in the end
    assert_allclose(net[0], 0.0, atol=1e-6)
    assert_allclose(net[2] - net[1], 0.6, atol=1e-5)
    assert_allclose(net[1], 0.6, atol=1e-4)
    assert_allclose(net[3], 3.0, atol=1e-4)
    assert np.all(np.diff(curve.net(np.linspace(-8, 3, 2000, dtype=np.float32))) >= -1e-6)


@pytest.mark.parametrize("scene", sorted(SCENES))
def test_scenes_have_the_range_asked_for_and_the_spectrum_of_photographs(scene: str) -> None:
    stops = luminance(Picture(scene=scene, seed=2, range_stops=6.0, falloff_stops=0.0), (320, 400))
    # the percentiles are set on every third row and column of the picture
    assert_allclose(np.quantile(stops, (0.01, 0.99)), [0.0, 6.0], atol=0.15)
    spectrum = np.abs(np.fft.fft2(stops - stops.mean()))
    radius = np.hypot(np.fft.fftfreq(320)[:, None] * 320, np.fft.fftfreq(400)[None, :] * 320)
    rings = [spectrum[(radius >= low) & (radius < 2 * low)].mean() for low in (2, 4, 8, 16, 32, 64)]
    slope = np.polyfit(np.log2([2, 4, 8, 16, 32, 64]), np.log2(rings), 1)[0]
    # amplitude spectra of natural scenes fall about as 1 / f (D. J. Field 1987, J. Opt. Soc. Am. A 4, 2379), with an
    # exponent that differs from picture to picture; the bounds leave out white noise (0) and plain gradients (2)
    assert -1.9 < slope < -0.6


def test_scenes_vary_with_the_seed_and_repeat_with_it() -> None:
    first, again, other = (luminance(Picture(scene="mill", seed=seed), (90, 120)) for seed in (1, 1, 2))
    assert_array_equal(first, again)
    assert np.abs(first - other).max() > 0.5


def test_picture_turns_and_mirrors() -> None:
    plain = luminance(Picture(scene="bust", falloff_stops=0.0), (80, 60))
    turned = luminance(Picture(scene="bust", falloff_stops=0.0, quarter_turns=1, mirrored=True), (60, 80))
    # the range is set on every third cell, which turning changes a little
    assert_allclose(turned, np.rot90(plain)[:, ::-1], atol=0.5)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Scanner(bits=10), "8, 12 or 16"),
        (lambda: Scanner(tone="3"), "tone curves"),  # type: ignore[arg-type]
        (lambda: Picture(scene="beach-ball"), "no scene called beach-ball"),
        (lambda: WedgeLayout(densities=(0.1,), place=Place(x_mm=0, y_mm=0)), "at least two"),
    ],
)
def test_wrong_use_is_one_clear_sentence(make: object, words: str) -> None:
    with pytest.raises(WrongUseError, match=words):
        make()  # type: ignore[operator]
