"""Families of film tests, long exposures, the pinhole: the published laws, and what is refused."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.cli.app import run
from densiscan.development.expected import usual_film_range
from densiscan.development.family import Family, Member, family_of
from densiscan.development.kinetics import contrast_points
from densiscan.errors import MeasureError, PointsFileError
from densiscan.film.reciprocity import (
    LongExposure,
    Reciprocity,
    fit_reciprocity,
    pinhole_exposure,
    read_series,
    shorter_development,
    usual_reciprocity,
)
from densiscan.film.speed_and_contrast import CurvePoint, FilmTest, film_test
from densiscan.notebook import location

LIMIT, MINUTES = 0.95, 7.5
X = np.linspace(-3.0, 0.3, 23)


SLOPE = 0.6


def law(minutes: float, wait: float = 0.0) -> float:
    return LIMIT * -math.expm1(-(minutes - wait) / MINUTES)


def member(minutes: float, slope: float) -> Member:
    net = slope * np.maximum(X + 2.1, 0.0)
    points = [
        CurvePoint(
            step=f"{n}",
            log_exposure=Quantity(float(x)),
            density=Quantity(0.2 + float(d), {Influence("r", f"{n}"): 0.003}),
        )
        for n, (x, d) in enumerate(zip(X, net, strict=True))
    ]
    return Member(name=f"{minutes:g} min", time_s=60.0 * minutes, test=film_test(points))


@pytest.fixture(scope="module")
def members() -> dict[float, Member]:
    return {minutes: member(minutes, law(minutes)) for minutes in (5.0, 7.0, 10.0, 14.0)}


def times(found: Family) -> dict[int, float | None]:
    return {row.contrast_stops: None if row.time_s is None else row.time_s.value for row in found.table}


def test_two_times_give_the_law_of_the_double_time_method(members: dict[float, Member]) -> None:
    """Sheppard and Mees: from t and 2t, Ginf = g1^2 / (2 g1 - g2), k = -ln(g2 / g1 - 1) / t."""
    twice = family_of([members[5.0], members[10.0]])
    once, double = law(5.0), law(10.0)
    np.testing.assert_allclose(twice.law.contrast_limit, once**2 / (2.0 * once - double), rtol=1e-6)
    np.testing.assert_allclose(twice.law.rate_per_s, -math.log(double / once - 1.0) / 300.0, rtol=1e-6)
    np.testing.assert_allclose(twice.law.contrast_limit, LIMIT, rtol=1e-6)


def test_four_times_find_no_wait_where_there_is_none(members: dict[float, Member]) -> None:
    found = family_of(list(members.values()))
    np.testing.assert_allclose(found.law.contrast_limit, LIMIT, rtol=1e-4)
    np.testing.assert_allclose(found.law.rate_per_s * 60.0 * MINUTES, 1.0, rtol=1e-4)
    assert found.law.wait_s < 1.0


def test_the_wait_before_the_image_appears() -> None:
    found = family_of([member(minutes, law(minutes, wait=0.75)) for minutes in (4.0, 6.0, 9.0, 13.0)])
    assert found.wait_fitted
    np.testing.assert_allclose(found.law.wait_s, 45.0, rtol=0, atol=0.5)


def test_times_for_more_and_less_contrast(members: dict[float, Member]) -> None:
    # The average subject leaves 1.85 on the film (2.20 less 0.35 of flare); N-1 makes one a stop longer fit the same.
    found = family_of(list(members.values()), target=0.58)
    for stops, time in times(found).items():
        contrast = 0.58 * 1.85 / usual_film_range(22.0 / 3.0 - stops)
        wanted = -60.0 * MINUTES * math.log(1.0 - contrast / LIMIT)
        if time is not None:
            np.testing.assert_allclose(time, wanted, rtol=2e-3)
    told = [time for time in times(found).values() if time is not None]
    assert told == sorted(told)
    assert len(told) >= 4
    assert all(row.time_s is None or (row.time_s.uncertainty or 0.0) > 1.0 for row in found.table)


def test_nothing_is_told_far_beyond_the_times_tested(members: dict[float, Member]) -> None:
    found = family_of([members[5.0], members[7.0]], target=0.85)
    assert times(found)[0] is None
    assert times(found)[2] is None
    assert {row.note for row in found.table if row.contrast_stops == 2} == {"never reached"}


def test_families_that_tell_nothing(members: dict[float, Member]) -> None:
    with pytest.raises(MeasureError, match="two different developing times"):
        family_of([members[5.0], members[5.0]])
    with pytest.raises(MeasureError, match="contrast does not grow from"):
        family_of([member(5.0, 0.6), member(9.0, 0.5)])
    with pytest.raises(MeasureError, match="as fast as time or faster"):
        family_of([member(5.0, 0.3), member(10.0, 0.7)])


# Long exposures.


@pytest.mark.parametrize(
    ("metered", "given"),
    [
        (60.0, 149.0),
        (60.0, 227.0),
        (60.0, 409.0),
        (10.0, 50.0),
        (10.0, 10.0 ** (1.0 / 0.86)),
        (60.0, 60.0 ** (1.0 / 0.9)),
    ],
    ids=["film curve", "film curve", "film curve", "teaching table", "Schwarzschild 1900", "Kron 1914"],
)
def test_what_was_published_lies_within_the_times_stated_for_a_film_not_tested(metered: float, given: float) -> None:
    low, high = usual_reciprocity().corrected(metered).reach
    assert low is not None
    assert high is not None
    assert low < given < high


def test_a_film_that_nobody_tested() -> None:
    """10^(1 / 0.75) = 21.5; the ends are 10^(1 / 0.99) = 10.2 and 10^(1 / 0.58) = 53.0."""
    found = usual_reciprocity()
    time = found.corrected(10.0)
    np.testing.assert_allclose(time.value, 21.5, rtol=0, atol=0.05)
    assert list(time.reach) == pytest.approx([10.2, 53.0], abs=0.05)
    assert found.corrected(0.5).value == pytest.approx(0.5)


def test_development_is_shortened_after_long_exposures() -> None:
    assert [shorter_development(time) for time in (0.9, 1.0, 9.9, 10.0, 60.0, 100.0, 600.0)] == [
        0.0, 0.1, 0.1, 0.2, 0.2, 0.3, 0.3,
    ]  # fmt: skip


def test_pairs_found_right_by_trial() -> None:
    pairs = [LongExposure(metered_s=t**0.8, given_s=t) for t in (1.0, 3.0, 10.0, 40.0, 200.0)]
    found = fit_reciprocity(pairs)
    np.testing.assert_allclose(found.exponent.value, 0.8, rtol=0, atol=1e-9)
    np.testing.assert_allclose(found.corrected(60.0).value, 60.0 ** (1.0 / 0.8), rtol=1e-6)


def series(p: float, noise: float = 0.0, seed: int = 1) -> list[LongExposure]:
    """Exposures that the meter took for equal: density falls with time as the film fails."""
    rng = np.random.default_rng(seed)
    found = []
    for time in (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0):
        log_h = -1.0 + (p - 1.0) * math.log10(max(time, 1.0))
        density = 0.2 + law(7.0) * max(log_h + 2.1, 0.0) + rng.normal(0.0, noise)
        found.append(
            LongExposure(
                metered_s=time, given_s=time, density=Quantity(density, {Influence("d", f"{time}"): noise or 0.003})
            )
        )
    return found


@pytest.mark.parametrize("p", [0.75, 0.86, 1.0])
def test_densities_through_the_curve(p: float, members: dict[float, Member]) -> None:
    found = fit_reciprocity(series(p), members[7.0].test)
    np.testing.assert_allclose(found.exponent.value, p, rtol=0, atol=1e-6)


def test_the_stated_doubt_of_the_exponent_holds(members: dict[float, Member]) -> None:
    """40 noisy series: the truth within k = 2 in at least 34, five standard deviations short of 95 in 100."""
    inside = 0
    for seed in range(40):
        found = fit_reciprocity(series(0.85, 0.01, seed), members[7.0].test).exponent
        inside += abs(found.value - 0.85) <= (found.uncertainty or 0.0)
    assert inside >= 34


def test_series_that_tell_nothing(members: dict[float, Member]) -> None:
    with pytest.raises(MeasureError, match="need the film's curve"):
        fit_reciprocity(series(0.86))
    with pytest.raises(MeasureError, match="has 2 exposures that can be used"):
        fit_reciprocity([LongExposure(metered_s=t, given_s=t) for t in (1.0, 10.0)])
    with pytest.raises(MeasureError, match="no film has one outside"):
        fit_reciprocity([LongExposure(metered_s=t**2.5, given_s=t) for t in (1.0, 3.0, 9.0)])
    with pytest.raises(MeasureError, match="for some exposures only"):
        fit_reciprocity([*series(0.86), LongExposure(metered_s=1.0, given_s=1.0)], members[7.0].test)


def test_a_pinhole() -> None:
    # 0.3 mm at 75 mm is f/250; (250 / 16)^2 = 244.14 times 1/30 s is 8.14 s, to the power 1 / 0.75: 16.37 s.
    found = pinhole_exposure(
        diameter_mm=0.3, distance_mm=75.0, meter_time_s=1 / 30, meter_f_number=16.0, reciprocity=usual_reciprocity()
    )
    np.testing.assert_allclose(found.f_number, 250.0, rtol=1e-12)
    np.testing.assert_allclose(found.metered_s, 8.138, rtol=0, atol=0.001)
    np.testing.assert_allclose(found.corrected_s.value, 16.37, rtol=0, atol=0.01)
    assert found.corrected_s.reach == usual_reciprocity().corrected(found.metered_s).reach
    # 1.9 sqrt(75 x 0.00055) mm; cos^4 is a half at 32.8 degrees, whose tangent is 0.6436 (from sqrt(sqrt(2) - 1)).
    np.testing.assert_allclose(found.best_diameter_mm, 0.386, rtol=0, atol=0.001)
    np.testing.assert_allclose(found.stop_less_mm, 75.0 * math.sqrt(math.sqrt(2.0) - 1.0), rtol=1e-9)


# By the command line.


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    for minutes in (5, 7, 10, 14):
        rows = [f"{x:.3f},{0.2 + law(minutes) * max(x + 2.1, 0.0):.4f},0.01" for x in X.tolist()]
        text = "log_exposure,density,uncertainty\n" + "\n".join(rows) + "\n"
        (tmp_path / f"{minutes}min.csv").write_text(text, encoding="utf-8")
    (tmp_path / "curve.csv").write_text((tmp_path / "7min.csv").read_text(encoding="utf-8"), encoding="utf-8")
    rows = [f"{one.metered_s},{one.density.value:.4f},0.01" for one in series(0.82) if one.density is not None]
    (tmp_path / "series.csv").write_text("time,density,uncertainty\n" + "\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "pairs.csv").write_text("metered,given\n1,1\n5,7.5\n10,17\n30,1:05\n", encoding="utf-8")
    return tmp_path


def documented(line: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    capsys.readouterr()
    assert run([*line.split(), "--json"]) == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


FAMILY = "family --points 5min.csv --time 5:00 --points 10min.csv --time 600 --film Pan --developer Fine"


def test_a_family_is_kept_where_the_advice_finds_it(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = documented(f"{FAMILY} --name pan-fine", capsys)
    np.testing.assert_allclose(document["law"]["contrast_limit"], LIMIT, rtol=0.01)
    with location.open_notebook(folder / "notebook.sqlite") as book:
        kept = book.kept("film-test", "pan-fine")
    assert kept is not None
    points = contrast_points(kept, film="Pan", developer="Fine")
    assert [point.time_s for point in points] == [300.0, 600.0]
    np.testing.assert_allclose(points[0].contrast.value, law(5.0), rtol=0, atol=0.002)


def test_a_kept_test_without_a_time_or_a_contrast_is_passed_over() -> None:
    whole = {"time_s": 300.0, "contrast": {"value": 0.5, "uncertainty": 0.02}}
    entries = [whole, {**whole, "time_s": None}, {**whole, "contrast": None}, {**whole, "time_s": 600.0, "use": 2}]
    found = contrast_points({"film": "Pan", "developer": "Fine", "developments": entries}, film="pan", developer="fine")
    assert [(point.time_s, point.temperature_c, point.use) for point in found] == [(300.0, 20.0, 1), (600.0, 20.0, 2)]


@pytest.mark.usefixtures("folder")
def test_reciprocity_by_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert documented("reciprocity", capsys)["published"] is True
    found = documented("reciprocity series.csv --curve curve.csv --metered 1:00", capsys)
    np.testing.assert_allclose(found["exponent"]["value"], 0.82, rtol=0, atol=0.005)
    np.testing.assert_allclose(found["table"][0]["time_s"]["value"], 60 ** (1 / 0.82), rtol=0.02)
    assert found["published"] is False


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("line", "status", "told"),
    [
        ("family", 2, "give each curve with its time"),
        ("family --points 5min.csv", 2, "give each curve with its time"),
        ("family --points 5min.csv --time soon", 2, "is not a valid time"),
        ("family --points no.csv --time 5:00", 2, "does not exist"),
        ("family --points 5min.csv --time 5:00", 1, "two different developing times"),
        ("family --points 5min.csv --time 9:00 --points 10min.csv --time 5:00", 1, "which time belongs"),
        ("family --points 5min.csv --time 5:00 --points 10min.csv --time 10:00 --name x", 2, "needs --film NAME"),
        ("reciprocity no.csv", 2, "does not exist"),
        ("reciprocity --curve curve.csv", 2, "goes with a series"),
        ("reciprocity series.csv", 1, "need the film's curve"),
        ("reciprocity curve.csv", 1, "no column metered"),
        ("reciprocity --metered never", 2, "is not a valid time"),
        ("pinhole --diameter 0 --distance 75 --metered 1", 2, "not a valid value"),
        ("pinhole --diameter 0.3 --distance 75 --metered 1/0", 2, "is not a valid time"),
        ("pinhole --diameter 0.3 --distance 75", 2, "--metered"),
    ],
)
def test_wrong_lines(line: str, status: int, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(line.split()) == status
    captured = capsys.readouterr()
    assert told in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""


@pytest.mark.usefixtures("folder")
def test_a_family_drawn() -> None:
    assert run(f"{FAMILY} --plot family.png".split()) == 0
    assert Path("family.png").stat().st_size > 10_000


# ---- By hand: the reciprocity law, times as typed
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
