"""Figures of film by hand: definitions at their edges, the reciprocity law, times and tables as typed."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import MeasureError, PointsFileError
from densiscan.film import definitions
from densiscan.film.points import read_curve, read_exposures
from densiscan.film.reciprocity import LongExposure, Reciprocity, fit_reciprocity, usual_reciprocity, read_series
from densiscan.film.speed_and_contrast import CurvePoint, FilmTest, film_test

Floats = npt.NDArray[np.float64]
X: Floats = np.linspace(-3.0, 1.0, 401)
SLOPE = 0.6


def had(figure: float | None) -> float:
    assert figure is not None
    return figure


def straight() -> Floats:
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
    net = straight()
    assert_allclose(had(definitions.net_at(X, net, 1.0)), 1.8, rtol=1e-12)
    assert_allclose(had(definitions.net_at(X, net + X + 3.0, -2.995)), 0.005, rtol=1e-9)  # in the first interval
    assert definitions.net_at(X, net, 1.001) is None
    assert definitions.net_at(X, net, -3.001) is None
    assert definitions.gradient(X, net, (-1.0, 1.1)) is None
    assert definitions.gradient(X, net, (-3.1, 0.0)) is None


def test_figures_of_a_straight_line() -> None:
    """METHODS of the trade: speed point at inertia + 0.10 / g; a range of 1.05 takes 1.05 / g of exposure."""
    net = straight()
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
    assert figure(X[:end], straight()[:end]) is None


def test_the_arcs_are_drawn_as_published() -> None:
    """Niederpruem, Nelson and Yule 1966: radii 0.20 and 2.20 about a point of the base line, all three on one line."""
    found = definitions.arcs(X, straight())
    assert found is not None
    across = math.cos(math.atan(SLOPE))
    assert_allclose(found.centre, (-2.0, 0.0), rtol=0, atol=1e-9)
    assert_allclose(found.near, (-2.0 + 0.2 * across, 0.2 * across * SLOPE), rtol=0, atol=1e-9)
    assert_allclose(found.far, (-2.0 + 2.2 * across, 2.2 * across * SLOPE), rtol=0, atol=1e-9)
    short = definitions.short_arc(X, straight())
    assert short is not None
    assert_allclose(short.near, (-2.0 + 0.1 / SLOPE, 0.1), rtol=0, atol=1e-9)
    assert_allclose(short.far, (short.near[0] + 2.0 * across, 0.1 + 2.0 * across * SLOPE), rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("log_exposure", "speed"), [(0.0, (0.8, 0)), (0.049, (0.8, 0)), (0.051, None), (-3.949, (6400, 39)), (-3.951, None)]
)
def test_speeds_end_with_the_standards_series(log_exposure: float, speed: tuple[float, int] | None) -> None:
    found = definitions.iso_speed(log_exposure)
    assert (None if found is None else (found.arithmetic, found.degrees)) == speed


def test_speeds_of_old_plates() -> None:
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


@given(time=st.floats(1.01, 600.0), p=st.floats(0.5, 1.1))
def test_a_corrected_time_and_its_doubt(time: float, p: float) -> None:
    """t^(1/p); its derivative by p in numbers."""
    law = Reciprocity(exponent=Quantity(p, {Influence("film"): 0.01}), exposures=5)
    found = law.corrected(time)
    assert_allclose(found.value, time ** (1.0 / p), rtol=1e-12)
    slope = (time ** (1.0 / (p + 1e-6)) - time ** (1.0 / (p - 1e-6))) / 2e-6
    assert found.parts is not None
    assert_allclose(found.parts[Influence("film")], 0.01 * slope, rtol=1e-5, atol=1e-9)


def test_up_to_one_second_nothing_is_corrected() -> None:
    for time in (0.001, 1.0):
        found = usual_reciprocity().corrected(time)
        assert (found.value, found.uncertainty) == (time, 0.0)
    assert usual_reciprocity().exposures == 0
    assert usual_reciprocity().longest_s is None
    assert usual_reciprocity().exponent.reach == (0.58, 0.99)


def film() -> FilmTest:
    places = np.linspace(-3.0, 0.3, 23)
    return film_test(
        [
            CurvePoint(
                step=f"{n}",
                log_exposure=Quantity(float(x)),
                density=Quantity(0.2 + SLOPE * max(float(x) + 2.0, 0.0), {Influence("r", f"{n}"): 0.003}),
            )
            for n, x in enumerate(places)
        ]
    )


def exposed(time: float, log_h: float, u: float | None = 0.003) -> LongExposure:
    density = 0.2 + SLOPE * max(log_h + 2.0, 0.0)
    return LongExposure(
        metered_s=time, given_s=time, density=Quantity(density, None if u is None else {Influence("d", f"{time}"): u})
    )


def test_densities_in_the_toe_tell_no_exposure() -> None:
    """Four exposures on the straight part follow p = 0.8; three more gave hardly any density and say nothing."""
    good = [exposed(t, -0.8 + (0.8 - 1.0) * math.log10(t)) for t in (1.0, 4.0, 16.0, 64.0)]
    thin = [exposed(t, -2.5) for t in (100.0, 200.0, 400.0)]
    found = fit_reciprocity([*good, *thin], film())
    assert found.exposures == 4
    assert found.longest_s == 64.0
    assert_allclose(found.exponent.value, 0.8, rtol=0, atol=1e-3)


def test_the_doubt_is_at_least_that_of_the_densities() -> None:
    """On the law exactly nothing scatters: u(p) is u(D) / slope over the root of the summed squares of log time."""
    times = (1.0, 10.0, 100.0)
    for u in (0.006, None):
        found = fit_reciprocity([exposed(t, -0.5 - 0.2 * math.log10(t), u) for t in times], film())
        wanted = (0.01 if u is None else u) / SLOPE / math.sqrt(2.0)  # logs 0, 1, 2: squares about the mean 1 + 0 + 1
        assert_allclose(found.exponent.standard_uncertainty or 0.0, wanted, rtol=0.02)


def test_a_density_that_is_hardly_known_hardly_counts() -> None:
    """Ten times the doubt is a hundredth of the weight: the fit is scipy's with these weights."""
    off = {1.0: 0.0, 10.0: 0.0, 100.0: 0.0, 1000.0: 0.06}
    series = [exposed(t, -0.5 - 0.2 * math.log10(t) + shift, 0.03 if shift else 0.003) for t, shift in off.items()]
    weights = np.array([1.0, 1.0, 1.0, 0.1])  # numpy wants the root of them
    effective = [-0.5 - 0.2 * math.log10(t) + shift for t, shift in off.items()]
    metered = [math.log10(t) for t in off]
    wanted = np.polyfit(metered, np.array(effective) + np.array(metered), 1, w=weights)[0]
    assert_allclose(fit_reciprocity(series, film()).exponent.value, wanted, rtol=0, atol=1e-3)


@pytest.mark.parametrize(("p", "taken"), [(0.29, False), (0.31, True), (1.19, True), (1.21, False)])
def test_exponents_that_no_film_has_are_refused(p: float, taken: bool) -> None:
    pairs = [LongExposure(metered_s=t**p, given_s=t) for t in (1.0, 10.0, 100.0)]
    if taken:
        assert_allclose(fit_reciprocity(pairs).exponent.value, p, rtol=1e-9)
    else:
        with pytest.raises(MeasureError, match=rf"exponent {p:.2f}, and no film has one outside 0\.3 to 1\.2"):
            fit_reciprocity(pairs)


def test_times_too_much_alike_are_refused() -> None:
    alike = [LongExposure(metered_s=t, given_s=t) for t in (10.0, 12.0, 19.0)]
    with pytest.raises(MeasureError, match=r"3 exposures that can be used, over a factor of 1\.9"):
        fit_reciprocity(alike)
    short = [LongExposure(metered_s=t, given_s=t) for t in (0.01, 0.1, 1.0)]
    with pytest.raises(MeasureError, match=r"over a factor of 1\.0 in time beyond 1 s"):
        fit_reciprocity(short)
    assert fit_reciprocity([*alike[:2], LongExposure(metered_s=20.0, given_s=20.0)]).exposures == 3


# Tables.


@pytest.mark.parametrize(
    ("typed", "wanted"), [("30", 30.0), ("0.25", 0.25), ("8:30", 510.0), ("1:05.5", 65.5), ("0:59", 59.0)]
)
def test_a_time_in_a_table(typed: str, wanted: float, tmp_path: Path) -> None:
    file = tmp_path / "series.csv"
    file.write_text(f"metered,given\n1,{typed}\n", encoding="utf-8")
    (one,) = read_series(file)
    assert_allclose((one.metered_s, one.given_s), (1.0, wanted), rtol=1e-12)


@pytest.mark.parametrize(
    "typed", ["", "0", "-1", "nan", "inf", "8m", "1:-30", "1:60", "-1:90", ":30", "8:", "1e7", "1:2:3"]
)
def test_no_time_in_a_table(typed: str, tmp_path: Path) -> None:
    file = tmp_path / "series.csv"
    file.write_text(f"metered,given\n1,2\n1,{typed}\n", encoding="utf-8")
    with pytest.raises(PointsFileError, match=r"series\.csv, line 3: .* is not a valid time"):
        read_series(file)


def test_a_series_with_densities(tmp_path: Path) -> None:
    file = tmp_path / "series.csv"
    file.write_text("time,density,uncertainty\n1:00,0.8,0.02\n2,0.7,0\n3,,\n4,0.6,\n", encoding="utf-8")
    sure, unsure, without, unsaid = read_series(file)
    assert (sure.metered_s, sure.given_s) == (60.0, 60.0)
    assert sure.density is not None
    assert (sure.density.value, sure.density.uncertainty) == (0.8, 0.02)
    assert unsure.density is not None
    assert unsure.density.uncertainty is None  # 0 stands where none can be given
    assert without.density is None
    assert unsaid.density is not None
    assert (unsaid.density.value, unsaid.density.uncertainty) == (0.6, None)
    file.write_text("metered;given\n0,25;1:05,5\n", encoding="utf-8")
    assert [(one.metered_s, one.given_s) for one in read_series(file)] == [(0.25, 65.5)]


def test_a_curve_and_exposures_as_written(tmp_path: Path) -> None:
    file = tmp_path / "curve.csv"
    file.write_text("Step;log_exposure;density;uncertainty\nA;-1,5;0,32;0,02\n;-1.2;0.40;0\n;-0.9;0.55;\n", "utf-8")
    first, second, third = read_curve(file)
    assert [point.step for point in (first, second, third)] == ["A", "2", "3"]
    assert (first.log_exposure.value, first.density.value) == (-1.5, 0.32)
    assert [point.density.uncertainty for point in (first, second, third)] == [0.02, None, None]
    file.write_text("log_exposure,density,uncertainty\n-1.5,0.3,0.06\n-1.2,0.4,0.08\n", "utf-8")
    one, other = (point.density for point in read_curve(file))
    assert_allclose((one - other).uncertainty or 0.0, 0.10, rtol=1e-12)  # readings err each by itself
    assert list(one.budget()) == ["reading"]
    file.write_text("step,log_exposure,uncertainty\n1,-1.5,0.06\n2,-1.2,0.08\n", "utf-8")
    one, other = (exposure.log_exposure for exposure in read_exposures(file))
    assert_allclose((one - other).uncertainty or 0.0, 0.10, rtol=1e-12)
    assert list(one.budget()) == ["exposure"]
    file.write_text("step,log_exposure,uncertainty\n5,-1.5,0.06\n,-1.2,\n", "utf-8")
    five, unnamed = read_exposures(file)
    assert (five.step, five.log_exposure.value, five.log_exposure.uncertainty) == ("5", -1.5, 0.06)
    assert (unnamed.step, unnamed.log_exposure.uncertainty) == ("2", 0.0)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("12.1,0.5,0.01", 'line 3: "12.1" is no log exposure; write a number from -12 to 12'),
        ("-12.1,0.5,0.01", "is no log exposure"),
        ("0,8.1,0.01", 'line 3: "8.1" is no density; write a number from -0.1 to 8'),
        ("0,-0.11,0.01", "is no density"),
        ("0,0.5,-0.01", 'line 3: "-0.01" is no uncertainty; write a number from 0 to 8'),
        ("0,0.5,nan", "is no uncertainty"),
        ("0,inf,0.1", "is no density"),
        ("0", 'line 3: "" is no density'),
    ],
)
def test_cells_out_of_reach_are_named(line: str, said: str, tmp_path: Path) -> None:
    file = tmp_path / "curve.csv"
    file.write_text(f"log_exposure,density,uncertainty\n-12,-0.1,0\n{line}\n", encoding="utf-8")
    with pytest.raises(PointsFileError, match=said):
        read_curve(file)


def test_the_ends_of_what_can_be_are_read(tmp_path: Path) -> None:
    file = tmp_path / "curve.csv"
    rows = "\n".join("12,8,8" for _ in range(500))
    file.write_text(f"log_exposure,density,uncertainty\n{rows}\n", encoding="utf-8")
    assert len(read_curve(file)) == 500
    file.write_text(f"log_exposure,density,uncertainty\n{rows}\n1,1,1\n", encoding="utf-8")
    with pytest.raises(PointsFileError, match="holds 501 exposures; give 1 to 500"):
        read_curve(file)
