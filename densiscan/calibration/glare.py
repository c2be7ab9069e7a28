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

from densiscan.arithmetic.arrays import Floats

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


_TOTALS: Final = (0.0002, 0.0006, 0.0015, 0.003, 0.005, 0.008, 0.013)
"""Shares of light, evenly spread in their logarithm, that are weighed where the total is not known."""
_PLACES: Final = (-1.6, -0.8, 0.0, 0.8, 1.6)
"""Where they are weighed else, in standard deviations."""
_LEAST_TOTAL: Final = 1e-5
_TINY: Final = 1e-16


@dataclass(frozen=True, slots=True, kw_only=True)
class Scattering:
    """What a scanner is taken to scatter where no slot has shown it.

    Attributes
    ----------
    expected
        Share of the light expected with each reach.
    doubt
        Root of the covariance of the shares (lower triangle, k = 1), a row for each reach.
    """

    expected: tuple[float, ...]
    doubt: tuple[tuple[float, ...], ...]

    def __post_init__(self) -> None:
        size = len(REACHES_MM)
        if len(self.expected) != size or [len(row) for row in self.doubt] != [size] * size:
            raise ValueError("what is scattered has one share and one row of doubt for each reach")
        if not all(abs(value) < 0.5 for row in (self.expected, *self.doubt) for value in row):
            raise ValueError("a share of light is below one half")

    @classmethod
    def of(cls, expected: Floats, covariance: Floats) -> Scattering:
        """Return it from the means of the shares and their covariance, shape (reaches, reaches)."""
        root = np.linalg.cholesky(covariance + 1e-16 * np.eye(len(REACHES_MM)))
        return cls(expected=tuple(expected.tolist()), doubt=tuple(tuple(row) for row in root.tolist()))

    @property
    def root(self) -> Floats:
        """Root of the covariance, shape (reaches, reaches)."""
        return np.array(self.doubt)

    @property
    def covariance(self) -> Floats:
        """Covariance of the shares."""
        return np.asarray(self.root @ self.root.T)

    @property
    def total(self) -> tuple[float, float]:
        """Share of all light that is expected to be scattered, and its standard uncertainty."""
        return math.fsum(self.expected), float(np.linalg.norm(self.root.sum(axis=0)))

    def likely_totals(self) -> tuple[tuple[float, float], ...]:
        """Return totals to weigh, from hardly any on, and what each is worth before anything is seen.

        What is usual is exponential (`USUAL_SCATTERING`); what something has shown is normal about it, above nothing.
        """
        mean, doubt = self.total
        if self == USUAL_SCATTERING:
            weights = [total * math.exp(-total / mean) for total in _TOTALS]
            totals = list(_TOTALS)
        else:
            totals = [max(mean + place * doubt, _LEAST_TOTAL) for place in _PLACES]
            weights = [math.exp(-0.5 * place * place) for place in _PLACES]
        return tuple((total, weight / math.fsum(weights)) for total, weight in zip(totals, weights, strict=True))

    def of_total(self, total: float | None) -> tuple[Floats, Floats]:
        """Return what is expected of each reach, and the root of its covariance, where the total is known; else both.

        How it is divided is as open, in proportion to the total, as it is without knowing that.
        """
        expected, covariance = np.array(self.expected), self.covariance
        if total is None:
            return expected, self.root
        mean, doubt = self.total
        along = covariance.sum(axis=1)
        moved = np.asarray(expected + along * (total - mean) / max(doubt * doubt, _TINY), dtype=np.float64)
        rest = covariance - np.outer(along, along) / max(doubt * doubt, _TINY)
        grown = total * total / (mean * mean + doubt * doubt)
        left = np.asarray(min(grown, 1.0) * rest + _TINY * np.eye(expected.size), dtype=np.float64)
        return moved, np.asarray(np.linalg.cholesky(left), dtype=np.float64)


def _usual_scattering() -> Scattering:
    """Return what is known of a flatbed that nobody has checked.

    The total is above nothing and has a usual size: that alone is an exponential distribution (the one of most entropy,
    JCGM 101:2008, 6.4.10), whose mean is its root mean square by the root of 2. Over the reaches it is divided
    in any way, all alike likely (Dirichlet's distribution of ones); mean and covariance follow.
    """
    size, mean = len(REACHES_MM), USUAL_SHARE / math.sqrt(2.0)
    alike, both = 2.0 / (size * (size + 1)), 1.0 / (size * (size + 1))
    squares = 2.0 * mean**2 * (both + (alike - both) * np.eye(size))
    return Scattering.of(np.full(size, mean / size), squares - (mean / size) ** 2)


USUAL_SCATTERING: Final = _usual_scattering()


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
