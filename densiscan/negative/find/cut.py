"""Where film ends that a hand cut, or that tape holds: no box is its outline.

A hand cuts sides that are neither straight nor square. What reaches farther out from the straight edges than that is
no film, and what it covers inside of them is not read.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from densiscan.negative.find.limits import OUTLINE_LIMITS, OutlineLimits
from densiscan.scan.cells import Cells, Footprint, Indices, Map, Mask, TurnedBox, by_bands, eroded

_FROM_CORNER_MM: Final = 1.5
_OFF_TAPE_MM: Final = 0.5
_DEEPEST_MM: Final = 25.0


class Cut(NamedTuple):
    """One side of a piece, by its edge points in the order of the map's lines, mm.

    `along` and `across` are where they lie, `out` how far out from the straight edge; `film` says which of them are
    the film's own, and not of tape and the like.
    """

    along: Map
    across: Map
    out: Map
    film: Mask


def cut_of(along: Map, across: Map, out: Map, film: Mask, limits: OutlineLimits = OUTLINE_LIMITS) -> Cut:
    """Return a side; a stretch that leaves the line steeply and reaches farther out than a hand cuts is not film's.

    `film` tells which points may be at all.
    """
    film = film.copy()
    pitch = float(np.median(np.diff(along))) if along.size > 1 else 1.0
    soon, corner = max(1, round(limits.soon_mm / pitch)), max(1, round(_FROM_CORNER_MM / pitch))
    change = np.diff(np.concatenate(([False], (out > limits.line_mm) | ~film, [False])).astype(np.int8))
    for first, last in zip(np.flatnonzero(change > 0), np.flatnonzero(change < 0), strict=True):
        ends = [out[first : min(last, first + soon)]] if first > corner else []
        ends += [out[max(first, last - soon) : last]] if last < out.size - corner else []
        tape = any(float(end.max()) > 2 * limits.hand_cut_mm for end in ends)
        film[first:last] &= bool(film[first:last].all()) and not tape
    return Cut(along, across, out, film)


def is_crooked(cuts: Sequence[Cut], limits: OutlineLimits = OUTLINE_LIMITS) -> bool:
    """Return whether sides of film leave their straight lines, or something reaches over them."""
    return any(
        cut.out.size
        and float((np.abs(cut.out) > limits.line_mm)[cut.film].mean() if cut.film.any() else 0.0) > limits.crooked
        for cut in cuts
    ) or any(float((~cut.film).mean()) > limits.crooked for cut in cuts if cut.out.size)


def footprint_of(
    cells: Cells,
    piece: Mask,
    part: tuple[slice, slice],
    box: TurnedBox,
    cuts: Sequence[Cut],
    limits: OutlineLimits = OUTLINE_LIMITS,
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
    cuts
        Its left, top, right and bottom side; without points where the scan ends there.
    """
    reach = [_reach(cut, limits) for cut in cuts]
    half = box.width_mm / 2, box.height_mm / 2
    whole = box.part((-half[0] - reach[0], half[0] + reach[2]), (-half[1] - reach[1], half[1] + reach[3]))
    x, y = ((edges[1:] + edges[:-1]) / 2 for edges in (cells.x_mm, cells.y_mm))
    x, y = x[part[1]], y[part[0]]
    film = piece & by_bands(lambda some: whole.inside(x[None, :], some), y[:, None])
    for side, cut in enumerate(cuts):
        _clip(film if side % 2 == 0 else film.T, (y, x) if side % 2 == 0 else (x, y), cut, outward=side >= 2)
    film = _filled(film)
    density = cells.density[part]
    for side, cut in enumerate(cuts):
        upright = side % 2 == 0
        lines = (film, density, (y, x)) if upright else (film.T, density.T, (x, y))
        for first, last in _stretches(cut):
            _take_off_tape(lines, cut, (first, last), limits, outward=side >= 2)
    for k, corner in enumerate(box.corners()):
        # the corner between two sides: left and top, top and right, ...
        taped = _taped_ends(cuts[k], cuts[(k + 1) % 4], corner, upright=k % 2 == 0)
        if taped is not None:
            film &= ~_beyond_chord(x, y, taped, corner)
    # cells on the edge are half glass
    return Footprint(rows=part[0], columns=part[1], mask=eroded(film), box=whole)


def _reach(cut: Cut, limits: OutlineLimits) -> float:
    """Return how far film reaches beyond a straight edge, mm: to where all but a few of the edge points lie."""
    near = cut.out[cut.film & (np.abs(cut.out) <= 2 * limits.hand_cut_mm)]
    return max(0.0, float(np.quantile(near, 0.99))) + limits.line_mm if near.size else 0.0


def _clip(film: Mask, places: tuple[Map, Map], cut: Cut, *, outward: bool) -> None:
    """Take off the film, along one side, what lies beyond the line between film on either side of a stretch of tape."""
    if cut.film.all() or not cut.film.any():
        return
    along, across = places
    tape = ~cut.film
    sign = 1.0 if outward else -1.0
    line = cut.across[tape] - sign * cut.out[tape]
    edge = line + sign * np.interp(cut.along[tape], cut.along[cut.film], cut.out[cut.film])
    lines = np.clip(np.searchsorted(along, cut.along[tape] - 1e-6), 0, along.size - 1)
    beyond = (across[None, :] - edge[:, None]) * sign > 0
    film[lines] &= ~beyond


def _stretches(cut: Cut) -> list[tuple[int, int]]:
    """Return the stretches of tape that have film on either side, as first and end of their edge points."""
    change = np.diff(np.concatenate(([False], ~cut.film, [False])).astype(np.int8))
    found = zip(np.flatnonzero(change > 0).tolist(), np.flatnonzero(change < 0).tolist(), strict=True)
    return [(first, last) for first, last in found if first > 0 and last < cut.film.size]


def _take_off_tape(
    lines: tuple[Mask, Map, tuple[Map, Map]],
    cut: Cut,
    stretch: tuple[int, int],
    limits: OutlineLimits,
    *,
    outward: bool,
) -> None:
    """Take off the film what a stretch of tape covers, to where the film beside it is no clearer any more.

    How far in the tape ends is told by least squares: up to there the film is denser by what the tape is beyond the
    film, farther in it is as dense as beside the tape.
    """
    film, density, (along, across) = lines
    first, last = stretch
    sign = 1.0 if outward else -1.0
    pitch = float(np.diff(across[:2])[0])
    deep = round(_DEEPEST_MM / pitch)
    beside = np.r_[max(0, first - (last - first)) : first, last : min(cut.film.size, 2 * last - first)]
    own = cut.across[first:last] - sign * cut.out[first:last]

    def profile(points: Indices, edge_mm: Map, depths: Indices) -> Map:
        row = np.clip(np.searchsorted(along, cut.along[points] - 1e-6), 0, along.size - 1)
        at = np.clip(np.searchsorted(across, edge_mm), 0, across.size - 1)
        column = np.clip(at[:, None] - int(sign) * depths[None, :], 0, across.size - 1)
        return np.asarray(np.median(density[row[:, None], column], axis=0))

    tape = float(profile(np.arange(first, last), own, np.array([-round(limits.hand_cut_mm / pitch)]))[0])
    depths = np.arange(2, deep)
    more = profile(np.arange(first, last), own, depths) - profile(beside, cut.across[beside], depths)
    gain = np.concatenate(([0.0], np.cumsum(more**2 - (more - tape) ** 2)))
    covered = 2 + int(np.argmax(gain)) + round(_OFF_TAPE_MM / pitch)
    row = np.clip(np.searchsorted(along, cut.along[first:last] - 1e-6), 0, along.size - 1)
    margin = round(_OFF_TAPE_MM / pitch)
    row = np.arange(max(0, row[0] - margin), min(along.size, row[-1] + 1 + margin))
    edge = np.interp(along[row], cut.along[first:last], own)
    film[row] &= (across[None, :] - edge[:, None]) * sign < -covered * pitch


def _taped_ends(
    first: Cut, second: Cut, corner: tuple[float, float], *, upright: bool
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return where what reaches over a corner leaves the film's edges again, None where nothing does.

    `upright` says that the first side is the left or the right one.
    """
    ends = []
    for cut, down in ((first, upright), (second, not upright)):
        at = corner[1] if down else corner[0]
        tape = ~cut.film
        if not tape.any():
            return None
        inwards = np.sign(float(np.median(cut.along)) - at)
        off = (cut.along - at) * inwards
        own = tape & (off < float(np.ptp(cut.along)) / 2)
        if not own.any() or off[own].min() > _FROM_CORNER_MM:
            return None
        last = int(np.flatnonzero(own)[np.argmax(off[own])])
        across, along = float(cut.across[last]), float(cut.along[last])
        ends.append((across, along) if down else (along, across))
    return ends[0], ends[1]


def _beyond_chord(
    x: Map, y: Map, ends: tuple[tuple[float, float], tuple[float, float]], corner: tuple[float, float]
) -> Mask:
    """Return the cells that lie on the corner's side of a line between two places, and a little over it."""
    (x0, y0), (x1, y1) = ends
    length = max(float(np.hypot(x1 - x0, y1 - y0)), 1e-6)
    across = (-(y1 - y0) / length, (x1 - x0) / length)
    away = (corner[0] - x0) * across[0] + (corner[1] - y0) * across[1]
    off = (x[None, :] - x0) * across[0] + (y[:, None] - y0) * across[1]
    return np.asarray(off * (1.0 if away > 0 else -1.0) > -_OFF_TAPE_MM)


def _filled(piece: Mask) -> Mask:
    """Return a piece with its holes: what lies behind its first and before its last cell, on its row and its column."""
    inside = np.ones_like(piece)
    for axis in (0, 1):
        inside &= np.logical_or.accumulate(piece, axis=axis)
        inside &= np.flip(np.logical_or.accumulate(np.flip(piece, axis), axis=axis), axis)
    return inside
