"""Glare in readings: the doubt it leaves, its correction where asked, and what a calibration knows of its own wedge."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.check.slot import slot_check
from densiscan.calibration.file import read_calibration, write_calibration
from densiscan.calibration.glare import REACHES_MM, Glare
from densiscan.calibration.make import Label, calibrate
from densiscan.calibration.veil import coarse, freed_curve, with_surrounds
from densiscan.errors import CalibrationError, MeasureError
from densiscan.negative.reading import MeasureOptions, Reading, measure_scan
from densiscan.scan.scan import Scan
from tests.renderer import Scanner
from tests.support.bed_pieces import DENSITIES, BlackMask, layout, scanned, wedge
from tests.support.made_up import calibration

GLARE = Influence("glare")
LABEL = Label(name="test", created="2026-01-02T03:04:05+00:00")
SCANNER = Scanner(ppi=100, gain=0.9, glare=0.005, lamp=0.0, shot_electrons=400_000.0, read_noise=5.0)
MASK_MM = 100.0
"""Card that covers all of the bed round a wedge."""


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
    told = [number for number, (_, usual, _) in enumerate(blind) if usual > 0.0]
    assert len(told) >= 9
    blind, doubted, corrected = ([one[number] for number in told] for one in (blind, doubted, corrected))
    for (error, usual, _), (same, wide, _), (left, rest, _) in zip(blind, doubted, corrected, strict=True):
        assert_allclose(error, same, atol=1e-9)
        # Of a scanner of which nothing is known the usual glare is doubted, and this one is no worse.
        assert abs(error) <= 1.1 * usual + 0.003
        # 10 % beyond: the shares are fitted from one slot.
        assert abs(same) <= 1.1 * wide + 0.003
        assert abs(left) <= rest + 0.003
    errors = np.abs([[error for error, _, _ in one] for one in (blind, corrected)])
    # At density 2.05 half a per cent of scattered light moves a reading by a tenth, and more in the densest steps.
    assert errors[0, 8] > 0.05
    assert np.all(errors[1, 4:9] < 0.2 * errors[0, 4:9] + 0.003)


@pytest.mark.parametrize("both", ["masked", "open"])
def test_the_wedges_own_surroundings_need_no_doubt(made: dict[str, Calibration | Scan | Glare], both: str) -> None:
    for error, uncertainty, part in steps_of(read(made, both, both, correct=False)):
        # The wedge lies 20 mm further down: the veil is nearly that of the calibration.
        assert abs(part) < 0.012
        assert abs(error) <= uncertainty + 0.003


def test_dark_is_doubted_and_light_is_not(made: dict[str, Calibration | Scan | Glare]) -> None:
    parts = [abs(part) for _, _, part in steps_of(read(made, "masked", "open", correct=False))]
    assert parts[0] < 0.003
    assert parts[-1] > 0.05
    assert all(parts[number] < parts[number + 1] for number in range(2, 8))


def test_shadow_and_highlight_carry_one_glare(made: dict[str, Calibration | Scan | Glare]) -> None:
    plain, doubted = (read(made, "masked", "open", correct=how) for how in (None, False))
    assert plain.highlight is not None
    assert doubted.highlight is not None
    assert doubted.density_range is not None
    for one in (plain, doubted):
        assert one.density_range is not None
        both = [(end.parts or {})[GLARE] for end in (one.highlight, one.shadow) if end is not None]
        assert_allclose((one.density_range.parts or {})[GLARE], both[0] - both[1], rtol=1e-9)


def test_a_correction_brings_the_frame_to_its_true_range(made: dict[str, Calibration | Scan | Glare]) -> None:
    plain, corrected = (read(made, "masked", "open", correct=how) for how in (None, True))
    assert plain.highlight is not None
    assert corrected.highlight is not None
    assert corrected.highlight.value > plain.highlight.value + 0.05


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
    with pytest.raises(MeasureError, match="do not run from light to dense any more; scan the slot again"):
        freed_curve(replace(plain, steps=steps), Glare(shares=(0.1, 0.0, 0.0, 0.0, 0.0)))
