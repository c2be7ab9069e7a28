"""Readings of a negative worked out by hand, on scans drawn pixel by pixel: ends, shares, limits and what is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.errors import MeasureError, WrongUseError
from densiscan.negative.reading import MeasureOptions, Reading, measure_scan
from densiscan.scan.scan import Scan
from tests.negative.test_negative import calibration_of, codes, measured, plain_scan

Floats = npt.NDArray[np.float64]

WHOLE = (0.0, 0.0, 30.0, 30.0)
TENTH: Floats = np.full((300, 300), 10.0**-1.0)
"""30 x 30 mm of density 1."""


def mirrored(calibration: Calibration) -> Calibration:
    """The same scanner giving a positive picture: the signal rises with density."""
    steps = tuple(
        replace(one, reading=replace(one.reading, signal=1.0 - one.reading.signal)) for one in calibration.steps
    )
    return replace(calibration, steps=steps, inverted=True)


def read(scan: Scan, calibration: Calibration | None = None, **options: Any) -> Reading:
    (reading,) = measure_scan(scan, calibration or calibration_of(scan), MeasureOptions(**options))
    return reading


def message(reading: Reading, code: str) -> str:
    return next(warning.message for warning in reading.warnings if warning.code == code)


@pytest.mark.parametrize("trim", [0.0, 0.01, 0.1, 0.3])
def test_the_ends_leave_out_the_trimmed_share(trim: float, tmp_path: Path) -> None:
    """Density from 0.3 to 1.3 along 30 mm: readings through 1 mm reach from 0.5 mm to 29.5 mm, evenly spread."""
    ramp = np.tile(10.0 ** -(0.3 + (np.arange(300) + 0.5) / 300.0), (300, 1))
    reading = read(plain_scan(tmp_path, ramp), frame_mm=WHOLE, trim=trim, base_fog=0.2)
    low, high = 0.3 + 0.5 / 30.0, 1.3 - 0.5 / 30.0
    assert reading.shadow is not None
    assert reading.highlight is not None
    assert reading.density_range is not None
    assert reading.net_shadow is not None
    assert reading.net_highlight is not None
    # 0.01: apertures stand on cells of 0.25 mm, which is 0.008 here.
    assert_allclose(reading.shadow.value, low + trim * (high - low), rtol=0, atol=0.01)
    assert_allclose(reading.highlight.value, high - trim * (high - low), rtol=0, atol=0.01)
    assert_allclose(reading.density_range.value, reading.highlight.value - reading.shadow.value, rtol=1e-12)
    assert_allclose(reading.net_shadow.value, reading.shadow.value - 0.2, rtol=1e-12)
    assert_allclose(reading.net_highlight.value, reading.highlight.value - 0.2, rtol=1e-12)


def test_a_positive_picture_reads_as_the_negative(tmp_path: Path) -> None:
    image = TENTH.copy()
    image[:30] = 1.0
    image[240:] = 0.0
    image[100:160, 100:160] = 10.0**-0.5
    options: dict[str, Any] = {"frame_mm": WHOLE, "spots_mm": ((13.0, 13.0), (20.0, 20.0))}
    plain = plain_scan(tmp_path, image)
    upright = read(plain, **options)
    turned = read(plain_scan(tmp_path, 1.0 - image), mirrored(calibration_of(plain)), **options)
    for name in ("shadow", "highlight"):
        assert_allclose(getattr(turned, name).value, getattr(upright, name).value, rtol=0, atol=1e-3)
    assert_allclose([spot.density.value for spot in turned.spots], [0.5, 1.0], rtol=0, atol=1e-3)
    # Bare glass is at the light end of the scale on both, whichever end of the codes that is: 3 mm and 6 mm of 30.
    for reading in (upright, turned):
        assert_allclose((reading.clipped_light, reading.clipped_dark), (0.1, 0.2), rtol=0, atol=0.01)
    assert message(turned, "clipped-light").startswith(
        f"{100 * turned.clipped_light:.1f} % of the frame is at the light"
    )
    assert message(turned, "clipped-dark").startswith(f"{100 * turned.clipped_dark:.1f} % of the frame is at the dark")


@pytest.mark.parametrize(("rows", "told"), [(0, False), (1, True)])
def test_a_thousandth_at_an_end_is_said(rows: int, told: bool, tmp_path: Path) -> None:
    """One row of 300 pixels in 300 is a third of a per cent."""
    image = TENTH.copy()
    image[150 : 150 + rows] = 1.0
    reading = read(plain_scan(tmp_path, image), frame_mm=WHOLE)
    assert ("clipped-light" in codes(reading)) is told
    assert_allclose(reading.clipped_light, rows / 300.0, rtol=0.02, atol=1e-12)


def test_readings_beyond_the_wedge_are_counted_on_either_side(tmp_path: Path) -> None:
    """The wedge reaches from 0.03 to 3.63; 5 of 30 mm are thinner, 10 mm denser.

    Middles of 1 mm apertures lie over 29 mm. Any light beside the dense part brings a reading below 3.63: 9 mm count;
    beside the thin part 6 % of the aperture does, so 4.06 mm count (less than 4.1 for the circle's small segment).
    """
    image = TENTH.copy()
    image[:50] = 0.99
    image[200:] = 10.0**-3.9
    reading = read(plain_scan(tmp_path, image), frame_mm=WHOLE)
    assert_allclose(
        reading.beyond_calibration, (9.0 + 4.06) / 29.0, rtol=0, atol=0.018
    )  # a cell of 0.25 mm at each end
    assert "0.03 to 3.63" in message(reading, "beyond-calibration")


@pytest.mark.parametrize(("base", "told"), [(0.02, True), (0.04, False), (0.5, False)])
def test_a_rebate_clearer_than_the_wedge_is_only_a_limit(base: float, told: bool, tmp_path: Path) -> None:
    image = TENTH.copy()
    image[:60] = 10.0**-base
    reading = read(plain_scan(tmp_path, image), frame_mm=(0.0, 10.0, 30.0, 20.0), rebate_mm=(1.0, 1.0, 28.0, 4.0))
    assert reading.base_plus_fog is not None
    # what is clearer than the lightest step is at most that step
    assert reading.base_plus_fog.limit == ("at most" if told else None)
    assert_allclose(reading.base_plus_fog.value, max(base, 0.03), rtol=0, atol=1e-3)
    assert ("rebate-beyond-calibration" in codes(reading)) is told
    if told:
        assert "0.02 is clearer than the lightest step of the wedge (0.03)" in message(
            reading, "rebate-beyond-calibration"
        )


def test_base_plus_fog_that_was_given_is_exact(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, TENTH), base_fog=0.27, base_density=0.05, spots_mm=((15.0, 15.0),))
    assert reading.base_plus_fog is not None
    assert reading.fog is not None
    assert (reading.base_plus_fog.value, reading.base_plus_fog.uncertainty) == (0.27, 0.0)
    assert_allclose(reading.fog.value, 0.22, rtol=1e-12)
    (spot,) = reading.spots
    assert spot.net is not None
    assert_allclose(spot.net.value, spot.density.value - 0.27, rtol=1e-12)
    without = read(plain_scan(tmp_path, TENTH), base_fog=0.27)
    assert without.fog is None


def test_one_piece_has_no_number_and_the_facts_of_its_scan(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, TENTH), frame_mm=(2.0, 3.0, 20.0, 10.0), aperture_mm=1.5)
    assert reading.piece is None
    assert (reading.file, reading.aperture_mm, reading.angle_deg) == ("plain.tif", 1.5, 0.0)
    assert_allclose(reading.ppi or 0.0, 254.0)
    assert reading.frame_corners_mm is not None
    assert_allclose(reading.frame_corners_mm, [(2.0, 3.0), (22.0, 3.0), (22.0, 13.0), (2.0, 13.0)], rtol=1e-12)
    assert reading.base_plus_fog is None
    assert reading.net_shadow is None
    assert reading.net_highlight is None
    assert "--rebate or --base-fog" in message(reading, "no-rebate")


def test_shadow_and_highlight_have_noise_of_their_own(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    reading = read(plain_scan(tmp_path, TENTH * rng.normal(1.0, 0.05, TENTH.shape)), frame_mm=WHOLE)
    assert reading.density_range is not None
    kinds = {influence for influence in reading.density_range.parts or {} if influence.kind == "patch noise"}
    assert kinds == {Influence("patch noise", "shadow"), Influence("patch noise", "highlight")}


@pytest.mark.parametrize("box", [(-0.5, -0.5, 31.0, 31.0), (0.0, 0.0, 30.4, 5.0)])
def test_half_a_millimetre_beyond_the_scan_is_a_rounding(
    box: tuple[float, float, float, float], tmp_path: Path
) -> None:
    assert read(plain_scan(tmp_path, TENTH), frame_mm=box).shadow is not None


@pytest.mark.parametrize(
    "options",
    [
        {"frame_mm": (-0.6, 0.0, 5.0, 5.0)},
        {"frame_mm": (0.0, -0.6, 5.0, 5.0)},
        {"frame_mm": (26.0, 0.0, 5.0, 5.0)},
        {"rebate_mm": (0.0, 26.0, 5.0, 5.0)},
        {"spots_mm": ((30.0, 5.0),)},
        {"spots_mm": ((5.0, 30.0),)},
        {"spots_mm": ((-0.1, 5.0),)},
        {"spots_mm": ((5.0, -0.1),)},
        {"spots_mm": ((5.0, 5.0), (5.0, 40.0))},
    ],
)
def test_what_does_not_lie_on_the_scan_is_refused(options: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match=r"plain\.tif, which is 30\.0 x 30\.0 mm"):
        read(plain_scan(tmp_path, TENTH), **options)


def test_the_corner_of_a_scan_is_on_it(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, TENTH), spots_mm=((0.0, 0.0), (29.9, 29.9)))
    assert_allclose([spot.density.value for spot in reading.spots], 1.0, rtol=0, atol=1e-3)


def test_an_area_too_small_for_the_aperture_is_refused(tmp_path: Path) -> None:
    with pytest.raises(MeasureError, match=r"an area of 2\.0 x 1\.0 mm holds no aperture of 3 mm"):
        read(plain_scan(tmp_path, TENTH), frame_mm=(5.0, 5.0, 2.0, 1.0), aperture_mm=3.0)


def test_another_channel_is_said(tmp_path: Path) -> None:
    scan = plain_scan(tmp_path, TENTH)
    reading = read(scan, replace(calibration_of(scan), channel="red"))
    assert message(reading, "scan-differs-from-calibration").endswith("channel (gray, calibrated with red).")
    assert "scan-differs-from-calibration" not in codes(read(scan))


@pytest.mark.parametrize(
    "wrong", [{"aperture_mm": 0.0}, {"aperture_mm": -1.0}, {"aperture_mm": np.inf}, {"trim": 0.5}, {"trim": -0.01}]
)
def test_options_that_cannot_be(wrong: dict[str, Any]) -> None:
    with pytest.raises(WrongUseError, match="cannot be"):
        MeasureOptions(**wrong)


@pytest.mark.parametrize(
    "box", [(0.0, 0.0, 5.0, 0.0), (0.0, 0.0, 0.0, 5.0), (0.0, 0.0, -5.0, 5.0), (np.nan, 0.0, 5.0, 5.0)]
)
@pytest.mark.parametrize("name", ["frame_mm", "rebate_mm"])
def test_boxes_without_area(box: tuple[float, float, float, float], name: str) -> None:
    with pytest.raises(WrongUseError, match=f"--{name[:-3]} .* has no area"):
        MeasureOptions(**{name: box})  # type: ignore[arg-type]


def test_the_widest_trim_and_the_smallest_box_can_be(tmp_path: Path) -> None:
    (reading,) = measured(plain_scan(tmp_path, TENTH), MeasureOptions(trim=0.499, frame_mm=WHOLE))
    assert reading.density_range is not None
    assert_allclose(reading.density_range.value, 0.0, rtol=0, atol=1e-3)
    assert MeasureOptions(frame_mm=(0.0, 0.0, 0.5, 0.5)).frame_mm is not None


# A sheet drawn by hand: 40 x 34 mm on glass, its frame 30 x 24 mm of patches, the rebate 5 mm all round.

SHEET = (10.0, 8.0, 40.0, 34.0)
FRAME = (15.0, 13.0, 30.0, 24.0)


def laid_out(*, rise: float = 0.0) -> Floats:
    """Its fog rises from left to right by `rise`."""
    rng = np.random.default_rng(6)
    density = np.full((500, 600), 0.02)
    density[80:420, 100:500] = 0.25
    density[130:370, 150:450] = np.kron(rng.uniform(0.6, 1.6, (8, 10)), np.ones((30, 30)))
    density[80:420, 100:500] += rise * (np.arange(400) + 0.5) / 400.0
    light = 10.0**-density * rng.normal(1.0, 0.01, density.shape)
    return np.asarray(np.clip(light, 0.0, 1.0))


def test_a_sheet_and_its_frame_are_told_with_their_places(tmp_path: Path) -> None:
    reading = read(plain_scan(tmp_path, laid_out()))
    assert reading.film_mm is not None
    assert reading.frame_mm is not None
    assert reading.seen_mm is not None
    assert reading.frame_corners_mm is not None
    # The aim set for this tool is 1 mm; a cell is 0.25 mm.
    assert_allclose(reading.film_mm, SHEET, rtol=0, atol=0.5)
    assert_allclose(reading.seen_mm, SHEET, rtol=0, atol=0.5)
    assert_allclose(reading.frame_mm, FRAME, rtol=0, atol=0.5)
    left, top, width, height = FRAME
    corners = [(left, top), (left + width, top), (left + width, top + height), (left, top + height)]
    assert_allclose(reading.frame_corners_mm, corners, rtol=0, atol=0.5)
    assert_allclose((reading.angle_deg, reading.seen_angle_deg), 0.0, rtol=0, atol=0.3)
    assert reading.base_plus_fog is not None
    assert reading.net_shadow is not None
    assert reading.shadow is not None
    assert_allclose(reading.base_plus_fog.value, 0.25, rtol=0, atol=0.005)
    assert_allclose(reading.net_shadow.value, reading.shadow.value - reading.base_plus_fog.value, rtol=1e-12)
    assert 0.55 < reading.shadow.value < 0.8  # the thinnest of 80 patches between 0.6 and 1.6
    assert not {"no-rebate", "rebate-uneven", "many-specks"} & codes(reading)


def test_a_rebate_denser_on_one_side_is_said_side_by_side(tmp_path: Path) -> None:
    """Fog that rises by 0.04 over 40 mm: 0.0025 in the middle of the left rebate, 0.0375 in that of the right one."""
    reading = read(plain_scan(tmp_path, laid_out(rise=0.04)))
    assert reading.rebate is not None
    sides = {side.name: side.density for side in reading.rebate.sides}
    assert_allclose((sides["left"], sides["right"]), (0.2525, 0.2875), rtol=0, atol=0.003)
    told = message(reading, "rebate-uneven")
    assert "left 0.25" in told
    assert "right 0.29" in told
    assert told.endswith("fog, a light leak or uneven development.")
    assert "rebate-uneven" not in codes(read(plain_scan(tmp_path, laid_out(rise=0.015))))


def test_so_many_specks_that_they_may_be_picture_are_said(tmp_path: Path) -> None:
    """A dark speck of 0.4 mm on each square millimetre."""
    image = TENTH.copy()
    for row in range(4):
        for column in range(4):
            image[3 + row :: 10, 3 + column :: 10] = 10.0**-2.0
    reading = read(plain_scan(tmp_path, image), frame_mm=WHOLE)
    assert message(reading, "many-specks").startswith("So many small specks stand out")
    assert "many-specks" not in codes(read(plain_scan(tmp_path, TENTH), frame_mm=WHOLE))
