"""Pages from the notebook: a run, a film, a span of time; pictures only of scans that are what they were."""

from __future__ import annotations

import html
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from densiscan.arithmetic.quantity import Quantity
from densiscan.cli.app import run
from densiscan.development.run import Run
from densiscan.notebook.as_read import assessment_kept
from densiscan.notebook.readings import KeptReading
from densiscan.report.page.drawings import film_drawings
from densiscan.report.page.notebook import Chosen, taken

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_scans"
FILM = 'Orchard "<b>pan</b>"'


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a notebook of three runs, the first two with negatives, and the scans of these."""
    folder = tmp_path_factory.mktemp("kept")
    for name in ("normal.tif", "thin.tif"):
        shutil.copy(SAMPLES / name, folder)
    book = ["--notebook", str(folder / "notebook.sqlite")]
    wedge = [str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv")]
    assert run(["calibrate", *wedge, "--name", "mine", *book]) == 0
    for film, date, time in (
        (FILM, "2026-03-01", "8:00"),
        ("Other", "2026-04-01", "9:30"),
        ("Other", "2026-05-01", "7:00"),
    ):
        facts = ["--film", film, "--developer", "Powder", "--date", date, "--time", time, "--temp", "20"]
        extent = ["--density-range", "1.1"] if date == "2026-05-01" else []
        assert run(["run", "add", *facts, *extent, *book]) == 0
    for number, name in ((1, "normal.tif"), (2, "thin.tif")):
        assert run(["measure", str(folder / name), "--run", str(number), "--calibration", "mine", *book]) == 0
    return folder


def page(kept: Path, tmp_path: Path, *words: str) -> str:
    place = tmp_path / "page.html"
    assert run(["report", str(place), "--notebook", str(kept / "notebook.sqlite"), *words]) == 0
    return place.read_text(encoding="utf-8")


def test_a_run_is_shown_with_what_was_read_of_it_and_its_picture(kept: Path, tmp_path: Path) -> None:
    text = page(kept, tmp_path, "--run", "1")
    assert "<title>Run 1 - densiscan</title>" in text
    assert "normal.tif" in text
    assert "thin.tif" not in text
    assert "8:00" in text
    assert 'class="sheet-map"' in text
    assert "calibration mine" in text
    assert FILM in html.unescape(text)
    assert "<b>" not in text


def test_a_film_is_shown_with_all_its_runs(kept: Path, tmp_path: Path) -> None:
    text = page(kept, tmp_path, "--film", "other", "--no-pictures")
    assert re.findall(r"<td><bdi>(2026-\d\d-\d\d)</bdi></td>", text) == ["2026-04-01", "2026-05-01"]
    assert "thin.tif" in text
    assert "normal.tif" not in text
    assert "data:image" not in text


def test_runs_of_one_film_and_developer_are_drawn(kept: Path, tmp_path: Path) -> None:
    text = page(kept, tmp_path, "--film", "other", "--no-pictures")
    headings = re.findall(r'<section class="drawing">\s*<h2>([^<]*)</h2>', text)
    assert headings == ["Other in Powder", "From run to run: Other in Powder"]
    drawn = re.findall(r"<svg .*?</svg>", text, flags=re.DOTALL)
    assert len([one for one in drawn if 'class="figure"' in one]) == 2
    assert not [one for one in drawn if "style=" in one or "://" in one]


def test_film_tests_of_the_films_shown_are_drawn() -> None:
    quantity = {"value": 0.25, "uncertainty": 0.02}
    test = {
        "curve": [{"log_exposure": -2.0, "density": 0.3}, {"log_exposure": 0.0, "density": 1.6}],
        "points": [{"log_exposure": -1.0, "density": {"value": 0.9, "uncertainty": None}}],
        "base_plus_fog": quantity,
    }
    tests: dict[str, dict[str, Any]] = {
        "orchard": test,
        "mine": test | {"film": "Orchard"},
        "other": test,
        "family": {"film": "Orchard"},
    }
    drawn = film_drawings(tests, {"Orchard"})
    assert [one.heading for one in drawn] == ["Film test: orchard", "Film test: mine"]
    assert all("base plus fog 0.25" in one.svg for one in drawn)


def test_a_span_of_time_has_its_first_and_last_day(kept: Path, tmp_path: Path) -> None:
    text = page(kept, tmp_path, "--since", "2026-03-01", "--until", "2026-04-01", "--no-pictures")
    assert re.findall(r"<td><bdi>(2026-\d\d-\d\d)</bdi></td>", text) == ["2026-03-01", "2026-04-01"]
    assert "2 runs, 2 negatives." in text


def test_a_scan_that_was_changed_is_shown_without_picture(kept: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "scans"
    elsewhere.mkdir()
    (kept / "normal.tif").rename(elsewhere / "normal.tif")
    try:
        assert 'class="sheet-map"' not in page(kept, tmp_path, "--run", "1")
        assert 'class="sheet-map"' in page(kept, tmp_path, "--run", "1", "--scans", str(elsewhere))
        with (elsewhere / "normal.tif").open("ab") as scan:
            scan.write(b"\0")
        assert 'class="sheet-map"' not in page(kept, tmp_path, "--run", "1", "--scans", str(elsewhere))
    finally:
        shutil.copy(SAMPLES / "normal.tif", kept)


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (["--run", "77"], 2, "77"),
        (["--film", "none"], 1, "has no runs or readings of that"),
        (["--since", "March"], 2, '--since "March" is not a valid date'),
        (["--scans", "nowhere"], 2, "does not exist"),
    ],
)
def test_what_there_is_not_is_said_in_one_sentence(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], status: int, told: str
) -> None:
    place = tmp_path / "page.html"
    capsys.readouterr()
    assert run(["report", str(place), "--notebook", str(kept / "notebook.sqlite"), *words]) == status
    assert told in capsys.readouterr().err
    assert not place.exists()


def a_run(number: int, date: str, film: str = "Orchard") -> Run:
    return Run(number=number, film=film, developer="Powder", date=date, time_s=480, temperature_c=20)


def a_reading(negative: str, made: str, *, run: int | None = None, file: str = "a.tif") -> KeptReading:
    return KeptReading(
        uid=negative + made,
        negative=negative,
        run=run,
        file=file,
        scan_sha256="0" * 64,
        piece=None,
        made=made,
        version="0.1.0",
        arguments="",
        quantities={},
        document={"file": file},
    )


def test_a_negative_measured_twice_is_there_once_as_read_last() -> None:
    first, again = a_reading("n", "2026-01-01", run=1), a_reading("n", "2026-01-02", run=1)
    assert taken(Chosen(), [a_run(1, "2026-01-01")], [first, again]).readings == (again,)


def test_readings_of_no_run_belong_to_a_span_of_time_but_to_no_film() -> None:
    loose = a_reading("n", "2026-01-05T10:00:00+00:00")
    assert taken(Chosen(since="2026-01-05", until="2026-01-05"), [], [loose]).readings == (loose,)
    assert taken(Chosen(until="2026-01-04"), [], [loose]).readings == ()
    assert taken(Chosen(film="Orchard"), [a_run(1, "2026-01-05")], [loose]).readings == ()


def test_negatives_stand_in_the_order_of_their_runs() -> None:
    runs = [a_run(2, "2026-01-01"), a_run(1, "2026-02-01")]
    readings = [a_reading("b", "2026-03-01", run=1), a_reading("a", "2026-03-02", run=2), a_reading("c", "2026-01-01")]
    assert [reading.negative for reading in taken(Chosen(), runs, readings).readings] == ["a", "b", "c"]


def test_a_reading_of_an_earlier_version_is_made_whole() -> None:
    known = assessment_kept({"file": "old.tif", "shadow": {"value": 0.4, "uncertainty": None}})
    assert known.reading.shadow == Quantity(0.4, None)
    assert known.reading.highlight is None
    assert [warning.code for warning in known.exposure.warnings] == ["exposure-not-judged"]
    assert known.paper.grade is None


def test_what_an_earlier_version_said_is_said_and_the_rest_is_not_known() -> None:
    said = {"exposure": {"verdict": "under"}, "development": {"verdict": "more"}, "paper": {"grade": "4"}}
    known = assessment_kept({"file": "old.tif", **said})
    assert (known.exposure.verdict, known.exposure.stops, known.exposure.warnings) == ("under", None, ())
    assert (known.development.verdict, known.development.time_factor) == ("more", None)
    assert (known.paper.grade, known.paper.process) == ("4", "contact")


def test_the_page_says_on_top_what_advise_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One answer: the time on top of the page is that of the command, to the second."""
    book = ["--notebook", str(tmp_path / "book.sqlite")]
    process = ["--film", "Meadow-100", "--developer", "Borax"]
    for time, extent in (("8:00", "0.95"), ("9:00", "1.0"), ("10:00", "1.1")):
        assert run(["run", "add", *process, "--time", time, "--temp", "20", "--density-range", extent, *book]) == 0
    capsys.readouterr()
    assert run(["advise", *process, "--json", *book]) == 0
    told = json.loads(capsys.readouterr().out)
    assert run(["report", str(tmp_path / "page.html"), *book]) == 0
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    minutes, seconds = divmod(round(told["time_s"]["value"]), 60)
    assert f'<p class="say">{minutes}:{seconds:02d} at 20 °C, fresh developer.' in page
    assert page.index("What to do next") < page.index("Runs")


def test_a_batch_that_stood_for_months_ages_on_the_page_as_in_advise(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The day counts too: a developer mixed long ago is slower, on the page as much as in the terminal."""
    book = ["--notebook", str(tmp_path / "book.sqlite")]
    process = ["--film", "Meadow-100", "--developer", "Borax", "--batch", "spring", "--temp", "20", "--time", "8:00"]
    assert run(["run", "add", *process, "--density-range", "1.0", "--date", "2025-01-10", *book]) == 0
    assert run(["notebook", "batch", "spring", "--developer", "Borax", "--mixed", "2025-01-09", *book]) == 0
    capsys.readouterr()
    assert run(["advise", "--json", *book]) == 0
    told = json.loads(capsys.readouterr().out)
    assert run(["report", str(tmp_path / "page.html"), *book]) == 0
    minutes, seconds = divmod(round(told["time_s"]["value"]), 60)
    assert f'<p class="say">{minutes}:{seconds:02d} at ' in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_picture_read_again_is_that_of_measuring_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the version that measured, only picture and map are read; they must be those of a whole measurement."""
    samples = Path(__file__).resolve().parents[2] / "sample_scans"
    monkeypatch.chdir(tmp_path)
    book = ["--notebook", "book.sqlite"]
    wedge = ["calibrate", str(samples / "wedge.tif"), "--densities", str(samples / "wedge.csv"), "--out", "cal.json"]
    assert run([*wedge, *book]) == 0
    assert run(["measure", str(samples / "leak.tif"), "--calibration", "cal.json", *book]) == 0
    maps, data = [], []
    for name, version in (("quick.html", None), ("whole.html", "0.0.0")):
        if version is not None:
            monkeypatch.setattr("densiscan.cli.report.__version__", version)
        assert run(["report", name, *book]) == 0
        page = (tmp_path / name).read_text(encoding="utf-8")
        maps.append(re.findall(r'class="sheet-map">(.*?)<', page))
        data.append(json.loads(re.findall(r'class="sheet-data">(.*?)<', page)[0]))
    assert len(maps[0]) == 1
    assert maps[0] == maps[1]
    assert data[0] == data[1]
