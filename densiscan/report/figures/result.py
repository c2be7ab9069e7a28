"""A result as a figure: the one that its command draws, or its main panel on axes of somebody else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from densiscan.calibration.calibration import Calibration
from densiscan.development.advice import Advice
from densiscan.development.contrast_curve import DevelopmentCurve, development_curve
from densiscan.errors import DensiscanError
from densiscan.film.speed_and_contrast import FilmTest
from densiscan.paper.tested_range import PaperTest
from densiscan.report.figures.calibration import calibration_figure, draw_calibration
from densiscan.report.figures.development import development_figure, draw_development
from densiscan.report.figures.film import draw_film, film_figure
from densiscan.report.figures.paper import draw_paper, paper_figure
from densiscan.report.figures.style import dress

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """How a kind of result is drawn: its whole figure on an empty one, its main panel on axes."""

    figure: Callable[[Any, Figure], object]
    panel: Callable[[Axes, Any], None]


def plot(result: object, ax: Axes | None = None) -> Axes:
    """Draw a result and return the axes of its main panel.

    Parameters
    ----------
    result
        A `Calibration`, `FilmTest`, `PaperTest` or `Advice`; each has it as a method too.
    ax
        Where its main panel alone is drawn. None: the whole figure that the command line draws is made by pyplot, so
        that a notebook shows it and `pyplot.show()` elsewhere; `ax.figure.savefig(...)` writes it.

    Raises
    ------
    TypeError
        If it is none of them.
    PaperTestError
        If steps were counted by eye: they make no curve.

    Examples
    --------
    >>> axes = plot(read_calibration("mine.json"))
    >>> len(axes.figure.axes)
    3
    """
    drawing = _DRAWINGS.get(type(result))
    if drawing is None:
        message = f"{type(result).__name__} has no figure; give a calibration, a film test, a paper test or an advice"
        raise TypeError(message)
    if ax is not None:
        drawing.panel(ax, result)
        return ax
    from matplotlib import pyplot as plt

    figure = plt.figure(layout="constrained", facecolor="white")
    try:
        drawing.figure(result, figure)
    except DensiscanError:
        plt.close(figure)
        raise
    for axes in figure.axes:
        dress(axes)
    return figure.axes[0]


def _development(advice: Advice) -> DevelopmentCurve:
    return development_curve(advice.posterior, advice)


_DRAWINGS: dict[type, _Drawing] = {
    Advice: _Drawing(
        figure=lambda advice, figure: development_figure(_development(advice), on=figure),
        panel=lambda axes, advice: draw_development(axes, _development(advice)),
    ),
    Calibration: _Drawing(
        figure=lambda calibration, figure: calibration_figure(calibration, on=figure), panel=draw_calibration
    ),
    FilmTest: _Drawing(figure=lambda test, figure: film_figure(test, on=figure), panel=draw_film),
    PaperTest: _Drawing(figure=lambda test, figure: paper_figure(test, on=figure), panel=draw_paper),
}
