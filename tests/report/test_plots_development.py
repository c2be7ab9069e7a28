"""Contrast against time, drawn and brought to one condition."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.cli.app import run as command
from densiscan.development.advice import Plan, advise_from
from densiscan.development.contrast_curve import DevelopmentCurve, RunPoint, development_curve
from densiscan.development.evidence import evidence_of
from densiscan.development.posterior import posterior_of
from densiscan.development.run import Run
from densiscan.report.figures.development import development_figure
from densiscan.report.figures.style import dress, save_figure


def run(number: int, time_s: float, density_range: float, *, temperature_c: float = 20.0) -> Run:
    return Run(
        number=number,
        film="film for $5",
        developer="soup",
        date="2026-01-01",
        time_s=time_s,
        temperature_c=temperature_c,
        scene_stops=22.0 / 3.0,
        density_ranges=(Quantity(density_range, {Influence("reading"): 0.01}),),
    )


def curve_of(runs: list[Run], plan: Plan) -> DevelopmentCurve:
    known = posterior_of(evidence_of(runs))
    return development_curve(known, advise_from(known, runs, plan))


def test_runs_lie_at_the_time_that_would_have_done_the_same() -> None:
    runs = [run(1, 480.0, 1.0), run(2, 480.0, 1.25, temperature_c=24.0)]
    drawn = curve_of(runs, Plan(target_range=Quantity(1.05), scene_stops=22.0 / 3.0))
    assert_allclose(drawn.runs[0].time_s, 480.0)
    # Warmer by 4 C is as good as a longer time at 20 C: 1.9 to 2.5 times for 10 C.
    assert 480.0 * 1.9**0.4 < drawn.runs[1].time_s < 480.0 * 2.5**0.4
    assert_allclose([one.contrast for one in drawn.runs], np.array([1.0, 1.25]) / 1.85, rtol=1e-9)
    assert_allclose(drawn.aim, 1.05 / 1.85)


def test_the_curve_rises_within_its_band_and_passes_the_aim_at_the_advised_time() -> None:
    drawn = curve_of([run(1, 480.0, 1.0)], Plan(target_range=Quantity(1.05), scene_stops=22.0 / 3.0))
    contrasts = [point.contrast for point in drawn.curve]
    assert contrasts == sorted(contrasts)
    assert all(point.low < point.contrast < point.high for point in drawn.curve)
    at = np.interp(drawn.time_s, [point.time_s for point in drawn.curve], contrasts)
    # Times are given to five seconds, which is half a hundredth of contrast here.
    assert_allclose(at, drawn.aim, atol=0.005)


@pytest.mark.parametrize("number", [0, 1, 8])
def test_the_figure_is_drawn_with_few_runs_and_many(tmp_path: Path, number: int) -> None:
    runs = [run(n, 480.0, 1.0) for n in range(1, number)] + ([run(number, 480.0, 0.5)] if number else [])
    drawn = curve_of(runs, Plan(target_range=Quantity(1.05)))
    save_figure(development_figure(drawn, film="film for $5", developer="soup"), tmp_path / "figure.svg")
    words = (tmp_path / "figure.svg").read_text(encoding="utf-8")
    assert "film for $5 in soup" in words
    assert "advised" in words
    assert ("run that does not fit" in words) == (number == 8)


def test_advise_draws(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = ["advise", "--film", "f", "--developer", "d", "--notebook", str(tmp_path / "notebook.sqlite")]
    assert command([*names, "--plot", str(tmp_path / "figure.png")]) == 0
    assert (tmp_path / "figure.png").read_bytes().startswith(b"\x89PNG")
    assert command([*names, "--plot", str(tmp_path / "figure.bmp")]) == 2
    assert "end it in .png" in capsys.readouterr().err


def test_runs_close_together_keep_their_numbers_apart() -> None:
    runs = [
        RunPoint(number=number, time_s=450.0 + 4 * number, contrast=0.6 + 0.002 * number, doubt=0.03, fits=True)
        for number in range(1, 13)
    ]
    known = curve_of([run(1, 480.0, 1.0), run(2, 600.0, 1.1)], Plan(target_range=Quantity(1.05)))
    curve = replace(known, runs=tuple(runs))
    figure = development_figure(curve)
    (axes,) = figure.axes
    dress(axes)
    figure.draw_without_rendering()
    # Of the height of a line a fifth is room below the figures.
    numbers = [text for text in axes.texts if text.get_text().isdecimal()]
    boxes = [Text.get_window_extent(number).expanded(0.9, 0.75) for number in numbers]
    assert len(boxes) == 12
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
