"""Tables of points and exposures as typed: what is read, and what is refused by name."""

from __future__ import annotations

from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from densiscan.errors import PointsFileError
from densiscan.film.points import read_curve, read_exposures


def test_a_curve_and_exposures_as_written(tmp_path: Path) -> None:
    file = tmp_path / "curve.csv"
    file.write_text("Step;log_exposure;density;uncertainty\nA;-1,5;0,32;0,02\n;-1.2;0.40;0\n;-0.9;0.55;\n", "utf-8")
    first, second, third = read_curve(file)
    assert [point.step for point in (first, second, third)] == ["A", "2", "3"]
    assert (first.log_exposure.value, first.density.value) == (-1.5, 0.32)
    assert [point.density.uncertainty for point in (first, second, third)] == [0.02, None, None]
    file.write_text("log_exposure,density,uncertainty\n-1.5,0.3,0.06\n-1.2,0.4,0.08\n", "utf-8")
    one, other = (point.density for point in read_curve(file))
    assert_allclose((one - other).uncertainty or 0.0, 0.10, rtol=1e-12)  # readings err each by itself
    assert list(one.budget()) == ["reading"]
    file.write_text("step,log_exposure,uncertainty\n1,-1.5,0.06\n2,-1.2,0.08\n", "utf-8")
    one, other = (exposure.log_exposure for exposure in read_exposures(file))
    assert_allclose((one - other).uncertainty or 0.0, 0.10, rtol=1e-12)
    assert list(one.budget()) == ["exposure"]
    file.write_text("step,log_exposure,uncertainty\n5,-1.5,0.06\n,-1.2,\n", "utf-8")
    five, unnamed = read_exposures(file)
    assert (five.step, five.log_exposure.value, five.log_exposure.uncertainty) == ("5", -1.5, 0.06)
    assert (unnamed.step, unnamed.log_exposure.uncertainty) == ("2", 0.0)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("12.1,0.5,0.01", 'line 3: "12.1" is no log exposure; write a number from -12 to 12'),
        ("-12.1,0.5,0.01", "is no log exposure"),
        ("0,8.1,0.01", 'line 3: "8.1" is no density; write a number from -0.1 to 8'),
        ("0,-0.11,0.01", "is no density"),
        ("0,0.5,-0.01", 'line 3: "-0.01" is no uncertainty; write a number from 0 to 8'),
        ("0,0.5,nan", "is no uncertainty"),
        ("0,inf,0.1", "is no density"),
        ("0", 'line 3: "" is no density'),
    ],
)
def test_cells_out_of_reach_are_named(line: str, said: str, tmp_path: Path) -> None:
    file = tmp_path / "curve.csv"
    file.write_text(f"log_exposure,density,uncertainty\n-12,-0.1,0\n{line}\n", encoding="utf-8")
    with pytest.raises(PointsFileError, match=said):
        read_curve(file)


def test_the_ends_of_what_can_be_are_read(tmp_path: Path) -> None:
    file = tmp_path / "curve.csv"
    rows = "\n".join("12,8,8" for _ in range(500))
    file.write_text(f"log_exposure,density,uncertainty\n{rows}\n", encoding="utf-8")
    assert len(read_curve(file)) == 500
    file.write_text(f"log_exposure,density,uncertainty\n{rows}\n1,1,1\n", encoding="utf-8")
    with pytest.raises(PointsFileError, match="holds 501 exposures; give 1 to 500"):
        read_curve(file)
