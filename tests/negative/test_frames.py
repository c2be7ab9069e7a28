"""What is film, what is a wedge, and where the picture lies: the cases that deceive, by hand and rendered."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.negative.find.not_film import belongs_to_wedge, is_opaque, is_wedge
from densiscan.negative.find.outlines import outlines_on
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.cells import Cells, Straightened, TurnedBox
from densiscan.scan.scan import open_scan
from tests.negative.test_negative import calibration_of
from tests.renderer import (
    Film,
    FilmCurve,
    Picture,
    Piece,
    Place,
    Rendered,
    Scanner,
    WedgeLayout,
    even_densities,
    holder_for,
    render_bed,
    sheet,
    write_scan,
)

PPI = 101.6
"""Four pixels a millimetre: a pixel is one cell of the map that is searched."""

STEP_MM = 0.25


def grid_of(density: np.ndarray) -> Straightened:
    height, width = (size * STEP_MM for size in density.shape)
    box = TurnedBox(left_mm=0.0, top_mm=0.0, width_mm=width, height_mm=height, angle_deg=0.0)
    return Straightened(density=density, box=box, step_mm=STEP_MM)


def staircase(steps: int, rise: float, *, length: int = 20, across: int = 48) -> np.ndarray:
    """Density of even steps, lightest left."""
    return np.tile(np.repeat(0.05 + rise * np.arange(steps), length), (across, 1))


def rendered(folder: Path, pieces: list[Piece], size_mm: tuple[float, float]) -> tuple[tuple[Reading, ...], Rendered]:
    bed = render_bed(pieces, Scanner(ppi=PPI), seed=5, size_mm=size_mm)
    write_scan(bed, folder / "bed.tif")
    scan = open_scan(folder / "bed.tif")
    return measure_scan(scan, calibration_of(scan), MeasureOptions()), bed


def plate(**changes: Any) -> Film:
    options: dict[str, Any] = {
        "size_mm": (90, 65),
        "place": Place(x_mm=52, y_mm=42, angle_deg=0.8),
        "picture": Picture(scene="mill", seed=4),
        **changes,
    }
    return sheet(**options)


@given(steps=st.integers(8, 30), rise=st.floats(0.08, 0.3), way=st.sampled_from([1, -1]), upright=st.booleans())
def test_even_steps_are_a_wedge_whichever_way_they_run(steps: int, rise: float, way: int, upright: bool) -> None:
    density = staircase(steps, rise)[:, ::way]
    assert is_wedge(grid_of(density.T if upright else density))


def test_lines_between_the_steps_and_a_dense_border_do_not_hide_a_wedge() -> None:
    density = staircase(12, 0.15)
    density[:, 19::20] = 3.0
    bordered = np.pad(density, ((0, 0), (16, 16)), constant_values=0.06)
    assert is_wedge(grid_of(density))
    assert is_wedge(grid_of(bordered))


def test_what_is_denser_than_the_calibration_tells_apart_is_one_black() -> None:
    """A border of 3.0, and the same beyond the last step: noise about what is not told apart is no unevenness."""
    rng = np.random.default_rng(4)
    density = staircase(9, 0.15)
    opaque = np.pad(density, ((16, 16), (14, 14)), constant_values=3.0)
    opaque += rng.normal(0.0, 0.4, opaque.shape) * (opaque > 2.0)
    assert is_wedge(grid_of(opaque), 2.05)
    beyond = staircase(25, 0.13)
    beyond += rng.normal(0.0, 0.4, beyond.shape) * (beyond > 2.0)
    assert is_wedge(grid_of(beyond), 2.05)


def test_numerals_at_the_rim_of_the_steps_do_not_hide_a_wedge() -> None:
    """Strokes over half of each step, in a fifth of its width; bars across panes leave nothing between them."""
    density = staircase(14, 0.15, across=60)
    numbered, barred = density.copy(), density.copy()
    strokes = np.tile(np.repeat([True, False], [9, 11]), 14)
    numbered[-12:, strokes] = 2.2
    barred[-12:] = 0.9 + 0.3 * np.sin(np.arange(density.shape[1]) / 9.0)
    assert is_wedge(grid_of(numbered))
    assert not is_wedge(grid_of(barred))


@given(seed=st.integers(0, 10_000))
def test_a_ramp_and_a_picture_are_no_wedge(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ramp = np.tile(np.linspace(0.1, 2.0, 400), (60, 1))
    blocks = np.kron(rng.uniform(0.2, 1.6, (8, 12)), np.ones((30, 30)))
    assert not is_wedge(grid_of(ramp))
    assert not is_wedge(grid_of(blocks))


def test_two_tones_are_a_horizon_and_no_wedge() -> None:
    density = np.full((80, 300), 0.3)
    density[:, 150:] = 1.2
    assert not is_wedge(grid_of(density))


def test_what_stops_all_light_is_no_film_however_dense_a_picture_is() -> None:
    dense = np.full((80, 80), 2.4)
    dense[20:60, 20:60] = 3.2
    assert is_opaque(grid_of(np.full((80, 80), 3.0)), densest=3.0)
    assert not is_opaque(grid_of(dense), densest=3.0)


def test_a_piece_in_line_with_a_wedge_is_its_end_and_one_beside_it_is_not() -> None:
    wedge = TurnedBox(left_mm=10.0, top_mm=14.0, width_mm=100.0, height_mm=12.0, angle_deg=1.0)
    end = TurnedBox(left_mm=111.0, top_mm=15.0, width_mm=8.0, height_mm=12.0, angle_deg=1.0)
    film = TurnedBox(left_mm=15.0, top_mm=38.0, width_mm=90.0, height_mm=65.0, angle_deg=0.0)
    assert belongs_to_wedge(end, wedge)
    assert not belongs_to_wedge(film, wedge)


def test_an_unexposed_sheet_has_no_frame(tmp_path: Path) -> None:
    readings, bed = rendered(tmp_path, [plate(picture=None)], (104, 84))
    (reading,) = readings
    assert reading.frame_mm is None
    assert reading.film_mm is not None
    assert_allclose(reading.film_mm, bed.truth.film.sheet_mm, atol=1.0)
    assert reading.highlight is not None
    # nothing on it is denser than base plus fog by more than grain: its rim, where light scatters, is not read
    assert reading.highlight.value - bed.truth.film.base_plus_fog < 0.03


WEDGES = {
    "plain": {},
    "bordered": {"border_mm": 4.0, "end_mm": 6.0},
    "numbered": {"border_mm": 4.0, "numerals": True},
    "dark lines": {"line_mm": 0.4},
    "clear lines": {"line_mm": 0.4, "line_density": 0.02},
    "along the bed": {"run": "down"},
    "light end right": {"run": "left"},
}


@pytest.mark.parametrize("options", WEDGES.values(), ids=WEDGES)
def test_a_wedge_beside_the_film_is_not_measured_as_a_negative(options: dict[str, Any], tmp_path: Path) -> None:
    upright = options.get("run") == "down"
    size = (135.0, 140.0) if upright else (140.0, 120.0)
    place = Place(x_mm=118, y_mm=70, angle_deg=0.5) if upright else Place(x_mm=70, y_mm=102, angle_deg=0.5)
    wedge = WedgeLayout(densities=even_densities(19, 0.15), place=place, step_mm=6.0, **options)
    readings, bed = rendered(tmp_path, [plate(), wedge], size)
    (reading,) = readings
    assert reading.frame_corners_mm is not None
    assert_allclose(reading.frame_corners_mm, bed.truth.film.frame.corners_mm, atol=1.0)
    assert "wedge-left-out" in {warning.code for warning in reading.warnings}


def test_what_lies_alone_is_measured_however_much_it_looks_like_steps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("densiscan.negative.find.not_film.is_wedge", lambda *_: True)
    (reading,), bed = rendered(tmp_path, [plate()], (140.0, 120.0))
    assert reading.frame_corners_mm is not None
    assert_allclose(reading.frame_corners_mm, bed.truth.film.frame.corners_mm, atol=1.0)


@pytest.mark.parametrize("seed", [3, 8])
def test_a_clear_sky_does_not_pull_a_side_in(seed: int, tmp_path: Path) -> None:
    """Half of the picture is as clear as the rebate: the sides that show tell how wide the rebate is."""
    picture = Picture(scene="night-street", seed=seed, shadow_stops=-4.0, range_stops=9.0, flare=0.001)
    readings, bed = rendered(tmp_path, [plate(picture=picture)], (104, 84))
    (reading,) = readings
    assert reading.frame_corners_mm is not None
    assert_allclose(reading.frame_corners_mm, bed.truth.film.frame.corners_mm, atol=1.5)


@pytest.mark.parametrize("angle", [-0.7, 0.5])
def test_a_thin_frame_in_a_holder_tells_the_angle(angle: float, tmp_path: Path) -> None:
    """The holder hides the edges of the film, and a thin negative's sides are faint."""
    thin = plate(
        place=Place(x_mm=52, y_mm=42, angle_deg=angle),
        picture=Picture(scene="facade", seed=3, shadow_stops=-1.5),
        edge_mm=5.0,
        curve=FilmCurve(contrast=0.5),
    )
    readings, bed = rendered(tmp_path, [thin, holder_for(thin, cover_mm=1.5)], (104, 84))
    (reading,) = readings
    assert reading.frame_corners_mm is not None
    assert_allclose(reading.angle_deg, angle, atol=0.3)  # the aim set for this tool
    assert_allclose(reading.frame_corners_mm, bed.truth.film.frame.corners_mm, atol=1.0)


def cells_with(film: float, glass: float) -> Cells:
    """A piece of film of 30 x 20 mm in the middle of a bed of 50 x 40 mm, as density."""
    density = np.full((160, 200), glass)
    density[40:120, 40:160] = film
    clear = np.zeros(density.shape, dtype=bool)
    return Cells(
        density=density,
        light=10.0**-density,
        clipped_light=clear,
        clipped_dark=clear,
        x_mm=np.linspace(0.0, 50.0, 201),
        y_mm=np.linspace(0.0, 40.0, 161),
    )


def test_glass_is_known_though_the_curve_is_a_guess_beyond_the_lightest_step() -> None:
    """A first step of 0.12 and a curve that bends: bare glass may read 0.06, and is still what lies all round."""
    bed = cells_with(film=0.19, glass=0.06)
    ((found,), _) = outlines_on(bed, density_range=(0.12, 3.0), zero_doubt=0.08)
    assert found.sides == ("glass",) * 4
    assert_allclose(found.box.box_mm, (10.0, 10.0, 30.0, 20.0), atol=0.3)  # about a cell of 0.25 mm
    ((whole,), _) = outlines_on(bed, density_range=(0.12, 3.0), zero_doubt=0.02)
    assert whole.sides == ("scan",) * 4


def test_clear_film_in_the_middle_of_a_crop_is_no_glass() -> None:
    crop = cells_with(film=0.06, glass=0.9)
    ((found,), _) = outlines_on(crop, density_range=(0.12, 3.0), zero_doubt=0.08)
    assert found.cropped
