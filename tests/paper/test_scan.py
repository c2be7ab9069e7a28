"""The printed wedge on a scan: found whatever lies round it, refused in one sentence, and read right."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import signal_map
from densiscan.errors import PaperTestError, WedgeNotFoundError
from densiscan.paper.from_scan import PrintScan, paper_from_scan
from densiscan.paper.printed_steps import find_printed_steps, steps_in_outline
from densiscan.paper.smoothed import smooth_curve
from densiscan.paper.tested_range import Circumstances
from densiscan.wedge.find import CELL_MM, WedgePlace
from tests.renderer import Scanner
from tests.support.paper_cases import GRAY_SCALE, PaperCase, drawn_case, faultless_case, read_back
from tests.trials.paper_rates import HELD_OUT


@pytest.fixture(scope="module")
def exact(tmp_path_factory: pytest.TempPathFactory) -> Calibration:
    """A calibration by a gray scale that is what its file says."""
    return faultless_case().calibration(tmp_path_factory.mktemp("gray") / "gray.tif")


def middles(place: WedgePlace) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.array([(s.box_mm[0] + 0.5 * s.box_mm[2], s.box_mm[1] + 0.5 * s.box_mm[3]) for s in place.steps])


def found_on(case: PaperCase, folder: Path, count: int | None = None) -> WedgePlace:
    scan = case.scan(folder / "print.tif")
    quantum = 1.0 / scan.facts.full_scale
    return find_printed_steps(signal_map(scan), count or len(case.stated), quantum=quantum)


@pytest.mark.parametrize("surround", ["black", "white"])
@pytest.mark.parametrize(("run", "angle"), [("right", 0.0), ("left", 1.5), ("down", -1.5), ("up", 0.0)])
def test_steps_are_counted_from_the_end_that_shows(surround: str, run: str, angle: float, tmp_path: Path) -> None:
    size = (141.0, 48.0) if run in ("left", "right") else (48.0, 141.0)
    case = replace(faultless_case(), surround=surround, run=run, angle_deg=angle, size_mm=size)  # type: ignore[arg-type]
    true = [(step.x_mm, step.y_mm) for step in case.printed().truth().steps][::-1]
    # White end first: the densest step of the wedge. A quarter of a step of 5 mm is what a reading allows.
    assert_allclose(middles(found_on(case, tmp_path)), true, atol=0.6)


def test_another_number_of_steps_lies_elsewhere_or_is_refused(tmp_path: Path) -> None:
    # With the white end alone, 15 steps are counted from it; they do not reach the black, so 13 cannot be all.
    with pytest.raises(WedgeNotFoundError, match="--outline"):
        found_on(faultless_case(), tmp_path, count=7)


def test_sheet_without_a_wedge(tmp_path: Path) -> None:
    case = faultless_case()
    scan = case.scan(tmp_path / "print.tif")
    even = np.full_like(signal_map(scan), 0.5)
    with pytest.raises(WedgeNotFoundError, match="found no row of even tones"):
        find_printed_steps(even, 21)
    scan = replace(case, true=(3.0,) * 21).scan(tmp_path / "print.tif")
    with pytest.raises(WedgeNotFoundError, match=r"print\.tif: found no row of even tones"):
        paper_from_scan(PrintScan(scan=scan, wedge=case.wedge()), None, Circumstances())


@pytest.mark.parametrize("run", ["right", "left", "down", "up"])
def test_outline_given_by_the_person(run: str, tmp_path: Path) -> None:
    size = (141.0, 48.0) if run in ("left", "right") else (48.0, 141.0)
    case = replace(faultless_case(), run=run, size_mm=size)  # type: ignore[arg-type]
    truth = case.printed().truth().steps
    corners = np.array(
        [(s.box_mm[0], s.box_mm[1], s.box_mm[0] + s.box_mm[2], s.box_mm[1] + s.box_mm[3]) for s in truth]
    )
    first, last = corners[:, :2].min(axis=0), corners[:, 2:].max(axis=0)
    signal = signal_map(case.scan(tmp_path / "print.tif"))
    box = (float(first[0]), float(first[1]), float(last[0] - first[0]), float(last[1] - first[1]))
    place = steps_in_outline(signal, 21, box, cell_mm=CELL_MM)
    assert_allclose(middles(place), [(step.x_mm, step.y_mm) for step in truth][::-1], atol=1e-6)
    with pytest.raises(WedgeNotFoundError, match="of the same tone"):
        steps_in_outline(signal, 21, (2.0, 2.0, 20.0, 4.0), cell_mm=CELL_MM)


def test_blacks_at_the_end_of_the_scale_are_refused_without_a_calibration(tmp_path: Path) -> None:
    case = replace(faultless_case(), scanner=Scanner(ppi=150.0, tone="linear", bits=8, offset=-0.02))
    with pytest.raises(PaperTestError, match="end of the scanner's scale"):
        read_back(case, tmp_path, calibrated=False)


def test_a_print_without_black_is_refused_without_a_calibration(tmp_path: Path) -> None:
    case = replace(faultless_case(), curve=replace(faultless_case().curve, net=0.6))
    boxes = [step.box_mm for step in case.printed().truth().steps]
    left, top = min(box[0] for box in boxes), min(box[1] for box in boxes)
    outline = (left, top, max(box[0] + box[2] for box in boxes) - left, max(box[1] + box[3] for box in boxes) - top)
    asked = PrintScan(scan=case.scan(tmp_path / "print.tif"), wedge=case.wedge(), outline_mm=outline)
    with pytest.raises(PaperTestError, match="too light for a paper's black"):
        paper_from_scan(asked, None, Circumstances())


def test_scattered_light_is_taken_off_as_far_as_it_is_known(tmp_path: Path) -> None:
    # White round the wedge throws light onto its last black step, next to it: 0.4 % of glare is 0.05 of density there.
    # The calibration has weighed it from its own wedge, and it is not taken off twice.
    scanner = Scanner(ppi=150.0, lamp=0.0, glare=0.004, tone="2.2")
    case = replace(faultless_case(), surround="white", scanner=scanner)
    made = case.calibration(tmp_path / "gray.tif")
    asked = PrintScan(scan=case.scan(tmp_path / "print.tif"), wedge=case.wedge())
    found = paper_from_scan(asked, made, Circumstances())
    true = float(case.curve.density(case.log_exposure - np.array([case.true[0]]))[0])
    freed = found.points[-1].density
    assert abs(freed.value - true) < 0.6 * 0.05
    assert freed.uncertainty is not None
    assert abs(freed.value - true) <= freed.uncertainty


def test_fog_without_a_calibration_is_white_less_the_fixed_only_piece(exact: Calibration, tmp_path: Path) -> None:
    case = faultless_case()
    asked = PrintScan(scan=case.scan(tmp_path / "print.tif"), wedge=case.wedge(), fixed_mm=(3.0, 3.0, 10.0, 10.0))
    assert case.curve.fog > 0.01
    for made, allowed in ((None, 0.02), (exact, 0.003)):
        fog = paper_from_scan(asked, made, Circumstances()).fog
        assert fog is not None
        # By a calibration noise is all there is; without one the paper's own ends are the scale.
        assert abs(fog.value - case.curve.fog) <= allowed


def test_tones_beyond_the_reflection_wedge_are_told(exact: Calibration, tmp_path: Path) -> None:
    case = faultless_case()
    asked = PrintScan(scan=case.scan(tmp_path / "p.tif"), wedge=case.wedge())
    found = paper_from_scan(asked, shortened(exact), Circumstances())
    assert "beyond-calibration" in [warning.code for warning in found.warnings]


def shortened(whole: Calibration) -> Calibration:
    """The calibration of a whole gray scale, its blacks left out."""
    steps = tuple(replace(step, used=step.used and step.reading.density < 1.4) for step in whole.steps)
    used = sum(step.used for step in steps)
    top = max(step.reading.density for step in steps if step.used)
    return replace(whole, steps=steps, fit=whole.fit[: used - 1], density_range=(whole.density_range[0], top))


def test_smoothing_keeps_a_true_wedge_and_evens_out_a_scattered_one(exact: Calibration) -> None:
    true = [step.reading.density for step in smooth_curve(exact).calibration.steps]
    # Nothing to smooth: a curve through exact steps stays within what whole codes and noise leave.
    assert_allclose(true, GRAY_SCALE, atol=0.004)
    rng = np.random.default_rng(11)
    scattered = tuple(float(density + rng.normal(0.0, 0.01)) for density in GRAY_SCALE)
    rough = stated(replace(exact, laws=()), scattered)
    smooth = smooth_curve(rough)
    before = np.std([s.reading.density - t for s, t in zip(rough.steps, GRAY_SCALE, strict=True)])
    after = np.std([s.reading.density - t for s, t in zip(smooth.calibration.steps, GRAY_SCALE, strict=True)])
    assert after < 0.7 * before
    # What the certificate does to a reading falls likewise.
    reading = smooth.calibration.quantity(10.0**-0.5)
    wedge = [
        sum(p * p for k, p in (q.parts or {}).items() if k.kind == "wedge") for q in (reading, smooth.freed(reading))
    ]
    assert wedge[1] < 0.5 * wedge[0]


def test_a_wedge_that_no_smooth_curve_fits_is_used_as_stated(exact: Calibration) -> None:
    """Its certificate is off by many times what it says, or too few of its steps are used to tell."""
    rng = np.random.default_rng(12)
    wild = tuple(sorted(float(density + rng.normal(0.0, 0.04)) for density in GRAY_SCALE))
    few = tuple(replace(step, used=step.used and number % 4 == 0) for number, step in enumerate(exact.steps))
    kept = sum(step.used for step in few)
    plain = replace(exact, laws=())
    for made in (stated(plain, wild), replace(plain, steps=few, fit=exact.fit[: kept - 1])):
        smooth = smooth_curve(made)
        assert smooth.calibration is made
        read = made.quantity(10.0**-0.5)
        assert smooth.freed(read).uncertainty == pytest.approx(read.uncertainty, rel=1e-9)
    limit = Quantity(2.2, None)
    assert smooth_curve(exact).freed(limit) is limit


def stated(made: Calibration, densities: tuple[float, ...]) -> Calibration:
    """A calibration whose certificate says these densities instead."""
    pairs = zip(made.steps, densities, strict=True)
    return replace(made, steps=tuple(replace(s, reading=replace(s.reading, density=d)) for s, d in pairs))


def test_freed_reading_by_brute_force(exact: Calibration) -> None:
    # The certificate's part of a freed reading is what moving each stated density in turn does to it.
    made = replace(exact, laws=())
    light = 10.0**-0.31
    parts = smooth_curve(made).freed(smooth_curve(made).calibration.quantity(light)).parts or {}
    for number in (0, 3, 9):
        moved = list(made.steps)
        reading = moved[number].reading
        moved[number] = replace(moved[number], reading=replace(reading, density=reading.density + 0.001))
        after = smooth_curve(replace(made, steps=tuple(moved))).calibration
        # The light of the place stays as the scanner saw it: through the curve before, then through the one after.
        signal = float(np.interp(light, np.sort(made_table(smooth_curve(made).calibration)), np.arange(65536)))
        change = -np.log10(np.interp(signal, np.arange(65536), after.table(65535))) + np.log10(light)
        part = parts.get(Influence("wedge", reading.step), 0.0)
        assert_allclose(part * 0.001 / 0.01, change, atol=3e-5)


def made_table(made: Calibration) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return made.table(65535)


def test_held_out_papers(tmp_path: Path) -> None:
    # A few of the cases of python -m tests.trials.paper_rates; docs/method-paper.md has the table of 200.
    inside, close = [], []
    for seed in range(HELD_OUT + 1000, HELD_OUT + 1002):
        case = drawn_case(seed)
        found = read_back(case, tmp_path, calibrated=True)
        error = found.iso_range.value - case.iso_range
        close.append(abs(error) <= 4.0)
        inside.append(found.iso_range.uncertainty is None or abs(error) <= found.iso_range.uncertainty)
    assert close == [True, True]
    assert inside == [True, True]
