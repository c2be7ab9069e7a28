"""The calibration: curve, usable range, polarity, uncertainty, and the file that keeps it."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.curves import shape_preserving
from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import (
    Calibration,
    log_signal_doubt,
    rounding_codes,
    step_parts,
)
from densiscan.calibration.file import calibration_document, read_calibration, write_calibration
from densiscan.calibration.make import Label, _with_left_out, calibrate, calibrate_steps, told_inverted
from densiscan.calibration.through_steps import inverse, pull_of_steps
from densiscan.errors import CalibrationError, PolarityError, WedgeNotFoundError, WrongUseError
from densiscan.scan.scan import open_scan
from densiscan.scan.survey import patch
from densiscan.wedge.alignment import Steps
from densiscan.wedge.polarity import StepSignals
from densiscan.wedge.wedge import Wedge, WedgeStep, nominal_wedge
from tests.renderer import (
    Place,
    Scanner,
    WedgeLayout,
    even_densities,
    faultless,
    render_bed,
    write_scan,
)
from tests.support import made_up
from tests.support.made_up import FACTS, step_reading

LABEL = Label(name="mine", created="2026-01-02T03:04:05+00:00")


FIT = (0.001, 0.002, 0.003, 0.004, 0.005, 0.006)

LIGHTEST, DENSEST, STEP = 0.05, 2.45, 0.4


def made(densities: list[float], signals: list[float], *, noise: float = 1e-4, inverted: bool = False) -> Calibration:
    readings = [
        step_reading(number, density, signal, noise=noise)
        for number, (density, signal) in enumerate(zip(densities, signals, strict=True))
    ]
    return calibrate_steps(readings, facts=FACTS, channel="gray", inverted=inverted, label=LABEL)


def through(densities: list[float], signals: list[float], *, noise: float = 1e-4) -> Calibration:
    """Return a calibration whose curve goes through every step, as where no law holds them."""
    return replace(made(densities, signals, noise=noise), laws=())


LINEAR = [0.05, 0.35, 0.65, 0.95, 1.25, 1.55]


def test_linear_scanner_by_hand() -> None:
    calibration = made(LINEAR, [10.0**-density for density in LINEAR])
    table = calibration.table(65535)
    # Signal is transmittance: the table is code / full scale, on the curve and on its straight continuation.
    codes = np.array([65535, 32768, 6554, 655, 66])
    plain = replace(calibration, laws=()).table(65535)
    assert_allclose(plain[codes], codes / 65535, rtol=1e-9)
    # The law's figures are found to a thousandth of a thousandth of density; beyond the wedge the end slope goes on.
    assert_allclose(table[codes[:3]], codes[:3] / 65535, rtol=1e-5)
    assert_allclose(table[codes[3:]], codes[3:] / 65535, rtol=2e-3)
    assert_allclose(calibration.residual, 0.0, atol=1e-5)
    assert calibration.density_range == (0.05, 1.55)


@settings(max_examples=30)  # each makes a calibration
@given(st.floats(0.35, 1.6), st.floats(0.05, 1.55))
def test_power_law_scanner_reads_back(power: float, density: float) -> None:
    calibration = made(LINEAR, [10.0 ** (-power * value) for value in LINEAR], noise=1e-7)
    plain = replace(calibration, laws=())
    assert_allclose(plain.density_of_signal(10.0 ** (-power * density)), density, atol=1e-7)
    # The priors of the law pull a little (near 1 the linear law has its say): less than the 0.01 of the certificate.
    assert_allclose(calibration.density_of_signal(10.0 ** (-power * density)), density, atol=4e-3)


@cache
def both_ways() -> tuple[Calibration, Calibration]:
    upright = made(LINEAR, [10.0**-value for value in LINEAR], noise=1e-7)
    return upright, made(LINEAR, [1.0 - 10.0**-value for value in LINEAR], noise=1e-7, inverted=True)


@given(st.floats(0.05, 1.55))
def test_positive_picture_is_the_negative_mirrored(density: float) -> None:
    upright, mirrored = both_ways()
    signal = 10.0**-density
    assert_allclose(mirrored.density_of_signal(1.0 - signal), upright.density_of_signal(signal), atol=1e-9)


def test_table_falls_with_density_everywhere() -> None:
    calibration = made(LINEAR, [0.9, 0.7, 0.5, 0.3, 0.2, 0.15])
    assert np.all(np.diff(calibration.table(65535)) >= 0.0)


def test_mean_of_noisy_pixels_is_read_back_right() -> None:
    """A scanner of gamma 2.2 with pixel noise: the table, applied pixel by pixel, gives the step's density."""
    rng = np.random.default_rng(5)
    signals = np.array([10.0 ** (-density / 2.2) for density in LINEAR])
    noise = 0.15 * signals[-1]
    calibration = made(LINEAR, signals.tolist(), noise=noise)
    pixels = np.clip(np.round(65535 * rng.normal(signals[-1], noise, 400_000)), 0, 65535).astype(int)
    read = -math.log10(float(calibration.table(65535)[pixels].mean()))
    # 0.003: third order of the noise, and the scatter of 400,000 pixels (0.0001); uncorrected it is 0.012 off.
    assert_allclose(read, LINEAR[-1], atol=0.003)


@pytest.mark.parametrize("table", ["digitizer_16bit.csv", "flatbed_16bit.csv"])
def test_left_out_steps_of_real_scanners(table: str, shared_data: Path) -> None:
    """Two public tables: DDSM calibration page, University of South Florida; ITG report 98-007, University of Illinois.

    The reference errors are those of the shape-preserving cubic of density against log signal, computed with SciPy.
    """
    with (shared_data / "tables" / table).open() as file:
        rows = [[float(cell) for cell in row] for row in list(csv.reader(file))[1:]]
    with (shared_data / "tables" / "leave_one_out.csv").open() as file:
        expected = {row[1]: float(row[3]) for row in csv.reader(file) if row[0] == table}
    calibration = made([row[0] for row in rows], [row[1] / 65535 for row in rows], noise=1e-9)
    # By the laws the left-out steps are told as well as by the curve through the others, or better: one step of the
    # digitizer's wedge is four standard deviations off, and makes it 3 per cent worse.
    assert calibration.laws
    assert calibration.residual < 1.05 * math.sqrt(float(np.mean(np.square(list(expected.values())))))
    calibration = _with_left_out(
        replace(
            calibration,
            laws=(),
            steps=tuple(replace(one, used=True) for one in calibration.steps),
            fit=(0.0,) * (len(rows) - 1),
        )
    )
    errors = {
        f"{step.reading.density:g}": step.measured.value - step.reading.density
        for step in calibration.steps
        if step.measured is not None
    }
    assert len(errors) == len(expected)
    ours = [errors[f"{float(name):g}"] for name in expected]
    assert_allclose(ours, list(expected.values()), atol=0.0001)  # printed to four digits
    assert_allclose(calibration.residual, math.sqrt(np.mean(np.square(list(expected.values())))), atol=0.0001)


def test_drowned_steps_end_the_range_and_are_said() -> None:
    densities = [0.05, 0.35, 0.65, 0.95, 1.25, 1.55, 1.85, 2.15]
    signals = [0.9, 0.45, 0.22, 0.11, 0.056, 0.0281, 0.0280, 0.0283]
    calibration = made(densities, signals, noise=0.002)
    assert [step.used for step in calibration.steps] == [True] * 6 + [False] * 2
    assert calibration.density_range == (0.05, 1.55)
    assert [warning.code for warning in calibration.warnings] == ["steps-not-told-apart"]
    assert calibration.steps[5].measured is None
    assert calibration.steps[6].measured is None


def test_clean_wedge_is_without_warning() -> None:
    assert made(LINEAR, [10.0**-density for density in LINEAR]).warnings == ()


def test_clipped_light_step_is_left_out_and_said() -> None:
    readings = [
        step_reading(number, density, min(1.0, 1.2 * 10.0**-density), clipped=1.0 if number == 0 else 0.0)
        for number, density in enumerate([*LINEAR, 1.85])
    ]
    calibration = calibrate_steps(readings, facts=FACTS, channel="gray", inverted=False, label=LABEL)
    assert [step.used for step in calibration.steps] == [False] + [True] * 6
    assert [warning.code for warning in calibration.warnings] == ["steps-clipped"]


def test_step_out_of_order_in_the_middle_is_left_out_and_said() -> None:
    densities = [0.05, 0.35, 0.65, 0.95, 1.25, 1.55, 1.85]
    signals = [10.0**-density for density in densities]
    signals[3] = signals[2] * 1.02
    calibration = made(densities, signals)
    assert [step.used for step in calibration.steps] == [True, True, True, False, True, True, True]
    assert [warning.code for warning in calibration.warnings] == ["steps-out-of-order"]


def test_step_under_a_streak_does_not_end_the_range() -> None:
    readings = [
        step_reading(number, density, 10.0**-density, noise=0.9 if number == 1 else 1e-4)
        for number, density in enumerate(LINEAR)
    ]
    readings[1] = replace(readings[1], per_aperture=1.0)
    calibration = calibrate_steps(readings, facts=FACTS, channel="gray", inverted=False, label=LABEL)
    assert all(step.used for step in calibration.steps)


def test_steps_on_one_code_leave_a_curve_that_runs_from_light_to_dense() -> None:
    """Three steps on code 4 of 8 bits, by noise 4.00, 4.06 and 4.02: the last is darker than their mean alone."""
    densities = [0.05, 0.35, 0.65, 0.95, 1.25, 1.55, 1.8, 1.82, 1.84, 2.3]
    signals = [10.0**-density for density in densities[:6]] + [4.0 / 255, 4.06 / 255, 4.02 / 255, 1.28 / 255]
    calibration = through(densities, signals)
    _, known, _ = calibration.knots()
    assert_allclose(sorted(known), [*densities[:7], 2.3], rtol=1e-9)
    assert [step.used for step in calibration.steps] == [True] * 7 + [False, False, True]
    assert "steps-out-of-order" in {warning.code for warning in calibration.warnings}


def test_too_few_steps_are_refused() -> None:
    with pytest.raises(CalibrationError, match="only 2 steps"):
        made([0.05, 0.35], [0.9, 0.45])


def polarity(signal: np.ndarray, steps: Steps, beside: np.ndarray | None = None) -> bool:
    return told_inverted(StepSignals(signal, np.zeros(0) if beside is None else beside), steps, "wedge.tif")


@pytest.mark.parametrize("power", [1.0, 1.0 / 1.8, 1.0 / 2.2])
def test_polarity_from_the_steps(power: float) -> None:
    densities = np.array(even_densities(15, 0.2))
    upright = 10.0 ** (-power * densities)
    assert polarity(upright, Steps.nominal(densities)) is False
    assert polarity(upright[::-1], Steps.nominal(densities)) is False
    assert polarity(1.0 - upright, Steps.nominal(densities)) is True


def test_polarity_in_doubt_names_both_options() -> None:
    """A film digitizer that stores density: its steps are as straight one way as the other."""
    densities = np.array(even_densities(15, 0.2))
    with pytest.raises(PolarityError, match=r"--not-inverted.*--inverted"):
        polarity(1.0 - densities / 3.2, Steps.nominal(densities))


UNEVEN = np.array([0.08, 0.2, 0.39, 0.48, 0.75, 0.9, 1.18, 1.29, 1.55, 1.66, 1.95, 2.08])


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("lost", [0, 1])
def test_the_file_decides_the_polarity_of_a_log_response(inverted: bool, lost: int) -> None:
    """As straight one way as the other: the differences of the file fit in one order alone, a step lost or not."""
    upright = 1.0 - UNEVEN / 3.2
    upright[UNEVEN.size - lost :] = math.nan
    assert polarity(1.0 - upright if inverted else upright, Steps.nominal(UNEVEN)) is inverted


@pytest.mark.parametrize("inverted", [False, True])
def test_doubtful_densities_of_many_small_steps_leave_the_polarity_clear(inverted: bool) -> None:
    """Steps of 0.05 known to 0.02 each: single slopes differ by a half, the whole runs straight all the same."""
    true = np.array(even_densities(28, 0.0537, 0.09))
    stated = true + 0.01 * np.tile((1.0, -1.0), 14)
    upright = 0.97 * 10.0 ** (-true / 1.8)
    signal = 1.0 - upright if inverted else upright
    assert polarity(signal, Steps(densities=stated, doubts=np.full(28, 0.015))) is inverted


def test_the_open_light_beside_few_filters_helps_to_tell_the_polarity() -> None:
    """At gamma 2.2 three filters are straight enough both ways: glass of the level that density 0 must have tells."""
    densities = np.array([0.3, 0.6, 0.9])
    signal, glass = (0.97 * 10.0**-densities) ** (1 / 2.2), np.full(2, 0.97 ** (1 / 2.2))
    with pytest.raises(PolarityError):
        polarity(signal, Steps.nominal(densities))
    assert polarity(signal, Steps.nominal(densities), beside=glass) is False


LOST_AT_WHITE = (
    *(0.134, 0.277, 0.378, 0.5, 0.62, 0.744, 0.948, 1.056, 1.248, 1.362, 1.567, 1.771, 1.939, 2.138, 2.341, 2.542),
    2.763,
)
LIFTED = (
    *(227.77, 205.72, 185.7, 167.5, 150.99, 135.96, 122.33, 109.95, 98.74, 88.54, 79.25, 70.84, 63.27, 56.36, 50.1),
    *(44.47, 39.36, 34.76, 30.6, 26.88, 23.55, 20.56, 17.92, 15.52, 13.46, 11.67, 10.1, 8.9, 8.2, 7.94, 9.6),
)
"""Codes of 8 bits of a rendered scanner with 0.7 % of glare, of 31 steps of 0.1: the last is beside open light."""


@pytest.mark.parametrize("inverted", [False, True])
def test_glare_on_the_densest_steps_leaves_the_polarity_clear(inverted: bool) -> None:
    upright, beside = np.array(LIFTED) / 255, np.array([239.5, 240.65]) / 255
    signal, around = (1.0 - upright, 1.0 - beside) if inverted else (upright, beside)
    steps = Steps(densities=np.array(even_densities(31, 0.1)), doubts=np.full(31, 0.005))
    assert polarity(signal, steps, beside=around) is inverted


def test_a_lightest_step_as_clear_as_open_light_in_its_file_is_no_fault() -> None:
    """Stated 0.00 where it has 0.02: the open light beside it, brighter, stands for no density either."""
    densities = np.array(even_densities(12, 0.2, 0.02))
    stated = np.concatenate(([0.0], densities[1:]))
    upright = 0.9 * 10.0**-densities
    assert polarity(upright, Steps.nominal(stated), beside=np.array([0.9, 0.9])) is False


def test_where_an_end_is_lost_each_polarity_is_weighed_where_its_own_steps_lie() -> None:
    """Four steps lost at white, stored inverted: read as falling, the densest step is glass, the next the lightest."""
    densities = np.array(LOST_AT_WHITE)
    light = np.clip(2.2 * 10.0**-densities, 0.0, 1.0) ** (1 / 1.8)
    stored = np.where(light < 1.0, 1.0 - light, math.nan)
    elsewhere = np.concatenate((stored[-2:3:-1], np.full(5, math.nan)))
    rising, falling = StepSignals(stored, np.zeros(2)), StepSignals(elsewhere, np.array([0.0, stored[-1]]))
    steps = Steps.nominal(densities)
    assert told_inverted(falling, steps, "wedge.tif") is False, "taken alone, they are believed"
    assert told_inverted(falling, steps, "wedge.tif", rising=rising) is True


def test_parts_of_a_reading_on_a_step_are_those_of_the_step() -> None:
    calibration = through(LINEAR, [10.0**-density for density in LINEAR], noise=0.0001)
    parts = calibration.parts(0.65)
    assert_allclose(parts[Influence("wedge", "3")], 0.01, rtol=1e-3)  # half of the expanded 0.02
    # u(D) = 0.4343 u(T) / T (JCGM 100:2008, 5.1.3) with u(T) = 0.0001 / sqrt(1000)
    assert_allclose(abs(parts[Influence("step noise", "3")]), 0.4343 * 0.0001 / math.sqrt(1000) / 10**-0.65, rtol=1e-3)
    assert "fit" not in {influence.kind for influence in parts}


def test_between_two_steps_their_certificates_average() -> None:
    calibration = through(LINEAR, [10.0**-density for density in LINEAR])
    wedge = [part for influence, part in calibration.parts(0.8).items() if influence.kind == "wedge"]
    assert_allclose(sum(wedge), 0.01, rtol=1e-6)  # a common error of all steps moves the reading by as much
    assert math.sqrt(sum(part * part for part in wedge)) < 0.0085  # independent errors average


def test_outside_the_wedge_the_doubt_grows() -> None:
    calibration = made(LINEAR, [10.0**-density for density in LINEAR])
    inside, near, far = (calibration.quantity(10.0**-density).uncertainty or 0.0 for density in (1.4, 1.65, 2.0))
    assert inside < near < far
    assert calibration.outside(1.65)
    assert not calibration.outside(1.4)


def test_differences_name_what_changed() -> None:
    calibration = made(LINEAR, [10.0**-density for density in LINEAR])
    assert calibration.differences(FACTS) == ()
    told = calibration.differences(replace(FACTS, bits=8, software="other", ppi=300.0, min_is_white=True))
    assert [text.split(" (")[0] for text in told] == ["polarity tag", "bit depth", "resolution"]
    # The software is not stated by the wedge's scan: that of another scan is no news then.


def test_file_round_trip(tmp_path: Path) -> None:
    calibration = made(LINEAR, [0.9, 0.45, 0.22, 0.11, 0.056, 0.0281])
    path = tmp_path / "cal.json"
    write_calibration(calibration, path)
    back = read_calibration(path)
    assert calibration_document(back) == calibration_document(calibration)
    assert_allclose(back.table(65535), calibration.table(65535), rtol=1e-15)
    assert [entry.name for entry in tmp_path.iterdir()] == ["cal.json"]


def test_a_step_of_which_the_curve_knows_nothing_has_no_width(tmp_path: Path) -> None:
    """Noise as large as the signal of a dark step: no width beyond all densities is printed; the file reads back."""
    readings = [step_reading(n, density, 10.0**-density) for n, density in enumerate([*LINEAR, 1.85, 2.15])]
    readings[-2] = replace(readings[-2], noise=0.9, independent=1.0)
    made_of = calibrate_steps(readings, facts=FACTS, channel="gray", inverted=False, label=LABEL)
    assert all(step.measured is None or (step.measured.uncertainty or 0.0) < 1.0 for step in made_of.steps)
    write_calibration(made_of, tmp_path / "cal.json")
    assert calibration_document(read_calibration(tmp_path / "cal.json")) == calibration_document(made_of)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": "something/1"}, "not a calibration of the form"),
        ({"steps": "none"}, "damaged"),
        ({"residual": "NaN?"}, "damaged"),
        ({"fit": [0.1]}, "damaged"),
        ({"mode": "sideways"}, "damaged"),
        ({"density_range": [0.1]}, "damaged"),
    ],
)
def test_damaged_files_are_refused(change: dict[str, object], said: str, tmp_path: Path) -> None:
    path = tmp_path / "cal.json"
    document = calibration_document(made(LINEAR, [10.0**-density for density in LINEAR]))
    path.write_text(json.dumps(document | change))
    with pytest.raises(CalibrationError, match=said):
        read_calibration(path)


@pytest.mark.parametrize("content", [b"", b"{", b"[1, 2]", b"\xff\xfe", b"[" * 100_000])
def test_files_that_are_no_calibration(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "cal.json"
    path.write_bytes(content)
    with pytest.raises(CalibrationError, match="not a calibration"):
        read_calibration(path)


def wedge_of(densities: list[float] | tuple[float, ...], uncertainty: float = 0.02) -> Wedge:
    steps = (
        WedgeStep(step=str(number), density=density, uncertainty=uncertainty)
        for number, density in enumerate(densities, start=1)
    )
    return Wedge(steps=tuple(steps), name="wedge.csv")


@pytest.mark.parametrize(
    "scanner",
    [
        Scanner(ppi=150, tone="linear", glare=0.002),
        Scanner(ppi=150, tone="2.2", glare=0.004, offset=0.0003),
        Scanner(ppi=150, tone="srgb", inverted=True),
        faultless(150),
    ],
    ids=["linear", "gamma", "positive picture", "faultless"],
)
def test_rendered_wedge_reads_back(scanner: Scanner, tmp_path: Path) -> None:
    layout = WedgeLayout(densities=even_densities(), place=Place(x_mm=62, y_mm=20, angle_deg=0.8), mask_mm=6.0)
    rendered = render_bed([layout], scanner, seed=3, size_mm=(125, 40))
    write_scan(rendered, tmp_path / "wedge.tif")
    calibration = calibrate(open_scan(tmp_path / "wedge.tif"), wedge_of(layout.densities), label=LABEL)
    assert calibration.inverted is scanner.inverted
    truth = {str(step.number): step.density for step in rendered.truth.wedge.steps}
    low, high = calibration.density_range
    assert low == 0.05
    assert high >= 2.0
    for step in calibration.steps:
        if step.measured is not None:
            # Twice the usual gap is interpolated: 0.01 to density 2, 0.02 above, the aim set for this tool.
            allowed = 0.01 if step.reading.density <= 2.0 else 0.02
            assert_allclose(step.measured.value, truth[step.reading.step], atol=allowed)


def test_region_helps_and_must_lie_on_the_scan(tmp_path: Path) -> None:
    layout = WedgeLayout(densities=even_densities(11, 0.25), place=Place(x_mm=45, y_mm=20))
    write_scan(render_bed([layout], Scanner(ppi=100), seed=3, size_mm=(90, 40)), tmp_path / "wedge.tif")
    scan = open_scan(tmp_path / "wedge.tif")
    whole = calibrate(scan, wedge_of(layout.densities), label=LABEL)
    part = calibrate(scan, wedge_of(layout.densities), label=LABEL, region_mm=(10.0, 10.0, 70.0, 20.0))
    # Boxes may differ by a cell: the same steps are read, signals agree to their noise.
    ours, theirs = ([step.reading.signal for step in one.steps] for one in (whole, part))
    assert_allclose(ours, theirs, rtol=0.005)
    with pytest.raises(WrongUseError, match="--region"):
        calibrate(scan, wedge_of(layout.densities), label=LABEL, region_mm=(200.0, 10.0, 70.0, 20.0))


def test_wrong_number_of_steps_is_refused(tmp_path: Path) -> None:
    layout = WedgeLayout(densities=even_densities(11, 0.25), place=Place(x_mm=45, y_mm=20))
    write_scan(render_bed([layout], Scanner(ppi=100), seed=3, size_mm=(90, 40)), tmp_path / "wedge.tif")
    with pytest.raises(WedgeNotFoundError, match=r"wedge of 13 steps was not found: 11 steps were seen"):
        calibrate(open_scan(tmp_path / "wedge.tif"), wedge_of(even_densities(13, 0.25)), label=LABEL)
    for wedge, advice in (
        (replace(wedge_of(even_densities(13, 0.25)), name="mine.csv"), r"check that mine\.csv belongs to this wedge"),
        (nominal_wedge(steps=13, increment=0.25), "give the right number with --steps"),
    ):
        with pytest.raises(WedgeNotFoundError, match=rf"^\S*wedge\.tif: .*; {advice}, or give --region [^.]*\.$"):
            calibrate(open_scan(tmp_path / "wedge.tif"), wedge, label=LABEL)


def known(shared_data: Path) -> list[dict[str, float]]:
    path = shared_data / "real" / "wedge_frames" / "known.csv"
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return [{name: float(cell) for name, cell in row.items()} for row in csv.DictReader(lines)]


def test_real_frames(shared_data: Path) -> None:
    """X-ray film with a 16-step wedge, US National Cancer Institute gel images: densities and gray values known."""
    folder = shared_data / "real" / "wedge_frames"
    rows = known(shared_data)
    wedge = wedge_of([row["density"] for row in rows])
    calibrations = {
        name: calibrate(open_scan(folder / f"{name}.tif", ppi=100), wedge, label=LABEL)
        for name in ("frame_a", "frame_a_min_is_white", "frame_b")
    }
    for name, column in (("frame_a", "gray_a"), ("frame_b", "gray_b")):
        grays = [255.0 - 255.0 * step.reading.signal for step in calibrations[name].steps]
        assert_allclose(grays, [row[column] for row in rows], atol=2.0)  # the aim set for these frames
    first, second = (
        [step.reading.signal for step in calibrations[name].steps] for name in ("frame_a", "frame_a_min_is_white")
    )
    assert_allclose(first, second, rtol=1e-12)
    read = _frame_b_by_frame_a(calibrations, folder)
    light = [(got - true) for got, true, _ in read if true < 1.7]
    assert math.sqrt(float(np.mean(np.square(light)))) < 0.02
    # What the known densities are themselves off by, 0.02 as stated, is no error of the reading.
    assert sum(abs(got - true) <= math.hypot(uncertainty, 0.02) for got, true, uncertainty in read) >= 14


def _frame_b_by_frame_a(calibrations: dict[str, Calibration], folder: Path) -> list[tuple[float, float, float]]:
    scan = open_scan(folder / "frame_b.tif", ppi=100)
    calibration = calibrations["frame_a"]
    found = []
    for step in calibrations["frame_b"].steps:
        spot = patch(scan, box_mm=step.reading.box_mm, table=calibration.table(255))
        noise = spot.clean_sd / math.sqrt(spot.independent) / spot.clean_mean / math.log(10.0)
        quantity = calibration.quantity(spot.clean_mean, noise, step.reading.step)
        found.append((quantity.value, step.reading.density, quantity.uncertainty or 0.0))
    return found


@pytest.mark.parametrize(
    ("transmittance", "density", "digits"),
    [
        (5.0 / 10.0, 0.30, 2),
        (1.0 / 100.0, 2.00, 2),
        (0.90, 0.04576, 5),
        (0.794, 0.1, 1),
        (0.251, 0.6, 1),
        (0.1, 1.0, 1),
    ],
)
def test_density_arithmetic_of_the_handbooks(transmittance: float, density: float, digits: int) -> None:
    """US Navy NAVEDTRA 14208, chapter 2 (10 in, 5 out: 0.30; 1/100: 2.00); a mathematics textbook (0.90: 0.04576);
    Aalto University's table of transmittance, opacity and density (0.794, 0.251, 0.1)."""
    calibration = made(LINEAR, [10.0**-value for value in LINEAR])
    assert round(calibration.quantity(transmittance).value, digits) == density


def test_a_reading_beyond_the_wedge_is_a_limit() -> None:
    calibration = made(LINEAR, [10.0**-density for density in LINEAR])
    low, high = calibration.density_range
    inside = Quantity(0.5 * (low + high), {Influence("patch noise"): 0.02})
    assert calibration.limited(inside) == inside
    assert calibration.limited(Quantity(high + 0.04)).to_json() == {
        "value": high,
        "uncertainty": None,
        "limit": "at least",
    }
    assert calibration.limited(Quantity(low - 0.02)) == Quantity.at_most(low)


@pytest.mark.parametrize(
    ("densities", "step_mm"), [((0.1, 0.6, 1.2, 1.9), 12.0), ((0.05, 0.35, 0.95), 15.0), ((0.15, 0.75, 1.5, 2.1), 14.0)]
)
@pytest.mark.parametrize("gamma", [1.0, 2.2])
def test_three_or_four_known_filters_calibrate(
    densities: tuple[float, ...], step_mm: float, gamma: float, tmp_path: Path
) -> None:
    """A common lot of filters: read between them within what is stated, which is more than with many steps."""
    calibration = made(list(densities), [0.9 * 10.0 ** (-density / gamma) for density in densities])
    assert [warning.code for warning in calibration.warnings] == ["few-steps"]
    assert calibration.density_range == (densities[0], densities[-1])
    for density in np.linspace(densities[0], densities[-1], 17)[1:-1]:
        read = calibration.quantity(10.0 ** -float(density))
        found = calibration.density_of_signal(0.9 * 10.0 ** (-float(density) / gamma))
        assert abs(found - density) <= (read.uncertainty or 0.0)
    lay = WedgeLayout(densities=densities, place=Place(x_mm=55.0, y_mm=30.0), step_mm=step_mm, width_mm=14.0)
    path = tmp_path / "filters.tif"
    write_scan(render_bed([lay], Scanner(ppi=100), seed=3, size_mm=(110.0, 60.0)), path)
    by_scan = calibrate(open_scan(path), wedge_of(densities), label=LABEL)
    assert [step.used for step in by_scan.steps] == [True] * len(densities)
    assert "few-steps" in [warning.code for warning in by_scan.warnings]


def test_the_shape_between_few_steps_is_doubted() -> None:
    few, many = made([0.05, 0.8, 1.55], [10.0**-d for d in (0.05, 0.8, 1.55)]), made(LINEAR, [10.0**-d for d in LINEAR])
    assert few.fit == pytest.approx((0.0075, 0.0075), abs=1e-4)  # by hand: 0.01 a unit of density, over 0.75
    assert max(many.fit) < 1e-4
    assert "few-steps" not in [warning.code for warning in many.warnings]


# ---- The arithmetic of a calibration worked out by hand: on a linear scanner density is -log10 of the signal, slope -1
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
        place = inverse(x, densities, float(density))
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
