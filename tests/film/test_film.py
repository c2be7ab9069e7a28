"""The film test: exact on films that can be worked out by hand, near the truth on others, and what it refuses."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import MeasureError
from densiscan.film import definitions
from densiscan.film.reciprocity import LongExposure, fit_reciprocity
from densiscan.film.speed_and_contrast import CurvePoint, FilmAim, FilmTest, Reference, film_test

Floats = npt.NDArray[np.float64]
WEDGE: Floats = np.linspace(-3.0, 0.0, 21)
"""Log exposures behind a 21-step wedge of half stops."""


X: Floats = np.linspace(-3.0, 1.0, 401)

SLOPE = 0.6


def points(
    x: Sequence[float] | Floats, densities: Sequence[float] | Floats, u: float | None = None
) -> list[CurvePoint]:
    return [
        CurvePoint(
            step=f"{number + 1}",
            log_exposure=Quantity(float(place)),
            density=Quantity(float(density), None if u is None else {Influence("reading", f"{number}"): u}),
        )
        for number, (place, density) in enumerate(zip(x, densities, strict=True))
    ]


def straight(slope: float, inertia: float, x: Floats = WEDGE, base: float = 0.23) -> Floats:
    """A film without toe and shoulder: base plus fog up to the inertia, then a straight line."""
    return np.asarray(base + slope * np.maximum(x - inertia, 0.0))


def value(quantity: Quantity | None) -> float:
    assert quantity is not None
    return quantity.value


def had(figure: float | None) -> float:
    assert figure is not None
    return figure


CONTRASTS: tuple[Callable[[FilmTest], Quantity | None], ...] = (
    lambda test: test.gamma,
    lambda test: test.average_gradient,
    lambda test: test.contrast_index,
    lambda test: test.contrast_index_short,
)


@pytest.mark.parametrize("u", [None, 0.005, 0.02])
@pytest.mark.parametrize(("slope", "inertia"), [(0.62, -2.05), (0.62, -2.1), (0.8, -1.73), (0.5, -2.4), (1.1, -1.937)])
def test_without_toe_and_shoulder_all_contrasts_are_the_slope(slope: float, inertia: float, u: float | None) -> None:
    # METHODS of the trade: D = b+f + g (log H - log i). Exact but for rounding in some hundred sums.
    test = film_test(points(WEDGE, straight(slope, inertia), u))
    for contrast in CONTRASTS:
        np.testing.assert_allclose(value(contrast(test)), slope, rtol=0, atol=1e-9)
    np.testing.assert_allclose(value(test.speed_log_exposure), inertia + 0.10 / slope, rtol=0, atol=1e-9)
    np.testing.assert_allclose(value(test.base_plus_fog), 0.23, rtol=0, atol=1e-9)


@settings(max_examples=6, deadline=None)
@given(slope=st.floats(0.45, 1.2), inertia=st.floats(-2.5, -1.9), step=st.sampled_from([0.1, 0.15, 0.2]))
def test_the_slope_whatever_the_steps(slope: float, inertia: float, step: float) -> None:
    x: Floats = np.arange(-3.2, 0.41, step)
    test = film_test(points(x, straight(slope, inertia, x)))
    for contrast in CONTRASTS:
        np.testing.assert_allclose(value(contrast(test)), slope, rtol=0, atol=1e-9)


def test_base_plus_fog_given_stands() -> None:
    test = film_test(points(WEDGE, straight(0.6, -2.0), 0.01), base_plus_fog=Quantity(0.23))
    np.testing.assert_allclose(value(test.base_plus_fog), 0.23, rtol=0, atol=1e-9)
    assert test.base_plus_fog is not None
    assert (test.base_plus_fog.uncertainty or 0.0) < 1e-5


def test_a_speed_point_that_is_just_reached_is_doubted_from_the_one_side_that_has_it() -> None:
    x = np.arange(-2.0, 0.3, 0.25)
    density = 0.12 + np.clip(0.11 * (x + 1.75) / 1.5, 0.0, 0.11)
    found = film_test(points(x, density, 0.015), base_plus_fog=Quantity(0.12))
    assert found.speed_log_exposure is not None
    assert -0.5 < found.speed_log_exposure.value < 0.0
    # 0.015 (k = 1) of density on a slope of 0.11 / 1.5 is 0.2 of log exposure, twice that expanded;
    # one point of several.
    assert 0.05 < (found.speed_log_exposure.uncertainty or 0.0) < 0.8


def test_order_of_the_points_does_not_matter() -> None:
    listed = points(WEDGE, straight(0.7, -2.0), 0.01)
    turned = film_test(listed[::-1])
    np.testing.assert_allclose(value(turned.gamma), value(film_test(listed).gamma), rtol=0, atol=1e-12)


def test_a_shift_of_all_exposures_shifts_the_speed_point_alone() -> None:
    rng = np.random.default_rng(8)
    densities = soft(WEDGE) + rng.normal(0.0, 0.005, WEDGE.size)
    here, there = (film_test(points(WEDGE + shift, densities, 0.005)) for shift in (0.0, 1.7))
    # Searches end a little elsewhere: far below any uncertainty.
    np.testing.assert_allclose(value(there.speed_log_exposure) - value(here.speed_log_exposure), 1.7, rtol=0, atol=1e-5)
    np.testing.assert_allclose(value(there.gamma), value(here.gamma), rtol=0, atol=1e-5)


def soft(x: Floats, slope: float = 0.65, toe: float = 0.3, top: float = 2.4) -> Floats:
    """A film with a hyperbolic toe and shoulder: another law than the one that is fitted."""
    rise = slope * 0.5 * ((x + 2.0) + np.sqrt((x + 2.0) ** 2 + toe**2))
    return np.asarray(0.2 + rise - 0.5 * ((rise - top) + np.sqrt((rise - top) ** 2 + 0.05)))


def test_a_curve_of_another_law_is_followed() -> None:
    x: Floats = np.arange(-3.6, 0.61, 0.15)
    rng = np.random.default_rng(11)
    test = film_test(points(x, soft(x) + rng.normal(0.0, 0.004, x.size), 0.004))
    inside = slice(3, -3)
    np.testing.assert_allclose(
        test.curve.density[inside], soft(test.curve.log_exposure)[inside], rtol=0, atol=0.012
    )  # three times the noise: a smooth curve lies within the scatter of its points
    assert bool(np.all(np.diff(test.curve.density) >= 0.0))


# The definitions, worked out by hand on polygons.


def polygon(*corners: tuple[float, float]) -> tuple[Floats, Floats]:
    x = np.linspace(corners[0][0], corners[-1][0], 4001)
    return x, np.interp(x, [place for place, _ in corners], [density for _, density in corners])


def test_average_gradient_counts_from_the_speed_point() -> None:
    # Net 0.10 at log exposure 0.5; 1.50 further the second part has risen to 0.2 + 0.8 * 1.0 = 1.0.
    x, net = polygon((0.0, 0.0), (1.0, 0.2), (3.0, 1.8))
    np.testing.assert_allclose(had(definitions.average_gradient(x, net)), (1.0 - 0.1) / 1.5, rtol=0, atol=1e-9)


def test_average_gradient_as_the_zones_have_it() -> None:
    # From memory of a common example: 1.30 at Zone VIII, 0.10 at Zone I, 2.10 log exposure between them: 0.571.
    x, net = polygon((0.0, 0.0), (0.3, 0.1), (2.4, 1.3))
    np.testing.assert_allclose(had(definitions.gradient(x, net, (0.3, 2.4))), 0.571, rtol=0, atol=0.0005)


def test_gamma_by_counting_squares() -> None:
    # US Army course SS0513, p. 97: 50 squares along log exposure, 40 up on the straight part: 0.80. Published method.
    x, net = polygon((0.0, 0.0), (0.5, 0.1), (1.0, 0.5), (1.4, 0.6))
    ends = definitions.straight_part(x, net)
    np.testing.assert_allclose(had(definitions.gradient(x, net, ends)), 40.0 / 50.0, rtol=0, atol=1e-9)


def test_contrast_index_by_construction() -> None:
    """A broken line whose corner lies between the arcs: both cuts by hand from the angle of the line through them."""
    angle = math.atan(0.55)
    near = (0.2 * math.cos(angle), 0.2 * math.sin(angle))
    far = (2.2 * math.cos(angle), 2.2 * math.sin(angle))
    x, net = polygon((-1.0, 0.0), (near[0] - 0.15, 0.0), near, (1.0, 0.7), far, (3.0, far[1] + 0.3))
    found = definitions.arcs(x, net)
    assert found is not None
    # The polygon is drawn on places 0.001 apart: its corners are cut by less than that.
    np.testing.assert_allclose(found.slope, 0.55, rtol=0, atol=0.002)
    np.testing.assert_allclose(found.centre[0], 0.0, rtol=0, atol=0.003)
    for cut, radius in ((found.near, 0.2), (found.far, 2.2)):
        np.testing.assert_allclose(math.dist(found.centre, cut), radius, rtol=0, atol=1e-9)


def test_the_short_method_draws_one_arc_about_the_speed_point() -> None:
    x, net = polygon((-1.0, 0.0), (0.0, 0.0), (1.0, 0.5), (3.0, 2.0))
    found = definitions.short_arc(x, net)
    assert found is not None
    np.testing.assert_allclose(found.centre, (0.2, 0.1), rtol=0, atol=1e-9)
    np.testing.assert_allclose(math.dist(found.near, found.far), 2.0, rtol=0, atol=1e-9)


def test_no_figure_is_read_beyond_the_points() -> None:
    test = film_test(points(WEDGE[:12], straight(0.6, -2.0)[:12], 0.01))  # ends at net 0.39
    assert value(test.speed_log_exposure) == pytest.approx(-2.0 + 0.1 / 0.6, abs=1e-9)
    assert test.average_gradient is None
    assert test.contrast_index is None
    assert test.contrast_index_short is None
    assert test.log_exposure_range is None
    assert {warning.code for warning in test.warnings} == {"curve-too-short"}


# Speed.


def test_iso_speed_of_the_published_exposure() -> None:
    # ISO 6, S = 0.8 / Hm: 0.0064 lx s gives 125.
    speed = definitions.iso_speed(math.log10(0.0064))
    assert speed is not None
    np.testing.assert_allclose(speed.exact, 125.0, rtol=1e-12)
    assert (speed.arithmetic, speed.degrees) == (125, 22)


def test_every_speed_of_the_standards_scale() -> None:
    """The scale of ISO 6: degrees are -10 log10 Hm rounded, arithmetic speeds those of its series."""
    for cells in table("iso6_speed_scale.csv"):
        degrees, arithmetic, low, high = int(cells[0]), float(cells[1]), float(cells[3]), float(cells[4])
        for place in (low + 0.001, 0.5 * (low + high), high - 0.001):
            speed = definitions.iso_speed(place)
            assert speed is not None
            assert (speed.arithmetic, speed.degrees) == (arithmetic, degrees)


def test_speeds_of_old_plates() -> None:
    """M. J. Martin 1919, pp. 104-106: the worked example, and the table to its own rounding (2.5 %).

    The Wynne numbers at 20 and 160 do not follow the book's own rule: misprints, left out.
    """
    example = definitions.inertia_speeds(1.0 / 5.0)
    np.testing.assert_allclose(
        (example.hurter_driffield, example.watkins, round(example.wynne)), (170.0, 250.0, 101.0), rtol=1e-12
    )
    for cells in table("martin_1919_plate_speeds.csv"):
        speed, watkins, wynne = (float(cell) for cell in cells[:3])
        found = definitions.inertia_speeds(34.0 / speed)
        np.testing.assert_allclose(found.watkins, watkins, rtol=0.025)
        if speed not in {20.0, 160.0}:
            np.testing.assert_allclose(found.wynne, wynne, rtol=0.025)


def test_inertia_of_a_straight_film() -> None:
    test = film_test(points(WEDGE, straight(0.7, -2.13), 0.005))
    np.testing.assert_allclose(value(test.inertia_log_exposure), -2.13, rtol=0, atol=1e-9)


def table(name: str) -> list[list[str]]:
    file = Path(__file__).resolve().parents[3] / "shared" / "data" / "reference" / name
    if not file.is_file():
        pytest.skip(f"{name} is not beside this checkout")
    with file.open(encoding="utf-8") as lines:
        return list(csv.reader(line for line in lines if not line.startswith("#")))[1:]


def test_the_triangle_of_the_standard() -> None:
    # Its slope is 0.80 / 1.30 = 0.615, quoted as 0.62: a straight film of that slope meets the contrast condition.
    slope, place = 0.80 / 1.30, math.log10(0.0064)
    aim = FilmAim(absolute=True)
    test = film_test(points(WEDGE, straight(slope, place - 0.10 / slope), 0.004), aim=aim)
    np.testing.assert_allclose(value(test.rise), 0.80, rtol=0, atol=1e-9)
    assert test.iso_speed is not None
    assert (test.iso_speed.arithmetic, test.iso_speed.degrees) == (125, 22)
    np.testing.assert_allclose(test.iso_speed.exact, 125.0, rtol=1e-8)


@pytest.mark.parametrize("slope", [0.50, 0.72])
def test_no_iso_speed_where_the_contrast_condition_fails(slope: float) -> None:
    test = film_test(points(WEDGE, straight(slope, -2.2), 0.004), aim=FilmAim(absolute=True))
    assert test.iso_speed is None
    assert "contrast-condition-not-met" in {warning.code for warning in test.warnings}
    np.testing.assert_allclose(value(test.exposure_index), 0.8 / 10 ** (-2.2 + 0.1 / slope), rtol=1e-8)


def test_no_iso_speed_from_relative_exposures() -> None:
    test = film_test(points(WEDGE, straight(0.615, -2.2), 0.004))
    assert test.iso_speed is None
    assert test.exposure_index is None


def test_an_index_relative_to_a_reference() -> None:
    # A speed point one stop (0.30103) short of the reference: half the index.
    speed = -2.2 + 0.1 / 0.6
    aim = FilmAim(reference=Reference(log_exposure=speed - math.log10(2.0), index=100.0))
    test = film_test(points(WEDGE, straight(0.6, -2.2), 0.004), aim=aim)
    np.testing.assert_allclose(value(test.exposure_index), 50.0, rtol=1e-8)
    assert test.iso_speed is None


def test_range_that_fits_the_paper() -> None:
    aim = FilmAim(density_range=Quantity(1.05, {Influence("paper"): 0.02}))
    test = film_test(points(WEDGE, straight(0.7, -2.2), 0.004), aim=aim)
    np.testing.assert_allclose(value(test.log_exposure_range), 1.05 / 0.7, rtol=0, atol=1e-9)
    assert test.log_exposure_range is not None
    # Density range over slope: the paper's part is its doubt over the slope.
    np.testing.assert_allclose(test.log_exposure_range.budget()["paper"], 0.02 / 0.7, rtol=1e-6)


# Uncertainty.


def test_what_all_points_share_does_not_move_the_slope() -> None:
    shared = [
        CurvePoint(
            step=point.step,
            log_exposure=point.log_exposure,
            density=Quantity(point.density.value, {Influence("shared"): 0.02, Influence("own", point.step): 0.002}),
        )
        for point in points(WEDGE, straight(0.6, -2.0))
    ]
    test = film_test(shared)
    assert test.gamma is not None
    assert test.base_plus_fog is not None
    assert test.gamma.budget().get("shared", 0.0) < 1e-6
    np.testing.assert_allclose(test.base_plus_fog.budget()["shared"], 0.02, rtol=1e-6)


def test_a_shared_error_of_exposure_moves_the_speed_point_by_itself() -> None:
    moved = [
        CurvePoint(
            step=point.step,
            log_exposure=Quantity(point.log_exposure.value, {Influence("lamp"): 0.05}),
            density=point.density,
        )
        for point in points(WEDGE, straight(0.6, -2.0), 0.004)
    ]
    test = film_test(moved)
    assert test.speed_log_exposure is not None
    assert test.gamma is not None
    np.testing.assert_allclose(test.speed_log_exposure.budget()["lamp"], 0.05, rtol=0.02)
    assert test.gamma.budget().get("lamp", 0.0) < 0.002


def test_more_noise_more_doubt() -> None:
    doubts = [value_doubt(film_test(points(WEDGE, straight(0.6, -2.0), u)).gamma) for u in (0.003, 0.01, 0.03)]
    assert doubts == sorted(doubts)


def value_doubt(quantity: Quantity | None) -> float:
    assert quantity is not None
    assert quantity.uncertainty is not None
    return quantity.uncertainty


def test_scatter_of_points_without_uncertainty_is_seen() -> None:
    rng = np.random.default_rng(3)
    smooth, rough = (film_test(points(WEDGE, soft(WEDGE) + rng.normal(0.0, sd, WEDGE.size))) for sd in (0.0005, 0.02))
    assert value_doubt(smooth.gamma) < 0.012
    assert value_doubt(rough.gamma) > 0.012


def test_scatter_beyond_what_is_stated_is_told() -> None:
    rng = np.random.default_rng(4)
    test = film_test(points(WEDGE, soft(WEDGE) + rng.normal(0.0, 0.03, WEDGE.size), 0.002))
    assert "points-scatter" in {warning.code for warning in test.warnings}


# What is refused, and what is told.


def test_wrong_way_round() -> None:
    with pytest.raises(MeasureError, match="counted the wrong way round"):
        film_test(points(-WEDGE, straight(0.6, -2.0)), name="curve.csv")


@pytest.mark.parametrize("count", [0, 1, 4])
def test_too_few(count: int) -> None:
    with pytest.raises(MeasureError, match=rf"too few different exposures \({count}\); a curve needs 5"):
        film_test(points(WEDGE[-count:] if count else [], straight(0.6, -2.0)[-count:] if count else []))


@pytest.mark.parametrize("u", [None, 0.01])
def test_never_reaching_the_speed_point(u: float | None) -> None:
    with pytest.raises(MeasureError, match="never reaches the speed point"):
        film_test(points(WEDGE, straight(0.6, -0.1), u))


def test_a_film_that_got_nothing() -> None:
    with pytest.raises(MeasureError, match="never reaches the speed point"):
        film_test(points(WEDGE, np.full(21, 0.2), 0.01))


def test_without_a_foot_base_plus_fog_is_not_known() -> None:
    x = WEDGE[9:]
    test = film_test(points(x, straight(0.6, -2.0, x) + 0.3, 0.01))
    assert test.base_plus_fog is None
    assert test.speed_log_exposure is None
    assert value(test.gamma) == pytest.approx(0.6, abs=1e-6)
    assert "no-base-plus-fog" in {warning.code for warning in test.warnings}


def test_a_first_point_above_the_speed_point() -> None:
    x = WEDGE[9:]
    test = film_test(points(x, straight(0.6, -2.0, x), 0.01), base_plus_fog=Quantity(0.23))
    assert test.speed_log_exposure is None
    assert "speed-point-not-reached" in {warning.code for warning in test.warnings}


def test_six_exact_points_of_a_smooth_curve_hold_its_gamma() -> None:
    """A logistic curve of slope 0.84 over exposures half a log unit apart: no fit without a shoulder has it."""
    x: Floats = np.linspace(0.0, 2.25, 6)
    net: Floats = np.asarray(2.4 / (1.0 + np.exp(-1.4 * (x - 1.25))), np.float64)
    test = film_test(points(x, net + 0.2, 0.005), base_plus_fog=Quantity(0.2, {Influence("rebate"): 0.005}))
    assert test.gamma is not None
    low, high = test.gamma.reach
    # Slope over the part within 5 % of the steepest, 1.4 * 2.4 / 4 = 0.84, is 0.826.
    assert low is not None
    assert low <= 0.826 <= (high or math.inf)
    assert abs(test.gamma.value - 0.826) < 0.08
    assert "points-scatter" not in [warning.code for warning in test.warnings]


def test_few_points_that_end_in_the_toe_do_not_tell_the_straight_part() -> None:
    """A parabola of 1.2 log units before a slope of 0.8: five points stop where the slope is 0.6."""
    x = [0.0, 0.225, 0.45, 0.675, 0.9]
    test = film_test(
        points(x, [0.8 * place**2 / 2.4 + 0.2 for place in x], 0.004),
        base_plus_fog=Quantity(0.2, {Influence("rebate"): 0.004}),
    )
    assert test.gamma is not None
    assert (test.gamma.reach[1] or math.inf) >= 0.8
    assert "straight-part-not-sure" in [warning.code for warning in test.warnings]


@pytest.mark.rendered  # a rate over 36 drawn curves: as slow as reading a scan
def test_figures_of_few_points_are_honest_on_curves_of_no_law_of_the_fit() -> None:
    """36 cases of six families: 95 of 100 are stated; the chance of fewer than 30 of 36 is below 1 %."""
    from tests.trials.few_point_rates import checks_of, drawn

    gammas = [check for seed in range(990_000, 990_036) for check in checks_of(drawn(seed)) if check.what == "gamma"]
    assert sum(check.inside for check in gammas) >= 30


# ---- By hand: definitions at their edges
def straight_line() -> Floats:
    """Base plus fog up to -2, from there a slope of 0.6."""
    return np.asarray(SLOPE * np.maximum(X + 2.0, 0.0))


# Definitions.


def test_a_density_is_found_where_the_curve_leaves_it_for_good() -> None:
    x, net = np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.1, 0.1, 0.3, 0.3])
    assert_allclose(had(definitions.place_of(x, net, 0.1)), 1.0, rtol=1e-12)
    assert_allclose(had(definitions.place_of(x, np.array([0.1, 0.2, 0.3, 0.4]), 0.1)), 0.0, atol=1e-12)
    assert_allclose(had(definitions.place_of(x, net, 0.2)), 1.5, rtol=1e-12)
    assert definitions.place_of(x, net, 0.05) is None
    assert definitions.place_of(x, net, 0.3) is None
    level = np.array([0.0, 0.2, 0.2, 0.4])
    assert_allclose(had(definitions.place_of(x, level, 0.2)), 2.0, rtol=1e-12)


def test_nothing_is_read_beyond_the_ends() -> None:
    net = straight_line()
    assert_allclose(had(definitions.net_at(X, net, 1.0)), 1.8, rtol=1e-12)
    assert_allclose(had(definitions.net_at(X, net + X + 3.0, -2.995)), 0.005, rtol=1e-9)  # in the first interval
    assert definitions.net_at(X, net, 1.001) is None
    assert definitions.net_at(X, net, -3.001) is None
    assert definitions.gradient(X, net, (-1.0, 1.1)) is None
    assert definitions.gradient(X, net, (-3.1, 0.0)) is None


def test_figures_of_a_straight_line() -> None:
    """METHODS of the trade: speed point at inertia + 0.10 / g; a range of 1.05 takes 1.05 / g of exposure."""
    net = straight_line()
    assert_allclose(had(definitions.speed_point(X, net)), -2.0 + 0.1 / SLOPE, rtol=0, atol=1e-9)
    assert_allclose(had(definitions.inertia(X, net, (-1.0, 0.5))), -2.0, rtol=0, atol=1e-9)
    assert_allclose(had(definitions.exposure_span(X, net, 1.05)), 1.05 / SLOPE, rtol=0, atol=1e-9)
    assert_allclose(had(definitions.rise_beyond(X, net)), 1.30 * SLOPE, rtol=0, atol=1e-9)
    assert_allclose(had(definitions.average_gradient(X, net)), SLOPE, rtol=0, atol=1e-9)
    assert_allclose(had(definitions.contrast_index(X, net)), SLOPE, rtol=0, atol=1e-9)
    assert_allclose(had(definitions.contrast_index_short(X, net)), SLOPE, rtol=0, atol=1e-9)
    assert definitions.inertia(X, np.zeros_like(X), (-1.0, 0.5)) is None
    assert definitions.inertia(X, net, (-4.0, 0.5)) is None


@pytest.mark.parametrize(
    "figure",
    [
        definitions.average_gradient,
        definitions.contrast_index,
        definitions.contrast_index_short,
        definitions.rise_beyond,
        lambda x, net: definitions.exposure_span(x, net, 1.05),
    ],
)
@pytest.mark.parametrize("end", [80, 150, 215])
def test_a_curve_that_ends_too_soon_has_no_such_figure(
    figure: Callable[[Floats, Floats], float | None], end: int
) -> None:
    """Points up to -2.2, -1.5 or -0.85: no speed point, or less than 1.30 beyond it."""
    assert figure(X[:end], straight_line()[:end]) is None


def test_the_arcs_are_drawn_as_published() -> None:
    """Niederpruem, Nelson and Yule 1966: radii 0.20 and 2.20 about a point of the base line, all three on one line."""
    found = definitions.arcs(X, straight_line())
    assert found is not None
    across = math.cos(math.atan(SLOPE))
    assert_allclose(found.centre, (-2.0, 0.0), rtol=0, atol=1e-9)
    assert_allclose(found.near, (-2.0 + 0.2 * across, 0.2 * across * SLOPE), rtol=0, atol=1e-9)
    assert_allclose(found.far, (-2.0 + 2.2 * across, 2.2 * across * SLOPE), rtol=0, atol=1e-9)
    short = definitions.short_arc(X, straight_line())
    assert short is not None
    assert_allclose(short.near, (-2.0 + 0.1 / SLOPE, 0.1), rtol=0, atol=1e-9)
    assert_allclose(short.far, (short.near[0] + 2.0 * across, 0.1 + 2.0 * across * SLOPE), rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("log_exposure", "speed"), [(0.0, (0.8, 0)), (0.049, (0.8, 0)), (0.051, None), (-3.949, (6400, 39)), (-3.951, None)]
)
def test_speeds_end_with_the_standards_series(log_exposure: float, speed: tuple[float, int] | None) -> None:
    found = definitions.iso_speed(log_exposure)
    assert (None if found is None else (found.arithmetic, found.degrees)) == speed


def test_speeds_of_old_plates_by_their_definitions() -> None:
    # M. J. Martin 1919, pp. 104-106: an inertia of 1/5 gives 170, 250 and 101, and of 1/10 twice the first two.
    for inertia, wanted in ((0.2, (170.0, 250.0, 101.2)), (0.1, (340.0, 500.0, 143.1))):
        found = definitions.inertia_speeds(inertia)
        assert_allclose((found.hurter_driffield, found.watkins, found.wynne), wanted, rtol=0, atol=0.05)


def test_the_straight_part_ends_where_the_slope_falls_short() -> None:
    """Slopes 0.3, 0.6, 0.58, 0.5: 0.58 is within 5 % of the steepest; the ends keep 0.05 clear of the bends."""
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    net = np.array([0.0, 0.3, 0.9, 1.48, 1.98])
    assert_allclose(definitions.straight_part(x, net), (1.05, 2.95), rtol=0, atol=1e-12)
    # To its own ends where nothing bends, and no clearance from a stretch too short for it.
    assert_allclose(definitions.straight_part(x, 0.5 * x), (0.0, 4.0), rtol=0, atol=1e-12)
    fine = np.array([0.0, 0.1, 0.2, 0.3, 0.4])
    assert_allclose(definitions.straight_part(fine, net), (0.1, 0.3), rtol=0, atol=1e-12)


# Long exposures.


@pytest.mark.parametrize("dof", [*range(1, 12), 20, 40])
def test_few_exposures_widen_the_doubt_as_students_t(dof: int) -> None:
    """JCGM 100:2008, table G.2; reference: scipy.stats.t. Pairs off the law by turns give residuals that are known."""
    count = dof + 2
    given = np.geomspace(1.0, 600.0, count)
    rng = np.random.default_rng(dof)
    metered = given**0.85 * 10.0 ** rng.normal(0.0, 0.01, count)
    pairs = [LongExposure(metered_s=m, given_s=g) for m, g in zip(metered.tolist(), given.tolist(), strict=True)]
    found = fit_reciprocity(pairs)
    line = stats.linregress(np.log10(given), np.log10(metered))
    assert_allclose(found.exponent.value, line.slope, rtol=1e-9)
    # Two standard deviations of the normal distribution hold 95.45 %; 2 + 2.9 / dof agrees to 1.5 %.
    wanted = float(stats.t.ppf(0.5 + 0.9545 / 2.0, dof)) * line.stderr
    assert_allclose(found.exponent.uncertainty or 0.0, wanted, rtol=0.02)
    residuals = np.log10(metered) - line.intercept - line.slope * np.log10(given)
    assert_allclose(found.residual or 0.0, math.sqrt(float(np.sum(residuals**2)) / dof), rtol=1e-9)
    assert found.exposures == count
    assert_allclose(found.longest_s or 0.0, 600.0, rtol=1e-12)
