"""How far a percentile moves when the sides of an area move, against areas that were drawn larger and smaller."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.negative.reading import measure_scan
from densiscan.scan.apertures import ApertureReadings
from densiscan.scan.cells import TurnedBox
from densiscan.scan.frame_edge import Border, Grid, borders_of
from densiscan.scan.scan import open_scan
from tests import renderer
from tests.support import made_up

PITCH = 0.25
GRID = Grid(
    x_mm=np.asarray((np.arange(320) + 0.5) * PITCH, dtype=np.float64),
    y_mm=np.asarray((np.arange(240) + 0.5) * PITCH, dtype=np.float64),
)


def borders(density: np.ndarray, doubt: float, angle: float = 0.0) -> tuple[Border, ...]:
    area = TurnedBox(left_mm=10.0, top_mm=10.0, width_mm=60.0, height_mm=40.0, angle_deg=angle)
    return borders_of(10.0**-density, GRID, area, (doubt,) * 4, inset_mm=0.5)


def inside(density: np.ndarray, grown: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """Return the sorted densities of an area whose left side lies farther out by one number, its top by the other."""
    x, y = GRID.x_mm[None, :], GRID.y_mm[:, None]
    within = (x >= 10.5 - grown[0]) & (x <= 69.5) & (y >= 10.5 - grown[1]) & (y <= 49.5)
    return np.sort(-np.log10(10.0 ** -density[within]))


def test_a_side_that_moves_by_whole_cells_is_counted_anew() -> None:
    """A ramp down the page, denser along its top: the top moves by two cells, which is what k = 2 allows."""
    y = np.broadcast_to(GRID.y_mm[:, None], (240, 320))
    density = np.where(y < 12.0, 2.0 - 0.3 * (y - 10.0), 0.3 + 0.01 * y) - 0.075 / 59.0 * GRID.x_mm[None, :]
    doubt = math.sqrt(0.25**2 - PITCH**2 / 12.0)  # with that of the grid, 0.25 mm: two cells at k = 2
    ordered = inside(density)
    out, back = (np.quantile(inside(density, (0.0, by)), 0.99) - np.quantile(ordered, 0.99) for by in (0.5, -0.5))
    moved = borders(density, doubt)[1].moved(ordered, 0.99)
    assert_allclose(moved, 0.5 * math.sqrt((out**2 + back**2) / 2.0), rtol=0.05)
    assert moved > 0.03


def test_a_side_counts_with_its_sign() -> None:
    """Clear along the left, dense along the top: outwards the left lowers the shadow, the top raises the highlight."""
    x = np.broadcast_to(GRID.x_mm[None, :], (240, 320))
    y = np.broadcast_to(GRID.y_mm[:, None], (240, 320))
    density = 1.0 - np.maximum(0.0, 12.0 - x) * 0.3 + np.maximum(0.0, 12.0 - y) * 0.3
    ordered = inside(density)
    left, top, right, bottom = borders(density, 0.1)
    assert left.moved(ordered, 0.01) < -0.005
    assert top.moved(ordered, 0.99) > 0.005
    for other in (right, bottom):
        assert abs(other.moved(ordered, 0.01)) < 0.001
        assert abs(other.moved(ordered, 0.99)) < 0.001


def test_a_gap_at_the_percentile_is_doubted_and_an_even_spread_is_not() -> None:
    """As many readings lie along the left edge as the trim leaves out, 0.5 darker: one cell more and they decide."""
    x = np.broadcast_to(GRID.x_mm[None, :], (240, 320))
    gap = np.where(x < 11.1, 0.3, 0.8)
    ordered = inside(gap)
    share = float((ordered < 0.5).mean()) * 1.02
    assert abs(borders(gap, 0.08)[0].moved(ordered, share)) > 0.1
    rng = np.random.default_rng(4)
    spread = rng.uniform(0.3, 1.5, (240, 320))
    assert abs(borders(spread, 0.08)[0].moved(inside(spread), 0.01)) < 0.002


@pytest.mark.parametrize("angle", [0.0, 2.0])
def test_an_even_area_does_not_depend_on_where_it_ends(angle: float) -> None:
    even = np.full((240, 320), 0.7)
    ordered = np.sort(even.ravel())
    assert [side.moved(ordered, 0.01) for side in borders(even, 0.5, angle)] == pytest.approx([0.0] * 4, abs=2e-5)


def test_a_turned_side_averages_over_the_rows_of_cells() -> None:
    straight, turned = borders(np.zeros((240, 320)), 0.0), borders(np.zeros((240, 320)), 0.0, 3.0)
    for one, other in zip(straight, turned, strict=True):
        assert other.lost < 0.5 * one.lost
    assert_allclose(straight[0].lost, 2.0 / math.sqrt(12.0) / 2.0, rtol=1e-9)


def test_an_area_narrower_than_the_aperture_has_no_border() -> None:
    narrow = TurnedBox(left_mm=10.0, top_mm=10.0, width_mm=0.8, height_mm=20.0)
    found = borders_of(np.ones((240, 320)), GRID, narrow, (0.1,) * 4, inset_mm=0.5)
    assert found[1].within.size == 0


def test_shadow_and_highlight_along_the_edge_of_a_frame(tmp_path: Path) -> None:
    """Strips of sky and ground, a scanner without glare, a true calibration: what is left is where the frame ends."""
    scanner = renderer.Scanner(ppi=200.0, lamp=0.0, glare=0.0, streaks=0.0)
    place = renderer.Place(x_mm=52.0, y_mm=40.0, angle_deg=1.1)
    parts = []
    for seed in (21, 22, 23, 24):
        picture = renderer.Picture(scene="strips", seed=seed, range_stops=6.5, shadow_stops=2.0, falloff_stops=0.0)
        film = renderer.sheet(size_mm=(88.0, 63.0), place=place, picture=picture)
        scan = renderer.render_bed((film,), scanner, seed=seed, size_mm=(104.0, 80.0))
        renderer.write_scan(scan, tmp_path / "film.tif", compression=None)
        (reading,) = measure_scan(open_scan(tmp_path / "film.tif"), made_up.calibration())
        frame = scan.truth.film.frame
        for read, truth in ((reading.shadow, frame.shadow), (reading.highlight, frame.highlight)):
            assert read is not None
            parts.append(2.0 * read.budget().get("frame edge", 0.0))
            # a hundredth for grain and for the curve between the steps; beyond that only where the frame ends
            assert abs(read.value - truth) <= 0.01 + parts[-1]
        assert reading.density_range is not None
        assert reading.density_range.budget()["frame edge"] > 0.0
    assert max(parts) > 0.02


def test_what_the_grid_leaves_to_chance_in_a_gap() -> None:
    """Of each fourth of 101 readings one or two are dark: the second of them, at 1 %, is 0.8 twice and 0.3 twice.

    Their standard deviation is 0.25; a grid twice as fine leaves half of it.
    """
    fourths = tuple(np.array([0.3] * dark + [0.8] * (101 - dark)) for dark in (1, 1, 2, 2))
    ordered = np.sort(np.concatenate(fourths))
    read = ApertureReadings(
        density=ordered, noise=np.zeros(10), overlapping=10.0, specks=0.0, too_many=False, coarser=fourths
    )
    assert_allclose(read.gap_part(0.01), 0.125, rtol=1e-9)
    assert read.gap_part(0.5) == 0.0


def test_a_gap_in_the_tones_away_from_the_edges_is_doubted(tmp_path: Path) -> None:
    """The densest patch fills a hundredth of the frame and lies within it; the tones of a shore have no gap."""
    scanner = renderer.Scanner(ppi=200.0, lamp=0.0, glare=0.0, streaks=0.0)
    place = renderer.Place(x_mm=52.0, y_mm=40.0, angle_deg=0.2)
    parts = {}
    for scene, seed in (("patches", 44), ("shore", 10)):
        picture = renderer.Picture(scene=scene, seed=seed, range_stops=6.5, shadow_stops=2.0, falloff_stops=0.0)
        film = renderer.sheet(size_mm=(88.0, 63.0), place=place, picture=picture)
        scan = renderer.render_bed((film,), scanner, seed=seed, size_mm=(104.0, 80.0))
        renderer.write_scan(scan, tmp_path / "film.tif", compression=None)
        (reading,) = measure_scan(open_scan(tmp_path / "film.tif"), made_up.calibration())
        assert reading.highlight is not None
        parts[scene] = reading.highlight.budget().get("tone gap", 0.0)
        assert reading.highlight.budget().get("frame edge", 0.0) < 0.001
    assert parts["patches"] > 0.01
    assert parts["shore"] < 0.002
