"""What of a frame is only a limit: the ends of the scanner's scale, and densities that were not calibrated."""

from __future__ import annotations

from typing import Final

from densiscan.arithmetic.quantity import Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.scan.apertures import ApertureReadings

CLIPPED: Final = 0.001
"""Fraction of a frame at an end of the scale that is worth a word."""


def beyond(read: ApertureReadings, density_range: tuple[float, float]) -> float:
    """Return the share of readings that lie outside the calibrated densities."""
    low, high = density_range
    return float(((read.density < low) | (read.density > high)).mean())


def limit_warnings(
    read: ApertureReadings, clipped: tuple[float, float], outside: float, calibration: Calibration
) -> tuple[Warning_, ...]:
    """Return what is to be said of it; `clipped` is the share of a frame at the light and at the dark end."""
    told = []
    for code, end, share in (("clipped-light", "light", clipped[0]), ("clipped-dark", "dark", clipped[1])):
        if share > CLIPPED:
            message = (
                f"{100 * share:.1f} % of the frame is at the {end} end of the scanner's scale: densities there are "
            )
            told.append(Warning_(code=code, message=f"{message}limits, not readings."))
    if outside > CLIPPED:
        low, high = calibration.density_range
        message = f"{100 * outside:.1f} % of the frame lies outside the calibrated densities {low:.2f} to {high:.2f}"
        told.append(Warning_(code="beyond-calibration", message=f"{message}; readings there are limits."))
    if read.too_many:
        message = "So many small specks stand out that they were taken for picture and left in; clean film and glass."
        told.append(Warning_(code="many-specks", message=message))
    return tuple(told)
