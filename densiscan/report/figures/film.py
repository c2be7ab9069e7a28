"""A characteristic curve drawn, with the definitions of what is read from it; axes at equal scale, as arcs need."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from densiscan.development.family import Family
from densiscan.film.definitions import FAR_ARC, GRADIENT_SPAN, NEAR_ARC, SHORT_ARC, SPEED_NET, Arcs
from densiscan.film.speed_and_contrast import FilmTest
from densiscan.report.figures.style import FAINT, INK, SHADE, head, head_figure, legend_below, new_figure, series

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_HALF_ARC_DEG = 9.0
_WIDTH_MM = 180.0
_MARGIN_MM = 18.0
"""What is left of the axes for their numbers and label."""
_ROUND_MM = 48.0
"""What heading, numbers and legend take of the height."""


def film_figure(test: FilmTest, *, name: str = "", on: Figure | None = None) -> Figure:
    """Return the figure of a film test: the curve with its definitions, and how far the points lie from it."""
    across, up = _extent(test)
    panel = (_WIDTH_MM - _MARGIN_MM) * (up[1] - up[0]) / (across[1] - across[0])
    figure = new_figure(width_mm=_WIDTH_MM, height_mm=1.25 * panel + _ROUND_MM, on=on)
    grid = figure.add_gridspec(2, 1, height_ratios=[1.0, 5.2])
    curve = figure.add_subplot(grid[1])
    rest = figure.add_subplot(grid[0], sharex=curve)
    draw_film(curve, test)
    _draw_rest(rest, test)
    head_figure(figure, f"Film test {name}".rstrip())
    return figure


def draw_film(axes: Axes, test: FilmTest) -> None:
    """Draw the characteristic curve with what is read from it."""
    across, up = _extent(test)
    _draw_curve(axes, test)
    axes.set_xlim(*across)
    axes.set_ylim(*up)
    axes.set_xlabel("log exposure, lux seconds" if test.aim.absolute else "log exposure, relative")
    legend_below(axes)


def _extent(test: FilmTest) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return from where to where log exposure and density are drawn."""
    low, high = float(test.curve.log_exposure[0]) - 0.1, float(test.curve.log_exposure[-1]) + 0.1
    bottom = min(test.curve.base, float(test.curve.density[0])) - 0.15
    return (low, high), (bottom, bottom + max(0.5 * (high - low), float(test.curve.density[-1]) - bottom + 0.1))


def _draw_curve(axes: Axes, test: FilmTest) -> None:
    curve, base = test.curve, test.curve.base
    x = curve.log_exposure
    doubt = 2.0 * np.sqrt(np.sum(curve.changes**2, axis=0))
    axes.fill_between(x, curve.density - doubt, curve.density + doubt, facecolor=SHADE, edgecolor="none", zorder=0)
    axes.plot(x, curve.density, color=INK, linewidth=1.6, label="curve with uncertainty")
    axes.plot(
        [point.log_exposure.value for point in test.points],
        [point.density.value for point in test.points],
        **(series(0) | {"linestyle": "none"}),
        label="points",
    )
    if test.base_plus_fog is not None:
        axes.axhline(base, color=FAINT, linewidth=0.8)
        axes.annotate(f"base plus fog {base:.2f}", (float(x[-1]), base), ha="right", va="bottom", color=INK, fontsize=7)
    _draw_gamma(axes, test)
    _draw_speed(axes, test)
    _draw_gradient(axes, test)
    if test.arcs is not None:
        _draw_arcs(axes, test.arcs, base, test)
    # Arcs stay round; the axes keep their width and show more to either side instead.
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_ylabel("density")


def _draw_gamma(axes: Axes, test: FilmTest) -> None:
    """Draw the straight part continued down to base plus fog."""
    if test.gamma is None:
        return
    low, high = test.straight
    x, density = test.curve.log_exposure, test.curve.density
    start = float(np.interp(low, x, density))
    slope = test.gamma.value
    foot = low - (start - test.curve.base) / max(slope, 0.05)
    top = start + (high - low) * slope
    axes.plot(
        [foot, high], [test.curve.base, top], **(series(1) | {"marker": ""}), label=f"gamma {slope:.2f}: straight part"
    )


def _draw_speed(axes: Axes, test: FilmTest) -> None:
    if test.speed_log_exposure is None:
        return
    place, density = test.speed_log_exposure.value, test.curve.base + SPEED_NET
    axes.plot([place], [density], marker="P", markersize=8, color=INK, linestyle="none", zorder=4)
    axes.vlines(place, test.curve.base, density, color=INK, linewidth=0.8)
    axes.annotate(
        f"speed point {place:.2f}",
        (place, density),
        textcoords="offset points",
        xytext=(-16, 8),
        ha="right",
        color=INK,
        fontsize=7,
    )


def _draw_gradient(axes: Axes, test: FilmTest) -> None:
    if test.average_gradient is None or test.speed_log_exposure is None:
        return
    place, low = test.speed_log_exposure.value, test.curve.base + SPEED_NET
    slope = test.average_gradient.value
    axes.plot(
        [place, place + GRADIENT_SPAN],
        [low, low + slope * GRADIENT_SPAN],
        **(series(2) | {"marker": "^"}),
        label=f"average gradient {slope:.2f}: over 1.50",
    )


def _draw_arcs(axes: Axes, arcs: Arcs, base: float, test: FilmTest) -> None:
    """Draw the two arcs of the contrast index, the line through their cuts, and the arc of the short method."""
    x, y = arcs.centre[0], base
    angle = math.degrees(math.atan(arcs.slope))
    axes.plot(
        [x, arcs.near[0], arcs.far[0]],
        [y, base + arcs.near[1], base + arcs.far[1]],
        **(series(3) | {"markersize": 4.0}),
        label=f"contrast index {arcs.slope:.2f}: arcs 0.20 and 2.20",
    )
    _arc(axes, (x, y), NEAR_ARC, (0.0, min(angle + 35.0, 90.0)))
    _arc(axes, (x, y), FAR_ARC, (angle - _HALF_ARC_DEG, angle + _HALF_ARC_DEG))
    if test.short_arc is not None:
        short = test.short_arc
        angle = math.degrees(math.atan(short.slope))
        centre = (short.centre[0], base + short.centre[1])
        _arc(axes, centre, SHORT_ARC, (angle - 0.6 * _HALF_ARC_DEG, angle + 0.6 * _HALF_ARC_DEG), faint=True)


def _arc(
    axes: Axes, centre: tuple[float, float], radius: float, ends: tuple[float, float], faint: bool = False
) -> None:
    angles = np.radians(np.linspace(*ends, 40))
    axes.plot(
        centre[0] + radius * np.cos(angles),
        centre[1] + radius * np.sin(angles),
        color=FAINT if faint else INK,
        linewidth=0.9,
        linestyle=(0, (1, 1.5)) if faint else "-",
    )


def _draw_rest(axes: Axes, test: FilmTest) -> None:
    """Draw how far each point lies from the curve, with its uncertainty."""
    places = np.array([point.log_exposure.value for point in test.points])
    rest = [point.density.value for point in test.points] - np.interp(
        places, test.curve.log_exposure, test.curve.density
    )
    bars = [point.density.uncertainty or 0.0 for point in test.points]
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    axes.errorbar(places, rest, yerr=bars, **(series(0) | {"linestyle": "none"}), ecolor=INK, elinewidth=0.8)
    axes.set_ylabel("residual")
    axes.tick_params(labelbottom=False)


def family_figure(family: Family, *, name: str) -> Figure:
    """Return the figure of a family: its curves at the left, contrast against time at the right."""
    figure = new_figure(width_mm=190.0, height_mm=95.0)
    curves, times = figure.subplots(1, 2)
    for number, member in enumerate(family.members):
        curve = member.test.curve
        options = series(number) | {"marker": ""}
        curves.plot(curve.log_exposure, curve.net, **options)
        curves.annotate(
            "{}:{:02d}".format(*divmod(round(member.time_s), 60)),
            (float(curve.log_exposure[-1]), float(curve.net[-1])),
            textcoords="offset points",
            xytext=(4, -3),
            color=series(number)["color"],
        )
    curves.set_xlabel("log exposure")
    curves.set_ylabel("density above base plus fog")
    curves.margins(x=0.08)
    head(curves, "Curves, by time")
    _draw_law(times, family)
    head_figure(figure, name)
    return figure


def _draw_law(axes: Axes, family: Family) -> None:
    longest = family.members[-1].time_s
    times = np.linspace(0.0, 1.5 * longest, 60)
    law = [family.contrast_at(float(time)) for time in times]
    middle = np.array([contrast.value for contrast in law])
    doubt = np.array([contrast.uncertainty or 0.0 for contrast in law])
    axes.fill_between(times / 60.0, middle - doubt, middle + doubt, facecolor=SHADE, edgecolor="none", zorder=0)
    axes.plot(times / 60.0, middle, color=INK, linewidth=1.4)
    axes.errorbar(
        [point.time_s / 60.0 for point in family.contrasts],
        [point.contrast.value for point in family.contrasts],
        yerr=[point.contrast.uncertainty or 0.0 for point in family.contrasts],
        **(series(0) | {"linestyle": "none"}),
        ecolor=INK,
        elinewidth=0.8,
    )
    for row in family.table:
        if row.time_s is not None:
            axes.plot([row.time_s.value / 60.0] * 2, [0.0, row.contrast], color=FAINT, linewidth=0.8, linestyle=":")
            axes.annotate(
                f"{row.contrast_stops:+d}" if row.contrast_stops else "normal",
                (row.time_s.value / 60.0, row.contrast),
                textcoords="offset points",
                xytext=(-3, 5),
                ha="right",
                color=INK,
                fontsize=7,
            )
    axes.set_ylim(bottom=0.0)
    axes.set_xlim(0.0, 1.5 * longest / 60.0)
    axes.set_xlabel("time in minutes")
    axes.set_ylabel(f"contrast: {family.measure}")
    head(axes, "Contrast against time; stops up and down")
