"""Wedges of which a person sees less than the file names: they are used all the same, each step where it lies."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.calibration.make import Label, calibrate
from densiscan.errors import WedgeNotFoundError
from densiscan.scan.scan import open_scan
from densiscan.wedge.alignment import Steps
from densiscan.wedge.find import WedgePlace, find_steps
from densiscan.wedge.wedge import Wedge, WedgeStep
from tests.renderer import Holder, Piece, Place, Scanner, WedgeLayout, even_densities, render_bed, write_scan

PPI = 101.6
"""Four pixels a millimetre: a pixel is one cell of the map that is searched."""
UNEVEN = tuple(np.cumsum([0.1, 0.22, 0.11, 0.3, 0.16, 0.25, 0.12, 0.28, 0.18, 0.31, 0.14]).tolist())
IRREGULAR = tuple(
    np.cumsum([0.11, 0.13, 0.26, 0.17, 0.09, 0.24, 0.15, 0.29, 0.12, 0.21, 0.27, 0.14, 0.23, 0.1, 0.26, 0.2]).tolist()
)


TURNED = (
    *(0.134, 0.277, 0.378, 0.5, 0.62, 0.744, 0.948, 1.056, 1.248, 1.362, 1.567, 1.771, 1.939, 2.138, 2.341, 2.542),
    2.763,
)
"""Differences that, a step missing, nearly fit the signals from the other end too."""
WHITE = {"gain": 1.02 * 10.0**0.5, "inverted": True, "glare": 0.003}


@dataclass(frozen=True, kw_only=True)
class Case:
    """A wedge in the middle of a scan with `before_mm` and `after_mm` of bed at its ends, light end first."""

    densities: tuple[float, ...]
    step_mm: float = 6.0
    before_mm: float = 6.0
    after_mm: float = 6.0
    surround: float = 0.0
    wedge: dict[str, Any] = field(default_factory=dict)
    scanner: dict[str, Any] = field(default_factory=dict)

    def layout(self) -> WedgeLayout:
        length = self.step_mm * len(self.densities)
        place = Place(x_mm=self.before_mm + length / 2, y_mm=11.0)
        return WedgeLayout(densities=self.densities, place=place, step_mm=self.step_mm, width_mm=12.0, **self.wedge)

    def signal(self) -> tuple[np.ndarray, float]:
        scanner = Scanner(ppi=PPI, **self.scanner)
        size = (self.before_mm + self.step_mm * len(self.densities) + self.after_mm, 22.0)
        rendered = render_bed([self.layout()], scanner, seed=3, size_mm=size, surround=self.surround)
        return rendered.codes / scanner.full_scale, 1.0 / scanner.full_scale

    def found(self) -> WedgePlace:
        signal, quantum = self.signal()
        densities = np.array(self.densities)
        return find_steps(signal, Steps.nominal(densities), inverted=False, quantum=quantum)

    def places(self) -> np.ndarray:
        """Return by how much each step is read beside its middle, in steps, along the wedge."""
        middles = np.array([step.box_mm[0] + step.box_mm[2] / 2 for step in self.found().steps])
        true = self.before_mm + self.step_mm * (np.arange(len(self.densities)) + 0.5)
        return np.asarray((middles - true) / self.step_mm)


def opening(case: Case, before_mm: float, after_mm: float) -> Holder:
    """Return a black card over the bed whose opening shows the wedge, its sides covered a little, and glass beyond."""
    length = case.step_mm * len(case.densities)
    hole = (-length / 2 - before_mm, -5.5, length + before_mm + after_mm, 11.0)
    return Holder(place=case.layout().place, openings=(hole,))


def in_an_opening(case: Case, before_mm: float, after_mm: float | None = None) -> np.ndarray:
    """Return by how much each step is read beside its middle, in steps, along a wedge in a card's opening."""
    scanner = Scanner(ppi=PPI, **case.scanner)
    holder = opening(case, before_mm, before_mm if after_mm is None else after_mm)
    length = case.step_mm * len(case.densities)
    size = (case.before_mm + length + case.after_mm, 22.0)
    rendered = render_bed([case.layout(), holder], scanner, seed=3, size_mm=size)
    steps = Steps.nominal(np.array(case.densities))
    scale = scanner.full_scale
    place = find_steps(rendered.codes / scale, steps, inverted=False, quantum=1.0 / scale)
    middles = np.array([step.box_mm[0] + step.box_mm[2] / 2 for step in place.steps])
    true = case.before_mm + case.step_mm * (np.arange(len(case.densities)) + 0.5)
    return np.asarray((middles - true) / case.step_mm)


@pytest.mark.parametrize("lid", [0.052, 0.06, 0.068])
def test_a_gray_scale_whose_white_is_that_of_the_lid_is_read(lid: float) -> None:
    """Paper white of 0.06 on a lid within 0.008 of it: no edge is seen before the second patch."""
    case = Case(
        densities=even_densities(15, 0.12, 0.06),
        before_mm=9.0,
        after_mm=9.0,
        surround=lid,
        wedge={"reflection": True},
        scanner={"tone": "2.2", "glare": 0.002},
    )
    assert np.abs(case.places()).max() < 0.1


@pytest.mark.parametrize("cut_mm", [0.0, 0.75, 1.5])
@pytest.mark.parametrize("densities", [even_densities(15, 0.15), UNEVEN], ids=["even", "uneven"])
def test_a_region_drawn_tightly_round_a_wedge_does_not_lose_it(cut_mm: float, densities: tuple[float, ...]) -> None:
    """Just its outline, or up to a quarter of the first and the last step cut off."""
    case = Case(densities=densities, scanner={"tone": "2.2"})
    signal, quantum = case.signal()
    first, last = (round(4 * x) for x in (6.0 + cut_mm, 6.0 * (1 + len(densities)) - cut_mm))
    top, bottom = (round(4 * y) for y in (5.0 + cut_mm, 17.0 - cut_mm))
    place = find_steps(
        signal[top:bottom, first:last],
        Steps.nominal(np.array(densities)),
        inverted=False,
        quantum=quantum,
        origin_mm=(first / 4, top / 4),
    )
    for number, step in enumerate(place.steps):
        left, _, width, _ = step.box_mm
        assert 6.0 * (number + 1) < left + width / 2 < 6.0 * (number + 2)


def test_the_two_densest_steps_on_one_code_of_eight_bits_are_no_fault(tmp_path: Path) -> None:
    """255 x 10^-2.34 is 1.2 and 255 x 10^-2.5 is 0.8: both are code 1 on a scanner without noise."""
    densities = tuple(np.linspace(0.06, 2.5, 16).round(3).tolist())
    scanner = Scanner(ppi=PPI, bits=8, shot_electrons=1e9, read_noise=0.0, glare=0.0, lamp=0.0, streaks=0.0)
    layout = Case(densities=densities, wedge={"granularity": 0.0}).layout()
    write_scan(render_bed([layout], scanner, seed=3, size_mm=(108.0, 22.0)), tmp_path / "wedge.tif")
    steps = tuple(WedgeStep(step=str(n), density=density) for n, density in enumerate(densities, start=1))
    made = calibrate(
        open_scan(tmp_path / "wedge.tif"), Wedge(steps=steps), label=Label(name="one code", created="2026-01-01")
    )
    signals = [round(255 * step.reading.signal) for step in made.steps]
    assert signals[-2:] == [1, 1]
    assert [step.used for step in made.steps[:10]] == [True] * 10
    assert not made.steps[-1].used


def test_steps_found_the_wrong_way_round_alone_are_not_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They tell that the scan is not inverted: what was seen on it as it is must be said, not that they do not tell."""

    def found(signal: np.ndarray, steps: Steps, *, inverted: bool, **more: Any) -> WedgePlace:
        if not inverted:
            raise WedgeNotFoundError("14 steps were seen")
        return find_steps(signal, steps, inverted=False, **more)

    monkeypatch.setattr("densiscan.calibration.make.find_steps", found)
    case = Case(densities=UNEVEN)
    scanner = Scanner(ppi=PPI)
    write_scan(render_bed([case.layout()], scanner, seed=3, size_mm=(78.0, 22.0)), tmp_path / "wedge.tif")
    wedge = Wedge(steps=tuple(WedgeStep(step=str(n), density=d) for n, d in enumerate(UNEVEN, start=1)))
    with pytest.raises(WedgeNotFoundError, match="14 steps were seen"):
        calibrate(open_scan(tmp_path / "wedge.tif"), wedge, label=Label(name="odd", created="2026-01-01"))


@pytest.mark.parametrize("glass_mm", [3.0, 6.0, 9.0])
def test_eleven_steps_of_a_stop_that_end_in_nothing_on_clear_glass(glass_mm: float) -> None:
    """Codes 152, 46 and 0 of 65535 at the end: the differences of the file say that the first is not the glass."""
    densities = even_densities(11, 0.3)
    case = Case(
        densities=densities, before_mm=glass_mm, after_mm=glass_mm, scanner={"offset": -0.0012, "glare": 0.0002}
    )
    signal, _ = case.signal()
    codes = [
        round(65535 * float(np.median(signal[40:48, round(4 * (glass_mm + 6 * n + 2)) :][:, :8]))) for n in (9, 10)
    ]
    assert 0 < codes[0] < 100
    assert codes[1] == 0
    assert np.abs(case.places()).max() < 0.1


@pytest.mark.parametrize(("steps", "base"), [(9, 0.0086), (12, 0.08), (16, 0.16), (16, 0.24)])
@pytest.mark.parametrize("border", [1.0, 1.4, 2.0])
def test_glass_beside_the_first_step_shifts_nothing(steps: int, base: float, border: float) -> None:
    """Glass 1.02 to 1.74 times as bright as step 1, a step's width of it or more, the densest step at nothing."""
    rises = np.array(IRREGULAR[1:steps]) - IRREGULAR[0]
    densities = tuple((base + np.concatenate(([0.0], rises * (2.9 / rises[-1]))).round(3)).tolist())
    gone = -float(10.0 ** -densities[-1]) - 0.0001
    case = Case(
        densities=densities,
        before_mm=border * 6.0,
        after_mm=border * 6.0,
        scanner={"bits": 12, "offset": gone, "glare": 0.0},
    )
    signal, _ = case.signal()
    last = signal[40:48, round(4 * (border * 6 + 6 * steps - 4)) :][:, :8]
    assert 65535 * float(np.median(last)) <= 20
    assert np.abs(case.places()).max() < 0.1


@pytest.mark.parametrize(("steps", "base"), [(10, 0.2), (13, 0.08), (15, 0.09)])
def test_a_scan_cut_at_the_last_step_of_a_wedge_is_not_read_a_step_off(steps: int, base: float) -> None:
    """Cut along the wedge's sides too, a step's width of glass before it: edges and lengths fit the glass as step 1.

    Only the differences of density say that the last step, which reads as nothing, is one.
    """
    rises = np.array(IRREGULAR[:steps]) - IRREGULAR[0]
    densities = tuple((base + rises * (2.9 / rises[-1])).round(3).tolist())
    gone = -float(10.0 ** -densities[-1]) - 0.0001
    case = Case(densities=densities, after_mm=0.0, scanner={"bits": 12, "offset": gone, "glare": 0.0})
    signal, quantum = case.signal()
    place = find_steps(signal[24:64], Steps.nominal(np.array(densities)), inverted=False, quantum=quantum)
    middles = np.array([step.box_mm[0] + step.box_mm[2] / 2 for step in place.steps])
    assert_allclose(middles, 6.0 * (np.arange(steps) + 1.5), atol=0.6)


def test_the_light_end_of_a_wedge_is_counted_back_where_it_is_white() -> None:
    """Two steps clipped with the glass: the file's differences place them, and they are marked as not seen."""
    case = Case(densities=UNEVEN, scanner={"gain": 10.0**0.36})
    assert_allclose(case.places(), 0.0, atol=0.1)


@pytest.mark.parametrize("end_mm", [1.0, 3.5, 9.0])
def test_an_inverted_wedge_with_white_steps_is_not_read_from_the_other_end(end_mm: float, tmp_path: Path) -> None:
    """Four steps at nothing in an inverted scan: read as it is, the densest step is glass and four drown after it."""
    case = Case(
        densities=TURNED, step_mm=3.5, before_mm=end_mm, after_mm=end_mm, scanner={**WHITE, "tone": "1.8", "bits": 12}
    )
    size = (3.5 * len(TURNED) + 2 * end_mm, 22.0)
    scanner = Scanner(ppi=PPI, **case.scanner)
    write_scan(render_bed([case.layout()], scanner, seed=5, size_mm=size), tmp_path / "wedge.tif")
    wedge = Wedge(steps=tuple(WedgeStep(step=str(n), density=d) for n, d in enumerate(TURNED, start=1)))
    made = calibrate(open_scan(tmp_path / "wedge.tif"), wedge, label=Label(name="turned", created="2026-01-01"))
    middles = [step.reading.box_mm[0] + step.reading.box_mm[2] / 2 for step in made.steps]
    assert made.inverted
    assert_allclose(middles, end_mm + 3.5 * (np.arange(len(TURNED)) + 0.5), atol=0.35)


@pytest.mark.parametrize("beyond", [0.9, 1.0, 1.1])
def test_an_opening_that_shows_a_step_of_glass_at_each_end_shows_no_step_more(beyond: float) -> None:
    """As many steps of 0.07 as the file has, and the same glass before and after: no step is as clear as that."""
    densities = tuple((0.1 + 0.07 * np.arange(23)).round(3).tolist())
    case = Case(densities=densities, before_mm=20.0 + 6.0 * beyond, after_mm=20.0 + 6.0 * beyond)
    assert np.abs(in_an_opening(case, 6.0 * beyond)).max() < 0.1


def test_white_steps_in_an_opening_are_as_many_as_the_file_says() -> None:
    """Three even steps at white with the glass beside them: nothing seen counts them, the file does."""
    densities = tuple((0.2 + 0.085 * np.arange(24)).round(3).tolist())
    case = Case(densities=densities, before_mm=32.0, after_mm=26.0, scanner={"gain": 1.02 * 10.0**0.4})
    assert np.abs(in_an_opening(case, 12.0, 6.0)).max() < 0.1


@pytest.mark.parametrize("more", [-1, 1])
@pytest.mark.parametrize("mount", ["glass", "card"])
def test_a_file_of_one_step_more_or_less_is_refused_with_both_numbers(more: int, mount: str, tmp_path: Path) -> None:
    film = tuple((0.06 + 0.15 * np.arange(21)).round(3).tolist())
    stated = tuple((0.06 + 0.15 * np.arange(21 + more)).round(3).tolist())
    case = Case(densities=film, before_mm=26.0, after_mm=26.0)
    pieces: list[Piece] = [case.layout()]
    pieces += [opening(case, 3.5, 3.5)] if mount == "card" else []
    size = (52.0 + 6.0 * len(film), 40.0 if mount == "card" else 22.0)
    write_scan(render_bed(pieces, Scanner(ppi=PPI), seed=8, size_mm=size), tmp_path / "wedge.tif")
    wedge = Wedge(steps=tuple(WedgeStep(step=str(n), density=d) for n, d in enumerate(stated, start=1)))
    with pytest.raises(WedgeNotFoundError, match=rf"wedge of {21 + more} steps was not found: 21 steps were seen"):
        calibrate(open_scan(tmp_path / "wedge.tif"), wedge, label=Label(name="odd", created="2026-01-01"))
