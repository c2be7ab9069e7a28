"""From the meter to the shutter: each change in stops, by hand; the zones; the bellows."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.errors import WrongUseError
from densiscan.film.exposing import CameraExposure, CameraSetting, Metered, camera_exposure, magnification_of
from densiscan.film.reciprocity import usual_reciprocity
from densiscan.report.exposing import exposing_text
from densiscan.report.zone_change import zone_text

METERED = Metered(seconds=1.0 / 60.0, f_number=16.0, index=100.0)


def exposed(metered: Metered = METERED, /, **setting: float | tuple[float, ...]) -> CameraExposure:
    facts = {"f_number": 16.0, "index": 100.0, **setting}
    return camera_exposure(metered, CameraSetting(**facts), usual_reciprocity())  # type: ignore[arg-type]


def test_nothing_changed_gives_the_time_of_the_meter() -> None:
    exposure = exposed()
    assert exposure.changes == ()
    assert_allclose(exposure.time_s.value, 1.0 / 60.0)


@pytest.mark.parametrize(
    ("setting", "what", "stops"),
    [
        # By definition: half the index is a stop, f/22.6 a stop from f/16, a factor of 4 two stops.
        ({"index": 50.0}, "film index", 1.0),
        ({"f_number": 32.0}, "aperture", 2.0),
        ({"f_number": 8.0}, "aperture", -2.0),
        ({"filter_factors": (2.0, 4.0)}, "filter", 3.0),
        # Same size as the subject: the lens is twice its focal length from the film, a quarter of the light.
        ({"magnification": 1.0}, "bellows", 2.0),
        # A shadow metered and placed on zone III gets two stops less than the meter's middle gray (common practice).
        ({"zone": 3.0}, "zone", -2.0),
    ],
)
def test_each_change_by_hand(setting: dict[str, float], what: str, stops: float) -> None:
    exposure = exposed(**setting)
    (change,) = exposure.changes
    assert change.what == what
    assert_allclose(change.stops, stops, atol=1e-12)
    assert_allclose(exposure.metered_s, 2.0**stops / 60.0)


# Published: a lens of 150 mm at 300 mm images in natural size, factor 4; at 225 mm half size, (1 + 0.5)^2 = 2.25 (the
# textbook formula for close-ups, from memory).
@pytest.mark.parametrize(("extension", "factor"), [(300.0, 4.0), (225.0, 2.25), (150.0, 1.0)])
def test_bellows_by_extension(extension: float, factor: float) -> None:
    exposure = exposed(magnification=magnification_of(150.0, extension))
    assert_allclose(exposure.metered_s * 60.0, factor)


def test_a_lens_nearer_than_its_focal_length_is_refused() -> None:
    with pytest.raises(WrongUseError, match="shorter than the focal length"):
        magnification_of(150.0, 140.0)


@given(
    st.floats(8.0, 64.0), st.floats(6.0, 800.0), st.floats(1.0, 64.0), st.floats(0.0, 2.0), st.floats(0.0, 10.0),
    st.floats(1e-4, 100.0),
)  # fmt: skip
def test_changes_multiply_to_the_time(
    f_number: float, index: float, factor: float, size: float, zone: float, seconds: float
) -> None:
    exposure = exposed(
        Metered(seconds=seconds, f_number=16.0, index=100.0),
        f_number=f_number, index=index, filter_factors=(factor,), magnification=size, zone=zone,
    )  # fmt: skip
    by_hand = seconds * (f_number / 16.0) ** 2 * (100.0 / index) * factor * (1.0 + size) ** 2 * 2.0 ** (zone - 5.0)
    assert_allclose(exposure.metered_s, by_hand, rtol=1e-9)
    assert exposure.time_s.value >= exposure.metered_s * (1.0 - 1e-12)


def test_a_long_time_is_corrected_and_developed_shorter() -> None:
    # 2.5 s through a factor of 4: 10 s, which the middle of published films makes 10 ** (1 / 0.75) = 21.5 s.
    exposure = exposed(Metered(seconds=2.5, f_number=16.0, index=100.0), filter_factors=(4.0,))
    assert_allclose(exposure.time_s.value, 21.54, atol=0.01)
    assert exposure.time_s.interval is not None
    assert exposure.shorter_development == 0.20


def highlighted(shadow: float, highlight: float, zone: float = 3.0) -> CameraExposure:
    metered = Metered(seconds=shadow, f_number=16.0, index=100.0)
    second = Metered(seconds=highlight, f_number=16.0, index=100.0)
    setting = CameraSetting(f_number=16.0, index=100.0, zone=zone)
    return camera_exposure(metered, setting, usual_reciprocity(), highlight=second)


def test_a_highlight_six_stops_above_zone_three_falls_on_nine_and_wants_n_minus_one() -> None:
    # 1/4 s and 1/256 s: six stops. Placed on III the brighter falls on IX; for VIII five stops must do for six.
    exposure = highlighted(1.0 / 4.0, 1.0 / 256.0)
    assert exposure.highlight is not None
    assert_allclose(exposure.highlight.falls_on, 9.0)
    assert_allclose(exposure.highlight.stops, -1.0)
    assert_allclose(exposure.highlight.contrast_factor, 5.0 / 6.0)


def test_a_highlight_where_it_is_wanted_is_developed_as_usual() -> None:
    exposure = highlighted(1.0 / 4.0, 1.0 / 128.0)
    setting = CameraSetting(f_number=16.0, index=100.0, zone=3.0)
    said = exposing_text(exposure, METERED, setting, usual_reciprocity())
    assert "falls on zone VIII: develop as usual (N)" in said


def test_a_highlight_darker_than_the_shadow_is_refused() -> None:
    with pytest.raises(WrongUseError, match="no brighter"):
        highlighted(1.0 / 128.0, 1.0 / 4.0)


@pytest.mark.parametrize(("zone", "said"), [(0.0, "0"), (3.0, "III"), (8.04, "VIII"), (9.2, "9.2"), (11.0, "11.0")])
def test_zones_are_written_in_their_numerals(zone: float, said: str) -> None:
    assert zone_text(zone) == said


def test_stops_of_a_third_are_told_to_a_tenth() -> None:
    exposure = exposed(index=80.0)
    assert_allclose(exposure.changes[0].stops, math.log2(1.25))
    said = exposing_text(exposure, METERED, CameraSetting(f_number=16.0, index=80.0), usual_reciprocity())
    assert "80: 0.3 stops more" in said
