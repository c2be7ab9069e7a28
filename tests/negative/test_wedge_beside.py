"""The wedge beside the film: found among film, read, and better than a calibration of another day."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import write_calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.cli.app import run
from densiscan.errors import MeasureError
from densiscan.negative.options import MeasureOptions
from densiscan.negative.own_wedge import Beside, WedgeRead, options_beside, wedge_beside
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.scan import Scan, open_scan
from tests.renderer import (
    Film,
    FilmCurve,
    Picture,
    Piece,
    Place,
    Scanner,
    Truth,
    render_bed,
    sheet,
    write_scan,
    write_wedge_file,
)
from tests.support.bed_pieces import BED_MM, DENSITIES, layout, scanned, wedge
from tests.support.schemas import faults

SCANNER = Scanner(ppi=150.0, glare=0.001, lamp=0.002, tone="2.2", gain=0.97)
TODAY = replace(SCANNER, gain=0.90, stray=0.0004)
"""Another day: the lamp is darker by 7 %, and a little more stray light reaches the sensor."""
FILM_AT = Place(x_mm=70.0, y_mm=70.0, angle_deg=0.7)
WEDGE_AT = layout(y_mm=14.0)
SPOTS = ((55.0, 65.0), (70.0, 70.0), (88.0, 78.0))


class Both(NamedTuple):
    """A scan that holds a wedge and film, and what is true of it."""

    scan: Scan
    truth: Truth


def film(place: Place = FILM_AT) -> Film:
    picture = Picture(scene="facade", seed=4, range_stops=7.0)
    return sheet(size_mm=(60.0, 50.0), place=place, picture=picture, curve=FilmCurve())


def both(folder: Path, scanner: Scanner, pieces: Sequence[Piece], *, seed: int = 3) -> Both:
    rendered = render_bed(pieces, scanner, seed=seed, size_mm=BED_MM)
    write_scan(rendered, folder / "both.tif", compression=None)
    return Both(open_scan(folder / "both.tif"), rendered.truth)


@pytest.fixture(scope="module")
def today(tmp_path_factory: pytest.TempPathFactory) -> Both:
    return both(tmp_path_factory.mktemp("today"), TODAY, [WEDGE_AT, film()])


@pytest.fixture(scope="module")
def stale(tmp_path_factory: pytest.TempPathFactory) -> Calibration:
    """A calibration of the same scanner, of another day."""
    scan = scanned(tmp_path_factory.mktemp("stale"), "wedge", [WEDGE_AT], SCANNER, seed=8)
    return calibrate(scan, wedge(), label=Label(name="mine", created="2026-01-02T03:04:05+00:00"))


def beside(older: Calibration | None = None) -> Beside:
    return Beside(wedge=wedge(), name="wedge.csv beside the film", older=older)


def read(scan: Scan, older: Calibration | None = None) -> tuple[WedgeRead, tuple[Reading, ...]]:
    found = wedge_beside(scan, beside(older))
    options = options_beside(found, MeasureOptions(spots_mm=SPOTS), None)
    return found, measure_scan(scan, found.calibration, options)


def errors(reading: Reading, truth: Truth) -> np.ndarray:
    """Base plus fog, shadow, highlight and the spots, less what is true."""
    (laid,) = truth.films
    figures = (reading.base_plus_fog, reading.shadow, reading.highlight, *(spot.density for spot in reading.spots))
    true = [laid.base_plus_fog, laid.frames[0].shadow, laid.frames[0].highlight]
    true += [laid.density_at(spot.x_mm, spot.y_mm) for spot in reading.spots]
    return np.array([figure.value - right for figure, right in zip(figures, true, strict=True) if figure is not None])


def test_wedge_and_film_are_told_apart(today: Both) -> None:
    found, readings = read(today.scan)
    (laid,) = today.truth.films
    (steps,) = today.truth.wedges
    assert len(readings) == 1
    assert readings[0].film_mm is not None
    # Half a millimetre: where a blurred edge of film is found on cells of a quarter.
    assert_allclose(np.array(readings[0].film_mm), np.array(laid.film_mm), atol=0.5)
    for step, true in zip(found.calibration.steps, steps.steps, strict=True):
        left, top, width, height = step.reading.box_mm
        assert_allclose((left + width / 2, top + height / 2), (true.x_mm, true.y_mm), atol=0.5)
    assert found.drift is None
    assert "wedge-left-out" not in {warning.code for warning in readings[0].warnings}


def test_it_beats_a_stale_calibration(today: Both, stale: Calibration) -> None:
    """The lamp is 7 % darker than on the day of the older calibration: every density reads 0.03 too high by that."""
    _, (own,) = read(today.scan)
    (old,) = measure_scan(today.scan, stale, MeasureOptions(spots_mm=SPOTS))
    mine, theirs = errors(own, today.truth), errors(old, today.truth)
    # log10(0.97 / 0.90) = 0.033; half of that for what stray light takes back in the highlights.
    assert np.abs(theirs).max() > 0.016
    assert np.sqrt(np.mean(mine**2)) < 0.4 * np.sqrt(np.mean(theirs**2))
    # The promise of a reading on rendered scans, and its own uncertainty.
    assert np.abs(mine).max() < 0.02
    assert own.highlight is not None
    assert abs(mine[2]) <= (own.highlight.uncertainty or 0.0)


def test_an_older_calibration_is_only_a_drift_check(today: Both, stale: Calibration) -> None:
    found, readings = read(today.scan, stale)
    plain, alone = read(today.scan)
    assert found.drift is not None
    assert found.drift.drifted
    assert found.drift.calibration == "mine"
    (told,) = [warning for warning in found.warnings if warning.code == "calibration-drifted"]
    assert "mine by +0.0" in told.message
    assert readings[0].shadow == alone[0].shadow
    assert found.calibration.knots()[0].tolist() == plain.calibration.knots()[0].tolist()


def test_the_same_day_has_not_drifted(tmp_path: Path, stale: Calibration) -> None:
    found, _ = read(both(tmp_path, SCANNER, [WEDGE_AT, film()]).scan, stale)
    assert found.drift is not None
    assert not found.drift.drifted
    assert "calibration-drifted" not in {warning.code for warning in found.warnings}


def test_other_codes_are_no_drift(tmp_path: Path, stale: Calibration) -> None:
    found, _ = read(both(tmp_path, replace(SCANNER, bits=8), [WEDGE_AT, film()]).scan, stale)
    assert found.drift is None
    assert "drift-not-checked" in {warning.code for warning in found.warnings}


def test_film_that_touches_the_wedge(tmp_path: Path) -> None:
    """A sheet laid against the wedge cannot be told from it; another that lies apart is read."""
    against = film(Place(x_mm=40.0, y_mm=45.0))
    alone = both(tmp_path, TODAY, [WEDGE_AT, against])
    with pytest.raises(MeasureError, match="no film beside it"):
        read(alone.scan)
    apart = replace(film(Place(x_mm=106.0, y_mm=66.0)), size_mm=(60.0, 50.0))
    _, readings = read(both(tmp_path, TODAY, [WEDGE_AT, against, apart]).scan)
    assert len(readings) == 1
    assert "film-touches-wedge" in {warning.code for warning in readings[0].warnings}


def test_the_command(tmp_path: Path, stale: Calibration, capsys: pytest.CaptureFixture[str]) -> None:
    both(tmp_path, TODAY, [WEDGE_AT, film()])
    write_wedge_file(tmp_path / "wedge.csv", DENSITIES, 0.01)
    write_calibration(stale, tmp_path / "mine.json")
    asked = ["measure", str(tmp_path / "both.tif"), "--wedge", str(tmp_path / "wedge.csv")]
    # No calibration is named and none was ever made: the wedge is enough.
    assert run([*asked, "--notebook", str(tmp_path / "none" / "book.sqlite")]) == 0
    page = capsys.readouterr().out
    assert "wedge.csv beside the film" in page
    assert max(len(line) for line in page.splitlines()) <= 80
    assert run([*asked, "--calibration", str(tmp_path / "mine.json"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert faults(document, "readings") == []
    (reading,) = document["readings"]
    assert document["calibration"] == "wedge.csv beside the film"
    assert reading["wedge"]["drift"]["drifted"] is True
    assert len(reading["wedge"]["steps"]) == len(DENSITIES)
    assert "calibration-drifted" in {warning["code"] for warning in reading["warnings"]}


def test_a_scan_without_a_wedge_fails_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    both(tmp_path, TODAY, [WEDGE_AT, film()])
    scanned(tmp_path, "alone", [film(Place(x_mm=34.0, y_mm=29.0))], TODAY, size_mm=(68.0, 58.0))
    write_wedge_file(tmp_path / "wedge.csv", DENSITIES, 0.01)
    asked = ["measure", str(tmp_path / "alone.tif"), str(tmp_path / "both.tif"), "--json"]
    assert run([*asked, "--wedge", str(tmp_path / "wedge.csv"), "--not-inverted"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert [failure["code"] for failure in document["failed"]] == ["wedge-not-found"]
    assert [reading["file"] for reading in document["readings"]] == ["both.tif"]


@pytest.mark.parametrize("more", [["--region", "0,0,100,30"], ["--inverted"]])
def test_what_goes_with_a_wedge_alone(more: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    both(tmp_path, TODAY, [WEDGE_AT])
    assert run(["measure", str(tmp_path / "both.tif"), *more]) == 2
    assert "--wedge FILE" in capsys.readouterr().err
