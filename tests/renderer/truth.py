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
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.renderer.bed import Array, Bed, Box, Place, Real

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
    turns about its own centre. `in_sight` is false when part of it is off the scan or masked; shadow and highlight are
    then those of the rest.
    """

    frame_mm: Box
    turned_alone_mm: Box
    in_sight: bool
    corners_mm: tuple[tuple[float, float], ...]
    shadow: float
    highlight: float

    @property
    def density_range(self) -> float:
        """Highlight less shadow density."""
        return self.highlight - self.shadow


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaidFilm:
    """A film on the bed: its place, outline (own coordinates) and noise-free density map.

    `uncut` tells of places (u, v) in own coordinates which of them a hand that cut the film left on it; None where
    that is all of the outline.
    """

    place: Place
    outline: Box
    base_plus_fog: float
    density: Array
    uncut: Callable[[Array, Array], NDArray[np.bool_]] | None = None


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


def frame_truth(film: LaidFilm, own: Box, bed: Bed) -> FrameTruth:
    """Return the true values of the frame at box `own` (own coordinates); only apertures wholly in sight count."""
    place = film.place
    box = place.box(*own)
    x, y = place.on_bed(own[0] + own[2] / 2, own[1] + own[3] / 2)
    readings, whole = aperture_readings(film, own, bed)
    shadow, highlight = np.quantile(readings, (TRIM, 1 - TRIM)) if readings.size else (math.nan, math.nan)
    return FrameTruth(
        frame_mm=box,
        turned_alone_mm=(x - own[2] / 2, y - own[3] / 2, own[2], own[3]),
        corners_mm=place.corners(box),
        in_sight=whole,
        shadow=float(shadow),
        highlight=float(highlight),
    )


def film_truth(film: LaidFilm, frames: Sequence[Box], bed: Bed) -> FilmTruth:
    """Return the true values of a film, once everything lies on the bed."""
    film.density.setflags(write=False)
    sheet = film.place.box(*film.outline)
    return FilmTruth(
        film_mm=sheet if _edges_in_sight(film, bed) else None,
        sheet_mm=sheet,
        place=film.place,
        base_plus_fog=film.base_plus_fog,
        frames=tuple(frame_truth(film, own, bed) for own in frames),
        density=film.density,
    )


def _edges_in_sight(film: LaidFilm, bed: Bed) -> bool:
    """Return whether most of each of the four edges, 0.3 mm inside the film, is in the scan and not masked."""
    left, top, width, height = film.outline
    run, near, far = np.linspace(0.1, 0.9, 17), np.full(17, 0.3), np.full(17, -0.3)
    across, down = left + run * width, top + run * height
    edges = ((across, top + near), (across, top + height + far), (left + near, down), (left + width + far, down))
    cosine, sine = film.place.turn
    for u, v in edges:
        x, y = film.place.x_mm + u * cosine - v * sine, film.place.y_mm + u * sine + v * cosine
        if bed.visible(x.astype(np.float32), y.astype(np.float32)).mean() < 0.5:
            return False
    return True


def aperture_readings(film: LaidFilm, own: Box, bed: Bed, aperture_mm: float = APERTURE_MM) -> tuple[Real, bool]:
    """Return the readings of round apertures, one a cell centre, and whether the whole frame is in sight.

    Apertures lie wholly inside the frame and wholly in sight. The mean transmittance is the convolution with a disc;
    cells on its rim count by the share of them inside it.
    """
    rows, columns = film.density.shape
    left, top, width, height = film.outline
    dx, dy = width / columns, height / rows
    across = slice(*_inside(own[0] - left, own[2], dx, columns))
    down = slice(*_inside(own[1] - top, own[3], dy, rows))
    light = 10.0 ** -film.density[down, across].astype(np.float64)
    kernel = _disc(dx, dy, aperture_mm / 2)
    mean = _averaged(light, kernel)
    u = (left + (np.arange(columns)[across] + 0.5) * dx).astype(np.float32)[None, :]
    v = (top + (np.arange(rows)[down] + 0.5) * dy).astype(np.float32)[:, None]
    cosine, sine = (np.float32(part) for part in film.place.turn)
    seen = bed.visible(
        np.float32(film.place.x_mm) + u * cosine - v * sine, np.float32(film.place.y_mm) + u * sine + v * cosine
    )
    readings = -np.log10(np.maximum(mean, 1e-9))
    if film.uncut is not None:
        seen = seen & film.uncut(u, v)
    if not seen.all():
        readings = readings[_averaged(seen.astype(np.float64), kernel) > 1 - 1e-6]
    return np.asarray(readings).ravel(), bool(seen.mean() > 0.98)


def _averaged(values: Real, kernel: Real) -> Real:
    """Return the kernel-weighted mean wherever the kernel lies wholly on the map (kernel sums to 1)."""
    shape = (_smooth_length(values.shape[0]), _smooth_length(values.shape[1]))
    product = np.fft.rfft2(values, shape) * np.fft.rfft2(kernel, shape)
    mean = np.fft.irfft2(product, shape)
    return np.asarray(mean[kernel.shape[0] - 1 : values.shape[0], kernel.shape[1] - 1 : values.shape[1]])


def _inside(start: float, length: float, cell: float, count: int) -> tuple[int, int]:
    """Return the half-open range of cells that lie wholly inside a span, to a hundredth of a cell."""
    return max(0, math.ceil(start / cell - 0.01)), min(count, math.floor((start + length) / cell + 0.01))


def _disc(dx: float, dy: float, radius: float) -> Real:
    """Return the share of each cell inside a disc centred on the middle cell, normalised to 1; 8 x 8 points a cell."""
    reach_x, reach_y = math.ceil(radius / dx), math.ceil(radius / dy)
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
