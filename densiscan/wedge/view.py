"""The cell map of a scan seen along a direction: turned, cut into narrow strips, each strip made a profile."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.robust import NORMAL_MAD
from densiscan.wedge.limits import ROW_LIMITS, RowLimits


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The map seen with the wedge's direction along the columns: transposed or not, and turned by an angle.

    `limits` are those of the search that looks along it.
    """

    transposed: bool
    angle_deg: float
    image: Floats
    quantum: float
    limits: RowLimits = ROW_LIMITS

    @staticmethod
    def of(
        image: Floats, *, transposed: bool, angle_deg: float, quantum: float, limits: RowLimits = ROW_LIMITS
    ) -> View:
        """Return the view of a map of log10 signal, shape (rows, columns), along an angle clockwise.

        `quantum` is one code of the scan's scale, as a fraction of full scale.
        """
        flat = image.T if transposed else image
        turned = _turned(flat, angle_deg)
        return View(transposed=transposed, angle_deg=angle_deg, image=turned, quantum=quantum, limits=limits)

    def to_map(self, along: float, across: float) -> tuple[float, float]:
        """Return (column, row) on the untransposed, unturned map of a point of this view, in cells."""
        rows, columns = self.image.shape
        x, y = _rotated(along, across, columns, rows, self.angle_deg)
        return (y, x) if self.transposed else (x, y)

    def from_map(self, column: float, row: float) -> tuple[float, float]:
        """Return (along, across) of this view of a point of the untransposed, unturned map, in cells."""
        rows, columns = self.image.shape
        x, y = (row, column) if self.transposed else (column, row)
        return _rotated(x, y, columns, rows, -self.angle_deg)


def _rotated(x: float, y: float, columns: int, rows: int, angle_deg: float) -> tuple[float, float]:
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    dx, dy = x - 0.5 * columns, y - 0.5 * rows
    return 0.5 * columns + cosine * dx - sine * dy, 0.5 * rows + sine * dx + cosine * dy


def _turned(image: Floats, angle_deg: float) -> Floats:
    """Return the map turned so that lines at this angle run along the rows; nearest cell, edges repeated."""
    if angle_deg == 0.0:
        return image
    rows, columns = image.shape
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    dx = np.arange(columns) + 0.5 - 0.5 * columns
    dy = (np.arange(rows) + 0.5 - 0.5 * rows)[:, None]
    column = np.clip((0.5 * columns + cosine * dx - sine * dy).astype(np.intp), 0, columns - 1)
    row = np.clip((0.5 * rows + sine * dx + cosine * dy).astype(np.intp), 0, rows - 1)
    return np.asarray(image[row, column])


def strip_profiles(
    image: Floats, rows: tuple[int, int], limits: RowLimits = ROW_LIMITS
) -> tuple[Floats, Floats, Floats]:
    """Return middle rows, median profiles and the noise of each profile's cells, for half-overlapping strips.

    Parameters
    ----------
    image
        log10 of the signal, shape (rows, columns) in cells.
    rows
        First row and last + 1 of those that are cut into strips; beyond the border the nearest row stands for them.
    """
    first = min(max(rows[0], 0), image.shape[0] - 1)
    last = max(min(rows[1], image.shape[0]), first + 1)
    height = min(limits.strip, last - first)
    tops = np.arange(first, last - height + 1, max(height // 2, 1))
    strips = np.sort(np.lib.stride_tricks.sliding_window_view(image, height, axis=0)[tops], axis=2)
    middle = 0.5 * (strips[:, :, (height - 1) // 2] + strips[:, :, height // 2])
    # Half the span of the middle half is 0.6745 standard deviations of normal noise; 1.25 / sqrt(n) is what a median
    # leaves of it.
    quarter = height // 4
    spread = 0.5 * (strips[:, :, height - 1 - quarter] - strips[:, :, quarter])
    noise = spread * (NORMAL_MAD * 1.25 / math.sqrt(height))
    return tops + 0.5 * height, running_median(middle, limits.line), running_median(noise, limits.line)


def running_median(lines: Floats, width: int) -> Floats:
    """Return the median over a window that runs along each line, the ends repeated; shape as `lines`."""
    half = width // 2
    padded = np.pad(lines, ((0, 0), (half, half)), mode="edge")
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, width, axis=1), axis=2)
    return np.ascontiguousarray(windows[:, :, half])


def promise(profiles: Floats, limits: RowLimits = ROW_LIMITS) -> Floats:
    """Return a quick measure of the staircase on each profile: its largest change without a turn back, or 0."""
    return np.array([_worth(profile, limits) for profile in profiles])


def _worth(profile: Floats, limits: RowLimits) -> float:
    """Return a quick measure of a staircase: the largest change over a stretch without a turn back, or 0."""
    half = int(limits.shortest_step) // 2
    step = profile[half:] - profile[:-half]
    best = 0.0
    for direction in (step, -step):
        against = np.flatnonzero(direction > limits.turn_back)
        ends = np.concatenate(([-1], against, [direction.size]))
        for first, last in zip(ends[:-1] + 1, ends[1:] - 1, strict=True):
            if last - first >= 4 * limits.shortest_step:
                moves = direction[first : last + 1] < -limits.least_move
                edges = int(np.count_nonzero(moves[1:] & ~moves[:-1]))
                change = abs(float(profile[last] - profile[first]))
                if edges >= 3 and change >= limits.least_change:
                    best = max(best, change * min(edges, 10))
    return best
