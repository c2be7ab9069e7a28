"""Finds the row of steps on film that was exposed through a wedge; its densities are not known beforehand.

What is seen of the row are its edges, an even lattice; the steps of the foot, and of a shoulder, show none. Which cells
of the lattice are the steps is told by an end of the row: where the mask lay, film beyond the densest step is clear
again; where there was none, film beyond the lightest step is dense again. One end and the number of steps are enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.threshold import chosen, physics, practice
from densiscan.errors import WedgeNotFoundError
from densiscan.scan.places import BoxMm
from densiscan.wedge.find import CELL_MM, StepPlace, place_of
from densiscan.wedge.limits import ROW_LIMITS, RowLimits
from densiscan.wedge.look import is_straight, rows_by_angle, weight
from densiscan.wedge.rows import Row


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmRowLimits:
    """Thresholds by which the ends of a row of steps on film are told; densities, lengths in cells of the map.

    `rows` are those of the search for the row itself.
    """

    rows: RowLimits = ROW_LIMITS
    darkest: float = physics(1e-4, "Transmittance that is told from nothing: density 4.")
    back: float = chosen(0.3, "Part of the whole range by which density turns back where the row ends.")
    least_back: float = practice(0.06, "The same at least: less is fog or uneven development.")
    edge: float = practice(0.04, "Jump beyond steps that do not differ that is the edge of the film: a clear base.")
    beside: tuple[int, int] = chosen((6, 14), "Cells from the row between which film beside it is read.")
    as_clear: float = chosen(0.05, "How much clearer than the least exposed steps the film beside them is, at most.")
    slack: float = practice(0.02, "By how much a step may lie on the wrong side of its neighbour: fog or noise.")


FILM_ROW_LIMITS: Final = FilmRowLimits()


class _Ends(NamedTuple):
    """The lattice cells that can be steps, and whether the row was seen to end there."""

    first: int
    first_seen: bool
    last: int
    last_seen: bool


class FilmRow(NamedTuple):
    """The steps, least exposed first, and a box of unexposed film beside the least exposed ones, where there is any."""

    steps: tuple[StepPlace, ...]
    clear_mm: BoxMm | None


def find_film_row(light: Floats, count: int, *, file: str, limits: FilmRowLimits = FILM_ROW_LIMITS) -> FilmRow:
    """Find the steps on a film.

    Parameters
    ----------
    light
        Mean transmittance of even cells, see `calibrate.even_cells`.
    count
        How many exposures were given.

    Raises
    ------
    WedgeNotFoundError
        If there is no row of even steps, none of whose ends is seen, or one of another number.
    """
    row = _row_on(light, count, limits)
    if row is None:
        raise WedgeNotFoundError(
            f"{file}: found no row of even steps on the film; give `row_mm` left,top,width,height in mm round the "
            "exposed steps, or `spots_mm` X,Y for each."
        )
    ends = _ends(row, limits)
    start = _start(row, ends, count, limits)
    if start is None:
        raise WedgeNotFoundError(
            f"{file}: {count} exposures are named, but the row on the film shows {len(row.drops)} edges between steps, "
            "which may not be that many; check the list, or give `row_mm` left,top,width,height in mm round the "
            "exposed steps."
        )
    return FilmRow(steps=place_of(row, start, count).steps, clear_mm=_clear_film(row, start, limits))


def _clear_film(row: Row, start: int, limits: FilmRowLimits) -> BoxMm | None:
    """Return a box beside the two least exposed steps that is as clear as they are, or hardly clearer."""
    columns = _columns(row, start + 1)
    top, bottom = row.band.rows(start + 1, row.view.image.shape[0])
    margin = (bottom - top) // 4
    least = _level(row, (top + margin, bottom - margin), columns)
    near, far = limits.beside
    for low, high in ((top - far, top - near), (bottom + near, bottom + far)):
        beside = _level(row, (low, high), columns)
        if beside is None or least is None or not -0.01 < least - beside < limits.as_clear:
            continue
        x, y = row.view.to_map(row.lattice.origin + (start + 1.0) * row.lattice.pitch, 0.5 * (low + high))
        half = (0.7 * abs(row.lattice.pitch), 0.5 * (high - low))
        across, down = half[::-1] if row.view.transposed else half
        return (x - across) * CELL_MM, (y - down) * CELL_MM, 2.0 * across * CELL_MM, 2.0 * down * CELL_MM
    return None


def _row_on(light: Floats, count: int, limits: FilmRowLimits) -> Row | None:
    """Return the row of even steps that stands out most, whatever their densities are, None where there is none."""
    image = np.log10(np.clip(light, limits.darkest, None))
    for rows in rows_by_angle(image, count, quantum=0.1 * limits.darkest, limits=limits.rows):
        straight = [row for row in rows if is_straight(row)]
        if straight:
            return max(straight, key=weight)
    return None


def _ends(row: Row, limits: FilmRowLimits) -> _Ends:
    levels = _levels(row)
    inner = [level for number, level in levels.items() if 0 <= number < row.span]
    span = max(inner) - min(inner) if inner else 0.0
    back = max(limits.back * span, limits.least_back)
    first, first_seen = _walk(levels, min(row.span // 2, 0), -1, back, limits)
    last, last_seen = _walk(levels, max(row.span - 1, 0), 1, back, limits)
    return _Ends(first=first, first_seen=first_seen, last=last, last_seen=last_seen)


def _walk(levels: dict[int, float], start: int, step: int, back: float, limits: FilmRowLimits) -> tuple[int, bool]:
    """Walk along the row while density goes on the same way or stays; return the last such cell and whether it turned.

    Parameters
    ----------
    step
        1 towards the dense end, -1 towards the light end.
    back
        Turn of density that counts as the end of the row.
    """
    here, before = start, math.inf
    extreme = levels.get(start, 0.0)
    while here + step in levels:
        turn = (extreme - levels[here + step]) * step
        if turn > back:
            return here, True
        # Neither a step nor clearly something else: a cell on the border of the film; or, where steps had ceased to
        # differ, the edge of the film.
        if turn > max(limits.slack, 0.2 * back) or (step < 0 and -turn > limits.edge and before < limits.slack):
            return here, False
        here += step
        before = abs(turn)
        extreme = max(extreme, levels[here]) if step > 0 else min(extreme, levels[here])
    return here, False


def _columns(row: Row, number: int) -> slice | None:
    """Return the middle of a lattice cell as columns of the view, None where it is not on the map."""
    a, b = sorted(row.lattice.origin + (number + part) * row.lattice.pitch for part in (0.3, 0.7))
    return slice(round(a), max(round(b), round(a) + 1)) if a >= 0.0 and b <= row.view.image.shape[1] else None


def _level(row: Row, rows: tuple[int, int], columns: slice | None) -> float | None:
    """Return the median density of a part of the view, None where it is not on the map."""
    top, bottom = rows
    if columns is None or top < 0 or bottom > row.view.image.shape[0] or bottom <= top:
        return None
    return -float(np.median(row.view.image[top:bottom, columns]))


def _levels(row: Row) -> dict[int, float]:
    """Return the density of each lattice cell that lies on the map."""
    reach = math.ceil(row.view.image.shape[1] / abs(row.lattice.pitch)) + 1
    levels: dict[int, float] = {}
    for number in range(-reach, row.span + reach):
        top, bottom = row.band.rows(number, row.view.image.shape[0])
        margin = (bottom - top) // 4
        level = _level(row, (top + margin, bottom - margin), _columns(row, number))
        if level is not None:
            levels[number] = level
    return levels


def _start(row: Row, ends: _Ends, count: int, limits: FilmRowLimits) -> int | None:
    """Return the lattice cell of the least exposed step, None where neither end agrees with the number of steps."""
    by_last = ends.last - count + 1 if ends.last_seen else None
    by_first = ends.first if ends.first_seen else None
    if by_last is not None and by_first is not None and by_last != by_first:
        # Both ends turn, as where a mask or the border of the film lies beyond the other: film beside the row tells.
        by_first, by_last = (None, by_last) if _clear_beside(row) else (by_first, None)
    start = by_last if by_last is not None else by_first
    if start is None:
        return None
    # One edge may be that of the least exposed step itself, or of the open light beside the wedge; two are more steps.
    levels = _levels(row)
    beyond = [place for place in row.drops if place <= start or place >= start + count]
    more = sum(not _is_edge_of_film(levels, place, limits) for place in beyond)
    room = more < 2 and ends.first <= start and start + count - 1 <= ends.last
    return start if room else None


def _is_edge_of_film(levels: dict[int, float], place: int, limits: FilmRowLimits) -> bool:
    """Tell whether light glass lies before a lattice cell, and film on which nothing changes any more behind it."""
    before, here, after = (levels.get(place + away) for away in (-1, 0, 1))
    if here is None or after is None:
        return False
    return (before is None or here - before > limits.edge) and abs(after - here) < limits.slack


def _clear_beside(row: Row) -> bool:
    """Tell whether film beside the row is as clear as its lightest steps: a mask lay round the wedge."""
    levels = _levels(row)
    inside = [levels[number] for number in range(row.span) if number in levels]
    besides = []
    for number in range(row.span // 2, row.span):
        top, bottom = row.band.rows(number, row.view.image.shape[0])
        columns = _columns(row, number)
        besides += [_level(row, rows, columns) for rows in ((top - 12, top - 4), (bottom + 4, bottom + 12))]
    transmittances = [beside for beside in besides if beside is not None]
    if not transmittances or not inside:
        return True
    return float(np.median(transmittances)) < 0.5 * (min(inside) + max(inside))
