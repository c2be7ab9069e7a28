"""Which steps of the file a row of edges shows: the differences of density in the file are evidence."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.errors import WedgeNotFoundError
from densiscan.wedge import rows
from densiscan.wedge.alignment import Cell, Steps, ways_to_lay
from densiscan.wedge.find import CELL_MM, WedgePlace, find_steps
from densiscan.wedge.view import View
from tests.renderer import Place, Scanner, WedgeLayout, even_densities, render_bed

PPI = 101.6
"""Four pixels a millimetre: a pixel is one cell of the map that is searched."""
STEP_MM = 5.0
UNEVEN = np.cumsum([0.1, 0.22, 0.11, 0.3, 0.16, 0.25, 0.12, 0.28, 0.18, 0.31, 0.14, 0.24, 0.2, 0.12, 0.27, 0.22])
DOUBTS = np.full(UNEVEN.size, 0.01)


def row_of_cells(levels: np.ndarray) -> dict[int, Cell]:
    return {number: Cell(level=float(level), doubt=0.001) for number, level in enumerate(levels)}


@pytest.mark.parametrize("glass", [1.02, 1.2, 1.45, 1.74])
def test_glass_beside_the_first_step_is_not_taken_for_it(glass: float) -> None:
    """A last step that reads as nothing, and glass of any brightness and a step's width: the differences tell."""
    light = np.concatenate(([10.0 ** -UNEVEN[0] * glass], 10.0 ** -UNEVEN[:-1], [1e-5]))
    best, second = ways_to_lay(
        row_of_cells(np.log10(light)), Steps(densities=UNEVEN, doubts=DOUBTS), edges=range(1, 17), floor=-4.4
    )[:2]
    assert best.start == 1
    assert best.likelihood - second.likelihood > 6.0  # odds of 400


def test_two_lightest_steps_lost_at_white_are_placed_by_the_others() -> None:
    levels = np.minimum(np.log10(1.6 * 10.0 ** -UNEVEN[:12]), 0.0)
    cells = row_of_cells(np.concatenate(([0.0], levels, [0.0])))
    best, second = ways_to_lay(cells, Steps(densities=UNEVEN[:12], doubts=DOUBTS[:12]), edges=range(3, 14), floor=-4.4)[
        :2
    ]
    assert best.start == 1
    assert best.likelihood - second.likelihood > 6.0


def found(
    origin_mm: tuple[float, float] = (0.0, 0.0),
    count: int = 16,
    crop: int = 0,
    gain: float = 1.0,
    densities: np.ndarray = UNEVEN,
) -> WedgePlace:
    """A wedge on glass with a step's width of it before the first step, 12 bits; `crop` cells of the rim cut off."""
    layout = WedgeLayout(densities=tuple(densities.tolist()), place=Place(x_mm=45.0, y_mm=11.0), step_mm=STEP_MM)
    scanner = Scanner(ppi=PPI, bits=12, offset=-0.0008, glare=0.0, gain=gain)
    rendered = render_bed([layout], scanner, seed=3, size_mm=(95.0, 22.0))
    signal = rendered.codes[crop : rendered.codes.shape[0] - crop, : rendered.codes.shape[1]] / 4095
    steps = Steps(densities=densities[:count], doubts=DOUBTS[:count])
    return find_steps(signal, steps, inverted=False, quantum=1 / 4095, origin_mm=origin_mm)


def test_a_step_is_read_where_it_lies_beside_a_step_of_glass() -> None:
    middles = [step.box_mm[0] + step.box_mm[2] / 2 for step in found().steps]
    # The first step begins 5 mm from the border: half a millimetre is a tenth of a step.
    assert_allclose(middles, 5.0 + STEP_MM * (np.arange(16) + 0.5), atol=0.5)


def test_a_wedge_whose_two_lightest_steps_are_white_is_used() -> None:
    middles = [step.box_mm[0] + step.box_mm[2] / 2 for step in found(gain=10.0**0.36).steps]
    assert_allclose(middles, 5.0 + STEP_MM * (np.arange(16) + 0.5), atol=0.5)


def test_of_even_steps_with_white_ones_the_file_says_how_many() -> None:
    """Three are white with the glass; the dark end shows, and from there the file counts back."""
    even = np.array(even_densities(16, 0.12, 0.08))
    middles = [step.box_mm[0] + step.box_mm[2] / 2 for step in found(gain=10.0**0.38, densities=even).steps]
    assert_allclose(middles, 5.0 + STEP_MM * (np.arange(16) + 0.5), atol=0.5)


def test_a_drowned_step_that_glare_lifts_is_no_end_of_the_wedge() -> None:
    """The last of four drowned steps lies beside the open light and reads a little more than nothing."""
    light = 10.0**-UNEVEN
    levels = np.log10(np.maximum(light - light[-4] * 1.02, 0.0) ** (1 / 2.2) + 4e-6)
    levels[-1] = -2.34
    cells = row_of_cells(np.concatenate(([-5.4, -0.005], levels, [-0.005, -0.005])))
    best, second = ways_to_lay(cells, Steps(densities=UNEVEN, doubts=DOUBTS), edges=range(2, 14), floor=-4.4)[:2]
    assert best.start == 2
    assert best.likelihood > second.likelihood + 3.0


@pytest.mark.parametrize("lost", [2, 6])
def test_one_black_level_drowns_all_steps_beyond_it(lost: int) -> None:
    """A black level set too high by a thousandth; the last two steps that are told show that the next must drown."""
    steps = Steps(densities=np.array(even_densities(22, 0.14, 0.1)), doubts=np.full(22, 0.01))
    light = 10.0**-steps.densities
    black = light[-lost] * 1.02
    levels = np.log10(np.maximum(light - black, 0.0) ** (1 / 2.2) + 4e-6)
    glass = [-0.005 / 2.2] * 2
    cells = row_of_cells(np.concatenate((glass, levels, glass)))
    told = range(2, 24 - lost + 1)
    ways = [ways_to_lay(cells, steps.as_many(count), edges=told, floor=-4.4)[0] for count in (22, 20, 21, 23)]
    assert ways[0].start == 2
    assert ways[0].likelihood > max(way.likelihood for way in ways[1:])


def test_places_in_words_count_from_the_corner_of_the_scan() -> None:
    with pytest.raises(WedgeNotFoundError, match=r"from \(10\d, 21\d\)"):
        found(origin_mm=(100.0, 200.0), count=10)


def test_a_picture_without_a_row_of_even_steps_is_looked_along_both_ways_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six more angles are looked along for what may lean; soft tones that fall across the scan have no even steps."""
    angles: list[float] = []
    strips_of = rows.strips_of

    def counted(view: View, *args: Any) -> list[rows.Strip]:
        angles.append(view.angle_deg)
        return strips_of(view, *args)

    monkeypatch.setattr("densiscan.wedge.look.strips_of", counted)
    x, y = np.meshgrid(np.linspace(0.0, 1.0, 300), np.linspace(0.0, 1.0, 200))
    grain = np.random.default_rng(4).normal(0.0, 0.002, x.shape)
    picture = 10.0 ** -(0.2 + 1.5 * x + 0.2 * np.sin(9.0 * x + 5.0 * y)) + grain
    with pytest.raises(WedgeNotFoundError):
        find_steps(np.clip(picture, 0.001, 1.0), Steps.nominal(UNEVEN), inverted=False, quantum=1 / 65535)
    assert angles == [0.0, 0.0]


@pytest.mark.parametrize("angle_deg", [-3.3, 3.3])
def test_a_narrow_wedge_that_leans_is_found(angle_deg: float) -> None:
    """Its middle rises by its width within 120 of its 144 mm: no strip upright on the scan sees it whole."""
    layout = WedgeLayout(
        densities=tuple(UNEVEN.tolist()),
        place=Place(x_mm=80.0, y_mm=18.0, angle_deg=angle_deg),
        step_mm=9.0,
        width_mm=7.0,
    )
    signal = render_bed([layout], Scanner(ppi=PPI), seed=5, size_mm=(160.0, 36.0)).codes / 65535
    place = find_steps(signal, Steps(densities=UNEVEN, doubts=DOUBTS), inverted=False, quantum=1 / 65535)
    for number, step in enumerate(place.steps):
        left, top, width, height = step.box_mm
        u, v = layout.place.off_bed(left + width / 2, top + height / 2)
        x, y, across, down = layout.step_box(number)
        assert x < u < x + across
        assert y < v < y + down


def test_boxes_lie_inside_what_was_searched() -> None:
    for step in found(crop=22).steps:
        left, top, width, height = step.box_mm
        assert left >= 0.0
        assert top >= 0.0
        assert left + width <= 95.0 + CELL_MM
        assert top + height <= 22.0 - 2 * 22 * CELL_MM + 1e-9


def test_even_steps_with_both_ends_lost_are_not_clear() -> None:
    """White before the first that is told, black after the last: nothing says which steps they are."""
    densities = np.array(even_densities(12, 0.45))
    levels = np.concatenate((np.zeros(4), -0.45 * np.arange(1, 8), np.full(5, -6.0)))
    ways = ways_to_lay(
        row_of_cells(levels), Steps(densities=densities, doubts=np.full(12, 0.01)), edges=range(4, 12), floor=-4.4
    )
    assert ways[0].likelihood - ways[1].likelihood < 3.0
