"""Beds of several sheets: nothing that may be film is lost, and what is not measured is named."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from densiscan.negative.find.not_film import belongs_to_wedge, is_opaque, is_wedge
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.cells import Straightened, TurnedBox
from densiscan.scan.scan import open_scan
from tests.negative.test_negative import calibration_of
from tests.renderer import (
    BedBorder,
    Film,
    FilmCurve,
    Picture,
    Piece,
    Place,
    Scanner,
    WedgeLayout,
    even_densities,
    render_bed,
    sheet,
    strip,
    write_scan,
)
from tests.support.made_up import calibration
from tests.support.schemas import faults
from tests.trials.bed_rates import outcome

STEP_MM = 0.25


def grid_of(density: np.ndarray) -> Straightened:
    height, width = (size * STEP_MM for size in density.shape)
    box = TurnedBox(left_mm=0.0, top_mm=0.0, width_mm=width, height_mm=height)
    return Straightened(density=density, box=box, step_mm=STEP_MM)


def read(folder: Path, pieces: list[Piece], size_mm: tuple[float, float]) -> tuple[Reading, ...]:
    rendered = render_bed(pieces, Scanner(ppi=101.6), seed=21, size_mm=size_mm)
    write_scan(rendered, folder / "bed.tif")
    scan = open_scan(folder / "bed.tif")
    return measure_scan(scan, calibration_of(scan), MeasureOptions())


def negative(**changes: Any) -> Film:
    options: dict[str, Any] = {
        "size_mm": (60, 60),
        "place": Place(x_mm=40, y_mm=40, angle_deg=0.6),
        "picture": Picture(scene="shore", seed=9),
        **changes,
    }
    return sheet(**options)


@pytest.mark.parametrize("seed", [5004, 5014, 5030])
def test_no_sheet_is_lost_for_its_windows_or_palings(seed: int) -> None:
    bed = outcome(seed)
    assert bed.lost == ()
    assert bed.strange == 0


def test_panes_beside_a_picture_are_no_wedge() -> None:
    """Even panes, each lighter than the last, fill the middle of the film; above and below them is a room."""
    rng = np.random.default_rng(3)
    film = np.full((140, 300), 0.2)
    film[12:128, 12:288] = rng.uniform(0.3, 0.5, (116, 276))
    film[40:100, 12:288] = np.repeat(1.5 - 0.15 * np.arange(8), 35)[:276]
    assert not is_wedge(grid_of(film))
    # the same panes from edge to edge of a narrow strip are steps
    assert is_wedge(grid_of(film[44:96, 12:288]))


def test_a_strip_in_line_with_a_wedge_is_film_and_its_short_end_is_not() -> None:
    wedge = TurnedBox(left_mm=10.0, top_mm=14.0, width_mm=100.0, height_mm=35.0)
    strip_beside = TurnedBox(left_mm=115.0, top_mm=14.0, width_mm=120.0, height_mm=35.0)
    sheet_beside = TurnedBox(left_mm=115.0, top_mm=5.0, width_mm=60.0, height_mm=60.0)
    end = TurnedBox(left_mm=112.0, top_mm=14.0, width_mm=9.0, height_mm=35.0)
    assert not belongs_to_wedge(strip_beside, wedge)
    assert not belongs_to_wedge(sheet_beside, wedge)
    assert belongs_to_wedge(end, wedge)


def test_a_dense_negative_with_a_narrow_rebate_is_not_opaque() -> None:
    """3 mm of rebate round a sheet of 90 x 120 mm, its outermost millimetre not counted: 8 % of what is seen."""
    dense = np.full((360, 480), 3.0)
    dense[:12] = dense[-12:] = dense[:, :12] = dense[:, -12:] = 0.3
    assert not is_opaque(grid_of(dense), densest=3.0)


@pytest.mark.parametrize("clear", [(1, 2), (0, 4)])
def test_a_night_roll_is_no_single_frame(clear: tuple[int, int], tmp_path: Path) -> None:
    """Five frames of 36 mm with gaps of 2: two of them hold only a few lights."""
    pictures = [
        Picture(
            scene="night-street", seed=40 + k, shadow_stops=-5.5 if k in clear else -2.0, range_stops=9, flare=0.001
        )
        for k in range(5)
    ]
    film = strip(place=Place(x_mm=104, y_mm=26, angle_deg=0.4), pictures=pictures, curve=FilmCurve())
    readings = read(tmp_path, [film], (208, 52))
    assert len(readings) > 1
    # no camera for 35 mm film has a frame of more than 65 mm
    assert all(reading.frame_mm is None or reading.frame_mm[2] < 70 for reading in readings)


def test_the_border_of_the_bed_is_not_film(tmp_path: Path) -> None:
    border = BedBorder(edge="right", width_mm=18.0, density=0.7, lean_deg=0.9)
    readings = read(tmp_path, [negative(), border], (105, 80))
    (reading,) = readings
    assert reading.film_mm is not None
    assert [item.code for item in reading.left_out] == ["border-left-out"]
    assert not reading.left_out[0].may_be_film


def test_film_that_a_hand_cut_is_film(tmp_path: Path) -> None:
    """Every side leaves its straight line by up to 1.5 mm, the corners are off square."""
    cut = ((0.0, 1.5, 0.2), (1.4, 0.0, -0.2), (0.0, 1.2, 0.0), (0.3, 1.5, 0.3))
    (reading,) = read(tmp_path, [negative(size_mm=(120, 90), place=Place(x_mm=70, y_mm=55), cut=cut)], (140, 110))
    assert reading.film_mm is not None
    # half the worst departure on either side of the true box
    assert np.abs(np.array(reading.film_mm) - (10, 10, 120, 90)).max() < 3.0
    assert reading.left_out == ()


@pytest.fixture(scope="module")
def together(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A negative and a wedge on one bed, and the calibration of that scanner."""
    folder = tmp_path_factory.mktemp("together")
    wedge = WedgeLayout(
        densities=even_densities(14, 0.15, 0.06), place=Place(x_mm=60, y_mm=88), step_mm=7.0, width_mm=14.0
    )
    rendered = render_bed([negative(), wedge], Scanner(ppi=101.6), seed=21, size_mm=(120, 104))
    write_scan(rendered, folder / "bed.tif")
    write_calibration(calibration_of(open_scan(folder / "bed.tif")), folder / "cal.json")
    return folder


def test_a_wedge_left_out_is_named_and_is_no_failure(together: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["measure", str(together / "bed.tif"), "--calibration", str(together / "cal.json")]
    assert run([*words, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert faults(document, "readings") == []
    (item,) = document["left_out"]
    assert item["file"] == "bed.tif"
    assert item["code"] == "wedge-left-out"
    assert item["box_mm"] == pytest.approx([11, 81, 98, 14], abs=1.0)
    assert run(words) == 0
    out = capsys.readouterr().out
    assert out.count("step wedge") == 1
    assert "left out" in out


def test_a_folder_names_what_was_left_out(together: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["measure", str(together), "--only", "*.tif", "--calibration", str(together / "cal.json"), "--json"]
    assert run(words) == 0
    assert [item["code"] for item in json.loads(capsys.readouterr().out)["left_out"]] == ["wedge-left-out"]


def test_film_left_out_is_a_failure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What may be film and is not measured: an outline that no cutter makes, beside a negative that is read."""
    from tests.renderer import Sheetlet

    steps = [
        Sheetlet(place=Place(x_mm=100, y_mm=40, angle_deg=angle), size_mm=(34.0, 34.0), density=0.35)
        for angle in (0.0, 22.0, 45.0, 67.0)
    ]
    rendered = render_bed([negative(), *steps], Scanner(ppi=101.6), seed=21, size_mm=(130, 80))
    write_scan(rendered, tmp_path / "bed.tif")
    write_calibration(calibration_of(open_scan(tmp_path / "bed.tif")), tmp_path / "cal.json")
    words = ["measure", str(tmp_path / "bed.tif"), "--calibration", str(tmp_path / "cal.json"), "--json"]
    assert run(words) == 1
    document = json.loads(capsys.readouterr().out)
    assert len(document["readings"]) == 1
    assert [item["code"] for item in document["left_out"]] == ["outline-not-clear"]


@pytest.mark.parametrize("name", ["film_a_scan1", "film_a_scan4", "film_b_scan2"])
def test_the_border_beside_real_film_is_not_film(name: str, shared_data: Path) -> None:
    """A linear response, written by hand: no calibration is known of these scans."""
    scan = open_scan(shared_data / "real" / "flatbed_films" / f"{name}.tif", channel="green")
    linear = replace(calibration(), scan=scan.facts, channel="green")
    (reading,) = measure_scan(scan, linear, MeasureOptions())
    assert reading.film_mm is not None
    # measured on the picture by eye: 201 x 128 and 182 x 127 mm, cut by hand
    assert reading.film_mm[2:] == pytest.approx((201, 128) if "film_a" in name else (182, 127), abs=2.0)
