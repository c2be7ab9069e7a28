"""A calibration drawn: its curve, what the steps left out are read back as, noise and doubt, the usable range."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from densiscan.calibration.calibration import CalibratedStep, Calibration, log_signal_doubt
from densiscan.report.figures.style import (
    FAINT,
    SHADE,
    head,
    head_figure,
    legend_below,
    new_figure,
    plain_logarithmic,
    series,
    spread_bars,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_CURVE_POINTS = 200


def calibration_figure(calibration: Calibration, *, on: Figure | None = None) -> Figure:
    """Return the figure of a calibration: curve at the left, residuals above noise at the right."""
    several = bool(calibration.looks)
    figure = new_figure(width_mm=190.0, height_mm=165.0 if several else 125.0, on=on)
    beside = ["residual", "looks", "noise"] if several else ["residual", "noise"]
    places = figure.subplot_mosaic([["curve", name] for name in beside], width_ratios=[1.05, 1.0])
    draw_calibration(places["curve"], calibration)
    _draw_residuals(places["residual"], calibration)
    _draw_noise(places["noise"], calibration)
    if several:
        _draw_looks(places["looks"], calibration)
    head_figure(figure, f"Calibration {calibration.name}")
    return figure


def aperture_noise(calibration: Calibration, step: CalibratedStep) -> float:
    """Return the standard deviation of the density that a 1 mm aperture reads on a step, by pixel noise alone.

    The noise of the log signal times the slope of the curve there, over the independent pixels in the aperture
    (JCGM 100:2008, clause 5).
    """
    reading = step.reading
    of_pixel = replace(reading, independent=1.0, apart=None)
    of_aperture = log_signal_doubt(of_pixel, inverted=calibration.inverted, black=calibration.black)
    of_aperture /= math.sqrt(max(reading.per_aperture, 1.0))
    level = (1.0 - reading.signal if calibration.inverted else reading.signal) - calibration.black
    # From one code to the next the log signal changes by 1 / (full scale x level x ln 10); hence the slope.
    per_code = 1.0 / (calibration.scan.full_scale * max(level, 1e-9) * math.log(10.0))
    return of_aperture * calibration.density_per_code(reading.density) / per_code


def _mark_range(axes: Axes, calibration: Calibration, *, upright: bool, named: bool = True) -> None:
    """Shade the densities that the scanner tells apart, on the axis that has densities."""
    low, high = calibration.density_range
    span = axes.axvspan if upright else axes.axhspan
    span(
        low,
        high,
        facecolor=SHADE,
        edgecolor="none",
        zorder=0,
        label=f"usable range, {low:.2f} to {high:.2f}" if named else None,
    )


def draw_calibration(axes: Axes, calibration: Calibration) -> None:
    """Draw the curve from signal to density, and the steps that it goes through."""
    _mark_range(axes, calibration, upright=False)
    used = [step.reading for step in calibration.steps if step.used]
    signals = np.geomspace(used[0].signal, used[-1].signal, _CURVE_POINTS)
    densities = [calibration.density_of_signal(float(signal)) for signal in signals]
    axes.plot(signals, densities, **(series(0) | {"marker": ""}), label="curve")
    for chosen, number, words in ((True, 0, "steps used"), (False, 1, "steps not used")):
        steps = [step.reading for step in calibration.steps if step.used is chosen and step.reading.signal > 0.0]
        if steps:
            axes.plot(
                [reading.signal for reading in steps],
                [reading.density for reading in steps],
                **(series(number) | {"linestyle": "none"}),
                label=words,
            )
    axes.set_xscale("log")
    plain_logarithmic(axes.xaxis)
    axes.set_xlabel("signal, fraction of full scale")
    axes.set_ylabel("density")
    head(axes, "Curve")
    legend_below(axes, columns=1)


def _draw_residuals(axes: Axes, calibration: Calibration) -> None:
    read = [(step.reading.density, step.measured) for step in calibration.steps if step.measured is not None]
    _mark_range(axes, calibration, upright=True)
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    spread_bars(
        axes,
        [density for density, _ in read],
        [measured.value - density for density, measured in read],
        [measured.uncertainty or 0.0 for _, measured in read],
    )
    axes.set_ylabel("error")
    head(axes, "Each step predicted from the others, k = 2")


def _draw_looks(axes: Axes, calibration: Calibration) -> None:
    """Draw what each look differs by from all together, as a bar about it: how it scatters from step to step, k = 2."""
    looks = calibration.looks
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    differences = [look.difference.value for look in looks]
    spread_bars(axes, list(range(1, len(looks) + 1)), differences, [2.0 * look.scatter for look in looks], number=2)
    axes.set_xticks(range(1, len(looks) + 1))
    axes.set_xlim(0.5, len(looks) + 0.5)
    axes.set_xlabel("look")
    axes.set_ylabel("density")
    head(axes, "Each look against their mean, and its scatter, k = 2")


def _draw_noise(axes: Axes, calibration: Calibration) -> None:
    _mark_range(axes, calibration, upright=True, named=False)
    steps = [step for step in calibration.steps if step.reading.signal > 0.0 and step.used]
    densities = [step.reading.density for step in steps]
    noise = [aperture_noise(calibration, step) for step in steps]
    axes.plot(densities, noise, **series(0), label="noise of a 1 mm aperture")
    grid = np.linspace(densities[0], densities[-1], _CURVE_POINTS)
    doubt = [calibration.quantity(10.0 ** -float(density)).uncertainty or math.nan for density in grid]
    axes.plot(grid, doubt, **(series(1) | {"marker": ""}), label="uncertainty of a reading, k = 2")
    axes.set_yscale("log")
    plain_logarithmic(axes.yaxis)
    axes.set_xlabel("density")
    axes.set_ylabel("density")
    head(axes, "Noise and uncertainty")
    legend_below(axes, columns=1)
