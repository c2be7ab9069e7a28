"""Where the pieces of film lie on a scan: their outlines, against open glass, a dark mask or the scan's own border.

Works on the cell map of one survey (transmittance through the calibration's table), in plain numpy. Open glass is
lighter than any film base; a mask or holder is darker than any film; what is neither is film. Each connected piece
gets four straight edges that share one angle, by the largest agreement of its edge points and then by least squares
over those that agree, so that a notch, a corner, dust, a numeral or a leak does not move them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final, Literal, NamedTuple

import numpy as np

from densiscan.negative.find.cut import Cut, cut_of, footprint_of, is_crooked
from densiscan.negative.find.limits import OUTLINE_LIMITS, OutlineLimits
from densiscan.negative.find.paper import clear_at, paper_round, shows_film
from densiscan.scan.cells import (
    Cells,
    Footprint,
    Indices,
    Map,
    Mask,
    TurnedBox,
    cell_at,
    eroded,
    extents,
    grown,
    labelled,
)

SideKind = Literal["glass", "dark", "scan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """One piece of film (or a window on it) as it lies on the scan.

    Parameters
    ----------
    box
        Its four straight edges.
    sides
        What lies beyond the left, top, right and bottom edge: open glass, something opaque, or nothing because the
        scan ends there.
    agreement
        Share of the edge points that lie on the straight edges (1 where all sides are the scan's own).
    near
        Share of them within what a hand cuts astray of those edges.
    footprint
        What it covers, where its sides are crooked; None where they are the straight edges.
    limits
        What it was found by.
    """

    box: TurnedBox
    sides: tuple[SideKind, SideKind, SideKind, SideKind]
    agreement: float
    near: float = 1.0
    footprint: Footprint | None = field(default=None, repr=False, compare=False)
    limits: OutlineLimits = field(default=OUTLINE_LIMITS, repr=False, compare=False)

    @property
    def reach(self) -> TurnedBox:
        """A box in the direction of its straight edges that holds all of it."""
        return self.box if self.footprint is None else self.footprint.box

    @property
    def cut(self) -> bool:
        """Whether the edges are those of film, cut by a maker or by hand."""
        return _straight(self) or self.near >= self.limits.near

    @property
    def cropped(self) -> bool:
        """Whether the scan ends before the piece does, on all sides."""
        return all(side == "scan" for side in self.sides)


def outlines_on(
    cells: Cells,
    *,
    density_range: tuple[float, float],
    zero_doubt: float = 0.0,
    limits: OutlineLimits = OUTLINE_LIMITS,
) -> tuple[tuple[Outline, ...], tuple[Outline, ...]]:
    """Find every piece of film on the scan, and what may be film but has no straight edges.

    Parameters
    ----------
    cells
        Map of the scan.
    density_range
        Lightest and densest density the calibration tells apart: glass is lighter, a mask is darker.
    zero_doubt
        Expanded uncertainty of density 0, that of bare glass: beyond the lightest step the calibration is a guess.

    Returns
    -------
    pieces
        In reading order. One outline, the scan itself, where neither glass nor mask is seen; none where nothing
        but glass and mask is.
    unclear
        Pieces as large as film whose edges are not those of film, however it was cut.
    """
    glass = _glass(cells, density_range[0], zero_doubt, limits)
    dark = _dark(cells, glass, density_range[1], limits)
    if not glass.any() and not dark.any():
        outlines = [Outline(box=cells.whole, sides=("scan",) * 4, agreement=1.0, limits=limits)]
    else:
        outlines = _outlined(cells, glass, dark, limits)
        if dark.any() and not _is_mask(cells, glass | dark, outlines, limits):
            # a dense sky at the scan's border looks like a mask
            dark = np.zeros_like(dark)
            outlines = _outlined(cells, glass, dark, limits)
    outlines = _in_paper(cells, outlines, (glass, dark), density_range[0], limits)
    unclear = [outline for outline in outlines if not outline.cut and _as_large_as_film(outline.box, limits)]
    return _in_reading_order([outline for outline in outlines if outline.cut]), _in_reading_order(unclear)


def _in_paper(
    cells: Cells, outlines: list[Outline], beyond: tuple[Mask, Mask], lightest: float, limits: OutlineLimits
) -> list[Outline]:
    """Return the pieces, those in openings of paper in place of the paper that hides their edges."""
    glass, dark = beyond
    paper = paper_round(cells, [outline.box for outline in outlines], limits)
    if paper is None:
        return outlines
    found = _outlined(cells, glass, dark | paper, limits)
    clear = all(
        clear_at(cells, outline.box, k, limits) for outline in found for k in range(4) if outline.sides[k] == "dark"
    )
    # an opening in which no more than glass shows may as well be a clear part of a picture
    filled = all(shows_film(cells, outline.box, lightest) for outline in found)
    return found if clear and filled and _is_mask(cells, glass | dark | paper, found, limits) else outlines


def _as_large_as_film(box: TurnedBox, limits: OutlineLimits) -> bool:
    return min(box.width_mm, box.height_mm) >= limits.smallest_strip_mm


def _is_mask(cells: Cells, beyond: Mask, outlines: list[Outline], limits: OutlineLimits) -> bool:
    """Return whether what is dark has the straight edges of a mask and leaves light only in its openings."""
    if not outlines or not all(_straight(outline) for outline in outlines):
        return False
    x, y = (cells.x_mm[1:] + cells.x_mm[:-1])[None, :] / 2, (cells.y_mm[1:] + cells.y_mm[:-1])[:, None] / 2
    inside = np.zeros_like(beyond)
    for outline in outlines:
        inside |= outline.box.inside(x, y, -0.5)
    left_over = eroded(~beyond & ~inside)
    return bool(left_over.sum() <= limits.left_light * (~beyond).sum())


def _straight(outline: Outline) -> bool:
    return outline.agreement >= outline.limits.straight


def _in_reading_order(outlines: list[Outline]) -> tuple[Outline, ...]:
    """Sort into rows (pieces whose heights overlap by half), top row first, left to right in a row."""
    rows: list[list[Outline]] = []
    for outline in sorted(outlines, key=lambda item: item.box.centre.y):
        row = rows[-1] if rows else None
        if row is not None and abs(outline.box.centre.y - row[0].box.centre.y) < 0.5 * min(
            outline.box.height_mm, row[0].box.height_mm
        ):
            row.append(outline)
        else:
            rows.append([outline])
    return tuple(outline for row in rows for outline in sorted(row, key=lambda item: item.box.centre.x))


def _glass(cells: Cells, lightest: float, zero_doubt: float, limits: OutlineLimits) -> Mask:
    """Return the cells of open glass.

    Glass is lighter than any film base and than the wedge's lightest step, which is film too. The lamp is uneven, so
    its level is a smooth surface over the scan and not one number.
    """
    limit = min(limits.lightest_film, lightest - limits.below_step)
    seed = (cells.density < limit) | (cells.clipped_light & (cells.density < lightest - 0.005))
    if seed.sum() * cells.pitch_mm**2 < 4:
        limit = min(max(limits.lightest_film, zero_doubt), lightest - limits.below_step)
        seed = _round_the_scan(cells, limit, limits)
        if not seed.any():
            return seed
    bound = _surface(cells.density, seed & eroded(seed))
    bound += limits.glass_step
    np.minimum(bound, max(limit, float(np.median(cells.density[seed])) + limits.glass_step), out=bound)
    return np.asarray((cells.density < bound) | (seed & cells.clipped_light))


def _round_the_scan(cells: Cells, limit: float, limits: OutlineLimits) -> Mask:
    """Return the cells of what lies along most of the scan's border and may be glass, since it reads below `limit`."""
    border = np.concatenate((cells.density[[0, 1, -2, -1]].ravel(), cells.density[:, [0, 1, -2, -1]].ravel()))
    below = border[border < limit]
    if below.size <= border.size / 2:
        return np.zeros(cells.density.shape, dtype=bool)
    return np.asarray(cells.density < min(limit, float(np.median(below)) + limits.glass_step))


def _surface(values: Map, where: Mask) -> Map:
    """Return the second-order surface through `values` where `where` holds; their median where they are few."""
    rows, columns = np.nonzero(where)
    if rows.size < 200:
        some = values[where] if rows.size else values
        return np.full_like(values, np.median(some))
    step = max(1, rows.size // 3000)
    rows, columns = rows[::step], columns[::step]
    height, width = values.shape
    y, x = rows / height - 0.5, columns / width - 0.5
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    level = values[rows, columns]
    keep = np.abs(level - np.median(level)) < 0.03
    found, *_ = np.linalg.lstsq(terms[keep], level[keep], rcond=None)
    ys, xs = (np.arange(height) / height - 0.5)[:, None], (np.arange(width) / width - 0.5)[None, :]
    a, b, c, d, e, f = (float(term) for term in found)
    surface: Map = (e * xs) * ys
    surface += a + b * xs + d * xs * xs
    surface += c * ys + f * ys * ys
    # far from the glass that was fitted the surface is a guess: it may not leave the values seen there
    low, high = np.min(level[keep]), np.max(level[keep])
    return np.clip(surface, low, high, out=surface)


def _dark(cells: Cells, glass: Mask, densest: float, limits: OutlineLimits) -> Mask:
    """Return the cells of a mask or holder: darker than film, and joined to the scan's border or to glass."""
    limit = max(limits.lightest_dark, min(densest - 0.1, limits.darkest_dark))
    dark = (cells.density > limit) | cells.clipped_dark
    ring = np.zeros_like(dark)
    ring[:2], ring[-2:], ring[:, :2], ring[:, -2:] = True, True, True, True
    at_border = dark & ring
    opaque = (cells.density > max(densest, limits.opaque)) | cells.clipped_dark
    by_glass = opaque & grown(grown(glass))
    if at_border.sum() < limits.dark_border * ring.sum() and by_glass.sum() * cells.pitch_mm < 10:
        return np.zeros_like(dark)
    level = float(np.median(cells.light[at_border if at_border.any() else by_glass]))
    # stray light lifts a mask beside a bright window
    dark = (cells.light < 2.5 * level + 0.002) | cells.clipped_dark
    labels, count = labelled(dark)
    touching = np.bincount(labels[ring & dark], minlength=count + 1)
    touching += 2 * np.bincount(labels[by_glass & dark], minlength=count + 1)
    enough = touching * cells.pitch_mm > limits.dark_joined_mm
    enough[0] = False
    return np.asarray(enough[labels])


def _outlined(cells: Cells, glass: Mask, dark: Mask, limits: OutlineLimits) -> list[Outline]:
    film = ~(glass | dark)
    # pieces that nearly touch are told apart by widening the light between them; two cells by two are searched as one
    inner = ~grown(~film)
    rows, columns = inner.shape[0] // 2, inner.shape[1] // 2
    coarse = np.asarray(inner[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).all(axis=(1, 3)))
    labels, count = labelled(coarse)
    outlines = []
    for label, extent in extents(labels, count):
        size = [(part.stop - part.start) * 2 * cells.pitch_mm for part in extent]
        if min(size) < limits.smallest_piece_mm:
            continue
        outline = _outline(cells, film, dark, (labels == label, extent), limits)
        if outline is not None:
            outlines.append(outline)
    return outlines


def _outline(
    cells: Cells, film: Mask, dark: Mask, piece: tuple[Mask, tuple[slice, slice]], limits: OutlineLimits
) -> Outline | None:
    coarse, extent = piece
    rows = slice(max(0, 2 * extent[0].start - 3), min(film.shape[0], 2 * extent[0].stop + 4))
    columns = slice(max(0, 2 * extent[1].start - 3), min(film.shape[1], 2 * extent[1].stop + 4))
    full = np.zeros_like(film)
    spread = np.repeat(np.repeat(coarse, 2, axis=0), 2, axis=1)
    full[: spread.shape[0], : spread.shape[1]] = spread
    mine = full[rows, columns]
    for _ in range(2):
        # within the film only: light between film and mask, however narrow, is not stepped over
        mine = grown(mine) & film[rows, columns]
    points = [
        _edge_points(cells, mine, (rows.start, columns.start), side) for side in ("left", "top", "right", "bottom")
    ]
    found = _rectangle(cells, points, dark, limits)
    if found is None:
        return None
    outline, cuts = found
    if not is_crooked(cuts, limits):
        return outline
    # what is as dark as a mask that lies beside it may be picture
    seen = mine | dark[rows, columns] if "dark" in outline.sides else mine
    footprint = footprint_of(cells, seen, (rows, columns), outline.box, cuts, limits)
    size_mm2 = outline.box.width_mm * outline.box.height_mm
    # no hand, and no tape that holds film, takes off as much: it is the edges that were not understood
    whole = footprint.mask.sum() * cells.pitch_mm**2 >= limits.least_left * size_mm2
    return replace(outline, footprint=footprint) if whole else outline


class EdgePoints(NamedTuple):
    """Edge points of one side: how far along it and where across it, mm; which of them are the scan's own border."""

    along: Map
    across: Map
    at_border: Mask


def _edge_points(cells: Cells, mine: Mask, origin: tuple[int, int], side: str) -> EdgePoints:
    """Return the outermost place of the piece on every row (or column), to a fraction of a cell."""
    upright = side in ("left", "right")
    piece = mine if upright else mine.T
    light = cells.light if upright else cells.light.T
    along_mm, across_mm = (cells.y_mm, cells.x_mm) if upright else (cells.x_mm, cells.y_mm)
    first, offset = origin if upright else origin[::-1]
    last = side in ("right", "bottom")
    lines = np.flatnonzero(piece.any(axis=1))
    some = piece[lines]
    index = offset + (some.shape[1] - 1 - np.argmax(some[:, ::-1], axis=1) if last else np.argmax(some, axis=1))
    lines = lines + first
    size = light.shape[1]
    at_border = (index >= size - 2) if last else (index <= 1)
    across = _to_half(light, lines, index, across_mm, outward=1 if last else -1)
    along = (along_mm[lines] + along_mm[lines + 1]) / 2
    return EdgePoints(along, across, at_border)


def _to_half(light: Map, lines: Indices, index: Indices, across_mm: Map, *, outward: int) -> Map:
    """Return where a blurred edge would be if it were sharp: the place that keeps the light on both sides.

    `index` is the outermost cell of the piece. Light three cells out and three cells in are the two levels.
    """
    size = light.shape[1]

    def at(step: int) -> Map:
        return light[lines, np.clip(index + outward * step, 0, size - 1)]

    outside, inside = at(3), at(-3)
    span = outside - inside
    span = np.where(np.abs(span) < 1e-3, np.inf, span)
    share = sum((np.clip((at(step) - inside) / span, 0.0, 1.0) for step in range(-2, 3)), start=np.zeros(index.size))
    border = np.clip(index + (3 if outward > 0 else -2), 0, size)
    pitch = float(across_mm[-1] - across_mm[0]) / size
    edge = across_mm[border] - outward * share * pitch
    plain = across_mm[index + (1 if outward > 0 else 0)]
    return np.where(np.isfinite(span), edge, plain)


_UNCUT: Final = cut_of(np.empty(0), np.empty(0), np.empty(0), np.empty(0, dtype=bool))


def _rectangle(
    cells: Cells, points: list[EdgePoints], dark: Mask, limits: OutlineLimits
) -> tuple[Outline, list[Cut]] | None:
    """Return the four straight edges of one common angle that most edge points agree on, and how the sides run."""
    bordering = [bool(side.at_border.mean() > 0.5) for side in points]
    usable = [
        EdgePoints(side.along[~side.at_border], side.across[~side.at_border], side.at_border[~side.at_border])
        for side in points
    ]
    free = [k for k in range(4) if not bordering[k] and usable[k].along.size >= 8]
    slope = common_slope([usable[k] for k in free], [1.0 if k in (0, 2) else -1.0 for k in free], limits)
    lines: list[float] = []
    cuts = [_UNCUT] * 4
    agreeing = close = total = 0.0
    for k, side in enumerate(points):
        sign = 1.0 if k in (0, 2) else -1.0
        if k in free:
            offset, near = line_through(usable[k], sign * slope, limits)
            agreeing, total = agreeing + near.sum(), total + near.size
            out = (side.across + sign * slope * side.along - offset) * (-1.0 if k < 2 else 1.0)
            close += float((np.abs(out[~side.at_border]) < limits.hand_cut_mm).sum())
            # beyond the line what reaches the scan's border is no film, however near that is; before it the scan ends
            kept = ~side.at_border | (out > limits.line_mm)
            cuts[k] = cut_of(side.along[kept], side.across[kept], out[kept], ~side.at_border[kept], limits)
        else:
            offsets = side.across + sign * slope * side.along
            offset = float(offsets.min() if k in (0, 1) else offsets.max())
        lines.append(offset)
    box = _box_from_lines(lines, slope)
    if min(box.width_mm, box.height_mm) < limits.smallest_piece_mm:
        return None
    kinds = tuple(_kind(cells, dark, box, k) if k in free else "scan" for k in range(4))
    shares = (float(agreeing / total), float(close / total)) if total else (1.0, 1.0)
    cuts = [cut if kind == "glass" else _UNCUT for cut, kind in zip(cuts, kinds, strict=True)]
    outline = Outline(box=box, sides=kinds, agreement=shares[0], near=shares[1], limits=limits)  # type: ignore[arg-type]
    return outline, cuts


def common_slope(sides: list[EdgePoints], signs: list[float], limits: OutlineLimits = OUTLINE_LIMITS) -> float:
    """Return tan(angle) that puts the most edge points onto straight lines, then least squares over those."""
    if not sides:
        return 0.0
    slopes = np.tan(np.radians(np.arange(-limits.largest_angle_deg, limits.largest_angle_deg + 0.05, 0.1)))
    score = np.zeros(slopes.size)
    for side, sign in zip(sides, signs, strict=True):
        step = max(1, side.along.size // 160)
        along, across = side.along[::step], side.across[::step]
        offsets = across[None, :] + sign * slopes[:, None] * (along - along.mean())[None, :]
        bins = ((offsets - offsets.min()) / 0.2).astype(np.intp)
        width = int(bins.max()) + 2
        counts = np.bincount((bins + np.arange(slopes.size)[:, None] * width).ravel(), minlength=slopes.size * width)
        counts = counts.reshape(slopes.size, width)
        # a line may fall on the border of two bins
        score += (counts[:, :-1] + counts[:, 1:]).max(axis=1) * step
    best = float(slopes[np.argmax(score)])
    for _ in range(3):
        upper = lower = 0.0
        for side, sign in zip(sides, signs, strict=True):
            _, near = line_through(side, sign * best, limits)
            along, across = side.along[near], side.across[near]
            along = along - along.mean()
            upper -= sign * float(np.dot(along, across))
            lower += float(np.dot(along, along))
        if lower <= 0:
            break
        best = upper / lower
    return best


def line_through(side: EdgePoints, slope: float, limits: OutlineLimits = OUTLINE_LIMITS) -> tuple[float, Mask]:
    """Return the offset of the densest line of this slope and which points lie on it."""
    offsets = side.across + slope * side.along
    ordered = np.sort(offsets)
    count = np.searchsorted(ordered, ordered + 0.3, side="right") - np.arange(ordered.size)
    start = int(np.argmax(count))
    middle = float(np.median(ordered[start : start + int(count[start])]))
    near = np.abs(offsets - middle) < limits.line_mm
    return float(np.median(offsets[near])), near


def _box_from_lines(lines: list[float], slope: float) -> TurnedBox:
    """Return the box of four lines: x + slope y for left and right, y - slope x for top and bottom."""
    left, top, right, bottom = lines
    cosine = 1 / math.sqrt(1 + slope * slope)
    across, down = (left + right) / 2, (top + bottom) / 2
    scale = 1 + slope * slope
    x, y = (across - slope * down) / scale, (down + slope * across) / scale
    width, height = (right - left) * cosine, (bottom - top) * cosine
    return TurnedBox(
        left_mm=x - width / 2,
        top_mm=y - height / 2,
        width_mm=width,
        height_mm=height,
        angle_deg=math.degrees(math.atan(slope)),
    )


def _kind(cells: Cells, dark: Mask, box: TurnedBox, side: int) -> SideKind:
    """Return what lies 0.7 mm beyond an edge along most of it."""
    steps = np.linspace(-0.45, 0.45, 60)
    beyond = 0.7
    u, v = {
        0: (np.full(60, -box.width_mm / 2 - beyond), steps * box.height_mm),
        1: (steps * box.width_mm, np.full(60, -box.height_mm / 2 - beyond)),
        2: (np.full(60, box.width_mm / 2 + beyond), steps * box.height_mm),
        3: (steps * box.width_mm, np.full(60, box.height_mm / 2 + beyond)),
    }[side]
    x, y = box.on_scan(u, v)
    row, column, there = cell_at(cells, x, y)
    if there.mean() < 0.5:
        return "scan"
    return "dark" if dark[row[there], column[there]].mean() > 0.5 else "glass"
