"""Tools to draw scenes with: a page of luminance in stops, shapes with soft edges, rough textures, lit relief.

Page coordinates: y from 0 (top) to 1 (bottom), x from 0 to the aspect ratio, so that a circle is round.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tests.renderer.bed import Array, sampled

Part = tuple[slice, slice]
Shape = tuple[Part, Array]
"""The rows and columns a shape touches, and its cover (0 to 1) there."""


class Page:
    """A picture while it is drawn.

    Parameters
    ----------
    shape
        Rows and columns.
    rng
        Source of everything random in the scene.
    ground
        Stops to begin with.
    """

    def __init__(self, shape: tuple[int, int], rng: np.random.Generator, ground: float = 0.0) -> None:
        self.rng = rng
        self.shape = shape
        self.aspect = shape[1] / shape[0]
        self.x: Array = ((np.arange(shape[1], dtype=np.float32) + np.float32(0.5)) / np.float32(shape[0]))[None, :]
        self.y: Array = ((np.arange(shape[0], dtype=np.float32) + np.float32(0.5)) / np.float32(shape[0]))[:, None]
        self.stops: Array = np.full(shape, ground, np.float32)
        self.pixel = 1 / shape[0]

    def part(self, left: float, top: float, right: float, bottom: float) -> Part:
        """Return the rows and columns of a box on the page, cut to it."""
        rows, columns = self.shape
        span = [math.floor(top * rows) - 1, math.ceil(bottom * rows) + 1]
        side = [math.floor(left * rows) - 1, math.ceil(right * rows) + 1]
        top_row, bottom_row = (min(max(row, 0), rows) for row in span)
        first, last = (min(max(column, 0), columns) for column in side)
        return slice(top_row, bottom_row), slice(first, last)

    def paint(self, shape: Shape, value: Array | float) -> None:
        """Put a value (one number, a whole-page map, or a map of the shape's part) where a shape lies."""
        part, cover = shape
        if not cover.size:
            return
        if isinstance(value, np.ndarray) and value.shape == self.shape:
            value = value[part]
        area = self.stops[part]
        area += cover * (np.asarray(value, np.float32) - area)

    def add(self, shape: Shape, value: Array | float) -> None:
        """Add stops where a shape lies: a shadow when negative."""
        part, cover = shape
        if isinstance(value, np.ndarray) and value.shape == self.shape:
            value = value[part]
        self.stops[part] += cover * np.asarray(value, np.float32)

    def ellipse(self, centre: tuple[float, float], radii: tuple[float, float], soft: float = 0.0) -> Shape:
        """Return an ellipse; `soft` is the width of its edge on the page."""
        rx, ry = radii
        edge = max(soft, 1.5 * self.pixel)
        part = self.part(centre[0] - rx - edge, centre[1] - ry - edge, centre[0] + rx + edge, centre[1] + ry + edge)
        x, y = self.x[:, part[1]], self.y[part[0]]
        away = np.hypot((x - centre[0]) / rx, (y - centre[1]) / ry)
        return part, np.asarray(np.clip((1 - away) * (min(rx, ry) / edge) + 0.5, 0, 1), np.float32)

    def polygon(self, points: Sequence[tuple[float, float]]) -> Shape:
        """Return a filled polygon (even-odd)."""
        xs, ys = [p[0] for p in points], [p[1] for p in points]
        part = self.part(min(xs), min(ys), max(xs), max(ys))
        x, y = self.x[:, part[1]], self.y[part[0]]
        inside = np.zeros((y.shape[0], x.shape[1]), bool)
        for (x0, y0), (x1, y1) in zip(points, [*points[1:], points[0]], strict=True):
            if y0 == y1:
                continue
            between = (y0 > y) != (y1 > y)
            inside ^= between & (x < x0 + (x1 - x0) * (y - y0) / (y1 - y0))
        return part, inside.astype(np.float32)

    def box(self, left: float, top: float, right: float, bottom: float) -> Shape:
        """Return an upright rectangle."""
        part = self.part(left, top, right, bottom)
        x, y = self.x[:, part[1]], self.y[part[0]]
        edge = self.pixel
        across = np.clip((x - left) / edge + 0.5, 0, 1) * np.clip((right - x) / edge + 0.5, 0, 1)
        return part, np.asarray(
            across * np.clip((y - top) / edge + 0.5, 0, 1) * np.clip((bottom - y) / edge + 0.5, 0, 1), np.float32
        )

    def stroke(self, ends: tuple[float, float, float, float], widths: tuple[float, float]) -> Shape:
        """Return a straight stroke (x0, y0, x1, y1) that tapers from one width to the other."""
        x0, y0, x1, y1 = ends
        reach = max(widths) + 2 * self.pixel
        part = self.part(min(x0, x1) - reach, min(y0, y1) - reach, max(x0, x1) + reach, max(y0, y1) + reach)
        x, y = self.x[:, part[1]] - np.float32(x0), self.y[part[0]] - np.float32(y0)
        length = max(math.hypot(x1 - x0, y1 - y0), 1e-6)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        along = np.clip(x * ux + y * uy, 0, length)
        away = np.hypot(x - along * ux, y - along * uy)
        half = np.maximum((widths[0] + (widths[1] - widths[0]) * along / length) / 2, self.pixel / 4)
        share = np.minimum(1, 2 * half / self.pixel)
        return part, np.asarray(share * np.clip((half - away) / self.pixel + 0.5, 0, 1), np.float32)

    def below(self, line: Array, soft: float = 0.0) -> Shape:
        """Return everything under a line given as y for each column."""
        edge = max(soft, self.pixel)
        whole = (slice(0, self.shape[0]), slice(0, self.shape[1]))
        return whole, np.asarray(np.clip((self.y - line[None, :]) / edge + 0.5, 0, 1), np.float32)

    def rough(self, power: float = 1.0, stretch: float = 1.0) -> Array:
        """Return texture for the whole page; see `rough`."""
        return rough(self.shape, self.rng, power, stretch)

    def ridge(self, height: float, swing: float, power: float = 1.6) -> Array:
        """Return a rugged line (y for each column): a mean height, and the standard deviation of its swings."""
        line = rough((1, self.shape[1]), self.rng, power)[0]
        return np.asarray(height + swing * line, np.float32)

    def plane(self, horizon: float, scale: float, power: float = 0.9, *, up: bool = False) -> Array:
        """Return texture on a level plane that runs to the horizon (the ground, or with `up` a cloud deck).

        Zero beyond the horizon; far texture fades, as it becomes finer than the picture can show.
        """
        tile = rough((512, 512), self.rng, power)
        gap = np.asarray((horizon - self.y) if up else (self.y - horizon), np.float32)
        far = 1 / np.maximum(gap, np.float32(0.004))
        column = (self.x - np.float32(self.aspect / 2)) * far * np.float32(scale * 512) + 7000
        row = far * np.float32(scale * 512) + 0 * self.x
        fade = 1 / (1 + (far * np.float32(scale * 512 * self.pixel)) ** 2)
        texture = wrapped(tile, row.astype(np.float32), column.astype(np.float32))
        return np.asarray(np.where(gap > 0, texture * fade, 0), np.float32)


def rough(shape: tuple[int, int], rng: np.random.Generator, power: float = 1.0, stretch: float = 1.0) -> Array:
    """Return texture whose amplitude falls as 1 / frequency**power, mean 0, standard deviation 1, edges joining.

    A power near 1 is what photographs of natural scenes have (amplitude spectra fall about as 1/f). `stretch` above 1
    draws the texture out along x.
    """
    rows, columns = shape
    longest = max(shape)
    fy = np.fft.fftfreq(rows)[:, None].astype(np.float32)
    fx = np.fft.rfftfreq(columns)[None, :].astype(np.float32) * np.float32(stretch)
    radius = np.maximum(np.hypot(fx, fy), np.float32(0.7 / longest))
    noise = np.fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    out = np.fft.irfft2(noise * radius ** np.float32(-power), shape).astype(np.float32)
    out -= out.mean()
    return np.asarray(out / max(float(out.std()), 1e-9), np.float32)


def wrapped(tile: Array, row: Array, column: Array) -> Array:
    """Return bilinear samples of a tile that repeats without end."""
    rows, columns = tile.shape
    ringed = np.pad(tile, ((0, 1), (0, 1)), mode="wrap")
    return sampled(ringed, np.mod(row, rows).astype(np.float32), np.mod(column, columns).astype(np.float32))


def lit(relief: Array, pixel: float, light: tuple[float, float, float], ambient: float = 0.08) -> Array:
    """Return stops of a matt relief (heights on the page's scale) under a light from direction (x, y, z)."""
    dy, dx = np.gradient(relief, pixel)
    size = math.sqrt(sum(part * part for part in light))
    facing = (-dx * light[0] - dy * light[1] + light[2]) / (size * np.sqrt(1 + dx * dx + dy * dy))
    return np.asarray(np.log2(ambient + (1 - ambient) * np.maximum(facing, 0)), np.float32)


def ball(
    page: Page, centre: tuple[float, float], radius: float, light: tuple[float, float, float]
) -> tuple[Shape, Array]:
    """Return a ball and the stops of its shading, for `Page.paint`."""
    shape = page.ellipse(centre, (radius, radius))
    part = shape[0]
    nx = (page.x[:, part[1]] - centre[0]) / radius
    ny = (page.y[part[0]] - centre[1]) / radius
    nz = np.sqrt(np.maximum(0.02, 1 - nx * nx - ny * ny))
    size = math.sqrt(sum(side * side for side in light))
    facing = (nx * light[0] + ny * light[1] + nz * light[2]) / size
    gloss = np.maximum(facing, 0) ** 60
    return shape, np.asarray(np.log2(0.06 + 0.9 * np.maximum(facing, 0) + 1.5 * gloss), np.float32)


def crown(page: Page, centre: tuple[float, float], radii: tuple[float, float], stops: float) -> None:
    """Draw the crown of a leafy tree: clumps of leaves with a ragged outline, lit from above left."""
    rng = page.rng
    part = page.part(*(centre[i] + sign * 1.35 * radii[i] for sign in (-1, 1) for i in (0, 1)))
    x = (page.x[:, part[1]] - np.float32(centre[0])) / np.float32(radii[0])
    y = (page.y[part[0]] - np.float32(centre[1])) / np.float32(radii[1])
    if not x.size or not y.size:
        return
    height = np.zeros((y.shape[0], x.shape[1]), np.float32)
    for _ in range(26):
        angle, away = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(0, 0.72))
        at, size = (away * math.cos(angle), away * math.sin(angle)), float(rng.uniform(0.2, 0.42))
        dome = 1 - ((x - at[0]) ** 2 + (y - at[1]) ** 2) / size**2
        np.maximum(height, size * dome * (1.2 - 0.5 * away), out=height)
    size_px = (height.shape[0], height.shape[1])
    leaves = rough(size_px, rng, 0.45) + rough(size_px, rng, 1.1)
    height += np.float32(0.045) * leaves * np.minimum(1, 8 * height)
    cover = np.clip((height - 0.09) * 14, 0, 1).astype(np.float32)
    shade = lit(height, page.pixel / min(radii), (-0.5, -0.8, 1.6), 0.12)
    page.paint((part, cover), np.asarray(stops + 0.8 + 0.7 * shade - 0.4 * y + 0.25 * leaves, np.float32))


def tree(page: Page, foot: tuple[float, float], height: float, stops: float) -> None:
    """Draw a leafy tree standing on its foot."""
    x, y = foot
    page.paint(page.stroke((x, y, x + 0.02 * height, y - 0.6 * height), (0.06 * height, 0.03 * height)), stops - 0.7)
    crown(page, (x, y - 0.62 * height), (0.36 * height, 0.4 * height), stops)


def bare_tree(page: Page, foot: tuple[float, float], height: float, stops: float) -> None:
    """Draw a leafless tree that forks until its twigs are finer than the picture."""
    rng = page.rng
    limbs = [(foot[0], foot[1], -math.pi / 2 + float(rng.normal(0, 0.05)), height * 0.3, height * 0.045)]
    while limbs:
        x, y, angle, length, width = limbs.pop()
        end = (x + length * math.cos(angle), y + length * math.sin(angle))
        page.paint(page.stroke((x, y, *end), (width, width * 0.7)), stops + float(rng.normal(0, 0.1)))
        if length < height * 0.045:
            continue
        for _ in range(int(rng.integers(2, 4))):
            turn = float(rng.normal(0, 0.45))
            limbs.append((*end, angle + turn, length * float(rng.uniform(0.62, 0.85)), width * 0.62))


def front(page: Page, box: tuple[float, float, float, float], stops: float, shade: float) -> None:
    """Draw a house front: wall, pitched roof, a row or two of windows and a door; `shade` stops darken its openings."""
    rng = page.rng
    left, top, right, bottom = box
    wide, tall = right - left, bottom - top
    wall = page.box(left, top, right, bottom)
    courses = 0.12 * rng.standard_normal(wall[1].shape, dtype=np.float32)
    page.paint(wall, stops + courses - 0.3 * (page.y[wall[0][0]] - top) / max(tall, 1e-6))
    peak = top - float(rng.uniform(0.45, 0.6)) * wide
    roof = page.polygon([(left - 0.05 * wide, top), ((left + right) / 2, peak), (right + 0.05 * wide, top)])
    tiles = 0.25 * rng.standard_normal(roof[1].shape, dtype=np.float32)
    page.paint(roof, stops - 2.2 + tiles)
    floors, across = max(1, round(tall / max(wide, 1e-6) * 3)), 3
    for floor in range(floors):
        for place in range(across):
            x = left + wide * (place + 0.5) / across
            y = top + tall * (floor + 0.45) / floors
            half = (0.1 * wide, 0.26 * tall / floors)
            page.paint(page.box(x - half[0], y - half[1], x + half[0], y + half[1]), stops - shade)
            page.paint(page.box(x - half[0] / 12, y - half[1], x + half[0] / 12, y + half[1]), stops + 0.3)
            page.paint(page.box(x - half[0], y + half[1], x + half[0], y + 1.15 * half[1]), stops + 0.5)
