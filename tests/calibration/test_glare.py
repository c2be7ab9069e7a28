"""Glare in readings: the doubt it leaves, its correction where asked, and what a calibration knows of its own wedge."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import ndimage, optimize

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.check.slot import slot_check
from densiscan.calibration.file import read_calibration, write_calibration
from densiscan.calibration.glare import REACHES_MM, USUAL, Glare, shares_of, spread, veil
from densiscan.calibration.make import Label, calibrate
from densiscan.calibration.veil import coarse, freed_curve, with_surrounds
from densiscan.errors import CalibrationError, MeasureError
from densiscan.files.serialise import as_dict, read_result
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.scan import Scan
from tests.renderer import Scanner
from tests.support.bed_pieces import DENSITIES, BlackMask, layout, scanned, wedge
from tests.support.made_up import calibration

GLARE = Influence("glare")
LABEL = Label(name="test", created="2026-01-02T03:04:05+00:00")
SCANNER = Scanner(ppi=100, gain=0.9, glare=0.005, lamp=0.0, shot_electrons=400_000.0, read_noise=5.0)
MASK_MM = 100.0
"""Card that covers all of the bed round a wedge."""


FIVE = (0.001, 0.002, 0.0005, 0.004, 0.003)


def steps_of(reading: Reading) -> list[tuple[float, float, float]]:
    """Return error, expanded uncertainty and glare's own contribution of each spot on the steps."""
    found = []
    for spot, density in zip(reading.spots, DENSITIES[2:12], strict=True):
        part = (spot.density.parts or {}).get(GLARE, 0.0)
        found.append((spot.density.value - density, spot.density.uncertainty or 0.0, part))
    return found


def spots() -> tuple[tuple[float, float], ...]:
    return tuple((70.0 + (number - 6.0) * 6.0, 60.0) for number in range(2, 12))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Calibration | Scan | Glare]:
    """The same scanner: a calibration under a mask and one on open glass, a film under a mask and one on open glass."""
    folder = tmp_path_factory.mktemp("glare")
    slot = BlackMask(openings=[(60.0, 30.0, 12.0, 40.0)])
    found: dict[str, Calibration | Scan | Glare] = {
        "glare": slot_check(scanned(folder, "slot", [slot], SCANNER)).glare,
    }
    for name, mask in (("masked", MASK_MM), ("open", 0.0)):
        scan = scanned(folder, f"{name}-wedge", [replace(layout(y_mm=40.0), mask_mm=mask)], SCANNER, seed=2)
        found[f"{name} calibration"] = calibrate(scan, wedge(), label=LABEL, inverted=False)
        found[f"{name} film"] = scanned(
            folder, f"{name}-film", [replace(layout(y_mm=60.0), mask_mm=mask)], SCANNER, seed=3
        )
    return found


def read(made: dict[str, Calibration | Scan | Glare], curve: str, film: str, *, correct: bool | None) -> Reading:
    """Measure the steps; `correct` None: without knowing of glare."""
    by, scan, glare = made[f"{curve} calibration"], made[f"{film} film"], made["glare"]
    assert isinstance(by, Calibration)
    assert isinstance(scan, Scan)
    assert isinstance(glare, Glare)
    options = MeasureOptions(
        aperture_mm=3.0,
        frame_mm=(40.0, 54.0, 54.0, 12.0),
        spots_mm=spots(),
        glare=None if correct is None else glare,
        correct_glare=bool(correct),
    )
    return measure_scan(scan, by, options)[0]


@pytest.mark.parametrize(("curve", "film"), [("masked", "open"), ("open", "masked")])
def test_other_surroundings_than_the_wedges_are_doubted_or_corrected(
    made: dict[str, Calibration | Scan | Glare], curve: str, film: str
) -> None:
    blind, doubted, corrected = (steps_of(read(made, curve, film, correct=how)) for how in (None, False, True))
    # a step beyond what the calibration tells apart is only a limit, without an uncertainty to hold it against
    told = [number for number in range(len(blind)) if all(one[number][1] > 0.0 for one in (blind, doubted, corrected))]
    assert len(told) >= 8
    blind, doubted, corrected = ([one[number] for number in told] for one in (blind, doubted, corrected))
    for (error, usual, _), (same, wide, _), (left, rest, _) in zip(blind, doubted, corrected, strict=True):
        # Of a scanner of which nothing is known the usual glare is expected, and this one is no worse.
        assert abs(error) <= 1.1 * usual + 0.003
        # 10 % beyond: the shares are fitted from one slot.
        assert abs(same) <= 1.1 * wide + 0.003
        assert abs(left) <= rest + 0.003
    errors = np.abs([[error for error, _, _ in one] for one in (blind, doubted, corrected)])
    # A slot that is not used to correct changes no reading, only what is doubted of it.
    assert_allclose(errors[1], errors[0], rtol=0, atol=1e-9)
    # At density 2.05 half a per cent of scattered light would move a reading by a tenth; the wedge shows most of it.
    assert errors[0, 4:].max() < 0.05
    assert np.all(errors[2, 4:] < 0.2 * 0.1 + 0.003)


@pytest.mark.parametrize("both", ["masked", "open"])
def test_a_wedge_reads_its_own_dense_steps(made: dict[str, Calibration | Scan | Glare], both: str) -> None:
    """Whatever is scattered onto a wedge, the same wedge a little further down reads as it is."""
    for error, uncertainty, _ in steps_of(read(made, both, both, correct=None)):
        # 20 mm further down a thousandth more or less of the light lies round it; at density 2.2 that is 0.01.
        assert abs(error) < 0.015
        assert uncertainty == 0.0 or abs(error) <= uncertainty + 0.003


@pytest.mark.parametrize("both", ["masked", "open"])
def test_in_the_wedges_own_surroundings_what_is_doubted_covers_the_error(
    made: dict[str, Calibration | Scan | Glare], both: str
) -> None:
    for error, uncertainty, part in steps_of(read(made, both, both, correct=False)):
        # The wedge lies 20 mm further down: the veil is nearly that of the calibration.
        assert abs(part) < 0.01
        assert abs(error) <= uncertainty + 0.003


def test_dark_is_doubted_and_light_is_not(made: dict[str, Calibration | Scan | Glare]) -> None:
    parts = [abs(part) for _, _, part in steps_of(read(made, "masked", "open", correct=False))]
    assert parts[0] < 0.003
    # A fifth of a correction by a tenth is in doubt, and what of it is not made.
    assert parts[-1] > 0.02
    assert all(parts[number] < parts[number + 1] for number in range(2, 8))


def test_shadow_and_highlight_carry_one_glare(made: dict[str, Calibration | Scan | Glare]) -> None:
    for how in (None, False):
        one = read(made, "masked", "open", correct=how)
        assert one.density_range is not None
        assert one.highlight is not None
        assert one.shadow is not None
        ends, range_ = [end.parts or {} for end in (one.highlight, one.shadow)], one.density_range.parts or {}
        kinds = [influence for influence in ends[0] if influence.kind == "glare"]
        assert kinds
        for influence in kinds:
            assert_allclose(range_[influence], ends[0][influence] - ends[1].get(influence, 0.0), rtol=1e-9, atol=1e-7)


def test_a_frame_reads_alike_by_what_the_wedge_shows_and_by_the_slot(
    made: dict[str, Calibration | Scan | Glare],
) -> None:
    plain, corrected = (read(made, "masked", "open", correct=how) for how in (False, True))
    assert plain.highlight is not None
    assert corrected.highlight is not None
    assert 0.0 < abs(corrected.highlight.value - plain.highlight.value) < (plain.highlight.uncertainty or 0.0)


def test_a_calibration_knows_what_lay_round_its_wedge(
    made: dict[str, Calibration | Scan | Glare], tmp_path: Path
) -> None:
    masked, open_ = made["masked calibration"], made["open calibration"]
    assert isinstance(masked, Calibration)
    assert isinstance(open_, Calibration)
    for under_mask, on_glass in zip(masked.steps, open_.steps, strict=True):
        assert under_mask.reading.surround is not None
        assert on_glass.reading.surround is not None
        # On open glass the far surroundings are bright, under the mask they are black.
        assert on_glass.reading.surround[-1] > 0.5
        assert under_mask.reading.surround[-1] < 0.2
    write_calibration(open_, tmp_path / "cal.json")
    again = read_calibration(tmp_path / "cal.json")
    assert [step.reading.surround for step in again.steps] == [step.reading.surround for step in open_.steps]
    document = json.loads((tmp_path / "cal.json").read_text(encoding="utf-8"))
    document["steps"][0]["surround"] = [1.0]
    (tmp_path / "cal.json").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(CalibrationError, match="damaged"):
        read_calibration(tmp_path / "cal.json")


def test_an_even_surround_is_itself_at_every_reach() -> None:
    readings = with_surrounds([step.reading for step in calibration().steps], np.full((200, 320), 0.4), 0.25)
    for reading in readings:
        assert reading.surround is not None
        assert_allclose(reading.surround, [0.4] * len(REACHES_MM), rtol=1e-9)


def test_blocks_are_means() -> None:
    light = np.arange(72.0).reshape(8, 9)
    small, sizes = coarse(light, (0.25, 0.5))
    assert sizes == (1.0, 1.0)
    assert_allclose(small, light[:, :8].reshape(2, 4, 4, 2).mean(axis=(1, 3)), rtol=1e-12)
    tiny, sizes = coarse(light[:2], (0.25, 0.5))
    assert tiny.shape == (2, 9)
    assert sizes == (0.25, 0.5)


def test_the_curve_of_light_has_the_veil_in_it() -> None:
    plain = calibration()
    readings = with_surrounds([step.reading for step in plain.steps], np.ones((200, 320)), 0.25)
    known = replace(
        plain,
        steps=tuple(replace(step, reading=reading) for step, reading in zip(plain.steps, readings, strict=True)),
    )
    glare = Glare(shares=(0.0, 0.0, 0.001, 0.0, 0.0))
    curve = freed_curve(known, glare)
    for step in curve.steps:
        # Light at the sensor: 0.999 T + 0.001 of the bright surroundings.
        light = 0.999 * 10.0**-step.reading.density + 0.001
        assert_allclose(10.0**-step.reading.light_density, light, rtol=1e-9)


def test_an_older_calibration_cannot_correct_glare() -> None:
    with pytest.raises(MeasureError, match="calibrate again"):
        freed_curve(calibration(), Glare(shares=(0.001, 0.0, 0.0, 0.0, 0.0)))


def test_glare_that_would_turn_the_wedge_round_is_refused() -> None:
    """Stray light from brighter and brighter surroundings outweighs what the dense steps let through."""
    plain = calibration()
    steps = tuple(
        replace(step, reading=replace(step.reading, surround=(float(number),) * len(REACHES_MM)))
        for number, step in enumerate(plain.steps)
    )
    with pytest.raises(MeasureError, match="no longer run from light to dense; scan the slot again"):
        freed_curve(replace(plain, steps=steps), Glare(shares=(0.1, 0.0, 0.0, 0.0, 0.0)))


# ---- The sums behind glare: spreading light, and the shares that explain what is seen in the black
@pytest.mark.parametrize("cell_mm", [(1.0, 1.0), (0.5, 2.0), (3.0, 0.25)])
@pytest.mark.parametrize("reach", [1.5, 6.0, 24.0])
def test_light_spreads_as_by_a_general_filter(reach: float, cell_mm: tuple[float, float]) -> None:
    """Reference: scipy.ndimage.gaussian_filter, its border continued, cut off far out."""
    light = np.random.default_rng(4).uniform(0.0, 1.0, (31, 44))
    theirs = ndimage.gaussian_filter(light, [reach / size for size in cell_mm], mode="nearest", truncate=8.0)
    # Beyond four standard deviations on each axis lies 6e-5 of the light, on two axes twice that.
    assert_allclose(spread(light, reach, cell_mm=cell_mm), theirs, rtol=0, atol=1.3e-4)


@pytest.mark.parametrize("reach", REACHES_MM)
def test_black_far_from_all_light_stays_black(reach: float) -> None:
    """A calibration is refused as damaged when the light round one of its steps is below nothing."""
    light = np.zeros((240, 240))
    light[:40] = np.random.default_rng(7).uniform(0.5, 1.0, (40, 240))
    found = spread(light, reach, cell_mm=(1.0, 1.0))
    assert found.min() >= 0.0
    assert found.max() <= 1.0


def test_even_light_stays_even_and_is_veiled_by_its_share() -> None:
    even = np.full((20, 30), 0.7)
    assert_allclose(veil(even, Glare(shares=FIVE), cell_mm=(1.0, 0.5)), 0.7 * sum(FIVE), rtol=1e-12)
    assert_allclose(Glare(shares=FIVE).total, sum(FIVE), rtol=1e-12)
    assert_allclose(USUAL.total, 0.004, rtol=1e-12)  # common practice: 0.1 to 1 per cent


def test_each_share_goes_with_its_reach() -> None:
    """A small bright spot: right beside it the shortest reach counts, far off only the longest."""
    light = np.zeros((121, 121))
    light[60, 60] = 1.0
    for number, reach in enumerate(REACHES_MM):
        alone = Glare(shares=tuple(0.01 if k == number else 0.0 for k in range(5)))
        found = veil(light, alone, cell_mm=(1.0, 1.0))
        # A Gaussian's own: at one standard deviation exp(-1/2) of its middle (cells of 1 mm, so to nearest cells).
        k = round(reach) or 1
        assert_allclose(found[60, 60 + k] / found[60, 60], np.exp(-0.5 * (k / reach) ** 2), rtol=1e-9)
        on_map = math.erf(60.5 / reach / math.sqrt(2.0)) ** 2  # the rest falls beyond the 121 mm
        assert_allclose(found.sum(), 0.01 * on_map, rtol=3e-4)  # cut off at four standard deviations: 6e-5 an axis


def maps() -> np.ndarray:
    """The light of a slot at 60 places in the black, by reach: Gaussians of the distance."""
    away = np.linspace(1.0, 60.0, 60)
    return np.stack([np.exp(-0.5 * (away / reach) ** 2) for reach in REACHES_MM])


@pytest.mark.parametrize("shares", [FIVE, (0.0,) * 5, (0.0, 0.0, 0.004, 0.0, 0.0), (0.001, 0.0, 0.002, 0.003, 0.004)])
@pytest.mark.parametrize("black", [0.0, 0.0007, -0.0002])
def test_shares_come_back(shares: tuple[float, ...], black: float) -> None:
    found, constant = shares_of(maps(), np.array(shares) @ maps() + black)
    # 1e-8: the squared matrix of five such like curves has a condition of about 1e6.
    assert_allclose(found, shares, rtol=0, atol=1e-8)
    assert_allclose(constant, black, rtol=0, atol=1e-8)


@given(seed=st.integers(0, 10_000), noise=st.sampled_from([1e-5, 3e-4, 3e-3]))
def test_no_share_is_below_zero_and_none_is_better(seed: int, noise: float) -> None:
    """Reference: scipy.optimize.nnls, the constant as the difference of two numbers that are not negative."""
    rng = np.random.default_rng(seed)
    truth = rng.uniform(0.0, 0.005, 5) * rng.integers(0, 2, 5)
    seen = truth @ maps() + 0.0005 + rng.normal(0.0, noise, 60)
    shares, black = shares_of(maps(), seen)
    design = np.vstack([maps(), np.ones(60), -np.ones(60)]).T
    _, least = optimize.nnls(design, seen)
    assert min(shares) >= 0.0
    left = float(np.linalg.norm(np.array(shares) @ maps() + black - seen))
    assert_allclose(left, least, rtol=1e-6)


def test_a_glare_is_kept_and_read_back() -> None:
    glare = Glare(shares=FIVE, file="slot.tif")
    kept = json.loads(json.dumps(as_dict(glare)))
    assert kept["reaches_mm"] == [1.5, 3.0, 6.0, 12.0, 24.0]
    assert read_result(Glare, kept) == glare


@pytest.mark.parametrize("shares", [(0.001,) * 4, (0.5, 0.0, 0.0, 0.0, 0.0), (-0.001, 0.0, 0.0, 0.0, 0.0)])
def test_what_is_no_glare_is_refused(shares: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="each reach"):
        Glare(shares=shares)


def test_a_glare_of_other_reaches_is_refused() -> None:
    with pytest.raises(ValueError, match="other reaches"):
        read_result(Glare, {"file": "", "reaches_mm": [1.0, 2.0, 4.0, 8.0, 16.0], "shares": list(FIVE)})
