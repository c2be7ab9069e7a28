"""Rendered film: exposure through the characteristic curve to density, its grain and its faults.

Everything is worked out on a map of cells in the film's own frame (before turning), noise-free; that map is both what
is laid on the bed and what the true readings are taken from.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.renderer.bed import Array, Bed, Box, Place, Window, box_cover, disc_cover, ramp, sampled
from tests.renderer.faults import Blemishes, Fault
from tests.renderer.scenes import LOG_STOP, Picture, luminance
from tests.renderer.truth import FilmTruth, LaidFilm, film_truth

if TYPE_CHECKING:
    from numpy.typing import NDArray

LN10: Final = math.log(10)
GRAIN_APERTURE_UM: Final = 48.0
"""Diameter of the aperture that granularity is quoted for (ISO 10505): 48 micrometres."""
EDGE_MM: Final = 0.15
CELL_LIMITS_MM: Final = (0.02, 0.127)


Cut = tuple[float, float, float]
"""How far in from the film's box a side begins, ends and, beyond the straight line between, bows; mm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmCurve:
    """A characteristic curve with toe, straight part and shoulder.

    Net density is `contrast * toe * ln(1 + exp((log H - x0) / toe))`, a straight line of that slope with a soft foot
    at x0, bent over to `maximum_net` by the same law upside down. x0 follows from the speed point.

    Parameters
    ----------
    base
        Density of the bare support.
    fog
        Density of the developed silver where no light fell.
    contrast
        Slope of the straight part (gamma).
    speed_log_h
        log10 of the exposure (lux seconds) that gives 0.10 above base plus fog.
    toe, shoulder
        Softness: in log exposure for the toe, in density for the shoulder.
    maximum_net
        Net density the shoulder tends to.
    """

    base: float = 0.06
    fog: float = 0.08
    contrast: float = 0.62
    speed_log_h: float = -2.1
    toe: float = 0.16
    shoulder: float = 0.2
    maximum_net: float = 2.8

    @property
    def base_plus_fog(self) -> float:
        """Density of unexposed, developed film."""
        return self.base + self.fog

    @property
    def foot(self) -> float:
        """log10 exposure x0 where the straight part, continued, meets base plus fog."""
        rise = math.expm1(self._before_shoulder(0.10) / (self.contrast * self.toe))
        return self.speed_log_h - self.toe * math.log(rise)

    def net(self, log_h: Array) -> Array:
        """Return density above base plus fog for log10 exposures."""
        straight = self.contrast * self.toe * np.logaddexp(0, (log_h - self.foot) / self.toe)
        return np.asarray(self._bent_over(straight), np.float32)

    def log_h(self, net: float) -> float:
        """Return the log10 exposure that gives a net density (above 0, below the maximum)."""
        straight = self._before_shoulder(net)
        return self.foot + self.toe * math.log(math.expm1(straight / (self.contrast * self.toe)))

    def _bent_over(self, straight: Array) -> Array:
        top, soft = self.maximum_net, self.shoulder
        lost = soft * (np.logaddexp(0, (straight - top) / soft) - np.logaddexp(0, -top / soft))
        return np.asarray(straight - lost, np.float32)

    def _before_shoulder(self, net: float) -> float:
        low, high = 0.0, self.maximum_net + 20 * self.shoulder
        for _ in range(60):
            middle = (low + high) / 2
            bent = float(self._bent_over(np.asarray(middle, np.float64)))
            low, high = (middle, high) if bent < net else (low, middle)
        return (low + high) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One exposed picture: where on the film (box in the film's own coordinates, mm from its centre) and what."""

    box: Box
    picture: Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """A piece of film on the bed, with any number of frames.

    Parameters
    ----------
    size_mm
        Width and height before turning.
    place
        Centre and angle on the bed.
    frames
        Exposed pictures; none is a fog sheet.
    granularity
        Root-mean-square granularity: 1000 times the standard deviation of density at a silver density of 1 over an
        aperture of 48 micrometres. Selwyn: sd times sqrt(area) is constant; sd grows as sqrt(density).
    faults
        Leaks, gradients, bands, bells and the like: part of the negative, so part of the truth.
    blemishes
        Dust, pinholes and scratches: not part of the truth.
    holes
        Perforations, boxes in own coordinates: as clear as open glass.
    notches
        Discs (u, v, radius) cut from the outline: a sheet's notch code.
    marks
        Exposed edge print, boxes in own coordinates, with their net density.
    edge_shadow
        Share of the light that the cut edge of the film throws aside: a thin dark line on open glass.
    stain
        Density that stain adds in red, green and blue, as a share of the silver's.
    cut
        How a hand cut the left, top, right and bottom side: how far in from the box the cut begins, ends (upper or left
        end first) and bows in its middle, mm.
    mask
        Density that a coloured base, such as the orange one of colour negatives, adds in red, green and blue.
    """

    size_mm: tuple[float, float]
    place: Place
    curve: FilmCurve = field(default_factory=FilmCurve)
    frames: tuple[Frame, ...] = ()
    granularity: float = 10.0
    faults: tuple[Fault, ...] = ()
    blemishes: Blemishes = field(default_factory=Blemishes)
    holes: tuple[Box, ...] = ()
    notches: tuple[tuple[float, float, float], ...] = ()
    marks: tuple[tuple[Box, float], ...] = ()
    edge_shadow: float = 0.0
    stain: tuple[float, float, float] = (0.0, 0.0, 0.0)
    cut: tuple[Cut, Cut, Cut, Cut] | None = None
    mask: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def _clear(self, channel: int) -> float:
        """Return the density of unexposed film in a channel; stain colours its fog too."""
        return self.curve.base_plus_fog + self.mask[channel] + self.stain[channel] * self.curve.fog

    @property
    def outline(self) -> Box:
        """The film's box in its own coordinates."""
        width, height = self.size_mm
        return -width / 2, -height / 2, width, height

    def lay(self, bed: Bed, rng: np.random.Generator) -> Callable[[], FilmTruth]:
        """Lay the film on the bed; what is returned tells its true values once everything lies there."""
        density = density_map(self, bed, rng)
        window = bed.window(self.place, self.outline)
        if window is not None:
            self._lay_on(bed, window, density, rng)
        laid = LaidFilm(
            place=self.place,
            outline=self.outline,
            base_plus_fog=self._clear(bed.channel),
            density=density,
            uncut=None if self.cut is None else partial(_uncut, outline=self.outline, cut=self.cut),
        )
        return lambda: film_truth(laid, [frame.box for frame in self.frames], bed)

    def _lay_on(self, bed: Bed, window: Window, density: Array, rng: np.random.Generator) -> None:
        left, top, width, height = self.outline
        rows, columns = density.shape
        # light is interpolated, not density: so the mean transmittance of the map is kept
        light = sampled(
            np.exp(np.float32(-LN10) * density),
            (window.v - top) * np.float32(rows / height) - np.float32(0.5),
            (window.u - left) * np.float32(columns / width) - np.float32(0.5),
        )
        silver = np.log(light) * np.float32(-1 / LN10) - np.float32(self.curve.base + self.mask[bed.channel])
        light *= grain(silver, self.granularity, bed.pitch_mm, rng)
        cover = box_cover(window, self.outline, bed.pitch_mm)
        for hole in self.holes:
            cover *= 1 - box_cover(window, hole, bed.pitch_mm)
        for u, v, radius in self.notches:
            cover *= 1 - disc_cover(window, (u, v), radius, bed.pitch_mm)
        if self.cut is not None:
            cover *= _hand_cut(window, self.outline, self.cut, bed.pitch_mm)
        if self.edge_shadow:
            left, top, width, height = self.outline
            inner = (left + EDGE_MM, top + EDGE_MM, width - 2 * EDGE_MM, height - 2 * EDGE_MM)
            light *= 1 - np.float32(self.edge_shadow) * (1 - box_cover(window, inner, bed.pitch_mm))
        self.blemishes.scar(light, window, self.outline, bed.pitch_mm, rng)
        bed.lay(window, light, cover)


def _uncut(u: Array, v: Array, *, outline: Box, cut: tuple[Cut, Cut, Cut, Cut]) -> NDArray[np.bool_]:
    """Return which places, in the film's own coordinates, a hand left on the film."""
    u, v = np.broadcast_arrays(u, v)
    return np.asarray(_hand_cut(Window(slice(0), slice(0), u, v), outline, cut, 1e-6) > 0.5)


def _hand_cut(window: Window, outline: Box, cut: tuple[Cut, Cut, Cut, Cut], soft: float) -> Array:
    """Return the share of each pixel inside four sides that are not straight nor square."""
    left, top, width, height = outline
    down, across = (window.v - top) / height, (window.u - left) / width
    cover = np.ones_like(window.u)
    for (begins, ends, bows), along, inward in zip(
        cut,
        (down, across, down, across),
        (window.u - left, window.v - top, left + width - window.u, top + height - window.v),
        strict=True,
    ):
        depth = begins + (ends - begins) * along + 4 * bows * along * (1 - along)
        cover *= ramp(np.asarray(inward - depth, np.float32), soft)
    return cover


def grain(silver: Array, granularity: float, side_mm: float, rng: np.random.Generator) -> Array:
    """Return the factor on transmittance that grain makes in square pixels, mean 1.

    The density of a pixel varies by sd = G / sqrt(area) with G = granularity / 1000 * sqrt(area of the 48 um disc)
    * sqrt(silver density) (Selwyn 1935); white from pixel to pixel. The mean transmittance is kept, so that what an
    aperture averages is the density meant.
    """
    if not granularity:
        return np.ones_like(silver)
    disc = math.pi / 4 * (GRAIN_APERTURE_UM / 1000) ** 2
    constant = granularity / 1000 * math.sqrt(disc) / side_mm
    sigma = np.float32(LN10 * constant) * np.sqrt(np.maximum(silver, 0))
    return np.asarray(np.exp(sigma * (rng.standard_normal(silver.shape, dtype=np.float32) - sigma / 2)), np.float32)


def density_map(film: Film, bed: Bed, rng: np.random.Generator) -> Array:
    """Return the noise-free gross density of a film in the bed's channel, without blemishes.

    Shape (rows, columns) of cells of about the scan's pixel pitch, in the film's own frame.
    """
    left, top, width, height = film.outline
    pitch_mm = bed.pitch_mm
    shortest = min([min(f.box[2:]) for f in film.frames], default=min(width, height))
    low, high = CELL_LIMITS_MM
    side = float(np.clip(pitch_mm, max(low, shortest / 1200), high))
    columns, rows = max(2, round(width / side)), max(2, round(height / side))
    u = (left + (np.arange(columns) + 0.5) * width / columns).astype(np.float32)[None, :]
    v = (top + (np.arange(rows) + 0.5) * height / rows).astype(np.float32)[:, None]
    cells = Window(slice(0, rows), slice(0, columns), u, v)
    exposure = np.zeros((rows, columns), np.float32)
    for frame in film.frames:
        _expose(exposure, frame, film.curve, cells, side)
    for fault in film.faults:
        fault.expose(exposure, film.outline, cells, film.curve)
    with np.errstate(divide="ignore"):
        log_h = np.maximum(np.log10(exposure), -12)
    silver = film.curve.net(log_h) + np.float32(film.curve.fog)
    for mark, density in film.marks:
        silver += np.float32(density) * box_cover(cells, mark, 0.1)
    for fault in film.faults:
        fault.develop(silver, film.outline, cells, rng)
    silver = np.maximum(silver, 0) * np.float32(1 + film.stain[bed.channel])
    return np.asarray(silver + np.float32(film.curve.base + film.mask[bed.channel]), np.float32)


def _expose(exposure: Array, frame: Frame, curve: FilmCurve, cells: Window, side: float) -> None:
    """Add the exposure (lux seconds) that a picture gives, with the camera's flare, inside its soft-edged frame."""
    left, top, width, height = frame.box
    soft = max(frame.picture.penumbra_mm, side)
    columns = np.flatnonzero(np.abs(cells.u[0] - left - width / 2) < width / 2 + soft)
    rows = np.flatnonzero(np.abs(cells.v[:, 0] - top - height / 2) < height / 2 + soft)
    if not columns.size or not rows.size:
        return
    part = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    shape = (rows.size, columns.size)
    stops = luminance(frame.picture, shape)
    floor = curve.speed_log_h + LOG_STOP * frame.picture.shadow_stops
    light = np.power(np.float32(10), np.float32(floor) + np.float32(LOG_STOP) * stops)
    light += np.float32(frame.picture.flare) * light.mean()
    inside = Window(part[0], part[1], cells.u[:, part[1]], cells.v[part[0]])
    across = ramp(inside.u - left, soft) * ramp(left + width - inside.u, soft)
    exposure[part] += light * across * ramp(inside.v - top, soft) * ramp(top + height - inside.v, soft)
