"""Least squares of curved models, on the certified sets of NIST's Statistical Reference Datasets."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from densiscan.arithmetic.least_squares import least_squares

Floats = npt.NDArray[np.float64]
Model = Callable[[Floats, Floats], tuple[Floats, Floats]]
REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "data" / "reference"


def rows(name: str) -> list[list[str]]:
    file = REFERENCE / name
    if not file.is_file():
        pytest.skip(f"{name} is not beside this checkout")
    with file.open(encoding="utf-8") as lines:
        return list(csv.reader(line for line in lines if not line.startswith("#")))[1:]


def rat42(x: Floats, b: Floats) -> tuple[Floats, Floats]:
    e = np.exp(b[1] - b[2] * x)
    below = 1.0 + e
    return b[0] / below, np.stack((1.0 / below, -b[0] * e / below**2, b[0] * e * x / below**2), axis=1)


def rat43(x: Floats, b: Floats) -> tuple[Floats, Floats]:
    e = np.exp(b[1] - b[2] * x)
    below = 1.0 + e
    y = b[0] * below ** (-1.0 / b[3])
    by_e = -y / b[3] / below * e
    return y, np.stack((y / b[0], by_e, -by_e * x, y * np.log(below) / b[3] ** 2), axis=1)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize(("dataset", "model"), [("Rat42", rat42), ("Rat43", rat43)])
def test_sigmoids_of_nist(dataset: str, model: Model, start: int) -> None:
    """NIST StRD nonlinear regression: Rat42 (higher difficulty, 3 parameters), Rat43 (4): certified to 11 digits.

    Both published starts; at least 6 digits of parameters, standard deviations and residual sum of squares.
    """
    table = np.array(rows(f"nist_strd_{dataset.lower()}.csv"), dtype=float)
    certified = [row for row in rows("nist_strd_certified.csv") if row[0] == dataset]
    wanted = [row for row in certified if row[2].startswith("b")]
    y, x = table[:, 0], table[:, 1]

    def residuals(b: Floats) -> tuple[Floats, Floats]:
        value, slopes = model(x, b)
        return value - y, slopes

    fitted = least_squares(residuals, [float(row[3 + start]) for row in wanted])
    np.testing.assert_allclose(fitted.parameters, [float(row[5]) for row in wanted], rtol=1e-6)
    # Certified is the usual linear approximation: s^2 (J^T J)^-1, s^2 the sum of squares over the degrees of freedom.
    variances = np.diag(fitted.covariance()) * fitted.sum_of_squares / (fitted.residuals.size - fitted.parameters.size)
    np.testing.assert_allclose(np.sqrt(variances), [float(row[6]) for row in wanted], rtol=1e-6)
    total = next(float(row[5]) for row in certified if row[2] == "RSS")
    np.testing.assert_allclose(fitted.sum_of_squares, total, rtol=1e-9)


def line(x: Sequence[float], y: Sequence[float]) -> Callable[[Floats], tuple[Floats, Floats]]:
    along, up = np.array(x), np.array(y)
    return lambda b: (b[0] + b[1] * along - up, np.stack((np.ones(along.size), along), axis=1))


def test_a_line_by_hand() -> None:
    # Through (0, 1), (1, 3), (2, 5): no residual; the second, scattered one has mean slope 1.
    fitted = least_squares(line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0]), [0.0, 0.0])
    np.testing.assert_allclose(fitted.parameters, [1.0, 2.0], rtol=0, atol=1e-12)
    scattered = least_squares(line([0.0, 1.0, 2.0], [0.0, 2.0, 2.0]), [5.0, 5.0])
    np.testing.assert_allclose(scattered.parameters, [1.0 / 3.0, 1.0], rtol=0, atol=1e-12)


def test_a_limit_holds() -> None:
    fitted = least_squares(line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0]), [0.0, 0.0], limits=([-9.0, -9.0], [9.0, 1.5]))
    np.testing.assert_allclose(fitted.parameters, [1.5, 1.5], rtol=0, atol=1e-9)  # best intercept at that slope


def test_a_lower_limit_holds() -> None:
    fitted = least_squares(line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0]), [0.0, 9.0], limits=([-9.0, 2.5], [9.0, 9.0]))
    np.testing.assert_allclose(fitted.parameters, [0.5, 2.5], rtol=0, atol=1e-9)  # best intercept at that slope


@pytest.mark.parametrize("start", [[-50.0, 7.0], [50.0, -7.0], [0.0, 0.0]])
@pytest.mark.parametrize("unit", [1.0, 1e-4])
def test_nothing_beyond_the_limits_is_ever_asked(start: list[float], unit: float) -> None:
    """Nor does what stands at a limit stay there, whatever the unit of the residuals."""
    asked: list[Floats] = []
    whole = line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0])

    def residuals(b: Floats) -> tuple[Floats, Floats]:
        asked.append(b.copy())
        left, slopes = whole(b)
        return unit * left, unit * slopes

    fitted = least_squares(residuals, start, limits=([0.0, -1.0], [3.0, 4.0]))
    np.testing.assert_allclose(fitted.parameters, [1.0, 2.0], rtol=0, atol=1e-12)
    assert all(0.0 <= b[0] <= 3.0 and -1.0 <= b[1] <= 4.0 for b in asked)


@pytest.mark.parametrize("start", [0.5, 40.0, 4000.0])
def test_a_step_to_what_is_no_number_is_a_step_too_far(start: float) -> None:
    # From 40 the undamped step on ln b = ln 4 leads to 40 (1 - ln 10) = -52, where there is no logarithm.
    def residuals(b: Floats) -> tuple[Floats, Floats]:
        return np.array([np.log(b[0] / 4.0)]), np.array([[1.0 / b[0]]])

    np.testing.assert_allclose(least_squares(residuals, [start]).parameters, [4.0], rtol=1e-9)


def test_no_more_steps_than_allowed_and_none_after_enough() -> None:
    calls = 0

    def residuals(b: Floats) -> tuple[Floats, Floats]:
        nonlocal calls
        calls += 1
        return np.array([b[0] ** 2 - 2.0]), np.array([[2.0 * b[0]]])

    least_squares(residuals, [100.0], steps=3)
    assert calls == 1 + 3
    calls = 0
    fitted = least_squares(residuals, [100.0], enough=1.0)
    assert fitted.sum_of_squares <= 1.0
    assert calls < 12  # from 100 each step about halves: 7 to come within 1 of 2, where the root itself takes more
    assert abs(fitted.parameters[0] - math.sqrt(2.0)) > 1e-6


def test_what_has_no_influence_stays() -> None:
    def flat(b: Floats) -> tuple[Floats, Floats]:
        return np.array([b[0] - 2.0, b[0] - 2.0]), np.array([[1.0, 0.0], [1.0, 0.0]])

    np.testing.assert_allclose(least_squares(flat, [0.0, 7.0]).parameters, [2.0, 7.0], rtol=0, atol=1e-12)
