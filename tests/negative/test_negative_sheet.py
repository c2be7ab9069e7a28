"""What is kept of a negative to look at: where it is, what its map reads, how sure that is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from densiscan.batch.assessment import Failure, Task, measure_one
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.negative.options import MeasureOptions
from densiscan.negative.preview import MARGIN_MM, OF_MANY, ONE_SHEET, Preview, SheetDetail
from densiscan.scan.scan import open_scan
from densiscan.wedge.wedge import read_wedge
from tests.negative.test_negative import plain_scan, rendered
from tests.renderer import Picture, Place, strip

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
SPOTS = ((30.1, 40.2), (52.5, 60.3), (4.5, 20.0), (60.0, 14.4))


@pytest.fixture(scope="module")
def made() -> Calibration:
    wedge = open_scan(SAMPLES / "wedge.tif")
    return calibrate(wedge, read_wedge(SAMPLES / "wedge.csv"), label=Label(name="mine", created="2026-01-02"))


def kept(made: Calibration, options: MeasureOptions, detail: SheetDetail = ONE_SHEET) -> Preview:
    outcome = measure_one(SAMPLES / "normal.tif", made, Task(options=options, detail=detail))
    assert not isinstance(outcome, Failure), outcome
    sheet = outcome[0].sheet
    assert sheet is not None
    return sheet


@pytest.fixture(scope="module")
def sheet(made: Calibration) -> Preview:
    return kept(made, MeasureOptions())


def places(sheet: Preview) -> tuple[np.ndarray, np.ndarray]:
    rows, columns = sheet.map.shape
    x = sheet.first_mm[0] + sheet.pitch_mm[0] * np.arange(columns)
    return x, sheet.first_mm[1] + sheet.pitch_mm[1] * np.arange(rows)


def test_nothing_is_kept_unless_it_is_asked_for(made: Calibration) -> None:
    outcome = measure_one(SAMPLES / "normal.tif", made, Task(options=MeasureOptions()))
    assert not isinstance(outcome, Failure)
    assert outcome[0].sheet is None


def test_the_map_covers_the_film_with_its_margin(sheet: Preview) -> None:
    x, y = places(sheet)
    left, top, width, height = sheet.region_mm
    # truth.csv: the film is 90 x 65 mm, turned by 0.4 degrees; a cell is a quarter of a millimetre.
    assert 92.0 <= width <= 94.0
    assert 67.0 <= height <= 69.0
    # x[0] and x[-1] are middles of cells that the region's borders cut.
    np.testing.assert_allclose([x[0], x[-1]], [left, left + width], atol=0.4)
    np.testing.assert_allclose([y[0], y[-1]], [top, top + height], atol=0.4)


def test_the_map_reads_what_a_spot_reads_there(made: Calibration, sheet: Preview) -> None:
    x, y = places(sheet)
    at = [(int(np.argmin(abs(x - px))), int(np.argmin(abs(y - py)))) for px, py in SPOTS]
    exact = tuple((float(x[column]), float(y[row])) for column, row in at)
    outcome = measure_one(SAMPLES / "normal.tif", made, Task(options=MeasureOptions(spots_mm=exact)))
    assert not isinstance(outcome, Failure)
    spots = outcome[0].reading.spots
    read = [sheet.map[row, column] / 1000.0 for column, row in at]
    inside = [number for number, spot in enumerate(spots) if spot.density.limit is None]
    assert len(inside) >= 3
    # Cells of three pixels a side stand for the pixels of the disc: rim and rounding to thousandths differ.
    np.testing.assert_allclose(
        [read[number] for number in inside], [spots[number].density.value for number in inside], atol=0.012
    )


def test_the_doubt_of_a_place_is_that_of_a_spot_there(made: Calibration, sheet: Preview) -> None:
    outcome = measure_one(SAMPLES / "normal.tif", made, Task(options=MeasureOptions(spots_mm=SPOTS)))
    assert not isinstance(outcome, Failure)
    reading = outcome[0].reading
    assert reading.base_plus_fog is not None
    told_apart = [spot for spot in reading.spots if spot.density.limit is None]
    assert len(told_apart) >= 3
    for spot in told_apart:
        assert spot.density.parts is not None
        # Specks, and edges of the picture that look like them, are seen in the pixels of a spot alone.
        parts = [part for influence, part in spot.density.parts.items() if influence.kind != "specks"]
        told = np.interp(spot.density.value, sheet.levels, sheet.doubt)
        # Twelve levels stand for a curve that waves between the wedge's steps, usual grain and glare for the spot's.
        np.testing.assert_allclose(told, 2.0 * np.linalg.norm(parts), atol=0.008)


def test_two_places_of_one_density_share_the_calibration(sheet: Preview) -> None:
    between = np.array(sheet.doubt_between)
    np.testing.assert_allclose(between, between.T, atol=1e-12)
    # The wedge's certificate (0.02, of which the laws of many steps leave about half) drops out of a difference at one
    # level; noise and lamp stay: 0.70 of the whole here.
    assert 0.0 < between[5, 5] < 0.8 * sheet.doubt[5]
    assert between[1, 8] > between[5, 5]


def test_of_many_less_is_kept_and_no_more_than_asked(made: Calibration) -> None:
    for detail in (OF_MANY, SheetDetail(picture_px=100, readings=500)):
        sheet = kept(made, MeasureOptions(), detail)
        assert sheet.map.size <= detail.readings
        assert 0.6 * detail.picture_px <= max(sheet.picture.shape) <= 1.5 * detail.picture_px


def test_picture_and_map_agree(sheet: Preview) -> None:
    """The picture's mean light over an aperture is the map's reading: they come from one scan by different cells."""
    x, y = places(sheet)
    left, top, width, height = sheet.region_mm
    rows, columns = sheet.picture.shape
    px = left + (np.arange(columns) + 0.5) * width / columns
    py = top + (np.arange(rows) + 0.5) * height / rows
    light = 10.0 ** (-sheet.picture / 1000.0)
    for column, row in [(100, 90), (200, 150), (300, 200)]:
        inside = np.hypot(px[None, :] - x[column], py[:, None] - y[row]) <= 0.5
        # 1 mm over single pixels of 0.08 mm: the rim and rounding differ by a hundredth at most.
        np.testing.assert_allclose(sheet.map[row, column] / 1000.0, -np.log10(light[inside].mean()), atol=0.015)


def test_without_film_the_whole_scan_is_kept(made: Calibration, tmp_path: Path) -> None:
    plain_scan(tmp_path, np.full((200, 300), 0.1))  # of one density, ten pixels a millimetre
    outcome = measure_one(tmp_path / "plain.tif", made, Task(options=MeasureOptions(), detail=OF_MANY))
    assert not isinstance(outcome, Failure)
    sheet = outcome[0].sheet
    assert sheet is not None
    np.testing.assert_allclose(sheet.region_mm, (0.0, 0.0, 30.0, 20.0), rtol=0, atol=1e-6)
    # By another scanner's curve, so of what density does not matter; of one it must be.
    assert np.ptp(sheet.picture) <= 1
    assert np.ptp(sheet.map) <= 1


def test_of_several_frames_on_a_strip_each_is_kept_by_itself(made: Calibration, tmp_path: Path) -> None:
    pictures = [Picture(scene=scene, seed=5) for scene in ("mill", "wood", "shore")]
    film = strip(place=Place(x_mm=95, y_mm=40), pictures=pictures, kind="roll", frame_mm=(50, 56), gap_mm=6.0)
    _, bed = rendered(tmp_path, [film], (190, 80))
    outcome = measure_one(tmp_path / "negative.tif", made, Task(options=MeasureOptions(), detail=OF_MANY))
    assert not isinstance(outcome, Failure)
    assert len(outcome) == 3
    for one, truth in zip(outcome, bed.truth.film.frames, strict=True):
        assert one.sheet is not None
        left, top, width, height = truth.frame_mm
        margin = MARGIN_MM
        wanted = (left - margin, top - margin, width + 2 * margin, height + 2 * margin)
        np.testing.assert_allclose(one.sheet.region_mm, wanted, rtol=0, atol=2.0)  # frames are found to 1 mm a side
