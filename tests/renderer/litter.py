"""What lies on the glass beside film and is none: the bed's dark border, tape, a paper template, marks of a pen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tests.renderer.bed import Array, Bed, Box, Place, box_cover, line_cover
from tests.renderer.drawing import rough

Edge = Literal["left", "top", "right", "bottom"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BedBorder:
    """The dark border of the bed that a scan took in, over all of one side of it.

    Parameters
    ----------
    width_mm
        From the scan's edge inwards.
    density
        Of its felt or paint, with a fine texture.
    lean_deg
        By how much its inner edge is out of square with the scan.
    """

    edge: Edge
    width_mm: float
    density: float = 0.65
    lean_deg: float = 0.0

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:
        """Lay it over everything along that side."""
        width, height = bed.size_mm
        long = 2 * max(width, height)
        place, box = {
            "left": (
                Place(x_mm=self.width_mm, y_mm=height / 2, angle_deg=self.lean_deg),
                (-long, -long, long, 2 * long),
            ),
            "right": (
                Place(x_mm=width - self.width_mm, y_mm=height / 2, angle_deg=self.lean_deg),
                (0.0, -long, long, 2 * long),
            ),
            "top": (Place(x_mm=width / 2, y_mm=self.width_mm, angle_deg=self.lean_deg), (-long, -long, 2 * long, long)),
            "bottom": (
                Place(x_mm=width / 2, y_mm=height - self.width_mm, angle_deg=self.lean_deg),
                (-long, 0.0, 2 * long, long),
            ),
        }[self.edge]
        _lay_even(bed, rng, place, box, self.density)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheetlet:
    """An even thing with straight edges: a length of tape, or a paper template with openings."""

    place: Place
    size_mm: tuple[float, float]
    density: float
    openings: tuple[Box, ...] = ()

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:
        """Lay it; light passes it and what lies under it."""
        width, height = self.size_mm
        _lay_even(bed, rng, self.place, (-width / 2, -height / 2, width, height), self.density, self.openings)


def _lay_even(
    bed: Bed, rng: np.random.Generator, place: Place, box: Box, density: float, openings: tuple[Box, ...] = ()
) -> None:
    window = bed.window(place, box)
    if window is None:
        return
    cover = box_cover(window, box, bed.pitch_mm)
    for opening in openings:
        cover *= 1 - box_cover(window, opening, bed.pitch_mm)
    fibres = np.float32(0.015 * math.sqrt(max(density, 0.02))) * rough(window.u.shape, rng, 0.4)
    light: Array = np.power(np.float32(10), -np.float32(density) - fibres)
    bed.lay(window, light, cover)


@dataclass(frozen=True, slots=True, kw_only=True)
class PenMarks:
    """Strokes of a pen on film or glass, each (x0, y0, x1, y1) on the bed, mm."""

    strokes: tuple[tuple[float, float, float, float], ...]
    width_mm: float = 0.6
    density: float = 1.6

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:  # noqa: ARG002 - the protocol of what is laid
        """Draw them."""
        width, height = bed.size_mm
        window = bed.window(Place(x_mm=0.0, y_mm=0.0), (0.0, 0.0, width, height))
        if window is None:
            return
        for ends in self.strokes:
            bed.lay(window, 10.0**-self.density, line_cover(window, ends, self.width_mm, bed.pitch_mm))
