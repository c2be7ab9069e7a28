"""A scan of a negative as the print that a paper makes of it, pixel by pixel, in a TIFF file.

How tones are reckoned: docs/method-paper.md.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.calibration.calibration import Calibration
from densiscan.errors import MeasureError
from densiscan.files.gray_profile import encoded, gray_profile
from densiscan.paper.curve import FIRST_TONE, FULL_SHADOW, PaperCurve, curve_through
from densiscan.paper.exposure import NegativeEnds, Printing
from densiscan.paper.tested_range import PaperTest
from densiscan.scan.same_size import Sheet, write_sheets
from densiscan.scan.scan import Scan

USUAL_BASE: Final = 0.06
USUAL_NET_BLACK: Final = 1.75
"""White of a paper, and its black above that, where it was not tested (common practice: 1.4 to 1.7 matt, to 2.1
glossy)."""
_FULL: Final = 65535
_LEAST_LIGHT: Final = 1e-8
_POINTS: Final = 81


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PositiveAim:
    """The paper of a positive, and the exposure that places a negative on it.

    Attributes
    ----------
    paper
        What it is called.
    curve
        Of the paper.
    density, log_exposure
        A density of the negative, and the log exposure that it gives on the paper.
    factor
        How much denser silver looks in the printing light than in diffuse light.
    """

    paper: str
    curve: PaperCurve
    density: float
    log_exposure: float
    factor: float = 1.0

    def tones(self, densities: Floats) -> Floats:
        """Return the densities of the print for densities of the negative."""
        return self.curve.density_at(self.log_exposure + self.factor * (self.density - densities))


def usual_curve(iso_range: float) -> PaperCurve:
    """Return the curve of a paper of which the ISO range is known alone.

    log(n / (N - n)) runs straight in log exposure, n the net density and N the net maximum. Log
    exposure 0 gives the first tone.

    Examples
    --------
    >>> curve = usual_curve(105.0)
    >>> round(curve.log_exposure_at(0.06 + 0.9 * 1.75) - curve.log_exposure_at(0.06 + 0.04), 2)
    1.05
    """
    first = math.log(FIRST_TONE / (USUAL_NET_BLACK - FIRST_TONE))
    shadow = math.log(FULL_SHADOW / (1.0 - FULL_SHADOW))
    # half as much again on either side holds what is all but white and black
    x = np.linspace(-0.5, 1.5, _POINTS)
    share = np.exp(first + (shadow - first) * x)
    density = USUAL_BASE + USUAL_NET_BLACK * share / (1.0 + share)
    return curve_through(0.01 * iso_range * x, density, base=USUAL_BASE, top=USUAL_BASE + USUAL_NET_BLACK)


def aim_at(negative: NegativeEnds, paper: PaperTest | float, printing: Printing) -> PositiveAim:
    """Return how a negative is placed: its highlight as the first tone, else its shadow as 90 % of the net black.

    Parameters
    ----------
    paper
        Its test, or its ISO range R.

    Raises
    ------
    MeasureError
        If neither end of the negative is known, or the test of the paper has no curve.
    """
    name, curve = _curve(paper)
    places = curve.landmarks()
    for end, place in ((negative.highlight, "highlight"), (negative.shadow, "shadow")):
        if end is not None and end.limit is None and place in places:
            factor = printing.factor.value
            return PositiveAim(paper=name, curve=curve, density=end.value, log_exposure=places[place], factor=factor)
    raise MeasureError(f"{negative.name}: neither highlight nor shadow is known; give `highlight`.")


def _curve(paper: PaperTest | float) -> tuple[str, PaperCurve]:
    if not isinstance(paper, PaperTest):
        return f"ISO range {paper:.0f}", usual_curve(paper)
    name, curve = paper.circumstances.name or "the paper tested", paper.curve()
    if curve is None:
        raise MeasureError(
            f"{name} was tested by counting steps, which tells no tones; give its `paper_range` instead."
        )
    return name, curve


def write_positive(
    scan: Scan, calibration: Calibration, aim: PositiveAim, path: str | os.PathLike[str]
) -> dict[str, Any]:
    """Write a scan of a negative as a 16-bit gray positive, whole or not at all; return what it says of itself.

    White is the white of the paper. A pixel stands for 10^-(D - white) by the tone curve of screens, which the profile
    in the file names; D is the density of the print. Beyond the calibration its curve goes on.

    Raises
    ------
    UnreadableScanError
        If the scan turns out to be damaged.
    DensiscanError
        If the file cannot be written.
    """
    table = positive_table(calibration, aim, scan.facts.full_scale)
    told = {
        "format": "densiscan.positive/1",
        "quantity": "light from the print, its white 1, by the tone curve of screens",
        "scan": scan.facts.file,
        "calibration": calibration.name,
        "calibrated": calibration.created,
        "channel": calibration.channel,
        "paper": aim.paper,
        "placed": {"density": aim.density, "tone": float(aim.tones(np.array([aim.density]))[0])},
        "factor": aim.factor,
        "pixels": [scan.width_px, scan.height_px],
        "ppi": [scan.ppi_x, scan.ppi_y],
    }
    sheet = Sheet(sample=np.uint16, told=told, profile=gray_profile())
    write_sheets(scan, [sheet], lambda block: (np.take(table, block.codes, mode="clip"),), path, what="the positive")
    return told


def positive_table(
    calibration: Calibration, aim: PositiveAim, full_scale: int
) -> np.ndarray[tuple[int], np.dtype[np.uint16]]:
    """Return the value of the positive, 0 to 65535, for each code 0 to full_scale of a scan."""
    densities = -np.log10(np.maximum(calibration.table(full_scale), _LEAST_LIGHT))
    light = 10.0 ** (aim.curve.base - aim.tones(densities))
    return np.round(_FULL * encoded(light)).astype(np.uint16)
