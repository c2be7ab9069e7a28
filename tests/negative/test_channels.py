"""A colour scan: a curve for each channel, and what it means when they see different film."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.channels import difference, of_channel
from densiscan.calibration.file import calibration_document, read_calibration, write_calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.cli.app import run
from densiscan.errors import CalibrationError, WrongUseError
from densiscan.negative.channels import ChannelReading, channel_warnings
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.channels import COLOURS
from densiscan.scan.scan import open_scan
from tests.renderer import FilmCurve, Picture, Place, Rendered, Scanner, render_bed, sheet, write_scan
from tests.support.bed_pieces import layout, scanned, wedge
from tests.support.schemas import faults

SCANNER = Scanner(ppi=150.0, glare=0.001, lamp=0.002, gain=0.97, balance=(1.0, 0.96, 0.88))
SIZE = (80.0, 66.0)
STAINED, NEUTRAL = (0.0, 0.05, 0.25), (0.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def colour(tmp_path_factory: pytest.TempPathFactory) -> Calibration:
    scan = scanned(tmp_path_factory.mktemp("colour"), "wedge", [layout(x_mm=45.0)], SCANNER, size_mm=(90.0, 60.0))
    return calibrate(scan, wedge(), label=Label(name="colour", created="2026-01-02T03:04:05+00:00"))


def film_scan(folder: Path, stain: tuple[float, float, float], *, seed: int = 5) -> Rendered:
    film = sheet(
        size_mm=(66.0, 52.0),
        place=Place(x_mm=40.0, y_mm=33.0, angle_deg=0.5),
        picture=Picture(scene="facade", seed=seed, range_stops=7.0),
        curve=FilmCurve(),
        stain=stain,
    )
    rendered = render_bed([film], SCANNER, seed=seed, size_mm=SIZE)
    write_scan(rendered, folder / "film.tif", compression=None)
    return rendered


def read(folder: Path, by: Calibration) -> Reading:
    (reading,) = measure_scan(open_scan(folder / "film.tif"), by)
    return reading


def codes(reading: Reading) -> set[str]:
    return {warning.code for warning in reading.warnings}


def test_a_colour_wedge_gives_a_curve_for_each_channel(colour: Calibration) -> None:
    assert colour.channel == "green"
    assert [other.channel for other in colour.others] == ["red", "blue"]
    for one, balance in zip((*colour.others, colour), (1.0, 0.88, 0.96), strict=True):
        for step in one.steps[1:6]:
            # A linear scanner: signal is gain, balance and transmittance; 2 % for glare and the lamp.
            assert_allclose(step.reading.signal, 0.97 * balance * 10.0**-step.reading.density, rtol=0.02)


def test_stained_film_is_said_and_what_it_means_for_the_paper(tmp_path: Path, colour: Calibration) -> None:
    truth = film_scan(tmp_path, STAINED).channels
    reading = read(tmp_path, colour)
    assert "channels-disagree" in codes(reading)
    (told,) = [warning.message for warning in reading.warnings if warning.code == "channels-disagree"]
    assert "stained" in told
    assert "--channel blue" in told
    by_name = {str(one.channel): one for one in reading.channels}
    for channel, true in (("red", truth[0]), ("blue", truth[2])):
        one, laid = by_name[channel], true.films[0]
        for figure, right in (
            (one.base_plus_fog, laid.base_plus_fog),
            (one.shadow, laid.frames[0].shadow),
            (one.highlight, laid.frames[0].highlight),
        ):
            assert figure is not None
            # One and a half times 95 %: six figures are looked at. A place of about the density stands for it.
            assert_allclose(figure.value, right, atol=max(1.5 * (figure.uncertainty or 0.0), 0.02))
    # 0.20 more of the silver's range in blue than in green: far beyond what is allowed.
    blue = by_name["blue"].in_range
    assert blue is not None
    assert blue.value > 0.1


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_neutral_film_is_not(tmp_path: Path, colour: Calibration, seed: int) -> None:
    film_scan(tmp_path, NEUTRAL, seed=seed)
    reading = read(tmp_path, colour)
    assert "channels-disagree" not in codes(reading)
    assert len(reading.channels) == 2


def test_measured_in_blue(tmp_path: Path, colour: Calibration) -> None:
    truth = film_scan(tmp_path, STAINED).channels[2].films[0].frames[0]
    blue = of_channel(colour, "blue")
    (reading,) = measure_scan(open_scan(tmp_path / "film.tif", channel="blue"), blue)
    assert reading.density_range is not None
    assert_allclose(
        reading.density_range.value, truth.density_range, atol=1.5 * (reading.density_range.uncertainty or 0)
    )
    (told,) = [warning.message for warning in reading.warnings if warning.code == "channels-disagree"]
    assert "which was measured" in told


def test_a_tint_changes_the_exposure_and_not_the_grade() -> None:
    tinted = Quantity(0.08, {Influence("wedge", "1"): 0.002})
    even = Quantity(0.001, {Influence("wedge", "1"): 0.002})
    found = ChannelReading(
        channel="blue",
        base_plus_fog=Quantity(0.3),
        shadow=Quantity(0.5),
        highlight=Quantity(1.5),
        density_range=Quantity(1.0),
        in_range=even,
        differences=(tinted, tinted, tinted),
    )
    (told,) = channel_warnings([found], "green")
    # 10 to the power 0.08, rounded.
    assert "1.20 times the exposure" in told.message


def test_red_alone_does_not_matter_to_paper(tmp_path: Path, colour: Calibration) -> None:
    film_scan(tmp_path, (0.08, 0.0, 0.0))
    (told,) = [warning.message for warning in read(tmp_path, colour).warnings if warning.code == "channels-disagree"]
    assert "red light" in told
    assert "agrees" in told


def test_the_certificate_cancels_between_channels() -> None:
    """By hand: 0.03 of the certificate moves both and cancels; noise of 0.004 and 0.003 stays, 0.005 together."""
    one = Quantity(1.0, {Influence("wedge", "4"): 0.03, Influence("patch noise", "here"): 0.004})
    other = Quantity(1.1, {Influence("wedge", "4"): 0.03, Influence("patch noise", "here"): 0.003})
    found = difference(one, other, channel="blue")
    assert_allclose(found.value, 0.1, atol=1e-12)
    assert_allclose(found.standard_uncertainty or 0.0, 0.005, rtol=1e-12)


def test_a_named_rebate_is_read_in_every_channel(tmp_path: Path, colour: Calibration) -> None:
    film_scan(tmp_path, STAINED)
    # Along the left edge of the sheet, whose clear border is 4 mm wide.
    named = measure_scan(open_scan(tmp_path / "film.tif"), colour, MeasureOptions(rebate_mm=(8.0, 20.0, 1.8, 20.0)))[0]
    for one, found in zip(named.channels, read(tmp_path, colour).channels, strict=True):
        assert one.base_plus_fog is not None
        assert found.base_plus_fog is not None
        # Two places of one clear border: what differs is noise.
        assert_allclose(one.base_plus_fog.value, found.base_plus_fog.value, atol=0.005)


def test_a_picture_without_rebate_is_compared_where_it_can_be(tmp_path: Path, colour: Calibration) -> None:
    film_scan(tmp_path, STAINED)
    (named,) = measure_scan(open_scan(tmp_path / "film.tif"), colour, MeasureOptions(frame_mm=(25.0, 20.0, 30.0, 25.0)))
    assert named.base_plus_fog is not None
    scan = open_scan(tmp_path / "film.tif")
    pixels = np.stack([open_scan(scan.path, channel=one).region(118, 148, 148, 177) for one in COLOURS], axis=-1)
    tifffile.imwrite(tmp_path / "crop.tif", pixels, photometric="rgb", resolution=(150, 150), resolutionunit="INCH")
    (crop,) = measure_scan(open_scan(tmp_path / "crop.tif"), colour)
    assert crop.base_plus_fog is None
    for one, whole in zip(crop.channels, named.channels, strict=True):
        assert one.base_plus_fog is None
        assert one.in_range is not None
        assert whole.in_range is not None
        # The same picture, its places chosen anew: within the uncertainty of both.
        allowed = (one.in_range.uncertainty or 0.0) + (whole.in_range.uncertainty or 0.0)
        assert_allclose(one.in_range.value, whole.in_range.value, atol=allowed)


def test_without_blue_the_print_is_not_judged() -> None:
    differ = Quantity(0.2, {Influence("patch noise", "here"): 0.01})
    red = ChannelReading(
        channel="red",
        base_plus_fog=None,
        shadow=Quantity(0.7),
        highlight=Quantity(1.5),
        density_range=Quantity(0.8),
        in_range=differ,
        differences=(differ,),
    )
    (told,) = channel_warnings([red], "green")
    assert told.message.endswith("calibrate with a scan that shows the wedge in blue.")


def test_a_difference_from_a_mere_limit_has_no_uncertainty() -> None:
    found = difference(Quantity(1.0, {Influence("wedge", "4"): 0.03}), Quantity(1.1, None), channel="blue")
    assert_allclose(found.value, 0.1, atol=1e-12)
    assert found.uncertainty is None


def test_the_file_keeps_all_channels(tmp_path: Path, colour: Calibration) -> None:
    write_calibration(colour, tmp_path / "colour.json")
    again = read_calibration(tmp_path / "colour.json")
    assert calibration_document(again) == calibration_document(colour)
    assert [other.channel for other in again.others] == ["red", "blue"]
    document = json.loads((tmp_path / "colour.json").read_text(encoding="utf-8"))
    document["channels"][0]["fit"] = [0.1]
    (tmp_path / "damaged.json").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(CalibrationError, match="damaged"):
        read_calibration(tmp_path / "damaged.json")


def test_another_channel_becomes_the_one_in_use(colour: Calibration) -> None:
    blue = of_channel(colour, "blue")
    assert (blue.channel, [other.channel for other in blue.others]) == ("blue", ["green", "red"])
    assert of_channel(blue, "green").knots()[0].tolist() == colour.knots()[0].tolist()
    assert of_channel(colour, "gray") is colour
    assert of_channel(colour, None) is colour
    with pytest.raises(WrongUseError, match="no curve for red"):
        of_channel(replace(colour, others=()), "red")


def test_a_gray_scan_has_no_other_channels(tmp_path: Path) -> None:
    scan = scanned(tmp_path, "wedge", [layout(x_mm=45.0)], replace(SCANNER, balance=None), size_mm=(90.0, 60.0))
    made = calibrate(scan, wedge(), label=Label(name="gray", created=""))
    assert made.others == ()
    assert "channels" not in calibration_document(made)


def test_the_commands(tmp_path: Path, colour: Calibration, capsys: pytest.CaptureFixture[str]) -> None:
    film_scan(tmp_path, STAINED)
    write_calibration(colour, tmp_path / "colour.json")
    asked = ["measure", str(tmp_path / "film.tif"), "--calibration", str(tmp_path / "colour.json"), "--json"]
    assert run(asked) == 0
    document = json.loads(capsys.readouterr().out)
    assert faults(document, "readings") == []
    assert faults(calibration_document(colour), "calibration") == []
    green = document["readings"][0]
    assert [one["channel"] for one in green["channels"]] == ["red", "blue"]
    assert run([*asked, "--channel", "blue"]) == 0
    blue = json.loads(capsys.readouterr().out)["readings"][0]
    # Read at a place of about the density in one case, as a percentile of all places in the other.
    assert_allclose(green["channels"][1]["density_range"]["value"], blue["density_range"]["value"], atol=0.04)
    write_calibration(replace(colour, others=()), tmp_path / "one.json")
    assert run([*asked[:3], str(tmp_path / "one.json"), "--channel", "blue"]) == 2
    assert "no curve for blue" in capsys.readouterr().err
