"""Film that a hand cut: rebate that narrows to nothing is rebate, and glass within the film's box is no shadow."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.batch.assessment import PrintAim, Task, assess
from densiscan.negative.bench import bench_for
from densiscan.negative.find.cut import cut_of, is_crooked
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_on
from densiscan.negative.trouble.inspection import trouble_on
from densiscan.scan.apertures import cells_inside, readings_inside
from densiscan.scan.cells import Cells, Footprint, TurnedBox, straightened
from densiscan.scan.scan import open_scan
from densiscan.scan.survey import survey
from tests.negative.test_negative import calibration_of
from tests.renderer import (
    Film,
    FilmTruth,
    Picture,
    Piece,
    Place,
    Scanner,
    Sheetlet,
    render_bed,
    sheet,
    write_scan,
)
from tests.renderer.film import Cut

STRAIGHT: Cut = (0.0, 0.0, 0.0)
CUTS: dict[str, tuple[Cut, Cut, Cut, Cut]] = {
    "off square": ((0.0, 1.4, 0.0), (1.4, 0.0, 0.0), (0.0, 1.4, 0.0), (1.4, 0.0, 0.0)),
    "one side askew": (STRAIGHT, (0.0, 1.4, 0.0), STRAIGHT, STRAIGHT),
    "bowed": ((0.2, 0.1, 1.2), (0.0, 0.0, 1.2), (0.3, 0.0, -0.2), (0.0, 0.3, 1.2)),
    "to nothing": ((0.0, 1.8, 0.0), (0.3, 1.0, 0.0), (1.8, 0.0, 0.1), (0.2, 0.9, 0.1)),
}


def hand_cut(cut: tuple[Cut, Cut, Cut, Cut], edge_mm: float | tuple[float, float, float, float] = 1.8) -> Film:
    """A well exposed picture, whose shadow is far above its rebate, on film that a hand cut."""
    return sheet(
        size_mm=(62, 60),
        place=Place(x_mm=41, y_mm=40, angle_deg=0.7),
        picture=Picture(scene="shore", seed=9, shadow_stops=3.0),
        edge_mm=edge_mm,
        notch=None,
        cut=cut,
    )


def read(folder: Path, pieces: list[Piece], *, ppi: float = 150.0) -> tuple[tuple[Reading, ...], FilmTruth, set[str]]:
    """Return the readings, the truth and the codes of what trouble is found on the first."""
    bed = render_bed(pieces, Scanner(ppi=ppi, glare=0.0), seed=21, size_mm=(82, 80))
    write_scan(bed, folder / "bed.tif")
    scan, options = open_scan(folder / "bed.tif"), MeasureOptions()
    made = calibration_of(scan)
    bench = bench_for(scan, made, options)
    readings = measure_on(bench)
    trouble = trouble_on(bench, readings)[0]
    told = assess(folder / "bed.tif", readings[0], Task(options=options, aim=PrintAim()), trouble)
    return readings, bed.truth.film, {finding.code for finding in told.trouble.findings}


def assert_read(reading: Reading, truth: FilmTruth) -> None:
    """Hold shadow and highlight against the truth: within 0.01."""
    assert reading.shadow is not None
    assert reading.highlight is not None
    assert reading.shadow.value == pytest.approx(truth.frame.shadow, abs=0.01)
    assert reading.highlight.value == pytest.approx(truth.frame.highlight, abs=0.01)


@pytest.mark.parametrize("name", sorted(CUTS))
def test_rebate_of_film_cut_awry_is_found_and_is_no_shadow(name: str, tmp_path: Path) -> None:
    (reading,), truth, found = read(tmp_path, [hand_cut(CUTS[name])])
    assert reading.seen == "negative"
    assert reading.base_plus_fog is not None
    assert reading.base_plus_fog.value == pytest.approx(truth.base_plus_fog, abs=0.004)
    assert_read(reading, truth)
    assert reading.clipped_light == 0.0
    assert found.isdisjoint({"light-leak", "clear-area", "clipped-light", "uneven-development"})


def test_rebate_on_two_sides_alone(tmp_path: Path) -> None:
    """The cut runs through the picture on the other two."""
    film = hand_cut(CUTS["off square"], (3.0, 0.0, 0.0, 2.5))
    (reading,), truth, _ = read(tmp_path, [film])
    assert reading.base_plus_fog is not None
    assert reading.base_plus_fog.value == pytest.approx(truth.base_plus_fog, abs=0.004)
    assert_read(reading, truth)
    assert "frame-touches-edge" in {warning.code for warning in reading.warnings}


@pytest.mark.parametrize("edge_mm", [0.0, 0.45, 0.6])
@pytest.mark.parametrize("crooked", [0.0, 0.25])
def test_rebate_too_narrow_to_be_read_is_no_shadow(edge_mm: float, crooked: float, tmp_path: Path) -> None:
    cut: Cut = (0.0, crooked, 0.0)
    (reading,), truth, _ = read(tmp_path, [hand_cut((cut, cut, cut, cut), edge_mm)])
    assert_read(reading, truth)


@pytest.mark.parametrize(
    ("outer_mm", "density", "beyond_mm"), [(300.0, 0.8, 2.0), (76.0, 0.5, -0.7), (300.0, 1.2, -1.5), (300.0, 3.5, -0.7)]
)
def test_paper_round_film_is_a_mask(outer_mm: float, density: float, beyond_mm: float, tmp_path: Path) -> None:
    """Whether its opening leaves glass round the film or hides a part of the rebate, and whether light passes it."""
    film = hand_cut((STRAIGHT,) * 4, 3.0)
    width, height = 62.0 + 2 * beyond_mm, 60.0 + 2 * beyond_mm
    opening = (-width / 2, -height / 2, width, height)
    paper = Sheetlet(place=film.place, size_mm=(outer_mm, outer_mm), density=density, openings=(opening,))
    (reading,), truth, _ = read(tmp_path, [film, paper])
    assert_read(reading, truth)
    assert reading.base_plus_fog is not None
    assert reading.base_plus_fog.value == pytest.approx(truth.base_plus_fog, abs=0.004)
    assert not any(item.may_be_film for item in reading.left_out)


def test_paper_round_film_without_rebate_is_named(tmp_path: Path) -> None:
    """Its opening shows glass and the picture alone; the paper itself is torn and not even."""
    film = hand_cut(CUTS["off square"], 0.0)
    opening = (-33.0, -32.0, 66.0, 64.0)
    paper = Sheetlet(place=film.place, size_mm=(76.0, 74.0), density=0.8, openings=(opening,))
    patch = Sheetlet(place=Place(x_mm=41, y_mm=6.0), size_mm=(40.0, 5.0), density=0.4)
    (reading,), truth, _ = read(tmp_path, [film, paper, patch])
    assert_read(reading, truth)
    assert [item.code for item in reading.left_out] == ["template-left-out"]
    assert not reading.left_out[0].may_be_film


@pytest.mark.parametrize("density", [0.06, 0.9, 3.0])
@pytest.mark.parametrize("edge_mm", [0.0, 3.0])
def test_tape_on_a_corner_is_no_film(density: float, edge_mm: float, tmp_path: Path) -> None:
    """Tape 12 mm wide, at 45 degrees, over the corner and 8 mm beyond it on the film; clear, paper and black."""
    film = hand_cut((STRAIGHT,) * 4, edge_mm)
    x, y = film.place.on_bed(-31.0, -30.0)
    inwards = 2.0 / 2**0.5
    tape = Sheetlet(
        place=Place(x_mm=x + inwards, y_mm=y + inwards, angle_deg=-45.0), size_mm=(30.0, 12.0), density=density
    )
    (reading,), truth, _ = read(tmp_path, [film, tape])
    assert_read(reading, truth)
    assert (reading.base_plus_fog is None) == (edge_mm == 0.0)
    if reading.base_plus_fog is not None:
        assert reading.base_plus_fog.value == pytest.approx(truth.base_plus_fog, abs=0.004)


def footprint(mask: np.ndarray, row: int = 0, column: int = 0) -> Footprint:
    rows, columns = mask.shape
    box = TurnedBox(left_mm=column * 0.25, top_mm=row * 0.25, width_mm=columns * 0.25, height_mm=rows * 0.25)
    return Footprint(rows=slice(row, row + rows), columns=slice(column, column + columns), mask=mask, box=box)


@given(row=st.integers(0, 12), column=st.integers(0, 12), rim=st.integers(0, 3))
def test_what_lies_beyond_a_footprint(row: int, column: int, rim: int) -> None:
    """A block of 6 x 4 cells whose upper left corner is cell (5, 7): all else is beyond it, and so is its rim."""
    one = footprint(np.ones((6, 4), dtype=bool), 5, 7)
    beyond = one.beyond(slice(row, row + 3), slice(column, column + 3), rim)
    rows, columns = np.arange(row, row + 3)[:, None], np.arange(column, column + 3)[None, :]
    deep = (rows >= 5 + rim) & (rows < 11 - rim) & (columns >= 7 + rim) & (columns < 11 - rim)
    assert (beyond == ~deep).all()


def test_film_laid_straight_ends_at_its_footprint() -> None:
    """A wedge of film: its depth counts from the oblique edge."""
    film = np.arange(40)[None, :] >= np.arange(40)[:, None] // 4
    edges = np.arange(41, dtype=np.float64) * np.float64(0.25)
    cells = Cells(
        density=np.full((40, 40), 0.3),
        light=np.full((40, 40), 0.5),
        clipped_light=np.zeros((40, 40), dtype=bool),
        clipped_dark=np.zeros((40, 40), dtype=bool),
        x_mm=edges,
        y_mm=edges,
    )
    grid = straightened(cells, TurnedBox(left_mm=0.0, top_mm=0.0, width_mm=10.0, height_mm=10.0), film=footprint(film))
    assert np.isfinite(grid.density).tolist() == film.tolist()
    band = grid.off_edges(0.5, 1.0)
    # two cells off the edge, two cells wide, on every row, wherever the row begins; its ends lie by the other sides
    for row in range(8, 32):
        first = row // 4
        cells_of_row = np.flatnonzero(band[row, : first + 12])
        assert cells_of_row.size in (2, 3)
        assert 1 <= cells_of_row[0] - first <= 3
    straight = straightened(cells, TurnedBox(left_mm=0.0, top_mm=0.0, width_mm=10.0, height_mm=10.0))
    assert np.flatnonzero(straight.off_edges(0.5, 1.0)[20]).tolist() == [2, 3, 36, 37]


def test_no_aperture_reaches_beyond_the_film(tmp_path: Path) -> None:
    """Unexposed film whose left side is cut obliquely by 3 mm, in a box that holds the glass beside it."""
    film = sheet(
        size_mm=(30, 30),
        place=Place(x_mm=20, y_mm=20),
        picture=None,
        notch=None,
        cut=((0.0, 3.0, 0.0), STRAIGHT, STRAIGHT, STRAIGHT),
    )
    write_scan(render_bed([film], Scanner(ppi=203.2), seed=3, size_mm=(40, 40)), tmp_path / "film.tif")
    scan = open_scan(tmp_path / "film.tif")
    surveyed = survey(scan, table=np.linspace(0.0, 1.0, scan.facts.full_scale + 1))
    middle = 0.5 * (surveyed.x_edges_mm[1:] + surveyed.x_edges_mm[:-1])
    down = 0.5 * (surveyed.y_edges_mm[1:] + surveyed.y_edges_mm[:-1])
    covered = middle[None, :] > 5.2 + 0.1 * (down[:, None] - 5.0)
    one = footprint(covered)
    box = TurnedBox(left_mm=5.5, top_mm=6.0, width_mm=28.0, height_mm=28.0)
    free = readings_inside(surveyed, box, aperture_mm=1.0)
    kept = readings_inside(surveyed, box, aperture_mm=1.0, film=one)
    assert free is not None
    assert kept is not None
    assert free.density[0] < 0.01
    # base plus fog 0.14, with its grain
    assert kept.density[0] > 0.13
    assert kept.density.size > 0.8 * free.density.size
    assert cells_inside(surveyed, box).of(surveyed.mean).max() > 0.95
    assert cells_inside(surveyed, box, film=one).of(surveyed.mean).max() < 10**-0.12


def test_a_notch_code_is_no_crooked_cut() -> None:
    """A tenth of a short side, a millimetre deep; a side that runs a millimetre askew is crooked."""
    along = np.arange(0.0, 63.0, 0.25)
    every = np.ones(along.size, dtype=bool)
    notched = np.where((along > 5) & (along < 11.3), -1.0, 0.0)
    assert not is_crooked([cut_of(along, notched, notched, every)])
    assert is_crooked([cut_of(along, along / 63.0, along / 63.0, every)])


def test_tape_leaves_an_edge_sooner_than_a_cut_that_went_astray() -> None:
    along = np.arange(0.0, 88.0, 0.25)
    every = np.ones(along.size, dtype=bool)
    astray = along * 4.0 / 88.0
    assert cut_of(along, astray, astray, every).film.all()
    taped = np.where((along > 30) & (along < 49), 5.0, 0.0)
    assert (~cut_of(along, taped, taped, every).film == (taped > 0)).all()
