"""The gray profile, against the colour engine that Pillow carries."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image, ImageCms

from densiscan.files.gray_profile import encoded, gray_profile


@pytest.mark.parametrize(
    ("light", "value"),
    [
        (0.0, 0.0),
        (0.001, 0.01292),
        # 1.055 * 0.18 ** (1 / 2.4) - 0.055, by logarithms: ln 0.18 / 2.4 = -0.714499, exp 0.489438
        (0.18, 0.461357),
        (1.0, 1.0),
        (1.5, 1.0),
        (-0.1, 0.0),
    ],
)
def test_the_tone_curve_of_screens(light: float, value: float) -> None:
    assert_allclose(encoded(light), value, atol=1e-6)


def test_the_two_parts_of_the_tone_curve_meet() -> None:
    below, above = encoded([0.0031308 - 1e-9, 0.0031308 + 1e-9])
    # the published constants leave a gap below a sixteen-bit code
    assert abs(above - below) < 1.0 / 65535


def test_a_colour_engine_reads_the_profile_and_leaves_gray_as_it_is() -> None:
    profile = ImageCms.getOpenProfile(io.BytesIO(gray_profile()))
    assert profile.profile.xcolor_space.strip() == "GRAY"
    assert "Gray" in ImageCms.getProfileDescription(profile)
    gray = Image.fromarray(np.arange(256, dtype=np.uint8)[None, :])
    # by relative colorimetry gray with the tone curve of screens is the same value in each colour of a screen
    screen = ImageCms.createProfile("sRGB")
    way = ImageCms.buildTransform(profile, screen, "L", "RGB", renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC)
    seen = ImageCms.applyTransform(gray, way)
    assert seen is not None
    assert_allclose(np.asarray(seen, dtype=int)[0], np.arange(256)[:, None] * np.ones(3), atol=1)
