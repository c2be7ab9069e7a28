"""One look at a wedge among several, and what it differs by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.scan.places import BoxMm

_ELSEWHERE_MM: Final = 20.0
"""From where on the lamp is another: a tenth of a flatbed, over which its light hardly changes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One scan of the wedge among several that a calibration is made from.

    Attributes
    ----------
    file, created
        The scan, and when it was read (ISO 8601).
    difference
        How much denser it reads the wedge than all looks together do: the lamp, as bright as it was and where the wedge
        lay.
    scatter
        Standard deviation from step to step of what it differs by besides, noise taken off, density.
    left_out
        Steps that it reads unlike all others, and that were left out of it.
    box_mm
        Where the wedge lay: left, top, width, height.
    """

    file: str
    created: str
    difference: Quantity
    scatter: float
    box_mm: BoxMm
    left_out: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not math.isfinite(self.scatter) or self.scatter < 0.0:
            raise ValueError("the scatter of a look is not a number")

    @property
    def middle_mm(self) -> tuple[float, float]:
        """Middle of the wedge on the bed."""
        left, top, width, height = self.box_mm
        return left + 0.5 * width, top + 0.5 * height


def places_of(looks: Sequence[Look]) -> int:
    """Return at how many places of the bed the wedge lay, at least 1."""
    places: list[tuple[float, float]] = []
    for look in looks:
        if all(math.dist(look.middle_mm, place) > _ELSEWHERE_MM for place in places):
            places.append(look.middle_mm)
    return max(len(places), 1)


def outline(boxes_mm: Sequence[BoxMm]) -> BoxMm:
    """Return the box round boxes."""
    lefts, tops = [box[0] for box in boxes_mm], [box[1] for box in boxes_mm]
    right, bottom = max(box[0] + box[2] for box in boxes_mm), max(box[1] + box[3] for box in boxes_mm)
    return min(lefts), min(tops), right - min(lefts), bottom - min(tops)
