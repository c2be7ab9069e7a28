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

from densiscan.errors import MeasureError
from densiscan.scan import Scan
from densiscan.scan_pixels import Codes

Reals = NDArray[np.float64]

_STEP_PIXELS: Final = 300_000
"""Pixels taken through the table at once: their indices and values stay in the processor's cache."""

_DUST_BLOCK_MM: Final = 0.2
_DUST_LIMIT: Final = 4.0
_NORMAL_MAD: Final = 1.4826
_FEWEST_BLOCKS: Final = 9
_LARGEST_CORRELATED: Final = 256
_LONGEST_LAG: Final = 24


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
        Nominal cell size.
    mean, sd
        Mean and population standard deviation of the table's values over the pixels of a cell.
    clipped_light, clipped_dark
        Fraction of a cell's pixels at full scale and at code 0.
    histogram
        Pixels at each code over the whole scan, exact; int64, full scale + 1 entries.
    """

    x_edges_px: NDArray[np.int64]
    y_edges_px: NDArray[np.int64]
    px_per_mm_x: float
    px_per_mm_y: float
    cell_mm: float
    mean: Reals
    sd: Reals
    clipped_light: NDArray[np.float32]
    clipped_dark: NDArray[np.float32]
    histogram: NDArray[np.int64]

    def __post_init__(self) -> None:
        for name in ("x_edges_px", "y_edges_px", "mean", "sd", "clipped_light", "clipped_dark", "histogram"):
            getattr(self, name).flags.writeable = False

    @property
    def x_edges_mm(self) -> Reals:
        """Cell borders across, in millimetres."""
        return self.x_edges_px / self.px_per_mm_x

    @property
    def y_edges_mm(self) -> Reals:
        """Cell borders down, in millimetres."""
        return self.y_edges_px / self.px_per_mm_y

    @property
    def pixels(self) -> int:
        """Pixels of the whole scan."""
        return int(self.x_edges_px[-1] * self.y_edges_px[-1])


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
        Fraction of the pixels at full scale and at code 0.
    independent
        How many independent pixels would give a mean as sure as this one: neighbouring pixels share light and grain.
        Never more than `clean_pixels`, at least 1.
    clean_mean, clean_sd, clean_pixels
        The same without dust: blocks of about 0.2 mm whose mean lies more than 4 robust standard deviations (1.4826
        times the median absolute deviation of the block means) from their median are left out.
    """

    mean: float
    sd: float
    pixels: int
    values: NDArray[np.int64]
    counts: NDArray[np.int64]
    clipped_light: float
    clipped_dark: float
    independent: float
    clean_mean: float
    clean_sd: float
    clean_pixels: int


def survey(scan: Scan, *, table: Reals | None = None, cell_mm: float = 0.25) -> Survey:
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
    tally = _Tally(
        table=values,
        x_edges=_edges(scan.width_px, cell_mm * scan.px_per_mm_x),
        y_edges=_edges(scan.height_px, cell_mm * scan.px_per_mm_y),
    )
    for block in scan.blocks():
        tally.add(block.top, block.left, block.codes)
    area = tally.counts
    return Survey(
        x_edges_px=tally.x_edges,
        y_edges_px=tally.y_edges,
        px_per_mm_x=scan.px_per_mm_x,
        px_per_mm_y=scan.px_per_mm_y,
        cell_mm=cell_mm,
        mean=tally.mean,
        sd=np.sqrt(tally.squares / area),
        clipped_light=(tally.light / area).astype(np.float32),
        clipped_dark=(tally.dark / area).astype(np.float32),
        histogram=tally.histogram,
    )


def _table(scan: Scan, table: Reals | None) -> Reals:
    full = scan.facts.full_scale
    if table is None:
        return np.arange(full + 1) / full
    values = np.ascontiguousarray(table, dtype=np.float64)
    if values.shape != (full + 1,):
        message = f"the table must have {full + 1} entries, not the shape {values.shape}"
        raise ValueError(message)
    return values


def _edges(length: int, cell_px: float) -> NDArray[np.int64]:
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


class _Tally:
    """Running sums of one survey."""

    def __init__(self, *, table: Reals, x_edges: NDArray[np.int64], y_edges: NDArray[np.int64]) -> None:
        self.table, self.x_edges, self.y_edges = table, x_edges, y_edges
        shape = (y_edges.size - 1, x_edges.size - 1)
        self.counts = np.zeros(shape)
        self.mean = np.zeros(shape)
        self.squares = np.zeros(shape)
        self.light = np.zeros(shape)
        self.dark = np.zeros(shape)
        self.histogram = np.zeros(table.size, np.int64)
        self._index = np.empty(0, np.intp)
        self._values = np.empty(0)

    def add(self, top: int, left: int, codes: Codes) -> None:
        """Add one block of oriented codes."""
        if abs(codes.strides[0]) < abs(codes.strides[1]):
            axes = (self.x_edges, self.y_edges)
            self._add(left, top, codes.T, axes, transposed=True)
        else:
            self._add(top, left, codes, (self.y_edges, self.x_edges), transposed=False)

    def _add(
        self, top: int, left: int, codes: Codes, axes: tuple[NDArray[np.int64], NDArray[np.int64]], *, transposed: bool
    ) -> None:
        height, width = codes.shape
        columns, starts = _cut(axes[1], left, left + width)
        widths = np.diff(np.append(starts, width))
        step = max(1, _STEP_PIXELS // width)
        for first in range(0, height, step):
            part = codes[first : first + step]
            values, seen = self._looked_up(part)
            rows, begins = _cut(axes[0], top + first, top + first + part.shape[0])
            ends = np.append(begins[1:], part.shape[0])
            for row, begin, end in zip(range(rows.start, rows.stop), begins, ends, strict=True):
                self._merge(_place(row, columns, transposed=transposed), values[begin:end], starts, widths)
                for code, counts in ((self.table.size - 1, self.light), (0, self.dark)):
                    if seen[code]:
                        hits = np.add.reduce(part[begin:end] == code, axis=0, dtype=np.intp)
                        counts[_place(row, columns, transposed=transposed)] += np.add.reduceat(hits, starts)

    def _looked_up(self, part: Codes) -> tuple[Reals, NDArray[np.intp]]:
        """Return the table's values of some codes (valid until the next call) and their histogram."""
        size = part.size
        if self._index.size < size:
            self._index, self._values = np.empty(size, np.intp), np.empty(size)
        index = self._index[:size]
        np.copyto(index.reshape(part.shape), part)
        values = np.take(self.table, index, out=self._values[:size], mode="wrap")
        seen = np.bincount(index, minlength=self.table.size)
        self.histogram += seen
        return values.reshape(part.shape), seen

    def _merge(self, place: Any, values: Reals, starts: NDArray[np.intp], widths: NDArray[np.intp]) -> None:
        """Merge rows that lie in one row of cells; `values` is spoilt."""
        number = values.shape[0] * widths
        mean = np.add.reduceat(np.add.reduce(values, axis=0), starts) / number
        values -= np.repeat(mean, widths)
        squares = np.add.reduceat(np.einsum("ij,ij->j", values, values), starts)
        before = self.counts[place]
        total = before + number
        gap = mean - self.mean[place]
        self.mean[place] += gap * (number / total)
        self.squares[place] += squares + gap * gap * (before * number / total)
        self.counts[place] = total


def _cut(edges: NDArray[np.int64], first: int, last: int) -> tuple[slice, NDArray[np.intp]]:
    """Return which cells the pixels from first to last touch, and where each begins, counted from first."""
    begin = int(np.searchsorted(edges, first, side="right")) - 1
    end = int(np.searchsorted(edges, last, side="left"))
    return slice(begin, end), np.maximum(edges[begin:end] - first, 0)


def _place(row: int, columns: slice, *, transposed: bool) -> tuple[Any, Any]:
    return (columns, row) if transposed else (row, columns)


def patch(scan: Scan, *, box_mm: tuple[float, float, float, float], table: Reals | None = None) -> Patch:
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
    scan: Scan, *, x_mm: float, y_mm: float, diameter_mm: float, table: Reals | None = None, square: bool = False
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


def _patch(scan: Scan, codes: Codes, inside: NDArray[np.bool_], table: Reals) -> Patch:
    values = np.take(table, codes.astype(np.intp), mode="wrap")
    counts = np.bincount(codes[inside])
    occurring = np.flatnonzero(counts)
    pixels = int(inside.sum())
    chosen = values[inside]
    clean = _without_dust(scan, codes, values, inside, table)
    kept = values[clean]
    return Patch(
        mean=float(chosen.mean()),
        sd=float(chosen.std()),
        pixels=pixels,
        values=occurring.astype(np.int64),
        counts=counts[occurring].astype(np.int64),
        clipped_light=float(counts[scan.facts.full_scale] / pixels) if counts.size > scan.facts.full_scale else 0.0,
        clipped_dark=float(counts[0] / pixels),
        independent=independent_pixels(values, clean),
        clean_mean=float(kept.mean()),
        clean_sd=float(kept.std()),
        clean_pixels=int(kept.size),
    )


def _without_dust(
    scan: Scan, codes: Codes, values: Reals, inside: NDArray[np.bool_], table: Reals
) -> NDArray[np.bool_]:
    """Return the pixels inside that do not lie in a block of outlying mean."""
    high = max(1, round(_DUST_BLOCK_MM * scan.px_per_mm_y))
    wide = max(1, round(_DUST_BLOCK_MM * scan.px_per_mm_x))
    rows, columns = np.arange(0, codes.shape[0], high), np.arange(0, codes.shape[1], wide)
    number = _block_sums(inside.astype(np.float64), rows, columns)
    sums = _block_sums(np.where(inside, values, 0.0), rows, columns)
    used = number > 0
    if np.count_nonzero(used) < _FEWEST_BLOCKS:
        return inside
    mean = np.divide(sums, number, out=np.zeros_like(sums), where=used)
    weighty = number >= 0.5 * number.max()
    centre = float(np.median(mean[weighty]))
    spread = _NORMAL_MAD * float(np.median(np.abs(mean[weighty] - centre)))
    code = int(np.median(codes[inside]))
    one_code = abs(float(table[min(code + 1, table.size - 1)] - table[max(code - 1, 0)])) / 2
    # A block with fewer pixels (cut by the aperture's edge) scatters more; a code is the least that can be told apart.
    limit = np.maximum(_DUST_LIMIT * spread * np.sqrt(number.max() / np.maximum(number, 1)), one_code)
    good = np.abs(mean - centre) <= limit
    row_of, column_of = np.arange(codes.shape[0]) // high, np.arange(codes.shape[1]) // wide
    clean: NDArray[np.bool_] = inside & good[row_of[:, None], column_of[None, :]]
    return clean if clean.any() else inside


def _block_sums(values: Reals, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Reals:
    sums: Reals = np.add.reduceat(np.add.reduceat(values, rows, axis=0), columns, axis=1)
    return sums


def independent_pixels(values: Reals, used: NDArray[np.bool_]) -> float:
    """Estimate how many independent pixels a patch has.

    The variance of a mean over n pixels of stationary noise is s^2/n times the sum of its autocorrelation over all
    lags. That sum is taken over growing square rings of lags, after a plane is removed, until a ring adds nothing
    positive: later rings hold only the noise of the estimate.

    Parameters
    ----------
    values
        Two-dimensional patch.
    used
        Which of its pixels count; at least one.

    Returns
    -------
    float
        From 1 to the number of used pixels.
    """
    total = int(used.sum())
    crop = tuple(
        slice((n - min(n, _LARGEST_CORRELATED)) // 2, (n + min(n, _LARGEST_CORRELATED)) // 2) for n in values.shape
    )
    part, mask = values[crop], used[crop]
    if mask.sum() < 16:
        return float(total)
    rest = _without_plane(part, mask)
    if not rest.any():
        return float(total)
    longest = min(_LONGEST_LAG, min(part.shape) // 3)
    covariance, pairs = _lags(rest, longest), _lags(mask.astype(np.float64), longest)
    correlation = np.where(pairs > 0.5, covariance / np.maximum(pairs, 1.0), 0.0)
    correlation /= correlation[longest, longest]
    factor = 1.0
    for reach in range(1, longest + 1):
        inner = correlation[longest - reach : longest + reach + 1, longest - reach : longest + reach + 1]
        ring = float(inner.sum()) - factor
        if ring <= 0:
            break
        factor += ring
    return min(max(total / factor, 1.0), float(total))


def _without_plane(part: Reals, mask: NDArray[np.bool_]) -> Reals:
    rows, columns = np.indices(part.shape)
    design = np.stack([np.ones(int(mask.sum())), rows[mask], columns[mask]], axis=1).astype(np.float64)
    centre = float(part[mask].mean())
    fit = np.linalg.lstsq(design, part[mask] - centre, rcond=None)[0]
    rest = np.zeros(part.shape)
    rest[mask] = part[mask] - centre - design @ fit
    return rest


def _lags(values: Reals, longest: int) -> Reals:
    """Return the sums of products at all lags up to the longest, both ways; the middle is lag zero."""
    shape = tuple(n + longest for n in values.shape)
    power = np.abs(np.fft.rfft2(values, shape)) ** 2
    whole = np.fft.irfft2(power, shape)
    return np.roll(whole, (longest, longest), axis=(0, 1))[: 2 * longest + 1, : 2 * longest + 1]
