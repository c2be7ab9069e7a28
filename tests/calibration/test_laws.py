"""The curve by laws of scanners: its arithmetic against independent references, and what it says of steps."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import calibration_document, read_calibration, write_calibration
from densiscan.calibration.law import LAWS
from densiscan.calibration.law_fit import SeenSteps, fitted, start_of
from densiscan.calibration.make import Label, calibrate_steps
from densiscan.calibration.posterior_curve import WeighedLaw, curve_of, weighed
from densiscan.calibration.smooth_deviation import evidence, kernel
from densiscan.calibration.weighed_curve import COMMON_OFFSET, COMMON_SCALE
from densiscan.errors import WedgeFileError
from densiscan.wedge.wedge import nominal_wedge, read_wedge
from tests.support.made_up import FACTS, step_reading
from tests.trials.curve_rates import errors_of

LABEL = Label(name="mine", created="2026-01-02T03:04:05+00:00")
TRUE = np.linspace(0.05, 3.05, 21)
RNG = np.random.default_rng(4)
ERRORS = RNG.normal(0.0, 0.01, TRUE.size)


def gamma(density: np.ndarray) -> np.ndarray:
    """Return the signal of a scanner of gamma 2.2 with a little flare and a black level."""
    return 0.001 + np.asarray((0.9 * (10.0**-density + 2e-4)) ** (1 / 2.2))


def made(stated: np.ndarray, signal: np.ndarray, certificate: float = 0.02) -> Calibration:
    readings = [
        replace(step_reading(number, float(density), float(level), noise=1e-4), certificate=certificate)
        for number, (density, level) in enumerate(zip(stated, signal, strict=True))
    ]
    return calibrate_steps(readings, facts=FACTS, channel="gray", inverted=False, label=LABEL)


@pytest.fixture(scope="module")
def curve() -> Calibration:
    return made(TRUE + ERRORS, gamma(TRUE))


def seen(density: np.ndarray, certificate: float = 0.01) -> SeenSteps:
    return SeenSteps(
        level=gamma(TRUE),
        level_doubt=np.full(TRUE.size, 1e-5),
        density=density,
        certificate=np.full(TRUE.size, certificate),
        common=np.zeros(TRUE.size),
        told_apart=False,
    )


def test_the_process_is_that_of_an_independent_reference() -> None:
    """The Gaussian process of scikit-learn with the same kernel and noise: mean, covariance and evidence."""
    process = pytest.importorskip("sklearn.gaussian_process")
    kernels = pytest.importorskip("sklearn.gaussian_process.kernels")
    at = np.linspace(0.1, 3.0, 17)
    reference = process.GaussianProcessRegressor(
        kernels.ConstantKernel(0.02**2, "fixed") * kernels.RBF(0.4, "fixed"), alpha=0.01**2, optimizer=None
    ).fit(TRUE[:, None], ERRORS)
    mean, covariance = reference.predict(at[:, None], return_cov=True)
    among = 0.02**2 * kernel(TRUE, TRUE, 0.4) + 0.01**2 * np.eye(TRUE.size)
    pull = 0.02**2 * kernel(at, TRUE, 0.4) @ np.linalg.inv(among)
    assert_allclose(pull @ ERRORS, mean, rtol=1e-6, atol=1e-12)
    ours = 0.02**2 * (kernel(at, at, 0.4) - pull @ kernel(TRUE, at, 0.4))
    assert_allclose(ours, covariance, rtol=1e-6, atol=1e-12)
    constant = -0.5 * TRUE.size * math.log(2.0 * math.pi)
    assert_allclose(float(evidence(among, ERRORS)) + constant, reference.log_marginal_likelihood_value_, rtol=1e-6)


def test_a_law_with_a_deviation_is_one_process_of_the_reference() -> None:
    """One part of the posterior: a kernel of the law's figures and of the deviation together."""
    process = pytest.importorskip("sklearn.gaussian_process")
    kernels = pytest.importorskip("sklearn.gaussian_process.kernels")
    steps = seen(TRUE + ERRORS)
    law = next(one for one in LAWS if one.name == "power")
    fit = fitted(law, steps.lit(None), start_of(law, steps.lit(None)))
    part = WeighedLaw(law="power", figures=tuple(fit.figures.tolist()), amplitude=0.01, length=0.4, own=1.0, share=1.0)
    ours = curve_of(steps, [part], steps.level)

    # Where the law has the steps' levels, and its slopes by the figures: by differences, with none of our code.
    def density_of(figures: np.ndarray) -> np.ndarray:
        fine = np.linspace(-1.0, 5.0, 600_001)
        exposure, flare, power, black = figures
        level = black + (10.0**exposure * (10.0**-fine + math.exp(flare))) ** math.exp(-power)
        return np.interp(-steps.level, -level, fine)

    at = density_of(fit.figures)
    by_figures = np.column_stack(
        [(density_of(fit.figures + 1e-3 * one) - density_of(fit.figures - 1e-3 * one)) / 2e-3 for one in np.eye(4)]
    )
    features = by_figures * np.array(law.spread)
    usual = -by_figures @ (fit.figures - np.array(law.usual))
    reference = process.GaussianProcessRegressor(
        kernels.ConstantKernel(0.01**2, "fixed") * kernels.RBF(0.4, "fixed"), alpha=0.01**2, optimizer=None
    )
    among = reference.kernel(at[:, None]) + features @ features.T
    noise = np.diag(0.01**2 + ours.noise**2)
    mean = at + usual + among @ np.linalg.solve(among + noise, TRUE + ERRORS - at - usual)
    # The law's own curve is taken as straight over a step's error of 0.01 by us: to 3 per cent of that error, but for
    # the densest steps, where flare bends it.
    assert_allclose(ours.density[:-4], mean[:-4], rtol=0, atol=3e-4)
    assert_allclose(ours.density, mean, rtol=0, atol=5e-4)


def test_a_scanner_of_a_law_is_read_better_than_its_certificate(curve: Calibration) -> None:
    at = np.linspace(0.1, 2.6, 40)
    errors = [curve.density_of_signal(float(level)) - density for level, density in zip(gamma(at), at, strict=True)]
    assert curve.laws
    # Five figures told by 21 steps: sqrt(5 / 21) of the certificate's 0.01, or half of it.
    assert float(np.sqrt(np.mean(np.square(errors)))) < 0.006
    told = [curve.quantity(10.0**-density).standard_uncertainty or 0.0 for density in at]
    assert 0.002 < float(np.median(told)) < 0.006


def test_the_table_is_the_curve(curve: Calibration) -> None:
    codes = np.arange(3000, 60_000, 1000)
    light = curve.table(65535)[codes]
    assert_allclose(-np.log10(light), [curve.density_of_signal(float(code) / 65535) for code in codes], atol=1e-9)
    assert bool(np.all(np.diff(curve.table(65535)) >= 0.0))


def test_the_contributions_are_those_of_a_monte_carlo() -> None:
    """JCGM 101: certificates drawn anew, the law and its deviation as before; the spread of the curve to 2 per cent."""
    steps = seen(TRUE + ERRORS)
    laws = weighed(steps).parts[:1]
    parts = (replace(laws[0], share=1.0, own=1.0),)
    at = gamma(np.array([0.2, 0.7, 1.4, 2.3]))
    whole = curve_of(steps, parts, at)
    # Draws freed of their chance covariance: then two hundred tell a spread as well as a hundred thousand do.
    drawn = np.random.default_rng(8).normal(size=(200, TRUE.size))
    drawn -= drawn.mean(axis=0)
    drawn = drawn @ np.linalg.inv(np.linalg.cholesky(drawn.T @ drawn / 200.0)).T
    curves = np.array(
        [curve_of(replace(steps, density=steps.density + 0.01 * one), parts, at).density for one in drawn]
    )
    assert_allclose(curves.std(axis=0), 0.01 * np.sqrt(np.sum(whole.pull[: at.size] ** 2, axis=1)), rtol=0.02)


def test_a_shift_of_all_densities_shifts_every_reading(curve: Calibration) -> None:
    """What all steps share is not averaged: the pulls of the steps add up to one."""
    moved = made(TRUE + ERRORS + 0.01, gamma(TRUE))
    for density in (0.3, 1.2, 2.4):
        level = float(gamma(np.array([density]))[0])
        assert_allclose(moved.density_of_signal(level) - curve.density_of_signal(level), 0.01, atol=1.5e-3)


def test_steps_that_scatter_less_than_their_certificate_share_the_rest() -> None:
    """A certificate of 0.03 on steps that lie on a law to 0.001: what is left is the instrument's, and cancels."""
    found = made(TRUE + 0.1 * ERRORS, gamma(TRUE), certificate=0.03)
    one, other = found.quantity(10.0**-0.4, key="a"), found.quantity(10.0**-1.4, key="b")
    common = math.hypot(*((one.parts or {})[key] for key in (COMMON_OFFSET, COMMON_SCALE)))
    assert_allclose(common, 0.015, rtol=0.1)
    assert (one.uncertainty or 0.0) > 0.027
    # Over a density of 1 the scale counts for about a quarter of it.
    assert ((other - one).uncertainty or 1.0) < 0.3 * (one.uncertainty or 0.0)


def test_steps_that_scatter_as_certified_share_nothing(curve: Calibration) -> None:
    parts = curve.parts(1.0)
    shared = math.hypot(parts.get(COMMON_OFFSET, 0.0), parts.get(COMMON_SCALE, 0.0))
    assert shared < 0.005


def test_what_the_file_says_is_shared_is_shared() -> None:
    """A certificate of 0.025 of which 0.024 is the instrument's: by Pythagoras each step's own is 0.007."""
    plain = made(TRUE + 0.35 * ERRORS, gamma(TRUE), certificate=0.025)
    shared = [replace(step.reading, common=0.024) for step in plain.steps]
    found = calibrate_steps(shared, facts=FACTS, channel="gray", inverted=False, label=LABEL)
    assert {law.own for law in found.laws} == {1.0}
    one, other = found.quantity(10.0**-0.4, key="a"), found.quantity(10.0**-1.4, key="b")
    common = math.hypot(*((one.parts or {})[key] for key in (COMMON_OFFSET, COMMON_SCALE)))
    assert_allclose(common, 0.012, rtol=0.02)
    assert (one.uncertainty or 0.0) > 0.024
    assert ((other - one).uncertainty or 1.0) < 0.4 * (one.uncertainty or 0.0)


def test_a_wedge_that_nobody_has_read_gives_what_its_steps_share() -> None:
    """Own errors of 0.03 (k = 2) average out over 21 steps; an offset of 0.04 and 2 per cent stay, and say so."""
    wedge = nominal_wedge().lightest_first()
    own = np.random.default_rng(11).normal(0.0, 0.015, len(wedge))
    true = 0.01 + 1.01 * np.array([step.density for step in wedge]) + own
    readings = [
        replace(
            step_reading(k, step.density, float(level), noise=1e-4), certificate=step.uncertainty, common=step.common
        )
        for k, (step, level) in enumerate(zip(wedge, gamma(true), strict=True))
    ]
    found = calibrate_steps(readings, facts=FACTS, channel="gray", inverted=False, label=LABEL)
    for density in (0.4, 1.4, 2.4):
        level = float(gamma(np.array([density]))[0])
        read = found.quantity(10.0 ** -found.density_of_signal(level))
        common = math.hypot(0.04, 0.02 * density)
        assert common < (read.uncertainty or 0.0) < 1.35 * common
        assert abs(read.value - density) < (read.uncertainty or 0.0)
    one, other = found.quantity(10.0**-0.4, key="a"), found.quantity(10.0**-1.4, key="b")
    # The offset cancels in a range of 1.0; 2 per cent of it stays, and what the curve leaves open.
    assert 0.02 < ((other - one).uncertainty or 1.0) < 0.04


def test_a_wedge_file_may_say_what_its_steps_share(tmp_path: Path) -> None:
    lines = ["step,density,uncertainty,common", "1,0.05,0.02,0.015", "2,0.2,0.02,", "3,0.35,0.02,0.015"]
    (tmp_path / "wedge.csv").write_text("\n".join(lines), encoding="utf-8")
    assert [step.common for step in read_wedge(tmp_path / "wedge.csv").steps] == [0.015, None, 0.015]
    (tmp_path / "wrong.csv").write_text("\n".join([*lines, "4,0.5,0.02,0.03"]), encoding="utf-8")
    with pytest.raises(WedgeFileError, match=r"line 5: the common uncertainty 0\.03"):
        read_wedge(tmp_path / "wrong.csv")


@pytest.mark.parametrize(("step", "away", "word"), [(8, 0.05, "lighter"), (12, -0.06, "denser"), (5, -0.12, "denser")])
def test_a_step_that_disagrees_is_named_and_left_out(step: int, away: float, word: str) -> None:
    stated = TRUE + 0.3 * ERRORS
    stated[step] += away
    found = made(stated, gamma(TRUE), certificate=0.01)
    (told,) = [one for one in found.warnings if one.code == "steps-disagree"]
    assert told.message.startswith(f"Step {step + 1} reads 0.")
    assert f" {word} than its certificate says" in told.message
    assert [one.reading.step for one in found.steps if not one.used] == [f"{step + 1}"]
    # Its neighbours are not dragged: the curve there is that without it.
    density = float(TRUE[step])
    assert_allclose(found.density_of_signal(float(gamma(TRUE)[step])), density, atol=0.004)


def test_honest_steps_are_hardly_ever_named() -> None:
    """One in two thousand is named (it differs by 3.5 standard deviations): two of these 168 by chance 3 in 1000."""
    named = 0
    for seed in range(8):
        stated = TRUE + np.random.default_rng(seed).normal(0.0, 0.01, TRUE.size)
        named += sum(told.code == "steps-disagree" for told in made(stated, gamma(TRUE)).warnings)
    assert named <= 1


def test_where_no_law_holds_the_curve_goes_through_every_step_and_says_so() -> None:
    """Steps that jump about by 0.05 and are certified to 0.004: no scanner is like that, and no step can be named."""
    jumping = TRUE + 0.05 * (-1.0) ** np.arange(TRUE.size)
    found = made(jumping, gamma(TRUE), certificate=0.004)
    assert not found.laws
    assert "no-law-holds" in {told.code for told in found.warnings}
    assert_allclose(found.density_of_signal(float(gamma(TRUE)[4])), jumping[4], atol=1e-5)


def test_few_steps_are_gone_through() -> None:
    found = made(TRUE[:8:2], gamma(TRUE[:8:2]))
    assert not found.laws


def test_the_laws_are_kept_in_the_file(curve: Calibration, tmp_path: Path) -> None:
    write_calibration(curve, tmp_path / "mine.json")
    read = read_calibration(tmp_path / "mine.json")
    assert read.laws == curve.laws
    assert read.table(65535).tolist() == curve.table(65535).tolist()
    assert read.parts(1.0) == curve.parts(1.0)


def test_a_file_without_laws_reads_as_it_did(curve: Calibration, tmp_path: Path) -> None:
    document = calibration_document(curve)
    del document["laws"]
    (tmp_path / "old.json").write_text(json.dumps(document), encoding="utf-8")
    read = read_calibration(tmp_path / "old.json")
    assert not read.laws
    for step in read.steps:
        assert_allclose(read.density_of_signal(step.reading.signal), step.reading.density, atol=1e-5)
    assert Influence("wedge", "8") in read.parts(1.2)


def test_a_few_random_scanners() -> None:
    """The trial's own cell in small: better than through every step, and the truth inside."""
    found = [errors_of(seed, family, 0.005, 15) for seed in range(900, 906) for family in ("law", "wiggle 0.01")]
    error = np.concatenate([one.error for one in found])
    through = np.concatenate([one.through for one in found])
    assert float(np.sqrt(np.mean(error**2))) < 0.9 * float(np.sqrt(np.mean(through**2)))
    inside = np.concatenate([np.abs(one.error) <= one.uncertainty for one in found])
    # Twelve curves of some four independent errors each: under 85 per cent would come once in a hundred such trials.
    assert float(np.mean(inside)) > 0.85
