"""Trouble seen early: fog, light leaks, uneven development, specks, for each reading of a scan.

Only what is unexposed or truly even is judged: the rebate, an unexposed sheet, an even area that the person named. A
picture is not: what looks like uneven development there may be the subject.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.negative.bench import Bench
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading
from densiscan.negative.trouble.blank import blanks_in_frame
from densiscan.negative.trouble.finding import ORDER, Finding, Trouble
from densiscan.negative.trouble.fog import with_fog
from densiscan.negative.trouble.ground import Ground, Plane, blocks_of, edge_inside, ground_of, plane_through
from densiscan.negative.trouble.leaks import leak_finding, leaks_in, lies_over_edge, strips_of, without_leaks
from densiscan.negative.trouble.marks import round_marks_in
from densiscan.negative.trouble.specks import specks_in_frame, specks_on
from densiscan.negative.trouble.uneven import bands_in, edges_of, gradient_in, is_even, less_edges
from densiscan.negative.trouble.yardstick import Yardstick, well_clear, yardstick_of
from densiscan.scan.cells import Cells, Footprint, TurnedBox

_EDGE_ONLY_MM: Final = 3.0
_STEEP_EDGE_MM: Final = 2.2
_STEEP_SHARE: Final = 0.75
_EVEN: Final = 0.03
_MOSTLY: Final = 0.6
_UNEXPOSED: Final = 0.15
_MOST_UNEXPOSED: Final = 0.7
"""Density within which that share of a clear edge, and of an unexposed sheet, lies on a plane: pictures do not, and a
leak or bands cover less of a sheet."""


_Lying = tuple[TurnedBox, Footprint | None]
"""The box of a piece of film, and what of it is film where that is not all."""


def trouble_on(bench: Bench, readings: Sequence[Reading], *, history: Sequence[Quantity] = ()) -> tuple[Trouble, ...]:
    """Look for trouble on everything that was read of one scan.

    Parameters
    ----------
    bench
        What the readings were made from.
    history
        Base plus fog of earlier runs of the same film; with three or more the level is judged against them.

    Returns
    -------
    tuple of Trouble
        One for each reading. What is found on a piece with several frames stands with the nearest of them.
    """
    yardstick = yardstick_of(
        bench.calibration, evened=bench.options.lamp is not None, limits=bench.options.limits.trouble
    )
    results: list[Trouble] = []
    for piece in _by_film(readings):
        results.extend(_on_film(bench, piece, yardstick))
    judged = zip(results, readings, strict=True)
    return tuple(
        with_fog(trouble, reading, bench.calibration, bench.options, history=history) for trouble, reading in judged
    )


def _by_film(readings: Sequence[Reading]) -> list[list[Reading]]:
    """Put together the readings of one piece of film; they follow one another."""
    pieces: list[list[Reading]] = []
    for reading in readings:
        if pieces and reading.seen_mm == pieces[-1][0].seen_mm:
            pieces[-1].append(reading)
        else:
            pieces.append([reading])
    return pieces


def _on_film(
    bench: Bench,
    piece: Sequence[Reading],
    yardstick: Yardstick,
) -> list[Trouble]:
    options = bench.options
    own = [_frame_findings(bench, reading, yardstick) for reading in piece]
    if options.frame_mm is not None:
        whole = _on_area(bench.cells, options.frame_mm, yardstick)
    else:
        whole = _on_piece(bench, piece, yardstick)
    clear, border = well_clear(whole.findings, yardstick)
    whole = replace(whole, findings=clear, notes=(*border, *whole.notes))
    for finding in whole.findings:
        own[_nearest(finding, piece)].append(finding)
    order = {code: number for number, code in enumerate(ORDER)}
    return [Trouble(findings=tuple(sorted(some, key=lambda one: order[one.code])), notes=whole.notes) for some in own]


def _on_piece(
    bench: Bench,
    piece: Sequence[Reading],
    yardstick: Yardstick,
) -> Trouble:
    """Judge what is unexposed of a piece of film."""
    cells, options = bench.cells, bench.options
    first = piece[0]
    if first.seen_mm is None:
        return Trouble(notes=(_not_judged("no clear rebate was found"),))
    seen = _box(first.seen_mm, first.seen_angle_deg)
    if first.rebate is None:
        steep = _steep_findings(cells, (seen, first.footprint), yardstick) if first.film_mm is not None else ()
        return Trouble(findings=steep, notes=(_not_judged("no clear rebate was found"),))
    frames = [frame for frame in (_frame_of(reading) for reading in piece) if frame is not None]
    ground, plane = _ground(cells, (seen, first.footprint), frames, options)
    if plane is None:
        return Trouble(notes=(_not_judged("too little clear rebate is in the scan"),))
    doubt = _doubt(ground, plane, whole=first.film_mm is not None, fog_sheet=options.fog_sheet)
    if doubt is not None:
        return Trouble(notes=(doubt,))
    findings = _edge_findings(bench, ground, plane, yardstick)
    notes = () if ground.whole else (_not_judged("the picture itself may be uneven"),)
    return Trouble(findings=tuple(findings), notes=notes)


def _steep_findings(cells: Cells, film: _Lying, yardstick: Yardstick) -> tuple[Finding, ...]:
    """Return the gradient of a piece whose clear edge is too uneven to be taken for one at first sight.

    Where the borders of all four sides lie on one slope, they are unexposed: no picture does that.
    """
    ground = ground_of(cells, film[0], (), edge_only_mm=_STEEP_EDGE_MM, film=film[1])
    blocks = blocks_of(ground.grid, ground.plain, 0.5)
    plane = plane_through(blocks, ground.size_mm)
    if plane is None:
        return ()
    u, v, values = blocks.points
    on = np.abs(values - plane.at(u, v)) < max(_EVEN, 3.0 * blocks.noise)
    width, height = ground.size_mm
    sides = (u < _STEEP_EDGE_MM, v < _STEEP_EDGE_MM, u > width - _STEEP_EDGE_MM, v > height - _STEEP_EDGE_MM)
    if any(np.count_nonzero(side) < 10 or float(on[side].mean()) < _STEEP_SHARE for side in sides):
        return ()
    return tuple(gradient_in(ground, plane, blocks, yardstick))


def _doubt(ground: Ground, plane: Plane, *, whole: bool, fog_sheet: bool) -> Warning_ | None:
    """Return why what is taken for unexposed film may be none, None where it is as even as such film."""
    u, v, values = blocks_of(ground.grid, ground.plain).points
    off = np.abs(values - plane.at(u, v))
    if not fog_sheet:
        even = float((off < _EVEN).mean()) > _MOSTLY
        return None if even else _not_judged("the clear rebate cannot be separated from the picture")
    if not whole and edge_inside(ground):
        return _UNTOLD
    # what is sharp counts as uneven too
    plain, free = int(ground.plain.sum()), int(ground.free.sum())
    share = float((off < _UNEXPOSED).mean()) * plain / max(free, 1)
    return None if share > _MOST_UNEXPOSED else _EXPOSED


def _box(box: tuple[float, float, float, float], angle_deg: float = 0.0) -> TurnedBox:
    return TurnedBox(left_mm=box[0], top_mm=box[1], width_mm=box[2], height_mm=box[3], angle_deg=angle_deg)


def _frame_of(reading: Reading) -> TurnedBox | None:
    if reading.frame_corners_mm is None:
        return None
    corners = np.array(reading.frame_corners_mm)
    middle = corners.mean(axis=0)
    width, height = math.dist(corners[0], corners[1]), math.dist(corners[1], corners[2])
    box = (float(middle[0]) - width / 2, float(middle[1]) - height / 2, width, height)
    return _box(box, reading.angle_deg)


def _ground(
    cells: Cells, film: _Lying, frames: Sequence[TurnedBox], options: MeasureOptions
) -> tuple[Ground, Plane | None]:
    """Return what can be judged of a piece, and the plane through it.

    A piece without a frame that the person did not call unexposed is judged whole only where all of it is even.
    """
    ground = ground_of(cells, film[0], frames, film=film[1])
    plane = plane_through(blocks_of(ground.grid, ground.plain), ground.size_mm)
    if frames or options.fog_sheet or plane is None:
        return ground, plane
    u, v, values = blocks_of(ground.grid, ground.plain).points
    if float((np.abs(values - plane.at(u, v)) < 0.02).mean()) > 0.97:
        return ground, plane
    ground = ground_of(cells, film[0], frames, edge_only_mm=_EDGE_ONLY_MM, film=film[1])
    return ground, plane_through(blocks_of(ground.grid, ground.plain), ground.size_mm)


def _edge_findings(bench: Bench, ground: Ground, plane: Plane, yardstick: Yardstick) -> list[Finding]:
    """Return leaks and uneven development of a piece."""
    blocks = blocks_of(ground.grid, ground.plain)
    findings = gradient_in(ground, plane, blocks, yardstick)
    strips = strips_of(ground, plane, yardstick)
    wave = 0.0
    marks: list[Finding] = []
    if ground.whole:
        edges = edges_of(ground, plane, strips, yardstick)
        strips = edges.strips
        # what a leak or the edges have in common would be taken for bands and marks
        rest = without_leaks(less_edges(ground, edges), leaks_in(ground, strips, yardstick))
        bands = bands_in(rest, plane, blocks_of(rest.grid, rest.plain), yardstick)
        wave = max((abs(band.size.value) for band in bands if band.size is not None), default=0.0)
        findings += [*edges.findings, *bands]
        small, scratched = specks_on(bench.survey, ground, yardstick.calibration)
        rest = replace(rest, plain=rest.plain & ~scratched)
        marks = [*round_marks_in(rest, plane, _above(yardstick, wave)), *small]
    # a band that meets an edge is no leak
    leaks = [
        leak
        for leak in leaks_in(ground, strips, _above(yardstick, wave))
        if not lies_over_edge(bench.cells, ground, leak, yardstick.limits)
    ]
    return [*(leak_finding(ground, plane, leak, yardstick) for leak in leaks), *findings, *marks]


def _above(yardstick: Yardstick, wave: float) -> Yardstick:
    return replace(yardstick, local=max(yardstick.local, wave))


def _on_area(cells: Cells, box: tuple[float, float, float, float], yardstick: Yardstick) -> Trouble:
    """Judge an area that the person named: only where it is even by itself."""
    ground = ground_of(cells, _box(box), (), film_edges=False)
    side = 1.0 if min(box[2:]) > 12.0 else 0.5
    blocks = blocks_of(ground.grid, ground.plain, side)
    plane = plane_through(blocks, ground.size_mm)
    if plane is None or not is_even(blocks, plane, yardstick.limits):
        return Trouble(notes=(_not_judged("the area you named is not even in itself"),))
    found = [
        *gradient_in(ground, plane, blocks, yardstick),
        *bands_in(ground, plane, blocks, yardstick),
    ]
    return Trouble(findings=tuple(found))


_UNTOLD: Final = Warning_(
    code="evenness-not-judged",
    message=(
        "Cannot judge whether the sheet is even: film and bare glass read alike. Calibrate again, or name an area "
        "with --frame instead of --fog-sheet."
    ),
)


EXPOSED: Final = "fog-sheet-exposed"
"""Code of what is said of a sheet that is called unexposed and is not."""

_EXPOSED: Final = Warning_(
    code=EXPOSED,
    message=(
        "Cannot judge whether the sheet is even: most of it varies too much for unexposed film. Either it holds a "
        "picture, and then leave out --fog-sheet, or light has reached all of it. No fog or net densities are given."
    ),
)


def holds_picture(trouble: Trouble) -> Warning_ | None:
    """Return what is said of a sheet that is called unexposed and is not; None of any other."""
    return next((note for note in trouble.notes if note.code == EXPOSED), None)


def _not_judged(why: str) -> Warning_:
    message = f"Cannot judge whether development is even inside the frame: {why}. A fog sheet shows it."
    return Warning_(code="evenness-not-judged", message=message)


def _frame_findings(bench: Bench, reading: Reading, yardstick: Yardstick) -> list[Finding]:
    """Return the dust and pinholes of a picture, and what of it holds none."""
    frame = _frame_of(reading)
    if frame is None:
        return []
    film = reading.footprint
    blanks = blanks_in_frame(bench.cells, frame, reading.base_plus_fog, yardstick, film)
    return [*specks_in_frame(bench.survey, frame, yardstick.calibration, film), *blanks]


def _nearest(finding: Finding, piece: Sequence[Reading]) -> int:
    """Return which frame of a piece a finding is nearest to; findings on the whole piece go to the first."""
    if len(piece) == 1 or not finding.places_mm:
        return 0
    place = finding.places_mm[0]
    middles = [
        np.mean(np.array(reading.frame_corners_mm), axis=0) if reading.frame_corners_mm else np.full(2, np.inf)
        for reading in piece
    ]
    return int(np.argmin([math.dist(place, middle) for middle in middles]))
