"""What the scan of an empty bed tells of a scanner: evenness of the lamp, dust, banding, clipped light."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Warning_
from densiscan.arithmetic.regions import parts_of
from densiscan.arithmetic.robust import robust_spread
from densiscan.calibration.lamp import MOST_CLIPPED, Bed, Curve, Surface, plausible_lamp, smooth_surface
from densiscan.errors import MeasureError
from densiscan.scan.scan import Scan

Mask = npt.NDArray[np.bool_]
Table = Floats

UNEVEN: Final = 0.04
"""Darkest to brightest, fraction of the light, from which the lamp is called uneven: 0.017 in density."""
BANDED: Final = 0.002
"""Standard deviation from row to row or column to column that shows in an even sky: 0.001 in density."""
_MUCH_DUST: Final = 1.0
"""Specks a square centimetre."""
_SPECK_LIMIT: Final = 6.0
_LEAST_SPECK: Final = 0.01
_NOT_EMPTY: Final = 0.03
_DARK: Final = 0.1
_LEAST_LIGHT: Final = 0.01
"""Of the median: less is no lamp but something on the bed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BedPlace:
    """A place on the bed, mm from its top left corner, and its light relative to the mean."""

    x_mm: float
    y_mm: float
    light: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BedCheck:
    """What the empty bed tells.

    Attributes
    ----------
    unevenness
        Brightest less darkest place of the smooth surface over its mean, fraction of the light; None where the bed is
        clipped and tells nothing.
    unevenness_density
        The same as a density: log10 of brightest over darkest.
    standard
        Standard deviation over the bed as a density (k = 1): what a reading at some place is doubted by.
    specks
        Dark specks seen, dust or scratches; `specks_per_cm2` by area.
    rows, columns
        Standard deviation from row to row (bands across) and from column to column (streaks down), fraction of the
        light, noise taken off.
    in_light
        Whether a calibration turned signal into light; otherwise the signal is taken as light.
    """

    file: str
    clipped: float
    unevenness: float | None
    unevenness_density: float | None
    standard: float | None
    darkest: BedPlace | None
    brightest: BedPlace | None
    specks: int | None
    specks_per_cm2: float | None
    rows: float | None
    columns: float | None
    in_light: bool
    warnings: tuple[Warning_, ...] = ()

    @property
    def signal_taken_as_light(self) -> bool:
        """Whether no calibration turned the signal into light."""
        return not self.in_light


def bed_check(scan: Scan, bed: Bed, *, curve: Curve | None = None, inverted: bool = False) -> BedCheck:
    """Judge a scanner by the scan of its empty bed.

    Parameters
    ----------
    scan
        Of the bed.
    bed
        The same scan as `read_bed` reads it.
    curve
        A calibration of the same scanner and settings; without it the signal is taken as light.
    inverted
        Whether bright is dark on the scan; with a curve it says so itself.

    Raises
    ------
    MeasureError
        If the scan is black, or differs more from place to place than any lamp does: something lies on the bed.
    UnreadableScanError
        If the file turns out to be damaged.
    """
    inverted = inverted if curve is None else curve.inverted
    clipped = bed.clipped(inverted=inverted)
    if clipped > MOST_CLIPPED:
        return _nothing(bed, clipped, in_light=curve is not None)
    table = _table(bed, curve, inverted=inverted)
    light = _looked_up(bed.signal, table)
    middle = float(np.median(light))
    if middle <= 0.0:
        raise MeasureError(
            f"{bed.facts.file} is black, not an empty bed; if clear film is dark on these scans, say --inverted."
        )
    if not plausible_lamp(light / middle):
        raise MeasureError(
            f"{bed.facts.file} is not an empty bed: it varies more than any lamp does, as with film or a mask on the "
            "glass. Take everything off the glass and scan again."
        )
    surface = smooth_surface(bed.x_mm, bed.y_mm, light / middle, (bed.width_mm, bed.height_mm))
    edges = bed.survey.x_edges_mm, bed.survey.y_edges_mm
    x, y = (0.5 * (edge[:-1] + edge[1:]) for edge in edges)
    smooth = np.maximum(surface.at(x, y), _LEAST_LIGHT)
    rest = _looked_up(bed.survey.mean, table) / middle / smooth - 1.0
    dusty = _dusty(rest)
    specks = count_parts(dusty)
    area_cm2 = 0.01 * bed.width_mm * bed.height_mm
    rows, columns = _banding(scan, bed, table / middle, expected=smooth, clean=~_grown(dusty))
    mean = float(smooth.mean())
    unevenness = float(np.ptp(smooth)) / mean
    found = BedCheck(
        file=bed.facts.file,
        clipped=clipped,
        unevenness=unevenness,
        unevenness_density=math.log10(float(smooth.max()) / float(smooth.min())) if smooth.min() > 0.0 else None,
        standard=float(smooth.std()) / mean / math.log(10.0),
        darkest=_place(smooth, x, y, int(smooth.argmin())),
        brightest=_place(smooth, x, y, int(smooth.argmax())),
        specks=specks,
        specks_per_cm2=specks / area_cm2,
        rows=rows,
        columns=columns,
        in_light=curve is not None,
        warnings=_warnings(bed, surface, inverted=inverted, told=curve is not None),
    )
    return _judged(found)


def _nothing(bed: Bed, clipped: float, *, in_light: bool) -> BedCheck:
    told = Warning_(
        code="bed-clipped",
        message=f"{100 * clipped:.0f} % of the empty bed is at the end of the scanner's scale, so neither lamp "
        "nor dust can be judged; lower the exposure until bare glass is below white.",
    )
    return BedCheck(
        file=bed.facts.file,
        clipped=clipped,
        unevenness=None,
        unevenness_density=None,
        standard=None,
        darkest=None,
        brightest=None,
        specks=None,
        specks_per_cm2=None,
        rows=None,
        columns=None,
        in_light=in_light,
        warnings=(told,),
    )


def _table(bed: Bed, curve: Curve | None, *, inverted: bool) -> Table:
    full = bed.facts.full_scale
    if curve is not None:
        return curve.table(full)
    signal = np.arange(full + 1) / full
    return 1.0 - signal if inverted else signal


def _looked_up(signal: Floats, table: Table) -> Floats:
    full = table.size - 1
    return np.interp(signal * full, np.arange(full + 1), table)


def _place(smooth: Floats, x: Floats, y: Floats, flat: int) -> BedPlace:
    row, column = divmod(flat, x.size)
    return BedPlace(x_mm=float(x[column]), y_mm=float(y[row]), light=float(smooth[row, column] / smooth.mean()))


def _dusty(rest: Floats) -> Mask:
    """Return the cells that are darker than the lamp, rows and columns explain."""
    alone = rest - np.median(rest, axis=1, keepdims=True)
    alone -= np.median(alone, axis=0, keepdims=True)
    spread = robust_spread(alone)
    dusty: Mask = alone < -max(_SPECK_LIMIT * spread, _LEAST_SPECK)
    return dusty


def _grown(mask: Mask) -> Mask:
    """Return the mask with every cell beside it."""
    padded = np.pad(mask, 1)
    grown = np.zeros_like(mask)
    rows, columns = mask.shape
    for row in range(3):
        for column in range(3):
            grown |= padded[row : row + rows, column : column + columns]
    return grown


def count_parts(mask: Mask) -> int:
    """Return how many connected parts a mask has."""
    return len(parts_of(mask))


def _banding(scan: Scan, bed: Bed, table: Table, *, expected: Floats, clean: Mask) -> tuple[float, float]:
    """Return the standard deviations of row and column means of light over the smooth surface, noise taken off."""
    row_cell = np.repeat(np.arange(clean.shape[0]), np.diff(bed.survey.y_edges_px))
    column_cell = np.repeat(np.arange(clean.shape[1]), np.diff(bed.survey.x_edges_px))
    weight = np.where(clean, 1.0 / expected, 0.0)
    sums = np.zeros(row_cell.size), np.zeros(column_cell.size)
    counts = np.zeros(row_cell.size), np.zeros(column_cell.size)
    squares, pixels = 0.0, 0.0
    for block in scan.blocks():
        height, width = block.codes.shape
        rows = slice(block.top, block.top + height)
        columns = slice(block.left, block.left + width)
        place = np.ix_(row_cell[rows], column_cell[columns])
        used = clean[place]
        rest = np.where(used, np.take(table, block.codes.astype(np.intp)) * weight[place] - 1.0, 0.0)
        for axis, part in ((1, rows), (0, columns)):
            sums[1 - axis][part] += rest.sum(axis=axis)
            counts[1 - axis][part] += used.sum(axis=axis)
        squares += float((rest * rest).sum())
        pixels += float(used.sum())
    if pixels == 0.0:
        return 0.0, 0.0
    spreads = []
    for total, number in zip(sums, counts, strict=True):
        seen = number > 0.25 * number.max()
        means = total[seen] / number[seen]
        noise = squares / pixels / float(number[seen].mean())
        spreads.append(math.sqrt(max(float(means.var()) - noise, 0.0)))
    return spreads[0], spreads[1]


def _warnings(bed: Bed, surface: Surface, *, inverted: bool, told: bool) -> tuple[Warning_, ...]:
    warnings = []
    if surface.outlying > _NOT_EMPTY:
        warnings.append(
            Warning_(
                code="bed-not-empty",
                message="Something seems to lie on the bed; take everything off the glass and scan it again.",
            )
        )
    level = float(np.median(bed.signal))
    if not told and (1.0 - level if inverted else level) < _DARK:
        warnings.append(
            Warning_(
                code="bed-dark",
                message="The empty bed is nearly black; if clear film is dark on these scans, say --inverted, "
                "otherwise raise the exposure.",
            )
        )
    return tuple(warnings)


def _judged(found: BedCheck) -> BedCheck:
    """Return the result with what is to be said of its figures."""
    told = list(found.warnings)
    if found.unevenness is not None and found.unevenness > UNEVEN:
        told.append(
            Warning_(
                code="lamp-uneven",
                message=f"The lamp is uneven by {100 * found.unevenness:.1f} %; let it warm up for 15 to 20 minutes, "
                "and give this scan with --empty-bed when calibrating and measuring.",
            )
        )
    if found.specks_per_cm2 is not None and found.specks_per_cm2 > _MUCH_DUST:
        told.append(
            Warning_(
                code="dust-on-bed",
                message=f"{found.specks} specks lie on the glass; clean it with a lint-free cloth before scanning.",
            )
        )
    if max(found.rows or 0.0, found.columns or 0.0) > BANDED:
        told.append(
            Warning_(
                code="banding",
                message="Rows or columns of the scan differ in brightness; let the lamp warm up, and clean the "
                "calibration strip of the glass.",
            )
        )
    return replace(found, warnings=tuple(told))
