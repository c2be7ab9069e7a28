"""A calibration of a colour scan holds a curve for each channel: which of them is meant, and how they differ."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.errors import WrongUseError

_SHARED: Final = frozenset({"wedge", "glare", "lamp", "drift"})
"""What moves the readings of all channels alike: the one wedge's certificate, scattered light, the lamp, drift."""


def of_channel(calibration: Calibration, channel: str | None) -> Calibration:
    """Return the calibration that reads by a channel; itself where none is asked for.

    Raises
    ------
    WrongUseError
        If the calibration has no curve for it.
    """
    known = {one.channel: one for one in (calibration, *calibration.others)}
    wanted = "green" if channel == "gray" and "green" in known else channel
    if wanted is None or wanted == calibration.channel:
        return calibration
    if wanted not in known:
        raise WrongUseError(
            f"the calibration {calibration.name} is of the {calibration.channel} channel and has no curve for "
            f"{wanted}; calibrate from a colour scan of the wedge, or leave out --channel."
        )
    rest = (calibration, *calibration.others)
    return replace(
        known[wanted],
        findings=calibration.findings,
        others=tuple(replace(one, others=(), findings=None) for one in rest if one.channel != wanted),
    )


def difference(one: Quantity, other: Quantity, *, channel: str) -> Quantity:
    """Return the density that another channel reads at the same place, less that of the channel in use.

    The certificate, glare and the lamp move both and mostly cancel; noise, rounding and the shape of the curve are each
    channel's own. Grain is in both and is counted twice: the difference is rather doubted too much.

    Parameters
    ----------
    other
        Read by `channel`, with the same keys as `one`.
    """
    if other.parts is None:
        return other - one
    parts = {
        influence if influence.kind in _SHARED else Influence(influence.kind, f"{influence.key} {channel}"): part
        for influence, part in other.parts.items()
    }
    return Quantity(other.value, parts) - one
