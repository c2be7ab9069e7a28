"""A run against what was expected of it: known deviations come back, ordinary runs surprise no one, two are told of."""

from __future__ import annotations

import math

import numpy as np
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.run import Run
from densiscan.development.surprise import FEWEST_BEFORE, Surprise, surprise_of, surprise_words


def a_run(number: int, density_range: float, film: str = "Meadow-100") -> Run:
    return Run(
        number=number,
        film=film,
        developer="Borax",
        date=f"2026-{1 + number // 28:02d}-{1 + number % 28:02d}",
        time_s=480.0,
        temperature_c=20.0,
        scene_stops=22.0 / 3.0,
        density_ranges=(Quantity(density_range, {Influence("reading"): 0.01}),),
    )


def runs(count: int, seed: int, last: float = 0.0) -> list[Run]:
    off = 0.06 * np.random.default_rng(seed).standard_normal(count)
    off[-1] += last
    return [a_run(number, 1.05 * math.exp(float(by))) for number, by in enumerate(off, start=1)]


def test_nothing_is_expected_of_a_film_hardly_known() -> None:
    assert surprise_of(runs(FEWEST_BEFORE, 1)) is None
    assert surprise_of([]) is None
    assert surprise_of(runs(FEWEST_BEFORE + 1, 1)) is not None


def test_a_run_that_came_out_otherwise_is_told_by_how_much() -> None:
    # Ten runs of 6 % scatter tell their mean to 2 %: the last one's own 6 % and that are what a ratio is doubted by.
    off = 0.06 * np.random.default_rng(5).standard_normal(11)
    found = surprise_of(runs(11, 5, last=0.30))
    assert found is not None
    assert_allclose(math.log(found.ratio), 0.30 + off[-1] - off[:-1].mean(), rtol=0, atol=0.04)
    assert found.deviate > 2.5


def test_deviates_of_ordinary_runs_are_those_of_the_normal_law() -> None:
    told = [surprise_of(runs(9, seed)) for seed in range(100, 130)]
    deviates = np.array([one.deviate for one in told if one is not None])
    # The scatter of thirty is known to 13 % (k = 1); the advice is a cautious one, whose intervals of 95 % hold 97.5 %.
    assert 0.55 < float(np.sqrt(np.mean(deviates**2))) < 1.3


def surprise(number: int, ratio: float, deviate: float, film: str = "Meadow-100") -> Surprise:
    return Surprise(run=a_run(number, 1.0, film), ratio=ratio, deviate=deviate)


def test_two_runs_are_told_of_where_chance_hardly_does_it() -> None:
    # 2.6 times the root of two is 3.68.
    assert surprise_words([surprise(7, 1.2, 1.8), surprise(8, 1.2, 1.8)]) == ""
    assert surprise_words([surprise(8, 1.5, 4.0)]) == ""
    assert surprise_words([surprise(7, 1.22, 2.2), surprise(8, 1.25, 2.2)]) == (
        "Runs 7 and 8 both gave more contrast than was to be expected, by 22 % and 25 %. Film, thermometer, developer, "
        "agitation?"
    )
    assert surprise_words([surprise(7, 0.8, -2.2), surprise(8, 0.7, -2.6, "Box-200")]) == (
        "Runs 7 and 8 both gave less contrast than was to be expected, by 20 % and 30 %. Thermometer, developer, "
        "agitation?"
    )
    assert surprise_words([surprise(7, 1.03, 0.4), surprise(8, 0.6, -4.9)]).startswith("Run 8 gave 40 % less contrast")
    assert surprise_words([surprise(7, 0.6, -4.9), surprise(8, 1.03, 0.4)]) == "", "told the evening before"


def test_the_run_before_of_the_same_film_counts_as_that_of_the_evening_before() -> None:
    same, other, here = surprise(5, 0.8, -2.2), surprise(7, 1.0, 0.3, "Box-200"), surprise(8, 0.75, -2.3)
    assert surprise_words([other, here]) == ""
    assert surprise_words([same, other, here]).startswith("Runs 5 and 8 both gave less contrast")
