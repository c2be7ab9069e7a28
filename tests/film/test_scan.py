"""Film tests from rendered scans: the row found, named places, frames, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import read_calibration, write_calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.cli.app import run
from densiscan.errors import MeasureError, WedgeNotFoundError, WrongUseError
from densiscan.film.from_scan import WhereOnFilm, _divided, exposures_through, read_film
from densiscan.film.points import Exposure
from densiscan.film.row import find_film_row
from densiscan.scan.scan import Scan, open_scan
from densiscan.wedge.find import CELL_MM
from densiscan.wedge.wedge import Wedge, read_wedge
from tests.renderer import Film, FilmCurve, Place, Scanner, WedgeLayout, render_bed, write_scan, write_wedge_file
from tests.renderer.film_steps import GrayFrames, WedgePrint
from tests.support.film_truth import TrueFilm
from tests.trials.film_rates import CONTRASTS, checks_of

SCANNER = Scanner(ppi=100, gain=0.93, glare=0.001)
DENSITIES = tuple(round(0.05 + 0.15 * n, 2) for n in range(21))
CURVE = FilmCurve(contrast=0.62, speed_log_h=-2.1, toe=0.15, shoulder=0.3, maximum_net=2.6)
LOG_H0 = 0.35
SIZE_MM = (138.0, 50.0)


def film(*, masked: bool = True, run_: str = "right", angle_deg: float = 0.6) -> Film:
    exposed = WedgePrint(densities=DENSITIES, log_h=LOG_H0, masked=masked, run=run_)  # type: ignore[arg-type]
    place = Place(x_mm=69.0, y_mm=25.0, angle_deg=angle_deg)
    return Film(size_mm=(125.0, 38.0), place=place, curve=CURVE, faults=(exposed,), granularity=8.0)


def render(piece: Film | WedgeLayout, path: Path, size_mm: tuple[float, float] = SIZE_MM, seed: int = 1) -> None:
    write_scan(render_bed([piece], SCANNER, seed=seed, size_mm=size_mm), path, compression=None)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("film")
    wedge = WedgeLayout(densities=DENSITIES, place=Place(x_mm=65.0, y_mm=20.0), mask_mm=10.0, granularity=4.0)
    render(wedge, place / "wedge.tif", (130.0, 40.0))
    write_wedge_file(place / "wedge.csv", DENSITIES, 0.01)
    render(film(), place / "film.tif", seed=2)
    render(film(masked=False, run_="left"), place / "open.tif", seed=3)
    stops = (-2.6, -2.3, -2.0, -1.7, -1.4, -1.1, -0.8)
    strip = Film(
        size_mm=(190.0, 30.0),
        place=Place(x_mm=98.0, y_mm=20.0),
        curve=CURVE,
        faults=(GrayFrames(log_h=stops, frame_mm=(24.0, 20.0)),),
    )
    render(strip, place / "strip.tif", (196.0, 40.0), seed=4)
    lines = [f"{n},{log_h}" for n, log_h in enumerate(stops, start=1)]
    (place / "stops.csv").write_text("step,log_exposure\n" + "\n".join(lines) + "\n", encoding="utf-8")
    write_calibration(made_of(place), place / "cal.json")
    return place


def made_of(folder: Path) -> Calibration:
    label = Label(name="mine", created="2026-01-01T00:00:00+00:00")
    return calibrate(open_scan(folder / "wedge.tif"), read_wedge(folder / "wedge.csv"), label=label)


@pytest.fixture(scope="module")
def made(folder: Path) -> Calibration:
    return read_calibration(folder / "cal.json")


@pytest.fixture(scope="module")
def wedge(folder: Path) -> Wedge:
    return read_wedge(folder / "wedge.csv")


@pytest.fixture(autouse=True)
def here(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))


def scan(folder: Path, name: str) -> Scan:
    return open_scan(folder / name)


def filmed(line: str, capsys: pytest.CaptureFixture[str], status: int = 0) -> dict[str, Any]:
    capsys.readouterr()
    assert run(["film", *line.split(), "--json"]) == status
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


@pytest.mark.parametrize("name", ["film.tif", "open.tif"])
def test_the_steps_read_what_the_curve_gave(name: str, folder: Path, made: Calibration, wedge: Wedge) -> None:
    """With a mask round the wedge or without, either way round: each step reads its density within its doubt, k = 3."""
    read = read_film([scan(folder, name)], exposures_through(wedge, log_exposure=LOG_H0, calibration=made), made)
    assert len(read.points) == 21
    for point in read.points:
        true = CURVE.base_plus_fog + float(CURVE.net(np.array([point.log_exposure.value], np.float32))[0])
        doubt = point.density.standard_uncertainty
        assert doubt is not None
        assert abs(point.density.value - true) <= 3.0 * doubt, point


def test_by_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    """Contrast within 0.02 and speed point within 0.03 of the rendered curve, and within what is stated."""
    document = filmed(f"film.tif --wedge wedge.csv --exposure {LOG_H0} --calibration cal.json --absolute", capsys)
    true = TrueFilm.of(CURVE, (LOG_H0 - 3.05, LOG_H0 - 0.05))
    for name, truth, limit in (
        ("gamma", true.gamma, 0.02),
        ("average_gradient", true.average_gradient, 0.02),
        ("contrast_index", true.contrast_index, 0.02),
        ("contrast_index_short", true.contrast_index_short, 0.02),
        ("speed_log_exposure", true.speed, 0.03),
        ("base_plus_fog", CURVE.base_plus_fog, 0.02),
    ):
        assert truth is not None
        np.testing.assert_allclose(document[name]["value"], truth, rtol=0, atol=limit)
        assert 0.0 < document[name]["uncertainty"] < 0.06
    assert document["iso_speed"]["arithmetic"] in {80, 100, 125}  # 0.8 / 10^-2.1 = 100.7


def test_a_named_row_reads_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    line = f"open.tif --wedge wedge.csv --exposure {LOG_H0} --calibration cal.json"
    found = filmed(line, capsys)
    named = filmed(f"{line} --row 16.5,19.5,105,11", capsys)
    np.testing.assert_allclose(named["gamma"]["value"], found["gamma"]["value"], rtol=0, atol=0.01)


def test_a_row_down_the_scan_is_divided_like_one_across() -> None:
    across = _divided((10.0, 5.0, 60.0, 8.0), 3)
    down = _divided((5.0, 10.0, 8.0, 60.0), 3)
    assert down == [(top, left, height, width) for left, top, width, height in across]
    # By hand: three steps of 20 mm, the middle of the first at 20 mm.
    np.testing.assert_allclose(across[0][0] + 0.5 * across[0][2], 20.0, rtol=1e-12)


def test_what_the_calibration_does_not_reach_is_left_out_and_said(
    folder: Path, made: Calibration, wedge: Wedge
) -> None:
    through = exposures_through(wedge, log_exposure=LOG_H0, calibration=made)
    short = replace(made, density_range=(made.density_range[0], 1.0))
    whole, cut = (read_film([scan(folder, "film.tif")], through, one) for one in (made, short))
    beyond = sum(point.density.value > 1.0 for point in whole.points)
    assert beyond > 3
    assert len(cut.points) == len(whole.points) - beyond
    (told,) = [one.message for one in cut.warnings if one.code == "beyond-calibration"]
    assert told == (
        f"{beyond} of the exposures gave more than density 1.00, where the calibration ends, and were left out."
    )
    assert "beyond-calibration" not in {one.code for one in whole.warnings}


def test_places_named_one_by_one(capsys: pytest.CaptureFixture[str]) -> None:
    spots = " ".join(f"--spot {98 - 3.5 * 26 + 13 + 26 * n:.1f},20" for n in range(7))
    document = filmed(f"strip.tif --exposures stops.csv --calibration cal.json {spots}", capsys)
    assert len(document["points"]) == 7
    np.testing.assert_allclose(document["gamma"]["value"], 0.62, rtol=0, atol=0.04)  # seven points, a stop apart


def test_lines_of_one_value_are_said(folder: Path, made: Calibration) -> None:
    whole = scan(folder, "film.tif")
    codes = whole.region(0, 0, whole.height_px, whole.width_px)
    codes[: round(2 * whole.px_per_mm_y)] = 15_000
    place = folder / "filled.tif"
    tifffile.imwrite(place, codes, resolution=(whole.ppi_x, whole.ppi_y), resolutionunit=2, metadata=None)
    how = WhereOnFilm(spots_mm=((60.0, 25.0), (80.0, 25.0)))
    exposures = [Exposure(step=str(n), log_exposure=Quantity(-1.0 - n)) for n in range(2)]
    for one, is_said in ((open_scan(place), True), (whole, False)):
        read = read_film([one], exposures, made, where=how)
        assert ("area-of-one-value" in {warning.code for warning in read.warnings}) == is_said


def test_frames_of_a_strip_a_stop_apart(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = filmed("strip.tif --exposures stops.csv --frames --calibration cal.json", capsys)
    np.testing.assert_allclose(document["gamma"]["value"], 0.62, rtol=0, atol=0.02)
    np.testing.assert_allclose(document["speed_log_exposure"]["value"], CURVE.speed_log_h, rtol=0, atol=0.03)
    np.testing.assert_allclose(document["base_plus_fog"]["value"], CURVE.base_plus_fog, rtol=0, atol=0.02)
    lines = (folder / "stops.csv").read_text(encoding="utf-8").splitlines()
    (folder / "turned.csv").write_text("\n".join([lines[0], *lines[:0:-1]]) + "\n", encoding="utf-8")
    (folder / "short.csv").write_text("\n".join(lines[:-1]) + "\n", encoding="utf-8")
    for name, told in (("turned", "counted the wrong way round"), ("short", "7 frames were found on strip.tif for 6")):
        assert run(f"film strip.tif --exposures {name}.csv --frames --calibration cal.json".split()) == 1
        assert told in capsys.readouterr().err


def test_errors_of_the_wedge_move_exposure_and_density_together(wedge: Wedge, made: Calibration) -> None:
    given = exposures_through(wedge, log_exposure=0.0, calibration=made)
    assert given[3].log_exposure.parts is not None
    np.testing.assert_allclose(given[3].log_exposure.parts[Influence("wedge", "4")], -0.005, rtol=0, atol=1e-12)
    other = exposures_through(wedge, log_exposure=0.0)
    assert Influence("wedge", "4") not in (other[3].log_exposure.parts or {})


def test_kept_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    line = f"film film.tif --wedge wedge.csv --exposure {LOG_H0} --calibration cal.json --name pan-8"
    assert run(line.split()) == 0
    assert "Kept as film test pan-8" in capsys.readouterr().err


# What is refused.


def exposures(count: int) -> list[Exposure]:
    return [Exposure(step=f"{n}", log_exposure=Quantity(0.15 * n)) for n in range(count)]


@pytest.mark.parametrize("count", [9, 16, 30])
def test_another_number_of_exposures(count: int, folder: Path, made: Calibration) -> None:
    with pytest.raises(WedgeNotFoundError, match=f"{count} exposures are named"):
        read_film([scan(folder, "film.tif")], exposures(count), made)


def drawn_row(before: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Light over glass, clear film of so many step lengths, 21 steps from the foot up, clear film again and glass."""
    foot = 0.30 + 0.07 * np.logaddexp(0.0, np.arange(21.0) - 1.5)
    along = np.concatenate((np.zeros(16), np.repeat([0.30] * before + [*foot] + [0.30] * 2, 20), np.zeros(16)))
    density = np.zeros((90, along.size))
    density[10:80] = np.where(along > 0.0, 0.30, 0.0)
    density[22:68] = along
    return np.asarray(10.0 ** -(density + np.random.default_rng(6).normal(0.0, 0.001, density.shape)))


@pytest.mark.parametrize("before", [1, 2, 3])
def test_the_edge_of_the_film_a_whole_number_of_steps_off_is_no_step(before: int) -> None:
    first, last = (find_film_row(drawn_row(before), 21, file="film.tif").steps[end].box_mm for end in (0, -1))
    # Middles of the first and the last step: 16 cells of glass, clear film, half a step of 20 cells.
    middles = [(16 + 20 * (before + number) + 10) * CELL_MM for number in (0, 20)]
    np.testing.assert_allclose([box[0] + 0.5 * box[2] for box in (first, last)], middles, atol=0.5)
    with pytest.raises(WedgeNotFoundError, match="which may not be that many"):
        find_film_row(drawn_row(before), 19, file="film.tif")


def test_no_row(folder: Path, made: Calibration) -> None:
    bare = replace(film(), faults=())
    render(bare, folder / "bare.tif")
    with pytest.raises(WedgeNotFoundError, match="no row of even steps"):
        read_film([scan(folder, "bare.tif")], exposures(21), made)


def test_a_reflection_calibration(folder: Path, made: Calibration) -> None:
    with pytest.raises(MeasureError, match="reflection wedge"):
        read_film([scan(folder, "film.tif")], exposures(21), replace(made, mode="reflection"))


def test_several_scans_only_as_frames(folder: Path, made: Calibration) -> None:
    with pytest.raises(WrongUseError, match="only as `frames`"):
        read_film([scan(folder, "film.tif")] * 2, exposures(21), made)


def test_one_way_to_say_where(folder: Path, made: Calibration) -> None:
    with pytest.raises(WrongUseError, match="give one"):
        WhereOnFilm(frames=True, spots_mm=((1.0, 2.0),))
    with pytest.raises(WrongUseError, match="1 places are named for 21 exposures"):
        read_film([scan(folder, "film.tif")], exposures(21), made, where=WhereOnFilm(spots_mm=((60.0, 20.0),)))
    with pytest.raises(WrongUseError, match="`row_mm` does not lie on"):
        read_film([scan(folder, "film.tif")], exposures(21), made, where=WhereOnFilm(row_mm=(60.0, 20.0, 99.0, 9.0)))


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("film.tif", "exposures are missing"),
        ("film.tif --wedge wedge.csv --exposures stops.csv", "exposures are missing"),
        ("film.tif --points stops.csv", "describe the film test either with"),
        ("nothere.tif --wedge wedge.csv", "does not exist"),
        ("film.tif --wedge nothere.csv", "does not exist"),
        ("film.tif --wedge wedge.csv --exposure 99", "not a valid value"),
        ("film.tif --wedge wedge.csv --row 5", "is not a valid box"),
    ],
)
def test_wrong_command_lines(line: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["film", *line.split(), "--calibration", "cal.json"]) == 2
    captured = capsys.readouterr().err
    assert told in captured
    assert captured.count("\n") == 1


def test_a_list_of_exposures_with_a_step_twice(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "twice.csv").write_text("step,log_exposure\n1,0\n1,0.3\n", encoding="utf-8")
    assert run(["film", "film.tif", "--exposures", "twice.csv", "--calibration", "cal.json"]) == 1
    assert "step 1 is there twice" in capsys.readouterr().err


@pytest.mark.parametrize("seed", [7_001, 7_002])
def test_drawn_film_tests(seed: int, tmp_path: Path) -> None:
    """Drawn films: every figure within 1.5 times what is stated (k = 3); rates of hundreds: docs/method-film.md."""
    for check in checks_of(seed, tmp_path):
        assert abs(check.error) <= 1.5 * check.uncertainty, check
        if check.what in CONTRASTS:
            assert abs(check.error) <= 0.03, check
