"""Dodging and burning: what a place prints as, and the stops and seconds to another tone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import WrongUseError
from densiscan.paper.exposure import NegativeEnds, Printing, paper_fit
from densiscan.paper.places import NamedPlace, PrintedPlace
from densiscan.paper.plan import PrintSheet, printed_places
from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest, paper_by_eye, paper_from_points
from densiscan.report.printing import print_text
from tests.support.made_up import certified_wedge

TONES = (0.06, 0.06, 0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.86, 1.86, 1.86)
"""Print densities at log exposures from -2.4 to 0 in steps of 0.2."""
NEGATIVE = NegativeEnds(name="mill", shadow=Quantity(0.50), highlight=Quantity(1.40), base_plus_fog=Quantity(0.25))


def paper(name: str = "old-box") -> PaperTest:
    points = [
        PaperPoint(log_exposure=Quantity(-2.4 + 0.2 * number), density=Quantity(tone))
        for number, tone in enumerate(TONES)
    ]
    return paper_from_points(points, Circumstances(name=name, exposure_s=100.0))


PAPER = paper()
SHEET = PrintSheet(negative=NEGATIVE, printing=Printing(), fits=(paper_fit(NEGATIVE, PAPER, Printing()),))


def place(density: float, wanted: float | None, sheet: PrintSheet = SHEET) -> PrintedPlace:
    (one,) = printed_places(sheet, [PAPER], [NamedPlace(name="sky", density=Quantity(density), wanted=wanted)])
    return one


def test_the_highlight_itself_prints_as_the_first_tone() -> None:
    assert_allclose(place(1.40, None).print_density.value, 0.06 + 0.04, atol=2e-3)  # T is a mean over the doubts


def test_burning_by_hand() -> None:
    # The print is timed so that 1.40 gets the first tone, 0.10, at log exposure T. A sky of 1.60 gets 0.20 less than T.
    # For 0.40, which the paper has at -1.4, it lacks -1.4 - T + 0.20, in stops of 0.301.
    first = PAPER.highlight_log_exposure.value
    one = place(1.60, 0.40)
    assert one.stops is not None
    assert_allclose(one.stops.value, (-1.4 - first + 0.20) / 0.30103, atol=2e-3)
    # 100 s stand for log exposure 0: the whole time is 100 s x 10^(1.60 - 1.4)
    time = SHEET.fits[0].highlight_time_s
    assert time is not None
    assert one.seconds is not None
    assert_allclose(one.seconds.value, 100.0 * 10.0**0.2 - time.value, rtol=1e-3)
    assert one.end == "white"


def test_dodging_is_the_other_way() -> None:
    one = place(0.80, 0.86)
    assert one.stops is not None
    assert one.seconds is not None
    time = SHEET.fits[0].highlight_time_s
    assert time is not None
    # 0.86 stands at log exposure -1.2: 100 s x 10^(0.80 - 1.2) = 39.8 s of the print's time
    assert_allclose(time.value + one.seconds.value, 39.81, rtol=1e-3)
    assert one.stops.value < 0.0
    assert one.end is None


@given(st.floats(0.6, 1.8), st.sampled_from([0.16, 0.40, 0.86, 1.38]))
def test_stops_and_seconds_say_the_same(density: float, wanted: float) -> None:
    one, time = place(density, wanted), SHEET.fits[0].highlight_time_s
    assert one.stops is not None
    assert one.seconds is not None
    assert time is not None
    assert_allclose(one.seconds.value, time.value * (2.0**one.stops.value - 1.0), rtol=1e-9, atol=1e-9)
    # given that much, the place prints as wanted
    again = place(density - one.stops.value * 0.30103, None)
    assert_allclose(again.print_density.value, wanted, atol=2e-3)


def test_the_doubt_of_the_place_is_in_the_stops() -> None:
    sky = Quantity(1.60, {Influence("reading", "sky"): 0.01})
    (one,) = printed_places(SHEET, [PAPER], [NamedPlace(name="sky", density=sky, wanted=0.40)])
    assert one.stops is not None
    assert one.stops.parts is not None
    assert_allclose(one.stops.parts[Influence("reading", "sky")], 0.01 / 0.30103, rtol=1e-3)


@pytest.mark.parametrize("wanted", [0.07, 1.9, 3.0])
def test_a_tone_that_the_paper_does_not_have(wanted: float) -> None:
    with pytest.raises(WrongUseError, match=r"sky: the tones of this paper lie between 0\.10 and 1\.82"):
        place(1.60, wanted)


def test_a_paper_counted_by_eye_has_no_curve() -> None:
    about = Circumstances(name="counted", exposure_s=10.0)
    counted = paper_by_eye(certified_wedge(), last_black="5", first_white="13", circumstances=about)
    sheet = PrintSheet(negative=NEGATIVE, printing=Printing(), fits=(paper_fit(NEGATIVE, counted, Printing()),))
    with pytest.raises(WrongUseError, match="needs the curve of counted"):
        printed_places(sheet, [counted], [NamedPlace(name="sky", density=Quantity(1.60))])


def test_without_a_time_there_is_nothing_to_burn() -> None:
    with pytest.raises(WrongUseError, match="needs the time of one exposure"):
        printed_places(PrintSheet(negative=NEGATIVE, printing=Printing()), [], [])


def test_it_is_said_in_stops_and_seconds() -> None:
    from dataclasses import replace

    wanted = [("sky", 1.60, 0.40), ("face", 0.80, 0.86), ("rock", 0.10, None)]
    places = [NamedPlace(name=name, density=Quantity(density), wanted=tone) for name, density, tone in wanted]
    words = " ".join(print_text([replace(SHEET, places=printed_places(SHEET, [PAPER], places))]).split())
    assert "sky prints as bare paper. For 0.40 burn it in by" in words
    assert "face prints as" in words
    assert "dodge it by" in words
    assert "rock prints as full black" in words
