"""The command `print`: negatives from scans, documents, the notebook or typed; one sentence for what is wrong."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from densiscan.calibration.file import calibration_document, write_calibration
from densiscan.cli.app import run
from densiscan.notebook.location import open_notebook
from densiscan.notebook.readings import NewReading, file_sha256
from densiscan.paper.file import paper_document
from densiscan.paper.tested_range import Circumstances, paper_by_eye
from tests.support.made_up import calibration, certified_wedge
from tests.support.schemas import faults

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"


def quantity(value: float, uncertainty: float = 0.02) -> dict[str, float]:
    return {"value": value, "uncertainty": uncertainty}


READING = {
    "file": "mill.tif",
    "shadow": quantity(0.40),
    "highlight": quantity(1.45),
    "base_plus_fog": quantity(0.25),
    "fog": None,
    "density_range": quantity(1.05, 0.03),
    "net_shadow": quantity(0.15),
    "net_highlight": quantity(1.20),
}


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to stand in; its notebook knows two papers and one negative."""
    book = tmp_path / "notes" / "notebook.sqlite"
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(book))
    monkeypatch.delenv("DENSISCAN_DEBUG", raising=False)
    monkeypatch.chdir(tmp_path)
    with open_notebook(book) as kept:
        for name, black, white in (("old-box", "5", "13"), ("hard", "6", "11")):
            about = Circumstances(name=name, exposure_s=10.0)
            test = paper_by_eye(certified_wedge(), last_black=black, first_white=white, circumstances=about)
            kept.keep("paper-test", name, paper_document(test))
        kept.add_reading(
            NewReading(
                file="mill.tif",
                scan_sha256="0" * 64,
                piece=None,
                calibration=calibration_document(calibration()),
                options={},
                document=READING,
            )
        )
    document = {"format": "densiscan.readings/1", "calibration": "mine", "readings": [READING], "failed": []}
    (tmp_path / "mill.json").write_text(json.dumps(document), encoding="utf-8")
    (tmp_path / "text.tif").write_text("not an image")
    write_calibration(calibration(), tmp_path / "film.json")
    return tmp_path


def printed(line: str, capsys: pytest.CaptureFixture[str], status: int = 0) -> dict[str, Any]:
    assert run([*line.split(), "--json"]) == status
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    assert line.startswith("measure ") or faults(found, "print") == []
    return found


def test_no_print_is_made_of_what_the_notebook_knows_to_be_something_else(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    warning = {
        "code": "seen-inverted",
        "message": "This looks like an inverted scan. --as-negative judges it all the same.",
    }
    turned = READING | {"file": "turned.tif", "seen": "inverted", "warnings": [warning]}
    with open_notebook(place / "notes" / "notebook.sqlite") as kept:
        kept.add_reading(
            NewReading(
                file="turned.tif",
                scan_sha256="1" * 64,
                piece=None,
                calibration=calibration_document(calibration()),
                options={},
                document=turned,
            )
        )
    assert run(["print", "turned", "mill", "--paper", "old-box"]) == 1
    out, err = capsys.readouterr()
    assert "turned.tif: This looks like an inverted scan. If it is a negative" in err
    assert "mill.tif" in out


def test_typed_densities_and_all_papers_that_are_kept(capsys: pytest.CaptureFixture[str]) -> None:
    found = printed("print --shadow 0.40 --highlight 1.45 --base-plus-fog 0.25", capsys)
    assert found["format"] == "densiscan.print/1"
    (one,) = found["negatives"]
    assert (one["grade"], one["filter_step"], [paper["name"] for paper in one["papers"]]) == (
        "2",
        2.0,
        ["old-box", "hard"],
    )
    # Condenser light sees silver 1.25 times as dense: 1.05 becomes 1.31, grade 1.
    seen = {name: (round(way["needed_range"]["value"], 1), way["grade"]) for name, way in one["by_process"].items()}
    assert seen == {"contact": (105.0, "2"), "diffusion": (105.0, "2"), "condenser": (131.2, "1")}
    best = one["papers"][0]
    # Step 5 has 0.65 and 6 has 0.80: an eye sees black to 0.725, likewise T at 1.775; S lies 0.063 of 1.05 before that,
    # full black 0.141 of it beyond.
    assert best["shadow_time_s"]["value"] == pytest.approx(10.0 * 10.0 ** (0.40 - 0.79115))
    assert best["highlight_time_s"]["value"] == pytest.approx(10.0 * 10.0 ** (1.45 - 1.775))
    assert best["standard_time_s"]["value"] == pytest.approx(10.0 * 10.0 ** (0.25 - 0.57695))
    assert (best["fit"], one["papers"][1]["fit"]) == ("fits", "too-hard")
    assert len(best["strip"]["seconds"]) == 5
    assert best["counted_by_voice"]["dimmer"] == 4  # 4.7 s
    assert run(["print", "--shadow", "0.40", "--highlight", "1.45", "--base-plus-fog", "0.25"]) == 0
    out = capsys.readouterr().out
    assert all(len(text) <= 80 for text in out.splitlines())
    for words in (
        "grade 2",
        "condenser light R 131, grade 1",
        "fits within",
        "too hard",
        "test strip",
        "Dim the lamp to 1/4",
        "clear rebate",
    ):
        assert words in out


@pytest.mark.parametrize("name", ["mill.tif", "mill", "mill.json"])
def test_negative_read_before(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    (one,) = printed(f"print {name} --paper old-box", capsys)["negatives"]
    assert (one["shadow"], one["highlight"], one["base_plus_fog"]) == (
        quantity(0.40),
        quantity(1.45),
        quantity(0.25),
    )


def test_negative_read_now(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy(SAMPLES / "normal.tif", place)
    line = ["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--out", "mine.json"]
    assert run(line) == 0
    capsys.readouterr()
    reading = printed("measure normal.tif --calibration mine.json", capsys)["readings"][0]
    (one,) = printed("print normal.tif --calibration mine.json --paper old-box", capsys)["negatives"]
    assert one["shadow"] == reading["shadow"]
    assert one["highlight"] == reading["highlight"]


def test_paper_of_which_only_the_range_is_known(capsys: pytest.CaptureFixture[str]) -> None:
    (one,) = printed("print --shadow 0.40 --highlight 1.45 --paper-range 80", capsys)["negatives"]
    (paper,) = one["papers"]
    assert (paper["name"], paper["fit"], paper["strip"]) == (None, "too-hard", None)
    assert paper["difference_stops"]["value"] == pytest.approx(0.25 / 0.30103, rel=1e-4)


def test_from_a_print_that_came_out_right(capsys: pytest.CaptureFixture[str]) -> None:
    # Clerc, sec. 511: 12 s at 1.5 become 30 s at 1.9; sec. 770: from 2 to 3 times enlarged 16/9.
    found = printed("print --highlight 1.9 --right-density 1.5 --right-time 12", capsys)
    assert found["negatives"][0]["change"]["highlight_time_s"]["value"] == pytest.approx(30.0, abs=0.5)
    line = "print mill --right-negative mill.json --right-time 9 --right-magnification 2 --magnification 3"
    change = printed(line, capsys)["negatives"][0]["change"]
    assert change["highlight_time_s"]["value"] == pytest.approx(16.0)
    assert change["size"] == pytest.approx(16.0 / 9.0)
    change = printed("print mill --right-time 8 --right-paper old-box --paper hard", capsys)["negatives"][0]["change"]
    # The hard paper: an eye sees black to 0.875, T at 1.475, S 0.063 of 0.60 before; the other 0.725 and 1.775.
    assert change["paper_shadow"]["value"] == pytest.approx(10.0 ** (0.79115 - 0.9128))
    assert change["paper_highlight"]["value"] == pytest.approx(10.0 ** (1.775 - 1.475))
    assert run([*line.split()]) == 0
    assert "1.78 times" in capsys.readouterr().out


def test_one_bad_scan_does_not_stop_the_rest(capsys: pytest.CaptureFixture[str]) -> None:
    found = printed("print text.tif mill --calibration film.json", capsys, status=1)
    assert [one["name"] for one in found["negatives"]] == ["mill.tif"]
    assert [(one["file"], one["code"]) for one in found["failed"]] == [("text.tif", "unreadable-scan")]


def test_no_paper_yet_is_said(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = f"print --shadow 0.40 --highlight 1.45 --notebook {place / 'empty.sqlite'}"
    assert run(line.split()) == 0
    out, err = capsys.readouterr()
    assert "grade 2" in out
    assert "No paper has been tested yet" in err
    assert not (place / "empty.sqlite").exists()


WRONG = [
    ("print", "describe the negative in one way: by its name"),
    ("print mill --shadow 0.4", "describe the negative in one way: by its name"),
    ("print nowhere.tif", "neither a file nor a negative"),
    ("print --shadow 1.45 --highlight 0.40", "highlights are the dense part"),
    ("print --shadow 40 --highlight 145", "--shadow"),
    ("print mill --paper soft", "the names kept are"),
    ("print mill --paper-range 1.05", "--paper-range"),
    ("print mill --callier 1.3", "--process condenser"),
    ("print mill --callier 5 --process condenser", "--callier"),
    ("print mill --magnification 0", "--magnification"),
    ("print mill --right-time 0", "--right-time"),
    ("print mill --right-negative mill --right-density 1.2", "give one of them"),
    ("print mill --right-density 99", "--right-density"),
    ("print text.tif", "no calibration was made yet"),
]


@pytest.mark.parametrize(("line", "said"), WRONG, ids=[line for line, _ in WRONG])
def test_wrong_command_line_is_one_sentence(line: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(line.split()) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.strip().splitlines()) == 1, err
    assert said in err


def test_readings_that_are_none(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "mill.json").write_text("{}", encoding="utf-8")
    assert run(["print", "mill.json"]) == 1
    assert "is not a document of readings" in capsys.readouterr().err


def test_several_negatives_make_a_plan_and_its_page(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dense = {**READING, "file": "kiln.tif", "shadow": quantity(0.60), "highlight": quantity(1.65)}
    for reading in (READING, dense):
        document = {"format": "densiscan.readings/1", "readings": [reading]}
        (place / f"{reading['file']}.json").write_text(json.dumps(document))
    assert run(["print", "mill.tif.json", "kiln.tif.json", "--paper", "old-box", "--sheet", "plan.html"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("On old-box: R ")
    # 0.20 denser is 1.58 times the time; both stand within a stop, so that one contact sheet holds them.
    assert [line.split()[1] for line in lines if line.strip()[:1].isdigit()] == ["mill.tif", "kiln.tif"]
    assert "One contact sheet of 2" in "\n".join(lines)
    page = (place / "plan.html").read_text(encoding="utf-8")
    assert page.index("mill.tif") < page.index("kiln.tif")
    assert "default-src 'none'" in page


def test_the_negatives_of_a_run_and_of_a_folder_are_taken_as_the_notebook_has_them(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "scans").mkdir()
    scan = place / "scans" / "mill.tif"
    scan.write_bytes(b"stands for a scan")
    assert run(["run", "add", "--film", "Meadow-100", "--developer", "Borax", "--time", "8:00", "--temp", "20"]) == 0
    with open_notebook(place / "notes" / "notebook.sqlite") as kept:
        made = calibration_document(calibration())
        kept.add_reading(
            NewReading(
                file=str(scan),
                scan_sha256=file_sha256(scan),
                piece=None,
                calibration=made,
                options={},
                document=READING,
                run=1,
            )
        )
    capsys.readouterr()
    answers = []
    for line in ("print --run last --json", "print scans --json"):
        assert run(line.split()) == 0
        answers.append(json.loads(capsys.readouterr().out)["negatives"])
    assert answers[0] == answers[1]
    assert answers[0][0]["highlight"]["value"] == 1.45
    assert run(["print", "--run", "7"]) == 2
    assert "no run 7" in capsys.readouterr().err


def test_split_grade_from_two_tests(capsys: pytest.CaptureFixture[str]) -> None:
    # old-box has the longer range, and stands for the soft filter
    assert run(["print", "mill.tif", "--soft", "old-box", "--hard", "hard", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    (negative,) = document["negatives"]
    assert (negative["split"]["soft"], negative["split"]["hard"]) == ("old-box", "hard")
    assert {one["name"] for one in negative["papers"]} == {"old-box", "hard"}
    assert not faults(document, "print")
    assert run(["print", "mill.tif", "--soft", "old-box"]) == 2
    assert "--soft and --hard go together" in capsys.readouterr().err


def test_a_named_place_is_burnt_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tones = (0.06, 0.06, 0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.86, 1.86, 1.86)
    rows = "".join(f"{-2.4 + 0.2 * number:.1f},{tone}\n" for number, tone in enumerate(tones))
    (tmp_path / "curve.csv").write_text(f"log_exposure,density\n{rows}", encoding="utf-8")
    assert run(["paper", "--points", "curve.csv", "--exposure", "100", "--name", "read", "--dry-down", "8"]) == 0
    capsys.readouterr()
    command = ["print", "mill.tif", "--paper", "read", "--spot", "sky=1.60:0.40"]
    assert run(command) == 0
    assert "sky prints as bare paper. For 0.40 burn it in by" in " ".join(capsys.readouterr().out.split())
    assert run([*command, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert not faults(document, "print")
    (place_read,) = document["negatives"][0]["places"]
    assert (place_read["name"], place_read["wanted"], place_read["end"]) == ("sky", 0.40, "white")
    # 8 per cent less is log2(1 / 0.92) = 0.1203 stop
    assert document["negatives"][0]["papers"][0]["dry_down_stops"]["value"] == pytest.approx(0.1203, abs=1e-3)


@pytest.mark.parametrize("typed", ["sky", "sky=", "=1.6", "sky=1.6:0.4:0.2", "sky=9", "sky=1.6:dark"])
def test_a_place_that_is_none(typed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["print", "mill.tif", "--spot", typed]) == 2
    assert "such as --spot sky=1.75:0.20" in " ".join(capsys.readouterr().err.split())


def test_a_print_judged_wet(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["print", "mill.tif", "--paper", "old-box", "--right-time", "10", "--right-wet"]) == 2
    assert "state its --dry-down" in " ".join(capsys.readouterr().err.split())
    assert run(["print", "mill.tif", "--right-wet"]) == 2
    assert "give its --right-time" in " ".join(capsys.readouterr().err.split())


def test_dry_down_counted_by_eye(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    steps = "".join(f"{number},{0.05 + 0.15 * (number - 1):.2f}\n" for number in range(1, 22))
    (tmp_path / "wedge.csv").write_text(f"step,density\n{steps}", encoding="utf-8")
    command = ["paper", "--wedge", "wedge.csv", "--last-black", "5", "--first-white", "14", "--exposure", "10"]
    assert run([*command, "--wet-first-white", "13", "--name", "wetted", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["dry_down_stops"]["value"] == pytest.approx(0.498, abs=1e-3)  # one step of 0.15 over 0.301
    assert not faults(document, "paper")
    assert run(["print", "mill.tif", "--paper", "wetted", "--right-time", "10", "--right-wet", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    change = document["negatives"][0]["change"]
    assert change["highlight_time_s"]["value"] == pytest.approx(10.0 * 10.0**-0.15, rel=1e-3)
    assert not faults(document, "print")
    assert run([*command, "--wet-first-white", "13", "--dry-down", "8"]) == 2
    assert "all give the dry-down" in " ".join(capsys.readouterr().err.split())
