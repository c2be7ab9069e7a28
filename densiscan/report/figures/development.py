"""Contrast against time, drawn: the curve as it is known, its band, the runs, and what is aimed at."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

from densiscan.development.contrast_curve import DevelopmentCurve, RunPoint
from densiscan.report.figures.style import (
    FAINT,
    INK,
    LOOK,
    SHADE,
    SOFT,
    head,
    head_figure,
    legend_below,
    new_figure,
    series,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MINUTE = 60.0

_NUMBER_SHARE: Final = (0.0145, 0.046)
"""Width of a figure and height of a number, as shares of the axes of the whole figure."""


def development_figure(
    curve: DevelopmentCurve, *, film: str = "", developer: str = "", on: Figure | None = None
) -> Figure:
    """Return the figure of contrast against time, at the temperature and use that the advice is for.

    Without a film it has no heading: it stands under one already.
    """
    figure = new_figure(width_mm=150.0, height_mm=105.0, on=on)
    draw_development(figure.add_subplot(), curve)
    if film:
        head_figure(figure, f"{film} in {developer}")
    return figure


def draw_development(axes: Axes, curve: DevelopmentCurve) -> None:
    """Draw contrast against time: the curve with its band, the runs, the aim and the time advised."""
    minutes = [point.time_s / _MINUTE for point in curve.curve]
    low, high = [point.low for point in curve.curve], [point.high for point in curve.curve]
    axes.fill_between(minutes, low, high, facecolor=SHADE, edgecolor="none", label="95 % band")
    axes.plot(minutes, [point.contrast for point in curve.curve], **(series(0) | {"marker": ""}), label="contrast")
    plan = curve.plan
    axes.set_xlabel("minutes")
    axes.set_ylabel("contrast")
    axes.set_xlim(minutes[0], minutes[-1])
    top = max(*high, *(run.contrast + run.doubt for run in curve.runs), curve.aim) * 1.08
    axes.set_ylim(0.0, top)
    _draw_aim(axes, curve, top)
    _draw_runs(axes, [run for run in curve.runs if run.number and run.fits], 0, "run, k = 2")
    _draw_runs(axes, [run for run in curve.runs if run.number and not run.fits], 1, "run that does not fit")
    _draw_runs(axes, [run for run in curve.runs if not run.number], 2, "film test")
    _number(axes, [run for run in curve.runs if run.number], (minutes[-1] - minutes[0], top))
    head(axes, f"Contrast against time at {plan.temperature_c:g} C, use {plan.use} of the developer")
    legend_below(axes, columns=3)


def _draw_runs(axes: Axes, runs: list[RunPoint], number: int, words: str) -> None:
    if not runs:
        return
    times = [run.time_s / _MINUTE for run in runs]
    axes.errorbar(
        times,
        [run.contrast for run in runs],
        yerr=[run.doubt for run in runs],
        **(series(number) | {"linestyle": "none", "zorder": 3}),
        ecolor=FAINT,
        elinewidth=0.7,
        label=words,
    )


def _number(axes: Axes, runs: list[RunPoint], extent: tuple[float, float]) -> None:
    """Write the number of each run as near to it as there is room, from afar with a line."""
    taken = [(run.time_s / _MINUTE / extent[0], run.contrast / extent[1], 0.012, 0.018) for run in runs]
    for run in sorted(runs, key=lambda run: (run.time_s, run.contrast)):
        x, y = run.time_s / _MINUTE / extent[0], run.contrast / extent[1]
        wide, high = _NUMBER_SHARE[0] * len(str(run.number)), _NUMBER_SHARE[1]
        for away, (right, up) in itertools.product(range(1, 17), ((1, -1), (-1, 1), (0.2, -1.2), (-0.2, 1.2))):
            place = x + 0.018 * right * (1 + 0.3 * away), y + 0.04 * up * (0.5 + 0.5 * away), wide / 2, high / 2
            if not any(_touch(place, other) for other in taken):
                break
        taken.append(place)
        at = (x * extent[0], y * extent[1])
        line = {"arrowstyle": "-", "color": FAINT, "linewidth": 0.5, "shrinkA": 0, "shrinkB": 2} if away > 2 else None
        axes.annotate(
            str(run.number),
            at,
            xytext=(place[0] * extent[0], place[1] * extent[1]),
            ha="center",
            va="center",
            color=SOFT,
            arrowprops=line,
        )


def _touch(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    """Return whether two boxes, each by its middle and half its size, overlap."""
    return abs(one[0] - other[0]) < one[2] + other[2] and abs(one[1] - other[1]) < one[3] + other[3]


def _draw_aim(axes: Axes, curve: DevelopmentCurve, top: float) -> None:
    """Mark the contrast aimed at, the time advised, and between which times the right one lies."""
    low, high = curve.interval_s
    first, last = curve.curve[0].time_s, curve.curve[-1].time_s
    left = last if low is None else min(max(low, first), last)
    right = last if high is None else min(high, last)
    time = curve.time_s / _MINUTE
    axes.axhline(curve.aim, color=LOOK, linewidth=1.0, linestyle=(0, (5, 3)))
    axes.annotate(
        f"aim {curve.aim:.2f}",
        (1.0, curve.aim),
        xycoords=("axes fraction", "data"),
        xytext=(-2, 3),
        textcoords="offset points",
        ha="right",
        color=LOOK,
    )
    axes.axvline(time, color=INK, linewidth=1.1)
    minutes, seconds = divmod(round(curve.time_s), 60)
    axes.annotate(
        f"advised {minutes}:{seconds:02d}",
        (time, top),
        xytext=(4, -9),
        textcoords="offset points",
        color=INK,
        fontweight="bold",
    )
    axes.plot(
        [left / _MINUTE, right / _MINUTE],
        [0.012 * top] * 2,
        color=INK,
        linewidth=4.0,
        solid_capstyle="round",
        label="95 % range of times",
    )
