"""The signs of a print on paper: its white margin, what lies round it, the black line of the rebate, its tones."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from densiscan.negative.bench import Bench
from densiscan.negative.find.outlines import EdgePoints, common_slope, line_through
from densiscan.negative.parts import Part
from densiscan.negative.sign_limits import SignLimits
from densiscan.negative.signs import inside
from densiscan.scan.cells import Cells, Map, Mask

_LINE_MM: Final = (0.8, 15.0)
"""Width of the black line round a print that the clear rebate makes."""
_FEWEST_CELLS: Final = 100
_BAND_MM: Final = (0.7, 2.7)
"""How far within the outline of a sheet its margin is looked at; prints have margins of 4 mm and more."""
_SOFT_MM: Final = 0.5


def paper_signs(bench: Bench, part: Part, *, alone: bool) -> tuple[str, ...]:
    """Return the signs of a print: its white margin, its bare whites and blacks, and the black line round it."""
    if _margin_within(bench, part):
        line = ("a black line lies within it",) if alone and _black_line(bench.cells, bench.limits) else ()
        return ("an even margin as light as paper runs round the picture", *line)
    margin = _margin(bench, part)
    if margin is None:
        return ()
    told: list[str] = []
    # what lies round a piece is known only where it is the only one
    surround = _surround(bench) if alone else None
    if surround is not None:
        told += _beside_lid(bench, part, margin, surround)
    if alone and _black_line(bench.cells, bench.limits):
        told += ["an even black line runs round the picture", "its margin is as light as paper"]
    picture = inside(bench, part.area)
    if _wide(part, bench.limits.wide_mm):
        # a picture that a mask in the camera made smaller has such an edge too, but seldom ends as clear as that
        told += ["no film has a clear edge as wide as its margin", *_bare_whites(picture, margin, bench.limits)]
    tones = _tones(picture, margin, bench.limits) if part.frame is not None else ()
    if told:
        return tuple(dict.fromkeys((*told, *tones)))
    # a silhouette against the sky ends as bare and as piled up as paper, and a lamp drifts: all that counts as one
    doubts = (*tones, *_drifted_or_lid(surround, margin, bench.limits.beside_lid)) if tones else ()
    return (" and ".join(doubts),) if len(doubts) > 1 else ()


def _drifted_or_lid(surround: float | None, margin: float, beside_lid: float) -> tuple[str, ...]:
    """Return what is to be said of a surround that is glass where the lamp drifted, or else a lid."""
    if surround is None or not surround < margin - beside_lid:
        return ()
    return (f"what lies round it reads {surround:.2f}, where open glass reads 0.00",)


def _beside_lid(bench: Bench, part: Part, margin: float, surround: float) -> tuple[str, ...]:
    """Return what an even density round the margin tells: film is denser than the glass it lies on."""
    limits = bench.limits
    if margin < surround - limits.beside_lid and _margin_round(bench.cells, margin, surround, limits):
        return "its white margin is lighter than what lies round it", "no film is clearer than the open bed"
    if not part.film.cropped and limits.lid < surround < margin - limits.beside_lid:
        return ("what lies round it is not open glass",)
    return ()


def _margin_round(cells: Cells, margin: float, surround: float, limits: SignLimits) -> bool:
    """Return whether a margin with straight sides runs round everything that is not the surround, its lightest part."""
    # round an inverted picture runs the clear edge of the film, neither as light as the one nor as dense as the other
    near = max(0.75 * limits.beside_lid, 0.1 * (surround - margin))
    lighter = float((cells.density < margin - limits.beside_lid).mean())
    ground = np.abs(cells.density - surround) < near
    paper = cells.density < min((margin + surround) / 2, margin + limits.bare_white)
    return lighter < limits.specks and _runs_round(cells, paper, (_BAND_MM[1], math.inf), ground)


def _margin_within(bench: Bench, part: Part) -> bool:
    """Return whether the outline found is that of a sheet of paper on a lid: just within it runs an even white margin.

    The lid is then taken for the film. Film is as clear as its edge up to the frame, and uneven within.
    """
    film, frame, limits = part.film, part.frame, bench.limits
    if film.rebate is None or frame is None or not film.cropped or frame.origins.count("line") < 3:
        return False
    cells, box = bench.cells, frame.box
    x, y = (cells.x_mm[1:] + cells.x_mm[:-1]) / 2, (cells.y_mm[1:] + cells.y_mm[:-1]) / 2
    u, v = (np.abs(own) for own in box.own(x[None, :], y[:, None]))
    from_side, from_end = box.width_mm / 2 - u, box.height_mm / 2 - v
    band = box.inside(x[None, :], y[:, None], _BAND_MM[0]) & (np.minimum(from_side, from_end) < _BAND_MM[1])
    level = float(np.median(cells.density[band])) if band.any() else 0.0
    if not limits.clearest_paper <= level <= limits.densest_paper:
        return False
    even = np.abs(cells.density - level) < limits.bare_white
    sides = (band & (from_side < from_end), band & (from_end <= from_side))
    return level + float(np.log10(film.rebate.transmittance)) > limits.beside_lid and all(
        float(even[side].mean()) > limits.even_margin for side in sides
    )


def _wide(part: Part, wide_mm: float) -> bool:
    """Return whether the clear edge is wider on all sides than that of film."""
    if part.frame is None or part.film.cropped or part.frame.origins.count("line") < 4:
        return False
    seen, frame = part.film.seen, part.frame.box
    u, v = (float(place) for place in seen.own(*frame.centre))
    across, down = (seen.width_mm - frame.width_mm) / 2, (seen.height_mm - frame.height_mm) / 2
    return min(across - abs(u), down - abs(v)) > wide_mm


def _margin(bench: Bench, part: Part) -> float | None:
    """Return what the lightest even part reads where that may be paper, None elsewhere."""
    if part.film.rebate is not None:
        level = -float(np.log10(part.film.rebate.transmittance))
    else:
        density = bench.cells.density
        counts, edges = np.histogram(density, bins=np.arange(0.0, 0.25, 0.01))
        enough = np.flatnonzero(counts > 0.04 * density.size)
        if not enough.size:
            return None
        first = float(edges[enough[0]])
        level = float(np.median(density[(density >= first) & (density < first + 0.02)]))
    return level if bench.limits.clearest_paper <= level <= bench.limits.densest_paper else None


def _surround(bench: Bench) -> float | None:
    """Return the even density along the border of the scan where that is neither glass nor opaque."""
    density = bench.cells.density
    ring = np.concatenate(
        (density[1:3].ravel(), density[-3:-1].ravel(), density[:, 1:3].ravel(), density[:, -3:-1].ravel())
    )
    level = float(np.median(ring))
    even = float((np.abs(ring - level) < 0.03 + 0.05 * level).mean()) > 0.9
    return level if even and bench.limits.glass < level < bench.limits.densest_black else None


def _tones(density: Map, margin: float, limits: SignLimits) -> tuple[str, ...]:
    """Return what the tones of a picture have of paper: bare whites, and blacks piled up.

    Neither is a sign by itself: deep shadows of a negative are as clear as its edge, and a sky is piled up.
    """
    if density.size < _FEWEST_CELLS:
        return ()
    near, black = (float(value) for value in np.quantile(density, (0.96, 0.995)))
    if not limits.lightest_black < black < limits.densest_black:
        return ()
    return (
        *_bare_whites(density, margin, limits),
        *(("its blacks are piled up at one density",) if black - near < limits.piled else ()),
    )


def _bare_whites(density: Map, margin: float, limits: SignLimits) -> tuple[str, ...]:
    """Return what is to be said of a picture whose lightest hundredth is as light as its margin."""
    if density.size < _FEWEST_CELLS or float(np.quantile(density, 0.01)) - margin >= limits.bare_white:
        return ()
    return ("its whites are as bare as its margin",)


def _black_line(cells: Cells, limits: SignLimits) -> bool:
    """Return whether an even black line of straight sides, lighter within and without, runs round a picture."""
    density = cells.density
    black = float(np.quantile(density, 0.995))
    if not limits.lightest_black < black < limits.densest_black:
        return False
    marked = density > black - limits.black_within
    # on open glass lies film: the dense border of its picture is no line, unless it is as even as paper's full black
    if float((density < limits.glass).mean()) > limits.open_glass and _unevenness(density, marked) > limits.even_black:
        return False
    return _runs_round(cells, marked, _LINE_MM, ~marked)


def _unevenness(density: Map, where: Mask) -> float:
    """Return the standard deviation of densities beyond that of noise, which neighbouring cells show as well."""
    pairs = where[:, 1:] & where[:, :-1]
    noise = float(np.mean((density[:, 1:] - density[:, :-1])[pairs] ** 2)) / 2.0 if pairs.any() else 0.0
    return math.sqrt(max(float(density[where].var()) - noise, 0.0))


def _runs_round(cells: Cells, marked: Mask, widths_mm: tuple[float, float], ground: Mask) -> bool:
    """Return whether what is marked begins, seen from each side, along a straight line, off the ground, and so wide."""
    sides = [_first_lines(cells, marked, side, widths_mm, ground) for side in range(4)]
    if any(side.along.size < 20 for side in sides):
        return False
    signs = [1.0, -1.0, 1.0, -1.0]
    slope = common_slope(sides, signs)
    near = [line_through(side, sign * slope)[1] for side, sign in zip(sides, signs, strict=True)]
    lengths = [
        float(np.ptp(side.along[there])) if there.any() else 0.0 for side, there in zip(sides, near, strict=True)
    ]
    if min(lengths) < 15.0 or any(there.mean() < 0.6 for there in near):
        return False
    # each line is there along most of its side
    return all(there.sum() * cells.pitch_mm > 0.6 * length for there, length in zip(near, lengths, strict=True))


def _first_lines(cells: Cells, dark: Mask, side: int, widths_mm: tuple[float, float], ground: Mask) -> EdgePoints:
    """Return where a line of marked cells begins on every row or column, seen from one side: the ground before it."""
    upright = side % 2 == 0
    lines, beside = (dark, ground) if upright else (dark.T, ground.T)
    across_mm, along_mm = (cells.x_mm, cells.y_mm) if upright else (cells.y_mm, cells.x_mm)
    if side >= 2:
        lines, beside = lines[:, ::-1], beside[:, ::-1]
    least, most = (max(2.0, width / cells.pitch_mm) for width in widths_mm)
    # an edge is soft over a cell or two
    off = max(1, round(_SOFT_MM / cells.pitch_mm))
    before = np.zeros_like(lines)
    before[:, off:] = ~lines[:, off - 1 : -1] & beside[:, :-off]
    begins = lines & before
    # how far each dark cell's run goes on
    run = np.zeros(lines.shape, dtype=np.int32)
    length = np.zeros(lines.shape[0], dtype=np.int32)
    for column in range(lines.shape[1] - 1, -1, -1):
        length = np.where(lines[:, column], length + 1, 0)
        run[:, column] = length
    fits = begins & (run >= least)
    rows = np.flatnonzero(fits.any(axis=1))
    first = np.argmax(fits[rows], axis=1)
    short = run[rows, first] <= most
    rows, first = rows[short], first[short]
    place = across_mm[::-1][first] if side >= 2 else across_mm[first]
    along = (along_mm[rows] + along_mm[rows + 1]) / 2
    return EdgePoints(along, np.asarray(place), np.zeros(rows.size, dtype=bool))
