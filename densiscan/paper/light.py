"""Densities on a scan of a print: the smoothed calibration, and the light that the scanner scatters onto dark tones.

A print's black sends back a fiftieth of the light, so that the little that is scattered onto it counts, and it counts
unevenly: the last step of a printed wedge lies next to white paper or next to black. Light is only ever added. What a
usual scanner adds is taken off, and so much of it stays in doubt that a scanner without glare is covered too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.densities import Light, light_on, surveyed_light
from densiscan.paper.smoothed import SmoothCurve, smooth_curve
from densiscan.scan.cells import TurnedBox
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan

_EXPECTED: Final = math.sqrt(2.0 / math.pi)
"""Mean over root mean square of something that is normal but never below zero: the glare of a scanner that nobody has
checked, whose root mean square over scanners is `glare.USUAL_SHARE`."""
_LEFT: Final = math.sqrt(1.0 - 2.0 / math.pi)
"""Standard deviation of the same, over its root mean square."""
_LEFT_OF_KNOWN: Final = 0.2
"""Part of the correction by this scanner's own glare that stays in doubt, as for negatives."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintLight:
    """How densities are read on a scan of a print."""

    light: Light
    smooth: SmoothCurve

    def of_box(self, box_mm: BoxMm, key: str) -> Quantity:
        """Return the density of a box on the scan, dust left out."""
        return self._freed(self.light.of_box(box_mm, key))

    def of_area(self, light: float, noise: float, key: str, area: TurnedBox) -> Quantity:
        """Return the density of a light read in an area, by noise in doubt by so much density."""
        return self._freed(self.light.of_area(light, noise, key, area))

    def _freed(self, read: Quantity) -> Quantity:
        """Return a reading freed of glare as far as it is known, the certificate's part as the smooth curve has it."""
        freed, veil, glare = self.smooth.freed(read), self.light.veil, Influence("glare")
        if freed.parts is None or veil is None or glare not in freed.parts:
            return freed
        part = freed.parts[glare]
        # Of known glare the part is that of a rectangle whose half width the glare is.
        whole, left = (
            (math.sqrt(3.0) * part, _LEFT_OF_KNOWN * math.sqrt(3.0)) if veil.known else (part * _EXPECTED, _LEFT)
        )
        return Quantity(freed.value - whole, {**freed.parts, glare: left * part})


def print_light(scan: Scan, calibration: Calibration) -> PrintLight:
    """Return how densities are read on a scan of a print by a calibration from a reflection wedge."""
    smooth = smooth_curve(calibration)
    surveyed = surveyed_light(scan, smooth.calibration, lamp=None, glare=None, correct=False)
    light = light_on(scan, smooth.calibration, surveyed, lamp=None, glare=None, correct=False)
    return PrintLight(light=light, smooth=smooth)
