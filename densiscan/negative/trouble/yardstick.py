"""From what size on a leak, a gradient, bands, streaks or marks are a finding: what scanner, lamp and chance may make.

The limits that are one kind's own stand at the head of its module.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity, Warning_
from densiscan.arithmetic.robust import robust_sd
from densiscan.calibration.calibration import Calibration
from densiscan.negative.trouble.finding import BORDER, Finding
from densiscan.negative.trouble.limits import TROUBLE_LIMITS, TroubleLimits
from densiscan.scan.cells import Map


@dataclass(frozen=True, slots=True, kw_only=True)
class Yardstick:
    """What a difference of density is held against: what a scanner may make by itself is not told from it.

    Attributes
    ----------
    calibration
        By which densities are read.
    slope
        From one edge of a sheet to the other.
    local
        Between places nearer to each other.
    lamp
        Standard uncertainty of a difference between two places by the lamp.
    limits
        What is told from grain, dust and masks by.
    """

    calibration: Calibration
    slope: float
    local: float
    lamp: float
    limits: TroubleLimits = TROUBLE_LIMITS

    def step(self, level: float, height: float, *, noise: float) -> Quantity:
        """Return a difference of density from a level, with what calibration, lamp and noise do to it."""
        both = [self.calibration.quantity(10.0**-density) for density in (level + height, level)]
        size = both[0] - both[1]
        return size.with_part(Influence("lamp", "place to place"), self.lamp).with_part(
            Influence("patch noise", "place to place"), max(noise, 1e-5)
        )


LAMP_SPAN: Final = 0.0087
"""Density between the brightest and the darkest place of a lamp that is uneven by 1 % either way: log10(1.01/0.99)."""

_EVENED: Final = 0.003
"""What is left where the lamp was taken out by the scan of the empty bed: its own noise, warming up."""


def yardstick_of(calibration: Calibration, *, evened: bool, limits: TroubleLimits = TROUBLE_LIMITS) -> Yardstick:
    """Return what must be put down to the scanner.

    A flatbed's lamp is uneven by 0.5 to 1 % either way (common practice). 2.3 times the span of the worse is never
    taken for a gradient, and 1.7 times it for anything local. A check of the scanner that found more raises both; with
    the lamp taken out they fall to a third.
    """
    if evened:
        span = LAMP_SPAN / 3
    else:
        known = None if calibration.findings is None else calibration.findings.lamp
        # a smooth field spans about four standard deviations
        span = max(LAMP_SPAN, 4.0 * (known or 0.0))
    return Yardstick(
        calibration=calibration,
        slope=max(2.3 * span, 0.01),
        local=max(1.7 * span, 0.01),
        lamp=max(span / math.sqrt(12), _EVENED / 2),
        limits=limits,
    )


def chance_beyond(size: float, limit: float, standard: float) -> float:
    """Return the chance that a size is more than half of a limit, by the normal law; never more than 0.999.

    The limit is what the scanner makes at worst; half of it is what it usually makes.
    """
    z = (abs(size) - 0.5 * limit) / max(standard, 1e-6)
    return float(min(0.5 * math.erfc(-z / math.sqrt(2)), 0.999))


def sure_words(sure: float) -> str:
    """Return a chance in words."""
    if sure >= 0.99:
        return "almost certainly"
    return "probably" if sure >= 0.9 else "possibly"


def place_noise(values: Map) -> float:
    """Return the standard deviation of one place, from what places two apart differ by."""
    apart = values[2:] - values[:-2]
    apart = apart[np.isfinite(apart)]
    return max(robust_sd(apart) / math.sqrt(2), 2e-4) if apart.size else math.inf


def quantile(share: float) -> float:
    """Return the standard normal deviate that is exceeded with this chance (bisection of erfc)."""
    low, high = 0.0, 40.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if 0.5 * math.erfc(middle / math.sqrt(2)) > share else (low, middle)
    return high


_SMOOTH: Final = {
    "light-leak": "a light leak",
    "gradient": "a gradient over the film",
    "edge-density": "edges that differ from the middle",
    "bands": "bands",
    "streak": "a streak",
}
"""Findings that are told from what lamp and grain make by their size alone."""


def well_clear(findings: Sequence[Finding], yardstick: Yardstick) -> tuple[tuple[Finding, ...], tuple[Warning_, ...]]:
    """Part what is well clear of what the scanner makes by itself from what another scan may not show again.

    A finding stays where it is larger than its limit by twice its own noise; of one nearer to it a note says so.
    """
    clear, border = [], []
    for finding in findings:
        limit = yardstick.slope if finding.code == "gradient" else yardstick.local
        if finding.code not in _SMOOTH or finding.size is None or _clear_of(finding.size, limit):
            clear.append(finding)
        else:
            border.append(_border_note(finding, finding.size, limit))
    return tuple(clear), tuple(border)


def _clear_of(size: Quantity, limit: float) -> bool:
    return abs(size.value) - limit > COVERAGE_FACTOR * size.budget().get("patch noise", 0.0)


def _border_note(finding: Finding, size: Quantity, limit: float) -> Warning_:
    left, top, width, height = finding.box_mm
    what = f"{_SMOOTH[finding.code]} of {abs(size.value):.3f} at {left:.0f},{top:.0f} mm on the scan"
    message = (
        f"Just on the border: perhaps {what}, {width:.0f} x {height:.0f} mm; lamp and grain alone may make "
        f"{limit:.3f}. Turn the film round and scan it again: what belongs to the film turns with it."
    )
    return Warning_(code=BORDER, message=message)
