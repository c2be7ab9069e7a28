"""The readings of a negative: by hand, on rendered film of every layout, and what is said when in doubt."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate_steps
from densiscan.errors import MeasureError, WrongUseError
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.scan import Scan, open_scan
from tests.renderer import (
    Blemishes,
    FilmCurve,
    Leak,
    Picture,
    Piece,
    Place,
    Rendered,
    Scanner,
    holder_for,
    render_bed,
    sheet,
    strip,
    write_scan,
)
from tests.support.made_up import FACTS, step_reading

PPI = 150.0
SCANNER = Scanner(ppi=PPI, glare=0.001, lamp=0.002)
CURVE = FilmCurve()


Floats = npt.NDArray[np.float64]

WHOLE = (0.0, 0.0, 30.0, 30.0)

TENTH: Floats = np.full((300, 300), 10.0**-1.0)
"""30 x 30 mm of density 1."""

# A sheet drawn by hand: 40 x 34 mm on glass, its frame 30 x 24 mm of patches, the rebate 5 mm all round.

SHEET = (10.0, 8.0, 40.0, 34.0)

FRAME = (15.0, 13.0, 30.0, 24.0)


def calibration_of(scan: Scan) -> Calibration:
    """A calibration of the rendered linear scanner: signal is transmittance, to density 3.6."""
    readings = [
        step_reading(number, density, 10.0**-density, noise=1e-5, per_aperture=30.0)
        for number, density in enumerate(np.arange(0.03, 3.7, 0.3).tolist())
    ]
    label = Label(name="linear", created="2026-01-02T03:04:05+00:00")
    return calibrate_steps(readings, facts=scan.facts, channel=scan.channel, inverted=False, label=label)


def rendered(
    folder: Path, pieces: list[Piece], size_mm: tuple[float, float], *, seed: int = 1
) -> tuple[Scan, Rendered]:
    bed = render_bed(pieces, SCANNER, seed=seed, size_mm=size_mm)
    write_scan(bed, folder / "negative.tif")
    return open_scan(folder / "negative.tif"), bed


def measured(scan: Scan, options: MeasureOptions | None = None) -> tuple[Reading, ...]:
    return measure_scan(scan, calibration_of(scan), options)


def codes(reading: Reading) -> set[str]:
    return {warning.code for warning in reading.warnings}


def plain_scan(folder: Path, transmittance: np.ndarray, ppi: float = 254.0) -> Scan:
    """A scan of known transmittance: ten pixels a millimetre, no noise."""
    path = folder / "plain.tif"
    image = np.round(65535 * transmittance).astype(np.uint16)
    tifffile.imwrite(path, image, resolution=(ppi, ppi), resolutionunit="INCH", photometric="minisblack")
    return open_scan(path)


def test_reading_is_the_log_of_the_mean_transmittance(tmp_path: Path) -> None:
    """ISO 5-1: density is -log10 of the transmittance of the aperture, never the mean of densities."""
    image = np.full((300, 300), 10.0**-0.1)
    image[:, 150:] = 10.0**-1.0
    spots = MeasureOptions(spots_mm=((15.0, 15.0), (5.0, 15.0), (25.0, 15.0)))
    half, light, dense = measured(plain_scan(tmp_path, image), spots)[0].spots
    assert_allclose(light.density.value, 0.1, atol=0.0005)  # rounding to 16 bits, and the curve between its steps
    assert_allclose(dense.density.value, 1.0, atol=0.0005)
    expected = -math.log10((10.0**-0.1 + 10.0**-1.0) / 2.0)
    assert_allclose(expected, 0.3495, atol=0.00005)
    # A round aperture centred on a pixel border is halved to within a pixel row of its 1 mm: 0.01.
    assert_allclose(half.density.value, expected, atol=0.01)


def test_spots_keep_their_order_without_a_frame(tmp_path: Path) -> None:
    scan = plain_scan(tmp_path, np.full((200, 200), 0.1))
    places = ((15.0, 5.0), (5.0, 15.0), (10.0, 10.0))
    reading = measured(scan, MeasureOptions(spots_mm=places))[0]
    assert [(spot.x_mm, spot.y_mm) for spot in reading.spots] == list(places)
    assert_allclose([spot.density.value for spot in reading.spots], 1.0, atol=0.0005)
    assert all(spot.net is None for spot in reading.spots)


@settings(max_examples=10)  # each writes and reads a scan; the difference is one subtraction
@given(base=st.floats(0.05, 0.5))
def test_base_fog_given_makes_net_values(base: float, tmp_path_factory: pytest.TempPathFactory) -> None:
    scan = plain_scan(tmp_path_factory.mktemp("net"), np.full((120, 120), 0.1))
    reading = measured(scan, MeasureOptions(base_fog=base, base_density=0.04, spots_mm=((6.0, 6.0),)))[0]
    assert reading.base_plus_fog is not None
    assert reading.fog is not None
    assert reading.spots[0].net is not None
    assert_allclose(reading.fog.value, base - 0.04, atol=1e-9)
    assert_allclose(reading.spots[0].net.value, reading.spots[0].density.value - base, atol=1e-9)


@pytest.mark.parametrize("angle", [0.0, 1.7, -2.6])
def test_sheet_on_open_glass(angle: float, tmp_path: Path) -> None:
    film = sheet(
        size_mm=(90, 65), place=Place(x_mm=52, y_mm=42, angle_deg=angle), picture=Picture(scene="mill", seed=4)
    )
    scan, bed = rendered(tmp_path, [film], (104, 84))
    reading = measured(scan)[0]
    truth = bed.truth.film
    assert reading.piece is None
    assert reading.film_mm is not None
    assert reading.frame_mm is not None
    assert_allclose(reading.angle_deg, angle, atol=0.3)  # the aims set for this tool
    assert_allclose(reading.film_mm, truth.sheet_mm, atol=1.0)
    assert_allclose(reading.frame_mm, truth.frame.frame_mm, atol=1.0)
    check_densities(reading, bed)
    assert "no-rebate" not in codes(reading)


def check_densities(reading: Reading, bed: Rendered, number: int = 0) -> None:
    film = bed.truth.films[0]
    frame = film.frames[number]
    assert reading.base_plus_fog is not None
    assert reading.shadow is not None
    assert reading.highlight is not None
    assert reading.density_range is not None
    assert reading.net_shadow is not None
    # The aims set for this tool at 16 bits: base plus fog 0.015, range 0.03.
    assert_allclose(reading.base_plus_fog.value, film.base_plus_fog, atol=0.015)
    assert_allclose(reading.density_range.value, frame.density_range, atol=0.03)
    assert_allclose(reading.shadow.value, frame.shadow, atol=0.03)
    assert_allclose(reading.highlight.value - reading.shadow.value, reading.density_range.value, atol=1e-12)
    assert_allclose(reading.net_shadow.value, reading.shadow.value - reading.base_plus_fog.value, atol=1e-12)


def test_range_is_surer_than_its_ends_make_it_alone(tmp_path: Path) -> None:
    """Shadow and highlight share the calibration: the doubt of their difference is not that of independent readings."""
    film = sheet(size_mm=(60, 45), place=Place(x_mm=35, y_mm=28), picture=Picture(scene="bust", seed=2))
    scan, _ = rendered(tmp_path, [film], (70, 56))
    reading = measured(scan)[0]
    net, shadow, base = reading.net_shadow, reading.shadow, reading.base_plus_fog
    assert net is not None
    assert shadow is not None
    assert base is not None
    alone = math.hypot(shadow.uncertainty or 0.0, base.uncertainty or 0.0)
    assert (net.uncertainty or 0.0) < alone


@pytest.mark.parametrize("cover_mm", [1.5, 3.0])
def test_sheet_in_a_holder(cover_mm: float, tmp_path: Path) -> None:
    film = sheet(
        size_mm=(90, 65),
        place=Place(x_mm=52, y_mm=42, angle_deg=0.6),
        picture=Picture(scene="facade", seed=3),
        edge_mm=5.0,
    )
    scan, bed = rendered(tmp_path, [film, holder_for(film, cover_mm=cover_mm)], (104, 84))
    reading = measured(scan)[0]
    assert reading.frame_corners_mm is not None
    assert_allclose(reading.frame_corners_mm, bed.truth.film.frame.corners_mm, atol=1.0)
    check_densities(reading, bed)


def test_roll_of_three_frames(tmp_path: Path) -> None:
    pictures = [Picture(scene=scene, seed=5) for scene in ("mill", "wood", "shore")]
    film = strip(place=Place(x_mm=95, y_mm=40), pictures=pictures, kind="roll", frame_mm=(50, 56), gap_mm=6.0)
    scan, bed = rendered(tmp_path, [film], (190, 80))
    readings = measured(scan)
    assert [reading.piece for reading in readings] == [1, 2, 3]
    for number, reading in enumerate(readings):
        assert reading.frame_mm is not None
        assert_allclose(reading.frame_mm, bed.truth.film.frames[number].frame_mm, atol=1.0)
        check_densities(reading, bed, number)


def test_two_sheets_side_by_side(tmp_path: Path) -> None:
    films: list[Piece] = [
        sheet(size_mm=(60, 80), place=Place(x_mm=x, y_mm=47, angle_deg=angle), picture=Picture(scene=scene, seed=6))
        for x, angle, scene in ((36.0, 0.5, "bust"), (103.0, -1.0, "room"))
    ]
    scan, bed = rendered(tmp_path, films, (140, 94))
    readings = measured(scan)
    assert [reading.piece for reading in readings] == [1, 2]
    for reading, film in zip(readings, bed.truth.films, strict=True):
        assert reading.frame_mm is not None
        assert_allclose(reading.frame_mm, film.frames[0].frame_mm, atol=1.0)


def test_cropped_scan_without_rebate_says_so(tmp_path: Path) -> None:
    film = sheet(size_mm=(120, 90), place=Place(x_mm=40, y_mm=30), picture=Picture(scene="mill", seed=4))
    scan, _ = rendered(tmp_path, [film], (80, 60))
    reading = measured(scan)[0]
    assert reading.base_plus_fog is None
    assert reading.net_shadow is None
    assert reading.film_mm is None
    assert reading.density_range is not None
    assert "no-rebate" in codes(reading)
    with_rebate = measured(scan, MeasureOptions(base_fog=0.2))[0]
    assert with_rebate.net_shadow is not None
    assert "no-rebate" not in codes(with_rebate)


def test_frame_and_rebate_by_hand(tmp_path: Path) -> None:
    image = np.full((400, 500), 10.0**-0.2)
    image[80:320, 80:420] = 10.0**-0.8
    scan = plain_scan(tmp_path, image)
    options = MeasureOptions(frame_mm=(10.0, 10.0, 30.0, 20.0), rebate_mm=(1.0, 1.0, 30.0, 4.0))
    reading = measured(scan, options)[0]
    assert reading.frame_mm == (10.0, 10.0, 30.0, 20.0)
    assert reading.base_plus_fog is not None
    assert reading.shadow is not None
    assert_allclose(reading.base_plus_fog.value, 0.2, atol=0.0005)
    assert_allclose(reading.shadow.value, 0.8, atol=0.0005)


def test_dust_and_pinholes_do_not_move_the_ends(tmp_path: Path) -> None:
    film = sheet(size_mm=(60, 45), place=Place(x_mm=35, y_mm=28), picture=Picture(scene="foggy-field", seed=2))
    dirty = replace(film, blemishes=Blemishes(dust=60, pinholes=25))
    scan, bed = rendered(tmp_path, [dirty], (70, 56))
    check_densities(measured(scan)[0], bed)


def test_a_leak_in_the_rebate_does_not_move_base_plus_fog(tmp_path: Path) -> None:
    film = sheet(size_mm=(90, 65), place=Place(x_mm=52, y_mm=42), picture=Picture(scene="mill", seed=4))
    leak = Leak(side="left", at_mm=20.0, width_mm=12.0, depth_mm=3.0, net_density=0.4)
    scan, bed = rendered(tmp_path, [replace(film, faults=(leak,))], (104, 84))
    reading = measured(scan)[0]
    assert reading.base_plus_fog is not None
    assert_allclose(reading.base_plus_fog.value, bed.truth.film.base_plus_fog, atol=0.015)


def test_clipped_and_beyond_are_fractions_of_the_frame(tmp_path: Path) -> None:
    image = np.full((300, 300), 10.0**-1.0)
    image[:75] = 1.0
    image[225:] = 0.0
    frame = MeasureOptions(frame_mm=(0.0, 0.0, 30.0, 30.0), base_fog=0.1)
    reading = measured(plain_scan(tmp_path, image), frame)[0]
    assert_allclose(reading.clipped_light, 0.25, atol=0.02)  # a cell's width of 0.25 mm in 30
    assert_allclose(reading.clipped_dark, 0.25, atol=0.02)
    assert_allclose(reading.beyond_calibration, 0.5, atol=0.05)  # apertures across the borders belong to neither
    assert {"clipped-light", "clipped-dark", "beyond-calibration"} <= codes(reading)
    even = measured(plain_scan(tmp_path, np.full((300, 300), 0.1)), frame)[0]
    assert {"clipped-light", "clipped-dark", "beyond-calibration"} & codes(even) == set()


def test_other_settings_are_named_and_the_same_are_not(tmp_path: Path) -> None:
    scan = plain_scan(tmp_path, np.full((120, 120), 0.1))
    calibration = calibration_of(scan)
    assert "scan-differs-from-calibration" not in codes(measure_scan(scan, calibration)[0])
    other = replace(calibration, scan=replace(FACTS, ppi=600.0, model="another"))
    warning = next(w for w in measure_scan(scan, other)[0].warnings if w.code == "scan-differs-from-calibration")
    assert "model" in warning.message
    assert "resolution" in warning.message


def test_another_bit_depth_alone_is_read_and_said(tmp_path: Path) -> None:
    image = np.full((120, 120), np.uint8(26))
    path = tmp_path / "coarse.tif"
    tifffile.imwrite(path, image, resolution=(254, 254), resolutionunit="INCH", photometric="minisblack")
    calibration = calibration_of(plain_scan(tmp_path, np.full((120, 120), 0.1)))
    reading = measure_scan(open_scan(path), calibration, MeasureOptions(spots_mm=((6.0, 6.0),)))[0]
    assert_allclose(reading.spots[0].density.value, -math.log10(26 / 255), atol=0.001)
    assert "scan-differs-from-calibration" in codes(reading)


@pytest.mark.parametrize(
    "options",
    [
        MeasureOptions(spots_mm=((50.0, 5.0),)),
        MeasureOptions(frame_mm=(5.0, 5.0, 50.0, 5.0)),
        MeasureOptions(rebate_mm=(-5.0, 5.0, 5.0, 5.0)),
    ],
)
def test_places_off_the_scan_are_refused(options: MeasureOptions, tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match=r"plain\.tif"):
        measured(plain_scan(tmp_path, np.full((120, 120), 0.1)), options)


@pytest.mark.parametrize(
    "wrong",
    [
        {"aperture_mm": 0.0},
        {"trim": 0.6},
        {"frame_mm": (0.0, 0.0, 0.0, 5.0)},
        {"rebate_mm": (0.0, 0.0, 5.0, 5.0), "base_fog": 0.1},
    ],
)
def test_senseless_options_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(WrongUseError):
        MeasureOptions(**wrong)  # type: ignore[arg-type]


def test_curve_of_the_rendered_film_has_its_base_plus_fog(tmp_path: Path) -> None:
    """An unexposed, developed sheet: everything on it is base plus fog."""
    film = sheet(size_mm=(60, 45), place=Place(x_mm=35, y_mm=28), picture=None)
    scan, _ = rendered(tmp_path, [film], (70, 56))
    reading = measured(scan, MeasureOptions(fog_sheet=True))[0]
    assert reading.base_plus_fog is not None
    assert_allclose(reading.base_plus_fog.value, CURVE.base_plus_fog, atol=0.015)


# ---- Readings of a negative worked out by hand, on scans drawn pixel by pixel: ends, shares, limits and what is said
def mirrored(calibration: Calibration) -> Calibration:
    """The same scanner giving a positive picture: the signal rises with density."""
    steps = tuple(
        replace(one, reading=replace(one.reading, signal=1.0 - one.reading.signal)) for one in calibration.steps
    )
    return replace(calibration, steps=steps, inverted=True)


def read(scan: Scan, calibration: Calibration | None = None, **options: Any) -> Reading:
    (reading,) = measure_scan(scan, calibration or calibration_of(scan), MeasureOptions(**options))
    return reading


def message(reading: Reading, code: str) -> str:
    return next(warning.message for warning in reading.warnings if warning.code == code)


@pytest.mark.parametrize("trim", [0.0, 0.01, 0.1, 0.3])
def test_the_ends_leave_out_the_trimmed_share(trim: float, tmp_path: Path) -> None:
    """Density from 0.3 to 1.3 along 30 mm: readings through 1 mm reach from 0.5 mm to 29.5 mm, evenly spread."""
    ramp = np.tile(10.0 ** -(0.3 + (np.arange(300) + 0.5) / 300.0), (300, 1))
    reading = read(plain_scan(tmp_path, ramp), frame_mm=WHOLE, trim=trim, base_fog=0.2)
    low, high = 0.3 + 0.5 / 30.0, 1.3 - 0.5 / 30.0
    assert reading.shadow is not None
    assert reading.highlight is not None
    assert reading.density_range is not None
    assert reading.net_shadow is not None
    assert reading.net_highlight is not None
    # 0.01: apertures stand on cells of 0.25 mm, which is 0.008 here.
    assert_allclose(reading.shadow.value, low + trim * (high - low), rtol=0, atol=0.01)
    assert_allclose(reading.highlight.value, high - trim * (high - low), rtol=0, atol=0.01)
    assert_allclose(reading.density_range.value, reading.highlight.value - reading.shadow.value, rtol=1e-12)
    assert_allclose(reading.net_shadow.value, reading.shadow.value - 0.2, rtol=1e-12)
    assert_allclose(reading.net_highlight.value, reading.highlight.value - 0.2, rtol=1e-12)


def test_a_positive_picture_reads_as_the_negative(tmp_path: Path) -> None:
    image = TENTH.copy()
    image[:30] = 1.0
    image[240:] = 0.0
    image[100:160, 100:160] = 10.0**-0.5
    options: dict[str, Any] = {"frame_mm": WHOLE, "spots_mm": ((13.0, 13.0), (20.0, 20.0))}
    plain = plain_scan(tmp_path, image)
    upright = read(plain, **options)
    turned = read(plain_scan(tmp_path, 1.0 - image), mirrored(calibration_of(plain)), **options)
    for name in ("shadow", "highlight"):
        assert_allclose(getattr(turned, name).value, getattr(upright, name).value, rtol=0, atol=1e-3)
    assert_allclose([spot.density.value for spot in turned.spots], [0.5, 1.0], rtol=0, atol=1e-3)
    # Bare glass is at the light end of the scale on both, whichever end of the codes that is: 3 mm and 6 mm of 30.
    for reading in (upright, turned):
        assert_allclose((reading.clipped_light, reading.clipped_dark), (0.1, 0.2), rtol=0, atol=0.01)
    assert message(turned, "clipped-light").startswith(
        f"{100 * turned.clipped_light:.1f} % of the frame is at the light"
    )
    assert message(turned, "clipped-dark").startswith(f"{100 * turned.clipped_dark:.1f} % of the frame is at the dark")


@pytest.mark.parametrize(("rows", "told"), [(0, False), (1, True)])
def test_a_thousandth_at_an_end_is_said(rows: int, told: bool, tmp_path: Path) -> None:
    """One row of 300 pixels in 300 is a third of a per cent."""
    image = TENTH.copy()
    image[150 : 150 + rows] = 1.0
    reading = read(plain_scan(tmp_path, image), frame_mm=WHOLE)
    assert ("clipped-light" in codes(reading)) is told
    assert_allclose(reading.clipped_light, rows / 300.0, rtol=0.02, atol=1e-12)


def test_readings_beyond_the_wedge_are_counted_on_either_side(tmp_path: Path) -> None:
    """The wedge reaches from 0.03 to 3.63; 5 of 30 mm are thinner, 10 mm denser.

    Middles of 1 mm apertures lie over 29 mm. Any light beside the dense part brings a reading below 3.63: 9 mm count;
    beside the thin part 6 % of the aperture does, so 4.06 mm count (less than 4.1 for the circle's small segment).
    """
    image = TENTH.copy()
    image[:50] = 0.99
    image[200:] = 10.0**-3.9
    reading = read(plain_scan(tmp_path, image), frame_mm=WHOLE)
    assert_allclose(
        reading.beyond_calibration, (9.0 + 4.06) / 29.0, rtol=0, atol=0.018
    )  # a cell of 0.25 mm at each end
    assert "0.03 to 3.63" in message(reading, "beyond-calibration")


@pytest.mark.parametrize(("base", "told"), [(0.02, True), (0.04, False), (0.5, False)])
def test_a_rebate_clearer_than_the_wedge_is_only_a_limit(base: float, told: bool, tmp_path: Path) -> None:
    image = TENTH.copy()
    image[:60] = 10.0**-base
    reading = read(plain_scan(tmp_path, image), frame_mm=(0.0, 10.0, 30.0, 20.0), rebate_mm=(1.0, 1.0, 28.0, 4.0))
    assert reading.base_plus_fog is not None
    # what is clearer than the lightest step is at most that step
    assert reading.base_plus_fog.limit == ("at most" if told else None)
    assert_allclose(reading.base_plus_fog.value, max(base, 0.03), rtol=0, atol=1e-3)
    assert ("rebate-beyond-calibration" in codes(reading)) is told
    if told:
        assert "0.02 is clearer than the lightest step of the wedge (0.03)" in message(
            reading, "rebate-beyond-calibration"
        )


def test_base_plus_fog_that_was_given_is_exact(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, TENTH), base_fog=0.27, base_density=0.05, spots_mm=((15.0, 15.0),))
    assert reading.base_plus_fog is not None
    assert reading.fog is not None
    assert (reading.base_plus_fog.value, reading.base_plus_fog.uncertainty) == (0.27, 0.0)
    assert_allclose(reading.fog.value, 0.22, rtol=1e-12)
    (spot,) = reading.spots
    assert spot.net is not None
    assert_allclose(spot.net.value, spot.density.value - 0.27, rtol=1e-12)
    without = read(plain_scan(tmp_path, TENTH), base_fog=0.27)
    assert without.fog is None


def test_one_piece_has_no_number_and_the_facts_of_its_scan(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, TENTH), frame_mm=(2.0, 3.0, 20.0, 10.0), aperture_mm=1.5)
    assert reading.piece is None
    assert (reading.file, reading.aperture_mm, reading.angle_deg) == ("plain.tif", 1.5, 0.0)
    assert_allclose(reading.ppi or 0.0, 254.0)
    assert reading.frame_corners_mm is not None
    assert_allclose(reading.frame_corners_mm, [(2.0, 3.0), (22.0, 3.0), (22.0, 13.0), (2.0, 13.0)], rtol=1e-12)
    assert reading.base_plus_fog is None
    assert reading.net_shadow is None
    assert reading.net_highlight is None
    # an even field is withheld, and what is withheld hears nothing of a missing rebate
    assert reading.seen == "even"
    assert "no-rebate" not in {warning.code for warning in reading.warnings}


def test_shadow_and_highlight_have_noise_of_their_own(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    reading = read(plain_scan(tmp_path, TENTH * rng.normal(1.0, 0.05, TENTH.shape)), frame_mm=WHOLE)
    assert reading.density_range is not None
    kinds = {influence for influence in reading.density_range.parts or {} if influence.kind == "patch noise"}
    assert kinds == {Influence("patch noise", "shadow"), Influence("patch noise", "highlight")}


@pytest.mark.parametrize("box", [(-0.5, -0.5, 31.0, 31.0), (0.0, 0.0, 30.4, 5.0)])
def test_half_a_millimetre_beyond_the_scan_is_a_rounding(
    box: tuple[float, float, float, float], tmp_path: Path
) -> None:
    assert read(plain_scan(tmp_path, TENTH), frame_mm=box).shadow is not None


@pytest.mark.parametrize(
    "options",
    [
        {"frame_mm": (-0.6, 0.0, 5.0, 5.0)},
        {"frame_mm": (0.0, -0.6, 5.0, 5.0)},
        {"frame_mm": (26.0, 0.0, 5.0, 5.0)},
        {"rebate_mm": (0.0, 26.0, 5.0, 5.0)},
        {"spots_mm": ((30.0, 5.0),)},
        {"spots_mm": ((5.0, 30.0),)},
        {"spots_mm": ((-0.1, 5.0),)},
        {"spots_mm": ((5.0, -0.1),)},
        {"spots_mm": ((5.0, 5.0), (5.0, 40.0))},
    ],
)
def test_what_does_not_lie_on_the_scan_is_refused(options: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match=r"plain\.tif, which is 30\.0 x 30\.0 mm"):
        read(plain_scan(tmp_path, TENTH), **options)


def test_the_corner_of_a_scan_is_on_it(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, TENTH), spots_mm=((0.0, 0.0), (29.9, 29.9)))
    assert_allclose([spot.density.value for spot in reading.spots], 1.0, rtol=0, atol=1e-3)


def test_an_area_too_small_for_the_aperture_is_refused(tmp_path: Path) -> None:
    with pytest.raises(MeasureError, match=r"an area of 2\.0 x 1\.0 mm holds no aperture of 3 mm"):
        read(plain_scan(tmp_path, TENTH), frame_mm=(5.0, 5.0, 2.0, 1.0), aperture_mm=3.0)


def test_another_channel_is_said(tmp_path: Path) -> None:
    scan = plain_scan(tmp_path, TENTH)
    reading = read(scan, replace(calibration_of(scan), channel="red"))
    assert message(reading, "scan-differs-from-calibration").endswith("channel (gray, calibrated with red).")
    assert "scan-differs-from-calibration" not in codes(read(scan))


@pytest.mark.parametrize(
    "wrong", [{"aperture_mm": 0.0}, {"aperture_mm": -1.0}, {"aperture_mm": np.inf}, {"trim": 0.5}, {"trim": -0.01}]
)
def test_options_that_cannot_be(wrong: dict[str, Any]) -> None:
    with pytest.raises(WrongUseError, match="is not valid"):
        MeasureOptions(**wrong)


@pytest.mark.parametrize(
    "box", [(0.0, 0.0, 5.0, 0.0), (0.0, 0.0, 0.0, 5.0), (0.0, 0.0, -5.0, 5.0), (np.nan, 0.0, 5.0, 5.0)]
)
@pytest.mark.parametrize("name", ["frame_mm", "rebate_mm"])
def test_boxes_without_area(box: tuple[float, float, float, float], name: str) -> None:
    with pytest.raises(WrongUseError, match=f"`{name}` .* has no area"):
        MeasureOptions(**{name: box})  # type: ignore[arg-type]


def test_the_widest_trim_and_the_smallest_box_can_be(tmp_path: Path) -> None:
    (reading,) = measured(plain_scan(tmp_path, TENTH), MeasureOptions(trim=0.499, frame_mm=WHOLE))
    assert reading.density_range is not None
    assert_allclose(reading.density_range.value, 0.0, rtol=0, atol=1e-3)
    assert MeasureOptions(frame_mm=(0.0, 0.0, 0.5, 0.5)).frame_mm is not None


def laid_out(*, rise: float = 0.0) -> Floats:
    """Its fog rises from left to right by `rise`."""
    rng = np.random.default_rng(6)
    density = np.full((500, 600), 0.02)
    density[80:420, 100:500] = 0.25
    density[130:370, 150:450] = np.kron(rng.uniform(0.6, 1.6, (8, 10)), np.ones((30, 30)))
    density[80:420, 100:500] += rise * (np.arange(400) + 0.5) / 400.0
    light = 10.0**-density * rng.normal(1.0, 0.01, density.shape)
    return np.asarray(np.clip(light, 0.0, 1.0))


def test_a_sheet_and_its_frame_are_told_with_their_places(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, laid_out()))
    assert reading.film_mm is not None
    assert reading.frame_mm is not None
    assert reading.seen_mm is not None
    assert reading.frame_corners_mm is not None
    # The aim set for this tool is 1 mm; a cell is 0.25 mm.
    assert_allclose(reading.film_mm, SHEET, rtol=0, atol=0.5)
    assert_allclose(reading.seen_mm, SHEET, rtol=0, atol=0.5)
    assert_allclose(reading.frame_mm, FRAME, rtol=0, atol=0.5)
    left, top, width, height = FRAME
    corners = [(left, top), (left + width, top), (left + width, top + height), (left, top + height)]
    assert_allclose(reading.frame_corners_mm, corners, rtol=0, atol=0.5)
    assert_allclose((reading.angle_deg, reading.seen_angle_deg), 0.0, rtol=0, atol=0.3)
    assert reading.base_plus_fog is not None
    assert reading.net_shadow is not None
    assert reading.shadow is not None
    assert_allclose(reading.base_plus_fog.value, 0.25, rtol=0, atol=0.005)
    assert_allclose(reading.net_shadow.value, reading.shadow.value - reading.base_plus_fog.value, rtol=1e-12)
    assert 0.55 < reading.shadow.value < 0.8  # the thinnest of 80 patches between 0.6 and 1.6
    assert not {"no-rebate", "rebate-uneven", "many-specks"} & codes(reading)


def test_a_rebate_denser_on_one_side_is_said_side_by_side(tmp_path: Path) -> None:
    """Fog that rises by 0.04 over 40 mm: 0.0025 in the middle of the left rebate, 0.0375 in that of the right one."""
    reading = read(plain_scan(tmp_path, laid_out(rise=0.04)))
    assert reading.rebate is not None
    sides = {side.name: side.density for side in reading.rebate.sides}
    assert_allclose((sides["left"], sides["right"]), (0.2525, 0.2875), rtol=0, atol=0.003)
    told = message(reading, "rebate-uneven")
    assert "left 0.25" in told
    assert "right 0.29" in told
    assert told.endswith("fog, a light leak or uneven development.")
    assert "rebate-uneven" not in codes(read(plain_scan(tmp_path, laid_out(rise=0.015))))


def test_so_many_specks_that_they_may_be_picture_are_said(tmp_path: Path) -> None:
    """A dark speck of 0.4 mm on each square millimetre."""
    image = TENTH.copy()
    for row in range(4):
        for column in range(4):
            image[3 + row :: 10, 3 + column :: 10] = 10.0**-2.0
    reading = read(plain_scan(tmp_path, image), frame_mm=WHOLE)
    assert message(reading, "many-specks").startswith("So many small specks stand out")
    assert "many-specks" not in codes(read(plain_scan(tmp_path, TENTH), frame_mm=WHOLE))
