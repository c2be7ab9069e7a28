"""Finds the steps of a wedge on a print of it: their number is known, their densities are not, and many look alike.

The tones between white and black show edges at equal distances, as the steps of a wedge do, and the finder of `steps`
sees them. The steps beyond them are all white or all black. Where the row of steps ends is told by what lies beyond:
the wedge's dense end, white, lies against the black of paper that nothing covered, or its clear end, black, against
the white under a mask. From that end the steps are counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.errors import WedgeNotFoundError
from densiscan.wedge.count import Count
from densiscan.wedge.find import ANGLES_DEG, StepPlace, WedgePlace, is_straight, place_of, rows_along, weight
from densiscan.wedge.rows import Row
from densiscan.wedge.view import View

Floats = npt.NDArray[np.float64]
BoxMm = tuple[float, float, float, float]

_JUMP: Final = 0.05
"""Change of log10 signal within half a step that ends a stretch of one tone: density 0.11 at gamma 2.2."""
_BESIDE: Final = 0.25
"""Difference of log10 signal at which what lies beside a step is of another tone."""
_OFF_LATTICE: Final = 0.15
"""Part of a step by which the end of the wedge may lie beside a whole number of steps."""
_MIDDLE: Final = 0.6
_ASK: Final = "give --outline left,top,width,height in mm: the printed wedge from its first step to its last"


@dataclass(frozen=True, slots=True, kw_only=True)
class _ToneLine:
    """The tone along a row of steps: `place` in steps from the first edge seen, rising towards black, and `tone`.

    `quantum` is one code of the scan's scale.
    """

    place: Floats
    tone: Floats
    quantum: float

    def end(self, start: float, direction: int) -> float | None:
        """Return where the stretch of one tone that holds `start` ends; None where it goes on to the border."""
        chosen = self.place * direction > start * direction
        place, tone = self.place[chosen], self.tone[chosen]
        if direction < 0:
            place, tone = place[::-1], tone[::-1]
        if place.size < 3:
            return None
        half = max(int(np.count_nonzero(np.abs(place - place[0]) < 0.5)), 2)
        # Some codes of the scan's scale, where those are coarse, are no jump.
        coarse = 3.0 * self.quantum / 10.0 ** np.minimum(tone[half:], tone[:-half]) / math.log(10.0)
        jumps = np.flatnonzero(np.abs(tone[half:] - tone[:-half]) > np.maximum(_JUMP, coarse))
        if not jumps.size:
            return None
        first, last = int(jumps[0]), min(int(jumps[0]) + 2 * half, tone.size - 1)
        middle = 0.5 * (tone[first] + tone[last])
        after = first + int(np.argmax(np.abs(tone[first : last + 1] - tone[first]) >= abs(middle - tone[first])))
        return float(0.5 * (place[after] + place[max(after - 1, 0)]))


def find_printed_steps(
    signal: Floats, count: int, *, quantum: float = 0.0, origin_mm: tuple[float, float] = (0.0, 0.0)
) -> WedgePlace:
    """Find the steps of a printed wedge on a cell map.

    Parameters
    ----------
    signal
        Mean signal of cells of `steps.CELL_MM`, 0 to 1, white bright, shape (rows, columns).
    count
        Number of steps of the wedge.
    quantum
        One code of the scan's scale, as a fraction of full scale.
    origin_mm
        Place of the map's top left corner on the scan.

    Returns
    -------
    WedgePlace
        The steps from the white end, the densest of the wedge, to the black end.

    Raises
    ------
    WedgeNotFoundError
        If no row of tones is there, or neither end of the wedge shows, or the ends are another number of steps apart.
        The message says so, and what to do; it does not name the file.
    """
    image = np.log10(np.clip(signal, max(0.25 * quantum, 2e-6), None))
    nominal: Floats = np.arange(count) * np.float64(0.15)
    refused: WedgeNotFoundError | None = None
    for angle in ANGLES_DEG:
        rows: list[Row] = []
        for transposed in (False, True):
            view = View.of(image, transposed=transposed, angle_deg=angle, quantum=quantum)
            rows += [row for row in rows_along(view, image, nominal) if is_straight(row)]
        # Edges of paper and mask make rows too; the weightiest that ends like a wedge of so many steps is the one.
        for row in sorted(rows, key=weight, reverse=True):
            try:
                return place_of(row, _counted(row, count), origin_mm)
            except WedgeNotFoundError as problem:
                refused = refused or problem
    raise refused or WedgeNotFoundError(
        f"no row of even tones from white to black was seen; scan the print straight, or {_ASK}"
    )


def _counted(row: Row, count: int) -> Count:
    """Return which lattice cells are the steps."""
    line = _line_along(row)
    last = max(row.drops)
    white, black = line.end(-0.5, -1), line.end(last + 0.5, 1)
    ways = []
    if white is not None and _is_whole(white) and _stands_out(row, round(white)):
        ways.append(round(white))
    if black is not None and _is_whole(black) and _stands_out(row, round(black) - 1):
        ways.append(round(black) - count)
    fitting = {start for start in ways if _has_room(start, count, white=white, black=black, last=last, line=line)}
    if len(fitting) == 1:
        return Count(start=fitting.pop(), count=count, visible=count, doubt=0.0)
    if white is not None and black is not None and ways and round(black - white) != count:
        raise WedgeNotFoundError(
            f"between the ends of the printed wedge there is room for {round(black - white)} steps, and the wedge file "
            f"has {count}; check the wedge file, or {_ASK}"
        )
    what = "both ends of the wedge may lie in two places" if fitting else "neither end of the wedge shows on the print"
    raise WedgeNotFoundError(f"{what}; {_ASK}")


def _is_whole(place: float) -> bool:
    return abs(place - round(place)) <= _OFF_LATTICE


def _has_room(start: int, count: int, *, white: float | None, black: float | None, last: int, line: _ToneLine) -> bool:
    """Tell whether steps from this lattice cell on hold all tones seen and lie within white, black and the scan."""
    inside = start <= -1 and start + count >= last + 1
    ends = (white is None or start >= white - _OFF_LATTICE) and (black is None or start + count <= black + _OFF_LATTICE)
    return inside and ends and line.place[0] <= start + 0.7 and line.place[-1] >= start + count - 0.7


def _line_along(row: Row) -> _ToneLine:
    """Return the median tone across the middle of the steps, over the whole scan."""
    image = row.view.image
    columns = np.arange(image.shape[1])
    place: Floats = (columns + np.float64(0.5) - row.lattice.origin) / row.lattice.pitch
    tones = np.empty(columns.size)
    for column in columns:
        top, bottom = row.band.rows(float(place[column]), image.shape[0])
        margin = (bottom - top) // 5
        tones[column] = np.median(image[top + margin : max(bottom - margin, top + margin + 1), column])
    order = np.argsort(place)
    return _ToneLine(place=place[order], tone=tones[order], quantum=row.view.quantum)


def _stands_out(row: Row, cell: int) -> bool:
    """Tell whether what lies beside a cell of the row is of another tone; also where that is off the scan."""
    image, (origin, pitch) = row.view.image, (row.lattice.origin, row.lattice.pitch)
    ends = sorted((origin + (cell + 0.25) * pitch, origin + (cell + 0.75) * pitch))
    first, last = max(round(ends[0]), 0), min(round(ends[1]), image.shape[1])
    if last - first < 1:
        return False
    top, bottom = row.band.rows(cell + 0.5, image.shape[0])
    margin = (bottom - top) // 5
    inside = float(np.median(image[top + margin : max(bottom - margin, top + margin + 1), first:last]))
    besides = [
        float(np.median(image[edge : edge + 4, first:last]))
        for edge in (top - 8, bottom + 4)
        if edge >= 0 and edge + 4 <= image.shape[0]
    ]
    return not besides or any(abs(beside - inside) > _BESIDE for beside in besides)


def steps_in_outline(signal: Floats, count: int, outline_mm: BoxMm, *, cell_mm: float) -> WedgePlace:
    """Return the steps of a printed wedge whose outline the person gave: equal parts of its longer side.

    Parameters
    ----------
    signal
        As for `find_printed_steps`, of the whole scan.
    outline_mm
        Left, top, width, height on the scan, from the first step to the last.

    Returns
    -------
    WedgePlace
        From the white end to the black end, whichever way it lies.

    Raises
    ------
    WedgeNotFoundError
        If the two ends are of the same tone.
    """
    left, top, width, height = outline_mm
    lengthwise = width >= height
    pitch = (width if lengthwise else height) / count
    boxes = []
    for number in range(count):
        start = (left if lengthwise else top) + (number + 0.5 * (1.0 - _MIDDLE)) * pitch
        if lengthwise:
            boxes.append((start, top + 0.2 * height, _MIDDLE * pitch, _MIDDLE * height))
        else:
            boxes.append((left + 0.2 * width, start, _MIDDLE * width, _MIDDLE * pitch))
    ends = [_tone_of(signal, box, cell_mm) for box in (boxes[0], boxes[-1])]
    if not all(map(math.isfinite, ends)) or abs(math.log10(max(ends[0], 1e-6) / max(ends[1], 1e-6))) < _BESIDE:
        raise WedgeNotFoundError(
            "the two ends of `outline_mm` are of the same tone or off the scan; give left,top,width,height in mm from "
            "the first step of the printed wedge to its last"
        )
    white_first = ends[0] > ends[1]
    sides = ("left", "right") if lengthwise else ("top", "bottom")
    return WedgePlace(
        steps=tuple(StepPlace(box_mm=box, seen=True) for box in (boxes if white_first else boxes[::-1])),
        angle_deg=0.0,
        light_end=sides[0 if white_first else 1],
        pitch_mm=pitch,
    )


def _tone_of(signal: Floats, box: BoxMm, cell_mm: float) -> float:
    left, top, width, height = (side / cell_mm for side in box)
    part = signal[max(int(top), 0) : int(top + height) + 1, max(int(left), 0) : int(left + width) + 1]
    return float(np.median(part)) if part.size else math.nan
