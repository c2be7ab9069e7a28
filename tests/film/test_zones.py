"""A film's zones by its own curve, and as grays on a paper."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Quantity
from densiscan.cli.app import run
from densiscan.errors import MeasureError, WrongUseError
from densiscan.film.speed_and_contrast import CurvePoint, FilmTest, film_test
from densiscan.film.zones import film_zones
from densiscan.paper.exposure import Printing, printing_with
from densiscan.paper.places import printed_net
from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest, paper_by_eye, paper_from_points
from densiscan.report.zones import zone_tones, zones_text
from tests.support.made_up import certified_wedge
from tests.support.schemas import faults

STEPS = np.arange(0.0, 3.61, 0.15)


def straight_film(slope: float = 0.5, foot: float = 0.6) -> FilmTest:
    """A film without a toe: clear up to the foot, then a straight line; base plus fog 0.20."""
    densities = 0.20 + slope * np.clip(STEPS - foot, 0.0, None)
    return film_test(
        [
            CurvePoint(step=str(k), log_exposure=Quantity(float(x)), density=Quantity(float(d)))
            for k, (x, d) in enumerate(zip(STEPS, densities, strict=True))
        ]
    )


def paper() -> PaperTest:
    tones = (0.06, 0.06, 0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.86, 1.86, 1.86)
    points = [
        PaperPoint(log_exposure=Quantity(-2.4 + 0.2 * number), density=Quantity(tone))
        for number, tone in enumerate(tones)
    ]
    return paper_from_points(points, Circumstances(name="old-box", exposure_s=100.0))


def test_zones_of_a_straight_line_by_hand() -> None:
    # Zone I is 0.10; each zone is 0.301 more, times the slope of 0.5: 0.1505. Zone V 0.702, zone VIII 1.154.
    zones = {one.zone: one.net for one in film_zones(straight_film())}
    for zone, density in ((1, 0.10), (2, 0.2505), (5, 0.702), (8, 1.154)):
        net = zones[zone]
        assert net is not None
        # the fit rounds the sharp foot off by some thousandths
        assert_allclose(net.value, density, atol=0.008)


def test_beyond_the_test_nothing_is_said() -> None:
    # The last step is 3.6, the speed point 0.8: 9.3 stops above it is zone X.3 at a slope of 0.5.
    assert film_zones(straight_film())[10].net is not None
    assert film_zones(straight_film(foot=1.2))[10].net is None


def test_without_base_plus_fog_there_is_no_zone() -> None:
    points = [
        CurvePoint(step=str(k), log_exposure=Quantity(0.3 * k), density=Quantity(0.5 + 0.18 * k)) for k in range(8)
    ]
    with pytest.raises(MeasureError, match="give `base_plus_fog`"):
        film_zones(film_test(points))


def test_the_rebate_prints_black_and_more_silver_lighter() -> None:
    test = paper()
    # black to 0.04, by definition of the least time for it
    assert_allclose(printed_net(Quantity(0.0), test, Printing()).value, 1.86 - 0.04, atol=5e-3)
    # The rebate lies at B = black log exposure; silver of B + 1.4 reaches the point (-1.4, 0.40) of the test.
    black = test.black_log_exposure
    assert black is not None
    assert_allclose(printed_net(Quantity(black.value + 1.4), test, Printing()).value, 0.40, atol=2e-3)
    nets = [printed_net(Quantity(0.1 * k), test, Printing()).value for k in range(20)]
    assert all(np.diff(nets) <= 1e-9)
    # condenser light sees 1.25 times the silver
    condenser = printed_net(Quantity(0.80), test, printing_with("condenser")).value
    assert_allclose(condenser, printed_net(Quantity(1.00), test, Printing()).value, atol=1e-9)


def test_a_paper_counted_by_eye_has_no_grays() -> None:
    counted = paper_by_eye(certified_wedge(), last_black="5", first_white="13", circumstances=Circumstances())
    with pytest.raises(WrongUseError, match="no curve down to its black"):
        printed_net(Quantity(0.5), counted, Printing())


def test_the_table_and_its_document() -> None:
    tones = zone_tones(film_zones(straight_film(foot=1.2)), paper(), Printing())
    table = zones_text(tones, "old-box")
    assert "net density    print density" in table
    # the last step is 7.3 stops above the speed point: IX and X are beyond, on the film and in the print
    assert table.count("beyond") == 4
    assert "On old-box" in table
    assert "print density" not in zones_text(tones, None)


def test_the_command_shows_zones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    rows = "".join(f"{x:.2f},{0.20 + 0.5 * max(x - 0.6, 0.0):.3f}\n" for x in STEPS)
    (tmp_path / "curve.csv").write_text(f"log_exposure,density\n{rows}", encoding="utf-8")
    assert run(["film", "--points", "curve.csv", "--zones"]) == 0
    assert "zone    net density" in capsys.readouterr().out
    assert run(["film", "--points", "curve.csv", "--zones", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [one["zone"] for one in document["zones"]] == list(range(11))
    assert not faults(document, "film")
    assert run(["film", "--points", "curve.csv", "--paper", "old-box"]) == 2
    assert "add --zones" in capsys.readouterr().err
