"""Frames in a row, told apart on profiles drawn by hand: gaps even and uneven, ends clear, a band in a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.negative.find.limits import FRAME_LIMITS
from densiscan.negative.find.rebate import Frame as FoundFrame
from densiscan.negative.find.row import equally_high, equally_wide, row_of_frames
from densiscan.negative.find.sides import Profile, Side
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import measure_scan
from densiscan.scan.cells import TurnedBox
from densiscan.scan.scan import open_scan
from tests.negative.test_negative import calibration_of
from tests.renderer import Film, Frame, Picture, Place, Scanner, render_bed, write_scan

STEP_MM = 0.25
LENGTH_MM = 130.0
HEIGHT = 96  # lines: 24 mm
SEARCH_MM = 0.51
"""A step is sought between what lies 0.4 mm before and behind a border: two lines. It is placed exactly afterwards."""

Span = tuple[float, float]


def row(
    exposed: list[Span],
    *,
    ends: Span | None = None,
    origins: tuple[Literal["line", "edge", "assumed"], Literal["line", "edge", "assumed"]] = ("line", "line"),
    faint: tuple[tuple[float, float, float], ...] = (),
) -> list[tuple[float, float, str, str]]:
    """Return start and end of each frame found, mm, and how each was told; `exposed` is what is denser than rebate."""
    places = (np.arange(round(LENGTH_MM / STEP_MM)) + 0.5) * STEP_MM
    excess = np.zeros(places.size)
    for start, end in exposed:
        excess[(places > start) & (places < end)] = 0.8 * FRAME_LIMITS.full
    for start, end, level in faint:
        excess[(places > start) & (places < end)] = level * FRAME_LIMITS.full
    profile = Profile(excess=excess, density=2.0 * excess, step_mm=STEP_MM, noise=0.0002, fogged=0.0)
    first, last = ends or (exposed[0][0], exposed[-1][1])
    sides = [
        Side(round(at / STEP_MM), 0.0 if origin == "assumed" else 0.8, origin)
        for at, origin in zip((first, last), origins, strict=True)
    ]
    found = row_of_frames(profile, (sides[0], sides[1]), HEIGHT)
    return [(one.at * STEP_MM, other.at * STEP_MM, one.origin, other.origin) for one, other in found]


def assert_spans(found: list[tuple[float, float, str, str]], wanted: list[Span]) -> None:
    assert_allclose([span[:2] for span in found], wanted, rtol=0, atol=SEARCH_MM)


def test_three_frames_with_even_gaps() -> None:
    spans = [(5.0, 41.0), (43.0, 79.0), (81.0, 117.0)]
    assert_spans(row(spans), spans)


@pytest.mark.parametrize("gaps", [(2.0, 5.0), (6.0, 2.5)])
def test_frames_of_one_width_with_uneven_gaps(gaps: tuple[float, float], tmp_path: Path) -> None:
    """A camera whose transport slips, rendered and read whole."""
    lefts = (-57.0, -21.0 + gaps[0], 15.0 + sum(gaps))
    frames = tuple(
        Frame(box=(left, -12.0, 36.0, 24.0), picture=Picture(scene=scene, seed=7))
        for left, scene in zip(lefts, ("mill", "wood", "shore"), strict=True)
    )
    film = Film(size_mm=(122.0, 35.0), place=Place(x_mm=72.0, y_mm=30.0, angle_deg=0.4), frames=frames)
    bed = render_bed([film], Scanner(ppi=101.6), seed=5, size_mm=(144.0, 60.0))
    write_scan(bed, tmp_path / "bed.tif")
    scan = open_scan(tmp_path / "bed.tif")
    readings = measure_scan(scan, calibration_of(scan), MeasureOptions())
    corners = [reading.frame_corners_mm for reading in readings]
    wanted = [frame.corners_mm for frame in bed.truth.film.frames]
    assert_allclose(np.array(corners, dtype=float), wanted, rtol=0, atol=1.0)  # the aim set for this tool


@pytest.mark.parametrize("clear", ["end", "start"])
def test_a_picture_that_ends_clear_keeps_its_place(clear: str) -> None:
    spans = [(5.0, 41.0), (43.0, 79.0), (81.0, 117.0)]
    seen = [spans[0], (43.0, 72.0) if clear == "end" else (50.0, 79.0), spans[2]]
    found = row(seen)
    assert_spans(found, spans)
    assert found[1][3 if clear == "end" else 2] == "assumed"


def test_a_faint_line_in_a_clear_picture_makes_no_second_gap_within_the_first() -> None:
    exposed = [(5.0, 41.0), (43.0, 79.0)]
    faint = ((80.5, 80.75, 0.08), (80.75, 81.5, 0.04), (81.5, 117.0, 0.2))
    found = row(exposed, ends=(5.0, 112.0), origins=("line", "line"), faint=faint)
    assert_spans(found[:2], exposed)
    assert found[2][1] - found[2][0] == pytest.approx(36.0, abs=2 * SEARCH_MM)


def test_a_frame_cut_by_the_end_of_the_film_stays_short() -> None:
    spans = [(5.0, 41.0), (43.0, 79.0), (82.0, 105.0)]
    assert_spans(row(spans, origins=("line", "edge")), spans)


def test_frames_between_ends_that_do_not_show() -> None:
    """The outermost pictures end clear: the row is divided by the gaps that show."""
    found = row([(5.0, 41.0), (43.0, 79.0), (81.0, 117.0)], origins=("assumed", "assumed"))
    assert_spans(found, [(5.0, 41.0), (43.0, 79.0), (81.0, 117.0)])


def test_a_clear_band_in_a_picture_is_no_gap() -> None:
    """A white wall across a picture of 60 mm would leave frames of 15 and 41 mm."""
    assert_spans(row([(5.0, 20.0), (24.0, 65.0)]), [(5.0, 65.0)])


def test_what_would_leave_frames_too_slim_is_one_picture() -> None:
    """Two halves of 15 mm each, 24 mm high: slimmer than any frame of a camera."""
    assert_spans(row([(5.0, 20.0), (22.0, 37.0)]), [(5.0, 37.0)])


def box(left: float, width: float, *, upright: bool) -> TurnedBox:
    """A frame 24 mm high in the middle of a strip of 35 mm, `left` from the strip's beginning."""
    if upright:
        return TurnedBox(left_mm=5.5, top_mm=left, width_mm=24.0, height_mm=width, angle_deg=0.0)
    return TurnedBox(left_mm=left, top_mm=5.5, width_mm=width, height_mm=24.0, angle_deg=0.0)


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize(
    ("middle", "weak", "origin", "wanted"),
    [
        ((43.0, 33.0), "end", "line", (43.0, 36.0)),
        ((46.0, 33.0), "start", "line", (43.0, 36.0)),
        ((46.0, 33.0), "end", "line", (43.0, 36.0)),  # no room at the end: 2 mm to the next frame, so at the start
        ((43.0, 35.6), "end", "line", (43.0, 35.6)),  # cameras differ by as much
        ((43.0, 33.0), "end", "edge", (43.0, 33.0)),  # cut by the end of the film
    ],
    ids=["end", "start", "no room", "alike", "cut"],
)
def test_a_short_frame_is_widened_at_its_weaker_end(
    middle: Span, weak: str, origin: str, wanted: Span, upright: bool
) -> None:
    strip = TurnedBox(left_mm=0.0, top_mm=0.0, width_mm=122.0, height_mm=35.0, angle_deg=0.0)
    if upright:
        strip = TurnedBox(left_mm=0.0, top_mm=0.0, width_mm=35.0, height_mm=122.0, angle_deg=0.0)
    frames = []
    for left, width in ((5.0, 36.0), middle, (81.0, 36.0)):
        short = (left, width) == middle
        at_end = 0.3 if short and weak == "end" else 0.9
        at_start = 0.3 if short and weak == "start" else 0.9
        last = origin if short else "line"
        shares = (1.0, at_start, 1.0, at_end) if upright else (at_start, 1.0, at_end, 1.0)
        origins = ("line", "line", "line", last) if upright else ("line", "line", last, "line")
        place = box(left, width, upright=upright)
        frames.append(FoundFrame(box=place, area=place, origins=origins, shares=shares, doubts_mm=(0.1,) * 4))
    out = equally_wide(frames, strip, 0 if upright else 1)
    assert (out[0], out[2]) == (frames[0], frames[2])
    for found in (out[1].box, out[1].area):
        left, top, width, height = found.box_mm
        assert_allclose((top, height) if upright else (left, width), wanted, rtol=0, atol=1e-9)
        assert_allclose((left, width) if upright else (top, height), (5.5, 24.0), rtol=0, atol=1e-9)
    moved = wanted != middle
    assert ("assumed" in out[1].origins) == moved
    assert (0.0 in out[1].shares) == moved


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize(("start", "height", "wanted"), [(6.2, 23.3, (5.5, 24.0)), (5.8, 23.7, (5.8, 23.7))])
def test_a_side_along_the_row_lies_where_it_does_on_the_other_frames(
    start: float, height: float, wanted: Span, upright: bool
) -> None:
    """Where the first frame begins with 0.7 mm as clear as the rebate; 0.3 mm is what film wanders in a camera."""
    size = (35.0, 122.0) if upright else (122.0, 35.0)
    strip = TurnedBox(left_mm=0.0, top_mm=0.0, width_mm=size[0], height_mm=size[1], angle_deg=0.0)
    frames = []
    for left, (top, tall) in ((5.0, (start, height)), (43.0, (5.5, 24.0)), (81.0, (5.55, 23.9))):
        sides = (top, left, tall, 36.0) if upright else (left, top, 36.0, tall)
        place = TurnedBox(left_mm=sides[0], top_mm=sides[1], width_mm=sides[2], height_mm=sides[3], angle_deg=0.0)
        frames.append(FoundFrame(box=place, area=place, origins=("line",) * 4, shares=(1.0,) * 4, doubts_mm=(0.1,) * 4))
    out = equally_high(frames, strip, 0 if upright else 1)
    assert out[1:] == frames[1:]
    left, top, width, tall = out[0].box.box_mm
    # half of the 0.05 by which the others differ
    assert_allclose((left, width) if upright else (top, tall), wanted, rtol=0, atol=0.03)
    assert ("assumed" in out[0].origins) == (wanted != (start, height))
