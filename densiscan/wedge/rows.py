"""Strips side by side that show the same steps: their lattice, the rows they cover, and what they tell together."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.robust import NORMAL_MAD
from densiscan.wedge.count import Evidence
from densiscan.wedge.edges import EdgeRun, find_runs, stretches
from densiscan.wedge.limits import RowLimits
from densiscan.wedge.view import View, promise, running_median, strip_profiles


class Strip(NamedTuple):
    """A strip with a run of even edges: its middle across, and the run, in cells of the turned map."""

    across: float
    run: EdgeRun


class Lattice(NamedTuple):
    """Edges at origin + place * pitch + lean * (across - middle), in cells."""

    origin: float
    pitch: float
    lean: float
    middle: float


class Band(NamedTuple):
    """The rows a wedge covers: its middle row at lattice place 0.5 and its rise a step, and its width, in cells."""

    middle: float
    rise: float
    width: float

    def rows(self, number: float, size: int) -> tuple[int, int]:
        """Return first and last + 1 row of a lattice cell, at least one, on a map of so many rows."""
        middle = min(max(self.middle + self.rise * number, 0.5), size - 0.5)
        return max(int(middle - 0.5 * self.width), 0), min(int(middle + 0.5 * self.width) + 1, size)


class Row(NamedTuple):
    """Strips that agree, the lattice they share, the rows they cover, and what they tell of the steps."""

    view: View
    strips: list[Strip]
    lattice: Lattice
    band: Band
    tilt_deg: float
    span: int
    evidence: Evidence
    rough: float

    @property
    def drops(self) -> Mapping[int, float]:
        """Size of the edges, by lattice place."""
        return self.evidence.drops


def strips_of(view: View, fewest: int, rows: tuple[int, int] | None = None) -> list[Strip]:
    """Return the strips on which a run of even edges is seen.

    Parameters
    ----------
    view
        The map along one direction.
    fewest
        Edges in a row that are worth a look.
    rows
        First row and last + 1 of the view that are looked at; all when not given.
    """
    limits = view.limits
    middles, profiles, noise = strip_profiles(view.image, rows or (0, view.image.shape[0]), limits)
    promises = np.maximum(promise(profiles, limits), promise(running_median(profiles, 2 * limits.line - 1), limits))
    order = np.argsort(-promises, kind="stable")[: limits.most_profiles]
    chosen = np.sort(order[promises[order] > 0.0])
    if chosen.size == 0:
        return []
    profiles, middles = profiles[chosen], middles[chosen]
    noise = np.hypot(noise[chosen], view.quantum / 10.0**profiles / math.log(10.0))
    pieces = stretches(profiles, noise, limits)
    return [
        Strip(float(middle), run)
        for middle, profile, doubt, cut in zip(middles, profiles, noise, pieces, strict=True)
        for run in find_runs(profile, doubt, cut, fewest=fewest, limits=limits)
    ]


def groups_of(strips: list[Strip], limits: RowLimits) -> list[list[Strip]]:
    """Return the strips that share a lattice with a neighbour, largest group first."""
    groups: list[list[Strip]] = []
    for strip in strips:
        for group in groups:
            last = group[-1]
            pitch = last.run.pitch
            drift = math.tan(math.radians(1.0)) * abs(strip.across - last.across)
            apart = (strip.run.origin - last.run.origin) / pitch
            if (
                0.0 < strip.across - last.across <= limits.strips_apart * limits.strip
                and abs(strip.run.pitch / pitch - 1.0) < limits.same_pitch
                and abs(apart - round(apart)) < limits.same_place + drift / abs(pitch)
                and abs(apart) < 0.5 * (len(last.run.drops) + len(strip.run.drops))
            ):
                group.append(strip)
                break
        else:
            groups.append([strip])
    return sorted(groups, key=lambda group: -sum(len(strip.run.drops) for strip in group))


def _lattice(group: list[Strip], shifts: list[int]) -> Lattice:
    """Fit one lattice to the edges of all strips of a group, each by two points of its own."""
    ends = [
        (place + shift, strip.across, strip.run.origin + place * strip.run.pitch)
        for strip, shift in zip(group, shifts, strict=True)
        for place in np.quantile(list(strip.run.drops), (0.2, 0.8)).tolist()
    ]
    place, across, along = np.array(ends).T
    middle = float(np.median(across))
    design = np.stack((np.ones_like(place), place, across - middle), axis=1)
    if np.ptp(across) == 0.0:
        design = design[:, :2]
    keep = np.ones(place.size, dtype=bool)
    for _ in range(3):
        solution = np.linalg.lstsq(design[keep], along[keep], rcond=None)[0]
        miss = np.abs(along - design @ solution)
        keep = miss <= max(3.0 * float(np.median(miss)), 1.0)
    return Lattice(float(solution[0]), float(solution[1]), float(solution[2]) if solution.size > 2 else 0.0, middle)


def _nearest(
    group: list[Strip], shifts: list[int], place: int, end: Callable[[Iterable[int]], int]
) -> list[tuple[Strip, int]]:
    """Return the strips, with their shifts, whose first (or last) edge is nearest to a place."""
    away = [abs(end(strip.run.drops) + shift - place) for strip, shift in zip(group, shifts, strict=True)]
    both = zip(group, shifts, away, strict=True)
    return [(strip, shift) for strip, shift, distance in both if distance == min(away)]


def _length_before(run: EdgeRun, place: int) -> float:
    return (run.origin + place * run.pitch - run.light_edge) / run.pitch


def _length_after(run: EdgeRun, place: int) -> float:
    return (run.dark_edge - run.origin) / run.pitch - place


def row_of(view: View, group: list[Strip]) -> Row:
    """Bring the strips of a group onto one lattice, and gather what they show together."""
    reference = max(group, key=lambda strip: len(strip.run.drops)).run
    shifts = [round((strip.run.origin - reference.origin) / reference.pitch) for strip in group]
    drops: dict[int, list[float]] = {}
    for strip, shift in zip(group, shifts, strict=True):
        for place, drop in strip.run.drops.items():
            drops.setdefault(place + shift, []).append(drop)
    most = max(len(sizes) for sizes in drops.values())
    seen = {place: float(np.median(sizes)) for place, sizes in drops.items() if 2 * len(sizes) >= most}
    first, last = min(seen), max(seen)
    lattice = _lattice(group, shifts)
    origin, pitch = lattice.origin + first * lattice.pitch, lattice.pitch
    full, deep = _nearest(group, shifts, first, min), _nearest(group, shifts, last, max)
    light_length = float(np.median([_length_before(strip.run, first - shift) for strip, shift in full]))
    dark_length = float(np.median([_length_after(strip.run, last - shift) for strip, shift in deep]))
    span = last - first
    limits = view.limits
    band = _band(view.image, group, lattice._replace(origin=origin), range(span), limits)
    size = view.image.shape[0]
    contrast = {n: _contrast(view, band.rows(n, size), origin, pitch, n) for n in (-1, 0, span - 1, span)}
    after = contrast[span]
    deepest = max(abs(contrast[span - 1] or 0.0), 0.0)
    reach = sum(seen.values())
    evidence = Evidence(
        drops={place - first: drop for place, drop in seen.items()},
        light_length=light_length,
        dark_length=dark_length,
        closed=2 * sum(strip.run.closed for strip, _ in deep) > len(deep),
        noise=float(np.median([strip.run.noise for strip, _ in deep])),
        masked=2 * sum(strip.run.masked for strip, _ in full) > len(full),
        blur=max(0.1, 1.5 / abs(pitch)),
        before={n: abs(beside) > limits.stands_out for n in (-1, 0) if (beside := contrast[n]) is not None},
        after=None if after is None else abs(after) > max(limits.stands_out, limits.as_deep * deepest),
        # Open glass, or a clear border: as bright as the light half of the steps.
        open_end=after is not None and after > limits.open_end * reach,
        bare=frozenset(n for n in (-1, 0) if _is_bare(view, band.rows(n, size), origin, pitch, n, span)),
    )
    # Along a wedge that leans by an angle its middle rises by its tangent, and its edges lean by minus that. A long
    # wedge shows the first better, a wide one the second.
    rise, lean = band.rise / pitch, -lattice.lean
    tilt = math.degrees(math.atan(rise if span * abs(pitch) > band.width else lean))
    lattice = lattice._replace(origin=origin)
    return Row(
        view=view,
        strips=group,
        lattice=lattice,
        band=band,
        tilt_deg=tilt,
        span=span,
        evidence=evidence,
        rough=_roughness(view, lattice, band, range(span)),
    )


def _roughness(view: View, lattice: Lattice, band: Band, cells: range) -> float:
    """Return how uneven the cells between the edges are, over the jumps from cell to cell.

    Steps are even and jump at their edges: 0. On a ramp, such as the gradients of a picture, half the middle of a cell
    differs from the other half by a third of the jump to the next.
    """
    image = view.image
    levels, changes = [], []
    for number in cells:
        top, bottom = band.rows(number, image.shape[0])
        margin = (bottom - top) // 5
        columns = _cell(lattice.origin, lattice.pitch, number, image.shape[1])
        if columns is None or bottom - top < 4:
            continue
        part = image[top + margin : bottom - margin, columns]
        half, middle = part.shape[0] // 2, part.shape[1] // 2
        level = float(np.median(part))
        floor = 0.5 * view.quantum / 10.0**level / math.log(10.0)
        along = _differ(part[:, :middle], part[:, -middle:], floor) if middle else 0.0
        across = _differ(part[:half], part[-half:], floor)
        levels.append(level)
        changes.append(along + across)
    jumps = float(np.abs(np.diff(levels)).sum())
    return float(np.sum(changes)) / jumps if len(levels) > 1 and jumps > 0.0 else math.inf


def _differ(one: Floats, other: Floats, floor: float) -> float:
    """Return by how much the middles of two halves differ beyond what their noise allows."""
    levels = float(np.median(one)), float(np.median(other))
    scatter = float(np.median(np.abs(one - levels[0])) + np.median(np.abs(other - levels[1]))) / 2.0
    # 1.25 / sqrt(n) is what a median leaves of normal noise
    allowed = 2.0 * NORMAL_MAD * 1.25 * math.sqrt(2.0 / one.size) * scatter + floor
    return max(abs(levels[0] - levels[1]) - allowed, 0.0)


def _cell(origin: float, pitch: float, number: int, size: int) -> slice | None:
    """Return the middle of a lattice cell as columns, or None where it is not on the map."""
    a, b = sorted((origin + (number + 0.25) * pitch, origin + (number + 0.75) * pitch))
    first, last = max(round(a), 0), min(round(b), size)
    return slice(first, last) if last - first >= max(0.25 * abs(pitch), 1.0) else None


def _contrast(view: View, rows: tuple[int, int], origin: float, pitch: float, number: int) -> float | None:
    """Return by how much what lies beside the wedge is brighter than a cell, None where that is off the map."""
    image = view.image
    cell = _cell(origin, pitch, number, image.shape[1])
    first, last = rows
    if cell is None or last - first < 4:
        return None
    quarter = (last - first) // 4
    # Below two codes, differences are those of rounding.
    floor = math.log10(max(2.0 * view.quantum, 1e-6))
    inside = max(float(np.median(image[first + quarter : last - quarter, cell])), floor)
    half = view.limits.strip // 2
    tops = [top for top in (first - 4 - half, last + 4) if top >= 0 and top + half <= image.shape[0]]
    besides = [max(float(np.median(image[top : top + half, cell])), floor) - inside for top in tops]
    return max(besides, key=abs, default=None)


def _is_bare(view: View, rows: tuple[int, int], origin: float, pitch: float, number: int, span: int) -> bool:
    """Tell whether a cell is just as bright as the brightest beside the wedge: bare glass."""
    image = view.image
    cell = _cell(origin, pitch, number, image.shape[1]) or _cell(origin, 0.5 * pitch, number, image.shape[1])
    if cell is None:
        return False
    level = float(np.median(image[rows[0] : rows[1], cell]))
    margin = view.limits.strip // 2
    ends = sorted((origin - pitch, origin + (span + 1) * pitch))
    outside = np.ones(image.shape, dtype=bool)
    outside[max(rows[0] - margin, 0) : rows[1] + margin, max(int(ends[0]), 0) : max(int(ends[1]), 0)] = False
    beside = image[outside][::7]
    return beside.size > 50 and abs(level - float(np.quantile(beside, 0.98))) < view.limits.bare


def _band(image: Floats, group: list[Strip], lattice: Lattice, cells: range, limits: RowLimits) -> Band:
    """Return the rows on which the cells between edges show the levels of the group's middle."""
    numbers = [n for n in cells if _cell(lattice.origin, lattice.pitch, n, image.shape[1]) is not None]
    if len(numbers) < 2:
        # Too near the border of the scan to compare levels: the rows of the strips themselves.
        first, last = group[0].across - 0.5 * limits.strip, group[-1].across + 0.5 * limits.strip
        return Band(0.5 * (first + last), 0.0, last - first)
    columns = [_cell(lattice.origin, lattice.pitch, n, image.shape[1]) or slice(0, 1) for n in numbers]
    levels = np.stack([np.median(image[:, column], axis=1) for column in columns], axis=1)
    inside = np.zeros(image.shape[0], dtype=bool)
    for strip in group:
        inside[max(int(strip.across) - 2, 0) : int(strip.across) + 3] = True
    reference = np.median(levels[inside], axis=0)
    scatter = NORMAL_MAD * np.median(np.abs(levels[inside] - reference), axis=0)
    of_jump = np.minimum(limits.band_of_jump * np.abs(np.gradient(reference)), limits.band_most)
    allowed = of_jump + 2.0 * np.minimum(scatter, 0.05) + limits.band_least
    agree = np.abs(levels - reference) <= allowed
    middle = int(np.median(np.flatnonzero(inside)))
    spans = [(number, *_stretch(agree[:, k], middle)) for k, number in enumerate(numbers)]
    whole = _stretch(np.mean(agree, axis=1) >= limits.band_agrees, middle)
    usual = float(np.median([b - a for _, a, b in spans]))
    fair = [(n, 0.5 * (a + b), b - a) for n, a, b in spans if abs(b - a - usual) <= limits.band_usual * usual]
    if len(fair) < 3:
        return Band(0.5 * (whole[0] + whole[1]), 0.0, whole[1] - whole[0])
    number, centre, width = np.array(fair).T
    pairs = np.triu_indices(number.size, 1)
    rise = float(np.median(np.subtract.outer(centre, centre)[pairs] / np.subtract.outer(number, number)[pairs]))
    miss = centre - rise * number
    if float(np.median(np.abs(miss - np.median(miss)))) > 0.1 * usual:
        rise = 0.0
    return Band(float(np.median(centre - rise * number)), rise, float(np.median(width)))


def _stretch(agree: npt.NDArray[np.bool_], middle: int) -> tuple[float, float]:
    """Return the unbroken stretch of rows around the middle, or nearest to it, that agree."""
    rows = np.flatnonzero(agree)
    if rows.size == 0:
        return float(middle), float(middle + 1)
    parts = np.split(rows, np.flatnonzero(np.diff(rows) > 2) + 1)
    best = min(parts, key=lambda part: (max(part[0] - middle, middle - part[-1], 0), -part.size))
    return float(best[0]), float(best[-1] + 1)
