"""What people lay on a scanner: sheet film, strips of roll film, holders and masks, dust on the glass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from densiscan.errors import WrongUseError
from tests.renderer.bed import Bed, Box, Place, Window, numeral
from tests.renderer.faults import Blemishes
from tests.renderer.film import Film, Frame
from tests.renderer.scenes import Picture

Corner = Literal["top-left", "top-right", "bottom-left", "bottom-right"]
PERFORATION_MM: Final = (1.98, 2.80)
"""Along and across a strip of 35 mm film (ISO 1007)."""
PERFORATION_PITCH_MM: Final = 4.75
PERFORATION_INSET_MM: Final = 2.0
EDGE_PRINT_DENSITY: Final = 1.6
STRIP_WIDTH_MM: Final = {"35": 35.0, "roll": 61.5}


def sheet(
    *,
    size_mm: tuple[float, float],
    place: Place,
    picture: Picture | None,
    edge_mm: float | tuple[float, float, float, float] = 4.0,
    notch: Corner | None = "top-right",
    **film: Any,
) -> Film:
    """Return a sheet of film with a clear rebate round one picture, or an unexposed one.

    Parameters
    ----------
    edge_mm
        Width of the rebate: one number or left, top, right, bottom.
    notch
        Corner beside which the notch code is cut, on a short side.
    film
        Other fields of `Film`.
    """
    left, top, right, bottom = (edge_mm,) * 4 if isinstance(edge_mm, int | float) else edge_mm
    width, height = size_mm
    box = (left - width / 2, top - height / 2, width - left - right, height - top - bottom)
    frames = (Frame(box=box, picture=picture),) if picture is not None else ()
    notches = _notches(size_mm, notch) if notch else ()
    return Film(size_mm=size_mm, place=place, frames=frames, notches=notches, **film)


def _notches(size_mm: tuple[float, float], corner: Corner) -> tuple[tuple[float, float, float], ...]:
    """Return three half discs cut into the short side next to a corner."""
    width, height = size_mm
    side_x = 1 if corner.endswith("right") else -1
    side_y = 1 if corner.startswith("bottom") else -1
    places = ((6.0, 0.9), (9.5, 0.9), (12.5, 1.4))
    if width <= height:
        return tuple((side_x * (width / 2 - away), side_y * height / 2, radius) for away, radius in places)
    return tuple((side_x * width / 2, side_y * (height / 2 - away), radius) for away, radius in places)


def strip(
    *,
    place: Place,
    pictures: Sequence[Picture],
    kind: Literal["35", "roll"] = "35",
    frame_mm: tuple[float, float] = (36.0, 24.0),
    gap_mm: float = 2.0,
    end_mm: float | None = None,
    upright: bool = False,
    edge_print: bool = False,
    **film: Any,
) -> Film:
    """Return a strip of roll film: frames in a row with clear gaps, perforated for 35 mm.

    Parameters
    ----------
    frame_mm
        Size of a frame along and across the strip.
    gap_mm
        Clear film between frames; `end_mm` beyond the first and last, the same when not given.
    upright
        The strip runs down the bed instead of along it.
    edge_print
        Frame numbers exposed along the edge by the film's maker: dense marks in the rebate.
    """
    if not pictures:
        raise WrongUseError("a strip of film needs at least one picture.")
    end = gap_mm if end_mm is None else end_mm
    wide = STRIP_WIDTH_MM[kind]
    length = len(pictures) * frame_mm[0] + (len(pictures) - 1) * gap_mm + 2 * end
    frames = []
    for index, picture in enumerate(pictures):
        start = -length / 2 + end + index * (frame_mm[0] + gap_mm)
        frames.append(Frame(box=_lie((start, -frame_mm[1] / 2, *frame_mm), upright), picture=picture))
    holes = [_lie(box, upright) for box in _perforations(length, wide)] if kind == "35" else []
    size = (wide, length) if upright else (length, wide)
    marks = []
    if edge_print:
        dot = 0.3 if kind == "35" else 0.4
        for index, frame in enumerate(frames):
            middle = frame.box[1] + frame.box[3] / 2 if upright else frame.box[0] + frame.box[2] / 2
            dots = numeral(str(index + 1), middle, -wide / 2 + 0.3, dot)
            marks += [(_lie(box, upright), EDGE_PRINT_DENSITY) for box in dots]
    return Film(size_mm=size, place=place, frames=tuple(frames), holes=tuple(holes), marks=tuple(marks), **film)


def _perforations(length: float, wide: float) -> list[Box]:
    along, across = PERFORATION_MM
    boxes = []
    for start in np.arange(-length / 2 + 1.2, length / 2 - along, PERFORATION_PITCH_MM):
        boxes.append((float(start), -wide / 2 + PERFORATION_INSET_MM, along, across))
        boxes.append((float(start), wide / 2 - PERFORATION_INSET_MM - across, along, across))
    return boxes


def _lie(box: Box, upright: bool) -> Box:
    left, top, width, height = box
    return (top, left, height, width) if upright else box


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """Opaque card or a film holder with openings (own coordinates, mm from its centre); hides all else.

    `size_mm` may be larger than the bed: everything but the openings is then black.
    """

    place: Place
    openings: tuple[Box, ...]
    size_mm: tuple[float, float] = (1000.0, 1000.0)

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:
        """Lay the holder on the bed; it has no true values of its own."""
        del rng
        width, height = self.size_mm
        bed.mask(self.place, (-width / 2, -height / 2, width, height), self.openings)


def holder_for(film: Film, *, cover_mm: float, size_mm: tuple[float, float] = (1000.0, 1000.0)) -> Holder:
    """Return a holder that lies straight, its opening `cover_mm` inside the edges of the (unturned) film.

    A negative cover leaves open glass round the film.
    """
    left, top, width, height = film.outline
    opening = (left + cover_mm, top + cover_mm, width - 2 * cover_mm, height - 2 * cover_mm)
    return Holder(place=Place(x_mm=film.place.x_mm, y_mm=film.place.y_mm), openings=(opening,), size_mm=size_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Specks:
    """Dust and fibres on the glass, all over the bed."""

    blemishes: Blemishes

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:
        """Scatter them."""
        width, height = bed.size_mm
        window = bed.window(Place(x_mm=0.0, y_mm=0.0), (0.0, 0.0, width, height))
        if window is not None:
            self.blemishes.scar(bed.transmittance, Window(*window), (0.0, 0.0, width, height), bed.pitch_mm, rng)
