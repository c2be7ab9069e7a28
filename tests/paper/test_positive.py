"""The positive of a negative on a paper, worked out by hand and seen by other programs."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from PIL import Image, ImageCms

from densiscan.arithmetic.quantity import Quantity
from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from densiscan.errors import MeasureError
from densiscan.paper.exposure import NegativeEnds, Printing, printing_with
from densiscan.paper.positive import aim_at, positive_table, usual_curve
from densiscan.paper.tested_range import Circumstances, PaperPoint, paper_from_points
from tests.support.made_up import calibration
from tests.support.schemas import faults

DENSITIES = (0.45, 0.75, 1.05, 1.50)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with four even bands, the densest on the left, and the calibration of a linear scanner."""
    monkeypatch.chdir(tmp_path)
    write_calibration(calibration(), tmp_path / "cal.json")
    codes = np.repeat([[round(65535 * 10.0**-density) for density in DENSITIES[::-1]]], 40, axis=0)
    codes = np.repeat(codes, 20, axis=1).astype(np.uint16)
    tifffile.imwrite(tmp_path / "scan.tif", codes, resolution=(300, 300), resolutionunit=2, photometric="minisblack")
    return tmp_path


def shown(density: float) -> float:
    """The value of a print's density above its white by the published curve of screens."""
    light = math.pow(10.0, -density)
    return 65535.0 * (1.055 * math.pow(light, 1.0 / 2.4) - 0.055)


def test_the_highlight_is_the_first_tone_and_a_paper_range_below_it_is_nearly_black(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = "map scan.tif --out print.tif --calibration cal.json --positive --paper-range 105 --highlight 1.5 --json"
    assert run(line.split()) == 0
    told = json.loads(capsys.readouterr().out)
    assert faults(told, "positive") == []
    with tifffile.TiffFile(here / "print.tif") as sheet:
        page = sheet.pages.first
        assert page.tags["XResolution"].value == (300, 1)
        assert json.loads(page.tags["ImageDescription"].value) == told
        values = page.asarray()[0, 10::20].astype(float)
    # 0.04 above white by ISO 6846; a range of 1.05 less, 90 % of a net black of 1.75: 1.575
    assert_allclose(values[[0, 3]], [shown(0.04), shown(1.575)], atol=30.0)  # a code of the scan is 0.0003 in density
    # between them log(n / (N - n)) is straight: a fraction 0.45 / 1.05 of the way from log(0.04 / 1.71) to log 9
    odds = math.exp(math.log(0.04 / 1.71) + (math.log(9.0) - math.log(0.04 / 1.71)) * 0.45 / 1.05)
    assert_allclose(values[1], shown(1.75 * odds / (1.0 + odds)), atol=60.0)


def test_other_programs_see_a_gray_picture_with_a_profile(here: Path) -> None:
    line = "map scan.tif --out print.tif --calibration cal.json --positive --paper-range 105 --highlight 1.5"
    assert run(line.split()) == 0
    with Image.open(here / "print.tif") as picture:
        assert picture.mode == "I;16"
        profile = ImageCms.getOpenProfile(io.BytesIO(picture.info["icc_profile"]))
        values = np.asarray(picture)
    assert profile.profile.xcolor_space.strip() == "GRAY"
    assert values.dtype == np.uint16
    assert list(np.argsort(values[0, 10::20])) == [3, 2, 1, 0]


POINTS = [0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.84, 1.84]


def test_on_a_tested_paper_its_own_points_are_met() -> None:
    points = [PaperPoint(log_exposure=Quantity(0.2 * k), density=Quantity(tone)) for k, tone in enumerate(POINTS)]
    test = paper_from_points(points, Circumstances(name="old-box"))
    negative = NegativeEnds(name="mill", shadow=Quantity(0.4), highlight=Quantity(1.3))
    aim = aim_at(negative, test, Printing())
    assert aim.paper == "old-box"
    # exposure grows as density falls: point k lies 0.2 k - (log exposure of the first tone) below the highlight
    first = test.highlight_log_exposure.value
    densities = np.array([1.3 + first - 0.2 * k for k in range(3, 7)])
    # the points lie on the curve but for the rounding of its logarithm
    assert_allclose(aim.tones(densities), POINTS[3:7], atol=1e-3)
    assert_allclose(aim.tones(np.array([1.3])), test.base_plus_fog.value + 0.04, atol=5e-3)  # type: ignore[union-attr]


def test_condenser_light_prints_the_same_negative_harder() -> None:
    negative = NegativeEnds(name="mill", shadow=None, highlight=Quantity(1.3))
    soft, hard = aim_at(negative, 105.0, Printing()), aim_at(negative, 105.0, printing_with("condenser"))
    # by the usual factor of 1.25 a density 0.4 below the highlight prints as 0.5 below it does by contact
    assert_allclose(hard.tones(np.array([1.3 - 0.4])), soft.tones(np.array([1.3 - 0.5])), atol=1e-9)


def test_a_negative_of_which_neither_end_is_known_is_refused() -> None:
    unknown = NegativeEnds(name="mill", shadow=None, highlight=Quantity.at_least(2.9))
    with pytest.raises(MeasureError, match="neither highlight nor shadow"):
        aim_at(unknown, 105.0, Printing())


@given(st.floats(50.0, 160.0), st.floats(0.6, 2.2))
def test_more_light_through_the_negative_is_never_lighter_on_the_print(iso_range: float, highlight: float) -> None:
    negative = NegativeEnds(name="any", shadow=None, highlight=Quantity(highlight))
    table = positive_table(calibration(), aim_at(negative, iso_range, Printing()), 255).astype(int)
    assert (np.diff(table) <= 0).all()
    curve = usual_curve(iso_range)
    assert_allclose(curve.log_exposure_at(0.06 + 0.9 * 1.75) or 0.0, 0.01 * iso_range, atol=2e-3)
