"""A whole scan as optical density, pixel by pixel, in a TIFF file that any program of the field reads.

Written block by block as the scan is read, so that a large scan takes no more memory than a small one.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.quantity import COVERAGE_FACTOR
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.densities import light_on, surveyed_light
from densiscan.calibration.glare import Glare
from densiscan.calibration.veil import GlareSource, Veil
from densiscan.scan.same_size import Sheet, write_sheets
from densiscan.scan.scan import Block, Scan

Densities = npt.NDArray[np.float32]

_STEP: Final = 0.01
"""Density from one to the next at which the uncertainty is worked out; between them it runs straight."""


def density_table(calibration: Calibration, full_scale: int) -> Densities:
    """Return the density of each code 0 to full_scale, shape (full_scale + 1,); NaN beyond the calibration's range."""
    return calibration.density(np.arange(full_scale + 1) / full_scale).astype(np.float32)


def density_map(scan: Scan, calibration: Calibration) -> Densities:
    """Return the density of each pixel of a scan, shape (rows, columns), NaN beyond the calibration's range.

    Parameters
    ----------
    scan
        Read by the calibration's channel, and scanned as its wedge was.

    Raises
    ------
    UnreadableScanError
        If the file turns out to be damaged.

    Examples
    --------
    >>> densities = density_map(open_scan("normal.tif"), read_calibration("mine.json"))
    >>> densities.shape, round(float(np.nanmedian(densities)), 2)
    ((850, 1157), 0.82)
    """
    whole = np.empty((scan.height_px, scan.width_px), np.float32)
    table = density_table(calibration, scan.facts.full_scale)
    for block, density in scan.each_block(lambda block: (block, np.take(table, block.codes, mode="clip"))):
        rows, columns = density.shape
        whole[block.top : block.top + rows, block.left : block.left + columns] = density
    return whole


def write_density_map(
    scan: Scan,
    calibration: Calibration,
    path: str | os.PathLike[str],
    *,
    uncertainty: bool = False,
    glare: Glare | None = None,
    beyond: float = math.nan,
) -> dict[str, Any]:
    """Write the density of each pixel as 32-bit floating point TIFF, whole or not at all; return what it says.

    Of the scan's own size and resolution, turned as its orientation tag says; the description names the unit, the
    calibration and its range.

    Parameters
    ----------
    uncertainty
        Whether a second picture has the expanded uncertainty (k = 2) of each density: of the calibration, the lamp, the
        scattered light, of which nothing is taken off here, and a code's rounding. Grain and noise are in the pixels
        themselves.
    glare
        The scanner's, for the uncertainty; the usual one where it is None and the calibration has none.
    beyond
        What stands in all pictures where the calibration does not reach.

    Raises
    ------
    UnreadableScanError
        If the scan turns out to be damaged.
    MeasureError
        If the scan is too small for its scattered light to be reckoned.
    DensiscanError
        If the file cannot be written.

    Examples
    --------
    >>> told = write_density_map(open_scan("normal.tif"), read_calibration("mine.json"), "normal-density.tif")
    >>> told["quantity"], told["ppi"]
    ('optical density, -log10 of transmittance', [300.0, 300.0])
    """
    table = density_table(calibration, scan.facts.full_scale)
    kept = np.where(np.isnan(table), np.float32(beyond), table)
    doubt = _doubt(scan, calibration, table, glare) if uncertainty else None

    def work(block: Block) -> tuple[Densities, ...]:
        if doubt is None:
            return (np.take(kept, block.codes, mode="clip"),)
        codes = block.codes.astype(np.intp)
        spread = doubt.of(codes, block.top, block.left)
        if not math.isnan(beyond):
            spread[np.isnan(spread)] = beyond
        return kept[codes], spread

    told = _told(scan, calibration, uncertainty=uncertainty, beyond=beyond)
    sheets = [Sheet(sample=np.float32, told=told, between=calibration.density_range)]
    if uncertainty:
        what = f"expanded uncertainty (k = 2) of the {told['quantity']}"
        sheets.append(Sheet(sample=np.float32, told={**told, "quantity": what}))
    write_sheets(scan, sheets, work, path, what="the map")
    return told


def _told(scan: Scan, calibration: Calibration, *, uncertainty: bool, beyond: float) -> dict[str, Any]:
    light = "reflectance" if calibration.mode == "reflection" else "transmittance"
    return {
        "format": "densiscan.map/1",
        "quantity": f"optical density, -log10 of {light}",
        "scan": scan.facts.file,
        "calibration": calibration.name,
        "calibrated": calibration.created,
        "channel": calibration.channel,
        "density_range": list(calibration.density_range),
        "beyond": "NaN" if math.isnan(beyond) else beyond,
        "pages": ["density", "uncertainty"] if uncertainty else ["density"],
        "pixels": [scan.width_px, scan.height_px],
        "ppi": [scan.ppi_x, scan.ppi_y],
    }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Doubt:
    """What makes the uncertainty of a pixel: by its code, and by where it lies.

    Attributes
    ----------
    variance
        Of the density of each code, by all but glare (k = 1).
    per_light
        One over the light of each code.
    sources
        What glare does, each with the veil that the density of each code had on the wedge as a part of its light.
    """

    scan: Scan
    veil: Veil | None
    variance: Densities
    per_light: Densities
    sources: tuple[tuple[GlareSource, Densities], ...]

    def of(self, codes: npt.NDArray[np.intp], top: int, left: int) -> Densities:
        """Return the expanded uncertainty (k = 2) of the pixels of a block; NaN beyond the calibration's range."""
        variance = self.variance[codes]
        if self.veil is not None:
            rows, columns = codes.shape
            x = (left + np.arange(columns, dtype=np.float64) + 0.5) / self.scan.px_per_mm_x
            y = (top + np.arange(rows, dtype=np.float64) + 0.5) / self.scan.px_per_mm_y
            for source, of_wedge in self.sources:
                excess = self.veil.over_pixels(x, y, source.shares)
                excess *= self.per_light[codes]
                excess -= of_wedge[codes]
                glare = source.doubt(excess)
                glare *= glare
                variance += glare
        np.sqrt(variance, out=variance)
        variance *= COVERAGE_FACTOR
        return variance


def _doubt(scan: Scan, calibration: Calibration, table: Densities, glare: Glare | None) -> _Doubt:
    surveyed = surveyed_light(scan, calibration, lamp=None, glare=glare, correct=False)
    light = light_on(scan, calibration, surveyed, lamp=None, glare=glare, correct=False)
    low, high = calibration.density_range
    places = np.linspace(low, high, max(2, math.ceil((high - low) / _STEP) + 1))
    standard = np.array([light.of_pixel(place).standard_uncertainty or 0.0 for place in places.tolist()])
    veil, per_light = light.veil, 10.0**table
    round_wedge = None if veil is None else veil.round_wedge(table)
    return _Doubt(
        scan=scan,
        veil=veil,
        variance=np.where(np.isnan(table), np.nan, np.interp(table, places, standard) ** 2).astype(np.float32),
        per_light=per_light,
        sources=()
        if veil is None or round_wedge is None
        else tuple(
            (one, (one.shares @ round_wedge * per_light).astype(np.float32)) for one in veil.sources(calibration)
        ),
    )
