"""Glare: the light that a scanner scatters from bright places into dark ones near by, and what it does to densities.

The scattered light is a share of all light around, weighted by distance. Any share that falls off with distance is a
sum of Gaussians of a few fixed reaches; a slot in a black mask shows how much each of them has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

REACHES_MM: Final = (1.5, 3.0, 6.0, 12.0, 24.0)
"""Standard deviations of the Gaussians: from a lens's own halo to light that crosses half the bed."""


USUAL_SHARE: Final = 0.004
"""Share of the light that a flatbed scatters, where nobody has measured it, as a root mean square over flatbeds: common
practice, 0.1 to 1 per cent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Glare:
    """How much light a scanner scatters.

    Attributes
    ----------
    file
        The scan that showed it.
    reaches_mm
        Standard deviations of the Gaussians; none but `REACHES_MM`.
    shares
        Share of the light scattered with each reach, each at least 0.
    """

    file: str = ""
    reaches_mm: tuple[float, ...] = REACHES_MM
    shares: tuple[float, ...]

    def __post_init__(self) -> None:
        if self.reaches_mm != REACHES_MM:
            raise ValueError("a glare of other reaches")
        if len(self.shares) != len(REACHES_MM) or not all(0.0 <= share < 0.5 for share in self.shares):
            raise ValueError("a glare has one share below one half for each reach")

    @property
    def total(self) -> float:
        """Share of all light that is scattered."""
        return math.fsum(self.shares)


USUAL: Final = Glare(shares=(USUAL_SHARE / len(REACHES_MM),) * len(REACHES_MM))
"""The glare of a scanner of which nothing is known, equally over the reaches: which of them it has is not known."""


def veil(light: Floats, glare: Glare, *, cell_mm: tuple[float, float]) -> Floats:
    """Return the light scattered onto each cell of a map, shape kept; beyond the map its border goes on.

    Parameters
    ----------
    light
        Relative light, shape (rows, columns).
    cell_mm
        Height and width of a cell.
    """
    total = np.zeros_like(light)
    for reach, share in zip(REACHES_MM, glare.shares, strict=True):
        if share > 0.0:
            total += share * spread(light, reach, cell_mm=cell_mm)
    return total


def spread(light: Floats, reach_mm: float, *, cell_mm: tuple[float, float]) -> Floats:
    """Return a map blurred by a Gaussian of this standard deviation, the border continued; shape kept."""
    result = light
    for axis in (0, 1):
        sigma = reach_mm / cell_mm[axis]
        half = max(1, math.ceil(4.0 * sigma))
        kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
        kernel /= kernel.sum()
        width = [(half, half) if n == axis else (0, 0) for n in (0, 1)]
        padded = np.pad(result, width, mode="edge")
        length = 1 << (padded.shape[axis] + kernel.size - 1).bit_length()
        shape = (-1, 1) if axis == 0 else (1, -1)
        product = np.fft.rfft(padded, length, axis=axis) * np.fft.rfft(kernel, length).reshape(shape)
        whole = np.fft.irfft(product, length, axis=axis)
        first = 2 * half
        part = slice(first, first + result.shape[axis])
        result = whole[part] if axis == 0 else whole[:, part]
    # A mean lies between what it is made of; rounding in the transforms would leave some black a little below 0.
    return np.clip(result, light.min(), light.max())


def shares_of(maps: Floats, seen: Floats) -> tuple[tuple[float, ...], float]:
    """Return the shares, none below 0, that explain the light seen in the black best, and the constant black.

    Parameters
    ----------
    maps
        The slot's light spread by each reach, at the places in the black, shape (reaches, places).
    seen
        Light there as a fraction of the slot's, shape (places,).

    Notes
    -----
    Least squares over every choice of reaches; of those without a negative share the best. With five reaches that is
    32 small fits, and exact.
    """
    size = maps.shape[0]
    design = np.vstack([maps, np.ones_like(seen)[None, :]])
    gram, target, square = design @ design.T, design @ seen, float(seen @ seen)
    best: tuple[float, Floats] | None = None
    for number in range(size + 1):
        for chosen in combinations(range(size), number):
            keep = [*chosen, size]
            found = np.linalg.lstsq(gram[np.ix_(keep, keep)], target[keep], rcond=1e-12)[0]
            left = square - float(found @ target[keep])
            if bool(np.all(found[:-1] >= 0.0)) and (best is None or left < best[0] * (1.0 - 1e-9)):
                whole = np.zeros(size + 1)
                whole[keep] = found
                best = left, whole
    assert best is not None  # noqa: S101 - the choice of no reach has no negative share
    return tuple(best[1][:-1].tolist()), float(best[1][-1])
