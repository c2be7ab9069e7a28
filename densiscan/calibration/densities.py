"""From the codes of a scan to densities on it: the curve, the lamp's unevenness, and glare."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.arithmetic.robust import robust_spread
from densiscan.calibration.calibration import LEAST_ROUNDING, Calibration, rounding_codes
from densiscan.calibration.glare import REACHES_MM, Glare
from densiscan.calibration.lamp import LampField, evened, lamp_doubt
from densiscan.calibration.look import places_of
from densiscan.calibration.veil import Veil, freed_curve, veil_over
from densiscan.scan.apertures import cells_inside
from densiscan.scan.cells import TurnedBox
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan
from densiscan.scan.survey import Patch, Survey, disc, patch, require_size, survey

_NO_LIGHT: Final = np.zeros(len(REACHES_MM))
_LEAST_SPECKS: Final = 1e-4
"""Density below which specks are not worth a line in a budget."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light:
    """How codes become light, and light density.

    Attributes
    ----------
    curve
        The calibration; where glare is corrected, the one that gives the light at the sensor.
    lamp
        None where it is not known.
    veil
        The scattered light, of this scanner or the usual one; None where the scanner is known to scatter none.
    survey
        The whole scan as light, freed of what is corrected.
    """

    scan: Scan
    curve: Calibration
    lamp: LampField | None
    veil: Veil | None
    survey: Survey

    def of_box(self, box_mm: BoxMm, key: str) -> Quantity:
        """Return the density of a box on the scan, dust left out."""
        left, top, width, height = box_mm
        read = patch(self.scan, box_mm=box_mm, table=self.curve.table(self.scan.facts.full_scale))
        lamp = 1.0 if self.lamp is None else self.lamp.box(box_mm)
        place = left + 0.5 * width, top + 0.5 * height
        return self._of_patch(read, read.clean_mean, lamp=lamp, place=place, key=key)

    def of_spot(self, place: tuple[float, float], *, diameter_mm: float, square: bool, key: str) -> Quantity:
        """Return the density of an aperture at a place, dust included; what dust may have done to it is doubted."""
        x, y = place
        table = self.curve.table(self.scan.facts.full_scale)
        read = disc(self.scan, x_mm=x, y_mm=y, diameter_mm=diameter_mm, table=table, square=square)
        lamp = 1.0 if self.lamp is None else float(self.lamp.at(x, y))
        density = self._of_patch(read, read.mean, lamp=lamp, place=place, key=key)
        # Whether a speck is film or lies on it is not known: anything from with it to without it is equally likely.
        plain = _without_specks(read, table)
        specks = abs(math.log10(max(plain, 1e-9) / max(read.mean, 1e-9))) / math.sqrt(3.0)
        return density.with_part(Influence("specks", key), specks) if specks > _LEAST_SPECKS else density

    def of_pixel(self, density: float) -> Quantity:
        """Return the density of one pixel under the veil of the wedge: all but glare, and what grain and noise do."""
        over = _NO_LIGHT if self.veil is None else self.veil.round_wedge(density)
        one_code = self.curve.density_per_code(density)
        rounding = Influence("rounding", "pixel")
        return self._density(10.0**-density, 0.0, "pixel", over).with_part(rounding, one_code / math.sqrt(12.0))

    def _of_patch(self, read: Patch, mean: float, *, lamp: float, place: tuple[float, float], key: str) -> Quantity:
        light = mean if self.veil is None else self.veil.freed(mean, *place)
        noise = read.mean_noise / max(light, 1e-9) / math.log(10)
        over = _NO_LIGHT if self.veil is None else self.veil.at(*place)
        density = self._density(max(light / lamp, 1e-9), noise, key, over / lamp)
        return self._rounded(density, read.scatter_codes, key)

    def of_area(self, light: float, noise: float, key: str, area: TurnedBox) -> Quantity:
        """Return the density of a light read in an area, under the veil that is usual there for such a density.

        Parameters
        ----------
        light
            As the survey has it.
        noise
            Standard uncertainty of the density by noise.
        """
        return self.of_areas([(light, noise)], key, area)[0]

    def of_areas(self, read: Sequence[tuple[float, float]], key: str, area: TurnedBox) -> tuple[Quantity, ...]:
        """Return the densities of several lights, each with its noise, read in one area; see `of_area`."""
        cells = cells_inside(self.survey, area)
        if not cells.mask.any():
            return tuple(self._density(light, noise, key, _NO_LIGHT) for light, noise in read)
        relative, there = cells.of(self.survey.sd), cells.of(self.survey.mean)
        relative /= np.maximum(there, 1e-8, out=there)
        scatter = float(np.median(relative, overwrite_input=True))
        del there, relative
        densities = []
        for light, noise in read:
            density = -math.log10(max(light, 1e-8))
            over = _NO_LIGHT if self.veil is None else self.veil.near(self.survey, cells, density)
            one_code = self.curve.density_per_code(density) * math.log(10.0)
            codes = scatter / max(one_code, 1e-9)
            densities.append(self._rounded(self._density(light, noise, key, over), codes, key))
        return tuple(densities)

    def _rounded(self, density: Quantity, scatter_codes: float, key: str) -> Quantity:
        """Return a density with what whole codes leave on it, for pixels that scatter by so many codes."""
        rounding = rounding_codes(scatter_codes) * self.curve.density_per_code(density.value)
        return density.with_part(Influence("rounding", key), rounding) if rounding > LEAST_ROUNDING else density

    def _density(self, light: float, noise: float, key: str, over: npt.NDArray[np.float64]) -> Quantity:
        if self.veil is None:
            density = self.curve.quantity(light, noise, key)
        else:
            density = self.veil.quantity(self.curve, light, noise, key, over)
        # The lamp over what is read, and the lamp over the wedge, which all readings share.
        doubt = lamp_doubt(self.lamp, self.curve.findings)
        wedge = doubt / math.sqrt(places_of(self.curve.looks))
        lit = density.with_part(Influence("lamp", key), doubt).with_part(Influence("lamp", "over the wedge"), wedge)
        drift = self.curve.drift
        return lit if drift is None else lit.with_part(Influence("drift", "since the wedge was scanned"), drift)


def _without_specks(read: Patch, table: npt.NDArray[np.float64]) -> float:
    """Return the mean light of a patch without pixels that stand out from most of it: dust, pinholes, scratches."""
    light = np.repeat(table[read.values], read.counts)
    middle = float(np.median(light))
    away = np.abs(light - middle)
    # beyond four standard deviations is no noise
    return float(light[away <= max(4.0 * robust_spread(away), 1e-12)].mean())


def surveyed_light(
    scan: Scan, calibration: Calibration, *, lamp: LampField | None, glare: Glare | None, correct: bool
) -> Survey:
    """Read a scan once as light, freed of the lamp's unevenness and, where asked, of glare.

    Raises
    ------
    MeasureError
        If the scan is too small, or glare is to be corrected and what lay round the wedge is not known.
    """
    require_size(scan)
    if glare is None or not correct:
        return evened(survey(scan, table=calibration.table(scan.facts.full_scale)), lamp)
    curve = freed_curve(calibration, glare)
    seen = survey(scan, table=curve.table(scan.facts.full_scale))
    return evened(veil_over(seen, curve, glare, correct=True).freed_survey(seen), lamp)


def light_on(
    scan: Scan,
    calibration: Calibration,
    surveyed: Survey,
    *,
    lamp: LampField | None,
    glare: Glare | None,
    correct: bool,
) -> Light:
    """Return how densities are read on a scan that was read by `surveyed_light`."""
    curve = freed_curve(calibration, glare) if glare is not None and correct else calibration
    glare = glare or (None if calibration.findings is None else calibration.findings.glare)
    none = glare is not None and not any(glare.shares)
    veil = None if none else veil_over(surveyed, curve, glare, correct=correct)
    return Light(scan=scan, curve=curve, lamp=lamp, veil=veil, survey=surveyed)
