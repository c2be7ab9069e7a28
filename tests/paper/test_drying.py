"""Dry-down: stated, or from one print read wet and dry; how it changes the next exposure."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Quantity
from densiscan.errors import PaperTestError, WrongUseError
from densiscan.paper.drying import dried, percent_off, stated_dry_down
from densiscan.paper.exposure import Before, NegativeEnds, Printing, change_from, paper_fit
from densiscan.paper.file import paper_document, paper_from_document
from densiscan.paper.plan import PrintSheet
from densiscan.paper.tested_range import Circumstances, PaperTest, paper_by_eye
from densiscan.report.paper import paper_text
from densiscan.report.printing import print_text
from tests.support.made_up import certified_wedge

NEGATIVE = NegativeEnds(name="mill", shadow=Quantity(0.40), highlight=Quantity(1.45))


def counted(first_white: str) -> PaperTest:
    about = Circumstances(name="old-box", exposure_s=10.0)
    return paper_by_eye(certified_wedge(), last_black="5", first_white=first_white, circumstances=about)


WET, DRY = counted("13"), counted("14")


def test_an_eighth_less_time_is_a_fifth_of_a_stop() -> None:
    # 2 to the power -0.1926 is 0.875
    assert_allclose(stated_dry_down(12.5).value, 0.1926, atol=1e-4)
    assert_allclose(stated_dry_down(50.0).value, 1.0)
    # half a per cent to either side, evenly: 0.29 per cent, times 0.01 / 0.9 / ln 2 at a tenth
    assert_allclose(stated_dry_down(10.0).standard_uncertainty or 0.0, 0.5 / 3.0**0.5 * 0.01 / 0.9 / 0.6931, rtol=1e-3)


@given(st.floats(0.0, 50.0))
def test_per_cent_and_stops_are_one_thing(percent: float) -> None:
    assert_allclose(percent_off(stated_dry_down(percent).value), percent, atol=1e-9)


@pytest.mark.parametrize("percent", [-1.0, 51.0, 95.0])
def test_what_is_no_dry_down(percent: float) -> None:
    with pytest.raises(WrongUseError, match="is not a dry-down"):
        stated_dry_down(percent)


def test_a_step_of_the_wedge_is_half_a_stop() -> None:
    # The first white step moves from 13 to 14, 0.15 in density: 0.15 / 0.301 = 0.498 stop.
    test = dried(DRY, WET)
    assert test.dry_down_stops is not None
    assert_allclose(test.dry_down_stops.value, 0.498, atol=1e-3)
    # both ends are doubted, the wet one as much as the dry one, and neither doubt takes the other away
    ends = (DRY.highlight_log_exposure, WET.highlight_log_exposure)
    both = sum((one.standard_uncertainty or 0.0) ** 2 for one in ends) ** 0.5 / 0.30103
    assert_allclose(test.dry_down_stops.standard_uncertainty or 0.0, both, rtol=1e-6)


def test_paper_does_not_dry_lighter() -> None:
    with pytest.raises(PaperTestError, match="paper dries darker"):
        dried(counted("11"), counted("15"))


def test_it_is_kept_with_the_paper_and_said() -> None:
    test = dried(DRY, WET)
    kept = paper_from_document(paper_document(test))
    assert kept.dry_down_stops is not None
    assert test.dry_down_stops is not None
    assert_allclose(kept.dry_down_stops.value, test.dry_down_stops.value)
    assert "judged wet, give 29 % less" in " ".join(paper_text(test).split())  # 1 - 2 to the power -0.498
    old = {name: value for name, value in paper_document(DRY).items() if name != "dry_down_stops"}
    assert paper_from_document(old).dry_down_stops is None


def test_times_of_a_paper_test_are_those_of_the_dry_print() -> None:
    plain, dries = (paper_fit(NEGATIVE, one, Printing()) for one in (DRY, dried(DRY, WET)))
    assert plain.highlight_time_s is not None
    assert dries.highlight_time_s is not None
    assert_allclose(dries.highlight_time_s.value, plain.highlight_time_s.value)
    words = " ".join(print_text([PrintSheet(negative=NEGATIVE, printing=Printing(), fits=(dries,))]).split())
    assert "times are for the dry print; if you judge the strip wet, give 29 % less" in words
    assert "dry-down" not in print_text([PrintSheet(negative=NEGATIVE, printing=Printing(), fits=(plain,))])


def test_a_print_judged_wet_is_given_less() -> None:
    from dataclasses import replace

    paper = replace(DRY, dry_down_stops=stated_dry_down(10.0))
    change = change_from(Before(seconds=20.0, judged_wet=True), NEGATIVE, paper, Printing())
    assert change.highlight_time_s is not None
    assert change.shadow_time_s is not None
    assert_allclose([change.highlight_time_s.value, change.shadow_time_s.value], 18.0)
    sheet = PrintSheet(negative=NEGATIVE, printing=Printing(), change=change)
    assert "10 % less, in these figures already: it was judged wet" in " ".join(print_text([sheet]).split())


def test_the_dry_down_is_that_of_the_paper_that_was_judged() -> None:
    from dataclasses import replace

    old, new = (replace(DRY, dry_down_stops=stated_dry_down(percent)) for percent in (20.0, 5.0))
    change = change_from(Before(seconds=10.0, judged_wet=True, paper=old), NEGATIVE, new, Printing())
    assert change.highlight_time_s is not None
    assert_allclose(change.highlight_time_s.value, 8.0)  # the two papers are alike but for that


@pytest.mark.parametrize(("paper", "missing"), [(None, "name the paper with `paper`"), (DRY, "state its `dry_down`")])
def test_judged_wet_without_a_dry_down(paper: PaperTest | None, missing: str) -> None:
    with pytest.raises(WrongUseError, match=missing):
        change_from(Before(seconds=10.0, judged_wet=True), NEGATIVE, paper, Printing())
