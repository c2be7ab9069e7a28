"""Whether what is read as a finished print is one, and not the negative."""

from __future__ import annotations

from typing import Final

import numpy as np

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.densities import Light
from densiscan.negative.parts import Part, Sought, parts_on
from densiscan.scan.apertures import readings_inside
from densiscan.scan.cells import cells_of

_DENSEST_BLACK: Final = 2.4
"""No paper is blacker on a flatbed (practice: 2.2, and what glare and gloss do)."""
_CLEAR_EDGE: Final = (0.05, 0.8)
"""Density of a clear edge above the open bed: base plus fog has that, a margin of paper on a white lid less."""
_LIGHTEST_TONE: Final = 0.05
"""Density above its clear edge that the lightest tone of a negative has, at least, where it was exposed."""


def negative_signs(light: Light, calibration: Calibration, *, black: float) -> tuple[str, ...]:
    """Return the signs that this is a negative on open glass; two of them are enough.

    Parameters
    ----------
    black
        Of the picture as it was read.
    """
    signs = []
    if black > _DENSEST_BLACK:
        signs.append(f"a density of {black:.1f} is more than any paper has")
    sought = Sought(
        frame_mm=None,
        fog_sheet=False,
        wedge_mm=(),
        density_range=calibration.density_range,
        zero_doubt=calibration.quantity(1.0).uncertainty or 0.0,
        file=light.scan.facts.file,
    )
    cells = cells_of(light.survey, inverted=calibration.inverted)
    for part in parts_on(cells, sought)[0]:
        edge = _edge(part)
        if edge is None:
            continue
        bed = float(np.quantile(cells.density, 0.01))
        if _CLEAR_EDGE[0] < edge - bed < _CLEAR_EDGE[1]:
            signs.append("its border is denser than the open glass round it, as clear film is")
        read = readings_inside(light.survey, part.area, aperture_mm=1.0, square=False)
        if read is not None and read.quantile(0.01) > edge + _LIGHTEST_TONE:
            signs.append("nothing in the picture is as light as that border")
        break
    return tuple(signs)


def _edge(part: Part) -> float | None:
    """Return the density of the clear edge round a picture with straight sides, None where there is none."""
    rebate, frame = part.film.rebate, part.frame
    if rebate is None or frame is None or frame.origins.count("line") < 3 or part.film.cropped:
        return None
    return -float(np.log10(rebate.transmittance))
