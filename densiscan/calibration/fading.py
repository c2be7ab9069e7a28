"""What a scan shows of scattered light by itself: how light fades behind the edge of something opaque on the bed.

A mask, a holder or black card lets no light through. What is read in it is a constant, and light scattered from bright
places near by; how it fades with distance tells how much of each reach.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.regions import parts_of
from densiscan.arithmetic.robust import robust_spread
from densiscan.calibration.glare import REACHES_MM, USUAL_SCATTERING, Scattering, spread

BoxMm = tuple[float, float, float, float]

_BLACK: Final = 0.03
"""Light, bare glass 1, below which a place may be opaque: 1 % of glare and the darkest of what a table tells."""
_LIT: Final = 0.1
_BESIDE_MM: Final = 1.5
"""From what is lit on, and round a wedge: nearer there is the blur of the lens, and the film's own edge."""
_NEAR: Final = 0.02
"""Of a Gaussian of half the distance, beyond two standard deviations from a straight edge."""
_SMALLEST_MM2: Final = 150.0
_APART_MM: Final = 5.0
"""Distance from which two places tell different things of the same light."""
_SHAPE: Final = 0.1
"""Part of the scattered light that no sum of our reaches makes (common practice)."""
TABLE_DOUBT: Final = 0.15
"""Part of the scattered light that is in doubt because a table is less sure of a little light, and goes on below the
densest step."""
_MOST_AT_END: Final = 0.01
"""Share of the black at code 0 from which it hides what is scattered onto it."""
_FLOOR: Final = 2e-5
"""Light that black differs by from place to place for other reasons: dust, and rounding."""


def shown_by_black(
    light: Floats, wedge_mm: BoxMm, *, cell_mm: tuple[float, float], at_end: Floats | None = None
) -> Scattering | None:
    """Return what the black on a scan shows of scattered light; None where there is no black to speak of.

    Parameters
    ----------
    light
        Over the whole scan, bare glass about 1, shape (rows, columns).
    wedge_mm
        Where the wedge lies (left, top, width, height): its dense steps are not opaque.
    cell_mm
        Height and width of a cell.
    at_end
        Share of each cell that is at the dark end of the scale, where light fades unseen; shape of `light`.
    """
    black = _black(light, wedge_mm, cell_mm)
    if black is None or (at_end is not None and float(at_end[black].mean()) > _MOST_AT_END):
        return None
    maps = np.array([spread(np.maximum(light, 0.0), reach, cell_mm=cell_mm)[black] for reach in REACHES_MM]).T
    seen = light[black]
    expected, covariance = np.array(USUAL_SCATTERING.expected), USUAL_SCATTERING.covariance
    design = np.column_stack((np.ones(seen.size), maps))
    before = np.zeros((design.shape[1],) * 2)
    before[1:, 1:] = np.linalg.inv(covariance)
    usual = np.concatenate(([0.0], expected))
    told = min(cell_mm[0] * cell_mm[1] / _APART_MM**2, 1.0)
    found = usual
    kept = np.ones(seen.size, dtype=bool)
    for _ in range(4):
        veil = np.maximum(maps @ found[1:], 0.0)
        weight = np.where(kept, told / (_FLOOR**2 + (_SHAPE * veil) ** 2), 0.0)
        after = np.linalg.inv((design.T * weight) @ design + before)
        found = after @ ((design.T * weight) @ seen + before @ usual)
        rest = np.abs(seen - design @ found)
        kept = rest <= max(5.0 * robust_spread(rest), _FLOOR)
    shares = found[1:]
    return Scattering.of(
        shares, np.asarray(after[1:, 1:] + TABLE_DOUBT**2 * np.outer(shares, shares), dtype=np.float64)
    )


def _black(light: Floats, wedge_mm: BoxMm, cell_mm: tuple[float, float]) -> npt.NDArray[np.bool_] | None:
    """Return the cells of the largest opaque part, away from all that is lit; None where there is none."""
    rows, columns = light.shape
    y = (np.arange(rows) + 0.5) * cell_mm[0]
    x = (np.arange(columns) + 0.5) * cell_mm[1]
    left, top, width, height = wedge_mm
    over = ((y >= top - _BESIDE_MM) & (y <= top + height + _BESIDE_MM))[:, None] & (
        (x >= left - _BESIDE_MM) & (x <= left + width + _BESIDE_MM)
    )[None, :]
    bright = spread((light > _LIT).astype(float), 0.5 * _BESIDE_MM, cell_mm=cell_mm) > _NEAR
    dark = (light < _BLACK) & ~over & ~bright
    parts = parts_of(dark) if dark.any() else []
    if not parts or parts[0].size * cell_mm[0] * cell_mm[1] < _SMALLEST_MM2:
        return None
    black = np.zeros(light.shape, dtype=bool)
    black.flat[parts[0]] = True
    return black
