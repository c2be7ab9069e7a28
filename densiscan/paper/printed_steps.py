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

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.threshold import chosen, physics, practice
from densiscan.errors import WedgeNotFoundError
from densiscan.scan.places import BoxMm
from densiscan.wedge.find import StepPlace, WedgePlace, place_of
from densiscan.wedge.limits import ROW_LIMITS, RowLimits
from densiscan.wedge.look import is_straight, rows_by_angle, weight
from densiscan.wedge.rows import Row


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedRowLimits:
    """Thresholds by which the ends of a printed wedge are told; levels in log10 signal.

    `rows` are those of the search for the row of tones itself.
    """

    rows: RowLimits = ROW_LIMITS
    jump: float = practice(0.05, "Change within half a step that ends a stretch of one tone: density 0.11.")
    beside: float = practice(0.25, "Difference at which what lies beside a step is of another tone.")
    off_lattice: float = chosen(0.15, "Part of a step by which an end may lie beside a whole number of steps.")
    coarse: float = physics(3.0, "Codes of the scan's scale within which nothing changes: rounding makes one or two.")


PRINTED_ROW_LIMITS: Final = PrintedRowLimits()
_ASK: Final = "give --outline left,top,width,height in mm: the printed wedge from its first step to its last"


@dataclass(frozen=True, slots=True, kw_only=True)
class _ToneLine:
    """The tone along a row of steps: `place` in steps from the first edge seen, rising towards black, and `tone`.

    `quantum` is one code of the scan's scale.
    """

    place: Floats
    tone: Floats
    quantum: float
    limits: PrintedRowLimits

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
        coarse = self.limits.coarse * self.quantum / 10.0 ** np.minimum(tone[half:], tone[:-half]) / math.log(10.0)
        jumps = np.flatnonzero(np.abs(tone[half:] - tone[:-half]) > np.maximum(self.limits.jump, coarse))
        if not jumps.size:
            return None
        first, last = int(jumps[0]), min(int(jumps[0]) + 2 * half, tone.size - 1)
        middle = 0.5 * (tone[first] + tone[last])
        after = first + int(np.argmax(np.abs(tone[first : last + 1] - tone[first]) >= abs(middle - tone[first])))
        return float(0.5 * (place[after] + place[max(after - 1, 0)]))


def find_printed_steps(
    signal: Floats,
    count: int,
    *,
    quantum: float = 0.0,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    limits: PrintedRowLimits = PRINTED_ROW_LIMITS,
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
    refused: WedgeNotFoundError | None = None
    for rows in rows_by_angle(image, count, quantum=quantum, limits=limits.rows):
        # Edges of paper and mask make rows too; the weightiest that ends like a wedge of so many steps is the one.
        for row in sorted(filter(is_straight, rows), key=weight, reverse=True):
            try:
                return place_of(row, _lightest(row, count, limits), count, origin_mm=origin_mm)
            except WedgeNotFoundError as problem:
                refused = refused or problem
    raise refused or WedgeNotFoundError(
        f"found no row of even tones from white to black; scan the print straight, or {_ASK}"
    )


def _lightest(row: Row, count: int, limits: PrintedRowLimits) -> int:
    """Return which lattice cell is the lightest of the steps.

    Raises
    ------
    WedgeNotFoundError
        If neither end shows, or the ends tell of another number of steps.
    """
    line = _line_along(row, limits)
    last = max(row.drops)
    white, black = line.end(-0.5, -1), line.end(last + 0.5, 1)
    ways = []
    if white is not None and _is_whole(white, limits) and _stands_out(row, round(white), limits.beside):
        ways.append(round(white))
    if black is not None and _is_whole(black, limits) and _stands_out(row, round(black) - 1, limits.beside):
        ways.append(round(black) - count)
    fitting = {start for start in ways if _has_room(start, count, white=white, black=black, last=last, line=line)}
    if len(fitting) == 1:
        return fitting.pop()
    if white is not None and black is not None and ways and round(black - white) != count:
        raise WedgeNotFoundError(
            f"between the ends of the printed wedge there is room for {round(black - white)} steps, and the wedge file "
            f"has {count}; check the wedge file, or {_ASK}"
        )
    what = "both ends of the wedge may lie in two places" if fitting else "neither end of the wedge shows on the print"
    raise WedgeNotFoundError(f"{what}; {_ASK}")


def _is_whole(place: float, limits: PrintedRowLimits) -> bool:
    return abs(place - round(place)) <= limits.off_lattice


def _has_room(start: int, count: int, *, white: float | None, black: float | None, last: int, line: _ToneLine) -> bool:
    """Tell whether steps from this lattice cell on hold all tones seen and lie within white, black and the scan."""
    off = line.limits.off_lattice
    inside = start <= -1 and start + count >= last + 1
    ends = (white is None or start >= white - off) and (black is None or start + count <= black + off)
    return inside and ends and line.place[0] <= start + 0.7 and line.place[-1] >= start + count - 0.7


def _line_along(row: Row, limits: PrintedRowLimits) -> _ToneLine:
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
    return _ToneLine(place=place[order], tone=tones[order], quantum=row.view.quantum, limits=limits)


def _stands_out(row: Row, cell: int, least: float) -> bool:
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
    return not besides or any(abs(beside - inside) > least for beside in besides)


def steps_in_outline(
    signal: Floats, count: int, outline_mm: BoxMm, *, cell_mm: float, limits: PrintedRowLimits = PRINTED_ROW_LIMITS
) -> WedgePlace:
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
    read = limits.rows.read
    pitch = (width if lengthwise else height) / count
    boxes = []
    for number in range(count):
        start = (left if lengthwise else top) + (number + 0.5 * (1.0 - read)) * pitch
        if lengthwise:
            boxes.append((start, top + 0.2 * height, read * pitch, read * height))
        else:
            boxes.append((left + 0.2 * width, start, read * width, read * pitch))
    ends = [_tone_of(signal, box, cell_mm) for box in (boxes[0], boxes[-1])]
    if not all(map(math.isfinite, ends)) or abs(math.log10(max(ends[0], 1e-6) / max(ends[1], 1e-6))) < limits.beside:
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
