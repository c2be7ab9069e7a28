"""Small things: dust, pinholes and scratches; round spots of air bells and drying marks.

In a picture only specks are told, by `apertures.specks_inside`, which keeps them out of the readings too; marks and
scratches are told on film that is unexposed, where nothing else is to be seen.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from densiscan.apertures import SpeckMap, specks_inside
from densiscan.calibration import Calibration
from densiscan.evenness_found import Finding, Limits, chance_beyond, limits_of, step_of, sure_words
from densiscan.evenness_map import Blocks, Ground, Plane, blocks_of, middles_of, robust_sd
from densiscan.pieces_map import Indices, Map, Mask, TurnedBox, grown, labelled
from densiscan.survey import Survey

_FACTOR: Final = 3.0
_LEAST: Final = 0.3
_CALM: Final = 0.05
"""In a picture a speck stands out by three times what its surroundings differ and by this density, where a millimetre
around it differs by no more than `_CALM`: fine detail of a subject does neither."""

_ALONE_ON_FOG: Final = 1.5

_LEAST_ON_FOG: Final = 0.03
_SPECK_MM: Final = 1.2
_SCRATCH_MM: Final = 6.0
_MARK_MM: Final = (1.5, 20.0)
_AROUND: Final = 8
_MOST_PLACES: Final = 200
_MOST_MARKS: Final = 20
_DEVIATIONS: Final = 6.0


class _Spot(NamedTuple):
    """A connected group of cells: box in cells (rows, columns), how many, mean and most extreme value, slope."""

    rows: tuple[int, int]
    columns: tuple[int, int]
    cells: int
    peak: float

    @property
    def height(self) -> int:
        """Rows spanned."""
        return self.rows[1] - self.rows[0]

    @property
    def width(self) -> int:
        """Columns spanned."""
        return self.columns[1] - self.columns[0]


def _spots(mask: Mask, values: Map) -> list[_Spot]:
    labels, count = labelled(mask)
    if not count:
        return []
    rows, columns = np.nonzero(labels)
    label = labels[rows, columns] - 1
    return _boxes(rows, columns, label, values[rows, columns], count)


def _boxes(rows: Indices, columns: Indices, label: Indices, values: Map, count: int) -> list[_Spot]:
    low = np.full((2, count), 10**9)
    high = np.full((2, count), -1)
    for axis, places in enumerate((rows, columns)):
        np.minimum.at(low[axis], label, places)
        np.maximum.at(high[axis], label, places)
    cells = np.bincount(label, minlength=count)
    most, least = np.full(count, -np.inf), np.full(count, np.inf)
    np.maximum.at(most, label, values)
    np.minimum.at(least, label, values)
    peak = np.where(np.abs(most) >= np.abs(least), most, least)
    return [
        _Spot(
            (int(low[0, k]), int(high[0, k]) + 1),
            (int(low[1, k]), int(high[1, k]) + 1),
            int(cells[k]),
            float(peak[k]),
        )
        for k in range(count)
        if cells[k]
    ]


def specks_in_frame(found: Survey, frame: TurnedBox, calibration: Calibration) -> list[Finding]:
    """Return the dust and the pinholes of a picture: one finding for each kind that there is."""
    specks = specks_inside(found, frame, factor=_FACTOR, least=_LEAST, calm=_CALM)
    return _specks_of(specks, calibration)


def _specks_of(specks: SpeckMap, calibration: Calibration) -> list[Finding]:
    pitch = float(specks.x_mm[1] - specks.x_mm[0]) if specks.x_mm.size > 1 else 1.0
    result = []
    for kind, mask in (("dust", specks.contrast > 0), ("pinholes", specks.contrast < 0)):
        spots = [spot for spot in _spots(mask, specks.contrast) if max(spot.height, spot.width) * pitch <= _SPECK_MM]
        places = [
            (float(specks.x_mm[sum(spot.columns) // 2]), float(specks.y_mm[sum(spot.rows) // 2])) for spot in spots
        ]
        result += _counted(kind, spots, places, specks.cells, calibration, pitch)
    return result


def _counted(
    kind: str, spots: list[_Spot], places: list[tuple[float, float]], cells: int, calibration: Calibration, pitch: float
) -> list[Finding]:
    if not spots:
        return []
    share = sum(spot.cells for spot in spots) / max(cells, 1)
    peaks = np.array([spot.peak for spot in spots])
    what = {
        "dust": ("speck of dust or a hair that stops light", "specks of dust or hairs that stop light"),
        "pinholes": ("clear pinhole", "clear pinholes"),
        "scratches": ("long thin scratch", "long thin scratches"),
    }[kind][len(spots) > 1]
    limits = limits_of(calibration, evened=False)
    level = 0.3 + max(0.0, -float(np.median(peaks)))
    size = step_of(
        calibration, level, float(np.median(peaks)), noise=float(peaks.std()) / math.sqrt(peaks.size), limits=limits
    )
    x, y = np.array(places).T
    box = (float(x.min()) - pitch, float(y.min()) - pitch, float(np.ptp(x)) + 2 * pitch, float(np.ptp(y)) + 2 * pitch)
    share_text = f"{100 * share:.3f}".rstrip("0").rstrip(".") if share >= 0.00001 else "under 0.001"
    kept = "; shadow and highlight are read without them" if kind != "scratches" else ""
    message = f"{len(spots)} {what}, {share_text} % of the area{kept}."
    return [
        Finding(
            code=kind,
            message=message,
            box_mm=box,
            size=size,
            sure=0.99 if len(spots) > 2 else 0.95,
            count=len(spots),
            area_share=share,
            places_mm=tuple(places[:_MOST_PLACES]),
        )
    ]


def specks_on(found: Survey, ground: Ground, calibration: Calibration) -> list[Finding]:
    """Return dust, pinholes and scratches of unexposed film."""
    grid = ground.grid
    width, height = ground.size_mm
    apart = np.diff(grid.density, axis=1)[ground.film[:, 1:] & ground.film[:, :-1]]
    noise = max(robust_sd(apart) / math.sqrt(2), 0.001)
    inner = grid.box.part((1.0 - width / 2, width / 2 - 1.0), (1.0 - height / 2, height / 2 - 1.0))
    least = max(_DEVIATIONS * noise, _LEAST_ON_FOG)
    result = _specks_of(specks_inside(found, inner, factor=_ALONE_ON_FOG, least=least), calibration)
    lines = _scratches(np.where(ground.film, grid.density, np.nan), noise, grid.step_mm)
    return result + _counted(
        "scratches", lines, _places(ground, lines), int(ground.film.sum()), calibration, grid.step_mm
    )


def _places(ground: Ground, spots: list[_Spot]) -> list[tuple[float, float]]:
    step = ground.grid.step_mm
    return [ground.on_scan(sum(spot.columns) / 2 * step, sum(spot.rows) / 2 * step) for spot in spots]


def _scratches(density: Map, noise: float, step_mm: float) -> list[_Spot]:
    """Return long thin light lines: runs of cells lighter than what lies two cells to both sides of them."""
    lines: list[_Spot] = []
    for upright in (True, False):
        lying = density if upright else density.T
        ridge = np.zeros_like(lying)
        ridge[:, 2:-2] = np.maximum(lying[:, 2:-2] - lying[:, :-4], lying[:, 2:-2] - lying[:, 4:])
        ridge = np.where(np.isfinite(ridge), ridge, 0.0)
        # a line is long: what its cells have in common is surer than each alone
        length = max(3, round(2.0 / step_mm))
        smooth = _along(np.clip(ridge, -0.1, 0.1), length)
        mask = smooth < -max(_DEVIATIONS * noise / math.sqrt(length), 0.005)
        for spot in _spots(grown(mask), smooth):
            along, across = (spot.height, spot.width)
            long = along * step_mm >= _SCRATCH_MM and along >= 2.5 * across and spot.cells <= 7 * along
            lines += [spot if upright else _turned(spot)] * long
    return lines


def _turned(spot: _Spot) -> _Spot:
    return _Spot(spot.columns, spot.rows, spot.cells, spot.peak)


def _along(values: Map, length: int) -> Map:
    """Return the running mean down the columns, shape kept; the ends are zero."""
    total = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    out = np.zeros_like(values)
    half = length // 2
    mean = (total[length:] - total[:-length]) / length
    out[half : half + mean.shape[0]] = mean
    return out


def round_marks_in(ground: Ground, plane: Plane, calibration: Calibration, limits: Limits) -> list[Finding]:
    """Return round light spots (air bells) and round denser ones with a soft edge (drying marks)."""
    blocks = blocks_of(ground.grid, ground.plain, 0.5)
    left = blocks.values - _smooth(ground)(blocks)
    there = np.isfinite(left)
    left = np.where(there, left, 0.0)
    noise = max(blocks.noise, 5e-4)
    limit = max(0.75 * limits.local, _DEVIATIONS * noise)
    step = float(blocks.u[1] - blocks.u[0]) if blocks.u.size > 1 else 0.5
    found: list[Finding] = []
    for code, mask in (("air-bell", left < -limit), ("drying-mark", left > limit)):
        ring = code == "drying-mark"
        spots = [
            spot
            for spot in _spots(mask, left)
            if _is_round(spot, step, ring=ring) and not _at_edge(spot, left.shape, step)
        ]
        strongest = sorted(spots, key=lambda spot: -abs(spot.peak))[:_MOST_MARKS]
        found += [_mark(ground, plane, (spot, step), code, (calibration, limits)) for spot in strongest]
    return found


def _smooth(ground: Ground) -> _Background:
    coarse = blocks_of(ground.grid, ground.plain, 2.0)
    padded = np.pad(coarse.values, _AROUND // 2, mode="reflect") if min(coarse.values.shape) > _AROUND else None
    if padded is None:
        return _Background(coarse, np.full_like(coarse.values, np.nanmedian(coarse.values)))
    size = _AROUND + 1
    windows = np.lib.stride_tricks.sliding_window_view(padded, (size, size))
    return _Background(coarse, middles_of(windows.reshape(*windows.shape[:2], -1), 12))


class _Background(NamedTuple):
    """Medians over 18 mm around each block of 2 mm."""

    blocks: Blocks
    values: Map

    def __call__(self, fine: Blocks) -> Map:
        """Return the value at the blocks of another size."""
        row = np.clip(np.searchsorted(self.blocks.v, fine.v), 0, self.values.shape[0] - 1)
        column = np.clip(np.searchsorted(self.blocks.u, fine.u), 0, self.values.shape[1] - 1)
        return np.asarray(self.values[row[:, None], column[None, :]])


def _is_round(spot: _Spot, step_mm: float, *, ring: bool) -> bool:
    long, short = max(spot.height, spot.width), min(spot.height, spot.width)
    if not _MARK_MM[0] <= long * step_mm <= _MARK_MM[1] or short < 0.6 * long:
        return False
    filled = spot.cells / (math.pi / 4 * long * short)
    return filled >= (0.25 if ring else 0.55)


def _at_edge(spot: _Spot, shape: tuple[int, ...], step_mm: float) -> bool:
    near = math.ceil(2.0 / step_mm)
    return (
        spot.rows[0] < near
        or spot.columns[0] < near
        or spot.rows[1] > shape[0] - near
        or spot.columns[1] > shape[1] - near
    )


def _mark(
    ground: Ground, plane: Plane, where: tuple[_Spot, float], code: str, by: tuple[Calibration, Limits]
) -> Finding:
    spot, step = where
    calibration, limits = by
    size = step_of(calibration, plane.level, spot.peak, noise=0.1 * abs(spot.peak), limits=limits)
    sure = chance_beyond(spot.peak, limits.local, size.standard_uncertainty or 0.0)
    u, v = (spot.columns[0] * step, spot.columns[1] * step), (spot.rows[0] * step, spot.rows[1] * step)
    wide = max(u[1] - u[0], v[1] - v[0])
    words = {
        "air-bell": ("a round light spot", "lighter", "a bubble that kept the developer away (an air bell)"),
        "drying-mark": ("a round mark", "denser", "a drop that dried on the film, or a splash,"),
    }[code]
    message = (
        f"{sure_words(sure).capitalize()} {words[0]} of {wide:.0f} mm, {abs(spot.peak):.2f} {words[1]} than around it; "
        f"{words[2]} can do that."
    )
    place = ground.on_scan(sum(u) / 2, sum(v) / 2)
    box = ground.box_on_scan(u, v)
    return Finding(code=code, message=message, box_mm=box, size=size, sure=sure, places_mm=(place,))
