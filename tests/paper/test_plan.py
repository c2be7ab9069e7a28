"""The plan of an evening's printing: by paper, shared contact sheets, the proof."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Quantity
from densiscan.paper.exposure import NegativeEnds, Printing, best_first, paper_fit
from densiscan.paper.plan import TOGETHER_STOPS, PlannedPrint, PrintSheet, print_plan, shared_sheets
from densiscan.paper.tested_range import Circumstances, PaperTest, paper_by_eye
from tests.support.made_up import certified_wedge


def paper(name: str, black: str, white: str) -> PaperTest:
    """A paper tested with a wedge of 0.15 a step from 0.05, exposed 10 s."""
    about = Circumstances(name=name, exposure_s=10.0)
    return paper_by_eye(certified_wedge(), last_black=black, first_white=white, circumstances=about)


def sheet(name: str, shadow: float, highlight: float, *papers: PaperTest) -> PrintSheet:
    ends = NegativeEnds(name=name, shadow=Quantity(shadow), highlight=Quantity(highlight), base_plus_fog=Quantity(0.20))
    fits = best_first([paper_fit(ends, one, Printing()) for one in papers])
    return PrintSheet(negative=ends, printing=Printing(), fits=fits)


def planned(name: str, seconds: float | None) -> PlannedPrint:
    return PlannedPrint(
        negative=name,
        seconds=None if seconds is None else Quantity(seconds),
        strip=None,
        fit=None,
        difference_stops=None,
    )


SOFT = paper("soft", "5", "13")
HARD = paper("hard", "6", "11")


def test_each_negative_goes_to_the_paper_that_fits_it_and_times_rise() -> None:
    sheets = [
        sheet("long, dense", 0.60, 1.75, SOFT, HARD),
        sheet("long", 0.40, 1.55, SOFT, HARD),
        sheet("short", 0.40, 1.10, SOFT, HARD),
    ]
    first, second = print_plan(sheets)
    assert (first.paper, [one.negative for one in first.prints]) == ("soft", ["long", "long, dense"])
    assert (second.paper, [one.negative for one in second.prints]) == ("hard", ["short"])
    # 0.20 denser throughout: 10 ** 0.20 = 1.585 times the time.
    short, long = (one.seconds for one in first.prints)
    assert short is not None
    assert long is not None
    assert_allclose(long.value / short.value, 1.585, rtol=1e-3)


def test_a_sheet_is_shared_within_half_a_stop_either_way() -> None:
    # 10 s and 20 s are a stop apart: 14.1 s is half a stop off each. 21 s is a sheet of its own.
    one, other = shared_sheets([planned("a", 10.0), planned("b", 14.0), planned("c", 20.0), planned("d", 21.0)])
    assert one.negatives == ("a", "b", "c")
    assert_allclose(one.seconds, 14.142, atol=1e-3)
    assert_allclose(one.off_stops, [0.5, 0.0146, -0.5], atol=1e-3)
    assert (other.negatives, other.off_stops) == (("d",), (0.0,))


def test_what_has_no_time_is_on_no_sheet() -> None:
    assert shared_sheets([planned("a", None)]) == ()


@given(st.lists(st.floats(0.5, 500.0), min_size=1, max_size=20))
def test_no_frame_is_further_off_than_allowed_and_none_is_lost(times: list[float]) -> None:
    ordered = sorted(times)
    sheets = shared_sheets([planned(str(number), seconds) for number, seconds in enumerate(ordered)])
    assert [name for one in sheets for name in one.negatives] == [str(number) for number in range(len(times))]
    for one in sheets:
        for name, off in zip(one.negatives, one.off_stops, strict=True):
            # off is by definition log2 of the sheet's time over its own
            assert_allclose(off, math.log2(one.seconds / ordered[int(name)]), atol=1e-9)
            assert abs(off) <= TOGETHER_STOPS + 1e-6
    # the first of any sheet does not fit on the one before
    for before, after in pairwise(sheets):
        begins, first = ordered[int(before.negatives[0])], ordered[int(after.negatives[0])]
        assert math.log2(first / begins) > 2.0 * TOGETHER_STOPS


def test_the_proof_is_exposed_for_the_rebate_and_thin_frames_look_dark_in_it() -> None:
    thin, right, dense = (
        sheet(name, highlight - 1.10, highlight, SOFT)
        for name, highlight in (("thin", 1.0), ("right", 1.5), ("dense", 2.0))
    )
    (plan,) = print_plan([thin, right, dense])
    assert plan.proof is not None
    standard = thin.fits[0].standard_time_s
    assert standard is not None
    assert_allclose(plan.proof.seconds.value, standard.value)
    off = {frame.negative: frame.off_stops for frame in plan.proof.frames}
    # 0.50 of density is 1.66 stops of exposure
    assert_allclose([off["thin"] - off["right"], off["right"] - off["dense"]], [1.661, 1.661], atol=2e-3)
    looks = {frame.negative: frame.look for frame in plan.proof.frames}
    assert looks["dense"] == "light"
    assert looks["thin"] == ("dark" if off["thin"] > 0.5 else "right" if off["thin"] >= -0.5 else "light")


def test_negatives_without_a_paper_are_listed_without_a_time() -> None:
    (plan,) = print_plan([sheet("alone", 0.40, 1.45)])
    assert (plan.paper, plan.prints[0].seconds, plan.sheets, plan.proof) == (None, None, (), None)


def test_a_time_from_a_print_that_came_out_right_goes_before_one_from_a_test() -> None:
    from densiscan.paper.exposure import Before, change_from

    one = sheet("mill", 0.40, 1.45, SOFT)
    change = change_from(Before(seconds=8.0), one.negative, SOFT, Printing())
    (plan,) = print_plan([PrintSheet(negative=one.negative, printing=Printing(), fits=one.fits, change=change)])
    seconds = plan.prints[0].seconds
    assert seconds is not None
    assert seconds.value == pytest.approx(8.0)
