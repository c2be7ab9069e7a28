"""Trouble seen early: fog, light leaks, uneven development, specks, for each reading of a scan.

Only what is unexposed or truly even is judged: the rebate, an unexposed sheet, an even area that the person named. A
picture is not: what looks like uneven development there may be the subject.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from densiscan.calibration import Calibration
from densiscan.evenness_found import Finding, Limits, SideFog, Trouble, limits_of
from densiscan.evenness_leaks import leaks_in, strips_of
from densiscan.evenness_map import Ground, Plane, blocks_of, ground_of, plane_through
from densiscan.evenness_sheet import bands_in, edges_of, gradient_in, is_even
from densiscan.evenness_specks import round_marks_in, specks_in_frame, specks_on
from densiscan.negative import MeasureOptions, Reading
from densiscan.pieces_map import Cells, TurnedBox, cells_of
from densiscan.quantity import Quantity, Warning_
from densiscan.survey import Survey

USUAL_FOG: Final = 0.30
"""Fog above the base that is usual at most, for old material (common practice)."""

CLEAR_BASE: Final = 0.05
TINTED_BASE: Final = 0.30
"""Densities of a clear sheet film base and of the densest tinted bases of roll film (common practice)."""

_EDGE_ONLY_MM: Final = 3.0
_EVEN: Final = 0.03
_MOSTLY: Final = 0.6
_FEWEST_BEFORE: Final = 3
_HISTORY_FLOOR: Final = 0.03


def trouble_on(
    found: Survey,
    readings: Sequence[Reading],
    calibration: Calibration,
    options: MeasureOptions,
    *,
    history: Sequence[float] = (),
) -> tuple[Trouble, ...]:
    """Look for trouble on everything that was read of one scan.

    Parameters
    ----------
    found
        The survey that the readings were made from.
    history
        Base plus fog of earlier runs of the same film, density; with three or more the level is judged against them.

    Returns
    -------
    tuple of Trouble
        One for each reading. What is found on a piece with several frames stands with the nearest of them.
    """
    cells = cells_of(found, inverted=calibration.inverted)
    limits = limits_of(calibration, evened=options.lamp is not None)
    results: list[Trouble] = []
    for piece in _by_film(readings):
        results.extend(_on_film((found, cells), piece, calibration, options, limits))
    judged = zip(results, readings, strict=True)
    return tuple(with_fog(trouble, reading, calibration, options, history=history) for trouble, reading in judged)


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
    scan: tuple[Survey, Cells],
    piece: Sequence[Reading],
    calibration: Calibration,
    options: MeasureOptions,
    limits: Limits,
) -> list[Trouble]:
    found, cells = scan
    if options.frame_mm is not None:
        return [_on_area(cells, options.frame_mm, calibration, limits) for _ in piece]
    first = piece[0]
    if first.seen_mm is None or first.rebate is None:
        return [Trouble(notes=(_not_judged("no clear rebate was found"),)) for _ in piece]
    seen = _box(first.seen_mm, first.seen_angle_deg)
    frames = [frame for frame in (_frame_of(reading) for reading in piece) if frame is not None]
    ground, plane = _ground(cells, seen, frames, options)
    if plane is None:
        return [Trouble(notes=(_not_judged("too little clear rebate is in the scan"),)) for _ in piece]
    if not _mostly_on(ground, plane):
        return [Trouble(notes=(_not_judged("the clear rebate is not told surely from the picture"),)) for _ in piece]
    findings = _edge_findings(found, ground, plane, calibration, limits)
    notes = () if ground.whole else (_not_judged("a picture may differ by itself"),)
    own = [_frame_findings(found, reading, calibration) for reading in piece]
    for finding in findings:
        own[_nearest(finding, piece)].append(finding)
    return [Trouble(findings=tuple(some), notes=notes) for some in own]


def _mostly_on(ground: Ground, plane: Plane) -> bool:
    """Return whether most of what is taken for unexposed film is as even as such film: else it is picture in part."""
    u, v, values = blocks_of(ground.grid, ground.plain).points
    return float((np.abs(values - plane.at(u, v)) < _EVEN).mean()) > _MOSTLY


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
    cells: Cells, seen: TurnedBox, frames: Sequence[TurnedBox], options: MeasureOptions
) -> tuple[Ground, Plane | None]:
    """Return what can be judged of a piece, and the plane through it.

    A piece without a frame that the person did not call unexposed is judged whole only where all of it is even.
    """
    ground = ground_of(cells, seen, frames, edge_only_mm=None)
    plane = plane_through(blocks_of(ground.grid, ground.plain), ground.size_mm)
    if frames or options.fog_sheet or plane is None:
        return ground, plane
    u, v, values = blocks_of(ground.grid, ground.plain).points
    if float((np.abs(values - plane.at(u, v)) < 0.02).mean()) > 0.97:
        return ground, plane
    ground = ground_of(cells, seen, frames, edge_only_mm=_EDGE_ONLY_MM)
    return ground, plane_through(blocks_of(ground.grid, ground.plain), ground.size_mm)


def _edge_findings(
    found: Survey, ground: Ground, plane: Plane, calibration: Calibration, limits: Limits
) -> list[Finding]:
    """Return leaks and uneven development of a piece."""
    blocks = blocks_of(ground.grid, ground.plain)
    gradients = gradient_in(ground, plane, blocks, calibration, limits)
    strips = strips_of(ground, plane)
    edges: list[Finding] = []
    bands: list[Finding] = []
    marks: list[Finding] = []
    # a band that meets an edge is no leak
    wave = 0.0
    if ground.whole:
        edges, strips = edges_of(ground, plane, strips, calibration, limits)
        bands = bands_in(ground, plane, blocks, calibration, limits)
        wave = max((abs(one.size.value) for one in (*bands, *edges) if one.size is not None), default=0.0)
        specks = specks_on(found, ground, calibration)
        marks = [*round_marks_in(ground, plane, calibration, _above(limits, 1.6 * wave)), *specks]
    above = _above(limits, wave if bands else 0.0)
    return [*leaks_in(ground, plane, strips, calibration, above), *gradients, *edges, *bands, *marks]


def _above(limits: Limits, wave: float) -> Limits:
    return replace(limits, local=max(limits.local, wave))


def _on_area(cells: Cells, box: tuple[float, float, float, float], calibration: Calibration, limits: Limits) -> Trouble:
    """Judge an area that the person named: only where it is even by itself."""
    ground = replace(ground_of(cells, _box(box), (), edge_only_mm=None), film_edges=False)
    side = 1.0 if min(box[2:]) > 12.0 else 0.5
    blocks = blocks_of(ground.grid, ground.plain, side)
    plane = plane_through(blocks, ground.size_mm)
    if plane is None or not is_even(blocks, plane):
        return Trouble(notes=(_not_judged("the area named is not even by itself"),))
    found = [
        *gradient_in(ground, plane, blocks, calibration, limits),
        *bands_in(ground, plane, blocks, calibration, limits),
    ]
    return Trouble(findings=tuple(found))


def _not_judged(why: str) -> Warning_:
    message = f"Whether development is even inside the frame cannot be told: {why}; a fog sheet tells it."
    return Warning_(code="evenness-not-judged", message=message)


def _frame_findings(found: Survey, reading: Reading, calibration: Calibration) -> list[Finding]:
    """Return the dust and pinholes of a picture."""
    frame = _frame_of(reading)
    return [] if frame is None else specks_in_frame(found, frame, calibration)


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


def with_fog(
    trouble: Trouble, reading: Reading, calibration: Calibration, options: MeasureOptions, *, history: Sequence[float]
) -> Trouble:
    """Add what is known of the fog of a reading: side by side, its level in words, and a finding where it is high."""
    base = reading.base_plus_fog
    if base is None:
        return trouble
    sides = () if reading.rebate is None else reading.rebate.sides
    fog = tuple(
        SideFog(
            name=side.name,
            base_plus_fog=calibration.quantity(10.0**-side.density, side.uncertainty, f"rebate {side.name}"),
        )
        for side in sides
    )
    level, high = _fog_level(base, options.base_density, history)
    finding = () if high is None else (_fog_finding(reading, base, level, high),)
    return Trouble(findings=(*finding, *trouble.findings), fog=fog, fog_level=level, notes=trouble.notes)


def _fog_level(base: Quantity, clear: float | None, history: Sequence[float]) -> tuple[str, float | None]:
    """Return a sentence on the level, and how sure it is too high (None where it is not)."""
    doubt = max(base.standard_uncertainty or 0.0, 0.003)
    if len(history) >= _FEWEST_BEFORE:
        return _against_history(base.value, doubt, history)
    if clear is not None:
        return _above_base(base.value - clear, doubt)
    most = TINTED_BASE + USUAL_FOG
    if base.value > most + 2.0 * doubt:
        told = (
            f"Base plus fog of {base.value:.2f} is more than even a tinted base ({TINTED_BASE:.2f}) and the fog of old "
            f"material ({USUAL_FOG:.2f}) make together (common practice)."
        )
        return told, _normal((base.value - most) / doubt)
    if base.value > CLEAR_BASE + USUAL_FOG:
        told = f"Base plus fog of {base.value:.2f} is more than is usual on a clear base, and usual on a tinted one"
        return f"{told} (common practice); give --base to know the fog.", None
    return f"Base plus fog of {base.value:.2f} is usual (common practice: up to 0.30 above a clear base).", None


def _against_history(value: float, doubt: float, history: Sequence[float]) -> tuple[str, float | None]:
    usual, spread = statistics.fmean(history), statistics.stdev(history)
    wide = math.sqrt(spread**2 * (1 + 1 / len(history)) + doubt**2)
    more = value - usual
    told = f"Base plus fog was {usual:.2f} ± {2 * spread:.2f} in {len(history)} earlier runs of this film"
    if more > max(3.0 * wide, _HISTORY_FLOOR):
        return f"{told}; now it is {more:.2f} more.", _normal(more / wide)
    return f"{told}; {value:.2f} is as usual.", None


def _above_base(fog: float, doubt: float) -> tuple[str, float | None]:
    if fog > USUAL_FOG + 2.0 * doubt:
        told = f"Fog of {fog:.2f} above the base is more than the {USUAL_FOG:.2f} usual even for old material"
        return f"{told} (common practice).", _normal((fog - USUAL_FOG) / doubt)
    told = f"Fog of {fog:.2f} above the base is usual"
    return f"{told}, up to {USUAL_FOG:.2f} for old material (common practice).", None


def _normal(z: float) -> float:
    return float(min(0.5 * math.erfc(-z / math.sqrt(2)), 0.999))


def _fog_finding(reading: Reading, base: Quantity, level: str, sure: float) -> Finding:
    message = f"{level} Old or warm-stored film, a tired or hot developer or an unsafe light can do that."
    box = reading.seen_mm or reading.frame_mm or (0.0, 0.0, 0.0, 0.0)
    return Finding(code="fog-high", message=message, box_mm=box, size=base, sure=sure)
