"""Finding the steps of a wedge, on rendered layouts: every step is read inside its true outline, or nothing is."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.errors import WedgeNotFoundError
from densiscan.wedge.alignment import Steps
from densiscan.wedge.find import CELL_MM, WedgePlace, find_steps
from densiscan.wedge.view import strip_profiles
from tests.renderer import (
    Blemishes,
    Picture,
    Piece,
    Place,
    Rendered,
    Scanner,
    WedgeLayout,
    even_densities,
    render_bed,
    sheet,
)

PPI = 101.6
"""Four pixels a millimetre: a pixel is one cell of the map that is searched."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A wedge on a bed: its layout's options, and the scanner's."""

    densities: tuple[float, ...] = even_densities()
    angle_deg: float = 0.0
    wedge: dict[str, Any] = field(default_factory=dict)
    scanner: dict[str, Any] = field(default_factory=dict)
    beside: bool = False

    def lay(self) -> tuple[Rendered, WedgeLayout]:
        step = self.wedge.get("step_mm", 5.0)
        length, across = len(self.densities) * step + 30.0, 44.0
        size = (length, across) if self.wedge.get("run", "right") in ("right", "left") else (across, length)
        place = Place(x_mm=size[0] / 2, y_mm=size[1] / 2, angle_deg=self.angle_deg)
        layout = WedgeLayout(densities=self.densities, place=place, **{"step_mm": step, **self.wedge})
        pieces: list[Piece] = [layout]
        if self.beside:
            size = (max(size[0], 105.0), size[1] + 80.0)
            film = Place(x_mm=52, y_mm=size[1] - 42, angle_deg=0.7)
            pieces.append(sheet(size_mm=(90, 65), place=film, picture=Picture(scene="mill", seed=3)))
        return render_bed(pieces, Scanner(ppi=PPI, **self.scanner), seed=11, size_mm=size), layout


UNEQUAL = (0.04, 0.15, 0.31, 0.44, 0.63, 0.72, 0.95, 1.12, 1.21, 1.48, 1.62, 1.90)
CASES = {
    "21 steps on open glass": Case(),
    "five steps": Case(densities=even_densities(5, 0.4), wedge={"step_mm": 9.0}),
    "forty-one steps": Case(densities=even_densities(41, 0.075), wedge={"step_mm": 4.0}),
    "unequal density steps": Case(densities=UNEQUAL),
    "light end right": Case(wedge={"run": "left"}),
    "along the bed": Case(wedge={"run": "down"}),
    "along the bed, light end below": Case(wedge={"run": "up"}),
    "turned by 3 degrees": Case(angle_deg=3.0),
    "turned by -2 degrees, in a mask": Case(angle_deg=-2.0, wedge={"mask_mm": 6.0}),
    "in a black mask": Case(wedge={"mask_mm": 60.0}),
    "numerals and a clear border": Case(wedge={"numerals": True, "border_mm": 4.0, "border_density": 0.05}),
    "dark lines between the steps": Case(wedge={"line_mm": 0.3}),
    "clear lines between the steps": Case(wedge={"line_mm": 0.3, "line_density": 0.0}),
    "dust": Case(wedge={"blemishes": Blemishes(dust=30)}),
    "gamma 2.2": Case(scanner={"tone": "2.2"}),
    "8 bit": Case(scanner={"tone": "srgb", "bits": 8}),
    "a negative on the same scan": Case(beside=True),
}


def found(case: Case, densities: tuple[float, ...] | None = None) -> tuple[WedgePlace, Rendered, WedgeLayout]:
    rendered, layout = case.lay()
    scale = rendered.scanner.full_scale
    steps = Steps.nominal(np.array(densities or case.densities))
    place = find_steps(rendered.codes / scale, steps, inverted=False, quantum=1.0 / scale)
    return place, rendered, layout


def beyond(place: WedgePlace, layout: WedgeLayout) -> float:
    """Return by how much, in mm, the worst corner of a box leaves its true step."""
    worst = -np.inf
    for number, step in enumerate(place.steps):
        left, top, width, height = step.box_mm
        box = layout.step_box(number)
        for x in (left, left + width):
            for y in (top, top + height):
                u, v = layout.place.off_bed(x, y)
                worst = max(worst, box[0] - u, u - box[0] - box[2], box[1] - v, v - box[1] - box[3])
    return float(worst)


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_every_step_is_read_inside_its_outline(case: Case) -> None:
    place, _, layout = found(case)
    assert len(place.steps) == len(case.densities)
    assert beyond(place, layout) < 0.0
    assert_allclose(place.pitch_mm, layout.step_mm, rtol=0.02)
    assert min(step.box_mm[2] * step.box_mm[3] for step in place.steps) > 1.0  # mm2: more than an aperture


def test_the_light_end_and_the_angle_are_told() -> None:
    assert found(Case())[0].light_end == "left"
    assert found(CASES["light end right"])[0].light_end == "right"
    assert found(CASES["along the bed"])[0].light_end == "top"
    assert found(CASES["along the bed, light end below"])[0].light_end == "bottom"
    # The angle serves to place the boxes: half a degree moves the end of this wedge by less than a tenth of its width.
    assert_allclose(found(CASES["turned by 3 degrees"])[0].angle_deg, 3.0, atol=0.5)


def test_drowned_end_is_placed_by_the_pitch_and_marked() -> None:
    case = Case(densities=even_densities(21, 0.2), wedge={"mask_mm": 60.0}, scanner={"read_noise": 400.0, "bits": 16})
    place, _, layout = found(case)
    assert beyond(place, layout) < 0.0
    assert all(step.seen for step in place.steps[:8])
    assert not place.steps[-1].seen


@pytest.mark.parametrize("wrong", [even_densities(20), even_densities(22)], ids=["one too few", "one too many"])
def test_another_number_of_steps_is_refused_with_the_number_seen(wrong: tuple[float, ...]) -> None:
    with pytest.raises(WedgeNotFoundError, match=r"21 steps were seen, from \(\d+, \d+\) to \(\d+, \d+\) mm"):
        found(Case(), wrong)


def test_no_wedge_at_all_is_said() -> None:
    signal = np.random.default_rng(2).normal(0.5, 0.01, (160, 300))
    with pytest.raises(WedgeNotFoundError, match="no row of even steps"):
        find_steps(signal, Steps.nominal(np.array(even_densities())), inverted=False)


def test_two_wedges_are_refused() -> None:
    layouts = [WedgeLayout(densities=even_densities(11, 0.2), place=Place(x_mm=45, y_mm=y)) for y in (18.0, 50.0)]
    rendered = render_bed(layouts, Scanner(ppi=PPI), seed=4, size_mm=(90, 68))
    with pytest.raises(WedgeNotFoundError, match="two wedges"):
        find_steps(rendered.codes / 65535, Steps.nominal(np.array(layouts[0].densities)), inverted=False)


def test_turning_the_map_over_turns_the_boxes_over() -> None:
    rendered, _ = Case(densities=even_densities(11, 0.25)).lay()
    signal = rendered.codes / 65535
    densities = np.array(even_densities(11, 0.25))
    plain, flipped = (
        find_steps(image, Steps.nominal(densities), inverted=False) for image in (signal, signal[:, ::-1])
    )
    across = signal.shape[1] * CELL_MM
    ours = [box[0] + box[2] / 2 for box in (step.box_mm for step in plain.steps)]
    theirs = [across - box[0] - box[2] / 2 for box in (step.box_mm for step in flipped.steps)]
    assert_allclose(ours, theirs, atol=0.5)  # two cells


def test_a_positive_picture_is_searched_from_the_other_end() -> None:
    rendered, layout = Case(scanner={"tone": "2.2"}).lay()
    place = find_steps(1.0 - rendered.codes / 65535, Steps.nominal(np.array(even_densities())), inverted=True)
    assert beyond(place, layout) < 0.0


@pytest.mark.parametrize("rows", [(38, 60), (40, 44), (-9, -2), (60, 50)])
def test_strips_beyond_the_border_of_a_scan_are_those_at_its_border(rows: tuple[int, int]) -> None:
    image = np.arange(40.0)[:, None] + np.zeros((1, 60))
    middles, profiles, noise = strip_profiles(image, rows)
    assert middles.size == profiles.shape[0] == noise.shape[0] == 1
    # The middle of what is looked at, in cells, is half a cell beyond the row that it is worth.
    np.testing.assert_allclose(profiles[0], middles[0] - 0.5, rtol=0, atol=1e-12)
