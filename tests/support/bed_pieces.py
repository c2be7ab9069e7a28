"""Pieces to lay on a rendered bed that only a check of the scanner needs, and short ways to render and open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from densiscan.scan.scan import Scan, open_scan
from densiscan.wedge.wedge import Wedge, WedgeStep
from tests.renderer import Place, Scanner, WedgeLayout, even_densities, render_bed, write_scan
from tests.renderer.bed import Bed, Box
from tests.renderer.render import Piece

BED_MM = (140.0, 100.0)
DENSITIES = even_densities(13, 0.2, 0.05)


@dataclass(frozen=True, kw_only=True)
class BlackMask:
    """Opaque card over the whole bed with openings."""

    openings: Sequence[Box]
    size_mm: tuple[float, float] = BED_MM

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:  # noqa: ARG002 - the renderer's protocol
        width, height = self.size_mm
        bed.mask(Place(x_mm=0.0, y_mm=0.0), (-5.0, -5.0, width + 10.0, height + 10.0), self.openings)


@dataclass(frozen=True, kw_only=True)
class Spots:
    """Opaque round spots (x, y, diameter): dust, as seen by the lens."""

    spots: Sequence[tuple[float, float, float]]

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:  # noqa: ARG002 - the renderer's protocol
        rows, columns = bed.transmittance.shape
        y, x = np.ogrid[:rows, :columns]
        for x_mm, y_mm, diameter in self.spots:
            away = np.hypot((x + 0.5) * bed.pitch_mm - x_mm, (y + 0.5) * bed.pitch_mm - y_mm)
            bed.transmittance[away <= diameter / 2] = 0.05


def wedge(densities: Sequence[float] = DENSITIES, uncertainty: float = 0.01) -> Wedge:
    return Wedge(
        steps=tuple(
            WedgeStep(step=str(number + 1), density=density, uncertainty=uncertainty)
            for number, density in enumerate(densities)
        )
    )


def layout(*, x_mm: float = 70.0, y_mm: float = 30.0, densities: tuple[float, ...] = DENSITIES) -> WedgeLayout:
    """A wedge without borders whose film has hardly any grain: what is tested here is the scanner."""
    return WedgeLayout(
        densities=densities, place=Place(x_mm=x_mm, y_mm=y_mm), step_mm=6.0, width_mm=14.0, granularity=1.0
    )


def scanned(
    folder: Path,
    name: str,
    pieces: Sequence[Piece],
    scanner: Scanner,
    *,
    seed: int = 1,
    size_mm: tuple[float, float] = BED_MM,
) -> Scan:
    """Render, write and open a scan."""
    place = folder / f"{name}.tif"
    write_scan(render_bed(pieces, scanner, seed=seed, size_mm=size_mm), place, compression=None)
    return open_scan(place)
