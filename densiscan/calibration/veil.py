"""What glare does to readings by a calibration: the doubt it leaves on them, or its correction where a person asks.

Scattered light adds to light. A wedge has glare of its own surroundings when it is scanned, and its calibration takes
that for the scanner's curve. What counts is therefore the veil over a place less the veil that lay over the step of the
same density.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration, StepReading
from densiscan.calibration.glare import REACHES_MM, USUAL, Glare, spread, veil
from densiscan.calibration.posterior_curve import refitted
from densiscan.calibration.weighed_curve import steps_of
from densiscan.errors import MeasureError
from densiscan.scan.places import BoxMm
from densiscan.scan.survey import CellsInside, Survey

COARSE_MM: Final = 1.0
"""Cell on which glare is reckoned: two thirds of its shortest reach."""
_LEFT_OVER: Final = 0.2
"""Part of a correction that stays in doubt (k = 1): the slot's shares, and light from beyond the scan."""
_NEAR: Final = 0.05
_SOME: Final = 65_536


def coarse(light: Floats, cell_mm: tuple[float, float]) -> tuple[Floats, tuple[float, float]]:
    """Return means over blocks of about `COARSE_MM`, and the size of a block; what is left over at an edge is cut."""
    down, across = (max(1, round(COARSE_MM / size)) for size in cell_mm)
    rows, columns = max(light.shape[0] // down, 1), max(light.shape[1] // across, 1)
    part = light[: rows * down, : columns * across]
    if part.shape != (rows * down, columns * across):
        return light, cell_mm
    return part.reshape(rows, down, columns, across).mean(axis=(1, 3)), (down * cell_mm[0], across * cell_mm[1])


def with_surrounds(readings: Sequence[StepReading], light: Floats, cell_mm: float) -> list[StepReading]:
    """Return the readings of a wedge's steps with the light round each of them, spread by every reach of glare.

    Parameters
    ----------
    light
        Light over the whole scan of the wedge, bare glass about 1, shape (rows, columns).
    cell_mm
        Side of a cell.
    """
    small, sizes = coarse(np.maximum(light, 0.0), (cell_mm, cell_mm))
    maps = [spread(small, reach, cell_mm=sizes) for reach in REACHES_MM]
    return [
        replace(reading, surround=tuple(_middle_of(one, reading.box_mm, sizes) for one in maps)) for reading in readings
    ]


def _middle_of(values: Floats, box_mm: BoxMm, sizes: tuple[float, float]) -> float:
    left, top, width, height = box_mm
    return float(_at(values, sizes, np.array([left + 0.5 * width]), np.array([top + 0.5 * height]))[0])


def _at(values: Floats, sizes: tuple[float, float], x_mm: Floats, y_mm: Floats) -> Floats:
    """Return values between the middles of cells; beyond the border its value goes on."""
    row = np.clip(y_mm / sizes[0] - 0.5, 0.0, values.shape[0] - 1.0)
    column = np.clip(x_mm / sizes[1] - 0.5, 0.0, values.shape[1] - 1.0)
    top, left = (
        np.minimum(place.astype(np.intp), max(size - 2, 0))
        for place, size in ((row, values.shape[0]), (column, values.shape[1]))
    )
    below, beside = np.minimum(top + 1, values.shape[0] - 1), np.minimum(left + 1, values.shape[1] - 1)
    down, right = row - top, column - left
    upper = values[top, left] * (1.0 - right) + values[top, beside] * right
    lower = values[below, left] * (1.0 - right) + values[below, beside] * right
    result: Floats = upper * (1.0 - down) + lower * down
    return result


def _step_veil(reading: StepReading, glare: Glare) -> float:
    return math.fsum(share * light for share, light in zip(glare.shares, reading.surround or (), strict=True))


def freed_curve(calibration: Calibration, glare: Glare) -> Calibration:
    """Return the calibration whose curve gives the light at the sensor, veil included, instead of transmittance.

    Raises
    ------
    MeasureError
        If the calibration does not know what lay round its wedge.
    """
    if any(step.reading.surround is None for step in calibration.steps):
        raise MeasureError(
            f"the calibration {calibration.name} does not record what lay round its wedge, so glare cannot be "
            "corrected; calibrate again with this version."
        )
    steps = []
    for step in calibration.steps:
        reading = step.reading
        lamp = 1.0 if reading.light is None else reading.light
        light = lamp * (1.0 - glare.total) + _step_veil(reading, glare) * 10.0**reading.density
        # Freed of what lies round it, a step has nothing left of it that could be in doubt.
        steps.append(replace(step, reading=replace(reading, light=light, surround=None)))
    try:
        freed = replace(calibration, steps=tuple(steps), laws=())
        return replace(freed, laws=refitted(calibration.laws, steps_of(freed.used_steps())))
    except ValueError as problem:
        raise MeasureError(
            f"with this glare the steps of the calibration {calibration.name} no longer run from light to dense; "
            "scan the slot again, or measure without correction."
        ) from problem


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Veil:
    """The light scattered over a scan, and what it means for readings on it.

    Attributes
    ----------
    corrected
        Whether readings are freed of it; else it widens their uncertainty.
    known
        Whether it is this scanner's; else it is the usual one, as a root mean square.
    map
        Veil in blocks of `sizes` (height, width in mm), bare glass 1.
    densities, of_wedge
        Densities of the calibration, and the veil in its curve at each; 0 where it is not known.
    """

    glare: Glare
    corrected: bool
    known: bool
    map: Floats
    sizes: tuple[float, float]
    densities: Floats
    of_wedge: Floats

    def at(self, x_mm: float, y_mm: float) -> float:
        """Return the veil at a place."""
        return float(_at(self.map, self.sizes, np.array([x_mm]), np.array([y_mm]))[0])

    def over_pixels(self, x_mm: Floats, y_mm: Floats) -> npt.NDArray[np.float32]:
        """Return the veil where columns and rows of pixels cross, shape (rows, columns)."""
        down, along = self.map.shape
        row = np.clip(y_mm / self.sizes[0] - 0.5, 0.0, down - 1.0)
        top = np.minimum(row.astype(np.intp), max(down - 2, 0))
        first, last = int(top.min()), int(top.max()) + 2
        place = x_mm / self.sizes[1] - 0.5
        rows = [np.interp(place, np.arange(along), one).astype(np.float32) for one in self.map[first:last]]
        across = np.array([*rows, rows[-1]])
        above = across[top - first]
        return np.asarray(above + (row - top).astype(np.float32)[:, None] * (across[top - first + 1] - above))

    def over(self, surveyed: Survey) -> Floats:
        """Return the veil at the middle of each cell of a survey."""
        x = 0.5 * (surveyed.x_edges_mm[:-1] + surveyed.x_edges_mm[1:])
        y = 0.5 * (surveyed.y_edges_mm[:-1] + surveyed.y_edges_mm[1:])
        return _at(self.map, self.sizes, *np.meshgrid(x, y))

    def freed(self, light: float, x_mm: float, y_mm: float) -> float:
        """Return light at a place without its veil, where readings are to be corrected."""
        return (light - self.at(x_mm, y_mm)) / (1.0 - self.glare.total) if self.corrected else light

    def freed_survey(self, surveyed: Survey) -> Survey:
        """Return a survey of light without its veil, for readings that are corrected."""
        rest = 1.0 - self.glare.total
        return replace(surveyed, mean=(surveyed.mean - self.over(surveyed)) / rest, sd=surveyed.sd / rest)

    def near(self, surveyed: Survey, cells: CellsInside, density: float) -> float:
        """Return the median veil over those cells that have about this density."""
        away = cells.of(surveyed.mean)
        np.log10(np.maximum(away, 1e-8, out=away), out=away)
        away += density
        np.abs(away, out=away)
        hundredth = away.size // 100
        rows, columns = cells.places(away <= max(_NEAR, float(np.partition(away, hundredth)[hundredth])))
        x, y = surveyed.x_edges_mm, surveyed.y_edges_mm
        middle_x, middle_y = 0.5 * (x[:-1] + x[1:]), 0.5 * (y[:-1] + y[1:])
        # some at a time, as what is made on the way is ten times as large as what is found
        parts = [
            _at(self.map, self.sizes, middle_x[columns[first : first + _SOME]], middle_y[rows[first : first + _SOME]])
            for first in range(0, rows.size, _SOME)
        ]
        return float(np.median(np.concatenate(parts)))

    def quantity(self, calibration: Calibration, light: float, noise: float, key: str, over: float) -> Quantity:
        """Return the density of a mean light under this veil, with all influences on it.

        Parameters
        ----------
        calibration
            The one of `freed_curve` where readings are corrected.
        light
            Freed of its veil where readings are corrected.
        noise, key
            As `Calibration.quantity` takes them.
        over
            The veil over what is read.
        """
        if self.corrected:
            share = over / max(light, 1e-8) / math.log(10.0)
            seen = light * (1.0 - self.glare.total) + over
            steep = seen / max(light * (1.0 - self.glare.total), 1e-8)
            whole = calibration.quantity(seen)
            parts = {influence: steep * part for influence, part in (whole.parts or {}).items()}
            density = Quantity(-math.log10(max(light, 1e-8)), parts)
            return _with_noise(density, noise, key).with_part(Influence("glare"), _LEFT_OVER * share)
        density = calibration.quantity(light, noise, key)
        excess = (over - self.over_wedge(density.value)) / max(light, 1e-8)
        return density.with_part(Influence("glare"), float(self.doubt(excess)))

    def over_wedge(self, density: npt.ArrayLike) -> Floats:
        """Return the veil that the calibration takes for the scanner's own at densities; 0 where none is known."""
        return np.asarray(np.interp(np.asarray(density), self.densities, self.of_wedge))

    def doubt(self, excess: npt.ArrayLike) -> Floats:
        """Return what a veil that is not corrected contributes to a density (k = 1).

        Parameters
        ----------
        excess
            The veil less that of the wedge, as a part of the light read.
        """
        share = np.asarray(excess)
        if not self.known:
            # The share is a root mean square: what it makes of a reading is a standard uncertainty about none.
            return -share / math.log(10.0)
        # An error that is known but not corrected, as a rectangle of its own half-width (JCGM 100:2008, 4.3.7).
        return np.log10(np.maximum(1.0 - share, 0.01)) / math.sqrt(3.0)


def _with_noise(density: Quantity, noise: float, key: str) -> Quantity:
    return density.with_part(Influence("patch noise", key), noise) if noise > 0.0 else density


def veil_over(surveyed: Survey, calibration: Calibration, glare: Glare | None, *, correct: bool) -> Veil:
    """Return the veil over a scan, by the usual glare where the scanner's is not known.

    Parameters
    ----------
    surveyed
        Through the calibration's table.
    calibration
        The one of `freed_curve` where readings are to be corrected.
    """
    size = float(np.diff(surveyed.y_edges_mm[:2])[0]), float(np.diff(surveyed.x_edges_mm[:2])[0])
    small, sizes = coarse(np.clip(surveyed.mean, 0.0, 1.5), size)
    scattered = USUAL if glare is None else glare
    densities, of_wedge = _over_wedge(calibration, scattered)
    return Veil(
        glare=scattered,
        corrected=correct,
        known=glare is not None,
        map=veil(small, scattered, cell_mm=sizes),
        sizes=sizes,
        densities=densities,
        of_wedge=of_wedge,
    )


def _over_wedge(calibration: Calibration, glare: Glare) -> tuple[Floats, Floats]:
    """Return densities, rising, and the veil that the curve takes for the scanner's own at each; 0 where none is known.

    A curve through the steps has the veil of each. One by laws has of each step's as much as it follows the step.
    """
    steps = [step.reading for step in calibration.steps if step.used]
    known = all(step.surround is not None for step in steps)
    over = np.array([_step_veil(step, glare) if known else 0.0 for step in steps])
    densities = np.array([step.density for step in steps])
    if not calibration.laws:
        return densities, over
    points = calibration.points()
    return points.density[::-1], (points.pull @ (over * 10.0**densities) * 10.0**-points.density)[::-1]
