"""What a run may be, and how times and temperatures are typed."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.cli import arguments
from densiscan.development.run import Run
from densiscan.errors import WrongUseError

PLAIN: dict[str, Any] = {
    "number": 1,
    "film": "Film A",
    "developer": "Developer B",
    "date": "2026-03-14",
    "time_s": 480.0,
    "temperature_c": 20.0,
}


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [("480", 480.0), ("8:00", 480.0), ("8:30", 510.0), ("0:05", 5.0), ("1:02:03", 3723.0), ("90:00", 5400.0)],
)
def test_time_as_typed(typed: str, wanted: float) -> None:
    assert_allclose(arguments.seconds(typed, "--time"), wanted, rtol=0, atol=0)  # whole seconds are exact


@pytest.mark.parametrize("typed", ["", "8:60", "8.5:00", "-480", "0", "0:00", "nan", "inf", "8m", "8:0", "480,1"])
def test_no_time_is_refused(typed: str) -> None:
    with pytest.raises(WrongUseError, match=r"--time .* is not a valid time"):
        arguments.seconds(typed, "--time")


@pytest.mark.parametrize("typed", ["8.30", "8", "0:08", "29"])
def test_a_developing_time_of_seconds_was_meant_in_minutes(typed: str) -> None:
    with pytest.raises(WrongUseError, match=r"--time .* which is not a developing time; give minutes and seconds"):
        arguments.developing_time(typed, "--time")
    assert_allclose(arguments.developing_time("0:30", "--time"), 30.0, rtol=0, atol=0)


@given(st.integers(1, 86_400))
def test_clock_and_seconds_say_the_same(total: int) -> None:
    clock = f"{total // 60}:{total % 60:02d}"
    assert_allclose(arguments.seconds(clock, "--time"), total, rtol=0, atol=0)


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [("20", 20.0), ("20.5", 20.5), ("20,5", 20.5), ("20C", 20.0), ("68F", 20.0), ("68 f", 20.0), ("75.2°F", 24.0)],
)
def test_temperature_as_typed(typed: str, wanted: float) -> None:
    assert_allclose(arguments.celsius(typed, "--temp"), wanted, rtol=0, atol=1e-12)  # 5/9 is not exact in binary


@pytest.mark.parametrize("typed", ["", "warm", "-5", "0", "20F", "150F", "61", "nan", "2O"])
def test_no_temperature_is_refused(typed: str) -> None:
    with pytest.raises(WrongUseError, match=r"--temp .* is not a valid temperature"):
        arguments.celsius(typed, "--temp")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("film", ""),
        ("film", " A"),
        ("developer", "a\nb"),
        ("batch", "x" * 81),
        ("note", ""),
        ("date", "yesterday"),
        ("date", "2026-02-30"),
        ("time_s", 0.0),
        ("time_s", math.nan),
        ("temperature_c", 68.0),
        ("use", 0),
        ("sheets", 0),
        ("sheet_size_mm", (102.0, 0.0)),
        ("scene_stops", 21.0),
        ("exposure_index", -1.0),
        ("volume_ml", math.inf),
    ],
)
def test_what_cannot_be_is_named_by_its_option(field: str, value: object) -> None:
    with pytest.raises(WrongUseError, match=f"^`{field}` ") as refused:
        Run(**{**PLAIN, field: value})
    assert arguments.in_options(str(refused.value)).startswith(f"{arguments.OPTIONS[field]} ")


def test_area_of_the_film() -> None:
    assert Run(**PLAIN).film_area_m2 is None
    two = Run(**PLAIN, sheets=2, sheet_size_mm=(100.0, 125.0))
    assert two.film_area_m2 is not None
    assert_allclose(two.film_area_m2, 0.025, rtol=1e-12)  # 2 x 0.100 x 0.125, to rounding
