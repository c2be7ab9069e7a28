"""The wedge beside the film, and the channels of a colour scan, as a person and as a program read of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from densiscan.negative.own_wedge import WedgeRead


def wedge_words(read: WedgeRead) -> str:
    """Return what a person is told of the wedge that a scan was read by: how far it reaches, and the drift."""
    calibration = read.calibration
    low, high = calibration.density_range
    words = (
        f"beside the film, reliable from {low:.2f} to {high:.2f}. Typical error when a step is left out: "
        f"{max(calibration.residual, 0.001):.3f}"
    )
    if read.drift is None:
        return f"{words}."
    worst, mean = read.drift.worst.difference, read.drift.mean
    return (
        f"{words}. Against it the calibration {read.drift.calibration} reads {mean.value:+.3f} on average, and "
        f"{worst.value:+.3f} at worst, at density {read.drift.worst.density:.2f}."
    )
