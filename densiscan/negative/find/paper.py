"""Paper round film: an even, dense thing with an opening in which film shows, though some light passes it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from densiscan.negative.find.limits import OUTLINE_LIMITS, OutlineLimits
from densiscan.scan.cells import Cells, Map, Mask, TurnedBox, cell_at, grown, labelled

_DEPTHS_MM: Final = (1.0, 1.75, 2.5)


def paper_round(cells: Cells, pieces: Sequence[TurnedBox], limits: OutlineLimits = OUTLINE_LIMITS) -> Mask | None:
    """Return the cells of paper among pieces on the glass, None where there is none.

    Paper is even along all four of its sides and holds something clearer. The clear edge of film is even too, but
    nothing in film is clearer.
    """
    paper = None
    for box in pieces:
        level = _even_level(cells, box, limits)
        if level is None or level < limits.lightest_paper:
            continue
        found = _joined(cells, box, level, limits)
        if found is not None:
            paper = found if paper is None else paper | found
    return paper


def _even_level(cells: Cells, box: TurnedBox, limits: OutlineLimits) -> float | None:
    """Return the density along the sides of a piece, None where it is not even along each of them."""
    half = box.width_mm / 2, box.height_mm / 2
    if min(half) < 2 * _DEPTHS_MM[-1]:
        return None
    sides = [np.concatenate([_along(cells, box, side, depth) for depth in _DEPTHS_MM]) for side in range(4)]
    sides = [side[np.isfinite(side)] for side in sides]
    level = float(np.median(np.concatenate(sides)))
    even = all(
        float((np.abs(side - level) < limits.even_paper).mean()) >= limits.even_share for side in sides if side.size
    )
    return level if even else None


def _along(cells: Cells, box: TurnedBox, side: int, depth_mm: float) -> Map:
    """Return the density at places along a side, this far inside of it; NaN beyond the scan."""
    half, axis, sign = (box.width_mm / 2, box.height_mm / 2), side % 2, -1.0 if side < 2 else 1.0
    run = np.linspace(-0.9, 0.9, 64) * half[1 - axis]
    across = np.full(run.size, sign * (half[axis] - depth_mm))
    x, y = box.on_scan(*((across, run) if axis == 0 else (run, across)))
    row, column, there = cell_at(cells, x, y)
    return np.where(there, cells.density[row, column], np.nan)


def clear_at(cells: Cells, box: TurnedBox, side: int, limits: OutlineLimits = OUTLINE_LIMITS) -> bool:
    """Return whether what lies in an opening is clearer along a side than the paper beside it.

    Where the picture runs under the paper, its sky may look like more of the paper.
    """
    rise = _along(cells, box, side, -0.9) - _along(cells, box, side, 0.6)
    return (
        float((rise[np.isfinite(rise)] > limits.clearer).mean()) >= limits.even_share
        if np.isfinite(rise).any()
        else False
    )


def shows_film(cells: Cells, box: TurnedBox, lightest: float) -> bool:
    """Return whether half of what lies in an opening is denser than the lightest step of a wedge."""
    x, y = ((edges[1:] + edges[:-1]) / 2 for edges in (cells.x_mm, cells.y_mm))
    inside = cells.density[box.inside(x[None, :], y[:, None])]
    return bool(inside.size and np.median(inside) > lightest)


def _joined(cells: Cells, box: TurnedBox, level: float, limits: OutlineLimits) -> Mask | None:
    """Return what is about as dense as the paper, or denser, and joined to it; None where nothing is clearer."""
    x, y = ((edges[1:] + edges[:-1]) / 2 for edges in (cells.x_mm, cells.y_mm))
    inside = box.inside(x[None, :], y[:, None])
    dense = inside & (cells.density > level - limits.clearer)
    if dense.sum() > (1.0 - limits.least_opening) * inside.sum():
        return None
    labels, count = labelled(dense)
    at_sides = inside & ~box.inside(x[None, :], y[:, None], _DEPTHS_MM[-1])
    kept = np.zeros(count + 1, dtype=bool)
    kept[np.unique(labels[at_sides & dense])] = True
    kept[0] = False
    # its soft edges are no film
    return grown(np.asarray(kept[labels]))
