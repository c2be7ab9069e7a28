"""Rendered wedges, film and whole scans: geometry, true readings, files, and the sample set."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose, assert_array_equal
from PIL import Image, ImageOps

from densiscan.errors import WrongUseError
from tests.renderer import (
    AirBell,
    Bands,
    Blemishes,
    DryingMark,
    EdgeDensity,
    Film,
    FilmCurve,
    Gradient,
    Holder,
    Leak,
    Picture,
    Place,
    Rendered,
    Scanner,
    Specks,
    WedgeLayout,
    even_densities,
    faultless,
    holder_for,
    render_bed,
    sheet,
    strip,
    write_scan,
    write_wedge_file,
)


def _density(rendered: Rendered) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Return the density of every pixel of a faultless scan."""
    return -np.log10(np.maximum(rendered.codes, 0.3) / rendered.scanner.full_scale)


def _at(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], ppi: float, x_mm: float, y_mm: float) -> float:
    return float(values[math.floor(y_mm / 25.4 * ppi), math.floor(x_mm / 25.4 * ppi)])


def _fog_sheet(**film: Any) -> Film:
    return sheet(
        size_mm=(60.0, 40.0),
        place=Place(x_mm=35.0, y_mm=25.0),
        picture=None,
        notch=None,
        granularity=0.0,
        curve=FilmCurve(base=0.05, fog=0.12),
        **film,
    )


# -- geometry -----------------------------------------------------------------------------------------------------


def test_corners_lie_where_trigonometry_puts_them() -> None:
    film = sheet(size_mm=(100.0, 80.0), place=Place(x_mm=60.0, y_mm=50.0, angle_deg=3.0), picture=None)
    truth = render_bed([film], faultless(ppi=100.0), seed=1, size_mm=(120, 100)).truth.film
    # clockwise by 3 degrees with y down: (u, v) goes to (u cos - v sin, u sin + v cos); cos 3 = 0.9986295,
    # sin 3 = 0.0523360. Top left (-50, -40): x = 60 - 49.931477 + 2.093438, y = 50 - 2.616798 - 39.945181
    assert truth.film_mm == (10.0, 10.0, 100.0, 80.0)
    corners = truth.place.corners(truth.sheet_mm)
    assert_allclose(corners[0], (12.161961, 7.438021), atol=1e-5)
    # bottom right is the point opposite
    assert_allclose(corners[2], (120 - 12.161961, 100 - 7.438021), atol=1e-5)


@pytest.mark.parametrize("angle", [-3.0, 0.0, 0.7, 3.0])
def test_film_is_drawn_where_its_truth_says(angle: float) -> None:
    place = Place(x_mm=35.3, y_mm=25.1, angle_deg=angle)
    film = replace(_fog_sheet(), place=place)
    rendered = render_bed([film], faultless(), seed=1, size_mm=(70, 50))
    density = _density(rendered)
    for side_u in (-1, 1):
        for side_v in (-1, 1):
            inside = place.on_bed(side_u * 29.8, side_v * 19.8)
            outside = place.on_bed(side_u * 30.2, side_v * 20.2)
            assert_allclose(_at(density, 300, *inside), 0.17, atol=1e-3)
            assert_allclose(_at(density, 300, *outside), 0.0, atol=1e-3)
    # the area counts partly covered pixels by their share: 2400 mm2 to 0.05 %
    share = (1 - rendered.codes / 65535.0) / (1 - 10**-0.17)
    assert_allclose(share.sum() * (25.4 / 300) ** 2, 2400.0, rtol=5e-4)


def test_frame_box_turns_about_the_film_or_about_itself() -> None:
    film = sheet(
        size_mm=(100.0, 80.0),
        place=Place(x_mm=60.0, y_mm=50.0, angle_deg=2.0),
        picture=Picture(),
        edge_mm=(2.0, 4.0, 22.0, 4.0),
    )
    frame = render_bed([film], faultless(ppi=100.0), seed=1, size_mm=(120, 100)).truth.film.frame
    assert_allclose(frame.frame_mm, (12.0, 14.0, 76.0, 72.0), atol=1e-9)
    # its centre is 10 mm left of the film's: it goes to 60 - 10 cos 2, 50 - 10 sin 2
    assert_allclose(frame.turned_alone_mm, (60 - 9.993908 - 38, 50 - 0.348995 - 36, 76, 72), atol=1e-5)
    alone = Place(x_mm=60 - 9.993908, y_mm=50 - 0.348995, angle_deg=2.0).corners(frame.turned_alone_mm)
    assert_allclose(alone, frame.corners_mm, atol=1e-5)


@pytest.mark.parametrize("run", ["right", "down", "left", "up"])
@pytest.mark.parametrize("angle", [0.0, -2.6])
def test_steps_have_their_density_at_their_centres(run: str, angle: float) -> None:
    wedge = WedgeLayout(
        densities=(0.1, 0.4, 0.9, 1.6, 2.5),
        place=Place(x_mm=25.0, y_mm=24.0, angle_deg=angle),
        run=run,  # type: ignore[arg-type]
        step_mm=6.0,
        width_mm=9.0,
        granularity=0.0,
    )
    rendered = render_bed([wedge], faultless(), seed=1, size_mm=(50, 48))
    density = _density(rendered)
    truth = rendered.truth.wedge
    ahead = {"right": (1, 0), "down": (0, 1), "left": (-1, 0), "up": (0, -1)}[run]
    for step in truth.steps:
        # rounding: half a code of 65535 * 10**-2.5 = 207 is 0.001
        assert_allclose(_at(density, 300, step.x_mm, step.y_mm), step.density, atol=1.2e-3)
    for one, two in pairwise(truth.steps):
        assert_allclose(math.hypot(two.x_mm - one.x_mm, two.y_mm - one.y_mm), 6.0, atol=1e-9)
        turn = (math.cos(math.radians(angle)), math.sin(math.radians(angle)))
        way = (6 * (ahead[0] * turn[0] - ahead[1] * turn[1]), 6 * (ahead[0] * turn[1] + ahead[1] * turn[0]))
        assert_allclose((two.x_mm - one.x_mm, two.y_mm - one.y_mm), way, atol=1e-9)


def test_no_light_shows_between_steps() -> None:
    wedge = WedgeLayout(
        densities=(2.0, 2.2, 2.4), place=Place(x_mm=15.03, y_mm=10.0, angle_deg=1.0), step_mm=5.0, granularity=0.0
    )
    density = _density(render_bed([wedge], faultless(), seed=1, size_mm=(30, 20)))
    row = density[math.floor(10 / 25.4 * 300), math.floor(8.5 / 25.4 * 300) : math.floor(21.5 / 25.4 * 300)]
    assert np.all(np.diff(row) >= -1e-9)
    assert_allclose((row[0], row[-1]), (2.0, 2.4), atol=2e-3)


def test_wedge_borders_lines_numerals_and_mask() -> None:
    plain = WedgeLayout(
        densities=(0.2, 1.0, 2.0),
        place=Place(x_mm=30.0, y_mm=20.0),
        step_mm=8.0,
        width_mm=10.0,
        border_mm=4.0,
        end_mm=3.0,
        granularity=0.0,
    )
    layout = replace(plain, numerals=True, line_mm=0.5, line_density=3.0, mask_mm=4.0, lip_mm=-5.0)
    density = _density(render_bed([layout], faultless(), seed=1, size_mm=(60, 40)))
    assert_allclose(_at(density, 300, 30 - 13.5, 20), 0.05, atol=1e-3)  # clear end
    assert_allclose(_at(density, 300, 30, 20 - 7), 0.05, atol=1e-3)  # clear border above
    assert_allclose(_at(density, 300, 30 - 4, 20), 3.0, atol=5e-3)  # dark line between steps 1 and 2
    assert _at(density, 300, 30 - 20, 20) > 4.5  # mask
    assert_allclose(_at(density, 300, 30 - 16.5, 20), 0.0, atol=1e-3)  # glass between wedge and mask
    below = density[math.floor(26 / 25.4 * 300) : math.floor(28.5 / 25.4 * 300)]
    assert 0.01 < np.mean(np.abs(below - 2.2) < 0.01) < 0.2  # ink of the numerals, in the border below
    print_ = replace(plain, reflection=True)
    paper = _density(render_bed([print_], faultless(), seed=1, size_mm=(60, 40), surround=1.0))
    # what lies under paper does not show
    assert_allclose(_at(paper, 300, 30, 20), 1.0, atol=1e-3)
    assert_allclose(_at(paper, 300, 2, 2), 1.0, atol=1e-3)


def test_strip_has_frames_gaps_and_holes() -> None:
    film = strip(
        place=Place(x_mm=64.0, y_mm=22.0), pictures=[Picture(), Picture(scene="wood"), Picture(scene="bust")],
        gap_mm=2.0, granularity=0.0, edge_print=True,
    )  # fmt: skip
    rendered = render_bed([film], faultless(), seed=1, size_mm=(128, 44))
    truth = rendered.truth.film
    assert_allclose(truth.sheet_mm, (64 - 58, 22 - 17.5, 116, 35), atol=1e-9)
    assert [round(frame.frame_mm[0], 6) for frame in truth.frames] == [8.0, 46.0, 84.0]
    density = _density(rendered)
    assert_allclose(_at(density, 300, 45, 22), truth.base_plus_fog, atol=2e-3)
    # the first hole starts 1.2 mm from the end, 2 mm from the edge
    assert_allclose(_at(density, 300, 64 - 58 + 1.2 + 1, 22 - 17.5 + 2 + 1.4), 0.0, atol=1e-3)
    assert np.any(density[math.floor(4.6 / 25.4 * 300) : math.floor(6.3 / 25.4 * 300)] > 1.2)
    upright = strip(place=Place(x_mm=22.0, y_mm=64.0), pictures=[Picture()], upright=True)
    assert_allclose(upright.size_mm, (35.0, 40.0), atol=1e-9)
    with pytest.raises(WrongUseError, match="at least one picture"):
        strip(place=Place(x_mm=0, y_mm=0), pictures=[])


# -- true readings --------------------------------------------------------------------------------------------------


def test_shadow_and_highlight_by_brute_force() -> None:
    picture = Picture(scene="shore", seed=3, penumbra_mm=0.3)
    film = sheet(size_mm=(22.0, 18.0), place=Place(x_mm=13, y_mm=11, angle_deg=1.3), picture=picture, edge_mm=3.0)
    truth = render_bed([film], faultless(ppi=200.0), seed=4, size_mm=(26, 22)).truth.film
    light = 10.0 ** -truth.density.astype(np.float64)
    rows, columns = light.shape
    dx, dy = 22.0 / columns, 18.0 / rows
    fine = (np.arange(20) + 0.5) / 20
    share = np.zeros((11, 11))
    for r in range(-5, 6):
        for c in range(-5, 6):
            gap = np.hypot((c - 0.5 + fine[None, :]) * dx, (r - 0.5 + fine[:, None]) * dy)
            share[r + 5, c + 5] = np.mean(gap <= 0.5)
    readings = []
    for row in range(rows):
        for column in range(columns):
            if 3.5 <= (column + 0.5) * dx <= 18.5 and 3.5 <= (row + 0.5) * dy <= 14.5:
                around = light[row - 5 : row + 6, column - 5 : column + 6]
                readings.append(-math.log10(np.sum(share * around) / np.sum(share)))
    # 20 x 20 points a cell here, 8 x 8 there; the outermost cells may fall out or in by rounding
    assert_allclose(truth.frame.shadow, np.quantile(readings, 0.01), atol=0.004)
    assert_allclose(truth.frame.highlight, np.quantile(readings, 0.99), atol=0.004)
    assert_allclose(truth.frame.density_range, truth.frame.highlight - truth.frame.shadow, atol=1e-12)


def test_reading_is_the_log_of_the_mean_transmittance() -> None:
    film = _fog_sheet(faults=(Gradient(amount=0.1, direction_deg=0.0),))
    truth = render_bed([film], faultless(ppi=100.0), seed=1, size_mm=(70, 50)).truth.film
    # a gradient of 0.1 over 60 mm: 0.17 in the middle, 0.02 less 12 mm to the left of it
    assert_allclose(truth.density_at(35.0, 25.0), 0.17, atol=5e-4)
    assert_allclose(truth.density_at(23.0, 25.0), 0.15, atol=5e-4)
    # half base, half denser by 1.0: -log10((1 + 0.1)/2) = 0.2596 more than the lighter half
    stepped = replace(film, faults=(), marks=(((0.0, -20.0, 30.0, 40.0), 1.0),))
    truth = render_bed([stepped], faultless(ppi=200.0), seed=1, size_mm=(70, 50)).truth.film
    assert_allclose(truth.density_at(35.0, 25.0, aperture_mm=6.0) - 0.17, 0.2596, atol=0.01)


def test_bed_keeps_the_mean_transmittance_of_the_truth() -> None:
    film = sheet(size_mm=(40.0, 30.0), place=Place(x_mm=24.1, y_mm=19.2, angle_deg=2.2), picture=Picture(scene="wood"))
    rendered = render_bed([film], faultless(), seed=2, size_mm=(48, 38))
    light = rendered.codes / 65535.0
    y, x = np.mgrid[: light.shape[0], : light.shape[1]]
    for u, v in ((0.0, 0.0), (-9.0, 5.0), (12.0, -6.0)):
        at = film.place.on_bed(u, v)
        near = np.hypot((x + 0.5) * 25.4 / 300 - at[0], (y + 0.5) * 25.4 / 300 - at[1]) <= 1.5
        # grain: sd 0.005 a pixel over 990 pixels is 0.0002; the rim of the aperture takes in other pixels
        found = -np.log10(light[near].mean())
        assert_allclose(found, rendered.truth.film.density_at(*at, aperture_mm=3.0), atol=0.006)


def test_what_is_out_of_sight_is_not_told() -> None:
    film = sheet(size_mm=(50.0, 40.0), place=Place(x_mm=30.0, y_mm=25.0), picture=Picture(scene="bust", seed=5))
    plain = render_bed([film], faultless(ppi=150.0), seed=1, size_mm=(60, 50)).truth.film
    assert plain.film_mm is not None
    assert plain.frame.in_sight
    held = render_bed([film, holder_for(film, cover_mm=2.0)], faultless(ppi=150.0), seed=1, size_mm=(60, 50))
    assert held.truth.film.film_mm is None
    assert held.truth.film.frame.in_sight
    assert_allclose(held.truth.film.frame.shadow, plain.frame.shadow, atol=1e-9)
    assert held.codes[:, :20].max() == 1  # card of density 5: 0.66 of a code
    roomy = render_bed([film, holder_for(film, cover_mm=-2.0)], faultless(ppi=150.0), seed=1, size_mm=(60, 50))
    assert roomy.truth.film.film_mm == plain.film_mm
    cut = replace(film, place=Place(x_mm=15.0, y_mm=10.0))
    cropped = render_bed([cut], faultless(ppi=150.0), seed=1, size_mm=(30, 20)).truth.film
    assert cropped.film_mm is None
    assert not cropped.frame.in_sight
    # only the middle of the frame counts: read the same part of the whole scan by hand
    middle = plain.density[60:-60, 60:-60]
    assert cropped.frame.highlight <= middle.max() + 0.01
    nothing = replace(film, place=Place(x_mm=200.0, y_mm=10.0))
    assert math.isnan(render_bed([nothing], faultless(ppi=50.0), seed=1, size_mm=(30, 20)).truth.film.frame.shadow)


# -- faults ---------------------------------------------------------------------------------------------------------


def test_leak_has_its_density_at_the_edge_and_falls_off() -> None:
    film = _fog_sheet(faults=(Leak(side="left", at_mm=12.0, width_mm=4.0, depth_mm=5.0, net_density=0.3),))
    density = render_bed([film], faultless(ppi=100.0), seed=1, size_mm=(70, 50)).truth.film.density
    height, width = density.shape
    along = density[:, 0]
    assert_allclose((np.argmax(along) + 0.5) * 40.0 / height, 12.0, atol=0.3)
    # half a cell in, exposure has fallen by exp(-0.0127): contrast times 0.006 decades
    assert_allclose(along.max() - 0.17, 0.3, atol=0.006)
    assert_allclose(density[:, width // 2], 0.17, atol=2e-3)
    for side, edge in (("right", density[:, ::-1]), ("top", density.T), ("bottom", density[::-1].T)):
        other = _fog_sheet(faults=(replace(film.faults[0], side=side),))  # type: ignore[type-var]
        mirrored = render_bed([other], faultless(ppi=100.0), seed=1, size_mm=(70, 50)).truth.film.density
        peak = {"right": mirrored[:, -1], "top": mirrored[0], "bottom": mirrored[-1]}[side]
        assert_allclose(peak.max(), along.max(), atol=0.01)
        assert edge.size == mirrored.size


def test_uneven_development_has_the_stated_size() -> None:
    def spread(*faults: object) -> tuple[float, float]:
        film = _fog_sheet(faults=faults)
        density = render_bed([film], faultless(ppi=100.0), seed=1, size_mm=(70, 50)).truth.film.density
        return float(density.min()) - 0.17, float(density.max()) - 0.17

    assert_allclose(spread(Gradient(amount=0.06, direction_deg=90.0)), (-0.03, 0.03), atol=3e-4)
    assert_allclose(spread(Bands(amount=0.04, period_mm=8.0)), (-0.02, 0.02), atol=3e-4)
    # at the edge itself, half a cell away exp(-0.0635/3)
    assert_allclose(spread(EdgeDensity(amount=0.05, depth_mm=3.0)), (0.0, 0.05), atol=2e-3)
    # half of the fog's silver (0.12) is missing
    assert_allclose(spread(AirBell(x_mm=20, y_mm=20, diameter_mm=2.0, share=0.5)), (-0.06, 0.0), atol=1e-3)
    low, high = spread(DryingMark(x_mm=20, y_mm=20, diameter_mm=6.0, amount=0.05))
    assert_allclose((low, high), (0.0, 0.055), atol=6e-3)


def test_dust_stops_light_and_pinholes_let_it_through_but_truth_knows_neither() -> None:
    clean = _fog_sheet(marks=(((-25.0, -15.0, 50.0, 30.0), 1.0),))
    worn = replace(clean, blemishes=Blemishes(dust=30, fibres=5, pinholes=30, scratches=2))
    first, second = (render_bed([film], faultless(), seed=3, size_mm=(70, 50)) for film in (clean, worn))
    change = _density(second) - _density(first)
    assert change.max() > 0.5
    assert change.min() < -0.5
    assert_allclose(first.truth.film.density, second.truth.film.density, atol=0)
    dusty = replace(clean, blemishes=Blemishes(dust=30, fibres=5))
    scratched = replace(clean, blemishes=Blemishes(pinholes=30, scratches=2))
    darker, lighter = (
        _density(render_bed([film], faultless(), seed=3, size_mm=(70, 50))) for film in (dusty, scratched)
    )
    # half a code at density 1.17
    assert np.all(darker - _density(first) >= -1e-4)
    assert np.all(lighter - _density(first) <= 1e-4)
    glass = _density(render_bed([Specks(blemishes=Blemishes(dust=40))], faultless(), seed=3, size_mm=(70, 50)))
    assert glass.max() > 0.3
    assert np.mean(glass > 0.01) < 0.01


def test_stain_shows_in_blue() -> None:
    film = replace(_fog_sheet(), stain=(0.0, 0.1, 0.5))
    rendered = render_bed([film], replace(faultless(), balance=(1.0, 1.0, 1.0)), seed=1, size_mm=(70, 50))
    assert rendered.codes.shape == (591, 827, 3)
    # fog silver 0.12: base 0.05 + 0.12, 0.132, 0.18
    middle = -np.log10(rendered.codes[300, 400] / 65535.0)
    assert_allclose(middle, (0.17, 0.182, 0.23), atol=1e-4)
    assert [truth.film.density.max().round(4) for truth in rendered.channels] == pytest.approx([0.17, 0.182, 0.23])


def test_slot_in_a_mask() -> None:
    card = Holder(place=Place(x_mm=20, y_mm=20), openings=((-5.0, -1.0, 10.0, 2.0),), size_mm=(30.0, 30.0))
    codes = render_bed([card], faultless(ppi=254.0), seed=1, size_mm=(40, 40)).codes
    assert codes[200, 200] == 65535
    assert codes[100, 200] == 1
    assert codes[20, 20] == 65535


# -- files ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def small() -> Rendered:
    wedge = WedgeLayout(densities=(0.1, 0.5, 1.0), place=Place(x_mm=15, y_mm=10, angle_deg=2.0), numerals=True)
    return render_bed([wedge], Scanner(ppi=120.0, bits=8), seed=7, size_mm=(30, 22))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_tag_brings_the_picture_upright(small: Rendered, tmp_path: Path, orientation: int) -> None:
    path = tmp_path / "turned.tif"
    write_scan(small, path, orientation=orientation, compression=None)
    with tifffile.TiffFile(path) as tif:
        image = Image.fromarray(tif.asarray())
        # Pillow is the independent reader of what the tag means
        image.getexif()[274] = tif.pages.first.tags["Orientation"].value
    upright = ImageOps.exif_transpose(image)
    assert upright is not None
    assert_array_equal(np.asarray(upright), small.codes)


@pytest.mark.parametrize("compression", ["zlib", "lzw", "packbits", None])
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_file_keeps_codes_and_facts(small: Rendered, tmp_path: Path, compression: str | None, bits: int) -> None:
    layout = WedgeLayout(densities=(0.1, 0.5, 1.0), place=Place(x_mm=15, y_mm=10))
    rendered = render_bed([layout], Scanner(ppi=120.0, bits=bits), seed=7, size_mm=(30, 22))
    path = tmp_path / "scan.tif"
    write_scan(rendered, path, compression=compression)
    with tifffile.TiffFile(path) as tif:
        page = tif.pages.first
        assert_array_equal(page.asarray(), rendered.codes)
        assert page.tags["Make"].value == "Larkmoor Works"
        assert page.tags["Model"].value == "Bed 3"
        assert page.tags["XResolution"].value == (120, 1)
        assert page.tags["ResolutionUnit"].value == 2
    assert rendered.codes.max() <= 2**bits - 1
    with pytest.raises(WrongUseError, match="1 to 8"):
        write_scan(small, path, orientation=9)


def test_min_is_white_and_colour_files(small: Rendered, tmp_path: Path) -> None:
    write_scan(small, tmp_path / "white.tif", min_is_white=True)
    assert_array_equal(tifffile.imread(tmp_path / "white.tif"), 255 - small.codes)
    color = render_bed([], Scanner(ppi=60.0, balance=(0.9, 1.0, 0.8)), seed=1, size_mm=(20, 10))
    write_scan(color, tmp_path / "colour.tif")
    assert_array_equal(tifffile.imread(tmp_path / "colour.tif"), color.codes)


def test_wedge_file(tmp_path: Path) -> None:
    path = tmp_path / "wedge.csv"
    write_wedge_file(path, even_densities(3, 0.3, 0.05), 0.02)
    assert path.read_text(encoding="utf-8") == "step,density,uncertainty\n1,0.050,0.020\n2,0.350,0.020\n3,0.650,0.020\n"
    write_wedge_file(path, (0.1, 0.2))
    assert path.read_text(encoding="utf-8") == "step,density\n1,0.100\n2,0.200\n"
