"""Where film ends that a hand cut: its sides are neither straight nor square, and no box is its outline."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from densiscan.scan.cells import Cells, Footprint, Map, Mask, TurnedBox, by_bands, eroded

HAND_CUT_MM: Final = 1.5
"""By how much a side that a hand cut leaves its straight line: 1 to 1.5 mm over 200 mm, corners off square."""

LINE_MM: Final = 0.35
"""By how much an edge point may be off the line it lies on: the rows of cells are 0.25 mm apart."""

CROOKED: Final = 0.08
"""Share of the points of one side that lie off its line, at least, for a crooked cut: a notch code, a rounded corner
or a fibre is less of a side."""


def is_crooked(off_mm: Sequence[Map]) -> bool:
    """Return whether sides of film leave their straight lines; `off_mm` is how far out their edge points lie."""
    return any(side.size and float((np.abs(side) > LINE_MM).mean()) > CROOKED for side in off_mm)


def footprint_of(
    cells: Cells, piece: Mask, part: tuple[slice, slice], box: TurnedBox, off_mm: Sequence[Map]
) -> Footprint:
    """Return what a piece of film covers.

    Parameters
    ----------
    piece
        Its cells, in a window of the map.
    part
        The rows and columns of that window.
    box
        Its straight edges.
    off_mm
        How far out from the left, top, right and bottom edge its edge points lie; empty where the scan ends there.
        What reaches farther out than a hand cuts awry is no film: tape, a pen, a fibre.
    """
    reach = [_reach(side) for side in off_mm]
    half = box.width_mm / 2, box.height_mm / 2
    whole = box.part((-half[0] - reach[0], half[0] + reach[2]), (-half[1] - reach[1], half[1] + reach[3]))
    x, y = ((edges[1:] + edges[:-1]) / 2 for edges in (cells.x_mm, cells.y_mm))
    within = by_bands(lambda some: whole.inside(x[part[1]][None, :], some), y[part[0]][:, None])
    # cells on the edge are half glass
    return Footprint(rows=part[0], columns=part[1], mask=eroded(_filled(piece & within)), box=whole)


def _reach(off_mm: Map) -> float:
    """Return how far film reaches beyond a straight edge, mm: to where all but a few of the edge points lie."""
    near = off_mm[np.abs(off_mm) <= 2 * HAND_CUT_MM]
    return max(0.0, float(np.quantile(near, 0.99))) + LINE_MM if near.size else 0.0


def _filled(piece: Mask) -> Mask:
    """Return a piece with its holes: what lies behind its first and before its last cell, on its row and its column."""
    inside = np.ones_like(piece)
    for axis in (0, 1):
        inside &= np.logical_or.accumulate(piece, axis=axis)
        inside &= np.flip(np.logical_or.accumulate(np.flip(piece, axis), axis=axis), axis)
    return inside
