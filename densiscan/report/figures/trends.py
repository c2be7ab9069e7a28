"""Trends drawn: each figure run by run and by use of the developer, with the limits of the person's own scatter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from densiscan.development.trends import Trend, TrendPoint
from densiscan.report.figures.style import FAINT, LOOK, SHADE, head, head_figure, new_figure, series

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_NAMES: Final = 5


def trends_figure(trends: Sequence[Trend], *, title: str = "") -> Figure:
    """Return one row for each trend with a point: run by run, and by use where the developer was used again."""
    shown = [trend for trend in trends if trend.points] or list(trends[:1])
    again = len({point.use for trend in shown for point in trend.points}) > 1
    figure = new_figure(width_mm=180.0, height_mm=22.0 + 48.0 * len(shown))
    ratios = (2.2, 1.0) if again else (1.0,)
    grid = figure.subplots(len(shown), len(ratios), squeeze=False, gridspec_kw={"width_ratios": ratios})
    for row, panels in enumerate(grid):
        _by_run(panels[0], shown[row])
        head(panels[0], shown[row].label[:1].upper() + shown[row].label[1:])
        if again:
            _by_use(panels[1], shown[row])
            head(panels[1], "By use of the developer")
    if title:
        head_figure(figure, title)
    grid[-1][0].set_xlabel("run")
    if again:
        grid[-1][1].set_xlabel("use")
    return figure


def _by_run(axes: Axes, trend: Trend) -> None:
    places = {run: place for place, run in enumerate(sorted({point.run for point in trend.points}))}
    at: Any = [places[point.run] for point in trend.points]
    _limits(axes, at, trend.points)
    if trend.points:
        axes.plot(at, [point.value for point in trend.points], **series(0))
    for number, point in enumerate(point for point in trend.points if point.out):
        where: Any = (places[point.run], point.value)
        axes.plot(where[0], where[1], marker="v", markersize=7, color=LOOK)
        below = -10 if number % 2 else 5  # neighbours are named above and below in turn
        name = f"run {point.run}"
        axes.annotate(name, where, xytext=(-6, below), textcoords="offset points", fontsize=7, ha="right", color=LOOK)
    _runs(axes, trend.points, places)


def _runs(axes: Axes, points: Sequence[TrendPoint], places: Mapping[int, int]) -> None:
    """Name the runs along the axis, a few of many, with the day where it is another than that of the run before."""
    days = {point.run: date.fromisoformat(point.date[:10]) for point in points}
    named = list(places)[:: max(1, -(-len(places) // _MOST_NAMES))]
    words, before, year = [], None, None
    for run in named:
        day = f"{days[run].day} {days[run]:%b}" + ("" if days[run].year == year else f" {days[run]:%Y}")
        words.append(f"{run}\n{day}" if days[run] != before else str(run))
        before, year = days[run], days[run].year
    axes.set_xticks([places[run] for run in named], words)
    axes.set_xlim(-0.5, max(len(places), 1) - 0.5)


def _limits(axes: Axes, places: Any, points: Sequence[TrendPoint]) -> None:
    """Draw the band of what is usual behind the points, and its middle."""
    limits = [point.limits for point in points if point.limits is not None]
    if len(limits) < len(points) or not limits:
        return
    lower, upper = [one.lower for one in limits], [one.upper for one in limits]
    axes.fill_between(places, lower, upper, facecolor=SHADE, edgecolor="none", zorder=0)
    axes.plot(places, [one.middle for one in limits], color=FAINT, linewidth=0.8)


def _by_use(axes: Axes, trend: Trend) -> None:
    from matplotlib.ticker import MaxNLocator

    first = {point.use: point for point in sorted(trend.points, key=lambda point: (point.use, point.run))}
    if len(first) > 1:
        _limits(axes, list(first), list(first.values()))
    spread = series(0) | {"linestyle": "none", "markersize": 3.5, "color": FAINT}
    axes.plot([point.use for point in trend.points], [point.value for point in trend.points], **spread)
    axes.plot([one.use for one in trend.by_use], [one.mean for one in trend.by_use], **series(1))
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, min_n_ticks=1))
    axes.set_xlim(0.5, max([one.use for one in trend.by_use], default=1) + 0.5)
