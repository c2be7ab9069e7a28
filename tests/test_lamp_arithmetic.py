"""The lamp from an empty bed drawn by hand: what is clipped, what lies on it, and what the field leaves over."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from numpy.testing import assert_allclose

from densiscan.calibration import Calibration
from densiscan.errors import MeasureError
from densiscan.lamp import LampField, lamp_field, read_bed
from densiscan.scan import Scan, open_scan
from tests import made_up

PX_PER_MM = 2
WIDTH_MM, HEIGHT_MM = 140, 100

Floats = npt.NDArray[np.float64]


def bow(x: Floats, y: Floats) -> Floats:
    """Light that falls off towards the sides and rises towards the bottom, mean about 1."""
    return np.asarray(1.01 - 0.03 * (x / 70.0 - 1.0) ** 2 + 0.02 * (y / 50.0 - 1.0))


def places() -> tuple[Floats, Floats]:
    x = (np.arange(WIDTH_MM * PX_PER_MM) + 0.5) / PX_PER_MM
    y = (np.arange(HEIGHT_MM * PX_PER_MM) + 0.5) / PX_PER_MM
    return x[None, :], y[:, None]


def bed_of(folder: Path, light: Floats, *, gain: float = 0.8, inverted: bool = False, bits: int = 16) -> Scan:
    full = 2**bits - 1
    codes = np.clip(np.rint(full * gain * light), 0, full).astype(np.uint16 if bits == 16 else np.uint8)
    file = folder / "bed.tif"
    options: dict[str, Any] = {"resolution": (25.4 * PX_PER_MM,) * 2, "resolutionunit": 2, "metadata": None}
    tifffile.imwrite(file, full - codes if inverted else codes, photometric="minisblack", software=False, **options)
    return open_scan(file)


def linear(*, inverted: bool = False) -> Calibration:
    """A linear scanner; its steps without noise, so that the table is light itself."""
    plain = made_up.calibration()
    steps = []
    for one in plain.steps:
        signal = 1.0 - one.reading.signal if inverted else one.reading.signal
        steps.append(replace(one, reading=replace(one.reading, noise=0.0, signal=signal)))
    return replace(plain, steps=tuple(steps), inverted=inverted)


def field_of(folder: Path, light: Floats, **options: Any) -> LampField:
    return lamp_field(read_bed(bed_of(folder, light, **options)), linear(inverted=bool(options.get("inverted"))))


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("gain", [0.4, 0.85])
def test_the_field_is_the_light_over_its_mean(gain: float, inverted: bool, tmp_path: Path) -> None:
    light = bow(*places())
    field = field_of(tmp_path, light, gain=gain, inverted=inverted)
    assert field.size_mm == (WIDTH_MM, HEIGHT_MM)
    seen = field.at(*places())
    # Whole codes are 4e-5 of the light at the lower gain; over a block of 8 mm the bow bends by 0.03 (4 / 70)^2, 1e-4,
    # and a median of it lies within that.
    assert_allclose(seen / seen.mean(), light / light.mean(), rtol=0, atol=1e-4)
    assert_allclose(field.light.mean(), 1.0, rtol=1e-12)
    assert field.left_over < 5e-5
    assert field.warnings == ()


def test_what_the_surface_does_not_hold_is_left_over(tmp_path: Path) -> None:
    """Bands of a block each, 140/18 mm, 0.4 % to either side: too narrow for a surface that follows 50 mm."""
    x, y = places()
    bands = 1.0 + 0.004 * np.where((x // (WIDTH_MM / 18.0)).astype(int) % 2, 1.0, -1.0)
    noise = np.random.default_rng(3).normal(1.0, 0.003, (y.size, x.size))  # so that no code holds most pixels
    field = field_of(tmp_path, np.asarray(bands * noise))
    # The median of the deviations is 0.004, times 1.4826 as for noise; a tenth for what the surface takes of it.
    assert_allclose(field.left_over, 1.4826 * 0.004, rtol=0.1)


@pytest.mark.parametrize("inverted", [False, True])
def test_a_bed_at_the_end_of_the_scale_is_told_by_its_share(inverted: bool, tmp_path: Path) -> None:
    light = bow(*places())
    light[: 2 * 3, :] = 2.0  # 3 of 100 mm
    bed = read_bed(bed_of(tmp_path, light, inverted=inverted))
    assert_allclose(bed.clipped(inverted=inverted), 0.03, rtol=1e-6)
    assert bed.clipped(inverted=not inverted) == 0.0
    with pytest.raises(MeasureError, match=r"bed\.tif: 3 % of the empty bed is at the end"):
        lamp_field(bed, linear(inverted=inverted))


def test_some_specks_at_the_end_of_the_scale_are_no_matter(tmp_path: Path) -> None:
    light = bow(*places())
    light[::20, ::20] = 2.0  # a pixel in 400
    bed = read_bed(bed_of(tmp_path, light))
    assert_allclose(bed.clipped(inverted=False), 1.0 / 400.0, rtol=1e-6)
    assert lamp_field(bed, linear()).left_over < 1e-3


@pytest.mark.parametrize("inverted", [False, True])
def test_a_white_level_below_full_scale_clips_too(inverted: bool, tmp_path: Path) -> None:
    """All light above a level of 0.78 comes out as that one code, below it the codes are spread."""
    rng = np.random.default_rng(3)
    light = bow(*places()) * rng.normal(1.0, 0.003, (HEIGHT_MM * PX_PER_MM, WIDTH_MM * PX_PER_MM))
    cut = np.minimum(light, 0.98)
    share = float(np.mean(light >= 0.98))
    bed = read_bed(bed_of(tmp_path, cut, inverted=inverted))
    assert_allclose(bed.clipped(inverted=inverted), share, rtol=0.01)
    assert read_bed(bed_of(tmp_path, light, inverted=inverted)).clipped(inverted=inverted) == 0.0


def test_eight_bits_are_too_coarse_to_tell_a_white_level(tmp_path: Path) -> None:
    even = np.full((HEIGHT_MM * PX_PER_MM, WIDTH_MM * PX_PER_MM), 1.0)
    assert read_bed(bed_of(tmp_path, even, bits=8)).clipped(inverted=False) == 0.0
    assert read_bed(bed_of(tmp_path, even)).clipped(inverted=False) == 1.0


@pytest.mark.parametrize(("covered_mm", "refused"), [(0.0, False), (4.0, False), (24.0, True)])
def test_what_lies_on_the_bed_is_not_the_lamp(covered_mm: float, refused: bool, tmp_path: Path) -> None:
    """A thin sheet of density 0.1 in a corner: up to 3 % of the bed is passed over as dust, more is refused."""
    light = bow(*places())
    truth = light.copy()
    side = round(covered_mm * PX_PER_MM)
    light[:side, : 2 * side] *= 10.0**-0.1
    if refused:
        with pytest.raises(MeasureError, match="the bed is not empty"):
            field_of(tmp_path, light)
    else:
        seen = field_of(tmp_path, light).at(*places())
        assert_allclose(seen / seen.mean(), truth / truth.mean(), rtol=0, atol=5e-4)


@pytest.mark.parametrize(("dark", "refused"), [(0.55, False), (0.4, True)])
def test_a_lamp_does_not_halve_its_light(dark: float, refused: bool, tmp_path: Path) -> None:
    """A plane from `dark` to 2 - dark: smooth, but beyond a factor of two no lamp."""
    x, y = places()
    light = np.asarray((dark + (2.0 - 2.0 * dark) * x / WIDTH_MM) * np.ones_like(y))
    if refused:
        with pytest.raises(MeasureError, match="the bed is not empty"):
            field_of(tmp_path, light, gain=0.5)
    else:
        assert_allclose(field_of(tmp_path, light, gain=0.5).at(0.0, 50.0), dark, rtol=1e-3)


def test_blocks_are_eight_millimetres_and_more_of_them_on_a_narrow_scan(tmp_path: Path) -> None:
    bed = read_bed(bed_of(tmp_path, bow(*places())))
    # 140 / 8 and 100 / 8, rounded: 18 and 12 blocks, of whole cells of half a millimetre
    assert bed.signal.shape == (12, 18)
    assert_allclose(np.diff(bed.x_mm), 140.0 / 18.0, rtol=0, atol=0.51)
    narrow = tmp_path / "narrow"
    narrow.mkdir()
    assert read_bed(bed_of(narrow, bow(*places())[:60])).signal.shape == (12, 18)


def test_a_bed_scanned_at_another_depth_is_said(tmp_path: Path) -> None:
    field = field_of(tmp_path, bow(*places()), bits=8)
    (told,) = field.warnings
    assert told.code == "empty-bed-differs"
    assert "bit depth (8, calibrated with 16)" in told.message
    assert "resolution" not in told.message  # the bed may be scanned at another
