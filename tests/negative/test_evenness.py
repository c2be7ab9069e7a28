"""Trouble on film: every kind of finding at two strengths with a clean twin, and what must not be taken for trouble.

Sheets are rendered at 100 ppi: everything but specks is judged on medians of 0.5 to 2 mm, so that finer pixels would
only cost time. The trials over many scanners and pictures are in `evenness_rates`.
"""

from __future__ import annotations

import functools
import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import write_calibration
from densiscan.calibration.make import Label, calibrate_steps
from densiscan.cli.app import run
from densiscan.files.serialise import as_dict
from densiscan.negative.bench import bench_for
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import measure_on
from densiscan.negative.trouble.finding import ORDER, Finding, Trouble
from densiscan.negative.trouble.fog import judged_fog, student
from densiscan.negative.trouble.ground import BorderStrip
from densiscan.negative.trouble.inspection import trouble_on
from densiscan.negative.trouble.leaks import _without_shadow, outer_of
from densiscan.negative.trouble.yardstick import Yardstick, quantile
from densiscan.report.trouble import findings_cell, trouble_lines
from densiscan.scan.scan import open_scan
from tests.renderer import (
    AirBell,
    Bands,
    DryingMark,
    EdgeDensity,
    Film,
    FilmCurve,
    Gradient,
    Leak,
    Picture,
    Piece,
    Place,
    Scanner,
    holder_for,
    render_bed,
    sheet,
    strip,
    write_scan,
)
from tests.support.bed_pieces import Spots
from tests.support.made_up import FACTS, calibration, step_reading
from tests.support.pages import ROOT, text_of
from tests.trials import evenness_rates

BED_MM: Final = (90.0, 66.0)
SCANNER: Final = Scanner(ppi=100.0, glare=0.001, lamp=0.003)
CURVE: Final = FilmCurve(base=0.05, fog=0.15)
PICTURE: Final = Picture(scene="mill", seed=5)
LABEL: Final = Label(name="linear", created="2026-01-02T03:04:05+00:00")
FOG: Final = MeasureOptions(fog_sheet=True)


Floats = npt.NDArray[np.float64]

LIMITS = Yardstick(calibration=calibration(), slope=0.01, local=0.02, lamp=0.001)

DEPTH_MM: Floats = np.linspace(0.25, 7.75, 16)
"""8 mm in bins of 0.5 mm."""

ALONG_MM: Floats = np.linspace(0.5, 59.5, 60)


@functools.cache
def calibration_at(ppi: float) -> Calibration:
    """A calibration of the rendered linear scanner: signal is transmittance, to density 3.6."""
    steps = [
        step_reading(number, value, 10.0**-value, noise=1e-5, per_aperture=30.0)
        for number, value in enumerate(np.arange(0.03, 3.7, 0.6).tolist())
    ]
    return calibrate_steps(steps, facts=replace(FACTS, ppi=ppi), channel="gray", inverted=False, label=LABEL)


def film(picture: Picture | None = None, **changes: Any) -> Film:
    """A sheet of 80 x 56 mm, its top left corner at 5,5 mm, turned by half a degree."""
    place = Place(x_mm=45.0, y_mm=33.0, angle_deg=0.5)
    return sheet(
        **{"size_mm": (80.0, 56.0), "place": place, "picture": picture, "notch": None, "curve": CURVE, **changes}
    )


def troubles(
    folder: Path, pieces: list[Piece], options: MeasureOptions | None = None, scanner: Scanner = SCANNER
) -> tuple[Trouble, ...]:
    """Render, read and look."""
    asked = options or MeasureOptions()
    write_scan(render_bed(pieces, scanner, seed=7, size_mm=BED_MM), folder / "film.tif", compression=None)
    scan, calibration = open_scan(folder / "film.tif"), calibration_at(scanner.ppi)
    bench = bench_for(scan, calibration, asked)
    return trouble_on(bench, measure_on(bench))


def findings(
    folder: Path, pieces: list[Piece], options: MeasureOptions | None = None, scanner: Scanner = SCANNER
) -> list[Finding]:
    return [finding for trouble in troubles(folder, pieces, options, scanner) for finding in trouble.findings]


def size(finding: Finding) -> float:
    assert finding.size is not None
    return finding.size.value


def leak(height: float) -> Leak:
    return Leak(side="top", at_mm=30.0, width_mm=8.0, depth_mm=6.0, net_density=height)


SHEETS: Final[dict[str, tuple[Callable[[float], dict[str, Any]], tuple[float, float]]]] = {
    "light-leak": (lambda d: {"faults": (leak(d),)}, (0.05, 0.3)),
    "gradient": (lambda d: {"faults": (Gradient(amount=d, direction_deg=30.0),)}, (0.06, 0.2)),
    "edge-density": (lambda d: {"faults": (EdgeDensity(amount=d, depth_mm=6.0),)}, (0.04, 0.12)),
    "edge-density lighter": (lambda d: {"faults": (EdgeDensity(amount=-d, depth_mm=6.0),)}, (0.04, 0.12)),
    "bands": (lambda d: {"faults": (Bands(amount=d, period_mm=12.0),)}, (0.03, 0.12)),
    "bands upright": (lambda d: {"faults": (Bands(amount=d, period_mm=9.0, upright=True),)}, (0.03, 0.12)),
    "streak": (lambda d: {"marks": (((-40.0, 4.0, 80.0, 3.0), d),)}, (0.03, 0.12)),
    "air-bell": (lambda d: {"faults": (AirBell(x_mm=30, y_mm=25, diameter_mm=4, share=d / 0.15),)}, (0.03, 0.12)),
    "drying-mark": (lambda d: {"faults": (DryingMark(x_mm=30, y_mm=25, diameter_mm=8, amount=d),)}, (0.03, 0.1)),
}
"""What is done to an unexposed sheet of base 0.05 and fog 0.15, and how strongly."""


@pytest.mark.parametrize(
    ("name", "strength"), [(name, strength) for name, (_, strengths) in SHEETS.items() for strength in strengths]
)
def test_a_fault_of_an_unexposed_sheet_is_found_once_and_alone(name: str, strength: float, tmp_path: Path) -> None:
    found = findings(tmp_path, [film(**SHEETS[name][0](strength))], FOG)
    assert [finding.code for finding in found] == [name.split(maxsplit=1)[0]]
    assert found[0].sure > 0.9
    sign = -1.0 if name in ("air-bell", "edge-density lighter") else 1.0
    # A quarter: edges are read a millimetre in, streaks and waves on blocks as wide as a third of them, a drying mark
    # has its veil on top of its rim.
    assert_allclose(size(found[0]), sign * strength, rtol=0.25, atol=0.003)


def test_a_clean_unexposed_sheet_is_quiet(tmp_path: Path) -> None:
    clean = troubles(tmp_path, [film()], FOG)
    assert [trouble.findings for trouble in clean] == [()]
    assert [trouble.notes for trouble in clean] == [()]


def test_a_sheet_that_covers_all_of_the_scan_is_judged(tmp_path: Path) -> None:
    wide: dict[str, Any] = {"size_mm": (120.0, 100.0)}
    assert not findings(tmp_path, [film(**wide)], FOG)
    found = findings(tmp_path, [film(**wide, faults=(Gradient(amount=0.12),))], FOG)
    assert [finding.code for finding in found] == ["gradient"]


def test_a_sheet_that_is_not_told_from_the_glass_is_not_judged(tmp_path: Path) -> None:
    """The scanner was set darker after it was calibrated: bare glass reads like film."""
    (trouble,) = troubles(tmp_path, [film()], FOG, replace(SCANNER, gain=0.9))
    assert trouble.findings == ()
    assert "film and bare glass read alike" in trouble.notes[0].message


def test_a_picture_that_is_called_a_fog_sheet_is_not_judged(tmp_path: Path) -> None:
    (trouble,) = troubles(tmp_path, [film(PICTURE)], FOG)
    assert [finding.code for finding in trouble.findings] == ["fog-high"]  # of what is said to be fog
    assert "holds a picture" in trouble.notes[0].message


def test_fog_sheet_with_a_bump_on_one_side(tmp_path: Path) -> None:
    """Base plus fog of 0.12, 0.04 more at the right edge, 20 mm down it."""
    bump = Leak(side="right", at_mm=20.0, width_mm=6.0, depth_mm=5.0, net_density=0.04)
    found = findings(tmp_path, [film(curve=FilmCurve(base=0.05, fog=0.07), faults=(bump,))], FOG)
    assert [finding.code for finding in found] == ["light-leak"]
    assert found[0].side == "right"
    # the right edge is at 85 mm and begins at 5 mm; it leans by half a degree, 0.35 mm
    assert math.dist(found[0].places_mm[0], (85.2, 25.0)) < 5.0
    assert_allclose(size(found[0]), 0.04, atol=0.01)


@pytest.mark.parametrize("height", [0.05, 0.3, 0.8, 1.5])
def test_a_leak_beside_a_picture_is_told_once(height: float, tmp_path: Path) -> None:
    (trouble,) = troubles(tmp_path, [film(PICTURE, faults=(leak(height),))])
    assert [finding.code for finding in trouble.findings] == ["light-leak"]
    found = trouble.findings[0]
    assert found.side == "top"
    assert math.dist(found.places_mm[0], (35.3, 5.0)) < 3.0
    assert_allclose(size(found), height, rtol=0.1, atol=0.005)
    assert "at least" in found.message  # it goes on in the picture
    assert [note.code for note in trouble.notes] == ["evenness-not-judged"]


def test_two_leaks_on_one_side_are_two(tmp_path: Path) -> None:
    pair = tuple(
        Leak(side="left", at_mm=at, width_mm=4.0, depth_mm=5.0, net_density=height)
        for at, height in ((12, 0.1), (42, 0.05))
    )
    found = findings(tmp_path, [film(faults=pair)], FOG)
    assert [finding.code for finding in found] == ["light-leak"] * 2
    assert_allclose([size(finding) for finding in found], [0.1, 0.05], rtol=0.15)


@pytest.mark.parametrize("height", [0.8, 1.5])
def test_a_strong_leak_is_nothing_else_besides(height: float, tmp_path: Path) -> None:
    found = findings(tmp_path, [film(faults=(leak(height),))], FOG)
    assert [finding.code for finding in found] == ["light-leak"]


@pytest.mark.parametrize("picture", [None, PICTURE])
@pytest.mark.parametrize("amount", [0.1, 0.4])
def test_a_steep_gradient_is_found_where_no_rebate_is_told(
    amount: float, picture: Picture | None, tmp_path: Path
) -> None:
    """Beyond 0.1 or so the clear edge is too uneven to be taken for one; all four sides lie on one slope, though."""
    curve = FilmCurve(base=0.05, fog=0.25)
    found = findings(tmp_path, [film(picture, curve=curve, faults=(Gradient(amount=amount, direction_deg=90.0),))])
    assert [(finding.code, finding.side) for finding in found] == [("gradient", "bottom")]
    assert_allclose(size(found[0]), amount, rtol=0.1)


@pytest.mark.parametrize("picture", [None, PICTURE])
@pytest.mark.parametrize("cover", [0.5, 1.2, 2.0])
def test_the_rim_of_a_holder_is_no_leak(cover: float, picture: Picture | None, tmp_path: Path) -> None:
    held = film(picture)
    wide = replace(SCANNER, glare=0.008, psf_um=70.0)
    assert not findings(tmp_path, [held, holder_for(held, cover_mm=cover)], None if picture else FOG, wide)


def test_the_shadow_of_a_mask_is_no_leak(tmp_path: Path) -> None:
    """Denser all along the mask, gone within 3 mm; the same on the film's own edge is told."""
    shaded = film(faults=(EdgeDensity(amount=0.25, depth_mm=0.7),))
    assert not findings(tmp_path, [shaded, holder_for(shaded, cover_mm=0.05)], FOG)
    assert findings(tmp_path, [shaded], FOG)


@pytest.mark.parametrize("cover", [0.5, 1.2])
def test_a_leak_is_found_inside_a_holder(cover: float, tmp_path: Path) -> None:
    held = film(PICTURE, faults=(leak(0.12),))
    found = findings(tmp_path, [held, holder_for(held, cover_mm=cover)])
    assert [(finding.code, finding.side) for finding in found] == [("light-leak", "top")]


def test_a_streak_that_meets_the_edges_is_no_leak_and_bands_are_none(tmp_path: Path) -> None:
    wavy = film(faults=(Bands(amount=0.1, period_mm=20.0, upright=True),))
    assert [finding.code for finding in findings(tmp_path, [wavy], FOG)] == ["bands"]


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_clear_parts_of_a_picture(share: float, tmp_path: Path) -> None:
    """An air bell that leaves a third of the silver is still picture; one that leaves none is clearer than any."""
    bell = AirBell(x_mm=30.0, y_mm=25.0, diameter_mm=5.0, share=share)
    found = findings(tmp_path, [film(PICTURE, faults=(bell,))])
    assert [finding.code for finding in found] == ["clear-area"] * (share == 1.0)
    if found:
        assert_allclose(size(found[0]), -0.15, atol=0.02)
        assert math.dist(found[0].places_mm[0], (35.0, 29.8)) < 0.5


@pytest.mark.parametrize("side", [1.5, 5.0])
def test_clipped_parts_of_a_picture(side: float, tmp_path: Path) -> None:
    box = (-10.0, -5.0, side, side)
    light = findings(tmp_path, [film(PICTURE, holes=(box,))], scanner=replace(SCANNER, gain=1.03))
    assert [finding.code for finding in light] == ["clipped-light"]
    assert_allclose(light[0].box_mm[2:], side, atol=0.6)  # two cells
    dark = findings(tmp_path, [film(PICTURE, marks=((box, 4.0),))], scanner=replace(SCANNER, offset=-0.0015))
    assert [finding.code for finding in dark] == ["clipped-dark"]
    assert_allclose(dark[0].box_mm[2:], side, atol=0.6)
    assert light[0].size is None


DUST: Final = ((20.0, 20.0), (40.0, 30.0), (60.0, 50.0), (30.0, 45.0), (70.0, 15.0), (52.0, 40.0))


@pytest.mark.parametrize("count", [1, 6])
def test_dust_and_pinholes_are_counted_at_their_places(count: int, tmp_path: Path) -> None:
    fine = replace(SCANNER, ppi=200.0)
    straight = film(place=Place(x_mm=45.0, y_mm=33.0))
    dusty = Spots(spots=[(x, y, 0.4) for x, y in DUST[:count]])
    (dust,) = findings(tmp_path, [straight, dusty], FOG, fine)
    assert (dust.code, dust.count) == ("dust", count)
    assert dust.area_share is not None
    # a speck of 0.4 mm on 80 x 56 mm, grown by the blur to less than twice its size
    assert 0.5 < dust.area_share / (count * math.pi * 0.04 / (78 * 54)) < 4.0
    assert_allclose(sorted(dust.places_mm), sorted(DUST[:count]), atol=0.3)
    holes = tuple((x - 45.2, y - 33.2, 0.4, 0.4) for x, y in DUST[:count])
    (pinholes,) = findings(tmp_path, [replace(straight, holes=holes)], FOG, fine)
    assert (pinholes.code, pinholes.count) == ("pinholes", count)
    assert_allclose(sorted(pinholes.places_mm), sorted(DUST[:count]), atol=0.3)


@pytest.mark.parametrize("count", [1, 3])
def test_scratches_are_counted(count: int, tmp_path: Path) -> None:
    lines = tuple((-20.0 + 11.0 * k, -15.0, 0.12, 25.0) for k in range(count))
    straight = film(place=Place(x_mm=45.0, y_mm=33.0), holes=lines)
    found = findings(tmp_path, [straight], FOG, replace(SCANNER, ppi=200.0))
    # and nothing else: no row of air bells where a scratch is wide
    assert [(finding.code, finding.count) for finding in found] == [("scratches", count)]
    assert_allclose(found[0].box_mm, (25.0, 18.0, 11.0 * count - 11.0, 25.0), atol=2.5)  # a running mean of 2 mm
    wide = tuple((left, top, 0.35, height) for left, top, _, height in lines)
    found = findings(tmp_path, [replace(straight, holes=wide)], FOG, replace(SCANNER, ppi=200.0))
    assert [(finding.code, finding.count) for finding in found] == [("scratches", count)]


def test_a_picture_is_not_judged_for_evenness(tmp_path: Path) -> None:
    (trouble,) = troubles(tmp_path, [film(PICTURE)])
    assert trouble.findings == ()
    assert "Cannot judge" in trouble.notes[0].message


def test_a_crop_of_the_picture_has_no_edge_to_judge(tmp_path: Path) -> None:
    place = Place(x_mm=45.0, y_mm=33.0)
    wide = sheet(size_mm=(140.0, 110.0), place=place, picture=PICTURE, edge_mm=(4.0,) * 4, notch=None, curve=CURVE)
    (trouble,) = troubles(tmp_path, [wide])
    assert trouble.findings == ()
    assert "no clear rebate was found" in trouble.notes[0].message


def test_an_unexposed_sheet_is_judged_whole_without_being_called_one(tmp_path: Path) -> None:
    """All of it is even but where light fell on it: no picture is so."""
    assert not findings(tmp_path, [film()])
    found = findings(tmp_path, [film(faults=(leak(0.2),))])
    assert [finding.code for finding in found] == ["light-leak"]


def test_an_even_area_that_is_named_is_judged(tmp_path: Path) -> None:
    area = MeasureOptions(frame_mm=(15.0, 15.0, 50.0, 35.0))
    clean = troubles(tmp_path, [film()], area)
    assert clean[0].findings == ()
    assert clean[0].notes == ()
    graded = findings(tmp_path, [film(faults=(Gradient(amount=0.12),))], area)
    assert [(finding.code, finding.side) for finding in graded] == [("gradient", "right")]
    assert_allclose(size(graded[0]), 0.12 * 50 / 80, rtol=0.1)
    busy = troubles(tmp_path, [film(PICTURE)], area)
    assert busy[0].findings == ()
    assert "not even in itself" in busy[0].notes[0].message


def test_leaks_of_a_strip_stand_with_the_nearest_frame(tmp_path: Path) -> None:
    fault = Leak(side="right", at_mm=17.0, width_mm=5.0, depth_mm=4.0, net_density=0.2)
    place, pictures = Place(x_mm=45.0, y_mm=33.0), [PICTURE, replace(PICTURE, seed=6)]
    two = strip(place=place, pictures=pictures, end_mm=4.0, curve=CURVE, faults=(fault,))
    first, second = troubles(tmp_path, [two])
    assert first.findings == ()
    assert [finding.code for finding in second.findings] == ["light-leak"]


def known_steps(folder: Path) -> list[dict[str, float]]:
    lines = [line.split(",") for line in (folder / "known.csv").read_text().splitlines() if not line.startswith("#")]
    return [dict(zip(lines[0], map(float, line), strict=True)) for line in lines[1:]]


def test_real_frames(shared_data: Path) -> None:
    """X-ray film with a 16-step wedge, US National Cancer Institute gel images: the two clearest steps have a streak
    from row 50 of 512 on, lighter by some 6 of 255 codes where a step of 0.14 is 24; the steps beside it have none."""
    folder = shared_data / "real" / "wedge_frames"
    rows = known_steps(folder)
    steps = [
        step_reading(k, row["density"], 1.0 - row["gray_a"] / 255.0, noise=0.02, per_aperture=30.0)
        for k, row in enumerate(rows)
    ]
    facts = replace(FACTS, ppi=100.0, bits=8, full_scale=255)
    made = calibrate_steps(steps, facts=facts, channel="gray", inverted=False, label=LABEL)
    mm = 25.4 / 100.0
    for name, last_row, streaks in (("frame_a", 71, (15.5, 13.2)), ("frame_b", 61, (13.2, 10.7))):
        scan = open_scan(folder / f"{name}.tif", ppi=100)
        for row, begins in zip(rows[:4], (*streaks, None, None), strict=True):
            box = (row["x0"] * mm, 14 * mm, (row["x1"] - row["x0"]) * mm, (last_row - 14) * mm)
            options = MeasureOptions(frame_mm=box)
            bench = bench_for(scan, made, options)
            (trouble,) = trouble_on(bench, measure_on(bench))
            seen = [finding for finding in trouble.findings if finding.code == "streak"]
            assert len(seen) == (begins is not None), (name, row["step"])
            for streak in seen:
                assert_allclose(streak.box_mm[1], begins or 0.0, atol=1.0)  # two lines of 0.5 mm
                assert_allclose(size(streak), -0.035, atol=0.01)


def known(value: float, standard: float) -> Quantity:
    return Quantity(value, {Influence("patch noise", f"{value}"): standard})


def test_fog_is_judged_against_the_films_own_history() -> None:
    history = [known(value, 0.004) for value in (0.20, 0.21, 0.19, 0.20, 0.21)]
    usual = judged_fog(known(0.22, 0.004), history=history)
    assert (usual.against, usual.high) == ("own history", False)
    high = judged_fog(known(0.27, 0.004), history=history)
    assert (high.against, high.high) == ("own history", True)
    assert "0.07 more" in high.message
    less = judged_fog(known(0.10, 0.004), history=history)
    assert not less.high
    assert "0.10 less" in less.message


def test_three_runs_that_agree_by_chance_do_not_make_a_small_rise_high() -> None:
    history = [known(0.200, 0.01)] * 3
    assert not judged_fog(known(0.24, 0.01), history=history).high
    assert judged_fog(known(0.40, 0.01), history=history).high


def test_fog_without_history_is_judged_by_common_practice() -> None:
    few = [known(0.1, 0.004)] * 2
    for base, value, high in ((0.05, 0.25, False), (0.05, 0.45, True), (None, 0.45, False), (None, 0.70, True)):
        told = judged_fog(known(value, 0.005), base_density=base, history=few)
        assert (told.against, told.high) == ("common practice", high), told.message
        assert "common practice" in told.message
    assert "the base you gave, which is wrong" in judged_fog(known(0.05, 0.005), base_density=0.20).message


@pytest.mark.parametrize("number", [3, 4, 6, 7, 10, 30])
def test_a_rise_is_called_high_by_the_law_of_student(number: int) -> None:
    """The limit against scipy's quantile for one more reading of the same: 0.005 of unchanged film is called high."""
    assert_allclose(student(number - 1), stats.t.isf(0.005, number - 1), rtol=0.01)
    spread = 0.05
    values = np.linspace(-1.0, 1.0, number)
    values *= spread / values.std(ddof=1)
    history = [known(1.0 + float(value), 0.0) for value in values]
    limit = float(stats.t.isf(0.005, number - 1)) * math.hypot(spread * math.sqrt(1 + 1 / number), 0.003)
    assert not judged_fog(known(1.0 + 0.98 * limit, 0.0), history=history).high
    assert judged_fog(known(1.0 + 1.02 * limit, 0.0), history=history).high


def test_a_doubt_of_the_new_reading_joins_the_scatter_of_the_old_ones() -> None:
    """By hand: scatter 0.005 sqrt(4/3) of 2 degrees, doubt 0.01: 0.01155 together, 2 (0.01155/0.00577)^4 = 32 degrees,
    t = 2.738 (table: 2.750 for 30), limit 0.0316."""
    history = [known(value, 0.001) for value in (0.195, 0.200, 0.205)]
    assert not judged_fog(known(0.2306, 0.01), history=history).high
    assert judged_fog(known(0.2326, 0.01), history=history).high


@pytest.mark.parametrize("fog", [0.15, 0.45, 0.8])
def test_fog_of_each_side_and_above_the_base(fog: float, tmp_path: Path) -> None:
    options = MeasureOptions(base_density=0.05)
    (trouble,) = troubles(tmp_path, [film(PICTURE, curve=FilmCurve(base=0.05, fog=fog))], options)
    assert [side.name for side in trouble.fog] == ["left", "top", "right", "bottom"]
    for side in trouble.fog:
        assert side.fog is not None
        assert side.base_plus_fog.uncertainty is not None
        assert_allclose(side.base_plus_fog.value, 0.05 + fog, atol=side.base_plus_fog.uncertainty)
        assert_allclose(side.fog.value, side.base_plus_fog.value - 0.05, atol=1e-9)
    assert [finding.code for finding in trouble.findings] == ["fog-high"] * (fog > 0.3)
    assert trouble.fog_against == "common practice"


def test_what_is_found_is_told_in_words_and_cells(tmp_path: Path) -> None:
    (trouble,) = troubles(tmp_path, [film(PICTURE, faults=(leak(0.1),))])
    assert [label for label, _ in trouble_lines(trouble)] == ["trouble 1"]  # fog as usual, alike on all sides
    told = trouble_lines(trouble, usual=True)
    assert [label for label, _ in told] == ["fog level", "", "trouble 1"]
    assert "left 0.20 ± 0.02" in told[1][1]
    assert "light leak: 0.10 denser at the top edge" in told[2][1]
    assert findings_cell(trouble).startswith("light-leak top +0.")
    document = json.loads(json.dumps(as_dict(trouble), allow_nan=False))
    assert (document["findings"][0]["code"], document["fog_against"]) == ("light-leak", "common practice")


def test_every_code_has_its_place_in_the_order() -> None:
    assert len(set(ORDER)) == len(ORDER)
    assert {name.split()[0] for name in SHEETS} <= set(ORDER)


def test_counted_things_are_marked_one_by_one() -> None:
    dust = Finding(
        code="dust",
        message="",
        box_mm=(0, 0, 50, 50),
        size=None,
        sure=1.0,
        count=2,
        places_mm=((5.0, 5.0), (45.0, 45.0)),
    )
    assert dust.marks_mm == ((3.75, 3.75, 2.5, 2.5), (43.75, 43.75, 2.5, 2.5))
    assert replace(dust, count=None).marks_mm == ((0, 0, 50, 50),)


@given(share=st.floats(1e-9, 0.4))
def test_the_normal_deviate(share: float) -> None:
    assert_allclose(quantile(share), stats.norm.isf(share), rtol=1e-9, atol=1e-9)


def test_fog_sheet_and_marked_picture_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    write_scan(render_bed([film(faults=(leak(0.2),))], SCANNER, seed=3, size_mm=BED_MM), Path("fog.tif"))
    write_calibration(calibration_at(SCANNER.ppi), "cal.json")
    asked = "measure fog.tif --calibration cal.json --base 0.05 --fog-sheet --marked marked.png --json"
    assert run(asked.split()) == 0
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert [finding["code"] for finding in reading["findings"]] == ["light-leak"]
    assert_allclose(reading["evenness"]["fog"][0]["fog"]["value"], 0.15, atol=0.02)
    assert (reading["seen"], reading["exposure"]) == ("unexposed", None)  # nothing was exposed
    assert Path("marked.png").read_bytes().startswith(b"\x89PNG")
    for wrong in ("--fog-sheet --frame 10,10,20,20", "--marked fog.tif"):
        assert run(f"measure fog.tif --calibration cal.json {wrong}".split()) == 2
        assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(("only", "seeds"), [("clean", 3), ("leak of 0.05", 2), ("gradient of 0.06", 2)])
def test_rates_on_a_few_seeds(only: str, seeds: int, tmp_path: Path) -> None:
    """Reduced `python -m tests.trials.evenness_rates`: no false finding, every leak and gradient found."""
    for seed in range(9001, 9001 + seeds):
        for trial in evenness_rates.trials_of(seed, seeds, tmp_path, only):
            assert trial.found or only == "clean", trial
            assert trial.others == (), trial


def test_the_page_on_findings_explains_every_one() -> None:
    page = text_of(ROOT / "docs" / "findings.md")
    table = re.findall(r"^\| `([a-z-]+)` \|", page, flags=re.MULTILINE)
    assert table == list(ORDER)  # in the order in which they are told


def test_fog_of_a_run_is_held_against_earlier_runs_of_its_film(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    write_calibration(calibration_at(SCANNER.ppi), "cal.json")
    write_scan(render_bed([film(PICTURE)], SCANNER, seed=3, size_mm=BED_MM), Path("negative.tif"))
    told = "run add --film Heron --developer Moss --time 8:00 --temp 20 --base-plus-fog"
    for base_plus_fog in (0.11, 0.12, 0.11, 0.30):
        assert run(f"{told} {base_plus_fog}".split()) == 0
    # the fourth run is its own, not its history, and the fifth came later
    assert run(f"{told} 0.31".split()) == 0
    capsys.readouterr()
    assert run(["measure", "negative.tif", "--calibration", "cal.json", "--run", "4", "--json"]) == 0
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert reading["evenness"]["fog_against"] == "own history"
    assert "0.11 ± 0.01 in 3 earlier runs" in reading["evenness"]["fog_level"]
    assert "fog-high" in [finding["code"] for finding in reading["findings"]]


# ---- Borders of film drawn by hand: what a mask throws on them is left out, a leak is not
def border_strip(excess: Floats) -> BorderStrip:
    return BorderStrip(side="left", excess=excess, depth_mm=DEPTH_MM, along_mm=ALONG_MM, masked=True)


def shadow(depth_mm: float, *, height: float = 0.05, places: slice = slice(None)) -> Floats:
    excess = np.zeros((DEPTH_MM.size, ALONG_MM.size))
    excess[depth_mm > DEPTH_MM, places] = height
    return excess


@pytest.mark.parametrize("depth_mm", [0.5, 1.5, 2.5])
def test_the_shadow_of_a_mask_is_left_out(depth_mm: float) -> None:
    """Denser along all of the side and gone within 3 mm: that depth and one bin more are not judged."""
    left = _without_shadow(border_strip(shadow(depth_mm)), LIMITS).excess
    gone = int(np.count_nonzero(depth_mm > DEPTH_MM)) + 1
    assert_array_equal(np.isnan(left[:gone]), np.ones((gone, ALONG_MM.size), dtype=bool))
    assert_array_equal(left[gone:], 0.0)


@pytest.mark.parametrize(
    "excess",
    [
        shadow(3.5),  # too deep for a mask
        shadow(8.0),  # all the way in
        shadow(2.0, height=0.009),  # less than half of what counts
        shadow(2.0, places=slice(0, 25)),  # along less than half of the side: a leak
        np.full((DEPTH_MM.size, ALONG_MM.size), np.nan),  # nothing is judged there
    ],
    ids=["deep", "whole", "faint", "leak", "nothing"],
)
def test_what_is_no_shadow_stays(excess: Floats) -> None:
    whole = border_strip(excess)
    assert _without_shadow(whole, LIMITS) is whole


def test_a_shadow_over_all_that_is_seen_is_left_out_where_little_is_seen() -> None:
    """Only 2.5 mm of rebate are seen, all of them denser: they may be the mask's."""
    excess = shadow(2.5)
    excess[DEPTH_MM > 2.5] = np.nan
    assert np.isnan(_without_shadow(border_strip(excess), LIMITS).excess).all()
    deeper = shadow(3.5)
    deeper[DEPTH_MM > 3.5] = np.nan
    assert np.isfinite(_without_shadow(border_strip(deeper), LIMITS).excess).any()


def test_the_outermost_film_that_is_seen_is_told_place_by_place() -> None:
    """The mean of the first bins that are seen; a place of which nothing is seen tells nothing."""
    excess = np.zeros((DEPTH_MM.size, ALONG_MM.size))
    excess[:, 10] = np.nan
    excess[0, 20] = np.nan
    excess[1:3, 20] = 0.3
    found = outer_of(border_strip(excess))
    assert np.isnan(found[10])
    assert found[20] == pytest.approx(0.3)
    assert found[0] == 0.0
    none = BorderStrip(side="left", excess=np.empty((0, 60)), depth_mm=np.empty(0), along_mm=ALONG_MM)
    assert np.isnan(outer_of(none)).all()
