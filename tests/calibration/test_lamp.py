"""The lamp's field from an empty bed: worked by hand, then on rendered beds of known light."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import calibration_document, read_calibration, write_calibration
from densiscan.calibration.findings import Findings
from densiscan.calibration.lamp import (
    LampField,
    evened,
    lamp_field,
    read_bed,
)
from densiscan.calibration.make import Label, calibrate
from densiscan.errors import CalibrationError, MeasureError
from densiscan.negative.reading import MeasureOptions, measure_scan
from densiscan.scan.scan import Scan
from densiscan.scan.survey import patch, survey
from tests.calibration.test_lamp_arithmetic import plane
from tests.renderer import Scanner
from tests.renderer.scanner import Tone, lamp_light
from tests.support.bed_pieces import DENSITIES, BlackMask, Spots, layout, scanned, wedge

UNEVEN = Scanner(ppi=120, lamp=0.02, gain=0.9, glare=0.0, lamp_seed=5)
LABEL = Label(name="test", created="2026-01-02T03:04:05+00:00")


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
    assert plain > corrected


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
        # The same pixels as the knot was made of; what is left is the second order of noise.
        assert_allclose(-np.log10(light), step.reading.density, atol=0.001)


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
