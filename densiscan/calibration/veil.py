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
from densiscan.calibration.glare import REACHES_MM, USUAL, Glare, spread
from densiscan.calibration.posterior_curve import refitted
from densiscan.calibration.weighed_curve import steps_of
from densiscan.errors import MeasureError
from densiscan.scan.places import BoxMm
from densiscan.scan.survey import CellsInside, Survey

COARSE_MM: Final = 1.0
"""Cell on which glare is reckoned: two thirds of its shortest reach."""
_LEFT_OVER: Final = 0.2
"""Part of a correction that stays in doubt (k = 1): the slot's shares, and light from beyond the scan."""
_SKEW: Final = (math.log(40.0) - 1.0) / 2.0
"""How much farther than twice its standard deviation from its mean the highest fortieth of an exponential distribution
begins: what is scattered is above nothing and seldom much, so that k = 2 holds only with as much more."""
_NEAR: Final = 0.05
_ENOUGH: Final = 4096
"""Places near a density of which the median is taken."""
_LEAST_LEFT: Final = 0.3
"""Part of a reading's light that stays, at least, when what is expected to be scattered onto it is taken off."""


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
class GlareSource:
    """Shares of light by each reach that make one contribution to the doubt of a density.

    `whole` says that they are an error that stands in the density; else they are its standard uncertainty.
    """

    shares: Floats
    whole: bool

    def doubt(self, excess: npt.ArrayLike) -> Floats:
        """Return the contribution (k = 1) of a veil less that of the wedge, as a part of the light read."""
        return _half_known(excess) if self.whole else np.asarray(excess) / -math.log(10.0)


def _half_known(excess: npt.ArrayLike) -> Floats:
    """Return what an error that is known but not corrected contributes: a rectangle of its own half-width (k = 1).

    JCGM 100:2008, 4.3.7.
    """
    return np.asarray(np.log10(np.maximum(1.0 - np.asarray(excess), 0.01)) / math.sqrt(3.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Veil:
    """The light scattered over a scan, and what it means for readings on it.

    Attributes
    ----------
    corrected
        Whether readings are freed of all of it; else of what it is expected to be more or less than over the wedge, and
        what is not known of it widens their uncertainty.
    known
        Whether it is this scanner's, as a slot has shown it; else it is taken for usual, or as the wedge shows it.
    maps
        Light of the scan spread by each reach, in blocks of `sizes` (height, width in mm), bare glass 1, shape
        (reaches, rows, columns).
    densities, of_wedge
        Densities of the calibration, and the light that lay round its wedge at each, shape (densities, reaches); 0
        where it is not known.
    """

    glare: Glare
    corrected: bool
    known: bool
    maps: Floats
    sizes: tuple[float, float]
    densities: Floats
    of_wedge: Floats

    @property
    def shares(self) -> Floats:
        """Share of the light scattered with each reach."""
        return np.array(self.glare.shares)

    def at(self, x_mm: float, y_mm: float) -> Floats:
        """Return the light round a place by each reach."""
        place = np.array([x_mm]), np.array([y_mm])
        return np.array([_at(one, self.sizes, *place)[0] for one in self.maps])

    def over_pixels(self, x_mm: Floats, y_mm: Floats, shares: Floats) -> npt.NDArray[np.float32]:
        """Return the veil by such shares where columns and rows of pixels cross, shape (rows, columns)."""
        veil = np.tensordot(shares, self.maps, axes=1)
        down, along = veil.shape
        row = np.clip(y_mm / self.sizes[0] - 0.5, 0.0, down - 1.0)
        top = np.minimum(row.astype(np.intp), max(down - 2, 0))
        first, last = int(top.min()), int(top.max()) + 2
        place = x_mm / self.sizes[1] - 0.5
        rows = [np.interp(place, np.arange(along), one).astype(np.float32) for one in veil[first:last]]
        across = np.array([*rows, rows[-1]])
        above = across[top - first]
        return np.asarray(above + (row - top).astype(np.float32)[:, None] * (across[top - first + 1] - above))

    def round_wedge(self, density: npt.ArrayLike) -> Floats:
        """Return the light that lay round the wedge at densities, by each reach, shape (reaches, ...)."""
        return np.array([np.interp(np.asarray(density), self.densities, one) for one in self.of_wedge.T])

    def sources(self, calibration: Calibration) -> tuple[GlareSource, ...]:
        """Return what glare does to densities that are not freed of any, by independent sources."""
        if self.known:
            left_over = GlareSource(shares=_LEFT_OVER * self.shares, whole=False)
            return GlareSource(shares=self.shares, whole=True), left_over
        if not self._is_weighed(calibration):
            return (GlareSource(shares=self.shares, whole=False),)
        points = calibration.points()
        root = np.linalg.qr(points.scattered_parts.T, mode="r")
        return (
            GlareSource(shares=points.scattered, whole=True),
            *(GlareSource(shares=_SKEW * one, whole=False) for one in root),
        )

    def _is_weighed(self, calibration: Calibration) -> bool:
        """Return whether it is known what was scattered onto the wedge, so that it can be taken off."""
        return bool(calibration.laws) and bool(self.of_wedge.any())

    def over(self, surveyed: Survey) -> Floats:
        """Return the veil at the middle of each cell of a survey."""
        x = 0.5 * (surveyed.x_edges_mm[:-1] + surveyed.x_edges_mm[1:])
        y = 0.5 * (surveyed.y_edges_mm[:-1] + surveyed.y_edges_mm[1:])
        return _at(np.tensordot(self.shares, self.maps, axes=1), self.sizes, *np.meshgrid(x, y))

    def freed(self, light: float, x_mm: float, y_mm: float) -> float:
        """Return light at a place without its veil, where readings are to be corrected."""
        if not self.corrected:
            return light
        return (light - float(self.shares @ self.at(x_mm, y_mm))) / (1.0 - self.glare.total)

    def freed_survey(self, surveyed: Survey) -> Survey:
        """Return a survey of light without its veil, for readings that are corrected."""
        rest = 1.0 - self.glare.total
        return replace(surveyed, mean=(surveyed.mean - self.over(surveyed)) / rest, sd=surveyed.sd / rest)

    def near(self, surveyed: Survey, cells: CellsInside, density: float) -> Floats:
        """Return the median light, by each reach, round those cells that have about this density."""
        away = cells.of(surveyed.mean)
        np.log10(np.maximum(away, 1e-8, out=away), out=away)
        away += density
        np.abs(away, out=away)
        hundredth = away.size // 100
        rows, columns = cells.places(away <= max(_NEAR, float(np.partition(away, hundredth)[hundredth])))
        # a few thousand of them have the median of all
        every = max(1, rows.size // _ENOUGH)
        x, y = surveyed.x_edges_mm, surveyed.y_edges_mm
        middle_x, middle_y = 0.5 * (x[:-1] + x[1:]), 0.5 * (y[:-1] + y[1:])
        places = middle_x[columns[::every]], middle_y[rows[::every]]
        return np.array([float(np.median(_at(one, self.sizes, *places))) for one in self.maps])

    def quantity(self, calibration: Calibration, light: float, noise: float, key: str, over: Floats) -> Quantity:
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
            The light round what is read, by each reach.
        """
        if self.corrected:
            veil = float(self.shares @ over)
            share = veil / max(light, 1e-8) / math.log(10.0)
            seen = light * (1.0 - self.glare.total) + veil
            steep = seen / max(light * (1.0 - self.glare.total), 1e-8)
            whole = calibration.quantity(seen)
            parts = {influence: steep * part for influence, part in (whole.parts or {}).items()}
            density = Quantity(-math.log10(max(light, 1e-8)), parts)
            return _with_noise(density, noise, key).with_part(Influence("glare"), _LEFT_OVER * share)
        density = calibration.quantity(light, noise, key)
        more = (over - self.round_wedge(density.value)) / max(light, 1e-8)
        taken, told = _expected(more, calibration) if self._is_weighed(calibration) else (0.0, {})
        freed = Quantity(density.value - math.log10(1.0 - taken), density.parts or {})
        share = float(self.shares @ more)
        if self.known:
            rest = float(_half_known(1.0 - (1.0 - share) / (1.0 - taken)))
            left_over = _LEFT_OVER * share / math.log(10.0)
            return freed.with_part(Influence("glare"), math.copysign(math.hypot(rest, left_over), rest))
        if not told:
            # The share is a root mean square: what it makes of a reading is a standard uncertainty about none.
            return freed.with_part(Influence("glare"), -share / math.log(10.0))
        parts = dict(freed.parts or {})
        for influence, part in told.items():
            parts[influence] = parts.get(influence, 0.0) + part
        return Quantity(freed.value, parts)


def _expected(more: Floats, calibration: Calibration) -> tuple[float, dict[Influence, float]]:
    """Return what part of a reading's light is expected to be scattered onto it more than onto the wedge.

    With it comes what is not known of that, as contributions to its density.

    Parameters
    ----------
    more
        How much more light lies round it than round the wedge at this density, in terms of its own, by each reach.
    """
    points = calibration.points()
    taken = min(float(points.scattered @ more), 1.0 - _LEAST_LEFT)
    return taken, points.parts_of_scattered(_SKEW * more / (1.0 - taken) / math.log(10.0))


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
    densities, of_wedge = _round_wedge(calibration)
    return Veil(
        glare=scattered,
        corrected=correct,
        known=glare is not None,
        maps=np.array([spread(small, reach, cell_mm=sizes) for reach in REACHES_MM]),
        sizes=sizes,
        densities=densities,
        of_wedge=of_wedge,
    )


def _round_wedge(calibration: Calibration) -> tuple[Floats, Floats]:
    """Return densities, rising, and the light round the wedge at each by every reach; 0 where that is not known."""
    steps = [step.reading for step in calibration.steps if step.used]
    none = (0.0,) * len(REACHES_MM)
    known = all(step.surround is not None for step in steps)
    return (
        np.array([step.density for step in steps]),
        np.array([(step.surround if known else none) or none for step in steps]),
    )
