"""Split grade: two exposures that bring both ends of a negative to their tones."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import WrongUseError
from densiscan.paper.exposure import NegativeEnds, Printing
from densiscan.paper.plan import PrintSheet, print_plan
from densiscan.paper.split import _ADDED_UP, split_grade
from densiscan.paper.tested_range import Circumstances, PaperTest
from densiscan.report.printing import print_text
from tests.trials.split_rates import Emulsions, rates, stops_off


def filtered(name: str, highlight: float, shadow: float, *, seconds: float | None = 10.0) -> PaperTest:
    return PaperTest(
        method="points",
        circumstances=Circumstances(name=name, exposure_s=seconds),
        iso_range=Quantity(100.0 * (shadow - highlight)),
        shadow_log_exposure=Quantity(shadow),
        highlight_log_exposure=Quantity(highlight),
        black_log_exposure=None,
        base_plus_fog=None,
        maximum_black=None,
    )


SOFT, HARD = filtered("soft", -1.6, 0.0), filtered("hard", -1.2, -0.6)


def negative(shadow: float, highlight: float) -> NegativeEnds:
    return NegativeEnds(name="mill", shadow=Quantity(shadow), highlight=Quantity(highlight))


def times(one: NegativeEnds, soft: PaperTest = SOFT, hard: PaperTest = HARD) -> tuple[float, float]:
    split = split_grade(one, soft, hard, Printing())
    assert split.soft_time_s is not None
    assert split.hard_time_s is not None
    return split.soft_time_s.value, split.hard_time_s.value


def test_two_times_by_hand() -> None:
    # Through the soft filter the first tone takes 10 s x 10^(1.40 - 1.6) = 6.310 s, the black 10 s x 10^0.40 = 25.119;
    # through the hard one 15.849 s and 6.310 s. x / 6.310 + y / 15.849 = 1 gives y = 15.849 - 2.5119 x; in
    # x / 25.119 + y / 6.310 = 1 that is x (0.03981 - 0.39811) = 1 - 2.51189: x = 4.2197, y = 15.849 - 10.599 = 5.250.
    assert_allclose(times(negative(0.40, 1.40)), (4.2197, 5.2496), rtol=1e-3)  # the hand rounds to four figures


@given(st.floats(0.61, 1.59), st.floats(0.0, 1.0))
def test_both_ends_get_what_they_need(span: float, shadow: float) -> None:
    soft, hard = times(negative(shadow, shadow + span))
    for density, ends in ((shadow + span, (-1.6, -1.2)), (shadow, (0.0, -0.6))):
        alone = [10.0 * 10.0 ** (density + end) for end in ends]
        assert_allclose(soft / alone[0] + hard / alone[1], 1.0, rtol=1e-6)


def test_a_negative_of_a_filter_s_own_range_takes_that_filter_almost_alone() -> None:
    soft, hard = times(negative(0.40, 1.9999))
    assert_allclose(soft, 10.0 * 10.0**0.40, rtol=2e-3)
    assert hard < 0.02
    soft, hard = times(negative(0.40, 1.0001))
    assert_allclose(hard, 10.0 * 10.0**-0.20, rtol=2e-3)
    assert soft < 0.02


@pytest.mark.parametrize(("highlight", "beyond", "stops"), [(2.30, "softer", 1.0), (0.70, "harder", -1.0)])
def test_beyond_the_filters_there_is_no_split(highlight: float, beyond: str, stops: float) -> None:
    # 0.30 of log exposure beyond the range of 1.60, or short of that of 0.60: a stop
    split = split_grade(negative(0.40, highlight), SOFT, HARD, Printing())
    assert (split.beyond, split.soft_time_s, split.hard_time_s) == (beyond, None, None)
    assert split.difference_stops is not None
    assert_allclose(split.difference_stops.value, stops, atol=0.004)  # a stop is 0.301


def test_filters_the_wrong_way_round_and_without_seconds() -> None:
    with pytest.raises(WrongUseError, match="`soft` must be the filter of the longer range: hard has R 60, soft R 160"):
        split_grade(negative(0.40, 1.40), HARD, SOFT, Printing())
    with pytest.raises(WrongUseError, match="the test of untimed gives no seconds"):
        split_grade(negative(0.40, 1.40), SOFT, filtered("untimed", -1.2, -0.6, seconds=None), Printing())


def test_the_uncertainty_is_that_of_the_equations_moved() -> None:
    doubt, reading = 0.02, Influence("reading", "highlight")
    sure = negative(0.40, 1.40)
    unsure = NegativeEnds(name="mill", shadow=Quantity(0.40), highlight=Quantity(1.40, {reading: doubt}))
    split = split_grade(unsure, SOFT, HARD, Printing())
    moved = times(negative(0.40, 1.40 + 1e-4))
    for time, after, before in zip((split.soft_time_s, split.hard_time_s), moved, times(sure), strict=True):
        assert time is not None
        assert time.standard_uncertainty is not None
        assert time.parts is not None
        # the slope is taken over 1e-4 in both
        assert_allclose(abs(time.parts[reading]), abs(after - before) / 1e-4 * doubt, rtol=2e-3)


@pytest.mark.parametrize("lags", [(0.0, 0.6), (0.0, 0.35, 0.8), (0.1, 0.3, 0.5, 0.9)])
@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_a_paper_of_several_emulsions_is_met(lags: tuple[float, ...], share: float) -> None:
    # The forward model shares nothing with the equations: it adds light within each emulsion, not shares at a tone.
    paper = Emulsions(lags=lags, shares=(1.0 / len(lags),) * len(lags), steep=2.2)
    off = stops_off(paper, share)
    assert off is not None
    # half a band of a test strip in the highlights, which a print is exposed for, and one and a half in the shadows
    assert abs(off[0]) < 1.0 / 6.0
    assert abs(off[1]) < 0.5


def test_what_the_doubt_says_covers_made_up_papers() -> None:
    off = rates(seed=23, papers=10)
    expanded = 2.0 * np.array([_ADDED_UP["highlight"], _ADDED_UP["shadow"]]) / math.log10(2.0)
    # about 95 in 100 by its meaning; three in four of so few are asked for
    assert len(off) >= 4
    assert np.all(np.mean(np.abs(off) <= expanded, axis=0) >= 0.75)


def test_what_is_printed_leads_with_both_times() -> None:
    one = negative(0.40, 1.40)
    sheet = PrintSheet(negative=one, printing=Printing(), split=split_grade(one, SOFT, HARD, Printing()))
    assert "Split grade: 4.2 ± 0.7 s through soft, then 5.2 ± 1.5 s through hard." in " ".join(
        print_text([sheet]).split()
    )
    (plan,) = print_plan([sheet])
    assert (plan.paper, plan.prints[0].seconds, plan.sheets, plan.proof) == ("soft and hard", None, (), None)
    two = print_text([sheet, sheet])
    assert two.startswith("Split grade: soft first, then hard\n")
    assert "4.2 s + 5.2 s" in two


def test_beyond_the_filters_the_filter_to_take_is_named() -> None:
    one = negative(0.40, 2.30)
    sheet = PrintSheet(negative=one, printing=Printing(), split=split_grade(one, SOFT, HARD, Printing()))
    words = " ".join(print_text([sheet]).split())
    assert "No split: it needs softer than soft gives, by 1.0 stops. Use that filter alone." in words
