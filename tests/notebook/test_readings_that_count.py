"""Which readings count for a run: one answer in every command, nothing moved by trying, and every change said."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

import pytest

from densiscan.arithmetic.quantity import Quantity
from densiscan.batch.assessment import Task
from densiscan.cli import app
from densiscan.development.usable_readings import RunReading, Way, counted, not_a_negative, other_ways
from densiscan.negative.options import MeasureOptions
from densiscan.negative.sign_limits import READ_LIMITS
from densiscan.notebook.keep import task_options
from densiscan.notebook.notebook import Notebook
from tests.support.pages import ROOT

SAMPLES = ROOT / "sample_scans"


class Say(Protocol):
    """Runs a command line, holds its status against what is expected, and returns what it printed and said."""

    def __call__(self, line: str, status: int = 0) -> tuple[str, str]: ...


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of scans with a notebook of two runs, the first with a sound negative, the second with two."""
    folder = tmp_path_factory.mktemp("counting")
    for name in ("normal", "leak", "thin"):
        shutil.copy(SAMPLES / f"{name}.tif", folder)
    book = ["--notebook", str(folder / "notebook.sqlite")]
    wedge = [str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv")]
    process = "--film Meadow-100 --developer Borax --dilution 1+1 --temp 20 --exposure-index 100"
    measured = "--calibration mine --run"
    assert app.run(["calibrate", *wedge, "--name", "mine", *book]) == 0
    assert app.run([*f"run add {process} --time 8:00 --date 2026-03-01".split(), *book]) == 0
    assert app.run([*f"run add {process} --time 8:30 --date 2026-03-08".split(), *book]) == 0
    assert app.run(["measure", str(folder / "normal.tif"), *f"{measured} 1".split(), *book]) == 0
    two = [str(folder / name) for name in ("leak.tif", "thin.tif")]
    assert app.run(["measure", *two, *f"{measured} 2".split(), *book]) == 0
    return folder


@pytest.fixture
def here(calibrated: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(calibrated, tmp_path, dirs_exist_ok=True)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def say(here: Path, capsys: pytest.CaptureFixture[str]) -> Say:
    def run(line: str, status: int = 0) -> tuple[str, str]:
        assert here.exists()
        capsys.readouterr()
        assert app.run(line.split()) == status, capsys.readouterr().err
        said = capsys.readouterr()
        return said.out, said.err

    return run


def document(say: Say, line: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(say(f"{line} --json")[0])
    return found


def ranges(say: Say, run: int) -> list[float]:
    return [round(one["value"], 2) for one in document(say, f"run show {run}")["density_ranges"]]


def test_every_command_goes_by_the_same_negatives(here: Path, say: Say) -> None:
    """The thin negative of run 2 lacks shadows: no figure anywhere may rest on its range."""
    advice = document(say, "advise")
    minutes, seconds = divmod(round(advice["time_s"]["value"]), 60)
    say("report page.html --no-pictures")
    page = (here / "page.html").read_text(encoding="utf-8")
    drawn = re.findall(r"<p class=\"say\">(\d+:\d\d)|advis\w+ (\d+:\d\d)", page)
    assert {one for pair in drawn for one in pair if one} == {f"{minutes}:{seconds:02d}"}, page[:3000]
    (leak,) = ranges(say, 2)
    listed = say("run list")[0].splitlines()
    assert re.search(rf"{leak:.2f} 0\.\d\d$", listed[2])
    # As if the thin one had never been measured: the same time, and the same contrast and activity.
    trends = document(say, "trends")["trends"]
    say("reading remove thin.tif")
    assert document(say, "advise")["time_s"] == advice["time_s"]
    without = document(say, "trends")["trends"]
    for name in ("contrast", "activity"):
        one, other = ([trend for trend in of if trend["name"] == name] for of in (trends, without))
        assert one[0]["points"] == other[0]["points"]
        assert one[0]["points"]


def test_what_is_left_out_is_said_wherever_runs_are(say: Say) -> None:
    for command in ("advise", "trends"):
        (told,) = [one for one in document(say, command)["warnings"] if one["code"] == "negatives-left-out"]
        assert "run 2 is underexposed" in told["message"]
    assert "thin.tif, underexposed" in say("run show 2")[0]


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ("--frame 60,20,10,10", "--frame"),
        ("--trim 10", "--trim"),
        ("--fog-sheet", "--fog-sheet"),
        ("--aperture 2", "--aperture"),
        ("--base-fog 0.3", "--base-fog"),
    ],
)
def test_trying_an_option_moves_no_run(say: Say, options: str, why: str) -> None:
    before, advice = document(say, "run show 1"), document(say, "advise")
    _, told = say(f"measure normal.tif {options}")
    assert f"({why})" in told
    assert "--run 1" in told
    assert "now counts" not in told
    after = document(say, "run show 1")
    for figure in ("density_ranges", "base_plus_fogs"):
        assert after[figure] == before[figure]
    assert document(say, "advise")["time_s"] == advice["time_s"]
    assert [one["standing"] for one in after["readings"]] == ["counts", "tried"]


def test_another_calibration_is_a_try_out_too(say: Say) -> None:
    before = ranges(say, 1)
    say(f"calibrate {SAMPLES}/wedge.tif --densities {SAMPLES}/wedge.csv --name other --region 0,0,200,60")
    _, told = say("measure normal.tif --calibration other")
    assert "another calibration" in told
    assert ranges(say, 1) == before


def test_the_same_again_is_no_news_and_places_change_nothing(say: Say) -> None:
    for options in ("", " --spot 30,40", " --scene-stops 6"):
        _, told = say(f"measure normal.tif --calibration mine{options}")
        assert told == ""
    assert len(document(say, "run show 1")["density_ranges"]) == 1


def test_what_counts_for_a_run_changes_with_one_line_and_is_undone(say: Say) -> None:
    (whole,) = ranges(say, 1)
    _, told = say("measure normal.tif --calibration mine --trim 10 --run 1")
    (trimmed,) = ranges(say, 1)
    assert trimmed < whole - 0.1
    assert told == f"Run 1 now counts density range {trimmed:.2f} (was {whole:.2f}).\n"
    # Made for the run again, the first one counts again, at once.
    _, told = say("measure normal.tif --calibration mine --run 1")
    assert told == f"Run 1 now counts density range {whole:.2f} (was {trimmed:.2f}).\n"
    for expected in (trimmed, whole, trimmed):
        # An undo of an undo brings the change back.
        assert f"Run 1 now counts density range {expected:.2f}" in say("run undo")[1]
        assert ranges(say, 1) == [expected]


def test_undo_takes_back_all_that_one_command_measured(here: Path, say: Say) -> None:
    folder = here / "roll"
    folder.mkdir()
    for name in ("normal.tif", "leak.tif"):
        (here / name).rename(folder / name)
    say("run add --date 2026-03-15")
    _, told = say("measure roll --calibration mine --run 3")
    assert "normal.tif was in run 1 and is now in run 3." in told
    assert "leak.tif was in run 2 and is now in run 3." in told
    assert "Run 1 now counts no density range (was 1.08)" in told
    assert (len(ranges(say, 1)), len(ranges(say, 2)), len(ranges(say, 3))) == (0, 0, 2)
    assert document(say, "run undo")["undone"] == "measure"
    assert (len(ranges(say, 1)), len(ranges(say, 2)), len(ranges(say, 3))) == (1, 1, 0)


def test_a_folder_just_tied_to_a_run_is_said_to_be(here: Path, say: Say) -> None:
    folder = here / "roll"
    folder.mkdir()
    (here / "normal.tif").rename(folder / "normal.tif")
    say("run add --date 2026-03-15")
    said, _ = say("measure roll --calibration mine --run 3")
    assert "0 measured, 1 in the notebook already, now in run 3" in " ".join(said.split())


def test_run_show_says_which_readings_count_and_how_they_were_made(say: Say) -> None:
    say("measure normal.tif --calibration mine --trim 10 --frame 30,20,40,40")
    shown = " ".join(say("run show 1")[0].split())
    assert re.search(
        r"\b1, 20\d\d-\d\d-\d\d \d\d:\d\d, normal\.tif: [^.]*\.[^C]*calibration mine, 1 mm aperture\. Counts\.", shown
    )
    assert "calibration mine, --frame 30,20,40,40, 1 mm aperture, --trim 10. Kept apart" in shown
    one = document(say, "run show 1")["readings"][1]
    assert one["calibration"] == "mine"
    assert one["options"]["measure"]["frame_mm"] == [30.0, 20.0, 40.0, 40.0]


def test_a_reading_is_taken_out_and_brought_back(say: Say) -> None:
    before = document(say, "run show 1")
    number = before["readings"][0]["number"]
    _, told = say(f"reading remove {number}")
    assert told == "Run 1 now counts no density range (was 1.08) and no base plus fog (was 0.14).\n"
    assert ranges(say, 1) == []
    assert [one["number"] for one in document(say, "reading list --removed")["readings"]] == [number]
    assert "taken out already" in say(f"reading remove {number}", status=2)[1]
    # Measured again for no run it stays out, and that is said.
    assert "stays out" in say("measure normal.tif --calibration mine")[1]
    assert ranges(say, 1) == []
    say("reading restore normal.tif")
    assert document(say, "run show 1") == before
    assert document(say, "run undo")["undone"] == "restore-reading"
    assert ranges(say, 1) == []
    assert "not taken out" in say("reading restore leak.tif", status=2)[1]
    assert 'no reading "77"' in say("reading remove 77", status=2)[1]


def test_a_scan_read_by_mistake_is_taken_out_of_the_pages(here: Path, say: Say) -> None:
    shutil.copy(here / "normal.tif", here / "snapshot.tif")
    with (here / "snapshot.tif").open("ab") as scan:
        scan.write(b"\0" * 16)  # another file to the notebook, of no run
    say("measure snapshot.tif --calibration mine")
    say("report page.html --no-pictures")
    assert "snapshot.tif" in (here / "page.html").read_text(encoding="utf-8")
    say("reading remove snapshot.tif")
    say("report page.html --no-pictures")
    assert "snapshot.tif" not in (here / "page.html").read_text(encoding="utf-8")
    assert document(say, "run undo") == {
        "format": "densiscan.reading-list/1",
        "readings": [],
        "undone": "remove-reading",
    }
    say("report page.html --no-pictures")
    assert "snapshot.tif" in (here / "page.html").read_text(encoding="utf-8")


def test_a_page_shows_the_reading_that_counts_not_the_try_out(here: Path, say: Say) -> None:
    say("measure normal.tif --calibration mine --fog-sheet")
    say("report page.html --run 1 --no-pictures")
    text = (here / "page.html").read_text(encoding="utf-8")
    assert "0.84" not in text
    assert "1.08" in text


def test_print_takes_the_reading_that_counts(here: Path, say: Say) -> None:
    (whole,) = ranges(say, 1)
    say("measure normal.tif --calibration mine --trim 10")
    (here / "normal.tif").rename(here / "elsewhere")
    (one,) = document(say, "print normal")["negatives"]
    assert round(one["highlight"]["value"] - one["shadow"]["value"], 2) == whole


def test_fog_is_compared_with_what_counts(say: Say) -> None:
    from densiscan.cli.keep import run_meant

    say("measure normal.tif --calibration mine --fog-sheet")
    (before,) = run_meant(2, None).fog_before
    assert round(before.value, 2) == 0.14


def test_a_removed_run_takes_no_readings(say: Say) -> None:
    say("run remove 1")
    assert "run restore 1" in say("measure normal.tif --calibration mine --run 1", status=2)[1]


def test_an_import_that_changes_what_counts_says_so(here: Path, say: Say) -> None:
    other = f"--notebook {here / 'other.sqlite'}"
    say("notebook export notes.json")
    say(f"notebook import notes.json {other}")
    say("measure normal.tif --calibration mine --trim 10 --run 1")
    say("notebook export later.json")
    assert "Run 1 now counts density range 0.89 (was 1.08)." in say(f"notebook import later.json {other}")[1]


# The rule itself


def reading(number: int, *, negative: str = "n", run: bool = True, removed: bool = False, **way: Any) -> RunReading:
    facts: dict[str, Any] = {"calibration": "c", "measure": {"aperture_mm": 1.0}, "aim": {}, "document": {}}
    facts |= way
    document = facts.pop("document")
    return RunReading(
        number=number,
        negative=negative,
        file="a.tif",
        for_run=run,
        removed=removed,
        way=Way(calibration=facts.pop("calibration"), name="mine", options=facts),
        density_range=Quantity(float(number)),
        base_plus_fog=Quantity(0.1 * number),
        document=document,
    )


def numbers(*readings: RunReading) -> list[int]:
    return [one.number for one in counted(readings).readings]


def test_the_last_made_for_the_run_counts_or_what_repeats_it() -> None:
    wide = {"aperture_mm": 2.0}
    assert numbers(reading(1), reading(2)) == [2]
    assert numbers(reading(1), reading(2, run=False)) == [2]
    assert numbers(reading(1), reading(2, run=False, measure=wide)) == [1]
    assert numbers(reading(1), reading(2, run=False, calibration="other")) == [1]
    assert numbers(reading(1), reading(2, measure=wide), reading(3, run=False)) == [2]
    assert numbers(reading(1, run=False), reading(2, measure=wide)) == [2]
    assert numbers(reading(1), reading(2, removed=True)) == [1]
    assert numbers(reading(1, removed=True), reading(2, run=False)) == []
    assert numbers(reading(1), reading(2, negative="m")) == [1, 2]


def test_an_option_that_an_earlier_version_did_not_know_stands_at_nothing() -> None:
    newer = {"aperture_mm": 1.0, "as_negative": False, "places": [], "of_late": None}
    assert numbers(reading(1), reading(2, run=False, measure=newer)) == [2]
    assert numbers(reading(1), reading(2, run=False, measure={**newer, "as_negative": True})) == [1]


def test_what_only_the_advice_rests_on_is_no_other_way() -> None:
    plain = reading(1).way
    assert other_ways(plain, reading(2, aim={"paper_range": 95.0}).way) == ()
    assert other_ways(plain, reading(2, measure={"aperture_mm": 1.0, "spots_mm": [[1.0, 2.0]]}).way) == ()
    assert other_ways(plain, reading(2, measure={"aperture_mm": 2.0}, calibration="d").way) == (
        "calibration",
        "aperture_mm",
    )


@pytest.mark.parametrize("seen", ["inverted", "wedge", "print", "colour negative", "unexposed", "even"])
def test_what_is_no_negative_counts_for_nothing_unless_a_person_insists(seen: str) -> None:
    kept_out = {"seen": seen, "exposure": None, "development": None, "paper": None}
    found = counted([reading(1, document=kept_out)])
    assert (found.density_ranges, found.base_plus_fogs) == ((), ())
    # The wedge's own scan lies among those of many an evening: it is no negative that was lost.
    assert [seen in one.why for one in found.left_out] == ([] if seen == "wedge" else [True])
    insisted = {"seen": seen, "exposure": {"verdict": "normal"}, "development": {"contrast": {"value": 0.5}}}
    assert not_a_negative(insisted) is None
    assert len(counted([reading(1, document=insisted)]).density_ranges) == 1


@pytest.mark.parametrize("seen", [None, "negative", "unknown"])
def test_a_negative_or_what_shows_no_evidence_counts(seen: str | None) -> None:
    assert len(counted([reading(1, document={"seen": seen})]).density_ranges) == 1


def test_an_unexposed_sheet_that_was_given_as_one_tells_the_fog_of_its_run() -> None:
    unexposed = {"seen": "unexposed", "exposure": None, "development": None}
    said = counted([reading(1, document=unexposed, measure={"fog_sheet": True})])
    assert (len(said.density_ranges), len(said.base_plus_fogs)) == (0, 1)
    assert counted([reading(1, document=unexposed)]).base_plus_fogs == ()


def test_a_lost_frame_keeps_its_base_plus_fog() -> None:
    found = counted([reading(1, document={"exposure": {"verdict": "under"}})])
    assert found.density_ranges == ()
    assert len(found.base_plus_fogs) == 1
    assert found.left_out[0].fog_counts


# Older notebooks


def test_what_counted_in_an_older_notebook_goes_on_counting(here: Path, say: Say) -> None:
    """Brought back to the second form by hand: readings of no run, changes of runs alone."""
    import sqlite3

    say("measure normal.tif --calibration mine --trim 10")
    place = here / "notebook.sqlite"
    with sqlite3.connect(place) as connection:
        connection.execute("DELETE FROM changes WHERE what NOT IN ('add', 'correct', 'remove', 'restore')")
        connection.execute("DROP INDEX changes_by_act")
        connection.execute("DROP INDEX changes_by_time")
        connection.execute("ALTER TABLE changes DROP COLUMN act")
        connection.execute("ALTER TABLE readings DROP COLUMN run")
        connection.execute("PRAGMA user_version = 2")
    connection.close()
    listed, told = say("run list")
    assert "notebook.form-2.sqlite" in told
    # There the reading made last counted, the try-out; until another is made for the run, it goes on.
    assert re.search(r" 0\.89 0\.14$", listed.splitlines()[1])
    with Notebook(place) as book:
        assert book.check() == ()
    number = [one["number"] for one in document(say, "run show 1")["readings"] if one["standing"] == "counts"]
    assert "Run 1 now counts density range 1.08 (was 0.89)." in say(f"reading remove {number[0]}")[1]


def test_an_export_of_an_earlier_version_ties_readings_to_their_runs(here: Path, say: Say) -> None:
    say("notebook export notes.json")
    tables = json.loads((here / "notes.json").read_text(encoding="utf-8"))
    for row in tables["readings"]:
        del row["run"]
    for row in tables["changes"]:
        del row["act"]
    tables["changes"] = [row for row in tables["changes"] if row["what"] == "add"]
    (here / "notes.json").write_text(json.dumps(tables), encoding="utf-8")
    before = [document(say, f"run show {number}")["density_ranges"] for number in (1, 2)]
    other = f"--notebook {here / 'other.sqlite'}"
    say(f"notebook import notes.json {other}")
    assert [document(say, f"run show {number} {other}")["density_ranges"] for number in (1, 2)] == before


def test_a_notebook_with_try_outs_comes_along_whole(here: Path, say: Say) -> None:
    say("measure normal.tif --calibration mine --trim 10")
    say("measure thin.tif --calibration mine --run 1")
    say("reading remove leak.tif")
    say("notebook export notes.json")
    other = f"--notebook {here / 'other.sqlite'}"
    say(f"notebook import notes.json {other}")
    for number in (1, 2):
        for figure in ("density_ranges", "base_plus_fogs", "left_out"):
            ours, theirs = (document(say, f"run show {number} {where}")[figure] for where in ("", other))
            assert ours == theirs
    assert document(say, f"run undo {other}")["undone"] == "remove-reading"
    assert len(document(say, f"run show 2 {other}")["density_ranges"]) == 1


def test_the_thresholds_of_a_version_are_no_option_that_two_readings_could_differ_by() -> None:
    usual = task_options(Task())
    other = replace(READ_LIMITS, signs=replace(READ_LIMITS.signs, lid=0.2))
    assert task_options(Task(options=MeasureOptions(limits=other))) == usual
    assert "limits" not in usual["measure"]
    assert task_options(Task(options=MeasureOptions(trim=0.02))) != usual
