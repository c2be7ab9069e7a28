"""Figures of paper by hand: grades and what they hold, the curve of a logistic law, ends not yet reached, changes."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import WrongUseError
from densiscan.paper.curve import PaperCurve, curve_through
from densiscan.paper.ends import End, Ends, find_ends
from densiscan.paper.exposure import (
    Before,
    NegativeEnds,
    Printing,
    change_from,
    known_range_fit,
    needed_by_process,
    paper_fit,
    printing_with,
    seconds_of,
    strip_round,
)
from densiscan.paper.grade import HARDER, SOFTER, Process, density_range_for, grade_for, paper_advice, range_of_grade
from densiscan.paper.tested_range import Circumstances, PaperTest, paper_by_eye
from densiscan.wedge.wedge import nominal_wedge

Floats = npt.NDArray[np.float64]


def reading(value: float, expanded: float = 0.0) -> Quantity:
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
    with pytest.raises(WrongUseError, match="is no paper grade"):
        range_of_grade(grade)


@pytest.mark.parametrize(("paper", "taken"), [(29.9, False), (30.0, True), (250.0, True), (250.1, False)])
def test_ranges_that_a_paper_may_have(paper: float, taken: bool) -> None:
    if taken:
        assert_allclose(density_range_for(paper, "contact").value, paper / 100.0, rtol=1e-12)
    else:
        with pytest.raises(WrongUseError, match="is no paper's"):
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
        (121.0, "The paper of range 121 shows it 0.4 stops short of a full black or white: take a harder one."),
        (50.0, "The paper of range 50 loses 0.60 of it (2.0 stops) in shadows or highlights: take a softer one."),
    ],
)
def test_what_a_paper_at_hand_does(has: float, said: str) -> None:
    """A range of 1.10; within 10 it suits, 0.30 is a stop."""
    note = paper_advice(density_range=reading(1.10), paper_range=has).note
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
    found = paper_advice(density_range=reading(value, expanded), process=process)
    assert (found.process, found.needed_range, found.grade, found.note) == (process, needed, grade, note)


def test_condenser_light_in_words() -> None:
    note = paper_advice(density_range=reading(0.88), process="condenser").note
    assert note.startswith(
        "An enlargement by condenser light (silver looks 1.25 times as dense) of a range of 1.10 needs grade 2; "
    )


def test_no_grade_follows_from_a_range_that_is_only_a_limit() -> None:
    for found in (
        paper_advice(density_range=reading(1.1), range_is_limit=True),
        paper_advice(density_range=Quantity.at_least(1.1)),
    ):
        assert found.grade is None
        assert found.note == "The range is at least 1.10, and longer than could be read: grade 2 or softer."
    assert "no grade" in paper_advice(density_range=Quantity.at_most(0.9)).note


# The curve. A logistic law d = base + N / (1 + exp(-k (x - x0))) is straight in log(n / (N - n)).

STEEP, MIDDLE, BASE, NET = 5.8, -0.6, 0.07, 2.0


def logistic(x: Floats) -> Floats:
    return np.asarray(BASE + NET / (1.0 + np.exp(-STEEP * (x - MIDDLE))))


def curve() -> PaperCurve:
    x = np.arange(-2.6, 1.41, 0.1)
    return PaperCurve(log_exposure=x, density=logistic(x), base=BASE, top=BASE + NET)


def test_a_curve_goes_through_its_points_and_holds_beyond() -> None:
    found = curve()
    assert_allclose(found.net, NET, rtol=1e-12)
    assert_allclose(found.density_at(found.log_exposure), found.density, rtol=0, atol=1e-9)
    ends = found.density_at([-9.0, 9.0])
    assert_allclose(ends, found.density[[0, -1]], rtol=0, atol=1e-9)
    assert found.density_at(0.0).shape == ()
    assert found.density_at([[0.0, 0.1], [0.2, 0.3]]).shape == (2, 2)


def test_between_its_points_a_logistic_law_is_kept() -> None:
    fine = np.linspace(-2.4, 1.2, 500)
    # The lift by 0.01 keeps both ends finite and bends the straight line there: 0.001 of density.
    assert_allclose(curve().density_at(fine), logistic(fine), rtol=0, atol=1e-3)


@given(density=st.floats(BASE + 0.02, BASE + NET - 0.02))
def test_exposure_and_density_undo_each_other(density: float) -> None:
    found = curve()
    place = found.log_exposure_at(density)
    assert place is not None
    # Straight lines between 65 cuts of each interval: a few 1e-6 of exposure at a slope of 3.
    assert_allclose(found.density_at(place), density, rtol=0, atol=5e-5)


def test_what_the_points_do_not_reach_has_no_place() -> None:
    x = np.array([0.0, 0.5, 1.0])
    found = PaperCurve(log_exposure=x, density=np.array([0.3, 1.0, 1.6]), base=0.1, top=2.0)
    assert found.log_exposure_at(0.29) is None
    assert found.log_exposure_at(1.61) is None
    assert found.log_exposure_at(0.3) == 0.0
    assert_allclose(found.log_exposure_at(1.0) or 0.0, 0.5, rtol=0, atol=1e-9)
    assert_allclose(found.log_exposure_at(1.6) or 0.0, 1.0, rtol=0, atol=1e-9)
    first = found.log_exposure_at(0.6)  # between the first two points
    assert first is not None
    assert 0.0 < first < 0.5
    assert_allclose(found.density_at(first), 0.6, rtol=0, atol=5e-5)
    assert found.landmarks() == {}  # 0.14, 1.81 and 1.96 all lie beyond


def test_landmarks_by_hand() -> None:
    """ISO 6846: T at 0.04 above white, S at 90 % of the net black; full black 0.04 short: x0 + ln(p / (1 - p)) / k."""
    places = {"highlight": 0.04 / NET, "shadow": 0.9, "black": 1.0 - 0.04 / NET}
    wanted = {name: MIDDLE + math.log(p / (1.0 - p)) / STEEP for name, p in places.items()}
    found = curve().landmarks()
    assert list(found) == list(wanted)
    assert_allclose(list(found.values()), list(wanted.values()), rtol=0, atol=2e-3)


def test_the_steepest_slope_of_a_logistic_law() -> None:
    assert_allclose(curve().steepest(), STEEP * NET / 4.0, rtol=2e-3)


def end(densities: list[float], chances: list[float], last: float) -> End:
    return End(last=last, densities=np.array(densities), chances=np.array(chances))


def test_an_end_by_hand() -> None:
    """Mean 2.04; variance 0.25 x 0.04^2 + 0.25 x 0.04^2; beyond the last point 0.04 and, with 97.5 %, 0.08."""
    found = end([2.00, 2.04, 2.08], [0.25, 0.50, 0.25], 2.00)
    assert_allclose(found.density, 2.04, rtol=1e-12)
    assert_allclose(found.standard, 0.04 / math.sqrt(2.0), rtol=1e-12)
    assert_allclose(found.to_come(), (0.04, 0.08), rtol=1e-9)
    assert found.goes_on()
    assert not end([2.00, 2.04, 2.08], [0.25, 0.50, 0.25], 2.02).goes_on()
    # Three that are equally likely: at a sixth, a half and five sixths of what is summed up to the middle of each.
    assert_allclose(
        found.equally_likely(3), (2.00 + 0.04 * (1 / 6 - 0.125) / 0.375, 2.04, 2.08 - 0.04 / 9.0), rtol=1e-9
    )
    assert_allclose(float(np.mean(found.equally_likely(201))), 2.04, atol=1e-9)


@pytest.mark.parametrize(
    ("white", "at_most", "reached"),
    [(0.0099, 0.0199, True), (0.0101, 0.0199, False), (0.0099, 0.0201, False)],
)
def test_a_white_in_sight_and_not(white: float, at_most: float, reached: bool) -> None:
    """A quarter of the first tone expected, half of it at most."""
    black = end([2.0, 2.0], [0.5, 0.5], 2.0)
    # Of three places the middle is the mean; the furthest has 5 of 100.
    low = end([0.10 - 2.0 * white + at_most, 0.10 - white, 0.10 - at_most], [0.05, 0.90, 0.05], 0.10)
    ends = Ends(white=low, black=black)
    assert ends.white_reached() is reached
    assert_allclose(ends.base, 0.10 - white if reached else 0.10, rtol=1e-9)


@pytest.mark.parametrize(
    ("black", "at_most", "reached"),
    [(0.099, 0.199, True), (0.106, 0.199, False), (0.099, 0.211, False)],
)
def test_a_black_in_sight_and_not(black: float, at_most: float, reached: bool) -> None:
    """A twentieth of the net density of 2.00 and of what is added, and a tenth of it."""
    white = end([0.1, 0.1], [0.5, 0.5], 0.1)
    high = end([2.1 + 2.0 * black - at_most, 2.1 + black, 2.1 + at_most], [0.05, 0.90, 0.05], 2.1)
    ends = Ends(white=white, black=high)
    assert ends.black_reached() is reached
    assert_allclose(ends.top, 2.1 + black if reached else 2.1, rtol=1e-9)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.6])
def test_what_is_still_to_come_of_an_exponential_end(share: float) -> None:
    """What is left shrinks by the same share from step to step, as of a geometric series: the slowest end of all."""
    left = 1.9 * share ** np.arange(6.0)
    density = np.concatenate(([0.1, 0.1, 0.1, 0.1], 2.0 - left))
    x = np.linspace(0.0, 0.2 * (density.size - 1), density.size)
    found = find_ends(x, density, np.full(density.size, 0.001)).black
    expected, most = found.to_come()
    assert abs(expected - left[-1]) <= 2.0 * found.standard
    # It may be this law and no other: the end is not beyond what is foretold at most.
    assert left[-1] <= 1.1 * most
    turned = find_ends(-x[::-1], 2.1 - density[::-1], np.full(density.size, 0.001)).white
    assert_allclose(turned.to_come(), (expected, most), rtol=1e-6)
    assert_allclose(turned.density, 2.1 - found.density, rtol=1e-6)


def test_two_points_are_no_curve() -> None:
    with pytest.raises(ValueError, match="no black and white"):
        curve_through(np.array([0.0, 1.0]), np.array([0.1, 2.0]), base=0.1, top=2.0)


@pytest.mark.parametrize("top", [0.25, 0.261])
def test_hardly_any_difference_is_no_print(top: float) -> None:
    """Four times the first tone, 0.16, is the least."""
    x, density = np.arange(4.0), np.array([0.1, 0.1, top, top])
    if top < 0.26:
        with pytest.raises(ValueError, match="no black and white"):
            curve_through(x, density, base=0.1, top=top)
    else:
        assert curve_through(x, density, base=0.1, top=top).net == pytest.approx(top - 0.1)


# The print.


def negative(shadow: float | None = 0.40, highlight: float | None = 1.45, base: float | None = 0.25) -> NegativeEnds:
    shadow_, highlight_, base_ = (
        None if value is None else Quantity(value, {Influence("reading", name): 0.01})
        for name, value in (("shadow", shadow), ("highlight", highlight), ("base", base))
    )
    return NegativeEnds(name="mill", shadow=shadow_, highlight=highlight_, base_plus_fog=base_)


def paper(*, seconds: float | None = 10.0, last_black: str = "5", first_white: str = "13") -> PaperTest:
    about = Circumstances(name="old box", exposure_s=seconds)
    return paper_by_eye(nominal_wedge(), last_black=last_black, first_white=first_white, circumstances=about)


def test_the_range_needed_in_each_light() -> None:
    found = needed_by_process(negative(), Printing())
    assert list(found) == ["contact", "diffusion", "condenser"]
    assert_allclose([one.value for one in found.values()], [105.0, 105.0, 131.25], rtol=1e-12)
    own = needed_by_process(negative(), printing_with("condenser", callier=1.4))
    assert_allclose(own["condenser"].value, 147.0, rtol=1e-12)
    assert needed_by_process(negative(shadow=None), Printing()) == {}


def test_the_light_of_a_condenser_is_in_the_doubt() -> None:
    """1.25 times 1.05: u^2 = (1.25 u(D))^2 + (1.05 x 0.075)^2."""
    seen = printing_with("condenser").seen(reading(1.05, 0.04))
    assert_allclose(seen.value, 1.3125, rtol=1e-12)
    assert_allclose(seen.standard_uncertainty or 0.0, math.hypot(1.25 * 0.02, 1.05 * 0.075), rtol=1e-12)


@given(log_time=st.floats(-1.0, 3.0))
def test_seconds_and_their_doubt(log_time: float) -> None:
    found = seconds_of(Quantity(log_time, {Influence("x"): 0.02, Influence("y"): -0.01}))
    assert found is not None
    assert_allclose(found.value, 10.0**log_time, rtol=1e-12)
    assert dict(found.parts or {}) == {
        Influence("x"): pytest.approx(found.value * math.log(10.0) * 0.02),
        Influence("y"): pytest.approx(-found.value * math.log(10.0) * 0.01),
    }
    assert seconds_of(None) is None
    assert seconds_of(Quantity(log_time, None)) == Quantity(10.0**log_time, None)


@pytest.mark.parametrize(("doubt", "step"), [(0.0752, 1.0 / 3.0), (0.0754, 0.5)])
def test_a_strip_is_fine_where_the_estimate_is_sure_within_half_a_stop(doubt: float, step: float) -> None:
    """k = 2: twice 0.0753 is half of 0.301."""
    assert strip_round(Quantity(1.0, {Influence("x"): doubt})).step_stops == pytest.approx(step)


@pytest.mark.parametrize(
    ("has", "fit", "stops"),
    [(96.0, "fits", 0.09), (94.0, "too hard", 0.11), (114.0, "fits", -0.09), (116.0, "too soft", -0.11)],
)
def test_a_paper_of_known_range(has: float, fit: str, stops: float) -> None:
    found = known_range_fit(negative(), has, Printing())
    assert (found.name, found.fit, found.iso_range.value, found.iso_range.uncertainty) == (None, fit, has, None)
    assert found.difference_stops is not None
    assert_allclose(found.difference_stops.value, stops / math.log10(2.0), rtol=1e-9)
    unknown = known_range_fit(negative(highlight=None), has, Printing())
    assert (unknown.fit, unknown.difference_stops) == (None, None)


def test_what_is_not_known_of_the_negative_leaves_its_times_out() -> None:
    """T at 1.775, R 98.385 by eye (steps of 0.15 from 0.05)."""
    only_shadow = paper_fit(negative(highlight=None, base=None), paper(), Printing())
    assert only_shadow.highlight_time_s is None
    assert only_shadow.standard_time_s is None
    assert only_shadow.shadow_time_s is not None
    assert only_shadow.strip is not None
    assert_allclose(only_shadow.strip.seconds[2], only_shadow.shadow_time_s.value, rtol=1e-12)
    both = paper_fit(negative(), paper(), Printing())
    assert both.strip is not None
    assert both.highlight_time_s is not None
    assert_allclose(both.strip.seconds[2], both.highlight_time_s.value, rtol=1e-12)
    # 10 s 10^(1.45 - 1.775) is 4.7 s: too short to count, and by a curve not known as steep as its range has it, 2.0 at
    # 105.
    assert both.counted is not None
    assert_allclose(both.counted.density[0], 2.0 * 105.0 / 98.385 * math.log10(1.1), rtol=1e-6)
    neither = paper_fit(negative(shadow=None, highlight=None), paper(), Printing())
    assert (neither.strip, neither.counted, neither.fit) == (None, None, None)


def test_a_size_known_on_one_side_is_said_only_where_times_would_follow() -> None:
    enlarged = Printing(process="diffusion", magnification=3.0)
    assert [told.code for told in paper_fit(negative(), paper(), enlarged).warnings] == ["size-not-known"]
    assert paper_fit(negative(), paper(seconds=None), enlarged).warnings == ()
    assert paper_fit(negative(), paper(), Printing()).warnings == ()


def test_a_paper_of_another_range_is_as_much_less_steep() -> None:
    """Steps 4 and 17 give 1.80: 2.0 x 105 / 180."""
    soft = paper(last_black="4", first_white="17", seconds=3.0)
    found = paper_fit(negative(), soft, Printing())
    assert found.counted is not None
    assert_allclose(found.counted.density[1], 2.0 * 105.0 / soft.iso_range.value * math.log10(1.2), rtol=1e-6)


def test_a_change_is_put_together_of_its_parts() -> None:
    """Denser by 0.3, twice as long on the new paper, from 2 to 5 times the size: 10^0.3 x 2 x 4 of 5 s."""
    before = Before(
        seconds=5.0,
        negative=negative(0.40, 1.45),
        magnification=2.0,
        paper=paper(seconds=10.0),
    )
    printing = Printing(process="diffusion", magnification=5.0)
    found = change_from(before, negative(0.70, 1.75), paper(seconds=20.0), printing)
    assert found.size == pytest.approx(4.0)
    for part in (found.paper_shadow, found.paper_highlight):
        assert part is not None
        assert_allclose(part.value, 2.0, rtol=1e-9)
    for factor, time in ((found.shadow, found.shadow_time_s), (found.highlight, found.highlight_time_s)):
        assert factor is not None
        assert time is not None
        assert_allclose(factor.value, 10.0**0.3 * 8.0, rtol=1e-9)
        assert_allclose(time.value, 5.0 * 10.0**0.3 * 8.0, rtol=1e-9)
    assert found.strip is not None
    assert found.highlight_time_s is not None
    assert_allclose(found.strip.seconds[2], found.highlight_time_s.value, rtol=1e-9)
    assert found.counted is None  # 80 s


def test_a_change_of_which_nothing_is_known() -> None:
    found = change_from(Before(magnification=2.0), negative(), paper(), Printing())
    assert (found.size, found.paper_shadow, found.strip, found.counted) == (None, None, None, None)
    assert (found.shadow_time_s, found.highlight_time_s) == (None, None)
    assert found.shadow is not None
    assert found.shadow.value == pytest.approx(1.0)
    unread = change_from(Before(seconds=5.0, negative=negative(highlight=None)), negative(), None, Printing())
    assert unread.highlight is None
    assert unread.strip is not None
    assert unread.counted is not None
    assert_allclose(unread.counted.density[0], 2.0 * math.log10(1.1), rtol=1e-9)
