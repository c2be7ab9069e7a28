"""Looks over a scan for rows of even steps: along both directions, at one small angle after another.

Whoever looks for steps looks through these: the wedge, the steps on film, the wedge on a print.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from densiscan.arithmetic.arrays import Floats
from densiscan.wedge.limits import ROW_LIMITS, RowLimits
from densiscan.wedge.rows import Row, Strip, groups_of, row_of, strips_of
from densiscan.wedge.view import View


def rows_by_angle(
    image: Floats, steps: int, *, quantum: float, least_seen: float = 0.0, limits: RowLimits = ROW_LIMITS
) -> Iterator[list[Row]]:
    """Yield the rows seen at each angle along both directions, each brought straight.

    A direction along which nothing is seen that may be the row is spared the other angles: strips that lean against a
    row cross its edges in turn.

    Parameters
    ----------
    image
        log10 of the signal in cells, shape (rows, columns).
    steps
        How many are looked for, about.
    quantum
        One code of the scan's scale, as a fraction of full scale.
    least_seen
        Part of the steps whose edges must be seen.
    """
    directions = [False, True]
    for angle in limits.angles_deg:
        seen: list[Row] = []
        for transposed in tuple(directions):
            view = View.of(image, transposed=transposed, angle_deg=angle, quantum=quantum, limits=limits)
            rows = _rows_along(view, steps)
            if any(is_sound(row) and len(row.drops) + 2 >= least_seen * steps for row in rows):
                straight = [_straightened(row, image, steps) for row in rows]
                seen += sorted((row for row in straight if is_sound(row)), key=weight, reverse=True)
            elif angle == limits.angles_deg[0]:
                directions.remove(transposed)
                seen += [row for row in rows if is_sound(row)]
        yield seen
        if not directions:
            return


def _rows_along(view: View, steps: int) -> list[Row]:
    """Return the rows of edges that are worth a close look, those that explain most of the scan first."""
    groups = [group for group in groups_of(strips_of(view, _fewest(steps)), view.limits) if len(group) >= 2]
    groups.sort(key=_explained)
    return [row_of(view, group) for group in groups[: -view.limits.most_looks - 1 : -1]]


def _fewest(steps: int) -> int:
    """Return how many edges in a row are worth a look: fewer tell no such row, and every picture is full of them."""
    return max(3, steps // 4)


def _explained(group: list[Strip]) -> float:
    return sum(len(strip.run.drops) * sum(max(drop, 0.0) for drop in strip.run.drops.values()) for strip in group)


def is_sound(row: Row) -> bool:
    """Tell whether a row has even steps, and is wide enough to read."""
    limits = row.view.limits
    return row.rough <= limits.most_rough and row.band.width >= limits.narrowest


def _straightened(seen: Row, image: Floats, steps: int) -> Row:
    """Look again along the direction that the edges show, where it is another than the one looked along."""
    limits = seen.view.limits
    angle = seen.view.angle_deg + seen.tilt_deg
    if not 0.1 < abs(seen.tilt_deg) < 4.0 or abs(angle) > limits.steepest_deg:
        return seen
    view = View.of(image, transposed=seen.view.transposed, angle_deg=angle, quantum=seen.view.quantum, limits=limits)
    length = 0.5 * (seen.span + 2) * seen.lattice.pitch
    along = seen.lattice.origin + length
    _, across = view.from_map(*seen.view.to_map(along, seen.band.middle + seen.band.rise * 0.5 * seen.span))
    reach = 0.5 * seen.band.width + abs(length * math.tan(math.radians(seen.tilt_deg))) + 2 * limits.strip
    strips = strips_of(view, _fewest(steps), (int(across - reach), int(across + reach)))
    edges = sum(len(strip.run.drops) for strip in seen.strips)
    groups = [
        group
        for group in groups_of(strips, limits)
        if len(group) >= 2
        and abs(group[0].run.pitch / seen.lattice.pitch - 1.0) < 0.1
        and sum(len(strip.run.drops) for strip in group) >= 0.6 * edges
    ]
    return row_of(view, groups[0]) if groups else seen


def weight(row: Row) -> float:
    """Return how much speaks for a row being steps: how many there are, and how even each is beside its edges."""
    return (row.span + 2) * math.log(1.0 / (row.rough + 0.01)) * math.sqrt(row.band.width)


def is_straight(row: Row) -> bool:
    """Tell whether a strip runs along the steps: it sees most edges, and what is left of the angle shifts it little."""
    limits = row.view.limits
    if max(len(strip.run.drops) for strip in row.strips) < limits.edges_seen * len(row.drops):
        return False
    shift = math.tan(math.radians(abs(row.tilt_deg))) * (row.span + 1) * abs(row.lattice.pitch)
    return abs(row.tilt_deg) < limits.straight_deg or shift < limits.straight_shift * row.band.width
