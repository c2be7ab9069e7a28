"""Trends drawn: each figure by date and by use of the developer, with the limits of the person's own scatter."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from densiscan.development.trends import Point, Trend
from densiscan.report.figures.style import FAINT, INK, SHADE, new_figure, series

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def trends_figure(trends: Sequence[Trend]) -> Figure:
    """Return one row of two panels for each trend that has a point: by date, and by use."""
    shown = [trend for trend in trends if trend.points] or list(trends[:1])
    figure = new_figure(width_mm=180.0, height_mm=22.0 + 48.0 * len(shown))
    grid = figure.subplots(len(shown), 2, squeeze=False, gridspec_kw={"width_ratios": (2.2, 1.0)})
    for row, (left, right) in enumerate(grid):
        _by_date(left, shown[row])
        _by_use(right, shown[row])
        if row + 1 == len(shown):
            right.set_xlabel("use of the developer")
    return figure


def _day(point: Point) -> date:
    return date.fromisoformat(point.date[:10])


def _by_date(axes: Axes, trend: Trend) -> None:
    axes.set_ylabel(trend.label)
    days: Any = [_day(point) for point in trend.points]
    _limits(axes, days, trend.points)
    if trend.points:
        axes.plot(days, [point.value for point in trend.points], **series(0))
    for number, point in enumerate(point for point in trend.points if point.out):
        where: Any = (_day(point), point.value)
        axes.plot(where[0], where[1], marker="x", markersize=9, markeredgewidth=1.6, color=INK)
        below = -10 if number % 2 else 5  # neighbours are named above and below in turn
        name = f"run {point.run}"
        axes.annotate(name, where, xytext=(-6, below), textcoords="offset points", fontsize=7, ha="right")
    _dates(axes)


def _dates(axes: Axes) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=2, maxticks=6)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


def _limits(axes: Axes, places: Any, points: Sequence[Point]) -> None:
    """Draw the band of what is usual behind the points, and its middle."""
    limits = [point.limits for point in points if point.limits is not None]
    if len(limits) < len(points) or not limits:
        return
    lower, upper = [one.lower for one in limits], [one.upper for one in limits]
    axes.fill_between(places, lower, upper, color=SHADE, zorder=0)
    for ends in (lower, upper):
        axes.plot(places, ends, color=FAINT, linewidth=0.8, linestyle="--")
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
