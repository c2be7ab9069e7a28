"""What a row of even edges shows cell by cell, beyond its ends too: see `staircase_match`."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.robust import robust_spread
from densiscan.wedge.alignment import Cell
from densiscan.wedge.rows import Row


def cells_of(row: Row, image: Floats) -> Mapping[int, Cell]:
    """Return the cells of a row that lie on the map, without gaps, by lattice number.

    Parameters
    ----------
    image
        log10 of the signal as `row.view` shows it, or another quantity in the same places.
    """
    size = image.shape[1]
    reach = math.ceil(size / abs(row.lattice.pitch)) + 2
    inside = {number: _part_inside(row, number, size) for number in range(-reach, row.span + reach)}
    levels = {
        number: _middle(row, image, number) for number, part in inside.items() if part >= row.view.limits.least_inside
    }
    return {number: _cell(row, image, number, inside[number], levels) for number in levels}


def _columns(row: Row, number: int, part: tuple[float, float], size: int) -> slice | None:
    origin, pitch = row.lattice.origin, row.lattice.pitch
    a, b = sorted((origin + (number + part[0]) * pitch, origin + (number + part[1]) * pitch))
    first, last = max(round(a), 0), min(max(round(b), round(a) + 1), size)
    return slice(first, last) if last > first else None


def _part_inside(row: Row, number: int, size: int) -> float:
    origin, pitch = row.lattice.origin, row.lattice.pitch
    a, b = sorted((origin + number * pitch, origin + (number + 1) * pitch))
    return max(min(b, size) - max(a, 0.0), 0.0) / abs(pitch)


def _band(row: Row, number: int, rows: int) -> slice:
    top, bottom = row.band.rows(number + 0.5, rows)
    margin = (bottom - top) // 5
    return slice(top + margin, max(bottom - margin, top + margin + 1))


def _middle(row: Row, image: Floats, number: int) -> tuple[float, float]:
    columns = _columns(row, number, row.view.limits.middle, image.shape[1]) or _columns(
        row, number, (0.0, 1.0), image.shape[1]
    )
    return _level(image[_band(row, number, image.shape[0]), columns or slice(0, 1)])


def _cell(row: Row, image: Floats, number: int, inside: float, levels: Mapping[int, tuple[float, float]]) -> Cell:
    rows, size = image.shape
    limits = row.view.limits
    level, doubt = levels[number]
    rounding = _rounding(row, level)
    # Glare from a bright neighbour falls off across a cell; what lies beyond an edge within it is another surface.
    jumps = [abs(levels[beside][0] - level) for beside in (number - 1, number + 1) if beside in levels]
    even = True
    for part in limits.halves:
        columns = _columns(row, number, part, size)
        if columns is None:
            continue
        half, noise = _level(image[_band(row, number, rows), columns])
        allowed = max(
            limits.cell_edge,
            limits.cell_noises * math.hypot(noise, doubt),
            rounding,
            limits.cell_jump * max(jumps, default=0.0),
        )
        even = even and abs(half - level) <= allowed
    across = _columns(row, number, (0.0, 1.0), size) or slice(0, 1)
    return Cell(
        level=level,
        doubt=math.hypot(doubt, 0.3 * rounding),
        inside=inside,
        even=even,
        beside=_beside(row, image, row.band.rows(number + 0.5, rows), across, level),
    )


def _rounding(row: Row, level: float) -> float:
    """Return one code at a level, log10."""
    return float(min(row.view.quantum / 10.0**level / math.log(10.0), 1.0))


def _level(part: Floats) -> tuple[float, float]:
    """Return the median of a part and what noise leaves of it."""
    level = float(np.median(part))
    scatter = robust_spread(part - level)
    return level, 1.25 * scatter / math.sqrt(part.size)


def _beside(row: Row, image: Floats, rows: tuple[int, int], columns: slice, level: float) -> float | None:
    half, gap = row.view.limits.strip // 2, row.view.limits.beside
    tops = [top for top in (rows[0] - gap - half, rows[1] + gap) if top >= 0 and top + half <= image.shape[0]]
    levels = [float(np.median(image[top : top + half, columns])) for top in tops]
    return max(levels, key=lambda beside: abs(beside - level), default=None)
