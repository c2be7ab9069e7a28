"""Figures: one style, files whole and alike each time, legible in gray, and what a calibration's figure shows."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle
from PIL import Image

from densiscan.calibration.calibration import Calibration
from densiscan.cli.app import run
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.report.figures.calibration import aperture_noise, calibration_figure
from densiscan.report.figures.marked import Marked, marked_figure
from densiscan.report.figures.style import SERIES, figure_svg, new_figure, save_figure, series
from densiscan.scan.scan import Scan
from tests.support import made_up

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"


def lightness(ink: str) -> float:
    """CIE lightness L* of an sRGB colour (CIE 15; IEC 61966-2-1): what is left of it in gray."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(ink)]
    y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 116.0 * y ** (1.0 / 3.0) - 16.0 if y > 0.008856 else 903.3 * y


def test_no_two_series_share_a_line_or_a_marker() -> None:
    assert len({one.line for one in SERIES}) == len({one.marker for one in SERIES}) == len(SERIES)
    assert series(len(SERIES)) == series(0)


def test_every_ink_is_dark_enough_to_read_on_white_paper() -> None:
    # L* 50 on white is a contrast of 4.5 to 1, the least that WCAG 2 (1.4.3) asks of text.
    assert all(lightness(one.ink) <= 50.0 for one in SERIES)


@pytest.mark.parametrize(("suffix", "begins"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_a_figure_is_saved_as_its_ending_says_and_alike_each_time(tmp_path: Path, suffix: str, begins: bytes) -> None:
    for name in ("one", "two"):
        figure = new_figure(width_mm=60, height_mm=40)
        figure.subplots().plot([0, 1], [0, 1], **series(0))
        save_figure(figure, tmp_path / f"{name}.{suffix}")
    content = (tmp_path / f"one.{suffix}").read_bytes()
    assert content.startswith(begins)
    assert content == (tmp_path / f"two.{suffix}").read_bytes()
    assert sorted(file.name for file in tmp_path.iterdir()) == [f"one.{suffix}", f"two.{suffix}"]


def test_a_figure_has_the_size_asked_for(tmp_path: Path) -> None:
    save_figure(new_figure(width_mm=127.0, height_mm=50.8), tmp_path / "size.PNG")
    # 5 by 2 inches at 200 dots an inch.
    with Image.open(tmp_path / "size.PNG") as picture:
        assert picture.size == (1000, 400)


def test_another_ending_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match=r"\.gif is not a name for a figure; end it in \.png, \.svg or \.pdf\."):
        save_figure(new_figure(), tmp_path / "curve.gif")


def test_a_figure_that_cannot_be_written_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "curve.png").mkdir()
    with pytest.raises(DensiscanError, match="the figure cannot be written"):
        save_figure(new_figure(), tmp_path / "curve.png")
    assert [file.name for file in tmp_path.iterdir()] == ["curve.png"]


def test_a_figure_for_a_page_has_no_address_and_names_of_its_own() -> None:
    figure = new_figure(width_mm=60, height_mm=40)
    figure.subplots().plot([0, 1], [0, 1], **series(1))
    text = figure_svg(figure, key="f1", title='<b> "range" & more')
    drawing = ET.fromstring(text)  # noqa: S314 - made a line above
    assert drawing.get("aria-label") == '<b> "range" & more'
    assert "//" not in text
    names = [element.get("id") for element in drawing.iter() if element.get("id")]
    assert names
    assert all(name is not None and name.startswith("f1-") for name in names)
    for link in [element.get("href") for element in drawing.iter() if element.get("href")]:
        assert link is not None
        assert link[1:] in names


def test_a_name_that_looks_like_a_drawing_stays_as_it_is() -> None:
    name = 'style="fill: red" id="x" url(#y) href="#z" "#201f1c" <b>&amp;</b> $q$'
    drawing = ET.fromstring(shown(made_up.calibration(name=name)))  # noqa: S314 - made by ourselves
    assert f"Calibration {name}" in ["".join(element.itertext()) for element in drawing.iter("text")]


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_a_name_in_any_script_is_drawn_without_a_word(tmp_path: Path, suffix: str) -> None:
    name = "ネガ 📷 שלילי नेगेटिव \u202egnp.evitagen"
    save_figure(calibration_figure(made_up.calibration(name=name)), tmp_path / f"figure.{suffix}")
    assert (tmp_path / f"figure.{suffix}").stat().st_size > 1000


def test_drawing_leaves_nothing_global_behind() -> None:
    code = (
        "import sys; from densiscan.report.figures.style import new_figure, save_figure; from pathlib import Path;"
        "import matplotlib; names = ('svg.fonttype', 'svg.hashsalt', 'font.family');"
        "before = [matplotlib.rcParams[name] for name in names]; f = new_figure(); f.subplots();"
        "from densiscan.report.figures.style import figure_svg; figure_svg(f, key='k', title='t');"
        "print('matplotlib.pyplot' in sys.modules, before == [matplotlib.rcParams[name] for name in names])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["False", "True"]


def test_the_noise_of_an_aperture_worked_by_hand() -> None:
    """Signal is transmittance, so D = -log10 s and u(D) = 0.4343 u(s) / s; 100 pixels make it ten times smaller."""
    made = made_up.calibration()
    step = made.steps[2]
    expected = 0.4343 * 0.001 / step.reading.signal / 10.0
    # 0.4343 is log10 e to four digits; the cubic is straight only through exact knots, which noise moves a little.
    np.testing.assert_allclose(aperture_noise(made, step), expected, rtol=2e-3)


def shown(made: Calibration) -> str:
    return figure_svg(calibration_figure(made), key="c", title="t")


def test_a_calibration_is_drawn_with_its_range_and_name() -> None:
    text = shown(made_up.calibration(name="a $x$ <b>"))
    assert "Calibration a $x$ &lt;b&gt;" in text
    assert "usable range, 0.05 to 2.45" in text


def test_the_points_of_the_figure_are_those_of_the_calibration() -> None:
    made = made_up.calibration()
    curve, residual, _ = calibration_figure(made).axes
    points = next(line for line in curve.lines if line.get_label() == "steps used")
    np.testing.assert_array_equal(points.get_ydata(), [step.reading.density for step in made.steps])
    read = residual.containers[0].lines[0]  # type: ignore[attr-defined]
    # made_up reads every inner step back 0.003 too dense; rounding of the sum alone is let pass.
    np.testing.assert_allclose(np.asarray(read.get_ydata(), dtype=float), 0.003, atol=1e-12)


def test_calibrate_draws_what_it_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    words = ["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--out", "cal.json"]
    assert run([*words, "--plot", "curve.svg", "--json"]) == 0
    said = capsys.readouterr()
    low, high = json.loads(said.out)["density_range"]
    assert "Written to curve.svg." in said.err
    assert f"usable range, {low:.2f} to {high:.2f}" in (tmp_path / "curve.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("place", "told"),
    [("curve.gif", "is not a name for a figure"), ("nowhere/curve.png", "there is no folder nowhere")],
)
def test_a_wrong_place_for_the_figure_is_told_before_anything_is_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], place: str, told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    words = ["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--out", "cal.json"]
    assert run([*words, "--plot", place]) == 2
    assert told in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_home_that_cannot_be_written_is_not_spoken_of() -> None:
    code = (
        "from densiscan.report.figures.style import figure_svg, new_figure; "
        "figure_svg(new_figure(), key='a', title='b')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env={"HOME": "/dev/null", "PATH": ""}, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_what_was_found_is_drawn_where_it_is_with_rulers_and_words() -> None:
    scan = Scan.from_array(np.linspace(2000, 60000, 300 * 200, dtype=np.uint16).reshape(200, 300), ppi=100)
    marks = [
        Marked(number=1, box_mm=(20.0, 10.0, 15.0, 8.0), words="light leak at the top edge"),
        Marked(number=2, box_mm=(50.0, 30.0, 0.1, 0.1), words="dust, 2"),
        Marked(number=2, box_mm=(60.0, 40.0, 0.1, 0.1), words="dust, 2"),
    ]
    (axes,) = marked_figure(scan, marks, [((5.0, 5.0), (70.0, 5.0), (70.0, 45.0), (5.0, 45.0))]).axes
    boxes = [patch.get_bbox().bounds for patch in axes.patches if isinstance(patch, Rectangle)][1::2]
    np.testing.assert_allclose(boxes[0], (20.0, 10.0, 15.0, 8.0))
    # A speck keeps its middle and is drawn large enough to be seen.
    np.testing.assert_allclose([boxes[1][0] + boxes[1][2] / 2, boxes[1][1] + boxes[1][3] / 2], (50.05, 30.05))
    assert boxes[1][2] > 0.5
    # 300 pixels at 100 an inch are 76.2 mm; down is down.
    np.testing.assert_allclose(axes.get_xlim(), (0.0, 76.2))
    np.testing.assert_allclose(axes.get_ylim(), (50.8, 0.0))
    told = [text.get_text() for text in axes.texts]
    assert sorted(told[:3]) == ["1", "2", "2"]
    assert told[3].splitlines()[:2] == ["1  light leak at the top edge", "2  dust, 2"]


def test_no_legend_lies_on_what_is_drawn() -> None:
    figure = calibration_figure(made_up.calibration())
    figure.draw_without_rendering()
    legends = [(axes, axes.get_legend()) for axes in figure.axes if axes.get_legend() is not None]
    assert legends
    for axes, legend in legends:
        assert legend is not None
        assert legend.get_window_extent().y1 <= axes.get_window_extent().y0
