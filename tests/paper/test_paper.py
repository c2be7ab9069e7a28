"""First advice on paper: the grade table, the worked example, the light of the enlarger."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import WrongUseError
from densiscan.paper.grade import HARDER, SOFTER, density_range_for, effective_range, grade_for, paper_advice


def reading(value: float, expanded: float = 0.03) -> Quantity:
    return Quantity(value, {Influence("wedge", "1"): 0.5 * expanded})


# Negative contrast by grade, diffusion enlarger: a teaching table (exposure and development lab sheet, pages 86-93).
# Grade 0 is continued to 1.70, the outer limit of ANSI PH2.2-1966; below 0.50 and above 1.70 there is no grade.
@pytest.mark.parametrize(
    ("lowest", "highest", "grade"),
    [
        (1.41, 1.70, "0"),
        (1.15, 1.40, "1"),
        (0.95, 1.14, "2"),
        (0.80, 0.94, "3"),
        (0.65, 0.79, "4"),
        (0.50, 0.64, "5"),
        (1.71, 3.00, SOFTER),
        (0.00, 0.49, HARDER),
    ],
)
def test_grade_table(lowest: float, highest: float, grade: str) -> None:
    assert (grade_for(lowest), grade_for(highest)) == (grade, grade)


def test_worked_example_of_the_teaching_table() -> None:
    # Same lab sheet: highlight density 1.30, shadow density 0.20, total negative contrast 1.10: grade 2.
    found = paper_advice(density_range=Quantity(1.30) - Quantity(0.20), process="diffusion")
    assert (found.needed_range, found.grade) == (110, "2")


def test_contact_and_diffuse_light_see_the_range_as_it_is() -> None:
    for process in ("contact", "diffusion"):
        assert_allclose(effective_range(reading(1.05), process).value, 1.05, atol=1e-12)


def test_condenser_light_sees_more_and_is_less_sure() -> None:
    # Callier factor 1.2 to 1.5 from memory, 1.25 by default.
    seen = effective_range(reading(1.00), "condenser")
    assert_allclose(seen.value, 1.25, atol=1e-12)
    assert seen.uncertainty is not None
    assert_allclose(seen.uncertainty, math.hypot(1.25 * 0.03, 2 * 0.075), rtol=1e-9)  # product of two quantities
    assert paper_advice(density_range=reading(1.00), process="condenser").grade == "1"


@given(paper=st.floats(30.0, 250.0), process=st.sampled_from(["contact", "diffusion", "condenser"]))
def test_negative_made_for_a_paper_needs_that_paper(paper: float, process: str) -> None:
    made = density_range_for(paper, process)  # type: ignore[arg-type]
    needed = paper_advice(density_range=Quantity(made.value), process=process).needed_range  # type: ignore[arg-type]
    assert needed is not None
    assert_allclose(needed, paper, atol=0.5 + 1e-9)  # rounded to a whole number


@given(st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_longer_range_never_needs_a_harder_paper(one: float, other: float) -> None:
    order = [SOFTER, "0", "1", "2", "3", "4", "5", HARDER]
    shorter, longer = sorted((one, other))
    assert order.index(grade_for(longer)) <= order.index(grade_for(shorter))


def test_usual_paper_is_range_105() -> None:
    assert_allclose(density_range_for(None, "contact").value, 1.05, atol=1e-12)


@pytest.mark.parametrize("paper", [0.0, 1.05, -105.0, 2000.0, math.nan])
def test_paper_that_is_none_is_refused(paper: float) -> None:
    with pytest.raises(WrongUseError, match="paper-range"):
        density_range_for(paper, "contact")


@pytest.mark.parametrize(("paper", "said"), [(105, "holds all"), (80, "loses 0.30"), (150, "harder")])
def test_paper_at_hand(paper: float, said: str) -> None:
    assert said in paper_advice(density_range=reading(1.10), paper_range=paper).note


def test_grade_next_door_is_named_where_the_reading_leaves_it_open() -> None:
    assert "grade 3 may suit" in paper_advice(density_range=reading(0.96)).note
    assert "may suit" not in paper_advice(density_range=reading(1.05)).note


def test_range_that_is_a_limit_says_so() -> None:
    assert "longer than could be read" in paper_advice(density_range=reading(1.10), range_is_limit=True).note


def test_no_range_names_no_paper() -> None:
    found = paper_advice(density_range=None)
    assert (found.needed_range, found.grade) == (None, None)
