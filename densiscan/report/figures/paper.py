"""A paper test drawn: its curve, where its tones begin and end, and the range between."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from densiscan.errors import PaperTestError
from densiscan.paper.curve import FIRST_TONE, FULL_SHADOW
from densiscan.paper.tested_range import PaperTest
from densiscan.report.figures.style import FAINT, INK, SHADE, head_figure, new_figure, series, spread_bars

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from densiscan.paper.curve import PaperCurve

_CURVE_POINTS = 300


def paper_figure(test: PaperTest, *, on: Figure | None = None) -> Figure:
    """Return the figure of a paper test; errors as for `draw_paper`."""
    figure = new_figure(width_mm=150.0, height_mm=105.0, on=on)
    draw_paper(figure.subplots(), test)
    head_figure(figure, f"Paper {test.circumstances.name}" if test.circumstances.name else "Paper test")
    return figure


def draw_paper(axes: Axes, test: PaperTest) -> None:
    """Draw a paper test: its curve, where its tones begin and end, and the range between.

    Raises
    ------
    PaperTestError
        If there is no curve to draw: steps were counted by eye.
    """
    curve = test.curve()
    if curve is None:
        raise PaperTestError(
            "steps counted by eye make no curve to draw; scan the print of the wedge, or leave `plot` out."
        )
    _draw_curve(axes, test, curve)
    _draw_range(axes, test, curve)
    axes.set_xlabel("log exposure" + (", relative to the exposure made" if test.from_wedge else ""))
    axes.set_ylabel("density above the print's own white" if test.relative else "reflection density")


def _draw_curve(axes: Axes, test: PaperTest, curve: PaperCurve) -> None:
    fine = np.linspace(curve.log_exposure[0], curve.log_exposure[-1], _CURVE_POINTS)
    axes.plot(fine, curve.density_at(fine), **(series(0) | {"marker": ""}))
    spread_bars(
        axes,
        [point.log_exposure.value for point in test.points],
        [point.density.value for point in test.points],
        [point.density.uncertainty or 0.0 for point in test.points],
    )


def _draw_range(axes: Axes, test: PaperTest, curve: PaperCurve) -> None:
    light, dark = test.highlight_log_exposure.value, test.shadow_log_exposure.value
    low, high = curve.base + FIRST_TONE, curve.base + FULL_SHADOW * curve.net
    axes.axvspan(light, dark, facecolor=SHADE, edgecolor="none", zorder=0)
    for level, words, way in (
        (curve.base, "base plus fog", "top"),
        (curve.top, "maximum black", "bottom"),
    ):
        axes.axhline(level, color=FAINT, linewidth=0.8, linestyle=(0, (4, 2)))
        right = way == "top"
        axes.annotate(
            words,
            (curve.log_exposure[-1 if right else 0], level),
            xytext=(0, 3 if right else -9),
            textcoords="offset points",
            ha="right" if right else "left",
            va="bottom" if right else "top",
            color=INK,
        )
    for place, level, words, away in (
        (light, low, "T: 0.04 above\nbase plus fog", (-6, 26)),
        (dark, high, "S: 90 % of the\nnet maximum", (10, -22)),
    ):
        axes.plot([place, place], [curve.base, level], color=INK, linewidth=0.8)
        axes.plot([place], [level], marker="x", color=INK, markersize=9, markeredgewidth=1.6, zorder=5)
        axes.annotate(
            words,
            (place, level),
            xytext=away,
            textcoords="offset points",
            ha="right" if away[0] < 0 else "left",
            color=INK,
            arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.6},
        )
    middle = curve.base + 0.5 * curve.net
    axes.annotate("", (light, middle), (dark, middle), arrowprops={"arrowstyle": "<->", "color": INK, "linewidth": 0.9})
    doubt = test.iso_range.uncertainty
    is_ = "=" if test.iso_range.limit is None else test.iso_range.limit
    words = f"R {is_} {test.iso_range.value:.0f}" + ("" if doubt is None else f" ± {max(doubt, 1.0):.0f}")
    axes.annotate(words, (light, middle), xytext=(8, 4), textcoords="offset points", ha="left", color=INK)
