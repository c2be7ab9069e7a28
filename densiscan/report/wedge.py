"""The wedge beside the film, and the channels of a colour scan, as a person and as a program read of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from densiscan.negative.channels import ChannelReading
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


def wedge_document(read: WedgeRead) -> dict[str, Any]:
    """Return the wedge as plain JSON values."""
    made, drift = read.calibration, read.drift
    return {
        "density_range": list(made.density_range),
        "residual": made.residual,
        "steps": [
            {"step": step.reading.step, "box_mm": list(step.reading.box_mm), "used": step.used} for step in made.steps
        ],
        "drift": None
        if drift is None
        else {
            "calibration": drift.calibration,
            "mean": drift.mean.to_json(),
            "worst": drift.worst.difference.to_json(),
            "worst_at_density": drift.worst.density,
            "drifted": drift.drifted,
        },
    }


def channel_document(read: ChannelReading) -> dict[str, Any]:
    """Return what another channel reads as plain JSON values."""
    document: dict[str, Any] = {"channel": read.channel}
    for name in ("base_plus_fog", "shadow", "highlight", "density_range"):
        value = getattr(read, name)
        document[name] = None if value is None else value.to_json()
    return document | {"disagrees": read.disagrees}
