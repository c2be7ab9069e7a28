"""The signs by which a negative is told from what is none, each from the physics of the thing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.calibration.calibration import Calibration
from densiscan.negative.bench import Bench
from densiscan.negative.find.film import Film
from densiscan.negative.find.not_film import fields_along, is_wedge
from densiscan.negative.parts import Part, parts_on
from densiscan.negative.sign_limits import SIGN_LIMITS, SignLimits
from densiscan.scan.cells import Cells, Map, Straightened, TurnedBox, straightened
from densiscan.scan.channels import COLOURS, in_channel
from densiscan.scan.scan import Scan

_PLACE_MM: Final = 1.0
_BANDS: Final = 7
_RIM_MM: Final = 1.5
_FEWEST_PLACES: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Colours:
    """Densities of a colour scan in even places: shape (places, 3), red, green, blue; and the clearest of them."""

    places: Map
    clearest: tuple[float, float, float]


_NOTHING: Final = frozenset({"no-film-found", "no-frame-found"})


def is_empty(bench: Bench, parts: Sequence[Part]) -> bool:
    """Return whether nothing was found on the scan, and all of it is even: bare glass, or black."""
    if len(parts) != 1 or not any(told.code in _NOTHING for told in parts[0].warnings):
        return False
    cells, median = bench.cells, _middle(bench)
    if is_dark(bench):
        return float((cells.density > min(bench.calibration.density_range[1], bench.limits.opaque)).mean()) > 0.98
    return (
        median < bench.limits.clearest_paper and float((np.abs(cells.light / 10.0**-median - 1.0) < 0.05).mean()) > 0.98
    )


def is_dark(bench: Bench) -> bool:
    """Return whether most of the scan lets no light through."""
    densest = min(bench.calibration.density_range[1], bench.limits.opaque)
    return _middle(bench) > densest or float(bench.cells.clipped_dark.mean()) > 0.5


def _middle(bench: Bench) -> float:
    return float(np.median(bench.cells.density))


# ---- even film --------------------------------------------------------------------------------------------------


def inside(bench: Bench, box: TurnedBox) -> Map:
    """Return the densities of the cells in a box, 1 mm off its edges."""
    cells = bench.cells
    x, y = (cells.x_mm[1:] + cells.x_mm[:-1]) / 2, (cells.y_mm[1:] + cells.y_mm[:-1]) / 2
    corners = np.array(box.corners())
    columns = slice(*np.searchsorted(x, (corners[:, 0].min(), corners[:, 0].max())))
    rows = slice(*np.searchsorted(y, (corners[:, 1].min(), corners[:, 1].max())))
    there = box.inside(x[None, columns], y[rows, None], 1.0)
    return np.asarray(cells.density[rows, columns][there])


def is_unexposed(bench: Bench, part: Part) -> bool:
    """Return whether a piece whose edges are seen is as even as its clear edge."""
    rebate = part.film.rebate
    if rebate is None or part.film.cropped or part.frame is not None:
        return False
    level = -float(np.log10(rebate.transmittance))
    off = np.abs(inside(bench, part.film.seen) - level)
    limits = bench.limits
    return level < limits.densest_clear and float((off < limits.unexposed_within).mean()) > limits.unexposed_share


def is_even(bench: Bench, part: Part) -> bool:
    """Return whether what is read holds no picture: its tones differ by no more than noise and lamp make."""
    from densiscan.scan.apertures import readings_inside

    read = readings_inside(bench.survey, part.area, aperture_mm=1.0, square=False)
    if read is None:
        return False
    noise = float(np.hypot(read.noise_of_quantile(0.01), read.noise_of_quantile(0.99)))
    extent = read.quantile(0.99) - read.quantile(0.01)
    limits = bench.limits
    return extent < max(limits.even_range, limits.even_part * read.quantile(0.5), limits.even_noises * noise)


# ---- wedges -----------------------------------------------------------------------------------------------------


def wedge_signs(bench: Bench, part: Part) -> tuple[str, ...]:
    """Return the signs of a step wedge: even fields in a row, rising by steps, with nothing clear round them."""
    limits = bench.sought.limits.not_film
    grid = straightened(bench.cells, part.film.seen)
    if is_wedge(grid, bench.sought.density_range[1], limits):
        return "its density rises in steps", "each step is even from side to side"
    number = 0 if part.film.cropped else fields_along(grid, bench.sought.density_range[1], limits)
    if number < 2:
        return ()
    told = ["it is made of even fields in a row"]
    if part.film.rebate is None:
        told.append("no clear edge runs round them")
    if number >= limits.fewest_levels:
        told.append(f"there are {number} of them")
    return tuple(told)


# ---- inverted scans ---------------------------------------------------------------------------------------------


_EDGE: Final = "the clear edge of the film reads denser than the picture"
_ROUND: Final = "light and dark round the film are exchanged too"


def inverted_signs(bench: Bench, parts: Sequence[Part]) -> tuple[str, ...]:
    """Return the signs that light and dark are exchanged: a dense edge of film, and glass that is none."""
    turned = turned_round(bench, parts)
    if turned is None:
        return (_EDGE, _ROUND) if any(_dense_edge(bench, part) for part in parts) else ()
    return (_EDGE,) if turned.cropped else (_EDGE, _ROUND)


def _dense_edge(bench: Bench, part: Part) -> bool:
    """Return whether a piece on what reads as glass ends in an even band on all sides, denser than its picture.

    Film on glass is clear there. A holder in which a part of the rebate is open reads, turned round, as glass.
    """
    if part.film.rebate is not None or part.film.cropped:
        return False
    rim = straightened(bench.cells, _grown(part.film.seen, _BEYOND_MM))
    bands = [_band(rim, *(_BEYOND_MM + near for near in band)) for band in (_BEYOND, _EDGE_BAND, _WITHIN)]
    beyond, edge, within = ([side[np.isfinite(side)] for side in band] for band in bands)
    if any(side.size < _FEWEST_PLACES for side in (*edge, *within)):
        return False
    levels = [float(np.median(side)) for side in edge]
    level = float(np.median(levels))
    picture, limits = np.concatenate(within), bench.limits
    return (
        level < limits.densest_black
        and max(levels) - min(levels) < limits.even_edge
        and all(float((np.abs(side - level) < limits.even_edge).mean()) > limits.even_margin for side in edge)
        and all(not side.size or float(np.median(side)) < limits.densest_paper for side in beyond)
        and float(np.median(picture)) < level - limits.even_edge
        and float((picture > level + limits.even_edge).mean()) < 0.02
        and sum(float((side > level - limits.even_edge).mean()) < 0.7 for side in within) >= 3
    )


_BEYOND_MM: Final = 3.0
_BEYOND: Final = (-2.5, -1.0)
_EDGE_BAND: Final = (0.5, 1.2)
_WITHIN: Final = (6.0, 9.0)
"""Beyond the edge of a piece, its edge, and within: no clear edge that a holder leaves open is wider."""


def _grown(box: TurnedBox, by_mm: float) -> TurnedBox:
    u, v = box.width_mm / 2 + by_mm, box.height_mm / 2 + by_mm
    return box.part((-u, u), (-v, v))


def _band(grid: Straightened, first_mm: float, last_mm: float) -> list[Map]:
    """Return the densities along the four sides of a grid, so far from them."""
    first, last = round(first_mm / grid.step_mm), max(round(last_mm / grid.step_mm), round(first_mm / grid.step_mm) + 1)
    rows, columns = grid.density.shape
    if 2 * last >= min(rows, columns):
        return [np.empty(0)] * 4
    turned = [np.rot90(grid.density, k) for k in range(4)]
    return [one[first:last, last:-last].ravel() for one in turned]


def turned_round(bench: Bench, parts: Sequence[Part]) -> Film | None:
    """Return the film that shows when light and dark are exchanged, None where the scan makes sense as it stands.

    Unexposed film is the clearest part of a piece. A scan on which no such edge is found, but one with straight frames
    in it once the codes are turned round, was stored the other way round.
    """
    if bench.sought.wedge_mm or any(part.film.rebate is not None for part in parts):
        return None
    cells = _exchanged(bench)
    found, _ = parts_on(cells, replace(bench.sought, frame_mm=None, fog_sheet=False))
    for part in found:
        lines = 0 if part.frame is None else part.frame.origins.count("line")
        if part.film.rebate is not None and lines >= 3:
            return part.film
    return None


def _exchanged(bench: Bench) -> Cells:
    """Return the map of the scan as it would be, had light and dark been stored the other way round."""
    full = bench.scan.facts.full_scale
    table = np.maximum(bench.light.curve.table(full), float(bench.cells.light.min()))
    rising, stored_as = np.unique(table, return_index=True)
    # what is one black, or one white, to the calibration was stored at the end of the scale
    ends = (0, full) if table[0] < table[-1] else (full, 0)
    stored_as[0], stored_as[-1] = ends
    stored = np.interp(bench.cells.light, rising, stored_as.astype(np.float64))
    light = np.maximum(np.interp(full - stored, np.arange(full + 1.0), table), 1e-6)
    cells = bench.cells
    return replace(
        cells,
        light=light,
        density=-np.log10(light),
        clipped_light=cells.clipped_dark,
        clipped_dark=cells.clipped_light,
    )


def other_polarity(bench: Bench) -> tuple[str, ...]:
    """Return in words that the notes of the file tell of another polarity than those of the calibration's scan."""
    here, there = bench.scan.facts, bench.calibration.scan
    told = []
    if here.min_is_white != there.min_is_white:
        told.append("the file stores light and dark the other way round than that of the wedge")
    words = ("negative", "invert")
    own, calibrated = ((facts.software or "").lower() for facts in (here, there))
    if any(word in own and word not in calibrated for word in words):
        told.append(f'the scanning software calls it "{here.software}"')
    return tuple(told)


# ---- colour -----------------------------------------------------------------------------------------------------


def colours_of(bench: Bench, part: Part) -> Colours | None:
    """Return the densities of a part in all three channels; None for a gray scan."""
    scan, film = bench.scan, part.film
    if scan.channel not in COLOURS:
        return None
    curves = {one.channel: one for one in bench.calibration.others} | {scan.channel: bench.calibration}
    grid = _Grid.over(scan, film.seen)
    planes = [
        _at_places(in_channel(scan, colour), curves.get(colour, bench.calibration), grid)
        for colour in ("red", "green", "blue")
    ]
    places = np.stack(planes, axis=1)[film.seen.inside(grid.x_mm, grid.y_mm, _RIM_MM).ravel()]
    densest = min(bench.calibration.density_range[1], 2.0)
    places = places[np.all((places > bench.limits.clearest_paper - 0.01) & (places < densest), axis=1)]
    if places.shape[0] < _FEWEST_PLACES:
        return None
    mean = places.mean(axis=1)
    low, high = np.quantile(mean, (0.02, 0.12))
    near = (mean >= low) & (mean <= high)
    if film.rebate is not None:
        # the edge of the film is known to be its clearest part
        own = places[:, ("red", "green", "blue").index(scan.channel)]
        level = -float(np.log10(film.rebate.transmittance))
        at_edge = np.abs(own - level) < 0.05
        near = at_edge if np.count_nonzero(at_edge) >= 5 else near
    red, green, blue = (float(value) for value in np.median(places[near], axis=0))
    return Colours(places=places, clearest=(red, green, blue))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Grid:
    """Places a millimetre wide in a few bands across a box: first pixels of the bands, of the places; their middles."""

    rows: tuple[int, ...]
    first_px: int
    number: int
    side_px: tuple[int, int]
    x_mm: Map
    y_mm: Map

    @classmethod
    def over(cls, scan: Scan, box: TurnedBox) -> _Grid:
        corners = np.array(box.corners())
        left, top = np.maximum(corners.min(axis=0), 0.0)
        right, bottom = np.minimum(corners.max(axis=0), (scan.width_mm, scan.height_mm))
        across, down = (max(1, round(_PLACE_MM * px)) for px in (scan.px_per_mm_x, scan.px_per_mm_y))
        first = min(round(left * scan.px_per_mm_x), scan.width_px - across)
        number = max(1, (min(round(right * scan.px_per_mm_x), scan.width_px) - first) // across)
        shares = (np.arange(_BANDS) + 0.5) / _BANDS
        rows = np.clip((top + shares * (bottom - top)) * scan.px_per_mm_y, 0, scan.height_px - down).astype(int)
        x = (first + (np.arange(number) + 0.5) * across) / scan.px_per_mm_x
        y = (rows + 0.5 * down) / scan.px_per_mm_y
        x, y = np.broadcast_arrays(x[None, :], y[:, None])
        return cls(rows=tuple(rows.tolist()), first_px=first, number=number, side_px=(across, down), x_mm=x, y_mm=y)


def _at_places(scan: Scan, curve: Calibration, grid: _Grid) -> Map:
    """Return the densities of the places of a grid, row by row."""
    across, down = grid.side_px
    table = curve.table(scan.facts.full_scale)
    found = []
    for row in grid.rows:
        light = table[scan.region(row, grid.first_px, down, grid.number * across).astype(np.intp)]
        found.append(light.reshape(down, grid.number, across).mean(axis=(0, 2)))
    return np.asarray(-np.log10(np.maximum(np.concatenate(found), 1e-6)))


def orange(colours: Colours, limits: SignLimits = SIGN_LIMITS) -> bool:
    """Return whether even the clearest film is denser in green than in red, and in blue than in green."""
    red, green, blue = colours.clearest
    return min(green - red, blue - green) > limits.mask_step and blue - red > limits.mask_rise


def many_hues(colours: Colours, limits: SignLimits = SIGN_LIMITS) -> bool:
    """Return whether places of one density differ in hue, as neither silver nor its stain do."""
    green = colours.places[:, 1]
    off = np.zeros(green.size)
    for channel in (0, 2):
        other = colours.places[:, channel]
        rest = other - np.polyval(np.polyfit(green, other, 3), green)
        off = np.maximum(off, np.abs(rest - np.median(rest)))
    return float((off > limits.hue_off).mean()) > limits.hue_share
