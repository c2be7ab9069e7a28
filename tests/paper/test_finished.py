"""A finished print: what is read of it, what fell off, and what to change in the next."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from densiscan.errors import MeasureError, PaperTestError
from densiscan.notebook.location import open_notebook
from densiscan.paper.exposure import NegativeEnds, Printing
from densiscan.paper.file import paper_document
from densiscan.paper.finished import Judgement, PrintMade, PrintReading, judged, read_print
from densiscan.paper.tested_range import Circumstances, PaperTest, paper_by_eye, paper_from_points
from densiscan.scan.scan import Scan, open_scan
from tests.paper.test_test import points_of
from tests.renderer import Film, FilmCurve, Picture, Place, Scanner, render_bed, sheet, write_scan
from tests.renderer.paper import PaperCurve, PaperPrint
from tests.support.made_up import calibration as of_film
from tests.support.made_up import certified_wedge
from tests.support.paper_cases import GRAY_SCALE, faultless_case
from tests.support.schemas import faults

PAPER = PaperCurve()
SIZE = (80.0, 70.0)
SCANNER = Scanner(ppi=150.0, lamp=0.0, glare=0.001, tone="2.2")
TESTED = 1.70
"""log10 of the exposure of the paper test, 10 s."""


def film() -> Film:
    picture = Picture(scene="mill", seed=3, range_stops=6.0, shadow_stops=1.5)
    return sheet(size_mm=(60.0, 45.0), place=Place(x_mm=40.0, y_mm=35.0), picture=picture, curve=FilmCurve())


@dataclass(frozen=True, kw_only=True)
class Bench:
    folder: Path
    calibration: Calibration
    negative: NegativeEnds

    def scan(self, log_exposure: float) -> Scan:
        """The print of the negative, exposed so much through nothing."""
        piece = PaperPrint(film=film(), curve=PAPER, log_exposure=log_exposure, place=Place(x_mm=40.0, y_mm=35.0))
        place = self.folder / f"print-{log_exposure:.2f}.tif"
        if not place.exists():
            write_scan(render_bed([piece], SCANNER, seed=1, size_mm=SIZE, surround=0.04), place, compression=None)
        return open_scan(place)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("finished")
    made = replace(faultless_case(), scanner=SCANNER, gray_true=GRAY_SCALE).calibration(folder / "gray.tif")
    frame = render_bed([film()], SCANNER, seed=1, size_mm=SIZE).truth.film.frame
    ends = (Quantity(value, {Influence("r", f"{value}"): 0.01}) for value in (frame.shadow, frame.highlight))
    shadow, highlight = ends
    return Bench(
        folder=folder, calibration=made, negative=NegativeEnds(name="mill", shadow=shadow, highlight=highlight)
    )


def the_test() -> PaperTest:
    about = Circumstances(name="old box", source="made up", exposure_s=10.0)
    return paper_from_points(points_of(PAPER, TESTED), about, method="scan")


def made_of(bench: Bench, seconds: float | None = None) -> PrintMade:
    return PrintMade(printing=Printing(), negative=bench.negative, seconds=seconds)


def of_tone(tone: float) -> Quantity:
    return Quantity(tone, {Influence("tone", f"{tone}"): 0.01})


def reading(white: float, black: float, *, bare: float = 0.0, full: float = 0.0) -> PrintReading:
    """A print made by hand: so much of it bare paper and full black."""
    tones = np.concatenate(
        (np.full(round(1000 * bare), 0.08), np.linspace(white, black, 1000 - round(1000 * (bare + full))))
    )
    tones = np.concatenate((tones, np.full(round(1000 * full), 2.03)))
    return PrintReading(
        file="print.tif",
        frame_mm=(1.0, 2.0, 30.0, 40.0),
        found=True,
        white=of_tone(white),
        black=of_tone(black),
        tonal_range=of_tone(black - white),
        densities=tuple(np.sort(tones).tolist()),
    )


def alone(one: PrintReading) -> Judgement:
    return judged(one, the_test(), PrintMade(printing=Printing()))


def test_tones_of_a_print_are_those_of_the_negative_through_the_paper(bench: Bench) -> None:
    found = read_print(bench.scan(1.75), bench.calibration)
    assert bench.negative.highlight is not None
    assert bench.negative.shadow is not None
    true = PAPER.density(1.75 - np.array([bench.negative.highlight.value, bench.negative.shadow.value]))
    # Percentiles of apertures on the print, not on the negative, and a picture found 1.5 mm inside its edges.
    assert_allclose([found.white.value, found.black.value], true, atol=0.06)
    assert_allclose(found.tonal_range.value, found.black.value - found.white.value, atol=1e-12)
    left, top, width, height = found.frame_mm
    # The picture lies 4 mm inside the film, whose corner is at (10, 12.5).
    assert_allclose([left, top, left + width, top + height], [14.0, 16.5, 66.0, 53.5], atol=2.5)


def test_what_fell_off_and_how_much_to_change(bench: Bench) -> None:
    made = made_of(bench, seconds=10.0 * 10.0**0.30)
    found = judged(read_print(bench.scan(TESTED + 0.30), bench.calibration), the_test(), made)
    against = found.against
    assert against is not None
    assert against.given
    # Twice the exposure of the test, for which T shows through 1.70 and black through about 0.4: 0.30 more each.
    assert_allclose(against.white_above.value, 2.0, atol=0.02)
    assert against.lost_highlight_stops == 0.0
    assert found.exposure_stops is not None
    assert bench.negative.highlight is not None
    assert_allclose(found.exposure_stops, (bench.negative.highlight.value - 2.0) / math.log10(2.0), atol=0.1)
    assert found.highlights == "gray"


def test_of_a_negative_known_at_one_end_only_that_end_can_be_lost(bench: Bench) -> None:
    read_ = read_print(bench.scan(TESTED + 0.30), bench.calibration)
    seconds = 10.0 * 10.0**0.60
    for shadow, highlight in ((None, Quantity(3.0)), (Quantity(0.05), None)):
        made = PrintMade(
            printing=Printing(), negative=NegativeEnds(name="half", shadow=shadow, highlight=highlight), seconds=seconds
        )
        against = judged(read_, the_test(), made).against
        assert against is not None
        assert (against.lost_shadow_stops > 0.0) == (shadow is not None)
        assert (against.lost_highlight_stops > 0.0) == (highlight is not None)


def test_a_frame_that_holds_no_aperture_is_refused(bench: Bench) -> None:
    with pytest.raises(MeasureError, match="no picture was found; give it with `frame_mm`"):
        read_print(bench.scan(1.75), bench.calibration, frame_mm=(30.0, 30.0, 0.4, 0.4))


def test_exposure_is_found_from_the_tones_where_it_is_not_given(bench: Bench) -> None:
    found = judged(read_print(bench.scan(TESTED + 0.30), bench.calibration), the_test(), made_of(bench))
    assert found.against is not None
    assert not found.against.given
    assert_allclose(found.against.white_above.value, 2.0, atol=0.08)  # it rests on percentiles of two scans


@pytest.mark.parametrize(
    ("one", "highlights", "shadows", "contrast"),
    [
        (reading(0.12, 1.95), "right", "right", "keep"),
        (reading(0.30, 1.50), "gray", "weak", "harder"),
        (reading(0.08, 2.03, bare=0.2, full=0.2), "blank", "blocked", "softer"),
        (reading(0.08, 1.60, bare=0.2), "blank", "weak", "keep"),
        (reading(0.40, 2.03, full=0.2), "gray", "blocked", "keep"),
    ],
)
def test_verdict_without_a_negative(one: PrintReading, highlights: str, shadows: str, contrast: str) -> None:
    found = alone(one)
    assert (found.highlights, found.shadows, found.contrast) == (highlights, shadows, contrast)


def test_exposure_from_the_print_alone() -> None:
    # Gray highlights: from their tone down to the first one. Blank ones with weak shadows: at least what black takes.
    gray = alone(reading(0.30, 1.50))
    curve = the_test().curve()
    assert curve is not None
    place = curve.log_exposure_at(0.30)
    assert place is not None
    assert gray.exposure_stops is not None
    assert_allclose(gray.exposure_stops, (curve.landmarks()["highlight"] - place) / math.log10(2.0), rtol=1e-6)
    assert gray.exposure_stops < 0.0
    blank = alone(reading(0.08, 1.60, bare=0.2))
    assert blank.at_least
    assert (blank.exposure_stops or 0.0) > 0.0
    assert alone(reading(0.08, 2.03, bare=0.2, full=0.2)).exposure_stops is None


def test_contrast_follows_from_the_negative_where_it_is_known() -> None:
    wide = NegativeEnds(name="wide", shadow=of_tone(0.3), highlight=of_tone(1.7))
    found = judged(reading(0.12, 1.95), the_test(), PrintMade(printing=Printing(), negative=wide))
    assert found.contrast == "softer"


def test_clear_rebate_that_is_not_yet_black() -> None:
    full = replace(reading(0.12, 1.95), rebate=of_tone(2.02))
    short = replace(reading(0.12, 1.95), rebate=of_tone(1.60))
    assert alone(full).rebate_stops == 0.0
    assert (alone(short).rebate_stops or 0.0) > 0.3
    assert alone(reading(0.12, 1.95)).rebate_stops is None


def test_paper_without_densities_is_refused() -> None:
    eye = paper_by_eye(certified_wedge(), last_black="5", first_white="13", circumstances=Circumstances(name="box"))
    with pytest.raises(PaperTestError, match="has no densities"):
        judged(reading(0.12, 1.95), eye, PrintMade(printing=Printing()))


def test_a_negative_is_no_print(bench: Bench) -> None:
    place = bench.folder / "negative.tif"
    write_scan(render_bed([film()], SCANNER, seed=2, size_mm=SIZE), place, compression=None)
    found = read_print(open_scan(place), bench.calibration)
    assert (found.seen, found.warnings[0].code) == ("negative", "seen-negative")
    assert read_print(open_scan(place), bench.calibration, as_print=True).seen == "print"


def test_lines_of_one_value_are_said(bench: Bench) -> None:
    place = bench.folder / "filled.tif"
    whole = bench.scan(1.75)
    codes = whole.region(0, 0, whole.height_px, whole.width_px)
    codes[: round(2 * whole.px_per_mm_y)] = 15_000
    resolution = (whole.ppi_x, whole.ppi_y)
    tifffile.imwrite(place, codes, resolution=resolution, resolutionunit=2, metadata=None)
    found = read_print(open_scan(place), bench.calibration)
    assert "area-of-one-value" in {warning.code for warning in found.warnings}
    assert "area-of-one-value" not in {warning.code for warning in read_print(whole, bench.calibration).warnings}


def test_transmission_calibration_is_refused(bench: Bench) -> None:
    with pytest.raises(MeasureError, match="read by transmission"):
        read_print(bench.scan(1.75), of_film())


def test_command(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    book = tmp_path / "notebook.sqlite"
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(book))
    with open_notebook(book) as kept:
        kept.keep("paper-test", "old-box", paper_document(the_test()))
    write_calibration(bench.calibration, tmp_path / "gray.json")
    bench.scan(TESTED + 0.30)
    (tmp_path / "print.tif").write_bytes((bench.folder / "print-2.00.tif").read_bytes())
    line = "finished print.tif --calibration gray.json --paper old-box --shadow 0.35 --highlight 1.6 --exposure 20"
    assert run([*line.split(), "--rebate", "11,13.5,57,1.5"]) == 0
    out = capsys.readouterr().out
    assert all(len(text) <= 80 for text in out.splitlines())
    for words in ("Print print.tif", "highlights", "above 2.0", "one grade", "full black"):
        assert words in out, out
    assert run([*line.split(), "--json", "--name", "mill"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["format"] == "densiscan.finished/1"
    with open_notebook(book) as kept:
        assert kept.kept("print", "mill") == document
    assert faults(document, "finished") == []
    assert document["judgement"]["negative"]["from_exposure"] is True
    for wrong, status, said in (
        ("finished print.tif", 2, "no calibration by a reflection wedge"),
        ("finished absent.tif", 2, "does not exist"),
        ("finished print.tif --calibration gray.json --paper new-box", 2, "the names kept are old-box"),
        ("finished print.tif --calibration gray.json --shadow 0.3", 2, "--paper"),
        ("finished print.tif --calibration gray.json --frame 0,0,500,500", 2, "--frame does not lie on"),
        ("finished print.tif --calibration gray.json --paper old-box --negative none.tif", 2, "neither a file nor"),
    ):
        assert run(wrong.split()) == status
        err = capsys.readouterr().err
        assert said in err
        assert len(err.strip().splitlines()) == 1


def test_a_sky_near_the_first_tone_is_not_called_bare_paper() -> None:
    """7 of 100 are bare paper and 8 lie 0.004 below the first tone, which white is not read well enough to tell."""
    known = the_test().base_plus_fog
    assert known is not None
    base = known.value
    sky = [base + 0.01] * 70 + [base + 0.036] * 80
    rest = np.linspace(base + 0.2, base + 1.5, 850).tolist()
    one = replace(
        reading(0.01, 1.5), white=Quantity(base + 0.01, {Influence("read"): 0.004}), densities=tuple(sky + rest)
    )
    found = judged(one, the_test(), PrintMade(printing=Printing()))
    assert_allclose(found.bare_between, (0.07, 0.15), atol=1e-9)
    assert found.highlights == "right"
