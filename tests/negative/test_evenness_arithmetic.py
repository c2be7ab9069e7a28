"""Borders of film drawn by hand: what a mask throws on them is left out, a leak is not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_array_equal

from densiscan.negative.trouble.finding import Limits
from densiscan.negative.trouble.ground import Strip
from densiscan.negative.trouble.leaks import _without_shadow, outer_of

Floats = npt.NDArray[np.float64]

LIMITS = Limits(slope=0.01, local=0.02, lamp=0.001)
DEPTH_MM: Floats = np.linspace(0.25, 7.75, 16)
"""8 mm in bins of 0.5 mm."""
ALONG_MM: Floats = np.linspace(0.5, 59.5, 60)


def strip(excess: Floats) -> Strip:
    return Strip(side="left", excess=excess, depth_mm=DEPTH_MM, along_mm=ALONG_MM, masked=True)


def shadow(depth_mm: float, *, height: float = 0.05, places: slice = slice(None)) -> Floats:
    excess = np.zeros((DEPTH_MM.size, ALONG_MM.size))
    excess[depth_mm > DEPTH_MM, places] = height
    return excess


@pytest.mark.parametrize("depth_mm", [0.5, 1.5, 2.5])
def test_the_shadow_of_a_mask_is_left_out(depth_mm: float) -> None:
    """Denser along all of the side and gone within 3 mm: that depth and one bin more are not judged."""
    left = _without_shadow(strip(shadow(depth_mm)), LIMITS).excess
    gone = int(np.count_nonzero(depth_mm > DEPTH_MM)) + 1
    assert_array_equal(np.isnan(left[:gone]), np.ones((gone, ALONG_MM.size), dtype=bool))
    assert_array_equal(left[gone:], 0.0)


@pytest.mark.parametrize(
    "excess",
    [
        shadow(3.5),  # too deep for a mask
        shadow(8.0),  # all the way in
        shadow(2.0, height=0.009),  # less than half of what counts
        shadow(2.0, places=slice(0, 25)),  # along less than half of the side: a leak
        np.full((DEPTH_MM.size, ALONG_MM.size), np.nan),  # nothing is judged there
    ],
    ids=["deep", "whole", "faint", "leak", "nothing"],
)
def test_what_is_no_shadow_stays(excess: Floats) -> None:
    whole = strip(excess)
    assert _without_shadow(whole, LIMITS) is whole


def test_a_shadow_over_all_that_is_seen_is_left_out_where_little_is_seen() -> None:
    """Only 2.5 mm of rebate are seen, all of them denser: they may be the mask's."""
    excess = shadow(2.5)
    excess[DEPTH_MM > 2.5] = np.nan
    assert np.isnan(_without_shadow(strip(excess), LIMITS).excess).all()
    deeper = shadow(3.5)
    deeper[DEPTH_MM > 3.5] = np.nan
    assert np.isfinite(_without_shadow(strip(deeper), LIMITS).excess).any()


def test_the_outermost_film_that_is_seen_is_told_place_by_place() -> None:
    """The mean of the first bins that are seen; a place of which nothing is seen tells nothing."""
    excess = np.zeros((DEPTH_MM.size, ALONG_MM.size))
    excess[:, 10] = np.nan
    excess[0, 20] = np.nan
    excess[1:3, 20] = 0.3
    found = outer_of(strip(excess))
    assert np.isnan(found[10])
    assert found[20] == pytest.approx(0.3)
    assert found[0] == 0.0
    none = Strip(side="left", excess=np.empty((0, 60)), depth_mm=np.empty(0), along_mm=ALONG_MM)
    assert np.isnan(outer_of(none)).all()
