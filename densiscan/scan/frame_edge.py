"""How far a percentile of the readings of an area moves when the sides of the area move.

Shadow and highlight are percentiles by area, so where an area ends decides them: little in most pictures, much where
few readings lie near the percentile (a gap in the tones), or where those beyond it lie along one side (a strip of sky).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.scan.cells import Map, TurnedBox

SIDES: Final = ("left", "top", "right", "bottom")

Doubts = tuple[float, float, float, float]
"""Standard uncertainty of the place of each side, mm: left, top, right, bottom."""

_LEAST_CELLS: Final = 2.0
"""Cells that a border is wide, at least: a narrower one holds by chance a row of them or none."""

_CLOSE: Final = 2e-5
"""Density to which a moved percentile is found."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Border:
    """The readings along one side that come or go when the side moves as far as it may (k = 2).

    Attributes
    ----------
    within, beyond
        Densities just inside the area and just outside of it, sorted.
    lost, gained
        How much of each of them goes or comes, 0 to 1.
    """

    within: Map
    beyond: Map
    lost: float
    gained: float

    def moved(self, ordered: Map, share: float) -> float:
        """Return the standard contribution of this side to a percentile of the readings; plus where it rises outwards.

        Half of what the percentile moves by, as a root mean square of both ways: they may differ much.
        """
        inwards = _moved(ordered, self.within, -self.lost, share)
        outwards = _moved(ordered, self.beyond, self.gained, share)
        sign = 1.0 if outwards >= inwards else -1.0
        return 0.5 * sign * math.sqrt((inwards**2 + outwards**2) / 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Where apertures are centred: the middles of the cells of a map, and how far these are apart."""

    x_mm: Map
    y_mm: Map

    @property
    def pitch_mm(self) -> float:
        """Longer side of a cell."""
        return float(max(np.diff(self.x_mm[:2]).max(initial=0.0), np.diff(self.y_mm[:2]).max(initial=0.0)))


def borders_of(light: Map, grid: Grid, area: TurnedBox, doubts_mm: Doubts, *, inset_mm: float) -> tuple[Border, ...]:
    """Return the readings along the four sides of an area that may or may not belong to it.

    Parameters
    ----------
    light
        Mean light, above 0, of the aperture centred on each cell, shape (rows, columns); NaN where there is none.
    doubts_mm
        Of the sides. Apertures are centred on cells alone, whose rows begin anywhere behind a side: that adds.
    inset_mm
        How far from a side an aperture is centred at least: half of its diameter.
    """
    half = (area.width_mm / 2 - inset_mm, area.height_mm / 2 - inset_mm)
    borders = []
    for side, doubt in enumerate(doubts_mm):
        axis, sign = side % 2, (-1.0 if side < 2 else 1.0)
        move = 2.0 * math.hypot(doubt, _sampling(grid.pitch_mm, 2.0 * half[1 - axis], area.angle_deg))
        wide = max(move, _LEAST_CELLS * grid.pitch_mm)
        out = min(wide, inset_mm)
        within, beyond = (
            _between(light, grid, area, axis, sign * half[axis], (sign * far, half[1 - axis])) for far in (-wide, out)
        )
        borders.append(Border(within=within, beyond=beyond, lost=move / wide, gained=move / max(out, 1e-9)))
    return tuple(borders)


def _sampling(pitch_mm: float, length_mm: float, angle_deg: float) -> float:
    """Return the standard uncertainty (mm) of where a row of cells begins behind a side of some length.

    Anywhere within a cell; a side turned against the cells crosses several rows, of which the mean counts.
    """
    crossed = abs(math.sin(math.radians(angle_deg))) * max(length_mm, 0.0) / pitch_mm
    return pitch_mm / math.sqrt(12.0 * (1.0 + crossed))


def _between(light: Map, grid: Grid, area: TurnedBox, axis: int, line: float, reach: tuple[float, float]) -> Map:
    """Return the density of apertures between a line along a side and another `reach[0]` from it, sorted.

    `reach[1]` is half of the length of the line.
    """
    across = min(line, line + reach[0]), max(line, line + reach[0])
    along = -reach[1], reach[1]
    if reach[1] <= 0.0:
        return np.empty(0)
    strip = area.part(across, along) if axis == 0 else area.part(along, across)
    x, y = (np.array(places) for places in zip(*strip.corners(), strict=True))
    columns, rows = _span(grid.x_mm, x), _span(grid.y_mm, y)
    inside = strip.inside(grid.x_mm[columns][None, :], grid.y_mm[rows][:, None])
    some = light[rows, columns][inside]
    return np.sort(-np.log10(some[np.isfinite(some)]))


def _span(places: Map, corners: Map) -> slice:
    first, last = np.searchsorted(places, (corners.min(), corners.max()))
    return slice(int(first), int(last) + 1)


def _moved(ordered: Map, some: Map, weight: float, share: float) -> float:
    """Return how far a percentile moves when `some` readings join the others with a weight, or (minus) leave them.

    By bisection of the density, of which the number of readings below rises.
    """
    if not some.size:
        return 0.0
    rank = share * (ordered.size - 1)
    wanted = rank + weight * share * some.size
    low, high = float(min(ordered[0], some[0])), float(max(ordered[-1], some[-1]))
    while high - low > _CLOSE:
        middle = (low + high) / 2
        below = np.searchsorted(ordered, middle, side="right") + weight * np.searchsorted(some, middle, side="right")
        low, high = (middle, high) if float(below) <= wanted else (low, middle)
    return (low + high) / 2 - at_rank(ordered, rank)


def at_rank(ordered: Map, rank: float) -> float:
    """Return the value of a rank (from 0) among sorted values, interpolated."""
    low = math.floor(rank)
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (rank - low) * (ordered[high] - ordered[low]))
