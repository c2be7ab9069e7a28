"""The pieces of film with their frames: what is exposed, what is rebate, and how the film lies.

The piece is laid straight on a grid of its own. The rebate is the lightest even density along its edges; a frame is a
rectangle whose sides are straight lines where the density leaves that level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from densiscan.negative.find.limits import FRAME_LIMITS, OUTLINE_LIMITS, FrameLimits
from densiscan.negative.find.outlines import EdgePoints, Outline, common_slope, line_through
from densiscan.negative.find.rebate import (
    Frame,
    Level,
    Rebate,
    is_rebate,
    measured_rebate,
    rebate_level,
    whole_rebate,
)
from densiscan.negative.find.row import equally_high, equally_wide, row_of_frames
from densiscan.negative.find.sides import (
    ASSUMED_DOUBT_MM,
    RIM_DOUBT_MM,
    RIM_MM,
    EdgePlace,
    Side,
    edge_place,
    first_side,
    profile_of,
)
from densiscan.scan.cells import Cells, Footprint, Mask, Straightened, TurnedBox, straightened

FILM_EDGE_MM: Final = 0.6
"""The cut edge of film casts a shadow and scatters; nothing is read so near to it."""


def find_frames(grid: Straightened, level: Level) -> list[Frame]:
    """Find the exposed frames of a piece laid straight, in reading order.

    Returns
    -------
    list of Frame
        Empty where nothing is exposed, or where no side of a frame is to be seen.
    """
    height, width = grid.density.shape
    rows: tuple[int, int] = (0, height)
    columns: tuple[int, int] = (0, width)
    sides: list[Side | None] = [None] * 4
    for _ in range(2):
        sides[1], sides[3] = _span(grid, level, 0, columns)
        rows = _ends(sides[1], sides[3], height)
        sides[0], sides[2] = _span(grid, level, 1, rows)
        columns = _ends(sides[0], sides[2], width)
    if sum(side is not None and side.origin == "line" for side in sides) == 0:
        return []
    full = _completed(sides, (height, width), grid, level.limits)
    if full is None:
        return []
    found = _divided(grid, level, full)
    # Sides that cross each other are the faint unevenness of an unexposed sheet, not a picture.
    return [frame for frame in found if min(frame.box.width_mm, frame.box.height_mm) >= level.limits.smallest_frame_mm]


def _span(grid: Straightened, level: Level, axis: int, across: tuple[int, int]) -> tuple[Side | None, Side | None]:
    # where a hand cut through the picture it is no fog that reaches the edge
    first = first_side(profile_of(grid, level, axis, across, end=1), through_fog=not grid.ragged)
    last = first_side(profile_of(grid, level, axis, across, end=-1), through_fog=not grid.ragged)
    return first, last if last is None else last._replace(at=grid.density.shape[axis] - last.at)


def _ends(first: Side | None, last: Side | None, size: int) -> tuple[int, int]:
    start, end = first.at if first else 0, last.at if last else size
    return (start, end) if end - start > size // 8 else (0, size)


def _completed(
    sides: list[Side | None], shape: tuple[int, int], grid: Straightened, limits: FrameLimits
) -> list[Side] | None:
    """Fill in sides that do not show, from the opposite side or the two others, and doubt those too far in."""
    height, width = shape
    sizes = (width, height, width, height)
    margins: list[float | None] = []
    for k, side in enumerate(sides):
        margins.append(None if side is None else (side.at if k < 2 else sizes[k] - side.at) * grid.step_mm)
    known = [margin for margin in margins if margin is not None]
    if len(known) < 2:
        return None
    usual = float(np.median([margin for margin in known if margin <= limits.widest_rebate_mm] or known))
    doubted = _too_far_in(sides, margins, limits.widest_rebate_mm)
    full: list[Side] = []
    for k, side in enumerate(sides):
        if side is not None and not doubted[k]:
            full.append(side)
            continue
        opposite = margins[(k + 2) % 4]
        typical = opposite if opposite is not None and opposite <= limits.widest_rebate_mm else usual
        at = round(min(typical, limits.widest_rebate_mm) / grid.step_mm)
        full.append(Side(at if k < 2 else sizes[k] - at, 0.0, "assumed"))
    smallest = grid.cells(OUTLINE_LIMITS.smallest_piece_mm)
    fits = full[2].at - full[0].at >= smallest and full[3].at - full[1].at >= smallest
    return full if fits else None


def _too_far_in(sides: list[Side | None], margins: list[float | None], widest_mm: float) -> list[bool]:
    """Return which sides are more likely a line in a picture that is clear up to the frame.

    Those with a wide clear edge on a piece whose other sides, two at least, have a narrow one. Two or more of them
    that are exposed all along stay: a small picture on a large sheet.
    """
    far = [margin is not None and margin > widest_mm for margin in margins]
    near = [margin is not None and not away for margin, away in zip(margins, far, strict=True)]
    shares = [side.share for side, away in zip(sides, far, strict=True) if side is not None and away]
    small_picture = len(shares) >= 2 and min(shares) >= 0.8
    weak = bool(shares) and max(shares) < 0.5
    return far if (sum(near) >= 2 or (weak and any(near))) and not small_picture else [False] * 4


def _divided(grid: Straightened, level: Level, sides: list[Side]) -> list[Frame]:
    """Split a span of several frames at the clear gaps between them."""
    along = 1 if grid.density.shape[1] >= grid.density.shape[0] else 0
    for axis in (along, 1 - along):
        k = 0 if axis == 1 else 1
        across = (sides[1 - k].at, sides[3 - k].at)
        profile = profile_of(grid, level, axis, across)
        spans = row_of_frames(profile, (sides[k], sides[k + 2]), across[1] - across[0])
        if len(spans) > 1:
            frames = [_frame(grid, level, _with(sides, k, span)) for span in spans]
            frames = equally_wide(frames, grid.box, axis, level.limits.unequal_mm)
            return equally_high(frames, grid.box, axis, level.limits.unequal_mm)
    return [_frame(grid, level, sides)]


def _with(sides: list[Side], k: int, span: tuple[Side, Side]) -> list[Side]:
    changed = list(sides)
    changed[k], changed[k + 2] = span
    return changed


def _frame(grid: Straightened, level: Level, sides: list[Side]) -> Frame:
    spans = ((sides[1].at, sides[3].at), (sides[0].at, sides[2].at))
    places = [
        edge_place(grid, level, k, side.at, spans[k % 2])
        if side.origin == "line"
        else EdgePlace(side.at * grid.step_mm, RIM_DOUBT_MM if side.origin == "edge" else ASSUMED_DOUBT_MM)
        for k, side in enumerate(sides)
    ]
    half_width, half_height = grid.box.width_mm / 2, grid.box.height_mm / 2
    left, top, right, bottom = (place.place_mm for place in places)
    u, v = (left - half_width, right - half_width), (top - half_height, bottom - half_height)
    touching = [side.origin == "edge" for side in sides]
    # a crooked piece ends at its footprint, which keeps off the rim by itself
    rim = [RIM_MM if edge and not grid.ragged else 0.0 for edge in touching]
    cut = [mean if edge else 0.0 for edge, mean in zip(touching, mean_insets(grid), strict=True)]
    return Frame(
        box=_inset(grid.box, u, v, cut),
        area=_inset(grid.box, u, v, rim),
        origins=(sides[0].origin, sides[1].origin, sides[2].origin, sides[3].origin),
        shares=(sides[0].share, sides[1].share, sides[2].share, sides[3].share),
        doubts_mm=(places[0].doubt_mm, places[1].doubt_mm, places[2].doubt_mm, places[3].doubt_mm),
    )


def _inset(box: TurnedBox, u: tuple[float, float], v: tuple[float, float], by_mm: Sequence[float]) -> TurnedBox:
    """Return the part of a box between own coordinates, less an inset on the left, top, right and bottom."""
    return box.part((u[0] + by_mm[0], u[1] - by_mm[2]), (v[0] + by_mm[1], v[1] - by_mm[3]))


def _seen(grid: Straightened) -> TurnedBox:
    """Return the box of a piece; of a crooked one, with half of each side beyond it."""
    u, v = grid.box.width_mm / 2, grid.box.height_mm / 2
    return _inset(grid.box, (-u, u), (-v, v), mean_insets(grid))


def mean_insets(grid: Straightened) -> tuple[float, float, float, float]:
    """Return how far in from the left, top, right and bottom of its box the film ends along half of each side, mm."""
    if not grid.ragged:
        return 0.0, 0.0, 0.0, 0.0
    film = np.isfinite(grid.density)
    insets = []
    for lines in (film, film.T, film[:, ::-1], film.T[:, ::-1]):
        met = lines[lines.any(axis=1)]
        # the cell on the edge is half film, and not of the footprint
        insets.append(max(float(np.median(np.argmax(met, axis=1))) - 0.5, 0.0) * grid.step_mm if met.size else 0.0)
    return insets[0], insets[1], insets[2], insets[3]


class _Marks(NamedTuple):
    """What the cells of a grid are: exposed, clear as the rebate, or neither (holes, beyond the scan)."""

    exposed: Mask
    clear: Mask


def _marks(grid: Straightened, level: Level) -> _Marks:
    with np.errstate(invalid="ignore"):
        above = grid.density - level.plane
        return _Marks(above > level.step, np.abs(above) <= level.step)


def _edges(marks: _Marks, axis: int) -> tuple[Mask, Mask]:
    """Return where, going along `axis`, clear turns to exposed and exposed to clear.

    Entry k of that axis is the border before cell k. The cell on either side of it may be anything: edges are soft.
    """
    exposed, clear = (marks.exposed, marks.clear) if axis == 0 else (marks.exposed.T, marks.clear.T)
    size = exposed.shape[0]
    rising = np.zeros((size + 1, exposed.shape[1]), dtype=bool)
    falling = np.zeros_like(rising)
    if size > 6:
        before, after = slice(0, size - 5), slice(5, size)
        nearer, farther = slice(1, size - 4), slice(4, size - 1)
        rising[3 : size - 2] = clear[before] & clear[nearer] & exposed[farther] & exposed[after]
        falling[3 : size - 2] = exposed[before] & exposed[nearer] & clear[farther] & clear[after]
    return rising, falling


def angle_of_frames(grid: Straightened, level: Level) -> float | None:
    """Return the angle of the frame's sides against the grid, degrees, from where each line first meets the picture.

    None where the four sides do not agree on one.
    """
    marks = _marks(grid, level)
    points = []
    for axis, back in ((1, False), (0, False), (1, True), (0, True)):
        points.append(_first_met(marks, axis, grid.step_mm, back=back))
    usable = [k for k, side in enumerate(points) if side.along.size >= 20]
    whole = 2 * (marks.exposed.shape[0] + marks.exposed.shape[1])
    if sum(points[k].along.size for k in usable) < 0.15 * whole:
        return None
    return _agreed_angle([points[k] for k in usable], [1.0 if k in (0, 2) else -1.0 for k in usable], least=0.5)


def _first_met(marks: _Marks, axis: int, step_mm: float, *, back: bool) -> EdgePoints:
    """Return, in mm, where each line along `axis` first goes from clear to exposed and stays so."""
    rising, falling = _edges(marks, axis)
    size = rising.shape[0]
    edge = falling[::-1] if back else rising
    met = edge.any(axis=0)
    along = np.flatnonzero(met).astype(np.float64)
    first = np.argmax(edge[:, met], axis=0).astype(np.float64)
    # a soft edge answers on a few borders: their middle
    across = size - 1 - first - 1 if back else first + 1
    return EdgePoints(along * step_mm, across * step_mm, np.zeros(along.size, dtype=bool))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Film:
    """One piece of film as found on the scan.

    Attributes
    ----------
    seen
        The part of it that is in the scan, before turning.
    box
        The whole piece, None where one of its edges is beyond the scan or under a mask.
    frames
        Exposed pictures in reading order; none where none can be told.
    rebate
        What its clear edge reads, None where none can be told.
    cropped
        Whether no edge of it is in the scan.
    footprint
        What of the scan is this film, where its sides are crooked: nothing else is read, whatever a box holds. None
        where its box is its outline.
    """

    seen: TurnedBox
    box: TurnedBox | None
    frames: tuple[Frame, ...]
    rebate: Rebate | None
    cropped: bool
    footprint: Footprint | None = None

    @property
    def inner(self) -> TurnedBox:
        """What is seen, less the soft edges of the film."""
        if self.cropped:
            return self.seen
        u, v = self.seen.width_mm / 2 - FILM_EDGE_MM, self.seen.height_mm / 2 - FILM_EDGE_MM
        return self.seen.part((-u, u), (-v, v))


def film_in(cells: Cells, outline: Outline, limits: FrameLimits = FRAME_LIMITS) -> Film:
    """Find rebate and frames on one piece of film."""
    grid = straightened(cells, outline.reach, film=outline.footprint)
    frames: list[Frame] = []
    level = rebate = None
    for band_mm in limits.bands_mm[: 1 if outline.cropped else None]:
        laid = _laid_by_rebate(cells, outline, grid, band_mm, limits)
        if laid is not None:
            grid, level, frames = laid
            rebate = measured_rebate(grid, level, [frame.box for frame in frames])
            break
    frames = frames or _without_rebate(outline, grid, blank=level is not None)
    seen = _seen(grid)
    return Film(
        seen=seen,
        box=seen if _whole(outline, seen, frames, limits.narrowest_whole_mm) else None,
        frames=tuple(frames),
        rebate=rebate,
        cropped=outline.cropped,
        footprint=outline.footprint,
    )


def _laid_by_rebate(
    cells: Cells, outline: Outline, grid: Straightened, band_mm: tuple[float, float], limits: FrameLimits
) -> tuple[Straightened, Level, list[Frame]] | None:
    """Return a piece as it lies by its frames, its rebate's level and its frames; None where no rebate is told.

    The rebate is looked for in a band along the edges.
    """
    level = rebate_level(grid, band_mm, limits)
    if level is None:
        return None
    if outline.footprint is not None or any(side != "glass" for side in outline.sides):
        # the edges of a scan or of a mask are not the film's own, and a hand cuts askew: its frames tell the angle
        grid, level = _turned(cells, outline, grid, level, band_mm)
    frames = find_frames(grid, level)
    told = is_rebate(grid, level, outline.sides, frames) and (
        band_mm == limits.bands_mm[0] or _well_seen(frames, level, least=1 if grid.ragged else 2)
    )
    return (grid, level, frames) if told else None


def _well_seen(frames: Sequence[Frame], level: Level, *, least: int) -> bool:
    """Return whether the sides of frames are lines that can be relied on by a narrow band alone.

    So many of each, at least, exposed over most of their length: any line in a picture may be one. Where a hand cut
    through the picture on the other sides, one is what there is.
    """
    limits = level.limits
    lines = [
        sum(
            origin == "line" and share >= limits.exposed
            for origin, share in zip(frame.origins, frame.shares, strict=True)
        )
        for frame in frames
    ]
    return bool(lines) and min(lines) >= least and float(np.median(level.plane)) <= limits.densest_clear


def unexposed_in(cells: Cells, outline: Outline) -> Film:
    """Read one piece of film that is known to be unexposed: all of it is rebate.

    Its level is the median over the piece, rim left out; leaks and specks do not move it much.
    """
    grid = straightened(cells, outline.reach, film=outline.footprint)
    seen = _seen(grid)
    values = grid.density[grid.off_edges(1.0)]
    return Film(
        seen=seen,
        box=seen if all(side == "glass" for side in outline.sides) else None,
        frames=(),
        rebate=whole_rebate(values) if values.size else None,
        cropped=outline.cropped,
        footprint=outline.footprint,
    )


def _without_rebate(outline: Outline, grid: Straightened, *, blank: bool) -> list[Frame]:
    """Return the whole piece as one frame where its edges are seen but no rebate: the picture runs to the edges."""
    if blank or outline.cropped:
        return []
    box, area = (_seen(grid), grid.box) if grid.ragged else (outline.box, _rimless(outline.box))
    return [Frame(box=box, area=area, origins=("edge",) * 4, shares=(1.0,) * 4, doubts_mm=(RIM_DOUBT_MM,) * 4)]


def _rimless(box: TurnedBox) -> TurnedBox:
    u, v = box.width_mm / 2, box.height_mm / 2
    return _inset(box, (-u, u), (-v, v), (RIM_MM,) * 4)


def _whole(outline: Outline, seen: TurnedBox, frames: Sequence[Frame], narrowest_mm: float) -> bool:
    """Return whether what is seen is the whole piece.

    A mask hides the edges of the film it holds. Only where a rebate as wide as a film's own shows inside it on all
    sides is the mask taken for the border of the film.
    """
    if "scan" in outline.sides:
        return False
    if all(side == "glass" for side in outline.sides):
        return True
    if not frames:
        return False
    margins = _margins(seen, frames)
    return all(side == "glass" or margin >= narrowest_mm for side, margin in zip(outline.sides, margins, strict=True))


def _margins(seen: TurnedBox, frames: Sequence[Frame]) -> tuple[float, float, float, float]:
    """Return the width of what lies left of, above, right of and below all frames, mm."""
    reach = np.array([-0.5, 0.5])
    own = [seen.own(*frame.box.on_scan(reach * frame.box.width_mm, reach * frame.box.height_mm)) for frame in frames]
    return (
        min(float(u[0]) for u, _ in own) + seen.width_mm / 2,
        min(float(v[0]) for _, v in own) + seen.height_mm / 2,
        seen.width_mm / 2 - max(float(u[1]) for u, _ in own),
        seen.height_mm / 2 - max(float(v[1]) for _, v in own),
    )


def _turned(
    cells: Cells, outline: Outline, grid: Straightened, level: Level, band_mm: tuple[float, float]
) -> tuple[Straightened, Level]:
    """Lay the piece straight by its frames instead of its edges, where they tell an angle.

    First by where each line meets the picture, which stands any angle; then by pieces of the sides found, which see
    faint sides too.
    """
    for told in (angle_of_frames, _angle_of_sides):
        angle = told(grid, level)
        if angle is None or abs(angle) < 0.02:
            continue
        reach = outline.reach
        covering = _covering(reach, grid.box.angle_deg + angle)
        turned = straightened(cells, covering, within=reach, film=outline.footprint)
        again = rebate_level(turned, band_mm, level.limits)
        if again is not None:
            grid, level = turned, again
    return grid, level


def _angle_of_sides(grid: Straightened, level: Level) -> float | None:
    """Return the angle of the frames' sides against the grid, degrees, from eight pieces of every side seen."""
    points: list[tuple[list[float], list[float]]] = [([], []) for _ in range(4)]
    for frame in find_frames(grid, level):
        u, v = (float(place) for place in grid.box.own(*frame.box.centre))
        middle = (u + grid.box.width_mm / 2, v + grid.box.height_mm / 2)
        half = (frame.box.width_mm / 2, frame.box.height_mm / 2)
        for k in range(4):
            if frame.origins[k] != "line":
                continue
            across, along = k % 2, 1 - k % 2
            at = round((middle[across] + (half[across] if k >= 2 else -half[across])) / grid.step_mm)
            cuts = np.linspace(middle[along] - half[along], middle[along] + half[along], 9) / grid.step_mm
            for first, last in pairwise(cuts.round().astype(int).tolist()):
                place = edge_place(grid, level, k, at, (first, last))
                if place.seen:
                    points[k][0].append((first + last) / 2 * grid.step_mm)
                    points[k][1].append(place.place_mm)
    usable = [k for k in range(4) if len(points[k][0]) >= 4]
    sides = [
        EdgePoints(np.array(points[k][0]), np.array(points[k][1]), np.zeros(len(points[k][0]), bool)) for k in usable
    ]
    return _agreed_angle(sides, [1.0 if k in (0, 2) else -1.0 for k in usable], least=0.6)


def _agreed_angle(sides: list[EdgePoints], signs: list[float], *, least: float) -> float | None:
    """Return the common angle of edge points in degrees, None where less than a share of them lies on lines."""
    if not sides:
        return None
    slope = common_slope(sides, signs)
    agreeing = total = 0
    for side, sign in zip(sides, signs, strict=True):
        _, near = line_through(side, sign * slope)
        agreeing, total = agreeing + int(near.sum()), total + near.size
    return math.degrees(math.atan(slope)) if agreeing >= least * total else None


def _covering(box: TurnedBox, angle_deg: float) -> TurnedBox:
    """Return the smallest box at another angle that covers a box."""
    u, v = box.width_mm / 2, box.height_mm / 2
    x, y = box.on_scan(np.array([-u, u, u, -u]), np.array([-v, -v, v, v]))
    point = TurnedBox(left_mm=box.centre.x, top_mm=box.centre.y, width_mm=0.0, height_mm=0.0, angle_deg=angle_deg)
    own_u, own_v = point.own(x, y)
    return point.part((float(own_u.min()), float(own_u.max())), (float(own_v.min()), float(own_v.max())))
