"""First advice on paper: the grade table, the worked example, the light of the enlarger."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import WrongUseError
from densiscan.paper.grade import (
    HARDER,
    SOFTER,
    Process,
    density_range_for,
    effective_range,
    grade_for,
    paper_advice,
    range_of_grade,
)


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
    with pytest.raises(WrongUseError, match="paper_range"):
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


# ---- By hand: grades and what they hold
def stated(value: float, expanded: float = 0.0) -> Quantity:
    return Quantity(value, {Influence("wedge", "1"): 0.5 * expanded})


# Grades and ranges. The table of grades is that of tests/test_paper.py (a teaching table).


@pytest.mark.parametrize(
    ("grade", "middle"), [("0", 155.5), ("1", 128.0), ("2", 105.0), ("3", 87.5), ("4", 72.5), ("5", 57.5)]
)
def test_the_middle_of_a_grade(grade: str, middle: float) -> None:
    """From 1.70 down: 1.41, 1.15, 0.95, 0.80, 0.65, 0.50."""
    assert_allclose(range_of_grade(grade), middle, rtol=1e-12)


@pytest.mark.parametrize(("effective", "grade"), [(1.144, "2"), (1.146, "1"), (0.496, "5"), (0.494, HARDER)])
def test_a_grade_is_read_to_two_decimals_as_in_its_table(effective: float, grade: str) -> None:
    assert grade_for(effective) == grade


@pytest.mark.parametrize("grade", ["6", "-1", "2.5", "", SOFTER])
def test_no_such_grade(grade: str) -> None:
    with pytest.raises(WrongUseError, match="is not a paper grade"):
        range_of_grade(grade)


@pytest.mark.parametrize(("paper", "taken"), [(29.9, False), (30.0, True), (250.0, True), (250.1, False)])
def test_ranges_that_a_paper_may_have(paper: float, taken: bool) -> None:
    if taken:
        assert_allclose(density_range_for(paper, "contact").value, paper / 100.0, rtol=1e-12)
    else:
        with pytest.raises(WrongUseError, match="is not a paper's"):
            density_range_for(paper, "contact")


def test_a_range_for_condenser_light_has_the_doubt_of_its_factor() -> None:
    """105 over 100 and 1.25; u = value 0.075 / 1.25 (from memory: the factor's doubt), the other way round."""
    found = density_range_for(105.0, "condenser")
    assert_allclose(found.value, 0.84, rtol=1e-12)
    assert dict(found.parts or {}) == {Influence("callier factor"): pytest.approx(-0.84 * 0.075 / 1.25)}
    assert density_range_for(105.0, "diffusion").uncertainty == 0.0


@pytest.mark.parametrize(
    ("has", "said"),
    [
        (100.0, "The paper of range 100 holds all of it."),
        (120.0, "The paper of range 120 holds all of it."),
        (99.0, "The paper of range 99 loses 0.11 of it (0.4 stops) in shadows or highlights: take a softer one."),
        (121.0, "On the paper of range 121 it falls 0.4 stops short of full black or white: take a harder one."),
        (50.0, "The paper of range 50 loses 0.60 of it (2.0 stops) in shadows or highlights: take a softer one."),
    ],
)
def test_what_a_paper_at_hand_does(has: float, said: str) -> None:
    """A range of 1.10; within 10 it suits, 0.30 is a stop."""
    note = paper_advice(density_range=stated(1.10), paper_range=has).note
    assert note == f"A contact print of a range of 1.10 needs grade 2. {said}"


@pytest.mark.parametrize(
    ("process", "value", "expanded", "needed", "grade", "note"),
    [
        ("contact", 1.05, 0.02, 105, "2", "A contact print of a range of 1.05 needs grade 2."),
        ("diffusion", 1.05, 0.02, 105, "2", "An enlargement by diffuse light of a range of 1.05 needs grade 2."),
        (
            "contact",
            0.96,
            0.04,
            96,
            "2",
            "A contact print of a range of 0.96 needs grade 2; within the uncertainty grade 3 may suit as well.",
        ),
        (
            "contact",
            0.87,
            0.20,
            87,
            "3",
            (
                "A contact print of a range of 0.87 needs grade 3; within the uncertainty grade 4 or grade 2 may suit "
                "as well."
            ),
        ),
        (
            "contact",
            1.80,
            0.02,
            180,
            SOFTER,
            (
                "A contact print of a range of 1.80 needs a paper softer than grade 0. Hold back shadows and burn in "
                "highlights, or develop the next film less."
            ),
        ),
        (
            "contact",
            0.40,
            0.02,
            40,
            HARDER,
            "A contact print of a range of 0.40 needs a paper harder than grade 5. Develop the next film more.",
        ),
        (
            "contact",
            0.52,
            0.10,
            52,
            "5",
            (
                "A contact print of a range of 0.52 needs grade 5; within the uncertainty a paper harder than grade 5 "
                "may suit as well."
            ),
        ),
    ],
)
def test_what_is_needed_in_words(
    process: Process, value: float, expanded: float, needed: int, grade: str, note: str
) -> None:
    found = paper_advice(density_range=stated(value, expanded), process=process)
    assert (found.process, found.needed_range, found.grade, found.note) == (process, needed, grade, note)


def test_condenser_light_in_words() -> None:
    note = paper_advice(density_range=stated(0.88), process="condenser").note
    assert note.startswith(
        "An enlargement by condenser light (silver looks 1.25 times as dense) of a range of 1.10 needs grade 2; "
    )


def test_no_grade_follows_from_a_range_that_is_only_a_limit() -> None:
    for found in (
        paper_advice(density_range=stated(1.1), range_is_limit=True),
        paper_advice(density_range=Quantity.at_least(1.1)),
    ):
        assert found.grade is None
        assert found.note == "The range is at least 1.10, and longer than could be read: grade 2 or softer."
    assert "no grade" in paper_advice(density_range=Quantity.at_most(0.9)).note
