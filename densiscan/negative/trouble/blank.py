"""Parts of a picture that hold none: clearer than unexposed film, or beyond the ends of the scanner's scale.

No exposure makes film clearer than its unexposed edge; silver is missing there, or the film itself. Where the scan ends
at its lightest or darkest code, nothing is known of what lies beyond.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from densiscan.arithmetic.quantity import Quantity
from densiscan.negative.trouble.finding import Finding
from densiscan.negative.trouble.specks import Speck, spots_of
from densiscan.negative.trouble.yardstick import Yardstick, chance_beyond
from densiscan.scan.cells import Cells, Footprint, Mask, TurnedBox

_LEAST_MM2: Final = 1.0
"""Smaller ones are pinholes, sparkling points of the subject, or dust."""

_CLEARER: Final = 0.04
"""Density below the unexposed edge, besides what the lamp may do over the sheet, that grain and glare do not make."""

_IN_MM: Final = 1.0
_MOST_PLACES: Final = 200

_WORDS: Final = {
    "clear-area": (
        "clearer than unexposed film, which no exposure makes",
        "look for a large air bell, lost emulsion or a hole",
    ),
    "clipped-light": (
        "at the light end of the scanner's scale, so that nothing can be read there",
        "look for a hole or bare glass, or give the scan less exposure",
    ),
    "clipped-dark": (
        "at the dark end of the scanner's scale, so that nothing can be read there",
        "look for a blocked highlight or something opaque, or give the scan more exposure",
    ),
}


class _Found(NamedTuple):
    """Spots of one kind on a part of the map that begins at (row, column), and how many cells were looked at."""

    code: str
    spots: list[Speck]
    first: tuple[int, int]
    cells: int


def blanks_in_frame(
    cells: Cells,
    frame: TurnedBox,
    base: Quantity | None,
    yardstick: Yardstick,
    film: Footprint | None = None,
) -> list[Finding]:
    """Return the parts of a picture that hold none, one finding for each kind.

    Parameters
    ----------
    base
        Base plus fog of the film; None where it is not known, and what is clearer than it cannot be told.
    film
        What is film, where that is not all of the frame's box.
    """
    rows, columns = _window(cells, frame)
    x, y = (cells.x_mm[1:] + cells.x_mm[:-1]) / 2, (cells.y_mm[1:] + cells.y_mm[:-1]) / 2
    inside = frame.inside(x[None, columns], y[rows, None], _IN_MM)
    if film is not None:
        inside = inside & ~film.beyond(rows, columns, math.ceil(_IN_MM / cells.pitch_mm))
    # peaks are then those farthest from the unexposed edge
    density = cells.density[rows, columns] - (0.0 if base is None else base.value)
    light, dark = inside & cells.clipped_light[rows, columns], inside & cells.clipped_dark[rows, columns]
    kinds: list[tuple[str, Mask]] = [("clipped-light", light), ("clipped-dark", dark)]
    if base is not None:
        kinds.insert(0, ("clear-area", inside & ~light & (density < -_CLEARER - yardstick.slope)))
    least = max(2, math.ceil(_LEAST_MM2 / cells.pitch_mm**2))
    found = []
    for code, mask in kinds:
        spots = [spot for spot in spots_of(mask, density) if spot.cells >= least] if mask.any() else []
        if spots:
            what = _Found(code, spots, (rows.start, columns.start), int(inside.sum()))
            found.append(_finding(what, cells, base, yardstick))
    return found


def _window(cells: Cells, frame: TurnedBox) -> tuple[slice, slice]:
    x, y = np.array(frame.corners()).T
    first_column, last_column = np.searchsorted(cells.x_mm, (float(x.min()), float(x.max())))
    first_row, last_row = np.searchsorted(cells.y_mm, (float(y.min()), float(y.max())))
    return (
        slice(max(0, int(first_row) - 1), min(cells.density.shape[0], int(last_row))),
        slice(max(0, int(first_column) - 1), min(cells.density.shape[1], int(last_column))),
    )


def _finding(what: _Found, cells: Cells, base: Quantity | None, yardstick: Yardstick) -> Finding:
    spots = sorted(what.spots, key=lambda spot: -spot.cells)
    boxes = [_box(cells, spot, what.first) for spot in spots]
    places = tuple((left + width / 2, top + height / 2) for left, top, width, height in boxes)
    share = sum(spot.cells for spot in spots) / max(what.cells, 1)
    number = "A part" if len(spots) == 1 else f"{len(spots)} parts"
    is_ = "is" if len(spots) == 1 else "are"
    kind, cause = _WORDS[what.code]
    largest = max(boxes[0][2:])
    size, sure = None, 0.999
    if what.code == "clear-area" and base is not None:
        height = min(spot.peak for spot in spots)
        size = yardstick.step(base.value, height, noise=0.01)
        sure = chance_beyond(height, yardstick.slope, size.standard_uncertainty or 0.0)
    extent = f"{100 * share:.2g} % of it (the largest {largest:.1f} mm long)"
    message = f"{number} of the picture, {extent}, {is_} {kind}; {cause}."
    left, top = min(box[0] for box in boxes), min(box[1] for box in boxes)
    right, bottom = max(box[0] + box[2] for box in boxes), max(box[1] + box[3] for box in boxes)
    return Finding(
        code=what.code,
        message=message,
        box_mm=(left, top, right - left, bottom - top),
        size=size,
        sure=sure,
        count=len(spots),
        area_share=share,
        places_mm=places[:_MOST_PLACES],
    )


def _box(cells: Cells, spot: Speck, first: tuple[int, int]) -> tuple[float, float, float, float]:
    top, bottom = (float(cells.y_mm[first[0] + row]) for row in spot.rows)
    left, right = (float(cells.x_mm[first[1] + column]) for column in spot.columns)
    return left, top, right - left, bottom - top
