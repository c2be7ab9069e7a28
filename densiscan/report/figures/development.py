"""Contrast against time, drawn: the curve as it is known, its band, the runs, and what is aimed at."""

from __future__ import annotations

from typing import TYPE_CHECKING

from densiscan.development.contrast_curve import DevelopmentCurve, RunPoint
from densiscan.report.figures.style import FAINT, INK, SHADE, new_figure, series, spread_bars

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MINUTE = 60.0


def development_figure(
    drawn: DevelopmentCurve, *, film: str = "", developer: str = "", on: Figure | None = None
) -> Figure:
    """Return the figure of contrast against time, at the temperature and use that the advice is for."""
    figure = new_figure(width_mm=150.0, height_mm=105.0, on=on)
    title = f"{film} in {developer}" if film else "Contrast against time"
    draw_development(figure.add_subplot(), drawn, title=title)
    return figure


def draw_development(axes: Axes, drawn: DevelopmentCurve, *, title: str) -> None:
    """Draw contrast against time: the curve with its band, the runs, the aim and the time advised."""
    minutes = [point.time_s / _MINUTE for point in drawn.curve]
    axes.fill_between(
        minutes,
        [point.low for point in drawn.curve],
        [point.high for point in drawn.curve],
        facecolor=SHADE,
        edgecolor=FAINT,
        linewidth=0.6,
        label="95 % band",
    )
    axes.plot(minutes, [point.contrast for point in drawn.curve], **(series(0) | {"marker": ""}), label="contrast")
    _draw_runs(axes, [run for run in drawn.runs if run.number and run.fits], 0, "run, k = 2")
    _draw_runs(axes, [run for run in drawn.runs if run.number and not run.fits], 1, "run that does not fit")
    _draw_runs(axes, [run for run in drawn.runs if not run.number], 2, "film test")
    _draw_aim(axes, drawn)
    plan = drawn.plan
    axes.set_xlabel(f"time in minutes at {plan.temperature_c:g} C, use {plan.use} of the developer")
    axes.set_ylabel("contrast")
    axes.set_ylim(bottom=0.0)
    # Names are a person's own words: dollar signs in them are no formula.
    axes.set_title(title, parse_math=False)
    axes.legend(loc="lower right")


def _draw_runs(axes: Axes, runs: list[RunPoint], number: int, words: str) -> None:
    if not runs:
        return
    times = [run.time_s / _MINUTE for run in runs]
    contrasts = [run.contrast for run in runs]
    spread_bars(axes, times, contrasts, [run.doubt for run in runs], number)
    axes.plot(times, contrasts, **(series(number) | {"linestyle": "none"}), label=words)
    for run, time, contrast in zip(runs, times, contrasts, strict=True):
        if run.number:
            axes.annotate(str(run.number), (time, contrast), xytext=(3, 3), textcoords="offset points", color=INK)


def _draw_aim(axes: Axes, drawn: DevelopmentCurve) -> None:
    """Mark the contrast aimed at, the time advised, and between which times the right one lies."""
    low, high = drawn.interval_s
    first, last = drawn.curve[0].time_s, drawn.curve[-1].time_s
    left = last if low is None else min(max(low, first), last)
    right = last if high is None else min(high, last)
    time = drawn.time_s / _MINUTE
    axes.axhline(drawn.aim, color=FAINT, linewidth=0.9, linestyle=(0, (4, 2)))
    minutes, seconds = divmod(round(drawn.time_s), 60)
    axes.plot(
        [left / _MINUTE, right / _MINUTE],
        [drawn.aim, drawn.aim],
        color=series(1)["color"],
        linewidth=2.2,
        label=f"aim {drawn.aim:.2f}: 95 % range of times",
    )
    axes.axvline(time, color=INK, linewidth=0.9, linestyle=(0, (4, 2)), label=f"advised, {minutes}:{seconds:02d}")
