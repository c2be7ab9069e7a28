"""The printed wedge on maps drawn by hand: counted from the end that shows, whichever way it lies, or refused."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_allclose

from densiscan.errors import WedgeNotFoundError
from densiscan.paper.printed_steps import find_printed_steps, steps_in_outline
from densiscan.wedge.find import CELL_MM, WedgePlace

Floats = npt.NDArray[np.float64]

STEP_MM, TALL_MM, LEFT_MM, TOP_MM = 5.0, 12.0, 17.0, 15.0
COUNT = 21
WHITE, BLACK = 0.85, 0.02
TONES: Floats = np.concatenate((np.full(6, WHITE), np.geomspace(0.80, 0.03, 9), np.full(6, BLACK)))
"""Signals from the wedge's dense end, white, to its clear end, black."""


def drawn(*, before: float, after: float, count: int = COUNT, noise: float = 0.002) -> Floats:
    """A sheet of 140 x 42 mm: a wedge along it, of one tone before its middle and of another behind."""
    rows, columns = round(42.0 / CELL_MM), round(140.0 / CELL_MM)
    sheet = np.full((rows, columns), before)
    sheet[:, columns // 2 :] = after
    tall = slice(round(TOP_MM / CELL_MM), round((TOP_MM + TALL_MM) / CELL_MM))
    tones = TONES if count == COUNT else np.concatenate((TONES[:15], np.full(count - 15, BLACK)))
    for number, tone in enumerate(tones):
        start = LEFT_MM + STEP_MM * number
        sheet[tall, round(start / CELL_MM) : round((start + STEP_MM) / CELL_MM)] = tone
    rng = np.random.default_rng(5)
    return np.asarray(np.clip(sheet * (1.0 + noise * rng.standard_normal(sheet.shape)), 1e-4, 1.0))


def laid(sheet: Floats, way: str) -> Floats:
    turns = {"right": sheet, "left": sheet[:, ::-1], "down": sheet.T, "up": sheet.T[::-1]}
    return np.ascontiguousarray(turns[way])


def middles(place: WedgePlace) -> Floats:
    return np.array([(s.box_mm[0] + 0.5 * s.box_mm[2], s.box_mm[1] + 0.5 * s.box_mm[3]) for s in place.steps])


def true_middles(way: str) -> Floats:
    along = LEFT_MM + STEP_MM * (np.arange(COUNT) + 0.5)
    across = np.full(COUNT, TOP_MM + 0.5 * TALL_MM)
    if way in {"left", "up"}:
        along = 140.0 - along
    return np.stack((along, across) if way in {"right", "left"} else (across, along), axis=1)


WAYS = {"right": "left", "left": "right", "down": "top", "up": "bottom"}
"""Way from white to black, and the side of the white end."""


@pytest.mark.parametrize(("before", "after"), [(BLACK, BLACK), (WHITE, WHITE), (BLACK, WHITE)])
@pytest.mark.parametrize("way", WAYS)
def test_the_steps_are_counted_from_the_end_that_shows(way: str, before: float, after: float) -> None:
    """White against black, black against white, or both; the end of its own tone is told from the other."""
    place = find_printed_steps(laid(drawn(before=before, after=after), way), COUNT, quantum=1.0 / 65535)
    assert len(place.steps) == COUNT
    # A cell of the map is 0.25 mm; the middle of a step is read.
    assert_allclose(middles(place), true_middles(way), rtol=0, atol=0.5)
    assert_allclose(place.pitch_mm, STEP_MM, rtol=0.01)
    assert place.light_end == WAYS[way]
    assert abs(place.angle_deg) < 0.3
    for step in place.steps:
        along, across = step.box_mm[2:] if way in {"right", "left"} else step.box_mm[:1:-1]
        assert 0.3 * STEP_MM < along < STEP_MM
        assert 0.3 * TALL_MM < across < TALL_MM


def test_where_the_map_begins_is_added() -> None:
    sheet = drawn(before=BLACK, after=BLACK)
    here = middles(find_printed_steps(sheet, COUNT, quantum=1.0 / 65535))
    there = middles(find_printed_steps(sheet, COUNT, quantum=1.0 / 65535, origin_mm=(30.0, 7.0)))
    assert_allclose(there - here, np.tile((30.0, 7.0), (COUNT, 1)), rtol=0, atol=1e-9)


@pytest.mark.parametrize("said", [COUNT - 1, COUNT + 1, COUNT + 4])
def test_another_number_of_steps_between_two_ends_that_show_is_refused(said: int) -> None:
    with pytest.raises(WedgeNotFoundError, match=rf"there is room for 21 steps, and the wedge file has {said}; check"):
        find_printed_steps(drawn(before=BLACK, after=WHITE), said, quantum=1.0 / 65535)


def test_a_wedge_whose_ends_do_not_show_is_refused() -> None:
    """White beyond the white end, black beyond the black end: nothing tells where the steps begin."""
    with pytest.raises(WedgeNotFoundError, match="neither end of the wedge shows on the print; give --outline"):
        find_printed_steps(drawn(before=WHITE, after=BLACK), COUNT, quantum=1.0 / 65535)


@pytest.mark.parametrize("tone", [WHITE, 0.3, BLACK])
def test_one_tone_is_no_wedge(tone: float) -> None:
    with pytest.raises(WedgeNotFoundError, match="found no row of even tones from white to black"):
        find_printed_steps(np.full((160, 560), tone), COUNT)


@pytest.mark.parametrize("way", WAYS)
def test_an_outline_is_cut_into_equal_parts(way: str) -> None:
    """Each step read over three fifths of its width, and of its height in the middle."""
    sheet = laid(drawn(before=BLACK, after=BLACK), way)
    start = LEFT_MM if way in {"right", "down"} else 140.0 - LEFT_MM - COUNT * STEP_MM
    long, tall = COUNT * STEP_MM, TALL_MM
    outline = (start, TOP_MM, long, tall) if way in {"right", "left"} else (TOP_MM, start, tall, long)
    place = steps_in_outline(sheet, COUNT, outline, cell_mm=CELL_MM)
    assert_allclose(middles(place), true_middles(way), rtol=0, atol=1e-9)
    sides = np.array([step.box_mm[2:] for step in place.steps])
    wanted = (0.6 * STEP_MM, 0.6 * TALL_MM) if way in {"right", "left"} else (0.6 * TALL_MM, 0.6 * STEP_MM)
    assert_allclose(sides, np.tile(wanted, (COUNT, 1)), rtol=0, atol=1e-9)
    assert (place.light_end, place.angle_deg) == (WAYS[way], 0.0)
    assert_allclose(place.pitch_mm, STEP_MM, rtol=1e-12)


@pytest.mark.parametrize(
    "outline",
    [
        (LEFT_MM, TOP_MM, 25.0, TALL_MM),  # white steps alone
        (2.0, 2.0, 100.0, 4.0),  # beside the wedge
        (200.0, TOP_MM, 60.0, TALL_MM),  # off the scan
        (LEFT_MM, 50.0, 60.0, TALL_MM),
    ],
)
def test_an_outline_beside_the_wedge_is_refused(outline: tuple[float, float, float, float]) -> None:
    with pytest.raises(WedgeNotFoundError, match="the two ends of `outline_mm` are of the same tone or off the scan"):
        steps_in_outline(drawn(before=BLACK, after=BLACK), COUNT, outline, cell_mm=CELL_MM)


@pytest.mark.parametrize(("ratio", "told"), [(1.7, False), (1.9, True)])
def test_ends_must_differ_by_a_quarter_of_a_decade(ratio: float, told: bool) -> None:
    sheet = np.full((160, 560), 0.4)
    sheet[:, 280:] = 0.4 / ratio
    if told:
        assert steps_in_outline(sheet, COUNT, (10.0, 10.0, 120.0, 12.0), cell_mm=CELL_MM).light_end == "left"
    else:
        with pytest.raises(WedgeNotFoundError, match="of the same tone"):
            steps_in_outline(sheet, COUNT, (10.0, 10.0, 120.0, 12.0), cell_mm=CELL_MM)
