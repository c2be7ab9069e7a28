"""Rows or columns of a scan that are one single value: what a decoder, a copy or an editor has filled in.

A scan has noise wherever it is neither cut off at an end of its scale nor so dark that 8 bits hold none. Compressed
data that are lost are often filled with an even gray, over the whole width, and no checksum tells it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Warning_

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NEAR_AN_END: Final = 0.02
"""Part of full scale next to the darkest and lightest code in use within which a scan may be even by itself."""
_MOST_EVEN: Final = 0.02
"""Part of the other cells that may be even where a scan counts as noisy: fillings of a few specks."""
_ROUNDING: Final = 1e-9
_MOST_NAMED: Final = 3


def one_value_warnings(
    maps: tuple[Floats, Floats],
    edges_px: tuple[NDArray[np.int64], NDArray[np.int64]],
    edges_mm: tuple[Floats, Floats],
    table: Floats,
    histogram: NDArray[np.int64],
) -> tuple[Warning_, ...]:
    """Return the warning of full-width rows and full-height columns of one value in a noisy scan, or none.

    Parameters
    ----------
    maps
        Mean and standard deviation of the table's values in each cell; shape (rows, columns).
    edges_px, edges_mm
        Borders of the rows and of the columns of cells.
    table
        Value of each code.
    histogram
        Pixels at each code.
    """
    mean, spread = maps
    rounding = _ROUNDING * float(np.abs(table).max())
    even = spread <= rounding
    lines = [even.all(axis=axis) & (np.ptp(mean, axis=axis) <= rounding) for axis in (1, 0)]
    if not (lines[0].any() or lines[1].any()):
        return ()
    used = np.flatnonzero(histogram)
    margin = max(1.0, _NEAR_AN_END * (table.size - 1))
    middle = (np.arange(table.size) >= used[0] + margin) & (np.arange(table.size) <= used[-1] - margin)
    if not middle.any():
        return ()
    low, high = table[middle].min(), table[middle].max()
    inner = (mean >= low) & (mean <= high)
    if max(np.diff(edges).max() for edges in edges_px) == 1:
        even = _like_its_neighbours(mean, rounding)
    rest = inner & ~lines[0][:, None] & ~lines[1][None, :]
    lines = [line & inner.any(axis=axis) for line, axis in zip(lines, (1, 0), strict=True)]
    spans = [
        f"{what} from {edges[first]:.1f} to {edges[last]:.1f} mm"
        for what, line, edges in zip(("rows", "columns"), lines, edges_mm, strict=True)
        for first, last in _runs(line)
    ]
    if not spans or not rest.any() or float(even[rest].mean()) > _MOST_EVEN:
        return ()
    named = ", ".join(spans[:_MOST_NAMED]) + (", ..." if len(spans) > _MOST_NAMED else "")
    message = (
        f"Whole lines of the scan are one single value ({named}), while the rest has noise: it was damaged, or filled "
        "in. Copy it afresh or scan it again."
    )
    return (Warning_(code="area-of-one-value", message=message),)


def _like_its_neighbours(mean: Floats, rounding: float) -> NDArray[np.bool_]:
    """Tell of cells of one pixel, which have no spread, whether those to the right and below have the same value."""
    padded = np.pad(mean, ((0, 1), (0, 1)), mode="edge")
    others = (padded[:-1, 1:], padded[1:, :-1], padded[1:, 1:])
    result: NDArray[np.bool_] = np.logical_and.reduce([np.abs(other - mean) <= rounding for other in others])
    return result


def _runs(line: NDArray[Any]) -> list[tuple[int, int]]:
    """Return first and end of each run of true values."""
    steps = np.flatnonzero(np.diff(np.concatenate(([False], line, [False])).astype(np.int8)))
    return [(int(first), int(last)) for first, last in steps.reshape(-1, 2)]
