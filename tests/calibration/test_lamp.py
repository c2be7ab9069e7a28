"""The lamp's field from an empty bed: worked by hand, then on rendered beds of known light."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import calibration_document, read_calibration, write_calibration
from densiscan.calibration.findings import Findings
from densiscan.calibration.lamp import (
    USUAL_DOUBT,
    LampField,
    evened,
    lamp_doubt,
    lamp_field,
    lamp_warnings,
    read_bed,
    smooth_surface,
)
from densiscan.calibration.make import Label, calibrate
from densiscan.errors import CalibrationError, MeasureError
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import measure_scan
from densiscan.scan.scan import Scan, open_scan
from densiscan.scan.survey import patch, survey
from tests.renderer import Scanner
from tests.renderer.scanner import Tone, lamp_light
from tests.support import made_up
from tests.support.bed_pieces import DENSITIES, BlackMask, Spots, layout, scanned, wedge

UNEVEN = Scanner(ppi=120, lamp=0.02, gain=0.9, glare=0.0, lamp_seed=5)
LABEL = Label(name="test", created="2026-01-02T03:04:05+00:00")


PX_PER_MM = 2

WIDTH_MM, HEIGHT_MM = 140, 100

Floats = npt.NDArray[np.float64]


def rendered_calibration(folder: Path, scanner: Scanner, *, bed: Scan | None = None, y_mm: float = 30.0) -> Calibration:
    scan = scanned(folder, "wedge", [layout(y_mm=y_mm)], scanner, seed=2)
    return calibrate(scan, wedge(), label=LABEL, inverted=scanner.inverted, empty_bed=bed)


@pytest.mark.parametrize(
    ("tone", "inverted", "bits"), [("linear", False, 16), ("2.2", False, 16), ("srgb", True, 16), ("1.8", False, 8)]
)
def test_the_field_is_the_lamp(tmp_path: Path, tone: Tone, inverted: bool, bits: int) -> None:
    scanner = replace(UNEVEN, tone=tone, inverted=inverted, bits=bits)
    dust = Spots(spots=[(30.0, 40.0, 1.5), (31.0, 42.0, 1.0), (90.0, 20.0, 3.0)])
    bed = scanned(tmp_path, "bed", [dust], scanner)
    field = lamp_field(read_bed(bed), rendered_calibration(tmp_path, scanner, bed=bed))
    truth = lamp_light((bed.height_px, bed.width_px), scanner)
    pitch = 1.0 / bed.px_per_mm_x
    seen = field.at(
        ((np.arange(bed.width_px) + 0.5) * pitch)[None, :], ((np.arange(bed.height_px) + 0.5) * pitch)[:, None]
    )
    ratio = seen / truth
    error = np.log10(ratio / ratio.mean())
    # 0.001 in density: a fifth of what is promised of the whole correction. The end slope beyond the wedge is known to
    # some per cent, and 2 % of light times that is 0.0005. One code of 8 bits is 0.003 there.
    assert np.abs(error).max() < (0.001 if bits == 16 else 0.002)
    assert field.density_doubt < 0.001


def error_of_readings(scan: Scan, made: Calibration, field: LampField | None) -> list[float]:
    """Read a second wedge, laid elsewhere, at its true places."""
    errors = []
    for number, density in enumerate(DENSITIES[:8]):
        box = (70.0 + (number - 6.5) * 6.0 + 1.5, 71.0, 3.0, 8.0)
        light = patch(scan, box_mm=box, table=made.table(scan.facts.full_scale)).clean_mean
        light /= 1.0 if field is None else field.box(box)
        errors.append(-float(np.log10(light)) - density)
    return errors


@pytest.mark.parametrize("seed", [5, 6, 7])
@pytest.mark.parametrize("tone", ["linear", "2.2"])
def test_an_uneven_bed_is_corrected_to_five_thousandths(tmp_path: Path, tone: Tone, seed: int) -> None:
    scanner = replace(UNEVEN, tone=tone, lamp_seed=seed)
    bed = scanned(tmp_path, "bed", [], scanner, seed=3)
    film = scanned(tmp_path, "film", [layout(y_mm=75.0)], scanner, seed=4)
    made = rendered_calibration(tmp_path, scanner, bed=bed, y_mm=25.0)
    field = lamp_field(read_bed(bed), made)
    corrected = np.abs(error_of_readings(film, made, field)).max()
    plain = np.abs(error_of_readings(film, rendered_calibration(tmp_path, scanner, y_mm=25.0), None)).max()
    assert corrected < 0.005
    # By laws a curve follows the lamp from step to step but little: below 0.002 there is nothing left to correct.
    assert corrected < max(plain, 0.002)


def test_the_steps_are_read_back_by_a_corrected_calibration(tmp_path: Path) -> None:
    bed = scanned(tmp_path, "bed", [], UNEVEN)
    made = rendered_calibration(tmp_path, UNEVEN, bed=bed)
    assert made.knows_lamp
    scan = scanned(tmp_path, "wedge", [layout()], UNEVEN, seed=2)
    field = lamp_field(read_bed(bed), made)
    for step in made.steps[:8]:
        light = patch(scan, box_mm=step.reading.box_mm, table=made.table(65535)).clean_mean / field.box(
            step.reading.box_mm
        )
        # The same pixels as the step was read by; what is left is what the laws take for its error, of 0.005 certified.
        assert_allclose(-np.log10(light), step.reading.density, atol=0.002)


def test_a_corrected_calibration_is_kept_and_read_again(tmp_path: Path) -> None:
    made = rendered_calibration(tmp_path, UNEVEN, bed=scanned(tmp_path, "bed", [], UNEVEN))
    write_calibration(made, tmp_path / "cal.json")
    again = read_calibration(tmp_path / "cal.json")
    assert [step.reading.light for step in again.steps] == [step.reading.light for step in made.steps]
    assert_allclose(again.table(65535), made.table(65535), rtol=1e-12)
    document = calibration_document(made)
    document["steps"][0]["lamp"] = 0.0
    (tmp_path / "cal.json").write_text(json.dumps(document))
    with pytest.raises(CalibrationError, match="damaged"):
        read_calibration(tmp_path / "cal.json")


def test_without_an_empty_bed_nothing_is_written_of_the_lamp(tmp_path: Path) -> None:
    made = rendered_calibration(tmp_path, UNEVEN)
    assert not made.knows_lamp
    assert "lamp" not in calibration_document(made)["steps"][0]


def test_a_bed_at_full_scale_is_refused(tmp_path: Path) -> None:
    blown = replace(UNEVEN, gain=1.05)
    bed = scanned(tmp_path, "bed", [], blown)
    with pytest.raises(MeasureError, match=r"bed\.tif.*end of the scanner's scale.*lower the exposure"):
        rendered_calibration(tmp_path, replace(UNEVEN, gain=0.8), bed=bed)


def test_a_bed_whose_white_is_cut_below_full_scale_is_refused(tmp_path: Path) -> None:
    bed = read_bed(scanned(tmp_path, "bed", [], UNEVEN))
    histogram = bed.survey.histogram.copy()
    middle = int(np.average(np.arange(histogram.size), weights=histogram))
    histogram[middle] = histogram[middle:].sum()
    histogram[middle + 1 :] = 0
    cut = replace(bed, survey=replace(bed.survey, histogram=histogram))
    assert bed.clipped(inverted=False) == 0.0
    assert cut.clipped(inverted=False) > 0.3


def test_a_bed_that_is_not_empty_is_refused(tmp_path: Path) -> None:
    bed = scanned(tmp_path, "bed", [layout()], UNEVEN)
    with pytest.raises(MeasureError, match=r"bed\.tif: the bed is not empty"):
        rendered_calibration(tmp_path, UNEVEN, bed=bed)
    bed = scanned(tmp_path, "bed", [BlackMask(openings=[(40.0, 10.0, 30.0, 30.0)])], UNEVEN)
    with pytest.raises(MeasureError, match="the bed is not empty"):
        rendered_calibration(tmp_path, UNEVEN, bed=bed)


def test_another_part_of_the_bed_is_refused_and_another_resolution_is_not(tmp_path: Path) -> None:
    small = scanned(tmp_path, "bed", [], UNEVEN, size_mm=(138.0, 100.0))
    with pytest.raises(MeasureError, match=r"wedge\.tif is 140 x 100 mm and the empty bed bed\.tif 138 x 100 mm"):
        rendered_calibration(tmp_path, UNEVEN, bed=small)
    coarse = scanned(tmp_path, "bed", [], replace(UNEVEN, ppi=75))
    made = rendered_calibration(tmp_path, UNEVEN, bed=coarse)
    assert made.knows_lamp
    assert "empty-bed-differs" not in {warning.code for warning in made.warnings}


def test_a_bed_scanned_otherwise_is_said(tmp_path: Path) -> None:
    other = scanned(tmp_path, "bed", [], replace(UNEVEN, software="another version"))
    made = rendered_calibration(tmp_path, UNEVEN, bed=other)
    assert [warning.code for warning in made.warnings].count("empty-bed-differs") == 1


def test_a_scan_too_small_to_show_a_lamp_is_refused(tmp_path: Path) -> None:
    tiny = scanned(tmp_path, "bed", [], UNEVEN, size_mm=(4.0, 30.0))
    with pytest.raises(MeasureError, match="too small to show the lamp"):
        read_bed(tiny)


def test_the_cells_of_a_survey_get_their_light(tmp_path: Path) -> None:
    scan = scanned(tmp_path, "scan", [], UNEVEN, size_mm=(100.0, 40.0))
    surveyed = survey(scan, cell_mm=2.0)
    light = plane().cells(surveyed)
    middles = 0.5 * (surveyed.x_edges_mm[:-1] + surveyed.x_edges_mm[1:])
    assert light.shape == surveyed.mean.shape
    assert_allclose(light[3], np.minimum(0.9 + 0.002 * middles, 1.1), rtol=1e-12)
    plane().require_same_bed(scan)
    assert plane().size_mm == (100.0, 40.0)


def test_an_evened_survey_is_freed_of_the_light(tmp_path: Path) -> None:
    surveyed = survey(scanned(tmp_path, "scan", [], UNEVEN, size_mm=(100.0, 40.0)), cell_mm=2.0)
    assert evened(surveyed, None) is surveyed
    even = evened(surveyed, plane())
    assert_allclose(even.mean * plane().cells(surveyed), surveyed.mean, rtol=1e-12)
    assert_allclose(even.sd / even.mean, surveyed.sd / surveyed.mean, rtol=1e-9)


def test_spots_and_rebate_are_measured_under_an_even_lamp(tmp_path: Path) -> None:
    scanner = replace(UNEVEN, lamp_seed=6)
    bed = scanned(tmp_path, "bed", [], scanner, seed=3)
    made = rendered_calibration(tmp_path, scanner, bed=bed, y_mm=25.0)
    film = scanned(tmp_path, "film", [layout(y_mm=75.0)], scanner, seed=4)
    spots = [(70.0 + (number - 6.0) * 6.0, 75.0) for number in range(7)]
    field = lamp_field(read_bed(bed), made)
    options = MeasureOptions(
        aperture_mm=3.0, frame_mm=(40.0, 70.0, 20.0, 10.0), rebate_mm=(32.5, 70.0, 3.0, 10.0), spots_mm=tuple(spots)
    )
    (even,) = measure_scan(film, made, replace(options, lamp=field))
    (plain,) = measure_scan(film, made, options)
    # 0.005: what is promised of a bed that is 2 % uneven; the noise of a 3 mm aperture is a tenth of it here.
    assert_allclose([spot.density.value for spot in even.spots], DENSITIES[:7], atol=0.005)
    assert even.base_plus_fog is not None
    assert_allclose(even.base_plus_fog.value, DENSITIES[0], atol=0.005)
    errors = [
        max(abs(spot.density.value - density) for spot, density in zip(read.spots, DENSITIES, strict=False))
        for read in (even, plain)
    ]
    assert errors[1] > 1.5 * errors[0]
    assert "empty-bed-missing" in {warning.code for warning in plain.warnings}
    assert "empty-bed-missing" not in {warning.code for warning in even.warnings}
    small = scanned(tmp_path, "small", [], scanner, size_mm=(60.0, 60.0))
    with pytest.raises(MeasureError, match="over the same area"):
        measure_scan(small, made, MeasureOptions(lamp=field))


def test_a_difference_of_two_places_is_free_of_the_lamp_over_the_wedge(tmp_path: Path) -> None:
    made = replace(rendered_calibration(tmp_path, UNEVEN), findings=Findings(checked="", lamp=0.006))
    film = scanned(tmp_path, "film", [layout(y_mm=75.0)], UNEVEN, seed=4)
    (read,) = measure_scan(
        film, made, MeasureOptions(frame_mm=(40.0, 70.0, 20.0, 10.0), spots_mm=((40.0, 75.0), (52.0, 75.0)))
    )
    one, other = (spot.density for spot in read.spots)
    # Each reading has the lamp at its place and over the wedge; the difference only that at both places.
    assert_allclose(one.budget()["lamp"], 0.006 * np.sqrt(2.0), rtol=1e-9)
    assert_allclose((one - other).budget()["lamp"], 0.006 * np.sqrt(2.0), rtol=1e-9)
    parts = (one - other).parts
    assert parts is not None
    assert parts[Influence("lamp", "over the wedge")] == 0.0


# ---- The lamp from an empty bed drawn by hand: what is clipped, what lies on it, and what the field leaves over
def bow(x: Floats, y: Floats) -> Floats:
    """Light that falls off towards the sides and rises towards the bottom, mean about 1."""
    return np.asarray(1.01 - 0.03 * (x / 70.0 - 1.0) ** 2 + 0.02 * (y / 50.0 - 1.0))


def places() -> tuple[Floats, Floats]:
    x = (np.arange(WIDTH_MM * PX_PER_MM) + 0.5) / PX_PER_MM
    y = (np.arange(HEIGHT_MM * PX_PER_MM) + 0.5) / PX_PER_MM
    return x[None, :], y[:, None]


def bed_of(folder: Path, light: Floats, *, gain: float = 0.8, inverted: bool = False, bits: int = 16) -> Scan:
    full = 2**bits - 1
    codes = np.clip(np.rint(full * gain * light), 0, full).astype(np.uint16 if bits == 16 else np.uint8)
    file = folder / "bed.tif"
    options: dict[str, Any] = {"resolution": (25.4 * PX_PER_MM,) * 2, "resolutionunit": 2, "metadata": None}
    tifffile.imwrite(file, full - codes if inverted else codes, photometric="minisblack", software=False, **options)
    return open_scan(file)


def linear(*, inverted: bool = False) -> Calibration:
    """A linear scanner; its steps without noise, so that the table is light itself."""
    plain = made_up.calibration()
    steps = []
    for one in plain.steps:
        signal = 1.0 - one.reading.signal if inverted else one.reading.signal
        steps.append(replace(one, reading=replace(one.reading, noise=0.0, signal=signal)))
    return replace(plain, steps=tuple(steps), inverted=inverted)


def field_of(folder: Path, light: Floats, **options: Any) -> LampField:
    return lamp_field(read_bed(bed_of(folder, light, **options)), linear(inverted=bool(options.get("inverted"))))


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("gain", [0.4, 0.85])
def test_the_field_is_the_light_over_its_mean(gain: float, inverted: bool, tmp_path: Path) -> None:
    light = bow(*places())
    field = field_of(tmp_path, light, gain=gain, inverted=inverted)
    assert field.size_mm == (WIDTH_MM, HEIGHT_MM)
    seen = field.at(*places())
    # Whole codes are 4e-5 of the light at the lower gain; over a block of 8 mm the bow bends by 0.03 (4 / 70)^2, 1e-4,
    # and a median of it lies within that.
    assert_allclose(seen / seen.mean(), light / light.mean(), rtol=0, atol=1e-4)
    assert_allclose(field.light.mean(), 1.0, rtol=1e-12)
    assert field.left_over < 5e-5
    assert field.warnings == ()


def test_what_the_surface_does_not_hold_is_left_over(tmp_path: Path) -> None:
    """Bands of a block each, 140/18 mm, 0.4 % to either side: too narrow for a surface that follows 50 mm."""
    x, y = places()
    bands = 1.0 + 0.004 * np.where((x // (WIDTH_MM / 18.0)).astype(int) % 2, 1.0, -1.0)
    noise = np.random.default_rng(3).normal(1.0, 0.003, (y.size, x.size))  # so that no code holds most pixels
    field = field_of(tmp_path, np.asarray(bands * noise))
    # The median of the deviations is 0.004, times 1.4826 as for noise; a tenth for what the surface takes of it.
    assert_allclose(field.left_over, 1.4826 * 0.004, rtol=0.1)


@pytest.mark.parametrize("inverted", [False, True])
def test_a_bed_at_the_end_of_the_scale_is_told_by_its_share(inverted: bool, tmp_path: Path) -> None:
    light = bow(*places())
    light[: 2 * 3, :] = 2.0  # 3 of 100 mm
    bed = read_bed(bed_of(tmp_path, light, inverted=inverted))
    assert_allclose(bed.clipped(inverted=inverted), 0.03, rtol=1e-6)
    assert bed.clipped(inverted=not inverted) == 0.0
    with pytest.raises(MeasureError, match=r"bed\.tif: 3 % of the empty bed is at the end"):
        lamp_field(bed, linear(inverted=inverted))


def test_some_specks_at_the_end_of_the_scale_are_no_matter(tmp_path: Path) -> None:
    light = bow(*places())
    light[::20, ::20] = 2.0  # a pixel in 400
    bed = read_bed(bed_of(tmp_path, light))
    assert_allclose(bed.clipped(inverted=False), 1.0 / 400.0, rtol=1e-6)
    assert lamp_field(bed, linear()).left_over < 1e-3


@pytest.mark.parametrize("inverted", [False, True])
def test_a_white_level_below_full_scale_clips_too(inverted: bool, tmp_path: Path) -> None:
    """All light above a level of 0.78 comes out as that one code, below it the codes are spread."""
    rng = np.random.default_rng(3)
    light = bow(*places()) * rng.normal(1.0, 0.003, (HEIGHT_MM * PX_PER_MM, WIDTH_MM * PX_PER_MM))
    cut = np.minimum(light, 0.98)
    share = float(np.mean(light >= 0.98))
    bed = read_bed(bed_of(tmp_path, cut, inverted=inverted))
    assert_allclose(bed.clipped(inverted=inverted), share, rtol=0.01)
    assert read_bed(bed_of(tmp_path, light, inverted=inverted)).clipped(inverted=inverted) == 0.0


def test_eight_bits_are_too_coarse_to_tell_a_white_level(tmp_path: Path) -> None:
    even = np.full((HEIGHT_MM * PX_PER_MM, WIDTH_MM * PX_PER_MM), 1.0)
    assert read_bed(bed_of(tmp_path, even, bits=8)).clipped(inverted=False) == 0.0
    assert read_bed(bed_of(tmp_path, even)).clipped(inverted=False) == 1.0


@pytest.mark.parametrize(("covered_mm", "refused"), [(0.0, False), (4.0, False), (24.0, True)])
def test_what_lies_on_the_bed_is_not_the_lamp(covered_mm: float, refused: bool, tmp_path: Path) -> None:
    """A thin sheet of density 0.1 in a corner: up to 3 % of the bed is passed over as dust, more is refused."""
    light = bow(*places())
    truth = light.copy()
    side = round(covered_mm * PX_PER_MM)
    light[:side, : 2 * side] *= 10.0**-0.1
    if refused:
        with pytest.raises(MeasureError, match="the bed is not empty"):
            field_of(tmp_path, light)
    else:
        seen = field_of(tmp_path, light).at(*places())
        assert_allclose(seen / seen.mean(), truth / truth.mean(), rtol=0, atol=5e-4)


@pytest.mark.parametrize(("dark", "refused"), [(0.55, False), (0.4, True)])
def test_a_lamp_does_not_halve_its_light(dark: float, refused: bool, tmp_path: Path) -> None:
    """A plane from `dark` to 2 - dark: smooth, but beyond a factor of two no lamp."""
    x, y = places()
    light = np.asarray((dark + (2.0 - 2.0 * dark) * x / WIDTH_MM) * np.ones_like(y))
    if refused:
        with pytest.raises(MeasureError, match="the bed is not empty"):
            field_of(tmp_path, light, gain=0.5)
    else:
        assert_allclose(field_of(tmp_path, light, gain=0.5).at(0.0, 50.0), dark, rtol=1e-3)


@pytest.mark.parametrize(("rise", "refused"), [(1.0, False), (1.5, True)])
def test_nor_does_it_double_it(rise: float, refused: bool, tmp_path: Path) -> None:
    """1 + a (x / 140)^8: most of the bed is even; in its last fiftieth the light is 1 + 0.85 a and more."""
    x, y = places()
    light = np.asarray((1.0 + rise * (x / WIDTH_MM) ** 8) * np.ones_like(y))
    if refused:
        with pytest.raises(MeasureError, match="the bed is not empty"):
            field_of(tmp_path, light, gain=0.3)
    else:
        field = field_of(tmp_path, light, gain=0.3)
        assert_allclose(field.at(140.0, 50.0) / field.at(10.0, 50.0), 1.0 + rise, rtol=0.02)


def test_blocks_are_eight_millimetres_and_more_of_them_on_a_narrow_scan(tmp_path: Path) -> None:
    bed = read_bed(bed_of(tmp_path, bow(*places())))
    # 140 / 8 and 100 / 8, rounded: 18 and 12 blocks, of whole cells of half a millimetre
    assert bed.signal.shape == (12, 18)
    assert_allclose(np.diff(bed.x_mm), 140.0 / 18.0, rtol=0, atol=0.51)
    narrow = tmp_path / "narrow"
    narrow.mkdir()
    assert read_bed(bed_of(narrow, bow(*places())[:60])).signal.shape == (12, 18)


def test_a_bed_scanned_at_another_depth_is_said(tmp_path: Path) -> None:
    field = field_of(tmp_path, bow(*places()), bits=8)
    (told,) = field.warnings
    assert told.code == "empty-bed-differs"
    assert "bit depth (8, calibrated with 16)" in told.message
    assert "resolution" not in told.message  # the bed may be scanned at another


# The field, its doubt, and the surface by themselves.


def plane() -> LampField:
    """Light 0.9 at the left edge, 1.1 at the right edge of a bed of 100 x 40 mm."""
    x, y = np.linspace(0.0, 100.0, 5), np.array([0.0, 40.0])
    return LampField(file="bed.tif", x_mm=x, y_mm=y, light=np.tile(0.9 + 0.002 * x, (2, 1)), left_over=0.001)


def test_a_plane_is_read_between_its_nodes() -> None:
    assert_allclose(plane().at([0.0, 10.0, 62.5, 100.0], [0.0, 40.0, 7.0, 3.0]), [0.9, 0.92, 1.025, 1.1], rtol=1e-12)
    # Beyond the bed its border goes on.
    assert_allclose(plane().at([-5.0, 130.0], [-1.0, 90.0]), [0.9, 1.1], rtol=1e-12)


def test_a_box_has_the_light_of_its_middle_on_a_plane() -> None:
    assert_allclose(plane().box((20.0, 10.0, 10.0, 20.0)), 0.95, rtol=1e-12)


def test_what_is_left_over_is_the_doubt_of_a_density() -> None:
    # u(D) = u(L)/L/ln 10: 0.001 is 0.000434
    assert_allclose(plane().density_doubt, 0.000434, atol=5e-7)


@pytest.mark.parametrize("light", [np.zeros((2, 5)), np.ones((5, 2)), np.full((2, 5), np.nan)])
def test_a_lamp_without_light_is_refused(light: npt.NDArray[np.float64]) -> None:
    with pytest.raises(ValueError, match="light of a lamp"):
        replace(plane(), light=light)


def test_a_surface_goes_through_a_bow_and_not_through_what_lies_on_it() -> None:
    x, y = np.arange(5.0, 200.0, 10.0), np.arange(5.0, 150.0, 10.0)
    truth = 1.0 + 0.02 * np.outer(y / 75.0 - 1.0, np.ones_like(x)) - 0.03 * (x / 100.0 - 1.0) ** 2
    spoilt = truth.copy()
    spoilt[3, 4] = 0.6
    fitted = smooth_surface(x, y, spoilt, (200.0, 150.0))
    # A polynomial of second degree is one of those the surface is made of; the weight of the outlier is zero.
    assert_allclose(fitted.at(x, y), truth, atol=1e-6)
    assert_allclose(fitted.outlying, 1.0 / truth.size, rtol=1e-12)


def test_a_lamp_known_on_one_side_only_is_said() -> None:
    assert lamp_warnings(None, calibrated=False) == ()
    assert lamp_warnings(plane(), calibrated=True) == ()
    assert [warning.code for warning in lamp_warnings(None, calibrated=True)] == ["empty-bed-missing"]
    assert [warning.code for warning in lamp_warnings(plane(), calibrated=False)] == ["lamp-not-in-calibration"]


def test_the_lamp_is_in_the_doubt_of_a_reading() -> None:
    found = Findings(checked="2026-01-02", lamp=0.006)
    assert lamp_doubt(None, None) == USUAL_DOUBT
    assert lamp_doubt(None, found) == 0.006
    assert lamp_doubt(None, replace(found, lamp=None)) == USUAL_DOUBT
    # 0.001 of light left over is 0.00043 in density, and never less than what a warm lamp changes.
    assert lamp_doubt(replace(plane(), left_over=0.003), found) == pytest.approx(0.003 / np.log(10.0))
    assert lamp_doubt(plane(), found) == 0.0005
