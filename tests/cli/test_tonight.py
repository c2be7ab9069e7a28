"""The evening's one answer: each sentence is that of the command it comes from."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from densiscan.arithmetic.quantity import Warning_
from densiscan.batch.assessment import Assessment
from densiscan.cli.app import run
from densiscan.development.change import UnloggedChange
from densiscan.development.run import Run
from densiscan.development.trends import Trend
from densiscan.negative.trouble.finding import Finding
from densiscan.negative.trouble.fog import FogLevel
from densiscan.notebook.location import open_notebook
from densiscan.report.evening import EarlierReading, Evening, evening_text
from tests.support import made_up

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
LEAK = made_up.finding("light-leak", side="bottom")


def negative(file: str, *findings: Finding) -> Assessment:
    return made_up.judged(file=file, findings=findings)


def test_trouble_that_comes_again_at_its_place_is_counted() -> None:
    before = [
        EarlierReading(day="2026-05-03", findings=(LEAK,)),
        EarlierReading(day="2026-06-01", findings=(replace(LEAK, side="top"),)),
        EarlierReading(day="2026-07-01", findings=(LEAK,)),
    ]
    evening = Evening(run=None, negatives=(negative("d.tif", LEAK), negative("e.tif")), before=tuple(before))
    assert evening.headline == "2 negatives: 1 fine, 1 with a light leak."
    assert evening.attention() == [
        ("d.tif", "Light leak at the bottom edge (the third since May 2026). Check the seal.")
    ]


@pytest.mark.parametrize(
    ("fog", "said"),
    [
        (None, ""),
        (FogLevel(against="own history", message="as usual", sure=None, usual=True), "Fog is where it was."),
        (FogLevel(against="common practice", message="usual", sure=None, usual=True), ""),
        (FogLevel(against="own history", message="now it is 0.08 more.", sure=0.99), "now it is 0.08 more."),
    ],
)
def test_fog_is_told_against_the_film_s_own_history(fog: FogLevel | None, said: str) -> None:
    assert Evening(run=None, negatives=(negative("a.tif"),), fog=fog).fog_words() == said


def test_what_is_no_negative_is_named_once() -> None:
    said = Warning_(code="seen-wedge", message="This looks like a step wedge: its density rises in steps.")
    wedge = made_up.assessment(path="w.tif", file="w.tif", seen="wedge", warnings=(said,))
    assert Evening(run=None, negatives=(wedge,)).attention() == [("w.tif", said.message)]


def trend(name: str, *news: str, change: UnloggedChange | None = None) -> Trend:
    return Trend(name=name, label=name, points=(), by_use=(), sentences=news, news=news, change=change)


def test_of_development_one_thing_is_told_and_a_change_before_all_else() -> None:
    trends = (trend("base_plus_fog", "Fog crept."), trend("contrast", "High."), trend("activity", "High, too."))
    assert Evening(run=None, negatives=(), trends=trends).trend_words() == ("High.", "Fog crept.")
    change = UnloggedChange(since_run=7, chance=0.99, pace=0.8, runs=2)
    told = Evening(run=None, negatives=(), trends=(*trends, trend("activity", change=change))).trend_words()
    assert told == (change.words, "Fog crept.")
    # After some evenings it is news no longer.
    old = replace(change, runs=4)
    assert Evening(run=None, negatives=(), trends=(trend("activity", change=old),)).trend_words() == ()


def test_what_changed_for_all_films_is_told_on_the_second_evening(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def logged(film: str, day: int, density_range: float) -> None:
        what = ["--film", film, "--developer", "Borax", "--temp", "20", "--time", "8:00", "--scene-stops", "7"]
        made = ["--density-range", f"{density_range:.2f}", "--date", f"2026-06-{day:02d}"]
        assert run(["run", "add", *what, *made]) == 0

    for day, off in enumerate((0.00, 0.08, -0.06, 0.05, -0.07, 0.03), start=1):
        logged("Box-200", day, 0.98 + off)
        logged("Box-400", day, 0.98 - off)
    logged("Box-200", 8, 1.20)
    logged("Box-400", 9, 1.22)
    capsys.readouterr()
    (place / "none").mkdir()
    told = {}
    for number in (14, 15):
        assert run(["tonight", "none", "--run", str(number), "--json"]) == 0
        told[number] = " ".join(json.loads(capsys.readouterr().out)["trends"])
    assert "agitation?" not in told[14]
    assert "agitation?" in told[15]


def test_without_a_run_it_says_how_to_log_one() -> None:
    assert "densiscan run add" in evening_text(Evening(run=None, negatives=(negative("a.tif"),)))
    assert evening_text(Evening(run=None, negatives=())) == "Nothing new tonight."


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "book.sqlite"))
    wedge = ["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--name", "mine"]
    assert run(wedge) == 0
    process = ["--film", "Meadow-100", "--developer", "Borax", "--temp", "20"]
    assert run(["run", "add", *process, "--time", "8:00", "--density-range", "1.0", "--date", "2026-05-03"]) == 0
    (tmp_path / "scans").mkdir()
    for name in ("leak.tif", "thin.tif"):
        shutil.copy(SAMPLES / name, tmp_path / "scans")
    return tmp_path


def test_an_evening_is_measured_tied_to_its_run_and_told(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["run", "add", "--time", "8:30"]) == 0
    capsys.readouterr()
    assert run(["tonight", "scans", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["run"] == 2
    assert told["headline"] == "2 negatives: 1 underexposed by at least 2.7 stops, 1 with a light leak."
    assert [one["file"] for one in told["attention"]] == ["thin.tif", "leak.tif"]
    assert run(["advise", "--json"]) == 0
    assert told["advice"] == json.loads(capsys.readouterr().out)
    with open_notebook(place / "book.sqlite") as book:
        logged: Run = book.run(2)
    assert len(logged.density_ranges) == 1, "the leak's range counts, the thin one's does not"
    # Once more: nothing is measured again, and the evening is told again.
    assert run(["tonight", "scans", "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["headline"] == told["headline"]
    with open_notebook(place / "book.sqlite") as book:
        assert len([one for one in book.readings() if one.file is not None]) == 2


def test_with_no_run_of_today_nothing_is_tied_and_nobody_is_asked(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert run(["tonight", "scans"]) == 0
    out = capsys.readouterr().out
    assert "They belong to no run yet" in out
    assert "Next time" not in out
    with open_notebook(place / "book.sqlite") as book:
        assert all(one.run is None for one in book.readings() if one.file is not None)


def test_a_forgotten_run_is_said_once_it_waits_for_negatives(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    waits = "Today's run 2 has no negatives yet; measured with --run 2 they count for it."
    scan = str(place / "scans" / "leak.tif")
    assert run(["run", "add", "--time", "8:30"]) == 0
    for line in (["measure", scan], ["measure", "scans"]):
        capsys.readouterr()
        assert run(line) == 0
        assert waits in capsys.readouterr().err
    assert run(["measure", scan, "--run", "last"]) == 0
    assert run(["measure", scan]) == 0
    assert waits not in capsys.readouterr().err


def test_a_scan_that_cannot_be_read_is_named_and_the_status_says_so(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "scans" / "broken.tif").write_bytes(b"II*\0nothing")
    capsys.readouterr()
    assert run(["tonight", "scans", "--run", "1"]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "1 not measured" in out
    assert "broken.tif: not measured." in out


def test_the_wedge_among_the_scans_of_a_run_is_no_negative_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is neither printed nor labelled, nor named at every question that is asked of the run."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", "book.sqlite")
    for name in ("wedge.tif", "normal.tif"):
        shutil.copy(SAMPLES / name, name)
    for line in (
        f"calibrate wedge.tif --densities {SAMPLES / 'wedge.csv'} --name mine",
        "run add --film Meadow-100 --developer Borax --time 8:00 --temp 20",
        "measure normal.tif wedge.tif --run last",
    ):
        assert run(line.split()) == 0
    capsys.readouterr()
    assert run(["print", "--run", "last"]) == 0
    assert "normal.tif" in capsys.readouterr().out
    assert run(["advise"]) == 0
    assert "wedge" not in capsys.readouterr().out
    assert run(["labels", "labels.html", "--run", "last"]) == 0
    assert "2 labels" in capsys.readouterr().err  # of the run, and of its one negative


def test_a_step_that_measure_would_not_take_is_not_made_much_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same negative: measure keeps the time, and advise says of its few per cent that they are too little."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", "book.sqlite")
    line = "run add --film Meadow-100 --developer Borax --time 8:00 --temp 20 --density-range 1.08"
    assert run(line.split()) == 0
    capsys.readouterr()
    assert run(["advise"]) == 0
    assert ": too little to matter" in " ".join(capsys.readouterr().out.split())
