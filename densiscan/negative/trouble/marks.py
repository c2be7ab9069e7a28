"""Round spots of air bells and drying marks on film that is unexposed.

A mark stands out from what lies around it on all sides: from the mean of opposite sides, so that a slope, a ridge or
the foot of a leak is none.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from densiscan.negative.trouble.finding import Finding
from densiscan.negative.trouble.ground import Blocks, Ground, Plane, blocks_of, middles_of
from densiscan.negative.trouble.specks import Speck, spots_of
from densiscan.negative.trouble.yardstick import Yardstick, chance_beyond, sure_words
from densiscan.scan.cells import Indices, Map, Mask

_MARK_MM: Final = (1.5, 20.0)
_AROUND: Final = 8
_MOST_MARKS: Final = 20
_DEVIATIONS: Final = 6.0
_BESIDE_MM: Final = 0.75
_RING_MM: Final = 2.5
_SECTORS: Final = 8
_ALL_ROUND: Final = 0.6
"""Share of the limit by which a mark stands out from every pair of opposite sides."""


def round_marks_in(ground: Ground, plane: Plane, yardstick: Yardstick) -> list[Finding]:
    """Return round light spots (air bells) and round denser ones with a soft edge (drying marks)."""
    blocks = blocks_of(ground.grid, ground.plain, 0.5)
    flat = blocks.values - plane.at(blocks.u[None, :], blocks.v[:, None])
    smooth = _smooth(ground, plane)
    left = flat - smooth(blocks)
    left = np.where(np.isfinite(left), left, 0.0)
    noise = max(blocks.noise, 5e-4)
    limit = max(0.75 * yardstick.local, _DEVIATIONS * noise)
    step = float(blocks.u[1] - blocks.u[0]) if blocks.u.size > 1 else 0.5
    found: list[Finding] = []
    for code, mask in (("air-bell", left < -limit), ("drying-mark", left > limit)):
        ring = code == "drying-mark"
        spots = [
            spot
            for spot in spots_of(mask, left)
            if _is_round(spot, step, ring=ring)
            and not _at_edge(spot, left.shape, step)
            and _stands_out(flat, mask, spot, step, _ALL_ROUND * limit)
        ]
        strongest = sorted(spots, key=lambda spot: -abs(spot.peak))[:_MOST_MARKS]
        found += [_mark(ground, plane, (spot, step), code, yardstick) for spot in strongest]
    return found


def _stands_out(flat: Map, mask: Mask, spot: Speck, step_mm: float, least: float) -> bool:
    """Return whether a spot differs, the same way, from the mean of every two opposite sides around it."""
    box = (slice(*spot.rows), slice(*spot.columns))
    level = float(np.nanmean(flat[box][mask[box]]))
    row, column = (spot.rows[0] + spot.rows[1] - 1) / 2, (spot.columns[0] + spot.columns[1] - 1) / 2
    near = max(spot.height, spot.width) / 2 + _BESIDE_MM / step_mm
    far = near + _RING_MM / step_mm
    rows = np.arange(max(0, math.floor(row - far)), min(flat.shape[0], math.ceil(row + far) + 1))
    columns = np.arange(max(0, math.floor(column - far)), min(flat.shape[1], math.ceil(column + far) + 1))
    down, across = rows[:, None] - row, columns[None, :] - column
    away = np.hypot(down, across)
    part = flat[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    around = (away >= near) & (away <= far) & np.isfinite(part)
    sector = np.floor((np.arctan2(down, across) / (2 * math.pi) % 1.0) * _SECTORS).astype(np.intp) % _SECTORS
    sides = [part[around & (sector == k)] for k in range(_SECTORS)]
    middles = [float(np.median(side)) if side.size >= 3 else math.nan for side in sides]
    pairs = [(middles[k] + middles[k + _SECTORS // 2]) / 2 for k in range(_SECTORS // 2)]
    off = [level - pair for pair in pairs if math.isfinite(pair)]
    return len(off) >= 3 and (min(off) > least or max(off) < -least)


def _smooth(ground: Ground, plane: Plane) -> _Background:
    coarse = blocks_of(ground.grid, ground.plain, 2.0)
    flat = coarse.values - plane.at(coarse.u[None, :], coarse.v[:, None])
    if min(flat.shape) <= _AROUND:
        return _Background(coarse, np.zeros_like(flat))
    padded = np.pad(flat, _AROUND // 2, mode="reflect")
    size = _AROUND + 1
    windows = np.lib.stride_tricks.sliding_window_view(padded, (size, size))
    return _Background(coarse, middles_of(windows.reshape(*windows.shape[:2], -1), 12))


class _Background(NamedTuple):
    """Medians over 18 mm around each block of 2 mm."""

    blocks: Blocks
    values: Map

    def __call__(self, fine: Blocks) -> Map:
        """Return the value at the blocks of another size, between the blocks of this one; NaN where none is near."""
        row, down = _between(self.blocks.v, fine.v)
        column, across = _between(self.blocks.u, fine.u)
        upper, lower = self.values[row], self.values[row + 1]
        rows = upper + down[:, None] * (lower - upper)
        left, right = rows[:, column], rows[:, column + 1]
        return np.asarray(left + across[None, :] * (right - left))


def _between(places: Map, wanted: Map) -> tuple[Indices, Map]:
    """Return the place before each of those wanted and how far towards the next it is, 0 to 1; two places at least."""
    before = np.clip(np.searchsorted(places, wanted, side="right") - 1, 0, places.size - 2)
    share = (wanted - places[before]) / (places[before + 1] - places[before])
    return before, np.clip(share, 0.0, 1.0)


def _is_round(spot: Speck, step_mm: float, *, ring: bool) -> bool:
    long, short = max(spot.height, spot.width), min(spot.height, spot.width)
    if not _MARK_MM[0] <= long * step_mm <= _MARK_MM[1] or short < 0.6 * long:
        return False
    filled = spot.cells / (math.pi / 4 * long * short)
    return filled >= (0.25 if ring else 0.55)


def _at_edge(spot: Speck, shape: tuple[int, ...], step_mm: float) -> bool:
    near = math.ceil(2.0 / step_mm)
    return (
        spot.rows[0] < near
        or spot.columns[0] < near
        or spot.rows[1] > shape[0] - near
        or spot.columns[1] > shape[1] - near
    )


def _mark(ground: Ground, plane: Plane, where: tuple[Speck, float], code: str, yardstick: Yardstick) -> Finding:
    spot, step = where
    size = yardstick.step(plane.level, spot.peak, noise=0.1 * abs(spot.peak))
    sure = chance_beyond(spot.peak, yardstick.local, size.standard_uncertainty or 0.0)
    u, v = (spot.columns[0] * step, spot.columns[1] * step), (spot.rows[0] * step, spot.rows[1] * step)
    wide = max(u[1] - u[0], v[1] - v[0])
    words = {
        "air-bell": ("a round light spot", "lighter", "a bubble that kept the developer away (an air bell)"),
        "drying-mark": ("a round mark", "denser", "a drop that dried on the film, or a splash"),
    }[code]
    message = (
        f"{sure_words(sure).capitalize()} {words[0]} of {wide:.0f} mm, {abs(spot.peak):.2f} {words[1]} than around it; "
        f"likely {words[2]}."
    )
    place = ground.on_scan(sum(u) / 2, sum(v) / 2)
    box = ground.box_on_scan(u, v)
    return Finding(code=code, message=message, box_mm=box, size=size, sure=sure, places_mm=(place,))
