"""What is true of a rendered scan, by the definitions the readings have.

A reading over an aperture is -log10 of the mean transmittance in it. Shadow and highlight of a frame are the 1st and
99th percentile, by area, of the readings of round 1 mm apertures that lie wholly inside the frame. All this is taken
from the noise-free map of the film: without grain, dust, pinholes, scratches and scanner, with every fault that is
part of the negative (leaks, uneven development, air bells, drying marks).

Boxes are (left, top, width, height) in mm in the film's own frame: before the film is turned by `angle_deg`, clockwise
positive, about the centre of the film. `corners_mm` says where their corners lie on the bed after turning.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.sample_bed import Array, Box, Place, Real

APERTURE_MM: Final = 1.0
TRIM: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepTruth:
    """One step of a wedge: its density, its box before the wedge is turned about its centre, its centre on the bed."""

    number: int
    density: float
    box_mm: Box
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WedgeTruth:
    """A wedge: steps in the order of its file, whole outline (steps and borders), angle about its centre."""

    steps: tuple[StepTruth, ...]
    outline_mm: Box
    angle_deg: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameTruth:
    """One frame.

    `frame_mm` turns about the film's centre, as `film_mm` does; `turned_alone_mm` is the same frame as a box that
    turns about its own centre.
    """

    frame_mm: Box
    turned_alone_mm: Box
    corners_mm: tuple[tuple[float, float], ...]
    shadow: float
    highlight: float

    @property
    def density_range(self) -> float:
        """Highlight less shadow density."""
        return self.highlight - self.shadow


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmTruth:
    """One piece of film.

    Parameters
    ----------
    film_mm
        Box of the film, or None where an edge of it lies outside the scan or under a holder.
    sheet_mm
        Box of the film wherever its edges are.
    base_plus_fog
        Density of the unexposed film without faults.
    density
        Noise-free gross density in the film's own frame, shape (rows, columns), read-only.
    """

    film_mm: Box | None
    sheet_mm: Box
    place: Place
    base_plus_fog: float
    frames: tuple[FrameTruth, ...]
    density: Array

    @property
    def angle_deg(self) -> float:
        """Angle the film is turned by, clockwise positive."""
        return self.place.angle_deg

    @property
    def frame(self) -> FrameTruth:
        """The only frame, or the first one."""
        return self.frames[0]

    def density_at(self, x_mm: float, y_mm: float, aperture_mm: float = APERTURE_MM) -> float:
        """Return the reading of a round aperture centred on a bed position, from the noise-free map.

        Cells are counted by their centres. The aperture must lie on the film.
        """
        rows, columns = self.density.shape
        _, _, width, height = self.sheet_mm
        u, v = self.place.off_bed(x_mm, y_mm)
        du = (np.arange(columns) + 0.5) * width / columns - width / 2 - u
        dv = (np.arange(rows) + 0.5) * height / rows - height / 2 - v
        near_u, near_v = np.abs(du) <= aperture_mm / 2, np.abs(dv) <= aperture_mm / 2
        inside = np.hypot(du[near_u][None, :], dv[near_v][:, None]) <= aperture_mm / 2
        cells = self.density[np.ix_(near_v, near_u)][inside]
        return float(-np.log10(np.mean(10.0 ** -cells.astype(np.float64))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """All that is true of one rendered scan: films in reading order as laid, wedges likewise."""

    size_mm: tuple[float, float]
    films: tuple[FilmTruth, ...] = ()
    wedges: tuple[WedgeTruth, ...] = ()

    @property
    def film(self) -> FilmTruth:
        """The only film, or the first one."""
        return self.films[0]

    @property
    def wedge(self) -> WedgeTruth:
        """The only wedge, or the first one."""
        return self.wedges[0]


def frame_truth(place: Place, own: Box, outline: Box, density: Array) -> FrameTruth:
    """Return the true values of the frame at box `own` (own coordinates) of a film with this density map."""
    box = place.box(*own)
    x, y = place.on_bed(own[0] + own[2] / 2, own[1] + own[3] / 2)
    readings = aperture_readings(density, own, outline)
    shadow, highlight = np.quantile(readings, (TRIM, 1 - TRIM))
    return FrameTruth(
        frame_mm=box,
        turned_alone_mm=(x - own[2] / 2, y - own[3] / 2, own[2], own[3]),
        corners_mm=place.corners(box),
        shadow=float(shadow),
        highlight=float(highlight),
    )


def aperture_readings(density: Array, own: Box, outline: Box, aperture_mm: float = APERTURE_MM) -> Real:
    """Return the readings of all round apertures that lie wholly inside a frame, one a cell centre.

    The mean transmittance is the convolution with a disc; cells on its rim count by the share of them inside it.
    """
    rows, columns = density.shape
    dx, dy = outline[2] / columns, outline[3] / rows
    first_column, last_column = _inside(own[0] - outline[0], own[2], dx, columns)
    first_row, last_row = _inside(own[1] - outline[1], own[3], dy, rows)
    light = 10.0 ** -density[first_row:last_row, first_column:last_column].astype(np.float64)
    reach_x, reach_y = math.ceil(aperture_mm / 2 / dx), math.ceil(aperture_mm / 2 / dy)
    kernel = _disc(reach_x, reach_y, dx, dy, aperture_mm / 2)
    shape = (_smooth_length(light.shape[0]), _smooth_length(light.shape[1]))
    product = np.fft.rfft2(light, shape) * np.fft.rfft2(kernel, shape)
    mean = np.fft.irfft2(product, shape)[2 * reach_y : light.shape[0], 2 * reach_x : light.shape[1]]
    return np.asarray(-np.log10(np.maximum(mean, 1e-9))).ravel()


def _inside(start: float, length: float, cell: float, count: int) -> tuple[int, int]:
    """Return the half-open range of cells that lie wholly inside a span, to a hundredth of a cell."""
    return max(0, math.ceil(start / cell - 0.01)), min(count, math.floor((start + length) / cell + 0.01))


def _disc(reach_x: int, reach_y: int, dx: float, dy: float, radius: float) -> Real:
    """Return the share of each cell inside a disc centred on the middle cell, normalised to 1; 8 x 8 points a cell."""
    fine = (np.arange(8) - 3.5) / 8
    x = ((np.arange(-reach_x, reach_x + 1)[:, None] + fine).ravel()) * dx
    y = ((np.arange(-reach_y, reach_y + 1)[:, None] + fine).ravel()) * dy
    inside = (x[None, :] ** 2 + y[:, None] ** 2 <= radius**2).astype(np.float64)
    share = inside.reshape(2 * reach_y + 1, 8, 2 * reach_x + 1, 8).mean(axis=(1, 3))
    return np.asarray(share / share.sum())


def _smooth_length(length: int) -> int:
    """Return the next length with no prime factor above 5: quick to transform."""
    while True:
        rest = length
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return length
        length += 1
