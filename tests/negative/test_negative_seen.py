"""What is no negative gets its densities and no advice; a negative gets both, whatever it looks like.

Every scan is rendered; the renderer shares no code with what looks at it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from numpy.testing import assert_allclose

from densiscan.batch.assessment import Assessment, BatchResult, Task, measure_one
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from densiscan.negative.options import MeasureOptions
from densiscan.negative.seen import is_judged
from densiscan.notebook.as_read import assessment_of
from densiscan.report.readings import reading_document, readings_text
from densiscan.report.table import readings_csv
from tests import renderer
from tests.renderer.paper import PaperCurve, PaperPrint
from tests.trials import seen_rates
from tests.trials.finding_rates import exact_calibration
from tests.trials.seen_rates import outcome

SCANNER = renderer.Scanner(ppi=150.0, tone="2.2", gain=0.95, glare=0.002)
PICTURE = renderer.Picture(scene="shore", seed=8, range_stops=6.5, shadow_stops=1.2)
SIZE = (80.0, 100.0)
PLACE = renderer.Place(x_mm=40.0, y_mm=50.0, angle_deg=-0.8)
ASK = MeasureOptions()


def sheet(picture: renderer.Picture | None = PICTURE, **more: Any) -> renderer.Film:
    return renderer.sheet(size_mm=(63.0, 88.0), place=PLACE, picture=picture, granularity=9.0, **more)


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A scanner that is calibrated, and a folder for its scans."""

    folder: Path
    calibration: Calibration

    def path(self, pieces: list[Any], name: str = "scan", scanner: renderer.Scanner = SCANNER, **more: Any) -> Path:
        size = more.pop("size_mm", SIZE)
        surround = more.pop("surround", 0.0)
        rendered = renderer.render_bed(pieces, scanner, seed=31, size_mm=size, surround=surround)
        place = self.folder / f"{name}.tif"
        renderer.write_scan(rendered, place, compression=None, **more)
        return place

    def read(self, path: Path, options: MeasureOptions = ASK) -> tuple[Assessment, ...]:
        found = measure_one(path, self.calibration, Task(options=options))
        assert isinstance(found, tuple), found
        return found

    def seen(self, pieces: list[Any], **more: Any) -> Assessment:
        return self.read(self.path(pieces, **more))[0]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("seen")
    return Bench(folder=folder, calibration=exact_calibration(SCANNER, 5, folder))


def codes(found: Assessment) -> list[str]:
    return [told.code for told in found.warnings]


def withheld(found: Assessment, kind: str) -> bool:
    """Whether a reading says what it is of, first, and judges nothing."""
    document = reading_document(found)
    nothing = [document[name] for name in ("exposure", "development", "paper")] == [None] * 3
    return nothing and document["seen"] == kind and codes(found)[0] == f"seen-{kind.replace(' ', '-')}"


def test_a_negative_is_one(bench: Bench) -> None:
    found = bench.seen([sheet()])
    assert found.reading.seen == "negative"
    assert found.withheld is None
    assert reading_document(found)["development"] is not None


@pytest.mark.parametrize("tone", ["2.2", "linear"])
def test_an_inverted_scan_is_refused_and_its_densities_stay(tone: str, tmp_path: Path) -> None:
    scanner = replace(SCANNER, tone=tone, inverted=True)  # type: ignore[arg-type]
    here = Bench(folder=tmp_path, calibration=exact_calibration(replace(scanner, inverted=False), 6, tmp_path))
    found = here.seen([sheet()], scanner=scanner)
    assert withheld(found, "inverted")
    assert found.reading.density_range is not None
    assert found.trouble.findings == ()
    # and nothing of what is to be done about a negative without a rebate
    assert "no-rebate" not in codes(found)
    assert "\n\n\n" not in readings_text(BatchResult(assessments=(found,), failures=()), here.calibration)


@pytest.mark.parametrize("tone", ["2.2", "bent"])
def test_an_inverted_scan_in_a_holder_is_no_print(tone: str, tmp_path: Path) -> None:
    """The holder is white then, and the open rebate a dark band: a print with a black line has both."""
    scanner = replace(SCANNER, tone=tone, glare=0.009)  # type: ignore[arg-type]
    here = Bench(folder=tmp_path, calibration=exact_calibration(scanner, 6, tmp_path))
    film = sheet()
    held = [film, renderer.holder_for(film, cover_mm=0.8)]
    assert withheld(here.seen(held, scanner=replace(scanner, inverted=True)), "inverted")
    assert here.seen(held).reading.seen == "negative"


def test_an_inverted_high_key_is_no_print(tmp_path: Path) -> None:
    """Its picture is as light as paper; the clear edge between that and the glass is as light as neither."""
    scanner = replace(SCANNER, tone="linear", gain=0.93)
    here = Bench(folder=tmp_path, calibration=exact_calibration(scanner, 6, tmp_path))
    snow = replace(PICTURE, scene="snow-lane", shadow_stops=3.0)
    film = sheet(snow, curve=renderer.FilmCurve(base=0.35, contrast=0.5))
    assert withheld(here.seen([film], scanner=replace(scanner, inverted=True)), "inverted")


def test_a_calibration_of_inverted_scans_takes_them_for_what_they_are(tmp_path: Path) -> None:
    scanner = replace(SCANNER, inverted=True)
    here = Bench(folder=tmp_path, calibration=exact_calibration(scanner, 7, tmp_path))
    assert here.seen([sheet()], scanner=scanner).reading.seen == "negative"
    # and a scan that was not inverted is then the odd one
    assert withheld(here.seen([sheet()]), "inverted")


def test_rebate_alone_that_is_darker_than_the_picture_asks(bench: Bench) -> None:
    """The scan ends in the rebate on all sides: no glass shows what is light."""
    place = renderer.Place(x_mm=30.25, y_mm=42.75)
    film = replace(sheet(), place=place, notches=())
    found = bench.seen([film], scanner=replace(SCANNER, inverted=True), size_mm=(60.5, 85.5))
    assert found.reading.seen == "unknown"
    assert codes(found)[0] == "inverted-asked"
    assert reading_document(found)["development"] is not None
    plain = bench.seen([film], size_mm=(60.5, 85.5))
    assert "inverted-asked" not in codes(plain)


def test_the_notes_of_the_file_are_a_second_sign(bench: Bench) -> None:
    film = replace(sheet(), place=renderer.Place(x_mm=30.25, y_mm=42.75), notches=())
    scanner = replace(SCANNER, inverted=True, software="scan desk, film negative")
    assert withheld(bench.seen([film], scanner=scanner, size_mm=(60.5, 85.5)), "inverted")


def test_a_tight_crop_is_judged_and_says_that_nothing_shows_what_it_is(bench: Bench) -> None:
    found = bench.seen([replace(sheet(), place=renderer.Place(x_mm=22.0, y_mm=30.0))], size_mm=(44.0, 60.0))
    assert found.reading.seen == "unknown"
    assert "seen-unknown" in codes(found)
    assert found.judged


def test_a_wedge(bench: Bench) -> None:
    layout = renderer.WedgeLayout(
        densities=renderer.even_densities(14, 0.2),
        place=renderer.Place(x_mm=60.0, y_mm=18.0),
        border_mm=2.5,
        numerals=True,
    )
    assert withheld(bench.seen([layout], size_mm=(120.0, 36.0)), "wedge")
    # clear lines part it into pieces, none of which has steps enough
    parted = replace(layout, line_mm=0.4, line_density=0.0, border_mm=0.0, numerals=False, width_mm=16.0)
    turned = replace(parted, place=replace(parted.place, angle_deg=1.5))
    found = bench.read(bench.path([turned], "parted", size_mm=(120.0, 36.0)))
    assert [one.reading.seen for one in found] == ["wedge"]


def test_even_fields_without_a_clear_edge_are_no_negative(bench: Bench) -> None:
    """Two or three even fields are too few to be left out as a wedge, and no picture either."""
    fields = renderer.WedgeLayout(
        densities=(0.25, 0.75, 0.5), place=renderer.Place(x_mm=40.0, y_mm=30.0), step_mm=14.0, width_mm=20.0
    )
    found = bench.seen([fields], size_mm=(80.0, 60.0))
    assert withheld(found, "wedge")
    assert "even fields" in found.reading.warnings[0].message


def print_of(film: renderer.Film) -> PaperPrint:
    curve = PaperCurve(base=0.06, fog=0.02, net=1.9, log_range=0.95)
    exposure = curve.first_log_h + curve.log_range + film.curve.base_plus_fog + 0.1
    return PaperPrint(film=film, curve=curve, log_exposure=exposure, place=renderer.Place(x_mm=45.0, y_mm=57.0))


@pytest.mark.parametrize("lid", [0.03, 0.11, 0.15, 0.6, 1.6])
@pytest.mark.parametrize("line", [True, False])
def test_a_print_with_a_white_margin(bench: Bench, lid: float, line: bool) -> None:
    """Without a black line, on a lid as light as glass where the lamp drifted, nothing but the tones tells: it asks."""
    film = sheet() if line else sheet(edge_mm=0.01, notch=None)
    found = bench.seen([print_of(film)], size_mm=(90.0, 114.0), surround=lid)
    if lid == 0.03 and not line:
        assert (found.reading.seen, codes(found)[0]) == ("unknown", "print-asked")
    else:
        assert withheld(found, "print")
        assert "densiscan finished" in found.reading.warnings[0].message


@pytest.mark.parametrize("lid", [0.04, 0.08])
def test_a_print_on_a_lid_about_as_light_as_its_paper(lid: float, bench: Bench) -> None:
    """The lid may be glass where the lamp drifted, or is the paper's own density: nothing shows that this is paper."""
    found = bench.seen([print_of(sheet(edge_mm=0.01, notch=None))], size_mm=(90.0, 114.0), surround=lid)
    assert found.reading.seen == "unknown"
    assert {"print-asked", "seen-unknown"} & set(codes(found))


@pytest.mark.parametrize("scene", ["bust", "snow-lane"])
def test_clear_based_film_under_a_lamp_that_drifted_is_no_print(scene: str, tmp_path: Path) -> None:
    """Open glass reads 0.03: no lid, and no evidence of paper. Empty shadows, as bare as paper, may ask."""
    scanner = replace(SCANNER, ppi=100.0)
    here = Bench(folder=tmp_path, calibration=exact_calibration(scanner, 5, tmp_path))
    film = sheet(replace(PICTURE, scene=scene), curve=renderer.FilmCurve(base=0.04, fog=0.04))
    drifted = replace(scanner, gain=scanner.gain * 10.0**-0.03)
    found = here.seen([film], scanner=drifted)
    assert found.judged
    assert reading_document(found)["development"] is not None


def test_inverted_glass_that_was_clipped_is_glass_all_the_same(tmp_path: Path) -> None:
    """Eight bits and a lamp beyond white: the glass is stored as nothing, which many codes of the curve stand for."""
    scanner = replace(SCANNER, bits=8, gain=1.02)
    here = Bench(folder=tmp_path, calibration=exact_calibration(scanner, 5, tmp_path))
    assert withheld(here.seen([sheet()], scanner=replace(scanner, inverted=True)), "inverted")


def test_one_sign_of_a_print_asks(bench: Bench) -> None:
    """A small picture on a large sheet: no film has such an edge, but nothing else says that it is paper."""
    film = renderer.sheet(
        size_mm=(63.0, 88.0),
        place=PLACE,
        picture=PICTURE,
        granularity=9.0,
        edge_mm=9.0,
        curve=renderer.FilmCurve(base=0.06, fog=0.04),
    )
    found = bench.seen([film])
    assert found.reading.seen == "unknown"
    assert codes(found)[0] == "print-asked"
    assert found.judged


def test_tape_over_the_edge_of_the_film_is_no_light_leak(bench: Bench) -> None:
    """What lies over film and glass makes both denser; what light did ends with the film."""
    x, y = PLACE.on_bed(-63.0 / 2, -20.0)
    tape = renderer.Sheetlet(place=renderer.Place(x_mm=x, y_mm=y), size_mm=(10.0, 9.0), density=0.15)
    leak = renderer.Leak(side="left", at_mm=24.0, width_mm=9.0, depth_mm=6.0, net_density=0.3)
    taped, leaked = bench.seen([sheet(), tape]), bench.seen([sheet(faults=(leak,))])
    assert "light-leak" not in {one.code for one in taped.trouble.findings}
    assert "light-leak" in {one.code for one in leaked.trouble.findings}


def test_an_orange_mask(tmp_path: Path) -> None:
    scanner = replace(SCANNER, balance=(1.0, 1.0, 0.9))
    here = Bench(folder=tmp_path, calibration=exact_calibration(scanner, 8, tmp_path))
    masked = sheet(mask=(0.2, 0.5, 0.8))
    found = here.seen([masked], scanner=scanner)
    assert withheld(found, "colour negative")
    # its clear film by channel: base plus fog of the curve and the mask
    clear = masked.curve.base_plus_fog
    # nothing is said of what blue light, and so graded paper, makes of it
    assert "channels-disagree" not in codes(found)
    assert all(f"{clear + more:.2f}"[:3] in found.reading.warnings[0].message for more in (0.2, 0.5, 0.8))
    # the stain of a developer lies in the silver, not in the clear film
    assert here.seen([sheet(stain=(0.0, 0.1, 0.4))], scanner=scanner).reading.seen == "negative"


def test_an_unexposed_sheet_is_offered_the_option_for_it(bench: Bench) -> None:
    path = bench.path([sheet(None)], "fog")
    (found,) = bench.read(path)
    assert withheld(found, "unexposed")
    assert "--fog-sheet" in found.reading.warnings[0].message
    (said,) = bench.read(path, MeasureOptions(fog_sheet=True))
    assert withheld(said, "unexposed")
    assert said.reading.base_plus_fog is not None
    assert_allclose(said.reading.base_plus_fog.value, sheet().curve.base_plus_fog, atol=0.01)


def test_underexposed_film_is_still_a_negative(bench: Bench) -> None:
    thin = replace(PICTURE, shadow_stops=-4.0, range_stops=5.0)
    assert bench.seen([sheet(thin)]).reading.seen == "negative"


def test_even_film_and_an_empty_bed_and_a_black_scan(bench: Bench) -> None:
    film = replace(sheet(None), place=renderer.Place(x_mm=22.0, y_mm=30.0), curve=renderer.FilmCurve(fog=1.1))
    assert withheld(bench.seen([film], size_mm=(44.0, 60.0)), "even")
    empty = bench.seen([])
    assert withheld(empty, "even")
    assert "bare glass" in empty.reading.warnings[0].message
    black = bench.seen([], surround=4.0)
    assert withheld(black, "even")
    assert "black" in black.reading.warnings[0].message


def test_a_snapshot() -> None:
    found = outcome(("others", "snapshot", 81_007))
    assert (found.seen, found.advised) == (("print",), False)


def test_the_person_may_insist(bench: Bench) -> None:
    path = bench.path([sheet()], "inverted", replace(SCANNER, inverted=True))
    (found,) = bench.read(path, MeasureOptions(as_negative=True))
    assert (found.reading.seen, found.judged) == ("negative", True)


def test_a_picture_that_is_called_a_fog_sheet(bench: Bench) -> None:
    """It is said first, and neither fog nor what lies above it is given."""
    (found,) = bench.read(bench.path([sheet()], "picture"), MeasureOptions(fog_sheet=True, base_density=0.05))
    reading = found.reading
    assert (reading.base_plus_fog, reading.fog, reading.net_shadow, reading.net_highlight) == (None,) * 4
    assert codes(found)[0] == "fog-sheet-exposed"
    assert (found.trouble.fog_level, found.trouble.findings) == (None, ())
    text = readings_text(BatchResult(assessments=(found,), failures=()), bench.calibration)
    assert text.splitlines()[1].strip().startswith("! Cannot judge whether the sheet is even")


def test_every_output_says_it_and_a_kept_reading_says_it_again(bench: Bench) -> None:
    one = bench.seen([sheet()], name="turned", scanner=replace(SCANNER, inverted=True))
    alone = readings_text(BatchResult(assessments=(one,), failures=()), bench.calibration)
    assert alone.splitlines()[1].startswith("  ! This looks like an inverted scan")
    assert "development" not in alone
    both = BatchResult(assessments=(one, bench.seen([sheet()])), failures=())
    table = readings_text(both, bench.calibration)
    assert any(line.split()[0] == "turned.tif" and "inverted" in line for line in table.splitlines() if line.split())
    head, first, second = readings_csv(both).splitlines()
    column = head.split(",").index("seen")
    assert [line.split(",")[column] for line in (first, second)] == ["inverted", "negative"]
    assert first.split(",")[head.split(",").index("exposure")] == ""
    again = assessment_of(reading_document(one), one.path)
    assert reading_document(again)["development"] is None
    assert codes(again) == codes(one)


def test_command_and_page(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    write_calibration(bench.calibration, "cal.json")
    path = bench.path([sheet()], "odd", replace(SCANNER, inverted=True))
    assert run(f"measure {path} --calibration cal.json --json --report page.html".split()) == 0
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert (reading["seen"], reading["paper"]) == ("inverted", None)
    page = Path("page.html").read_text(encoding="utf-8")
    assert "This looks like an inverted scan" in page
    assert "Not judged" in page
    assert run(["report", "kept.html"]) == 0
    capsys.readouterr()
    # no print is made of it
    assert run(f"print {path} --calibration cal.json --paper-range 105".split()) == 1
    assert "looks like an inverted scan" in capsys.readouterr().err
    assert run(f"measure {path} --calibration cal.json --json --as-negative".split()) == 0
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert reading["paper"] is not None
    assert run(f"measure {path} --calibration cal.json --as-negative --fog-sheet".split()) == 2


@pytest.mark.parametrize("kind", ["leaked", "night", "high key"])
def test_odd_negatives_are_not_denied(kind: str) -> None:
    found = outcome(("negatives", kind, 83_011))
    assert all(is_judged(seen) for seen in found.seen)


def test_negatives_with_dense_edges_are_no_print(bench: Bench) -> None:
    """A dense sky to the frame on all sides of thin-based film: no black line of paper."""
    snow = replace(PICTURE, scene="snow-lane", shadow_stops=3.0)
    curve = renderer.FilmCurve(base=0.04, fog=0.04, contrast=0.7)
    assert bench.seen([sheet(snow, curve=curve)]).reading.seen == "negative"


@pytest.mark.parametrize(("kind", "seed"), [("indoors", 988_283), ("glazing", 988_261)])
def test_the_dense_border_of_a_room_on_open_glass_is_no_black_line_of_a_print(kind: str, seed: int) -> None:
    assert seen_rates.outcome(("negatives", kind, seed)).seen == ("negative",)


@pytest.mark.parametrize("seed", [998_004, 998_024, 998_034])
def test_a_print_whose_lid_is_as_white_as_glass_or_as_its_margin_is_no_negative(seed: int) -> None:
    """A black line that scatters by 0.03 from cell to cell; a margin wider than film's; a lid 0.014 darker than it."""
    assert outcome(("others", "print", seed)).seen == ("print",)
