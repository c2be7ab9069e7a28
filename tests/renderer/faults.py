"""What goes wrong with film: light leaks, uneven development, dust, pinholes, scratches, drying marks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, Protocol

import numpy as np

from tests.renderer.bed import Array, Box, Window, disc_cover, line_cover

Side = Literal["left", "top", "right", "bottom"]
DUST_DENSITY: Final = 1.5
FIBRE_DENSITY: Final = 0.8
CLEAR_DENSITY: Final = 0.07
"""Of the support where the silver is gone: pinholes and scratches."""


class Curve(Protocol):
    """What a fault needs of a film curve."""

    def log_h(self, net: float) -> float:
        """Return the log10 exposure for a net density."""
        ...


class Fault:
    """A fault of the negative itself; each kind overrides what it does to exposure or to silver."""

    __slots__ = ()

    def expose(self, exposure: Array, outline: Box, cells: Window, curve: Curve) -> None:
        """Add stray exposure in place (lux seconds); none by default."""

    def develop(self, silver: Array, outline: Box, cells: Window, rng: np.random.Generator) -> None:
        """Change the developed silver density in place; not by default."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak(Fault):
    """Light that came in at an edge of the film.

    Parameters
    ----------
    side
        The edge it came in at, before turning.
    at_mm
        Middle of the leak along that edge, from its left or upper end.
    width_mm
        Its standard deviation along the edge.
    depth_mm
        Distance over which its exposure falls to 1/e.
    net_density
        Net density it makes alone at the very edge.
    """

    side: Side
    at_mm: float
    width_mm: float
    depth_mm: float
    net_density: float

    def expose(self, exposure: Array, outline: Box, cells: Window, curve: Curve) -> None:
        """Add the leak's light, which falls off into the film and to both sides."""
        along, inward = along_and_inward(self.side, outline, cells)
        strength = 10 ** curve.log_h(self.net_density)
        spread = np.exp(-0.5 * ((along - self.at_mm) / self.width_mm) ** 2)
        exposure += np.float32(strength) * spread * np.exp(-np.maximum(inward, 0) / self.depth_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gradient(Fault):
    """Development that gets stronger across the sheet.

    Parameters
    ----------
    amount
        Density at the strong edge less density at the weak edge, on even film.
    direction_deg
        Where it gets denser: 0 to the right, 90 downwards.
    """

    amount: float
    direction_deg: float = 0.0

    def develop(self, silver: Array, outline: Box, cells: Window, rng: np.random.Generator) -> None:
        """Add a straight rise, half of `amount` either way from the middle."""
        del rng
        angle = math.radians(self.direction_deg)
        reach = abs(math.cos(angle)) * outline[2] + abs(math.sin(angle)) * outline[3]
        silver += np.float32(self.amount / reach) * (
            cells.u * np.float32(math.cos(angle)) + cells.v * np.float32(math.sin(angle))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands(Fault):
    """Bands of stronger and weaker development.

    Parameters
    ----------
    amount
        Density from the weakest to the strongest band.
    period_mm
        From band to band.
    upright
        True: bands run up and down, density changes along x.
    """

    amount: float
    period_mm: float
    upright: bool = False

    def develop(self, silver: Array, outline: Box, cells: Window, rng: np.random.Generator) -> None:
        """Add a wave of random phase."""
        del outline
        phase = rng.uniform(0, 2 * math.pi)
        way = cells.u if self.upright else cells.v
        silver += np.float32(self.amount / 2) * np.sin(way * np.float32(2 * math.pi / self.period_mm) + phase)


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeDensity(Fault):
    """Edges developed more (positive) or less than the middle: `amount` at the edge, gone over `depth_mm`."""

    amount: float
    depth_mm: float

    def develop(self, silver: Array, outline: Box, cells: Window, rng: np.random.Generator) -> None:
        """Add the rise towards all four edges."""
        del rng
        distance = np.minimum(outline[2] / 2 - np.abs(cells.u), outline[3] / 2 - np.abs(cells.v))
        silver += np.float32(self.amount) * np.exp(-np.maximum(distance, 0) / np.float32(self.depth_mm))


@dataclass(frozen=True, slots=True, kw_only=True)
class AirBell(Fault):
    """A bubble that kept the developer away: a round light spot; position from the film's top left corner, mm."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    share: float = 0.5
    """Share of the silver that is missing."""

    def develop(self, silver: Array, outline: Box, cells: Window, rng: np.random.Generator) -> None:
        """Take silver away, softly towards the rim."""
        del rng
        centre = (outline[0] + self.x_mm, outline[1] + self.y_mm)
        soft = 0.35 * self.diameter_mm
        silver *= 1 - np.float32(self.share) * disc_cover(cells, centre, self.diameter_mm / 2, soft)


@dataclass(frozen=True, slots=True, kw_only=True)
class DryingMark(Fault):
    """A drop that dried on the film: a ring a little denser than what it surrounds; from the top left corner, mm."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    amount: float = 0.05

    def develop(self, silver: Array, outline: Box, cells: Window, rng: np.random.Generator) -> None:
        """Add a rim of scum and a faint veil inside."""
        del rng
        distance = np.hypot(cells.u - outline[0] - self.x_mm, cells.v - outline[1] - self.y_mm)
        radius = self.diameter_mm / 2
        rim = np.exp(-0.5 * ((distance - radius) / (0.06 * self.diameter_mm + 0.1)) ** 2)
        silver += np.float32(self.amount) * (rim + 0.2 * (distance < radius))


@dataclass(frozen=True, slots=True, kw_only=True)
class Blemishes:
    """Counts of small things on or in the film; places are drawn at random."""

    dust: int = 0
    fibres: int = 0
    pinholes: int = 0
    scratches: int = 0

    def scar(self, light: Array, window: Window, box: Box, pitch_mm: float, rng: np.random.Generator) -> None:
        """Change the light a piece lets through, in place: dust and fibres stop it, pinholes and scratches do not."""
        for _ in range(self.dust):
            centre, radius = _somewhere(box, rng), float(rng.gamma(2.0, 0.04)) + 0.02
            _touch(light, window, (*centre, radius), -DUST_DENSITY, pitch_mm)
        for _ in range(self.pinholes):
            centre, radius = _somewhere(box, rng), float(rng.gamma(2.0, 0.05)) + 0.03
            _touch(light, window, (*centre, radius), CLEAR_DENSITY, pitch_mm)
        for kind, count in (("fibre", self.fibres), ("scratch", self.scratches)):
            for _ in range(count):
                _draw_line(light, window, box, (kind, pitch_mm), rng)


def _somewhere(box: Box, rng: np.random.Generator) -> tuple[float, float]:
    return float(box[0] + rng.uniform(0, box[2])), float(box[1] + rng.uniform(0, box[3]))


def _mark(part: Array, cover: Array, density: float) -> None:
    """Change light in place: a negative density lies on the film, a positive one is all that is left of it."""
    if density < 0:
        part *= 1 - cover * np.float32(1 - 10.0**density)
    else:
        part += cover * np.maximum(np.float32(10.0**-density) - part, 0)


def _touch(light: Array, window: Window, disc: tuple[float, float, float], density: float, pitch_mm: float) -> None:
    """Mark a disc of the light, on the pixels near it only."""
    u, v, radius = disc
    near = near_pixels(window, (u, v), radius + pitch_mm)
    if near is None:
        return
    part = light[near]
    small = Window(near[0], near[1], window.u[near], window.v[near])
    soft = max(pitch_mm, 0.3 * radius)
    # a spot smaller than the soft edge covers its pixel in part only
    share = min(1.0, (2 * radius / pitch_mm) ** 2)
    cover = np.float32(share) * disc_cover(small, (u, v), max(radius, pitch_mm / 2), soft)
    _mark(part, cover, density)


def near_pixels(window: Window, centre: tuple[float, float], reach: float) -> tuple[slice, slice] | None:
    """Return the pixels of a full (turned) window within `reach` of a point, as slices."""
    u, v = window.u, window.v
    step_u = np.array([u[0, -1] - u[0, 0], v[0, -1] - v[0, 0]]) / max(u.shape[1] - 1, 1)
    size = float(np.hypot(*step_u)) or 1.0
    cosine, sine = step_u[0] / size, -step_u[1] / size
    du, dv = centre[0] - float(u[0, 0]), centre[1] - float(v[0, 0])
    column, row = (du * cosine - dv * sine) / size, (du * sine + dv * cosine) / size
    cells = reach / size + 2
    top, bottom = max(0, int(row - cells)), min(u.shape[0], int(row + cells) + 1)
    left, right = max(0, int(column - cells)), min(u.shape[1], int(column + cells) + 1)
    return (slice(top, bottom), slice(left, right)) if top < bottom and left < right else None


def _draw_line(light: Array, window: Window, box: Box, kind: tuple[str, float], rng: np.random.Generator) -> None:
    name, pitch_mm = kind
    u, v = _somewhere(box, rng)
    if name == "scratch":
        angle, length = float(rng.normal(math.pi / 2, 0.1)), float(rng.uniform(0.2, 0.8)) * box[3]
        density, width, bends = (CLEAR_DENSITY, float(rng.uniform(0.02, 0.08)), 1)
    else:
        angle, length = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(1, 5))
        density, width, bends = (-FIBRE_DENSITY, float(rng.uniform(0.02, 0.05)), 5)
    for _ in range(bends):
        end = (u + length / bends * math.cos(angle), v + length / bends * math.sin(angle))
        near = near_pixels(window, ((u + end[0]) / 2, (v + end[1]) / 2), length / bends / 2 + 1)
        if near is not None:
            small = Window(near[0], near[1], window.u[near], window.v[near])
            _mark(light[near], line_cover(small, (u, v, *end), width, pitch_mm), density)
        (u, v), angle = end, angle + float(rng.normal(0, 0.6))


def along_and_inward(side: Side, outline: Box, cells: Window) -> tuple[Array, Array]:
    """Return the distance along an edge from its left or upper end, and from the edge into the film, mm."""
    left, top, width, height = outline
    if side in ("left", "right"):
        return cells.v - top, cells.u - left if side == "left" else left + width - cells.u
    return cells.u - left, cells.v - top if side == "top" else top + height - cells.v
