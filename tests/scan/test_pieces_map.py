"""Maps worked on band by band, and the cells inside an area."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.scan.cells import TurnedBox, by_bands
from densiscan.scan.survey import CellsInside


def three_rows(values: np.ndarray) -> np.ndarray:
    return np.asarray(np.maximum(np.maximum(values[:-2], values[2:]), values[1:-1]))


@given(rows=st.integers(3, 300), seed=st.integers(0, 99))
def test_bands_put_together_are_the_whole(rows: int, seed: int) -> None:
    values = np.random.default_rng(seed).random((rows, 5))
    assert np.array_equal(by_bands(three_rows, values, reach=1), three_rows(values))
    other = values[:, ::-1]
    assert np.array_equal(by_bands(np.add, values, other), values + other)


def test_a_map_with_no_row_off_its_borders_is_refused() -> None:
    with pytest.raises(ValueError, match="has none that is 1 rows from its borders"):
        by_bands(three_rows, np.ones((2, 4)), reach=1)


def test_a_box_reaches_the_same_cells_in_bands_as_at_once() -> None:
    box = TurnedBox(left_mm=3.0, top_mm=20.0, width_mm=11.0, height_mm=90.0, angle_deg=7.0)
    x, y = (np.arange(40) + 0.5)[None, :], (np.arange(150) + 0.5)[:, None]
    assert np.array_equal(by_bands(lambda some: box.inside(x, some), y), box.inside(x, y))


def test_cells_inside_by_hand() -> None:
    mask = np.array([[True, False], [True, True]])
    cells = CellsInside(rows=slice(2, 4), columns=slice(1, 3), mask=mask)
    values = np.arange(20.0).reshape(5, 4)
    assert cells.of(values).tolist() == [9.0, 13.0, 14.0]
    rows, columns = cells.places(cells.of(values) > 10.0)
    assert (rows.tolist(), columns.tolist()) == ([3, 3], [1, 2])
    assert [place.tolist() for place in cells.places()] == [[2, 3, 3], [1, 1, 2]]
