"""The arithmetic of a calibration worked out by hand: on a linear scanner density is -log10 of the signal, slope -1."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.curves import shape_preserving
from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import (
    Calibration,
    _inverse,
    log_signal_doubt,
    pull_of_steps,
    rounding_codes,
    step_parts,
)
from tests.support import made_up

FIT = (0.001, 0.002, 0.003, 0.004, 0.005, 0.006)
LIGHTEST, DENSEST, STEP = 0.05, 2.45, 0.4


def linear(*, noise: float = 0.0, inverted: bool = False, black: float = 0.0, **changes: Any) -> Calibration:
    """Seven steps 0.4 apart from 0.05 on, each interval of the curve with a doubt of its own."""
    plain = made_up.calibration()
    steps = []
    for one in plain.steps:
        signal = one.reading.signal + black
        reading = replace(one.reading, noise=noise, signal=1.0 - signal if inverted else signal)
        steps.append(replace(one, reading=reading))
    return replace(plain, steps=tuple(steps), fit=FIT, inverted=inverted, black=black, **changes)


@pytest.mark.parametrize("black", [0.0, 0.002])
@pytest.mark.parametrize("inverted", [False, True])
def test_the_table_of_a_linear_scanner_is_the_light(inverted: bool, black: float) -> None:
    """On the curve, beyond its light end, below its dense end and below black: transmittance is signal less black."""
    calibration = linear(inverted=inverted, black=black)
    for full_scale in (255, 65535):
        codes = np.arange(full_scale + 1) / full_scale
        level = 1.0 - codes if inverted else codes
        assert_allclose(calibration.table(full_scale), level - black, rtol=1e-9, atol=1e-12)


@given(density=st.floats(LIGHTEST, DENSEST), inverted=st.booleans(), black=st.sampled_from([0.0, 0.003]))
def test_a_signal_is_turned_into_its_density(density: float, inverted: bool, black: float) -> None:
    level = 10.0**-density + black
    calibration = linear(inverted=inverted, black=black)
    assert_allclose(calibration.density_of_signal(1.0 - level if inverted else level), density, rtol=0, atol=1e-9)


@pytest.mark.parametrize("power", [0.5, 2.2])
def test_far_below_the_wedge_the_light_goes_on_straight(power: float) -> None:
    """Light as signal to the power g down to 0.3 of the darkest step's signal, then its tangent, even below zero."""
    plain = linear()
    steps = [
        replace(one, reading=replace(one.reading, signal=10.0 ** (-one.reading.density / power))) for one in plain.steps
    ]
    calibration = replace(plain, steps=tuple(steps))
    signal = np.arange(65536) / 65535
    foot = 0.3 * 10.0 ** (-DENSEST / power)
    tangent = foot**power * (1.0 + power * (signal - foot) / foot)
    wanted = np.where(signal < foot, tangent, signal**power)
    assert_allclose(calibration.table(65535), wanted, rtol=1e-9, atol=1e-12)
    assert calibration.table(65535)[0] == pytest.approx(foot**power * (1.0 - power))


def test_no_light_is_no_denser_than_half_a_code() -> None:
    assert_allclose(linear().density_of_signal(0.0), math.log10(65535 / 0.5), rtol=1e-9)


def test_light_of_the_lamp_moves_what_a_step_stands_for() -> None:
    """A step under a tenth more light is as bright as one that is log10 1.1 thinner under mean light."""
    plain = linear()
    lit = tuple(replace(one, reading=replace(one.reading, light=1.1)) for one in plain.steps)
    calibration = replace(plain, steps=lit)
    assert calibration.knows_lamp
    assert not plain.knows_lamp
    assert_allclose(plain.density_of_signal(0.1) - calibration.density_of_signal(0.1), math.log10(1.1), rtol=1e-9)


@pytest.mark.parametrize("interval", range(6))
@pytest.mark.parametrize(("share", "of_it"), [(0.5, 1.0), (0.25, 0.75), (0.9, 0.36)])
def test_the_curve_is_doubted_between_its_steps(interval: int, share: float, of_it: float) -> None:
    """A parabola over each interval, 0 on the steps: 4 t (1 - t) of the doubt half way."""
    parts = linear().parts(LIGHTEST + STEP * (interval + share))
    fits = {influence: part for influence, part in parts.items() if influence.kind == "fit"}
    assert list(fits) == [Influence("fit", f"{interval + 1}")]
    assert_allclose(list(fits.values()), [FIT[interval] * of_it], rtol=1e-6)


@pytest.mark.parametrize("beyond", [0.1, 0.4, 1.0])
def test_beyond_the_wedge_half_of_the_way_is_doubted(beyond: float) -> None:
    calibration = linear()
    dense = calibration.parts(DENSEST + beyond)[Influence("fit", "6")]
    light = calibration.parts(LIGHTEST - beyond)[Influence("fit", "1")]
    assert_allclose(dense, FIT[5] + 0.5 * beyond, rtol=1e-9)
    assert_allclose(light, FIT[0] + 0.5 * beyond, rtol=1e-9)


def test_what_a_step_contributes_at_itself() -> None:
    """u(D) = 0.4343 u(T) / T (JCGM 100:2008, 5.1.3): T is 10^-0.85, u(T) 0.001 over the root of 1000 pixels."""
    calibration = linear(noise=0.001)
    reading = calibration.steps[2].reading
    parts = step_parts(calibration, reading, pull=1.0, slope=-1.0)
    noise = 0.001 / math.sqrt(1000.0) / 10.0**-0.85 / math.log(10.0)
    assert_allclose(parts[Influence("step noise", "3")], noise, rtol=1e-12)
    assert_allclose(log_signal_doubt(reading, inverted=False, black=0.0), noise, rtol=1e-12)
    assert_allclose(parts[Influence("wedge", "3")], 0.01, rtol=1e-12)  # half of the certificate's 0.02 (k = 2)
    half = step_parts(calibration, reading, pull=-0.5, slope=-2.0)
    assert_allclose(half[Influence("step noise", "3")], -noise, rtol=1e-12)
    assert_allclose(half[Influence("wedge", "3")], -0.005, rtol=1e-12)


@pytest.mark.parametrize("inverted", [False, True])
def test_less_light_than_black_leaves_more_doubt(inverted: bool) -> None:
    """The same noise over a level of 10^-0.85 less nothing or less 0.04 of black."""
    reading = linear(noise=0.001, inverted=inverted).steps[2].reading
    plain, dark = (log_signal_doubt(reading, inverted=inverted, black=black) for black in (0.0, 0.04))
    assert_allclose(dark / plain, 10.0**-0.85 / (10.0**-0.85 - 0.04), rtol=1e-9)


@pytest.mark.parametrize("inverted", [False, True])
def test_whole_codes_leave_a_doubt_where_nothing_blurs_them(inverted: bool) -> None:
    """Pixels without noise in 8 bits: 1/sqrt(12) of a code (JCGM 100:2008, 4.3.7), as density at T = 10^-1.25."""
    calibration = linear(inverted=inverted)
    calibration = replace(calibration, scan=replace(calibration.scan, full_scale=255))
    parts = calibration.parts(LIGHTEST + 3 * STEP)
    wanted = 1.0 / math.sqrt(12.0) / 255.0 / 10.0**-1.25 / math.log(10.0)
    assert_allclose(parts[Influence("rounding", "step 4")], wanted, rtol=1e-6)
    bent = step_parts(calibration, calibration.steps[3].reading, pull=0.5, slope=-2.0)
    assert_allclose(bent[Influence("rounding", "step 4")], wanted, rtol=1e-6)
    # In 16 bits the lightest step's rounding moves nothing that is worth a line.
    fine = linear().parts(LIGHTEST)
    assert not [influence for influence in fine if influence.kind == "rounding"]


def test_rounding_without_noise_and_with_enough() -> None:
    assert_allclose(rounding_codes(0.0), 1.0 / math.sqrt(12.0), rtol=1e-12)
    assert rounding_codes(0.8) < 2e-4  # exp(-2 pi^2 0.56) of 0.289: noise of three quarters of a code


@pytest.mark.parametrize("blur", [0.05, 0.2, 0.35])
def test_rounding_after_some_noise(blur: float) -> None:
    """Noise of s codes reads s^2 + (1 - exp(-4 pi^2 s^2)) / 12 once rounded, and leaves exp(-2 pi^2 s^2) of 0.289."""
    seen = math.sqrt(blur**2 + (1.0 - math.exp(-4.0 * math.pi**2 * blur**2)) / 12.0)
    assert_allclose(rounding_codes(seen), math.exp(-2.0 * math.pi**2 * blur**2) / math.sqrt(12.0), rtol=1e-6)


def test_a_density_is_found_on_a_bent_curve() -> None:
    """Each place is where the curve itself has that density, in every interval and beyond both ends."""
    x = np.array([-3.0, -2.0, -1.5, -0.5, 0.0])
    densities = np.array([2.9, 2.1, 1.4, 0.5, 0.1])
    for density in np.linspace(-0.2, 3.3, 71):
        place = _inverse(x, densities, float(density))
        assert_allclose(shape_preserving(x, densities, [place]), density, rtol=0, atol=1e-9)


@pytest.mark.parametrize("power", [0.5, 1.0, 2.2])
def test_noise_of_the_steps_is_taken_out_of_the_curve(power: float) -> None:
    """Transmittance as signal to the power g; noise s lifts the mean of it by 1 + g (g - 1) / 2 (s / signal)^2.

    So the curve must give the step's density where the noise has been averaged: at signal (1 + that)^(1 / g).
    """
    plain = linear()
    relative = 0.05
    steps = []
    for one in plain.steps:
        signal = 10.0 ** (-one.reading.density / power)
        steps.append(replace(one, reading=replace(one.reading, signal=signal, noise=relative * signal)))
    noisy = replace(plain, steps=tuple(steps))
    lift = 1.0 + 0.5 * power * (power - 1.0) * relative**2
    for one in noisy.steps[1:-1]:
        read = noisy.density_of_signal(one.reading.signal * lift ** (1.0 / power))
        assert_allclose(read, one.reading.density, rtol=0, atol=1e-9)


def test_the_curve_follows_each_step_and_all_together() -> None:
    x = np.array([-3.0, -2.0, -1.5, -0.5, 0.0])
    densities = np.array([2.9, 2.1, 1.4, 0.5, 0.1])
    for number, place in enumerate(x):
        assert_allclose(pull_of_steps(x, densities, float(place)), np.eye(5)[number], rtol=0, atol=1e-9)
    for place in (-2.7, -1.8, -0.9, 0.4):
        # A common error of all steps moves the curve by as much, inside and beyond.
        assert_allclose(pull_of_steps(x, densities, place).sum(), 1.0, rtol=0, atol=1e-6)


@pytest.mark.parametrize("density", [0.3, 1.0, 2.2])
def test_what_a_code_is_worth(density: float) -> None:
    """D = -log10 T: from one code to the next 0.4343 / (65535 T)."""
    assert_allclose(linear().density_per_code(density), 1.0 / math.log(10.0) / 65535.0 / 10.0**-density, rtol=1e-6)


def test_the_patch_has_a_doubt_of_its_own() -> None:
    quantity = linear().quantity(10.0**-0.45, 0.004, "3")
    assert_allclose(quantity.value, 0.45, rtol=1e-12)
    assert quantity.parts is not None
    assert quantity.parts[Influence("patch noise", "3")] == 0.004
    assert "patch noise" not in linear().quantity(10.0**-0.45).budget()


@pytest.mark.parametrize("light", [0.0, -0.01])
def test_no_light_at_all_has_the_highest_density(light: float) -> None:
    assert linear().quantity(light).value == pytest.approx(8.0)


@pytest.mark.parametrize(
    ("density", "outside"), [(0.049, True), (0.05, False), (1.0, False), (2.45, False), (2.451, True)]
)
def test_the_ends_of_the_wedge_are_inside(density: float, outside: bool) -> None:
    assert linear().outside(density) is outside


def test_what_differs_is_said_with_both_sides() -> None:
    calibration = linear()
    facts = calibration.scan
    other = replace(facts, make="Alder", bits=8, min_is_white=True, ppi=300.0)
    assert calibration.differences(other) == (
        "polarity tag (min is white, calibrated with min is black)",
        "bit depth (8, calibrated with 16)",
        "scanner make (Alder, calibrated with not stated)",
        "resolution (300 ppi, calibrated with 600 ppi)",
    )
    # Scanners write 600 ppi as 599.99 or as 236 a centimetre, which is 599.44: no difference.
    for near in (599.44, 594.1, 605.9, None):
        assert calibration.differences(replace(facts, ppi=near)) == ()


@pytest.mark.parametrize(
    "change",
    [
        {"mode": "sideways"},
        {"fit": FIT[:-1]},
        {"residual": math.nan},
        {"black": math.inf},
        {"density_range": (0.05, math.inf)},
        {"steps": linear().steps[:1], "fit": ()},
        {"steps": (), "fit": ()},
        {"steps": (linear().steps[0], linear().steps[0]), "fit": (0.1,)},
        {"steps": linear().steps[::-1]},
    ],
)
def test_what_is_no_calibration_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"steps|not a number"):
        replace(linear(), **change)


def test_two_steps_are_a_calibration() -> None:
    calibration = replace(linear(), steps=linear().steps[:2], fit=FIT[:1])
    assert_allclose(calibration.density_of_signal(10.0**-0.2), 0.2, rtol=1e-9)
