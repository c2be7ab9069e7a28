"""One pass over a scan: a map of cell means and spreads, the exact histogram, clipped pixels; and small patches.

The sums are kept as cell means and sums of squared deviations, merged block by block (Chan, Golub and LeVeque 1983,
"Algorithms for computing the sample variance", eq. 1.5), so that an even area has no false spread and the result does
not depend on how the file is cut into strips or tiles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Warning_
from densiscan.errors import MeasureError
from densiscan.scan.formats.pixels import Codes
from densiscan.scan.grain import GRAIN_BLOCK_MM, independent_pixels, noise_of_mean, without_dust
from densiscan.scan.one_value import one_value_warnings
from densiscan.scan.scan import Scan
from densiscan.scan.tally import Tally, clip_code

Edges = NDArray[np.int64]

_DUST_BLOCK_MM: Final = 0.2
_MOST_CELLS: Final = 2_000_000
_LEAST_MM: Final = 3.0
_LEAST_PX: Final = 12
"""A side of the smallest scan on which anything can be told from its surroundings."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survey:
    """A scan in small cells. All arrays are read-only; maps have the shape (rows, columns) of cells, oriented.

    Attributes
    ----------
    x_edges_px, y_edges_px
        Cell borders in oriented pixels, one more than there are columns or rows.
    px_per_mm_x, px_per_mm_y
        Resolution of the scan.
    cell_mm
        Nominal side of a cell: as asked for, or larger where that would have made more than two million cells.
    mean, sd
        Mean and population standard deviation of the table's values over the pixels of a cell.
    clipped_light, clipped_dark
        Fraction of a cell's pixels at the clip code and at code 0.
    clip_code
        Full scale; or the largest code of the scan where that is the largest of 10, 12 or 14 bits kept in 16.
    histogram
        Pixels at each code over the whole scan, exact; int64, full scale + 1 entries.
    warnings
        Of what the pixels show to be wrong with the file.
    """

    x_edges_px: Edges
    y_edges_px: Edges
    px_per_mm_x: float
    px_per_mm_y: float
    cell_mm: float
    mean: Floats
    sd: Floats
    clipped_light: NDArray[np.float32]
    clipped_dark: NDArray[np.float32]
    clip_code: int
    histogram: NDArray[np.int64]
    warnings: tuple[Warning_, ...] = ()

    def __post_init__(self) -> None:
        for name in ("x_edges_px", "y_edges_px", "mean", "sd", "clipped_light", "clipped_dark", "histogram"):
            getattr(self, name).flags.writeable = False

    @property
    def x_edges_mm(self) -> Floats:
        """Cell borders across, in millimetres."""
        return self.x_edges_px / self.px_per_mm_x

    @property
    def y_edges_mm(self) -> Floats:
        """Cell borders down, in millimetres."""
        return self.y_edges_px / self.px_per_mm_y

    @property
    def pixels(self) -> int:
        """Pixels of the whole scan."""
        return int(self.x_edges_px[-1] * self.y_edges_px[-1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellsInside:
    """The cells of a survey whose middles lie in an area.

    Attributes
    ----------
    rows, columns
        The window of cells round it.
    mask
        Which of that window lie in it.
    """

    rows: slice
    columns: slice
    mask: NDArray[np.bool_]

    def of(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return, of a map of all cells, the values of those that lie in the area, in one dimension; a copy."""
        return np.asarray(values[self.rows, self.columns][self.mask])

    def places(self, chosen: NDArray[np.bool_] | None = None) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return rows and columns of the cells in the area, or of those `chosen` among what `of` returns."""
        mask = self.mask
        if chosen is not None:
            mask = np.zeros_like(mask)
            mask[self.mask] = chosen
        rows, columns = np.nonzero(mask)
        return rows + self.rows.start, columns + self.columns.start


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """Statistics of a small part of a scan at full resolution.

    Attributes
    ----------
    mean, sd
        Mean and population standard deviation of the table's values over all pixels.
    pixels
        How many there are.
    values, counts
        The codes that occur, ascending, and how many pixels have each.
    clipped_light, clipped_dark
        Fraction of the pixels at the clip code and at code 0.
    clip_code
        Full scale; or the patch's largest code where that is the largest of 10, 12 or 14 bits kept in 16.
    independent
        How many independent pixels would give a mean as sure as this one: neighbouring pixels share light and grain.
        Never more than `clean_pixels`, at least 1. Estimated from the patch itself, see
        `survey_grain.independent_pixels`.
    mean_noise
        Standard uncertainty of the mean by grain and scanner noise, see `survey_grain.noise_of_mean`: picture or a
        gradient within the patch is none.
    clean_mean, clean_sd, clean_pixels
        The same without dust: blocks of about 0.2 mm whose mean lies more than 4 robust standard deviations from their
        median are left out, by `survey_grain.without_dust`.
    """

    mean: float
    sd: float
    pixels: int
    values: NDArray[np.int64]
    counts: NDArray[np.int64]
    clipped_light: float
    clipped_dark: float
    clip_code: int
    independent: float
    mean_noise: float
    clean_mean: float
    clean_sd: float
    clean_pixels: int

    @property
    def scatter_codes(self) -> float:
        """Standard deviation of the pixels in codes."""
        mean = np.average(self.values, weights=self.counts)
        return math.sqrt(float(np.average((self.values - mean) ** 2, weights=self.counts)))

    def __post_init__(self) -> None:
        self.values.flags.writeable = False
        self.counts.flags.writeable = False


def require_size(scan: Scan) -> None:
    """Check that a scan is large enough for something to be found and read on it.

    Raises
    ------
    MeasureError
        If it is not: a thumbnail, a sliver, or a scan with a wrong resolution.
    """
    if min(scan.width_mm, scan.height_mm) < _LEAST_MM or min(scan.width_px, scan.height_px) < _LEAST_PX:
        raise MeasureError(
            f"{scan.facts.file} is only {scan.width_mm:.1f} x {scan.height_mm:.1f} mm, {scan.width_px} x "
            f"{scan.height_px} pixels, too small to read anything on; scan it whole, or give the right resolution with "
            "--ppi."
        )


def survey(scan: Scan, *, table: Floats | None = None, cell_mm: float = 0.25) -> Survey:
    """Read a scan once.

    Parameters
    ----------
    scan
        The scan.
    table
        Value of each code, float64, full scale + 1 entries; code / full scale when None.
    cell_mm
        Nominal side of a cell; a cell has at least one pixel.

    Raises
    ------
    UnreadableScanError
        If the file turns out to be damaged.
    ValueError
        If the table has another length or the cell no size.
    """
    values = _table(scan, table)
    if not cell_mm > 0:
        message = f"a cell must have a size, not {cell_mm} mm"
        raise ValueError(message)
    cell_mm = max(cell_mm, math.sqrt(scan.width_mm * scan.height_mm / _MOST_CELLS))
    tally = Tally(
        table=values,
        x_edges=_edges(scan.width_px, cell_mm * scan.px_per_mm_x),
        y_edges=_edges(scan.height_px, cell_mm * scan.px_per_mm_y),
    )
    for part in scan.each_block(tally.summed):
        tally.add(part)
    area = tally.counts
    spread = np.sqrt(np.divide(tally.squares, area, out=tally.squares), out=tally.squares)
    edges_px = tally.y_edges, tally.x_edges
    edges_mm = tally.y_edges / scan.px_per_mm_y, tally.x_edges / scan.px_per_mm_x
    histogram = tally.histogram
    return Survey(
        x_edges_px=tally.x_edges,
        y_edges_px=tally.y_edges,
        px_per_mm_x=scan.px_per_mm_x,
        px_per_mm_y=scan.px_per_mm_y,
        cell_mm=cell_mm,
        mean=tally.mean,
        sd=spread,
        clipped_light=np.divide(tally.light, area, dtype=np.float32),
        clipped_dark=np.divide(tally.dark, area, dtype=np.float32),
        clip_code=clip_code(tally.highest, scan.facts.full_scale),
        histogram=histogram,
        warnings=one_value_warnings((tally.mean, spread), edges_px, edges_mm, values, histogram),
    )


def _table(scan: Scan, table: Floats | None) -> Floats:
    full = scan.facts.full_scale
    if table is None:
        return np.arange(full + 1) / full
    values = np.ascontiguousarray(table, dtype=np.float64)
    if values.shape != (full + 1,):
        message = f"the table must have {full + 1} entries, not the shape {values.shape}"
        raise ValueError(message)
    return values


def _edges(length: int, cell_px: float) -> Edges:
    """Return cell borders of whole pixels; a last partial cell is kept from half a cell on, else merged."""
    cell = max(1, round(cell_px))
    edges = np.arange(0, length + 1, cell, dtype=np.int64)
    rest = length - int(edges[-1])
    if rest == 0 and edges.size > 1:
        return edges
    if 2 * rest >= cell or edges.size == 1:
        return np.append(edges, length)
    edges[-1] = length
    return edges


def patch(scan: Scan, *, box_mm: tuple[float, float, float, float], table: Floats | None = None) -> Patch:
    """Measure a rectangle at full resolution.

    Parameters
    ----------
    scan
        The scan.
    box_mm
        Left, top, width, height in millimetres; what lies outside the scan is not counted.
    table
        Value of each code; code / full scale when None.

    Raises
    ------
    MeasureError
        If no pixel of the scan lies in the box.
    UnreadableScanError
        If the file turns out to be damaged.
    """
    left, top, width, height = box_mm
    first_x, last_x = _span(left, left + width, scan.px_per_mm_x, scan.width_px)
    first_y, last_y = _span(top, top + height, scan.px_per_mm_y, scan.height_px)
    if first_x >= last_x or first_y >= last_y:
        words = ",".join(f"{value:g}" for value in box_mm)
        raise MeasureError(f"The box {words} mm holds no pixel of {scan.path}; give a box inside the scan.")
    codes = scan.region(first_y, first_x, last_y - first_y, last_x - first_x)
    return _patch(scan, codes, np.ones(codes.shape, bool), _table(scan, table))


def disc(
    scan: Scan, *, x_mm: float, y_mm: float, diameter_mm: float, table: Floats | None = None, square: bool = False
) -> Patch:
    """Measure through a round (or square) aperture at full resolution.

    A pixel counts when its centre lies in the aperture; the pixel under the aperture's centre always does.

    Parameters
    ----------
    scan
        The scan.
    x_mm, y_mm
        Centre of the aperture, which must lie on the scan.
    diameter_mm
        Diameter, or side of the square.
    table
        Value of each code; code / full scale when None.
    square
        Whether the aperture is square.

    Raises
    ------
    MeasureError
        If the centre is not on the scan.
    UnreadableScanError
        If the file turns out to be damaged.
    """
    if not (0 <= x_mm < scan.width_mm and 0 <= y_mm < scan.height_mm):
        raise MeasureError(f"The spot {x_mm:g},{y_mm:g} mm is not on {scan.path}; give a spot inside the scan.")
    radius = diameter_mm / 2
    first_x, last_x = _span(x_mm - radius, x_mm + radius, scan.px_per_mm_x, scan.width_px)
    first_y, last_y = _span(y_mm - radius, y_mm + radius, scan.px_per_mm_y, scan.height_px)
    centre_x, centre_y = int(x_mm * scan.px_per_mm_x), int(y_mm * scan.px_per_mm_y)
    first_x, last_x = min(first_x, centre_x), max(last_x, centre_x + 1)
    first_y, last_y = min(first_y, centre_y), max(last_y, centre_y + 1)
    codes = scan.region(first_y, first_x, last_y - first_y, last_x - first_x)
    across = (np.arange(first_x, last_x) + 0.5) / scan.px_per_mm_x - x_mm
    down = (np.arange(first_y, last_y) + 0.5) / scan.px_per_mm_y - y_mm
    inside = np.ones(codes.shape, bool) if square else np.hypot(down[:, None], across[None, :]) <= radius
    inside[centre_y - first_y, centre_x - first_x] = True
    return _patch(scan, codes, inside, _table(scan, table))


def _span(low_mm: float, high_mm: float, px_per_mm: float, length: int) -> tuple[int, int]:
    """Return the pixels whose centres lie from low to high."""
    first = math.ceil(low_mm * px_per_mm - 0.5 - 1e-9)
    last = math.ceil(high_mm * px_per_mm - 0.5 - 1e-9)
    return max(first, 0), min(last, length)


def _patch(scan: Scan, codes: Codes, inside: NDArray[np.bool_], table: Floats) -> Patch:
    values = np.take(table, codes.astype(np.intp), mode="wrap")
    counts = np.bincount(codes[inside], minlength=scan.facts.full_scale + 1)
    occurring = np.flatnonzero(counts)
    chosen = values[inside]
    block = (max(1, round(_DUST_BLOCK_MM * scan.px_per_mm_y)), max(1, round(_DUST_BLOCK_MM * scan.px_per_mm_x)))
    middle = int(np.median(codes[inside]))
    one_code = abs(table[min(middle + 1, table.size - 1)] - table[max(middle - 1, 0)]) / 2
    clean = without_dust(values, inside, block=block, one_code=float(one_code))
    kept = values[clean]
    top = clip_code(int(occurring[-1]), scan.facts.full_scale)
    independent = independent_pixels(values, clean)
    grain = (max(1, round(GRAIN_BLOCK_MM * scan.px_per_mm_y)), max(1, round(GRAIN_BLOCK_MM * scan.px_per_mm_x)))
    return Patch(
        mean=float(chosen.mean()),
        sd=float(chosen.std()),
        pixels=chosen.size,
        values=occurring.astype(np.int64),
        counts=counts[occurring].astype(np.int64),
        clipped_light=float(counts[top] / chosen.size),
        clipped_dark=float(counts[0] / chosen.size),
        clip_code=top,
        independent=independent,
        mean_noise=min(noise_of_mean(values, inside, block=grain), float(kept.std()) / math.sqrt(independent)),
        clean_mean=float(kept.mean()),
        clean_sd=float(kept.std()),
        clean_pixels=kept.size,
    )
