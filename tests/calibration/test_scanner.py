"""The checks of a scanner: worked by hand, then on rendered scans of known noise, drift, banding and glare."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from numpy.testing import assert_allclose

from densiscan.arithmetic.regions import parts_of
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.check.bed import BedCheck, bed_check, count_parts
from densiscan.calibration.check.check import Asked, check_scanner, findings_of
from densiscan.calibration.check.slot import SlotCheck, slot_check
from densiscan.calibration.check.wedge import DriftCheck, WedgeCheck, drift_check, tone_of, wedge_check
from densiscan.calibration.date import age_days
from densiscan.calibration.findings import Findings
from densiscan.calibration.glare import REACHES_MM, Glare, shares_of, spread, veil
from densiscan.calibration.lamp import read_bed
from densiscan.calibration.make import Label, calibrate
from densiscan.calibration.trust import read_with
from densiscan.errors import MeasureError
from densiscan.files.serialise import as_dict, read_result
from densiscan.scan.scan import Scan, open_scan
from tests.renderer import Scanner, even_densities, faultless
from tests.renderer.scanner import Tone
from tests.support.bed_pieces import BED_MM, DENSITIES, BlackMask, Spots, layout, scanned, wedge
from tests.support.made_up import calibration

BoxMm = tuple[float, float, float, float]
GOOD = Scanner(ppi=120, gain=0.9, glare=0.0005, lamp=0.002)
LABEL = Label(name="then", created="2026-01-02T03:04:05+00:00")
SLOT = BlackMask(openings=[(60.0, 30.0, 12.0, 40.0)])


def made(folder: Path, scanner: Scanner, *, name: str = "wedge", seed: int = 2, steps: int = 13) -> Calibration:
    densities = DENSITIES if steps == 13 else even_densities(steps, 0.15, 0.05)
    scan = scanned(folder, name, [layout(densities=densities)], scanner, seed=seed)
    return calibrate(scan, wedge(densities), label=LABEL, inverted=scanner.inverted)


def codes(found: WedgeCheck | BedCheck | DriftCheck | SlotCheck) -> set[str]:
    return {warning.code for warning in found.warnings}


# The wedge


def test_noise_ratio_and_levels_of_a_linear_scanner_are_as_by_hand() -> None:
    # Signal T, noise 0.001: u(D) = 0.4343 u/T; 0.1 of density covers 0.1 ln 10 T 65535 codes; the incremental ratio
    # of a linear scanner is T/u.
    found = wedge_check(calibration(steps=7, increment=0.4))
    for step in found.steps:
        light = 10.0**-step.density
        assert step.noise is not None
        assert_allclose(step.noise, 0.4343 * 0.001 / light, rtol=1e-3)
        assert step.aperture_noise is not None
        assert_allclose(step.aperture_noise, 0.1 * step.noise, rtol=1e-9)
        assert_allclose(step.levels, 0.1 * math.log(10.0) * light * 65535, rtol=1e-6)
        assert_allclose(step.signal_to_noise, light / 0.001, rtol=1e-6)
    # T falls to ten times the noise at density 2, to the noise itself at 3, which this wedge does not reach.
    assert found.usable_range == (0.05, 2.45)
    assert not found.range_ends
    ten = wedge_check(calibration(steps=7, increment=0.4), least_ratio=10.0)
    assert ten.range_ends
    assert_allclose(ten.usable_range, (0.05, 2.0), atol=1e-9)
    assert found.told_apart == 7


@pytest.mark.parametrize(
    ("tone", "words"),
    [
        ("linear", "linear"),
        ("1.8", "about gamma 1.8"),
        ("2.2", "about gamma 2.2"),
        ("log", "log-like"),
    ],
)
@pytest.mark.parametrize("inverted", [False, True])
def test_the_tone_is_told_in_words(tmp_path: Path, tone: Tone, words: str, inverted: bool) -> None:
    assert tone_of(made(tmp_path, replace(GOOD, tone=tone, inverted=inverted), steps=17)).words == words


def test_a_tone_that_is_no_simple_curve_is_called_bent() -> None:
    plain = calibration(steps=9, increment=0.25)
    wavy = [0.95, 0.9, 0.6, 0.58, 0.3, 0.29, 0.1, 0.09, 0.01]
    steps = tuple(
        replace(step, reading=replace(step.reading, signal=signal))
        for step, signal in zip(plain.steps, wavy, strict=True)
    )
    assert tone_of(replace(plain, steps=steps)).words.startswith("bent, on average about gamma")


def test_the_noise_of_a_rendered_scanner_is_found(tmp_path: Path) -> None:
    scanner = replace(GOOD, shot_electrons=10_000.0, read_noise=20.0, glare=0.0, psf_um=0.0, streaks=0.0)
    found = wedge_check(made(tmp_path, scanner))
    light = 10.0 ** -np.array([step.density for step in found.steps])
    truth = 0.4343 * np.sqrt(light / 10_000.0 + (20.0 / 10_000.0) ** 2) / light
    noise = np.array([step.noise for step in found.steps], dtype=float)
    # 2,000 pixels tell a standard deviation to 1.6 % (k = 1), the slope between steps is good to some per cent, and
    # black is cut at code 0 in the darkest steps: those are left out.
    assert_allclose(noise[:9], truth[:9], rtol=0.1)
    # The ratio T/u is 1 where T = 0.0021, at density 2.68, beyond this wedge.
    assert found.usable_range[1] > 2.2
    four = wedge_check(made(tmp_path, scanner), least_ratio=4.0)
    # It is 4 where T = 0.0088, at density 2.06; u and the slope are good to 10 % together, 0.05 in density.
    assert four.range_ends
    assert_allclose(four.usable_range[1], 2.06, atol=0.06)


def test_few_gray_levels_are_said_of_8_bits_and_not_of_16(tmp_path: Path) -> None:
    assert "few-gray-levels" in codes(wedge_check(made(tmp_path, replace(GOOD, bits=8, tone="2.2"))))
    assert "few-gray-levels" not in codes(wedge_check(made(tmp_path, replace(GOOD, tone="2.2"))))


def test_clipped_steps_are_marked(tmp_path: Path) -> None:
    found = wedge_check(made(tmp_path, replace(GOOD, gain=1.4)))
    assert found.steps[0].clipped
    assert not found.steps[0].told_apart
    assert not found.steps[3].clipped
    assert found.usable_range[0] > DENSITIES[0]


# Drift


def drift(folder: Path, then: Scanner, now: Scanner, *, densities: tuple[float, ...] = DENSITIES) -> DriftCheck:
    in_use = made(folder, then, name="then", seed=2)
    scan = scanned(folder, "now", [layout(densities=densities)], now, seed=3)
    fresh = calibrate(scan, wedge(densities), label=LABEL, inverted=now.inverted)
    return drift_check(scan, fresh, in_use)


def test_a_scanner_that_holds_is_not_called_drifted(tmp_path: Path) -> None:
    found = drift(tmp_path, GOOD, GOOD)
    assert not found.drifted
    assert codes(found) == set()
    assert found.same_wedge
    assert abs(found.mean.value) < 0.003
    # The certificate cancels: both readings are of the same steps, so that light steps are known to a thousandth.
    assert found.steps[2].difference.uncertainty is not None
    assert found.steps[2].difference.uncertainty < 0.002


def test_differences_lie_inside_their_uncertainty(tmp_path: Path) -> None:
    inside, steps = 0, 0
    for seed in range(4):
        folder = tmp_path / str(seed)
        folder.mkdir()
        in_use = made(folder, GOOD, name="then", seed=10 + seed)
        scan = scanned(folder, "now", [layout()], GOOD, seed=20 + seed)
        found = drift_check(scan, calibrate(scan, wedge(), label=LABEL, inverted=False), in_use)
        for step in found.steps:
            steps += 1
            # 0.0005: two scans of one wedge differ by its rendered grain too, a thousandth at most.
            inside += abs(step.difference.value) <= (step.difference.uncertainty or 0.0) + 0.0005
    assert inside >= 0.9 * steps


@pytest.mark.parametrize("tone", ["linear", "2.2"])
def test_a_weaker_lamp_is_seen_as_drift(tmp_path: Path, tone: Tone) -> None:
    then = replace(GOOD, tone=tone)
    found = drift(tmp_path, then, replace(then, gain=0.9 * 10**-0.04))
    assert found.drifted
    assert "calibration-drifted" in codes(found)
    # The lamp is weaker by 0.04 in density everywhere; the darkest steps are noisy and lifted by glare.
    assert_allclose([step.difference.value for step in found.steps[:8]], 0.04, atol=0.003)
    assert_allclose(found.mean.value, 0.04, atol=0.006)
    assert_allclose(found.rms, 0.04, atol=0.01)
    assert abs(found.worst.difference.value) >= 0.04


def test_a_drift_of_a_hundredth_is_no_alarm(tmp_path: Path) -> None:
    found = drift(tmp_path, GOOD, replace(GOOD, gain=0.9 * 10**-0.01))
    assert not found.drifted
    assert_allclose(found.steps[3].difference.value, 0.01, atol=0.002)


def test_another_wedge_brings_its_own_certificate(tmp_path: Path) -> None:
    found = drift(tmp_path, GOOD, GOOD, densities=even_densities(11, 0.21, 0.08))
    assert not found.same_wedge
    uncertainty = found.steps[3].difference.uncertainty
    assert uncertainty is not None
    # Both certificates are 0.01 (k = 2), and the calibration's counts a little less between its steps.
    assert 0.0115 < uncertainty < 0.02


def test_other_settings_are_said(tmp_path: Path) -> None:
    assert "scan-differs-from-calibration" in codes(drift(tmp_path, GOOD, replace(GOOD, software="another")))


def test_a_scan_of_another_scale_cannot_be_compared(tmp_path: Path) -> None:
    with pytest.raises(MeasureError, match=r"now\.tif has another bit depth"):
        drift(tmp_path, GOOD, replace(GOOD, bits=8))


def test_a_wedge_outside_the_calibration_cannot_be_compared(tmp_path: Path) -> None:
    scan = scanned(tmp_path, "now", [layout()], GOOD)
    fresh = calibrate(scan, wedge(), label=LABEL, inverted=False)
    with pytest.raises(MeasureError, match="no step of this wedge lies in the range"):
        drift_check(scan, fresh, replace(fresh, density_range=(4.0, 5.0)))


# The empty bed


def bed(folder: Path, scanner: Scanner, spots: Spots | None = None, *, curve: Calibration | None = None) -> BedCheck:
    scan = scanned(folder, "bed", [] if spots is None else [spots], scanner)
    return bed_check(scan, read_bed(scan), curve=curve, inverted=scanner.inverted)


def test_a_good_bed_gives_no_warning(tmp_path: Path) -> None:
    found = bed(tmp_path, GOOD)
    assert codes(found) == set()
    assert found.specks == 0
    assert found.clipped == 0.0
    assert found.unevenness is not None
    # `lamp` is half the span; streaks of 0.0005 leave a trace in the corners of the surface.
    assert_allclose(found.unevenness, 0.004, atol=0.0012)


def test_the_places_of_an_uneven_lamp_are_named(tmp_path: Path) -> None:
    scanner = replace(GOOD, lamp=0.03, lamp_seed=1)
    found = bed(tmp_path, scanner)
    assert "lamp-uneven" in codes(found)
    assert found.unevenness is not None
    assert found.unevenness_density is not None
    assert_allclose(found.unevenness, 0.06, atol=0.003)
    assert_allclose(found.unevenness_density, math.log10(1.03 / 0.97), atol=0.002)
    assert found.darkest is not None
    assert found.brightest is not None
    assert found.darkest.light < 0.98
    assert found.brightest.light > 1.01
    for place in (found.darkest, found.brightest):
        assert 0.0 <= place.x_mm <= BED_MM[0]
        assert 0.0 <= place.y_mm <= BED_MM[1]


def test_a_tone_curve_is_undone_where_the_curve_is_known(tmp_path: Path) -> None:
    scanner = replace(GOOD, lamp=0.03, tone="2.2")
    as_signal, as_light = bed(tmp_path, scanner), bed(tmp_path, scanner, curve=made(tmp_path, scanner))
    assert not as_signal.in_light
    assert as_light.in_light
    assert as_signal.unevenness is not None
    assert as_light.unevenness is not None
    assert_allclose(as_light.unevenness, 0.06, atol=0.003)
    assert_allclose(as_signal.unevenness, 0.06 / 2.2, atol=0.002)


def test_dust_is_counted(tmp_path: Path) -> None:
    spots = Spots(spots=[(20.0, 20.0, 0.5), (50.0, 60.0, 2.0), (100.0, 30.0, 1.0), (101.5, 30.0, 1.0)])
    assert bed(tmp_path, GOOD, spots).specks in {3, 4}  # the last two lie half a millimetre apart
    many = Spots(spots=[(5.0 + 6.5 * column, 5.0 + 8.0 * row, 0.6) for column in range(20) for row in range(12)])
    found = bed(tmp_path, GOOD, many)
    assert found.specks == 240
    assert "dust-on-bed" in codes(found)


def waves(rows: int, columns: int, amplitude: float, *, down: bool) -> npt.NDArray[np.uint16]:
    """An even bed with a sine of 20 pixels from row to row (or column to column)."""
    line = 1.0 + amplitude * np.sin(2.0 * np.pi * np.arange(rows if down else columns) / 20.0)
    noise = np.random.default_rng(5).standard_normal((rows, columns))
    plane = np.ones((rows, columns)) * (line[:, None] if down else line[None, :])
    codes_: npt.NDArray[np.uint16] = np.rint(40_000.0 * plane + 100.0 * noise).astype(np.uint16)
    return codes_


@pytest.mark.parametrize("down", [False, True])
def test_banding_of_known_amplitude_is_found(tmp_path: Path, down: bool) -> None:
    place = tmp_path / "bed.tif"
    tifffile.imwrite(place, waves(400, 600, 0.004, down=down), resolution=(100, 100), resolutionunit="INCH")
    scan = open_scan(place)
    found = bed_check(scan, read_bed(scan))
    assert found.rows is not None
    assert found.columns is not None
    along, across = (found.rows, found.columns) if down else (found.columns, found.rows)
    # A sine has the standard deviation of its amplitude over the square root of 2; the surface takes nothing of it.
    assert_allclose(along, 0.004 / math.sqrt(2.0), rtol=0.02)
    assert across < 0.0002
    assert "banding" in codes(found)


@pytest.mark.parametrize(("banding", "streaks"), [(0.003, 0.0), (0.0, 0.003)])
def test_rendered_banding_is_found_under_noise_and_dust(tmp_path: Path, banding: float, streaks: float) -> None:
    spots = Spots(spots=[(50.0, 60.0, 3.0), (90.0, 20.0, 2.0)])
    found = bed(tmp_path, replace(GOOD, banding=banding, streaks=streaks), spots)
    # About 500 rows or columns of random gain tell its standard deviation to 3 % (k = 1).
    assert found.rows is not None
    assert found.columns is not None
    assert_allclose([found.rows, found.columns], [banding, streaks], atol=0.0003)


def test_a_blown_out_bed_tells_nothing_and_says_so(tmp_path: Path) -> None:
    found = bed(tmp_path, replace(GOOD, gain=1.1))
    assert codes(found) == {"bed-clipped"}
    assert found.unevenness is None
    assert found.specks is None
    assert found.clipped > 0.95


def test_a_blown_out_positive_is_one_too(tmp_path: Path) -> None:
    assert codes(bed(tmp_path, replace(GOOD, gain=1.1, inverted=True))) == {"bed-clipped"}
    assert codes(bed(tmp_path, replace(GOOD, inverted=True))) == set()


def test_a_dark_bed_asks_which_way_the_scan_runs(tmp_path: Path) -> None:
    scan = scanned(tmp_path, "bed", [], replace(GOOD, inverted=True, gain=0.95))
    assert "bed-dark" in codes(bed_check(scan, read_bed(scan)))


def test_a_black_bed_is_refused(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "bed.tif", np.zeros((300, 300), np.uint16), resolution=(100, 100), resolutionunit="INCH"
    )
    scan = open_scan(tmp_path / "bed.tif")
    with pytest.raises(MeasureError, match=r"bed\.tif is black"):
        bed_check(scan, read_bed(scan))


def test_a_picture_is_no_empty_bed(tmp_path: Path) -> None:
    codes_ = np.random.default_rng(3).integers(0, 2, (30, 30)).astype(np.uint16) * 50_000 + 7
    tifffile.imwrite(tmp_path / "bed.tif", np.kron(codes_, np.ones((15, 15), np.uint16)), resolution=(100, 100))
    scan = open_scan(tmp_path / "bed.tif", ppi=100)
    assert bed_check(scan, read_bed(scan)).warnings != ()


def test_a_bed_with_a_wedge_on_it_is_not_empty(tmp_path: Path) -> None:
    scan = scanned(tmp_path, "bed", [layout()], GOOD)
    with pytest.raises(MeasureError, match="not an empty bed"):
        bed_check(scan, read_bed(scan))


def test_clear_film_on_the_bed_is_not_empty(tmp_path: Path) -> None:
    """It takes less light than a lamp may lack, but in one place."""
    thin = replace(layout(), densities=(0.15,) * 12)
    scan = scanned(tmp_path, "bed", [thin], GOOD)
    assert "bed-not-empty" in codes(bed_check(scan, read_bed(scan)))


def test_parts_of_a_mask_hang_together_by_corners() -> None:
    mask = np.array([[1, 0, 0, 1], [0, 1, 0, 1], [0, 0, 0, 0], [1, 0, 0, 0]], dtype=bool)
    assert [part.size for part in parts_of(mask)] == [2, 2, 1]
    assert count_parts(np.zeros((3, 3), dtype=bool)) == 0
    assert parts_of(mask)[-1].tolist() == [12]


# Glare


def two_levels(folder: Path, black: int, *, dirt: bool = False) -> Scan:
    codes_ = np.full((400, 600), black, np.uint16)
    codes_[160:240, 240:280] = 50_000
    if dirt:
        codes_[20:60, 20:60] = 50_000
    tifffile.imwrite(folder / "slot.tif", codes_, resolution=(100, 100), resolutionunit="INCH")
    return open_scan(folder / "slot.tif")


def test_a_slot_of_two_levels_is_read_as_by_hand(tmp_path: Path) -> None:
    found = slot_check(two_levels(tmp_path, 100))
    # 100/50000 = 0.002 at every distance: density 2.699; it is a constant black and no scattered light.
    assert_allclose([place.fraction for place in found.profile], 0.002, rtol=1e-9)
    assert_allclose([place.density or 0.0 for place in found.profile], 2.69897, atol=1e-5)
    assert_allclose(found.black, 0.002, rtol=1e-6)
    assert found.glare.total < 1e-6
    # 40 x 80 pixels of 0.254 mm at 240, 160
    assert_allclose(found.slot_mm, (60.96, 40.64, 10.16, 20.32), atol=0.51)


@pytest.mark.parametrize("share", [0.001, 0.005, 0.02])
def test_rendered_glare_is_found(tmp_path: Path, share: float) -> None:
    scan = scanned(tmp_path, "slot", [SLOT], replace(GOOD, glare=share, lamp=0.0))
    found = slot_check(scan)
    # The rendered glare has reaches of 2.5 and 12 mm, of which 2.5 is between those fitted. Noise at black is cut at 0,
    # which adds 0.0001 to the black and hides as much of what is scattered far.
    assert_allclose(found.glare.total, share, rtol=0.15, atol=0.0002)
    fractions = [place.fraction for place in found.profile]
    assert all(first >= second - 2e-5 for first, second in pairwise(fractions))
    # Half of what lies at the straight edge of a wide slot is scattered from it: share/2, and less 1.5 mm away.
    assert 0.1 * share < found.beside < 0.5 * share
    assert found.believed is not None
    net = found.beside - found.black
    assert_allclose(found.believed, -math.log10(net / (10**0.02 - 1.0)), atol=1e-9)
    assert ("strong-glare" in codes(found)) == (found.beside > 0.005)


def test_strong_glare_is_said(tmp_path: Path) -> None:
    found = slot_check(scanned(tmp_path, "slot", [SLOT], replace(GOOD, glare=0.04, lamp=0.0)))
    assert "strong-glare" in codes(found)
    assert "strong-glare" not in codes(slot_check(two_levels(tmp_path, 10)))


def test_glare_through_a_tone_curve_needs_the_calibration(tmp_path: Path) -> None:
    scanner = replace(GOOD, glare=0.01, tone="2.2", lamp=0.0)
    masked = replace(layout(), mask_mm=100.0)
    scan = scanned(tmp_path, "wedge", [masked], scanner, seed=4)
    curve = calibrate(scan, wedge(), label=LABEL, inverted=False)
    found = slot_check(scanned(tmp_path, "slot", [SLOT], scanner), calibration=curve)
    assert "calibration turns signal into light" in found.assumed
    # The wedge's own glare under its mask is in the curve: a light step's neighbour has some of it.
    assert_allclose(found.glare.total, 0.01, rtol=0.35)
    wrong = slot_check(scanned(tmp_path, "slot", [SLOT], scanner))
    assert "linear output" in wrong.assumed
    assert wrong.glare.total > 0.05


def test_a_linear_calibration_needs_no_table(tmp_path: Path) -> None:
    scanner = replace(GOOD, glare=0.005, lamp=0.0)
    found = slot_check(scanned(tmp_path, "slot", [SLOT], scanner), calibration=made(tmp_path, scanner))
    assert "shows linear output" in found.assumed
    assert_allclose(found.glare.total, 0.005, rtol=0.15)


def test_black_denser_than_the_wedge_is_said(tmp_path: Path) -> None:
    scanner = replace(GOOD, glare=0.0002, tone="2.2", lamp=0.0)
    slot = scanned(tmp_path, "slot", [SLOT], scanner)
    assert "black-beyond-calibration" in codes(slot_check(slot, calibration=made(tmp_path, scanner)))
    assert "black-beyond-calibration" not in codes(slot_check(slot))


def test_a_clipped_slot_is_said(tmp_path: Path) -> None:
    assert "slot-clipped" in codes(slot_check(scanned(tmp_path, "slot", [SLOT], replace(GOOD, gain=1.3))))
    assert "slot-clipped" not in codes(slot_check(scanned(tmp_path, "slot", [SLOT], GOOD)))


def test_black_at_code_0_is_said(tmp_path: Path) -> None:
    assert "black-clipped" in codes(slot_check(two_levels(tmp_path, 0)))
    assert "black-clipped" not in codes(slot_check(two_levels(tmp_path, 5)))


def test_an_inverted_slot_is_read(tmp_path: Path) -> None:
    scanner = replace(GOOD, glare=0.005, inverted=True, lamp=0.0)
    found = slot_check(scanned(tmp_path, "slot", [SLOT], scanner), inverted=True)
    assert_allclose(found.glare.total, 0.005, rtol=0.15)


@pytest.mark.parametrize(
    ("openings", "what"),
    [
        ([], "no clear slot"),
        ([(60.0, 30.0, 12.0, 40.0), (100.0, 30.0, 12.0, 40.0)], "more than one clear part"),
        ([(60.0, -10.0, 12.0, 40.0)], "runs to the edge"),
        ([(-10.0, -10.0, 200.0, 200.0)], "no clear slot"),
        ([(60.0, 30.0, 1.0, 1.0)], "no clear slot"),
    ],
)
def test_what_is_no_slot_is_refused(
    tmp_path: Path, openings: list[tuple[float, float, float, float]], what: str
) -> None:
    with pytest.raises(MeasureError, match=rf"slot\.tif: .*{what}.*; cover the whole bed"):
        slot_check(scanned(tmp_path, "slot", [BlackMask(openings=openings)], GOOD))


def test_a_slit_is_too_narrow(tmp_path: Path) -> None:
    with pytest.raises(MeasureError, match="too narrow"):
        slot_check(scanned(tmp_path, "slot", [BlackMask(openings=[(60.0, 30.0, 1.5, 40.0)])], GOOD))


def test_a_slot_of_another_scale_is_refused(tmp_path: Path) -> None:
    with pytest.raises(MeasureError, match="another bit depth"):
        slot_check(scanned(tmp_path, "slot", [SLOT], replace(GOOD, bits=8)), calibration=calibration())


def test_spreading_keeps_an_even_bed_and_the_amount_of_light() -> None:
    cell = (0.5, 0.5)
    assert_allclose(spread(np.full((40, 60), 0.7), 3.0, cell_mm=cell), 0.7, rtol=1e-12)
    spot = np.zeros((161, 161))
    spot[80, 80] = 1.0
    blurred = spread(spot, 3.0, cell_mm=cell)
    # The middle of a Gaussian of 6 cells is 1/(2 pi 36); the sum is the light that was there.
    assert_allclose(blurred[80, 80], 1.0 / (2.0 * math.pi * 36.0), rtol=1e-3)
    assert_allclose(blurred.sum(), 1.0, rtol=1e-6)


def test_light_is_freed_of_its_veil() -> None:
    rng = np.random.default_rng(1)
    light = spread(rng.uniform(0.0, 1.0, (80, 90)), 2.0, cell_mm=(1.0, 1.0))
    glare = Glare(shares=(0.001, 0.0, 0.002, 0.003, 0.0))
    seen = (1.0 - glare.total) * light + veil(light, glare, cell_mm=(1.0, 1.0))
    # What is neglected is of the order of the share squared, 4e-5 of the light's variation.
    rest = (seen - veil(seen, glare, cell_mm=(1.0, 1.0))) / (1.0 - glare.total)
    assert_allclose(rest, light, atol=2e-5)


def test_shares_are_fitted_exactly_and_never_negative() -> None:
    rng = np.random.default_rng(2)
    maps = rng.uniform(0.0, 1.0, (5, 300))
    shares, black = shares_of(maps, 0.01 * maps[1] + 0.002 * maps[4] + 0.0003)
    assert_allclose(shares, (0.0, 0.01, 0.0, 0.0, 0.002), atol=1e-9)
    assert_allclose(black, 0.0003, atol=1e-9)
    shares, black = shares_of(maps, 0.5 - 0.1 * maps[0])
    assert min(shares) >= 0.0


def test_a_glare_is_kept_as_json() -> None:
    glare = Glare(shares=(0.001, 0.0, 0.002, 0.0, 0.0), file="slot.tif")
    assert read_result(Glare, json.loads(json.dumps(as_dict(glare)))) == glare
    with pytest.raises(ValueError, match="other reaches"):
        read_result(Glare, {**as_dict(glare), "reaches_mm": [1.0]})
    with pytest.raises(ValueError, match="one share"):
        Glare(shares=(0.9,) * len(REACHES_MM))


# Age, and what is kept


NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("created", "days"),
    [
        ("2026-06-01T12:00:00+00:00", 0.0),
        ("2026-05-31T12:00:00", 1.0),
        ("2026-05-31T14:00:00+02:00", 1.0),
        ("2026-03-03T12:00:00+00:00", 90.0),
        ("long ago", None),
        ("", None),
    ],
)
def test_age_in_days(created: str, days: float | None) -> None:
    assert age_days(created, NOW) == days
    assert age_days(created, NOW.astimezone(timezone(timedelta(hours=-7)))) == days


def test_an_old_calibration_is_said_from_the_day_that_is_set() -> None:
    old = replace(calibration(), created="2026-03-02T12:00:00+00:00")
    assert [warning.code for warning in read_with(old, now=NOW).warnings] == ["calibration-old"]
    paper = replace(old, mode="reflection")
    assert [warning.code for warning in read_with(paper, now=NOW, oldest_days=92.0).warnings] == [
        "calibration-for-prints"
    ]
    assert read_with(old, now=NOW, oldest_days=92.0).warnings == ()
    assert read_with(replace(old, created="2026-04-01T12:00:00+00:00"), now=NOW).warnings == ()


def test_a_date_still_to_come_and_the_wrong_kind_are_said() -> None:
    late = replace(calibration(), created="2031-01-01T00:00:00+00:00")
    assert [warning.code for warning in read_with(late, now=NOW).warnings] == ["calibration-from-the-future"]
    film = replace(calibration(), created=NOW.isoformat())
    told = read_with(film, now=NOW, mode="reflection").warnings
    assert [warning.code for warning in told] == ["calibration-for-film"]


def test_a_drift_found_by_the_last_check_is_said() -> None:
    young = replace(calibration(), created=NOW.isoformat())
    drifted = Findings(checked=NOW.isoformat(), drift=-0.031, drifted=True)
    told = read_with(replace(young, findings=drifted), now=NOW).warnings
    assert [warning.code for warning in told] == ["calibration-drifted"]
    assert "-0.03" in told[0].message
    assert read_with(replace(young, findings=replace(drifted, drifted=False)), now=NOW).warnings == ()


def test_new_findings_stand_over_older_ones() -> None:
    glare = Glare(shares=(0.001, 0.0, 0.0, 0.0, 0.0))
    older = Findings(checked="2026-01-01", drift=0.03, drifted=True, lamp=0.002)
    newer = Findings(checked="2026-02-01", glare=glare).over(older)
    assert newer == Findings(checked="2026-02-01", drift=0.03, drifted=True, lamp=0.002, glare=glare)
    again = Findings(checked="2026-03-01", drift=0.001).over(newer)
    assert (again.drift, again.drifted, again.glare) == (0.001, False, glare)
    assert read_result(Findings, json.loads(json.dumps(as_dict(newer)))) == newer
    with pytest.raises(ValueError, match="not a number"):
        Findings(checked="", drift=math.nan)


# All together


def test_each_check_stands_alone_and_a_failing_one_stops_no_other(tmp_path: Path) -> None:
    good, no_slot = scanned(tmp_path, "bed", [], GOOD), scanned(tmp_path, "slot", [], GOOD)
    assert check_scanner(Asked()).failed == ()
    found = check_scanner(
        Asked(wedge_scan=good.path, wedge=wedge(), empty_bed=good.path, slot=no_slot.path, in_use=calibration())
    )
    assert [one.part for one in found.failed] == ["wedge", "slot"]
    assert [one.code for one in found.failed] == ["wedge-not-found", "not-measurable"]
    assert found.empty_bed is not None
    assert found.drift is None
    kept = findings_of(found, checked="2026-01-01")
    assert kept.lamp == found.empty_bed.standard
    assert (kept.drift, kept.glare) == (None, None)


def test_a_bed_that_cannot_be_read_stops_no_other_check(tmp_path: Path) -> None:
    good = scanned(tmp_path, "wedge", [layout()], GOOD)
    (tmp_path / "bed.tif").write_bytes(good.path.read_bytes()[:500])
    found = check_scanner(Asked(wedge_scan=good.path, wedge=wedge(), empty_bed=tmp_path / "bed.tif"))
    assert [(one.part, one.code) for one in found.failed] == [("empty bed", "unreadable-scan")]
    assert found.wedge is not None
    assert found.empty_bed is None


def test_a_mask_that_leaves_no_black_beside_the_slot_is_refused(tmp_path: Path) -> None:
    codes_ = np.full((60, 60), 100, np.uint16)
    codes_[11:49, 11:49] = 50_000
    tifffile.imwrite(tmp_path / "slot.tif", codes_, resolution=(254, 254), resolutionunit="INCH")
    with pytest.raises(MeasureError, match="no black beside the slot; leave at least 10 mm"):
        slot_check(open_scan(tmp_path / "slot.tif"))


def test_black_that_the_wedge_reaches_is_read_by_it(tmp_path: Path) -> None:
    scanner = replace(GOOD, glare=0.02, tone="2.2", lamp=0.0)
    masked = replace(layout(), mask_mm=100.0)
    curve = calibrate(scanned(tmp_path, "wedge", [masked], scanner), wedge(), label=LABEL, inverted=False)
    found = slot_check(scanned(tmp_path, "slot", [SLOT], scanner), calibration=curve)
    assert "black-beyond-calibration" not in codes(found)
    assert found.profile[0].density is not None
    assert found.profile[0].density < curve.density_range[1]


def test_a_wedge_that_is_clipped_or_noisy_all_along_leaves_no_usable_range() -> None:
    plain = calibration(steps=7, increment=0.4)

    def changed(**changes: Any) -> Calibration:
        steps = (replace(step, reading=replace(step.reading, **changes)) for step in plain.steps)
        return replace(plain, steps=tuple(steps))

    for bad in (changed(clipped=1.0), changed(noise=5.0)):
        found = wedge_check(bad)
        assert found.usable_range == (0.05, 0.05)
        assert found.range_ends


def test_the_wedge_of_today_turns_signal_into_light(tmp_path: Path) -> None:
    scanner = replace(GOOD, tone="2.2", lamp=0.03)
    strip = scanned(tmp_path, "wedge", [layout()], scanner)
    empty = scanned(tmp_path, "bed", [], scanner)
    found = check_scanner(Asked(wedge_scan=strip.path, wedge=wedge(), empty_bed=empty.path))
    assert found.empty_bed is not None
    assert found.empty_bed.in_light
    assert found.drift is None
    assert "lamp-uneven" in {warning.code for warning in found.warnings}


def test_drift_of_a_calibration_that_knows_the_lamp_is_seen_under_an_even_lamp(tmp_path: Path) -> None:
    scanner = replace(GOOD, lamp=0.03, lamp_seed=5)
    empty = scanned(tmp_path, "bed", [], scanner)
    then = scanned(tmp_path, "then", [layout(y_mm=20.0)], scanner, seed=2)
    in_use = calibrate(then, wedge(), label=LABEL, inverted=False, empty_bed=empty)
    now = scanned(tmp_path, "now", [layout(y_mm=80.0)], scanner, seed=3)
    asked = Asked(wedge_scan=now.path, wedge=wedge(), in_use=in_use)
    plain, even = check_scanner(asked), check_scanner(replace(asked, empty_bed=empty.path))
    assert plain.drift is not None
    assert even.drift is not None
    assert "empty-bed-missing" in codes(plain.drift)
    assert "empty-bed-missing" not in codes(even.drift)
    # What is left is what is promised of the correction.
    assert max(abs(step.difference.value) for step in even.drift.steps[:8]) < 0.005
    small = scanned(tmp_path, "small", [], scanner, size_mm=(120.0, 100.0))
    other = check_scanner(replace(asked, empty_bed=small.path))
    assert [(one.part, one.code) for one in other.failed] == [("drift", "not-measurable")]


def test_a_faultless_scanner_passes(tmp_path: Path) -> None:
    scanner = replace(faultless(120), gain=0.9, shot_electrons=1e6)
    scan = scanned(tmp_path, "bed", [], scanner)
    assert bed_check(scan, read_bed(scan)).warnings == ()
