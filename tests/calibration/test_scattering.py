"""What is learned of scattered light without a slot: from black, from steps, from looks that lie differently."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.fading import shown_by_black
from densiscan.calibration.glare import REACHES_MM, USUAL, USUAL_SCATTERING, Glare, Scattering, veil
from densiscan.calibration.make import Label, calibrate_steps
from densiscan.calibration.several_looks import combine_looks
from densiscan.calibration.veil import Veil
from densiscan.calibration.weighed_curve import steps_of
from tests.support.made_up import FACTS, step_reading

LABEL = Label(name="mine", created="2026-01-02T03:04:05+00:00")
TRUE = np.linspace(0.05, 2.65, 14)
CELL = (1.0, 1.0)


def test_of_a_known_total_only_its_division_is_open() -> None:
    """By symmetry each reach has a fifth of it; the parts add up to it without doubt."""
    expected, root = USUAL_SCATTERING.of_total(0.002)
    assert_allclose(expected, 0.0004, rtol=1e-6)
    assert_allclose(np.linalg.norm(root.sum(axis=0)), 0.0, atol=1e-7)
    assert_allclose(np.linalg.norm(root, axis=1), np.linalg.norm(root[0]), rtol=1e-3)
    # Dirichlet's distribution of ones over five: a variance of 2/75 of the total's square, of the usual one 0.004^2.
    assert_allclose(np.linalg.norm(root[0]), 0.002 * np.sqrt(2.0 / 75.0), rtol=0.12)


def test_totals_are_weighed_from_hardly_any_on() -> None:
    for scattering in (USUAL_SCATTERING, Scattering.of(np.full(5, 1e-4), 1e-8 * np.eye(5))):
        totals = scattering.likely_totals()
        assert_allclose(sum(weight for _, weight in totals), 1.0, rtol=1e-12)
        assert all(0.0 < total < 0.02 for total, _ in totals)


def bed(scattered: float) -> np.ndarray:
    """Return light on a bed of 100 by 80 mm, its left half under card, that scatters so much at 3 and 12 mm."""
    light = np.ones((80, 100))
    light[:, :50] = 0.0
    shares = (0.0, 0.5 * scattered, 0.0, 0.5 * scattered, 0.0)
    return np.asarray((1.0 - scattered) * light + veil(light, Glare(shares=shares), cell_mm=CELL) + 2e-4)


@pytest.mark.parametrize("scattered", [0.0003, 0.003, 0.01])
def test_light_fades_behind_card_as_much_as_is_scattered(scattered: float) -> None:
    found = shown_by_black(bed(scattered), (60.0, 30.0, 30.0, 10.0), cell_mm=CELL)
    assert found is not None
    total, doubt = found.total
    assert abs(total - scattered) < 2.0 * doubt
    # A tenth for its shape, 0.15 for the table, and 24 mm of card that no far light crosses.
    assert doubt < 0.3 * scattered + 2e-4


def test_a_bed_without_black_shows_nothing() -> None:
    assert shown_by_black(np.ones((80, 100)), (60.0, 30.0, 30.0, 10.0), cell_mm=CELL) is None
    # All of the black is the wedge's own dense end.
    light = np.ones((80, 100))
    light[30:50, 60:90] = 1e-3
    assert shown_by_black(light, (58.0, 28.0, 34.0, 24.0), cell_mm=CELL) is None


def test_black_at_the_end_of_the_scale_shows_nothing() -> None:
    light = bed(0.003)
    assert shown_by_black(light, (60.0, 30.0, 30.0, 10.0), cell_mm=CELL, at_end=(light < 0.0004).astype(float)) is None


def look(surround: np.ndarray, scattered: float, name: str) -> Calibration:
    """Return a look of a scanner of gamma 2.2 at a wedge with such light round each step, the same at every reach."""
    level = (0.9 * (10.0**-TRUE + scattered * surround + 1e-4)) ** (1.0 / 2.2)
    readings = [
        step_reading(k, float(d), float(s), noise=1e-6, certificate=0.006, surround=(float(light),) * len(REACHES_MM))
        for k, (d, s, light) in enumerate(zip(TRUE, level, surround, strict=True))
    ]
    facts = replace(FACTS, file=name)
    return calibrate_steps(readings, facts=facts, channel="gray", inverted=False, label=LABEL)


@pytest.mark.parametrize("scattered", [0.0003, 0.006])
def test_looks_that_lie_differently_show_what_is_scattered(scattered: float) -> None:
    """The dense end once beside bright glass and once under card: what it differs by is scattered light."""
    rising = np.linspace(0.1, 0.9, TRUE.size)
    made = combine_looks([look(rising, scattered, "a.tif"), look(rising[::-1], scattered, "b.tif")], label=LABEL)
    assert made.scattering is not None
    total, doubt = made.scattering.total
    assert abs(total - scattered) < max(2.0 * doubt, 0.1 * scattered)
    assert doubt < 0.4 * USUAL_SCATTERING.total[1]
    # Its share in the curve is that, too.
    assert_allclose(float(made.points().scattered.sum()), scattered, rtol=0.2, atol=2e-4)


def test_a_wedge_on_glass_that_reads_dark_shows_that_little_is_scattered() -> None:
    """Light of 1 at every reach round the step of 2.65, which lets through 0.0022: no more than that is scattered."""
    made = look(np.full(TRUE.size, 0.9), 0.0001, "a.tif")
    points = made.points()
    assert 0.0 <= float(points.scattered.sum()) < 0.0012
    spread = np.linalg.norm(points.scattered_parts.sum(axis=0))
    assert spread < 0.5 * USUAL_SCATTERING.total[1]
    # Where no light is known to lie round the steps nothing is said of it.
    assert steps_of(made.used_steps()).surround is not None


def test_a_pixel_is_doubted_by_what_is_expected_and_by_what_is_not_known() -> None:
    """Its independent sources are the same quadratic form as the contributions, 1.34 times (ln 40 - 1 over 2)."""
    made, size = look(np.full(TRUE.size, 0.9), 0.0001, "a.tif"), len(REACHES_MM)
    round_it = Veil(
        glare=USUAL,
        corrected=False,
        known=False,
        maps=np.ones((size, 2, 2)),
        sizes=CELL,
        densities=TRUE,
        of_wedge=np.full((TRUE.size, size), 0.9),
    )
    expected, *others = round_it.sources(made)
    more = np.array([0.1, 0.2, 0.0, 0.3, -0.1])
    assert (expected.whole, {one.whole for one in others}) == (True, {False})
    assert_allclose(expected.shares, made.points().scattered)
    found = np.linalg.norm([one.doubt(one.shares @ more) for one in others])
    assert_allclose(found, 1.3444 * np.linalg.norm(more @ made.points().scattered_parts) / np.log(10.0), rtol=1e-4)
