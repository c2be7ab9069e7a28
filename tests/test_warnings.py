"""Each stage that warns has its sound thing, of which nothing at all is said; the codes are read from the source."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.calibration.check.bed import bed_check
from densiscan.calibration.check.slot import slot_check
from densiscan.calibration.check.wedge import wedge_check
from densiscan.calibration.lamp import read_bed
from densiscan.calibration.make import Label, calibrate
from densiscan.development.advice import Advice, advise
from densiscan.development.developer_life import Load, Wear
from densiscan.film.speed_and_contrast import FilmAim, FilmTest, film_test
from densiscan.negative.find.rebate import Frame
from densiscan.negative.limits import limit_warnings
from densiscan.negative.options import MeasureOptions
from densiscan.negative.parts import _doubts
from densiscan.negative.reading import measure_scan
from densiscan.notebook.advised import AdviceSheet
from densiscan.paper.tested_range import Circumstances, PaperTest, paper_by_eye
from densiscan.report.advice import _all_warnings
from densiscan.scan.apertures import ApertureReadings
from densiscan.scan.cells import TurnedBox
from densiscan.scan.scan import Scan
from tests.development.test_advice import plan, run
from tests.film import test_film
from tests.negative.test_negative import calibration_of, codes
from tests.paper import test_test as test_paper_test
from tests.renderer import FilmCurve, Gradient, Picture, Place, Scanner, sheet
from tests.support.bed_pieces import BlackMask, layout, scanned, wedge
from tests.support.made_up import calibration

TESTS = Path(__file__).resolve().parent
PACKAGE = TESTS.parent / "densiscan"
GOOD = Scanner(ppi=150.0, gain=0.93, glare=0.0005, lamp=0.002, streaks=0.0002)
LINEAR = replace(GOOD, gain=1.0)
"""Its signal is transmittance, as the calibration made by hand has it."""
KEBAB = re.compile(r"[a-z0-9]+(-[a-z0-9]+)+")


def codes_in(file: Path) -> set[str]:
    """Codes that a module's warnings have; `scan` writes its own as pairs of code and message."""
    found = set()
    is_scan = place_of(file) == "scan/scan"
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Warning_":
            values = [keyword.value for keyword in node.keywords if keyword.arg == "code"]
            found |= {value.value for value in values if isinstance(value, ast.Constant)}
        elif is_scan and isinstance(node, ast.Tuple) and len(node.elts) == 2:
            first = node.elts[0]
            if isinstance(first, ast.Constant) and isinstance(first.value, str) and KEBAB.fullmatch(first.value):
                found.add(first.value)
    return {str(code) for code in found}


def place_of(file: Path) -> str:
    """Return a module's place in the house, such as negative/trouble/leaks."""
    return file.relative_to(PACKAGE).with_suffix("").as_posix()


CODES = {place_of(file): codes_in(file) for file in sorted(PACKAGE.rglob("*.py"))}
EVERY = sorted({code for found in CODES.values() for code in found} | {"clipped-light", "clipped-dark"})


def test_codes_are_kebab_case() -> None:
    assert len(EVERY) > 50
    assert [code for code in EVERY if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code)] == []


# What is sound, by stage: the test below makes it and holds that nothing is said of it.
def sound_wedge(folder: Path) -> Scan:
    return scanned(folder, "wedge", [layout(x_mm=45.0, y_mm=20.0)], GOOD, size_mm=(90.0, 40.0))


def of_a_negative(folder: Path) -> tuple[Warning_, ...]:
    film = sheet(
        size_mm=(66.0, 52.0),
        place=Place(x_mm=40.0, y_mm=33.0),
        picture=Picture(scene="facade", seed=4, range_stops=7.0),
        curve=FilmCurve(),
    )
    scan = scanned(folder, "film", [film], LINEAR, size_mm=(80.0, 66.0))
    return measure_scan(scan, calibration_of(scan))[0].warnings


def of_a_wedge(folder: Path) -> tuple[Warning_, ...]:
    made = calibrate(sound_wedge(folder), wedge(), label=Label(name="sound", created=""))
    return made.warnings + wedge_check(made).warnings


def of_a_bed(folder: Path) -> tuple[Warning_, ...]:
    scan = scanned(folder, "bed", [], replace(GOOD, ppi=100.0))
    return bed_check(scan, read_bed(scan)).warnings


def of_a_slot(folder: Path) -> tuple[Warning_, ...]:
    mask = BlackMask(openings=[(60.0, 35.0, 10.0, 30.0)])
    return slot_check(scanned(folder, "slot", [mask], replace(GOOD, ppi=100.0, offset=0.001))).warnings


def of_a_film_test(_: Path) -> tuple[Warning_, ...]:
    return straight_film().warnings


def of_a_paper(_: Path) -> tuple[Warning_, ...]:
    return test_paper_test.made().warnings


def of_advice(_: Path) -> tuple[Warning_, ...]:
    return tuple(_all_warnings(advice_sheet(learned())))


SOUND: dict[str, Callable[[Path], tuple[Warning_, ...]]] = {
    "scan/scan": of_a_negative,
    "scan/formats/notes": of_a_negative,
    "scan/formats/tiff": of_a_negative,
    "negative/reading": of_a_negative,
    "negative/parts": of_a_negative,
    "calibration/calibration": of_a_negative,
    "calibration/make": of_a_wedge,
    "calibration/check/wedge": of_a_wedge,
    "calibration/check/bed": of_a_bed,
    "calibration/check/slot": of_a_slot,
    "film/speed_and_contrast": of_a_film_test,
    "paper/tested_range": of_a_paper,
    "report/advice": of_advice,
    "development/developer_life": of_advice,
}
ALONE = {
    "negative/own_wedge": "negative/test_wedge_beside.py",
    "negative/channels": "negative/test_channels.py",
    "calibration/lamp": "calibration/test_lamp.py",
    "calibration/trust": "cli/test_check.py",
}
"""Stages whose sound thing stands with their own tests, which say so code by code: `"code" not in`."""
ELSEWHERE = ("cli", "development", "notebook", "paper")
"""Stages whose warnings tell what was done or left out, and belong to documents that their own tests go through."""


@pytest.mark.parametrize("sound", list(dict.fromkeys(SOUND.values())), ids=lambda sound: sound.__name__)
def test_nothing_is_said_of_what_is_sound(sound: Callable[[Path], tuple[Warning_, ...]], tmp_path: Path) -> None:
    assert sound(tmp_path) == ()


def test_every_stage_has_its_sound_thing() -> None:
    telling = {place.split("/")[0] for place, found in CODES.items() if found and place not in ALONE}
    assert telling - set(ELSEWHERE) <= {place.split("/")[0] for place in SOUND}
    for stem, test in ALONE.items():
        text = (TESTS / test).read_text(encoding="utf-8")
        assert any(re.search(rf'"{code}"\s+not in', text) for code in CODES[stem]), stem


# Provoked here, because no other test does.
def test_bare_glass_is_no_film(tmp_path: Path) -> None:
    scan = scanned(tmp_path, "glass", [], LINEAR, size_mm=(40.0, 40.0))
    assert "no-film-found" in codes(measure_scan(scan, calibration_of(scan))[0])


def test_an_unexposed_sheet_has_no_frame(tmp_path: Path) -> None:
    film = sheet(size_mm=(60.0, 45.0), place=Place(x_mm=35.0, y_mm=28.0), picture=None)
    scan = scanned(tmp_path, "fog", [film], LINEAR, size_mm=(70.0, 56.0))
    assert "no-frame-found" in codes(measure_scan(scan, calibration_of(scan))[0])
    told = codes(measure_scan(scan, calibration_of(scan), MeasureOptions(fog_sheet=True))[0])
    assert "no-frame-found" not in told


def test_an_uneven_rebate_and_one_beyond_the_wedge(tmp_path: Path) -> None:
    film = sheet(
        size_mm=(66.0, 52.0),
        place=Place(x_mm=40.0, y_mm=33.0),
        picture=Picture(scene="facade", seed=4),
        curve=FilmCurve(base=0.05, fog=0.02),
        faults=(Gradient(amount=0.06),),
    )
    scan = scanned(tmp_path, "film", [film], LINEAR, size_mm=(80.0, 66.0))
    assert "rebate-uneven" in codes(measure_scan(scan, calibration_of(scan))[0])
    made = calibration_of(scan)
    dense = replace(made, density_range=(0.33, made.density_range[1]))
    (reading,) = measure_scan(scan, dense, MeasureOptions(rebate_mm=(9.0, 20.0, 2.0, 20.0)))
    assert "rebate-beyond-calibration" in codes(reading)


@pytest.mark.parametrize(("origin", "code"), [("assumed", "frame-side-assumed"), ("edge", "frame-touches-edge")])
def test_a_side_of_the_frame_in_doubt(origin: str, code: str) -> None:
    box = TurnedBox(left_mm=5.0, top_mm=5.0, width_mm=50.0, height_mm=40.0)
    frame = Frame(box=box, area=box, origins=("seen",) * 4, shares=(1.0,) * 4, doubts_mm=(0.1,) * 4)
    doubtful = replace(frame, origins=(origin, "seen", "seen", "seen"))
    assert [told.code for told in _doubts(doubtful)] == [code]
    assert _doubts(frame) == ()


def test_too_many_specks_are_picture() -> None:
    read = ApertureReadings(
        density=np.array([0.5]), noise=np.full(10, 0.01), overlapping=1.0, specks=0.0, too_many=True
    )
    assert [told.code for told in limit_warnings(read, (0.0, 0.0), 0.0, calibration())] == ["many-specks"]
    assert limit_warnings(replace(read, too_many=False), (0.0, 0.0), 0.0, calibration()) == ()


def straight_film(slope: float = 0.8 / 1.3, speed: float = -2.19, upto: float = 1.0) -> FilmTest:
    """A film whose speed point lies there and which rises by 0.80 in 1.30 from it, as ISO 6 has it."""
    x = np.arange(speed - 0.8, speed + upto + 0.9, 0.15)
    density = test_film.straight(slope, speed - 0.10 / slope, x)
    return film_test(test_film.points(x, density, 0.005), aim=FilmAim(absolute=True))


def said(test: FilmTest | PaperTest) -> set[str]:
    return {warning.code for warning in test.warnings}


def test_what_a_film_test_cannot_say() -> None:
    assert "contrast-condition-unknown" in said(straight_film(upto=-0.2))
    # 0.8 / 10^-7.3 is 16 million.
    assert "speed-beyond-series" in said(straight_film(speed=-7.3))
    x = np.arange(-3.0, 0.4, 0.15)
    bowed = 0.2 + 0.11 * np.maximum(x + 3.0, 0.0) ** 2.2
    assert "no-straight-part" in said(film_test(test_film.points(x, bowed, 0.005)))


def test_a_count_by_eye_says_so() -> None:
    about = Circumstances(name="old box", source="made up", exposure_s=10.0)
    counted = paper_by_eye(test_paper_test.WEDGE, last_black="5", first_white="12", circumstances=about)
    assert "counted-by-eye" in said(counted)
    assert "counted-by-eye" not in said(test_paper_test.made())


def learned() -> Advice:
    runs = [run(number, time, 1.05 * (time / 480.0) ** 0.55) for number, time in enumerate((420.0, 480.0, 540.0), 1)]
    return advise(runs, plan())


def advice_sheet(advice: Advice) -> AdviceSheet:
    wear = Wear(last_good_use=3, more_time_a_use=0.1, learned=False, film_cm2=2000.0, developed_cm2=None)
    return AdviceSheet(film="made-up film", developer="made-up developer", advice=advice, wear=wear, load=Load())


def test_advice_at_its_limits() -> None:
    advice = learned()
    beyond = replace(advice, limit="reach", best_time_s=1200.0)
    assert "beyond-longest-run" in {told.code for told in _all_warnings(advice_sheet(beyond))}
    low, _ = advice.interval_s
    never = replace(advice, expected_range=Quantity(0.7), interval_s=(low, None))
    assert "contrast-out-of-reach" in {told.code for told in _all_warnings(advice_sheet(never))}
