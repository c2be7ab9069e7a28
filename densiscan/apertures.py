"""Aperture readings on a dense grid inside a frame: mean transmittance first, then the logarithm.

The mean over an aperture is the area-weighted mean of the survey's cells under it. Dust and clear specks, cells that
stand out alone from an even neighbourhood, are left out of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from densiscan.pieces_map import Cells, Map, Mask, TurnedBox, straightened

_EDGE_MM: Final = 0.25
"""Strip along the frame's edge that is not read: the camera's gate is not sharper than that."""
_MOST_SPECKS: Final = 0.02
"""Share of a frame that may be left out as specks; more is picture."""


_RING: Final = tuple(
    (row, column) for row in range(-3, 4) for column in range(-3, 4) if 8 <= row * row + column * column <= 10
)
"""Cells about three away."""
_RING_LOW, _RING_HIGH = len(_RING) // 6, len(_RING) - 1 - len(_RING) // 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """Aperture readings of a frame.

    `density` one-dimensional, one for each place of the aperture's centre; `noise` the standard uncertainty of one
    reading by scanner noise and grain at low, middle and high density (`at` are those densities).
    """

    density: Map
    clipped_light: float
    clipped_dark: float
    specks_kept: bool
    at: Map
    noise: Map

    def noise_at(self, density: float) -> float:
        """Return the standard uncertainty of a reading of this density."""
        return float(np.interp(density, self.at, self.noise))


def aperture_readings(
    cells: Cells, frame: TurnedBox, *, diameter_mm: float, square: bool = False, whole: bool = False
) -> Readings:
    """Read an aperture at every cell of a frame at which it lies wholly inside.

    Parameters
    ----------
    frame
        The exposed frame on the scan.
    diameter_mm
        Of a round aperture, or the side of a square one.
    whole
        The box is all that is known, not a frame with a soft edge: read up to its border.

    Returns
    -------
    Readings
        No densities where the aperture does not fit.
    """
    inset = 0.0 if whole else _EDGE_MM
    u, v = 0.5 * frame.width_mm - inset, 0.5 * frame.height_mm - inset
    if min(u, v) <= 0.5 * diameter_mm:
        return _nothing()
    grid = straightened(cells, frame.part((-u, u), (-v, v)), within=cells.whole)
    there = np.isfinite(grid.density)
    light = np.where(there, 10.0 ** -np.where(there, grid.density, 0.0), 0.0)
    specks = _specks(light, there)
    specks_kept = bool(specks.mean() > _MOST_SPECKS)
    used = there & ~specks if not specks_kept else there
    weights = _weights(diameter_mm / grid.step_mm, square=square)
    share = _summed(used.astype(np.float64), weights)
    full = _summed(there.astype(np.float64), weights)
    total = _summed(np.where(used, light, 0.0), weights)
    good = (full > 0.999) & (share > 0.5)
    mean = total[good] / share[good]
    x, y = _centres(cells)
    inside = frame.inside(x, y)
    count = max(int(inside.sum()), 1)
    at, noise = _noise(light, used, weights)
    return Readings(
        density=-np.log10(np.maximum(mean, 1e-8)),
        clipped_light=float(cells.clipped_light[inside].sum()) / count,
        clipped_dark=float(cells.clipped_dark[inside].sum()) / count,
        specks_kept=specks_kept,
        at=at,
        noise=noise,
    )


def _nothing() -> Readings:
    none = np.empty(0)
    return Readings(density=none, clipped_light=0.0, clipped_dark=0.0, specks_kept=False, at=none, noise=none)


def _centres(cells: Cells) -> tuple[Map, Map]:
    x = 0.5 * (cells.x_mm[:-1] + cells.x_mm[1:])[None, :]
    y = 0.5 * (cells.y_mm[:-1] + cells.y_mm[1:])[:, None]
    return x, y


def _weights(size: float, *, square: bool) -> Map:
    """Return the share of each cell that an aperture of this size (in cells) covers, normalised to 1; odd shape."""
    reach = math.ceil(0.5 * size - 0.5)
    fine = 8
    places = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - reach - 0.5
    across, down = places[None, :], places[:, None]
    inside = (np.maximum(np.abs(across), np.abs(down)) if square else np.hypot(across, down)) <= 0.5 * size
    cover = inside.reshape(2 * reach + 1, fine, 2 * reach + 1, fine).mean(axis=(1, 3))
    return np.asarray(cover / cover.sum(), dtype=np.float64)


def _summed(values: Map, weights: Map) -> Map:
    """Return the weighted sum of `values` wherever the weights lie wholly on them."""
    rows, columns = values.shape[0] - weights.shape[0] + 1, values.shape[1] - weights.shape[1] + 1
    if rows < 1 or columns < 1:
        return np.zeros((0, 0))
    total = np.zeros((rows, columns))
    for row, column in zip(*np.nonzero(weights), strict=True):
        total += weights[row, column] * values[row : row + rows, column : column + columns]
    return total


def _specks(light: Map, there: Mask) -> Mask:
    """Return the cells that stand out alone: far from the middle of the ring round them, where that ring is even."""
    if min(light.shape) < 7:
        return np.zeros_like(there)
    log = np.log10(np.maximum(light, 1e-8))
    ring = np.stack([np.roll(log, shift, axis=(0, 1)) for shift in _RING])
    ring.partition((_RING_LOW, _RING_HIGH), axis=0)
    low, high = ring[_RING_LOW], ring[_RING_HIGH]
    # An even ring scatters by grain; a picture's ring is uneven and nothing on it counts as a speck.
    width = np.maximum(high - low, 0.01)
    away = np.maximum(log - high, low - log)
    specks: Mask = (away > 2.5 * width) & (high - low < 0.15)
    specks[:3], specks[-3:], specks[:, :3], specks[:, -3:] = False, False, False, False
    return specks & there


def _noise(light: Map, used: Mask, weights: Map) -> tuple[Map, Map]:
    """Estimate what noise and grain leave of one aperture reading, as a function of density.

    Differences of neighbouring cells hold noise and picture; their lower part, where the picture is even, is noise.
    """
    density = -np.log10(np.maximum(light, 1e-8))
    steps = np.abs(density[:, 1:] - 0.5 * (np.roll(density, 1, axis=1) + np.roll(density, -1, axis=1))[:, 1:])[:, 1:-1]
    level = density[:, 2:-1]
    fine = used[:, 2:-1] & used[:, 1:-2] & used[:, 3:]
    level, steps = level[fine], steps[fine]
    if level.size < 50:
        return np.array([0.0]), np.array([0.003])
    ends = np.quantile(level, (0.0, 0.2, 0.4, 0.6, 0.8, 1.0))
    at, noise = [], []
    for low, high in pairwise(ends.tolist()):
        part = steps[(level >= low) & (level <= high)]
        # For normal noise s the second difference/2 has sd 1.22 s; a quarter of |x| lies below 0.319 sd.
        at.append(0.5 * (low + high))
        noise.append(float(np.quantile(part, 0.25)) / 0.319 / 1.22)
    effective = 1.0 / float((weights**2).sum())
    # Blur ties neighbouring cells together: half as many independent looks as cells.
    return np.array(at), np.array(noise) / math.sqrt(max(0.5 * effective, 1.0))
