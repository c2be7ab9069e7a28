"""A family of film tests by hand: two points make the law, and their doubts are its doubts there."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.expected import usual_film_range
from densiscan.development.family import Family, Member, family_of
from densiscan.errors import MeasureError

LIMIT, RATE = 0.95, 1.0 / 450.0
RUNS_SCATTER = 0.035
"""Relative, common practice; see `development_prior`."""


def law(time: float, wait: float = 0.0) -> float:
    return LIMIT * -math.expm1(-RATE * (time - wait))


def member(
    time: float,
    contrast: float | None,
    u: float | None = 0.01,
    *,
    measure: str = "average_gradient",
    speed: float | None = None,
) -> Member:
    """A film test of which one figure is known; the others are not."""
    figures: dict[str, Quantity | None] = dict.fromkeys(("average_gradient", "contrast_index", "gamma"))
    if contrast is not None:
        figures[measure] = Quantity(contrast, None if u is None else {Influence("reading", f"{time}"): u})
    return Member(
        name=f"{time:g} s",
        time_s=time,
        test=cast("Any", SimpleNamespace(speed_log_exposure=None if speed is None else Quantity(speed), **figures)),
    )


def family(*times: float, u: float = 0.01, target: float = 0.58) -> Family:
    return family_of([member(time, law(time), u) for time in times], target=target)


def known(quantity: Quantity | None) -> Quantity:
    assert quantity is not None
    return quantity


def test_two_developments_make_the_law() -> None:
    found = family(300.0, 600.0)
    assert_allclose((found.law.contrast_limit, found.law.rate_per_s, found.law.wait_s), (LIMIT, RATE, 0.0), rtol=1e-6)
    assert not found.wait_fitted
    for time in (200.0, 300.0, 450.0, 900.0):
        assert_allclose(found.contrast_at(time).value, law(time), rtol=1e-6)


def test_the_law_is_as_sure_as_its_points() -> None:
    """Through two points at their places: the reading, and 3.5 % that runs differ by."""
    found = family(300.0, 600.0)
    for time in (300.0, 600.0):
        wanted = math.hypot(0.01, RUNS_SCATTER * law(time))
        # To first order; finite differences over one standard deviation add some per cent.
        assert_allclose(found.contrast_at(time).standard_uncertainty or 0.0, wanted, rtol=0.05)
    assert (found.contrast_at(1200.0).uncertainty or 0.0) > 2.0 * (found.contrast_at(600.0).uncertainty or 0.0)


def test_times_and_their_doubt() -> None:
    """u(t) = u(G) / (dG/dt), and dG/dt is k (Ginf - G)."""
    found = family(300.0, 600.0, target=law(600.0))
    row = next(row for row in found.table if row.contrast_stops == 0)
    time = known(row.time_s)
    assert_allclose(time.value, 600.0, rtol=1e-6)
    slope = RATE * (LIMIT - law(600.0))
    wanted = math.hypot(0.01, RUNS_SCATTER * law(600.0)) / slope
    assert_allclose(time.standard_uncertainty or 0.0, wanted, rtol=0.15)  # a third of the time: hardly of first order


def test_stops_of_contrast() -> None:
    """N-1 makes a subject a stop longer than the average fill the same paper, N+1 one that is a stop shorter."""
    found = family(300.0, 900.0)
    assert [row.contrast_stops for row in found.table] == [-2, -1, 0, 1, 2]
    for row in found.table:
        assert_allclose(row.scene_stops, 22.0 / 3.0 - row.contrast_stops, rtol=1e-12)
        assert_allclose(row.contrast * usual_film_range(row.scene_stops), 0.58 * 1.85, rtol=1e-9)
        wanted = -math.log(1.0 - row.contrast / LIMIT) / RATE
        assert_allclose(known(row.time_s).value, wanted, rtol=1e-5)


def test_exposure_goes_with_contrast() -> None:
    """By common practice a third of a stop a step; by speed points that fall 0.3 where contrast doubles, a stop."""
    assert [round(row.speed_stops, 3) for row in family(300.0, 900.0).table] == [-0.667, -0.333, 0.0, 0.333, 0.667]
    tested = family_of([member(time, 0.4 * 2.0**at, speed=-2.0 - 0.3 * at) for at, time in enumerate((300.0, 900.0))])
    assert tested.speed_tested
    for row in tested.table:
        assert_allclose(row.speed_stops, math.log2(row.contrast / 0.58), rtol=0.01)  # a stop is 0.30, nearly log10 2


@pytest.mark.parametrize(
    ("wanted_s", "told", "note"),
    [
        (149.0, False, "below half the shortest tested"),
        (151.0, True, "outside the times tested, short"),
        (299.0, True, "outside the times tested, short"),
        (301.0, True, ""),
        (599.0, True, ""),
        (601.0, True, "outside the times tested"),
        (899.0, True, "outside the times tested"),
        (901.0, False, "beyond 1.5 times the longest tested"),
    ],
)
def test_what_is_told_of_a_time(wanted_s: float, told: bool, note: str) -> None:
    """Tested at 5 and 10 minutes: from half the one to one and a half of the other, and short below 5 minutes."""
    found = family(300.0, 600.0, target=law(wanted_s))
    row = next(row for row in found.table if row.contrast_stops == 0)
    assert (row.time_s is not None, row.note) == (told, note)


def test_short_times_within_those_tested_are_called_short_and_warned_of() -> None:
    found = family(200.0, 400.0, target=law(290.0))
    assert next(row.note for row in found.table if row.contrast_stops == 0) == "short"
    assert [warning.code for warning in found.warnings] == ["short-time"]
    long = family(600.0, 1200.0, target=law(900.0))
    assert long.warnings == ()


def test_a_contrast_that_the_film_never_reaches() -> None:
    found = family(300.0, 600.0, target=1.01 * LIMIT)
    notes = {row.contrast_stops: row.note for row in found.table}
    assert (notes[0], notes[2]) == ("never reached", "never reached")


def test_four_times_tell_the_wait_and_three_do_not() -> None:
    waiting = [member(time, law(time, 40.0)) for time in (240.0, 360.0, 540.0, 780.0)]
    found = family_of(waiting)
    assert found.wait_fitted
    assert_allclose((found.law.wait_s, found.law.contrast_limit), (40.0, LIMIT), rtol=1e-4)
    assert found.covariance.shape == (3, 3)
    for time in (300.0, 540.0, 700.0):
        assert_allclose(found.contrast_at(time).value, law(time, 40.0), rtol=1e-4)
    for row in found.table:
        if row.time_s is not None:
            wanted = 40.0 - math.log(1.0 - row.contrast / LIMIT) / RATE
            assert_allclose(row.time_s.value, wanted, rtol=1e-4)
    assert not family_of(waiting[:3]).wait_fitted
    none = family(240.0, 360.0, 540.0, 780.0)
    assert not none.wait_fitted
    assert none.law.wait_s == 0.0


def test_a_doubtful_development_weighs_little() -> None:
    members = [member(300.0, law(300.0)), member(600.0, law(600.0)), member(900.0, law(900.0) - 0.2, 2.0)]
    found = family_of(members)
    assert_allclose(found.contrast_at(600.0).value, law(600.0), rtol=1e-3)
    even = family_of([*members[:2], member(900.0, law(900.0) - 0.05)])
    assert abs(even.contrast_at(600.0).value - law(600.0)) > 0.005


def test_the_order_of_the_curves_does_not_matter() -> None:
    found = family_of([member(time, law(time)) for time in (600.0, 300.0)], temperature_c=22.0, use=2)
    assert [point.time_s for point in found.contrasts] == [300.0, 600.0]
    assert_allclose([point.contrast.value for point in found.contrasts], [law(300.0), law(600.0)], rtol=1e-12)
    assert {(point.temperature_c, point.use) for point in found.contrasts} == {(22.0, 2)}
    assert [one.name for one in found.members] == ["300 s", "600 s"]


@pytest.mark.parametrize("measure", ["average gradient", "contrast index", "gamma"])
def test_the_first_contrast_that_all_curves_have(measure: str) -> None:
    attribute = measure.replace(" ", "_")
    found = family_of([member(time, law(time), measure=attribute) for time in (300.0, 600.0)])
    assert found.measure == measure
    mixed = [member(300.0, law(300.0), measure=attribute), member(600.0, None)]
    with pytest.raises(MeasureError, match="have no contrast that can be read on all"):
        family_of(mixed)


def test_contrast_must_grow_by_more_than_chance() -> None:
    with pytest.raises(MeasureError, match=r"does not grow from 300 s \(0\.50\) to 600 s \(0\.51\)"):
        family_of([member(300.0, 0.50), member(600.0, 0.509)])
    assert family_of([member(300.0, 0.50), member(600.0, 0.511)]).law.contrast_limit < 0.52


def test_no_doubt_stated_is_that_of_runs() -> None:
    found = family_of([member(time, law(time), None) for time in (300.0, 600.0)])
    assert_allclose(found.contrast_at(300.0).standard_uncertainty or 0.0, RUNS_SCATTER * law(300.0), rtol=0.05)
