"""The glass a rendered scan is made of: geometry in millimetres and the light that gets through.

Bed coordinates are millimetres from the top left corner of the scan, x right, y down; the centre of the pixel in row r
and column c is at ((c + 0.5) pitch, (r + 0.5) pitch). A piece lies with its centre at a `Place`, turned clockwise by
`angle_deg`. Its own coordinates (u right, v down, millimetres from its centre) are those before turning. A pixel that
an edge crosses gets the area-weighted mean of the two transmittances, as a sensor would, to first order in the angle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
Real = NDArray[np.float64]
Codes = NDArray[np.uint16] | NDArray[np.uint8]
Box = tuple[float, float, float, float]
"""left, top, width, height in millimetres."""

MM_PER_INCH: Final = 25.4
OPAQUE: Final = 5.0
"""Density of black card and metal holders: no flatbed sees through it."""


# digits as rows of a 3 x 5 grid, drawn for this renderer
DIGITS: Final = (
    "111101101101111", "010110010010111", "111001111100111", "111001011001111", "101101111001001",
    "111100111001111", "111100111101111", "111001010010010", "111101111101111", "111101111001111",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the centre of a piece lies on the bed, and by how much it is turned (clockwise positive, y down)."""

    x_mm: float
    y_mm: float
    angle_deg: float = 0.0

    def on_bed(self, u: float, v: float) -> tuple[float, float]:
        """Return the bed position (x, y) in mm of a point given in the piece's own coordinates."""
        cosine, sine = self.turn
        return self.x_mm + u * cosine - v * sine, self.y_mm + u * sine + v * cosine

    def off_bed(self, x: float, y: float) -> tuple[float, float]:
        """Return the piece's own coordinates (u, v) in mm of a bed position."""
        cosine, sine = self.turn
        dx, dy = x - self.x_mm, y - self.y_mm
        return dx * cosine + dy * sine, dy * cosine - dx * sine

    @property
    def turn(self) -> tuple[float, float]:
        """Cosine and sine of the angle; exactly 1 and 0 for none."""
        angle = math.radians(self.angle_deg)
        return math.cos(angle), math.sin(angle)

    def box(self, left: float, top: float, width: float, height: float) -> Box:
        """Return the box, given in own coordinates, as it lies on the bed before the piece is turned."""
        return self.x_mm + left, self.y_mm + top, width, height

    def corners(self, box: Box) -> tuple[tuple[float, float], ...]:
        """Return where the corners of a box (as `box` returns it) lie on the bed once the piece is turned.

        Clockwise from the top left one.
        """
        left, top, width, height = box
        points = ((left, top), (left + width, top), (left + width, top + height), (left, top + height))
        return tuple(self.on_bed(x - self.x_mm, y - self.y_mm) for x, y in points)


class Window(NamedTuple):
    """A rectangle of bed pixels with the piece's own coordinates of their centres, shape (rows, columns), mm."""

    rows: slice
    columns: slice
    u: Array
    v: Array


class Bed:
    """The bed: one transmittance a pixel, which every piece laid on it multiplies.

    Parameters
    ----------
    size_mm
        Width and height of the scan.
    ppi
        Pixels an inch, both ways.
    surround
        Density of the bare bed: 0 for open glass; for a reflection scan that of the lid.
    channel
        0 red, 1 green (or the only one), 2 blue: stained film differs in them.

    Attributes
    ----------
    transmittance
        Shape (rows, columns).
    hidden
        Likewise: where an opaque mask lies.
    """

    def __init__(self, size_mm: tuple[float, float], ppi: float, surround: float = 0.0, channel: int = 1) -> None:
        self.ppi = ppi
        self.channel = channel
        self.pitch_mm = MM_PER_INCH / ppi
        columns, rows = (max(1, round(side / self.pitch_mm)) for side in size_mm)
        self.transmittance: Array = np.full((rows, columns), 10.0**-surround, dtype=np.float32)
        self.hidden: NDArray[np.bool_] = np.zeros((rows, columns), np.bool_)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height in mm, whole pixels."""
        rows, columns = self.transmittance.shape
        return columns * self.pitch_mm, rows * self.pitch_mm

    def window(self, place: Place, box: Box) -> Window | None:
        """Return the pixels a box (in the piece's own coordinates) may touch, or None where it is off the bed."""
        left, top, width, height = box
        points = [place.on_bed(u, v) for u in (left, left + width) for v in (top, top + height)]
        rows = _span([y for _, y in points], self.pitch_mm, self.transmittance.shape[0])
        columns = _span([x for x, _ in points], self.pitch_mm, self.transmittance.shape[1])
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return None
        x = ((np.arange(columns.start, columns.stop) + 0.5) * self.pitch_mm - place.x_mm)[None, :]
        y = ((np.arange(rows.start, rows.stop) + 0.5) * self.pitch_mm - place.y_mm)[:, None]
        cosine, sine = place.turn
        u = (x * cosine + y * sine).astype(np.float32)
        v = (y * cosine - x * sine).astype(np.float32)
        return Window(rows, columns, u, v)

    def lay(self, window: Window, transmittance: Array | float, cover: Array | float = 1.0) -> None:
        """Put something of this transmittance where `cover` (0 to 1, share of the pixel) says.

        What lies there already is multiplied: light passes both.
        """
        part = self.transmittance[window.rows, window.columns]
        part *= 1 + np.asarray(cover, dtype=np.float32) * (np.asarray(transmittance, dtype=np.float32) - 1)

    def replace(self, window: Window, transmittance: Array | float, cover: Array | float) -> None:
        """Put something in the place of what lies there, such as a hole in the film."""
        part = self.transmittance[window.rows, window.columns]
        part += np.asarray(cover, dtype=np.float32) * (np.asarray(transmittance, dtype=np.float32) - part)

    def mask(self, place: Place, card: Box, openings: Sequence[Box]) -> None:
        """Lay opaque card with openings; boxes in the card's own coordinates."""
        window = self.window(place, card)
        if window is None:
            return
        cover = box_cover(window, card, self.pitch_mm)
        for opening in openings:
            cover *= 1 - box_cover(window, opening, self.pitch_mm)
        self.lay(window, 10.0**-OPAQUE, cover)
        self.hidden[window.rows, window.columns] |= cover > 0.5

    def visible(self, x_mm: Array, y_mm: Array) -> NDArray[np.bool_]:
        """Return which bed positions lie in the scan and not under a mask."""
        rows, columns = self.hidden.shape
        row, column = np.floor(y_mm / self.pitch_mm), np.floor(x_mm / self.pitch_mm)
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        row, column = np.clip(row, 0, rows - 1).astype(np.intp), np.clip(column, 0, columns - 1).astype(np.intp)
        return np.asarray(inside & ~self.hidden[row, column], np.bool_)


def _span(positions: list[float], pitch: float, count: int) -> slice:
    first = math.floor(min(positions) / pitch) - 1
    last = math.ceil(max(positions) / pitch) + 1
    return slice(max(0, first), min(count, last))


def box_cover(window: Window, box: Box, soft_mm: float) -> Array:
    """Return the share (0 to 1) of each pixel inside a box in own coordinates, edges `soft_mm` wide."""
    left, top, width, height = box
    across = ramp(window.u - left, soft_mm) * ramp(left + width - window.u, soft_mm)
    return np.asarray(across * ramp(window.v - top, soft_mm) * ramp(top + height - window.v, soft_mm), np.float32)


def disc_cover(window: Window, centre: tuple[float, float], radius: float, soft_mm: float) -> Array:
    """Return the share (0 to 1) of each pixel inside a disc in own coordinates."""
    distance = np.hypot(window.u - np.float32(centre[0]), window.v - np.float32(centre[1]))
    return ramp(np.asarray(radius - distance, np.float32), soft_mm)


def line_cover(window: Window, ends: tuple[float, float, float, float], width: float, soft_mm: float) -> Array:
    """Return the share (0 to 1) of each pixel under a straight line (u0, v0, u1, v1) with this width in mm.

    A line thinner than a pixel covers it only in part.
    """
    u0, v0, u1, v1 = ends
    length = max(math.hypot(u1 - u0, v1 - v0), 1e-6)
    along_u, along_v = (u1 - u0) / length, (v1 - v0) / length
    along = (window.u - u0) * along_u + (window.v - v0) * along_v
    beyond = np.maximum(np.maximum(-along, along - length), 0)
    across = np.asarray(np.hypot((window.v - v0) * along_u - (window.u - u0) * along_v, beyond), np.float32)
    share = min(1.0, width / soft_mm)
    return np.asarray(share * ramp(max(width, soft_mm) / 2 - across, soft_mm), np.float32)


def ramp(inside_mm: Array, soft_mm: float) -> Array:
    """Return 0 outside, 1 inside and a straight rise over `soft_mm` centred on the edge (distance 0)."""
    return np.asarray(np.clip(inside_mm / np.float32(soft_mm) + np.float32(0.5), 0, 1), np.float32)


def numeral(number: str, left: float, top: float, dot: float) -> list[Box]:
    """Return the dots of a number written from (left, top) in own coordinates; each `dot` mm wide, five high."""
    dots = []
    for place, letter in enumerate(number):
        for cell, mark in enumerate(DIGITS[int(letter)]):
            if mark == "1":
                dots.append((left + (4 * place + cell % 3) * dot, top + (cell // 3) * dot, dot, dot))
    return dots


def blurred(image: Array, sigma_px: float) -> Array:
    """Return a Gaussian blur of a 2-D array, border values continued; shape kept.

    Separable: short kernels are summed directly; the kernel is cut at 4 sigma and normalised to 1.
    """
    if sigma_px < 0.05:
        return image
    reach = max(1, math.ceil(4 * sigma_px))
    offsets = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (offsets / sigma_px) ** 2)
    kernel /= kernel.sum()
    out = image
    for axis in (0, 1):
        padded = np.pad(out, [(reach, reach) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        total = np.zeros_like(out)
        length = out.shape[axis]
        for shift, weight in enumerate(kernel):
            piece = padded[shift : shift + length] if axis == 0 else padded[:, shift : shift + length]
            total += np.float32(weight) * piece
        out = total
    return out


def enlarged(image: Array, shape: tuple[int, int]) -> Array:
    """Return a small map stretched to `shape` by bilinear interpolation, cell centres in line."""
    rows = (np.arange(shape[0]) + 0.5) * image.shape[0] / shape[0] - 0.5
    columns = (np.arange(shape[1]) + 0.5) * image.shape[1] / shape[1] - 0.5
    return _along(_along(image, rows, 0), columns, 1)


def _along(image: Array, positions: Real, axis: int) -> Array:
    inside = np.clip(positions, 0, image.shape[axis] - 1)
    low = np.minimum(inside.astype(np.intp), max(image.shape[axis] - 2, 0))
    high = np.minimum(low + 1, image.shape[axis] - 1)
    weight = (inside - low).astype(np.float32)
    weight = weight[:, None] if axis == 0 else weight[None, :]
    first, second = np.take(image, low, axis=axis), np.take(image, high, axis=axis)
    return np.asarray(first + weight * (second - first), np.float32)


def sampled(image: Array, row: Array, column: Array) -> Array:
    """Return bilinear samples of a map at fractional (row, column) cell-centre positions, border continued."""
    rows, columns = image.shape
    row = np.clip(row, 0, rows - 1)
    column = np.clip(column, 0, columns - 1)
    top = np.minimum(row.astype(np.int32), max(rows - 2, 0))
    left = np.minimum(column.astype(np.int32), max(columns - 2, 0))
    down, right = row - top, column - left
    flat = np.ascontiguousarray(image).ravel()
    index = top * np.int32(columns) + left
    step_right = 1 if columns > 1 else 0
    step_down = columns if rows > 1 else 0
    upper = flat[index] + right * (flat[index + step_right] - flat[index])
    index += np.int32(step_down)
    lower = flat[index] + right * (flat[index + step_right] - flat[index])
    return np.asarray(upper + down * (lower - upper), np.float32)
