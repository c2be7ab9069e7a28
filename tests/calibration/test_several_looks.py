"""Several looks at one wedge combined: by hand, by the renderer, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import calibration_document, read_calibration, write_calibration
from densiscan.calibration.glare import REACHES_MM, USUAL_SCATTERING, USUAL_SHARE
from densiscan.calibration.look import places_of
from densiscan.calibration.make import Label, calibrate, calibrate_steps
from densiscan.calibration.several_looks import combine_looks
from densiscan.errors import WrongUseError
from densiscan.report.readings import calibration_text
from densiscan.scan.scan import open_scan
from densiscan.wedge.wedge import Wedge, WedgeStep
from tests.renderer import Place, Scanner, WedgeLayout, even_densities, render_bed, write_scan
from tests.renderer.scanner import encoded
from tests.support.made_up import FACTS, step_reading
from tests.support.schemas import faults

LABEL = Label(name="mine", created="2026-01-02T03:04:05+00:00")
TRUE = np.linspace(0.05, 2.05, 11)


def look(
    *, denser: float = 0.0, at: float = 0.0, odd: tuple[int, float] | None = None, certificate: float = 0.01
) -> Calibration:
    """Return a look of a linear scanner that reads all steps denser, lying at some place, one step of it amiss."""
    read = TRUE + denser
    if odd is not None:
        read = read + np.where(np.arange(TRUE.size) == odd[0], odd[1], 0.0)
    readings = [
        replace(step_reading(k, float(true), 10.0 ** -float(seen), noise=1e-6), certificate=certificate)
        for k, (true, seen) in enumerate(zip(TRUE, read, strict=True))
    ]
    moved = [replace(one, box_mm=(one.box_mm[0], at, 6.0, 6.0)) for one in readings]
    facts = replace(FACTS, file=f"{at:.0f}.tif")
    return calibrate_steps(moved, facts=facts, channel="gray", inverted=False, label=LABEL)


def test_three_looks_by_hand() -> None:
    """Looks that read 0.002 denser and twice 0.001 lighter than their mean, a warm scanner's 0.0005 worth two looks.

    Variance (2 x 0.0005^2 + 0.002^2 + 2 x 0.001^2) / (2 + 3 - 1) = 1.625e-6, of the mean of three and one look more
    4/3 of it, and by Student's t of 4 degrees 4/2 of that: 4.333e-6.
    """
    made = combine_looks([look(denser=0.002), look(denser=-0.001, at=50), look(denser=-0.001, at=51)], label=LABEL)
    assert_allclose([one.difference.value for one in made.looks], [0.002, -0.001, -0.001], atol=1e-5)
    assert made.drift is not None
    assert_allclose(made.drift, math.sqrt(4.333e-6), rtol=0.01)
    # The second and the third lay within 20 mm of each other.
    assert places_of(made.looks) == 2
    for density in (0.3, 1.1, 1.9):
        assert_allclose(made.density_of_signal(10.0**-density), density, atol=2e-5)


def test_two_looks_average_what_each_step_has() -> None:
    """A step read 0.01 denser in one of two looks: the mean is 0.005 denser, 0.0005 of it the look's own."""
    made = combine_looks([look(), look(odd=(5, 0.01))], label=LABEL)
    signal = {step.reading.step: step.reading.signal for step in made.steps}
    assert_allclose(-math.log10(signal["6"]), TRUE[5] + 0.005, atol=2e-4)
    assert_allclose(-math.log10(signal["3"]), TRUE[2], atol=2e-4)
    assert (made.steps[5].reading.apart or 0.0) > 0.0
    assert not made.looks[1].left_out


def test_dust_in_one_of_three_looks_is_left_out_and_named() -> None:
    made = combine_looks([look(), look(at=40), look(at=80, odd=(5, 0.06))], label=LABEL)
    assert [one.left_out for one in made.looks] == [(), (), ("6",)]
    assert_allclose(-math.log10(made.steps[5].reading.signal), TRUE[5], atol=2e-4)
    (told,) = [one for one in made.warnings if one.code == "look-left-out"]
    assert told.message.startswith("80.tif reads step 6 unlike the other looks")


def test_a_look_with_another_exposure_is_told() -> None:
    made = combine_looks([look(), look(at=40), look(at=80, denser=0.06)], label=LABEL)
    (told,) = [one for one in made.warnings if one.code == "looks-differ"]
    assert told.message.startswith("80.tif reads everything 0.06 denser than the other looks")
    assert "80.tif 0.040 denser" in " ".join(calibration_text(made).split())


def test_looks_that_cannot_be_combined_are_refused() -> None:
    with pytest.raises(WrongUseError, match="two scans of the wedge or more"):
        combine_looks([look()], label=LABEL)
    with pytest.raises(WrongUseError, match="wedges of other densities"):
        combine_looks([look(), look(certificate=0.02)], label=LABEL)
    with pytest.raises(WrongUseError, match="was not read as"):
        combine_looks([look(), replace(look(), channel="green")], label=LABEL)


def test_what_the_looks_show_is_kept_in_the_file(tmp_path: Path) -> None:
    made = combine_looks([look(), look(at=40, denser=0.004)], label=LABEL)
    write_calibration(made, tmp_path / "mine.json")
    read = read_calibration(tmp_path / "mine.json")
    assert read.drift == made.drift
    assert [(one.file, one.difference.value, one.scatter, one.box_mm) for one in read.looks] == [
        (one.file, one.difference.value, one.scatter, one.box_mm) for one in made.looks
    ]
    assert read.parts(1.0) == made.parts(1.0)
    assert not faults(calibration_document(made), "calibration")


def test_the_usual_scattering_has_the_usual_share() -> None:
    """An exponential total of root mean square 0.004 has mean and standard deviation 0.004 by the root of 2."""
    expected, doubt = USUAL_SCATTERING.total
    assert_allclose([expected, doubt], USUAL_SHARE / math.sqrt(2.0), rtol=1e-6)
    drawn = np.random.default_rng(3)
    shares = drawn.exponential(expected, (200_000, 1)) * drawn.dirichlet(np.ones(len(REACHES_MM)), 200_000)
    assert_allclose(np.cov(shares.T), USUAL_SCATTERING.covariance, rtol=0.05, atol=2e-8)


STATED = even_densities(11, 0.2, 0.05)
SCANNER = Scanner(ppi=150.0, tone="1.8", gain=0.95, glare=0.0, lamp=0.02, lamp_seed=3, shot_electrons=20_000.0)
PLACES: Sequence[tuple[float, float, float]] = ((50, 15, 0), (160, 50, 180), (60, 150, 2), (150, 190, 178))


@cache
def rendered_looks(folder: Path) -> tuple[Calibration, ...]:
    """Return looks at one wedge, turned round and moved, the lamp a little brighter from scan to scan."""
    wedge = Wedge(steps=tuple(WedgeStep(step=f"{k + 1}", density=d, uncertainty=0.001) for k, d in enumerate(STATED)))
    made = []
    for number, (x, y, angle) in enumerate(PLACES):
        layout = WedgeLayout(densities=STATED, place=Place(x_mm=x, y_mm=y, angle_deg=angle), step_mm=7, width_mm=10)
        scanner = replace(SCANNER, gain=0.95 * 10.0 ** (0.0005 * (number - 1.5)))
        scan = render_bed([layout], scanner, seed=900 + number, size_mm=(210, 205))
        write_scan(scan, folder / f"{number}.tif")
        made.append(calibrate(open_scan(folder / f"{number}.tif"), wedge, label=LABEL))
    return tuple(made)


def curve_errors(made: Calibration) -> np.ndarray:
    """Return how much denser a curve reads light of known density under the mean lamp and mean exposure."""
    at = np.linspace(0.2, 1.2, 18)
    signal = encoded((0.95 * 10.0**-at).astype(np.float32), "1.8")
    return np.array([made.density_of_signal(float(one)) for one in signal]) - at


def test_rendered_looks_are_truer_together_than_each_alone(tmp_path: Path) -> None:
    looks = rendered_looks(tmp_path)
    made = combine_looks(looks, label=LABEL)
    alone = np.sqrt(np.mean([np.mean(curve_errors(one) ** 2) for one in looks]))
    together = float(np.sqrt(np.mean(curve_errors(made) ** 2)))
    # The lamp at four places averages to half; that the places are few and the lamp smooth leaves room.
    assert together < 0.8 * alone
    # The error of a reading elsewhere on the bed is the lamp's and the drift's: 0.01 either way is 0.0025 (k = 1).
    told = made.drift
    assert told is not None
    uncertain = [2.0 * math.hypot(told, made.quantity(10.0**-d).standard_uncertainty or 0.0) for d in (0.3, 0.7, 1.1)]
    assert together < max(uncertain)
    assert max(uncertain) < 0.02
