"""Trends from run to run: limits as printed, quiet runs left in peace, a run that is out named."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest  # noqa: TC002 - the house imports at run time
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.cli import app
from densiscan.development.control_limits import FEWEST, control_limits, plain_limits
from densiscan.development.run import Run
from densiscan.development.trends import Trend, trends_of
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading
from densiscan.report.figures.trends import trends_figure

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_limits_as_printed() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: the ten batches and their limits (from memory; the
    # arithmetic is 50.81 +- 3 x 1.8778 / 1.128). Four decimals are printed.
    limits = plain_limits(FLOW)
    assert_allclose([limits.middle, limits.upper, limits.lower], [50.81, 55.8041, 45.8159], rtol=0, atol=5e-5)


def test_limits_need_six_values() -> None:
    assert control_limits(FLOW[: FEWEST - 1]) is None
    assert control_limits(FLOW[:FEWEST]) is not None


def test_value_that_is_out_does_not_widen_its_own_limits() -> None:
    quiet = control_limits([0.20, 0.21] * 6)
    with_one_out = control_limits([0.20, 0.21] * 3 + [0.40] + [0.20, 0.21] * 3)
    assert quiet is not None
    assert with_one_out is not None
    # The one left out, its neighbours differ by 0.01 as all others do.
    assert_allclose(with_one_out.upper, quiet.upper, rtol=0, atol=1e-9)
    assert not with_one_out.holds(0.40)


@given(st.lists(st.floats(-10.0, 10.0), min_size=FEWEST, max_size=40), st.floats(-5.0, 5.0), st.floats(0.1, 10.0))
def test_limits_go_with_the_scale(values: list[float], shift: float, factor: float) -> None:
    plain, moved = plain_limits(values), plain_limits([shift + factor * value for value in values])
    for name in ("middle", "lower", "upper"):
        wanted = shift + factor * getattr(plain, name)
        assert_allclose(getattr(moved, name), wanted, rtol=1e-9, atol=1e-9 * factor * 30)  # rounding of sums up to 400


def test_rates_of_the_page() -> None:
    # 3000 draws gave 0.3 % of quiet values out, and a last value of five standard deviations found in 88 % of rows of
    # twenty; of 600 draws the rates lie within three standard errors of these: 0.15 % and 4 %.
    random = np.random.default_rng(78)
    out = found = 0
    for _ in range(600):
        quiet = random.normal(size=20).tolist()
        limits = control_limits(quiet)
        off = [*quiet[:-1], quiet[-1] + 5.0]
        with_one_off = control_limits(off)
        assert limits is not None
        assert with_one_off is not None
        out += sum(not limits.holds(value) for value in quiet)
        found += not with_one_off.holds(off[-1])
    assert out / 12_000 < 0.0045
    assert found / 600 > 0.84


def test_values_noted_alike_are_no_reason_for_alarm() -> None:
    assert control_limits([0.22] * 10) is not None
    for values in ([0.20] * 9 + [0.21], [0.22] * 10):
        found = trends_of([read_as(number, value) for number, value in enumerate(values, start=1)], {})
        assert [point.out for point in named(found, "base_plus_fog").points] == [0] * 10


def read_as(number: int, base: float) -> Run:
    return Run(
        number=number, film="A", developer="B", date="2026-03-14", time_s=480.0, temperature_c=20.0,
        base_plus_fogs=(Quantity(base, None),),
    )  # fmt: skip


def contrast(time_s: float, temperature_c: float, use: int) -> float:
    """Hidden truth for the runs below: 20 C normal time 8:00, factor 2.2 for 10 C, a tenth slower with each use."""
    pace = 2.2 ** ((temperature_c - 20.0) / 10.0) * math.exp(-0.1 * (use - 1))
    return 0.95 * (1.0 - math.exp(-0.0019 * (time_s * pace - 20.0)))


def made_runs(seed: int, count: int = 30, *, faded: int = 0) -> list[Run]:
    """Return runs of metered subjects with a person's scatter; the last `faded` ones in a dying developer."""
    random = np.random.default_rng(seed)
    runs = []
    for at in range(count):
        use = at % 3 + 1
        time_s, temperature_c = float(480 + random.integers(-60, 60)), float(20.0 + random.normal(0.0, 0.5))
        pace = 0.45 if at >= count - faded else 1.0
        span = contrast(time_s * pace, temperature_c, use) * 1.8 * math.exp(random.normal(0.0, 0.05))
        runs.append(
            Run(
                number=at + 1, film="A", developer="B", date=f"2026-03-{at + 1:02d}", time_s=time_s, use=use,
                temperature_c=temperature_c, scene_stops=22.0 / 3.0, exposure_index=100.0,
                density_ranges=(Quantity(span, {Influence("reading"): 0.01}),),
                base_plus_fogs=(Quantity(0.22 + random.normal(0.0, 0.006), {Influence("reading"): 0.005}),),
            )
        )  # fmt: skip
    return runs


def named(trends: tuple[Trend, ...], name: str) -> Trend:
    return next(trend for trend in trends if trend.name == name)


def test_quiet_runs_are_left_in_peace() -> None:
    # Three standard deviations are passed by chance about three times in a thousand, more with limits from 30 values;
    # a twentieth of 600 points of contrast and base plus fog is far more than that.
    trends = [trends_of(made_runs(seed), {}) for seed in range(100, 110)]
    for name in ("base_plus_fog", "contrast", "activity"):
        points = [point for found in trends for point in named(found, name).points]
        assert len(points) == 300
        assert sum(point.out != 0 for point in points) <= 6


def test_dying_developer_is_named() -> None:
    for seed in range(200, 205):
        found = trends_of(made_runs(seed, faded=1), {})
        activity, at_normal = named(found, "activity"), named(found, "contrast")
        for trend in (activity, at_normal):
            assert [point.run for point in trend.points if point.out < 0] == [30]
        assert "Run 30" in activity.sentences[0]
        assert "tired" in activity.sentences[0]


def test_contrast_is_taken_at_one_time_and_use() -> None:
    # The runs differ in time, temperature and use; what is left is the reading's and the person's scatter of 5 %.
    at_normal = named(trends_of(made_runs(300), {}), "contrast")
    values = [point.value for point in at_normal.points]
    assert 0.03 < float(np.std(np.log(values))) < 0.08
    minutes, seconds = re.findall(r"\d+", at_normal.label)[:2]
    middle = float(np.median(values))
    truth = contrast(60.0 * int(minutes) + int(seconds), 20.0, 1)
    # How much flare shortens the subject is not known, so that contrast as a whole is known to about a tenth.
    assert_allclose(middle, truth, rtol=0.12)


def test_activity_falls_with_use() -> None:
    activity = named(trends_of(made_runs(400), {}), "activity")
    means = [one.mean for one in activity.by_use]
    assert [one.count for one in activity.by_use] == [10, 10, 10]
    # The truth is exp(-0.1) for each use; a mean of ten runs of 5 % contrast, some 9 % of time, is known to 3 %.
    assert_allclose([means[1] / means[0], means[2] / means[0]], [math.exp(-0.1), math.exp(-0.2)], rtol=0.1)
    assert activity.points[0].limits is not None
    assert activity.points[2].limits is not None
    assert activity.points[2].limits.middle < activity.points[0].limits.middle


def test_rising_fog_is_told_before_it_is_out() -> None:
    runs = made_runs(500, count=24)
    crept = [
        Run(**{**{name: getattr(run, name) for name in Run.__slots__}, "base_plus_fogs": (Quantity(0.20 + d, None),)})
        for run, d in zip(runs, [0.0, 0.01] * 6 + [0.010 + 0.0015 * n for n in range(12)], strict=True)
    ]
    trend = named(trends_of(crept, {}), "base_plus_fog")
    assert [point.out for point in trend.points] == [0] * 24
    assert len(trend.sentences) == 1
    assert "base plus fog has crept up" in trend.sentences[0]


def test_several_runs_that_are_out_are_named_together() -> None:
    runs = made_runs(800, count=20)
    fogs = [0.20, 0.21] * 7 + [0.30, 0.20, 0.31, 0.20, 0.21, 0.20]
    given = [
        Run(**{**{name: getattr(run, name) for name in Run.__slots__}, "base_plus_fogs": (Quantity(fog, None),)})
        for run, fog in zip(runs, fogs, strict=True)
    ]
    trend = named(trends_of(given, {}), "base_plus_fog")
    assert [point.run for point in trend.points if point.out > 0] == [15, 17]
    assert trend.sentences[0].startswith("Runs 15 and 17: ")
    assert "farthest in run 17, 0.31 against 0." in trend.sentences[0]


def test_speed_is_the_index_moved_by_the_shadows() -> None:
    runs = made_runs(600, count=8)
    stops = {run.number: [Quantity(-1.0, {Influence("reading"): 0.2}), Quantity(0.0, None)] for run in runs}
    speed = named(trends_of(runs, stops), "speed")
    # Half a stop too little on average at index 100: 100 / sqrt(2) would have been right.
    assert_allclose([point.value for point in speed.points], 100.0 / math.sqrt(2.0), rtol=1e-9)
    assert_allclose(speed.points[0].standard or 0.0, 70.71 * math.log(2.0) * 0.2, rtol=1e-3)


def test_removed_runs_and_no_runs_tell_nothing() -> None:
    for runs in ([], [Run(**{**{n: getattr(r, n) for n in Run.__slots__}, "removed": True}) for r in made_runs(1, 6)]):
        for trend in trends_of(runs, {}):
            assert (trend.points, trend.by_use, trend.sentences) == ((), (), ())


def test_figure_draws_every_trend_run_by_run_and_by_use() -> None:
    found = trends_of(made_runs(700, faded=1), {run: [Quantity(0.0, None)] for run in range(1, 31)})
    figure = trends_figure(found)
    assert len(figure.axes) == 8
    words = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert "run 30" in words
    # nothing was used twice: there is no panel for it
    assert len(trends_figure(trends_of([], {})).axes) == 1


def logged(place: Path, runs: list[Run]) -> None:
    with Notebook(place) as book:
        for run in runs:
            number = book.add_run(run).number
            shadow = {"value": 0.45, "uncertainty": 0.02}
            document = {"shadow": shadow, "net_shadow": {"value": 0.23, "uncertainty": 0.02}}
            book.add_reading(
                NewReading(
                    file="neg.tif", scan_sha256=f"{number:064d}", piece=None, calibration={"name": "one"}, options={},
                    document=document, run=number,
                )
            )  # fmt: skip


def test_trends_from_the_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "notebook.sqlite"
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(place))
    monkeypatch.chdir(tmp_path)
    assert app.run(["trends"]) == 2
    assert "no run in the notebook" in capsys.readouterr().err
    logged(place, made_runs(800, count=8, faded=1))
    for line in ("trends", "trends --film a --developer b --last 5", "trends --dilution 1+1"):
        assert app.run(line.split()) == 0
        assert all(len(row) <= 80 for row in capsys.readouterr().out.splitlines())
    assert app.run(["trends", "--json", "--plot", "trends.svg"]) == 0
    said = capsys.readouterr()
    document: dict[str, Any] = json.loads(said.out)
    assert document["format"] == "densiscan.trends/1"
    assert document["runs"] == list(range(1, 9))
    assert {trend["name"]: len(trend["points"]) for trend in document["trends"]} == dict.fromkeys(
        ("base_plus_fog", "contrast", "speed", "activity"), 8
    )
    contrast_at = next(trend for trend in document["trends"] if trend["name"] == "contrast")
    assert contrast_at["points"][-1]["out"] == "below"
    assert contrast_at["points"][0]["limits"]["provisional"]
    assert "Run 8" in contrast_at["warnings"][0]["message"]
    assert (tmp_path / "trends.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert app.run(["trends", "--film", "Other"]) == 2
    assert app.run(["trends", "--plot", "trends.txt"]) == 2
    assert app.run(["trends", "--last", "0"]) == 2
