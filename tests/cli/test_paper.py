"""The command `paper`: every way to test a paper, what is kept, what is drawn, and one sentence for what is wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from densiscan.notebook.location import open_notebook
from tests.support.made_up import calibration
from tests.support.paper_cases import faultless_case
from tests.support.schemas import faults

WEDGE = "step,density\n" + "".join(f"{number},{0.05 + 0.15 * (number - 1):.2f}\n" for number in range(1, 22))
CURVE = (
    "log_exposure,density\n-2.0,0.07\n-1.8,0.08\n-1.6,0.11\n-1.4,0.25\n-1.2,0.60\n-1.0,1.10\n-0.8,1.60\n-0.6,1.85\n"
    "-0.4,1.95\n-0.2,1.97\n0.0,1.97\n"
)


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to stand in, with a notebook of its own and small files."""
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notes" / "notebook.sqlite"))
    monkeypatch.delenv("DENSISCAN_DEBUG", raising=False)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "wedge.csv").write_text(WEDGE, encoding="utf-8")
    (tmp_path / "curve.csv").write_text(CURVE, encoding="utf-8")
    (tmp_path / "print.tif").write_text("not an image")
    write_calibration(calibration(), tmp_path / "film.json")
    return tmp_path


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A print of the wedge and a gray scale from the same scanner, rendered once."""
    folder = tmp_path_factory.mktemp("paper")
    case = faultless_case()
    case.scan(folder / "print.tif")
    write_calibration(case.calibration(folder / "gray.tif"), folder / "gray.json")
    return folder


def document(line: str, capsys: pytest.CaptureFixture[str], status: int = 0) -> dict[str, Any]:
    assert run([*line.split(), "--json"]) == status
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    assert faults(found, "paper") == []
    return found


def test_counted_by_eye(capsys: pytest.CaptureFixture[str]) -> None:
    found = document("paper --wedge wedge.csv --last-black 5 --first-white 13 --exposure 12", capsys)
    assert found["format"] == "densiscan.paper/1"
    assert (round(found["range"]["value"], 6), found["grade"], found["exposure_s"]) == (98.385, "2", 12.0)
    assert (found["base_plus_fog"], found["maximum_black"], found["method"]) == (None, None, "eye")
    assert run(["paper", "--wedge", "wedge.csv", "--last-black", "5", "--first-white", "13"]) == 0
    out = capsys.readouterr().out
    assert "98 ± " in out
    assert "grade 2" in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_points_are_kept_by_name_and_drawn(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = document("paper --points curve.csv --base 0.06 --name old-box --plot paper.svg", capsys)
    assert "log exposure" in (place / "paper.svg").read_text(encoding="utf-8")
    assert found["fog"]["value"] == pytest.approx(0.01, abs=0.005)  # 0.07 less 0.06
    with open_notebook(place / "notes" / "notebook.sqlite") as book:
        assert book.names("paper-test") == ("old-box",)
        assert book.kept("paper-test", "old-box") == found


def test_notebook_that_cannot_be_written_costs_no_test(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = place / "letter.txt"
    book.write_text("a letter, not a notebook")
    line = f"paper --points curve.csv --name old-box --notebook {book} --json"
    assert run(line.split()) == 1
    said = capsys.readouterr()
    assert json.loads(said.out)["format"] == "densiscan.paper/1"
    assert "the paper test is not in the notebook" in said.err
    assert len(said.err.splitlines()) == 1


def test_scan_with_a_reflection_calibration(scanned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = f"paper {scanned / 'print.tif'} --wedge wedge.csv --calibration {scanned / 'gray.json'} --fixed 3,3,10,10"
    found = document(f"{line} --exposure 10 --plot paper.png", capsys)
    # R 105 by construction; wedges and scanner are exact but for usual noise.
    assert found["range"]["value"] == pytest.approx(105.0, abs=3.0)
    assert abs(found["range"]["value"] - 105.0) <= found["range"]["uncertainty"]
    # Exposed to log 1.70 above the first tone: S shows through 0.65, T through 1.70.
    assert found["shadow_log_exposure"]["value"] == pytest.approx(-0.65, abs=0.03)
    assert found["highlight_log_exposure"]["value"] == pytest.approx(-1.70, abs=0.03)
    assert found["base_plus_fog"]["value"] == pytest.approx(0.08, abs=0.01)
    assert found["fog"]["value"] == pytest.approx(0.02, abs=0.01)
    assert found["maximum_black"]["value"] == pytest.approx(2.03, abs=0.05)
    assert [point["step"] for point in found["points"]] == [f"{number}" for number in range(21, 0, -1)]


def test_scan_without_one_is_relative_and_says_so(scanned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = document(f"paper {scanned / 'print.tif'} --wedge wedge.csv", capsys)
    assert "relative-to-own-white-and-black" in [warning["code"] for warning in found["warnings"]]
    assert (found["relative"], found["base_plus_fog"], found["maximum_black"]) == (True, None, None)
    assert abs(found["range"]["value"] - 105.0) <= found["range"]["uncertainty"]


def test_a_black_that_is_known_makes_it_surer(scanned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = f"paper {scanned / 'print.tif'} --wedge wedge.csv"
    without, stated = (document(f"{line}{more}", capsys)["range"] for more in ("", " --net-black 1.95"))
    assert stated["uncertainty"] < 0.8 * without["uncertainty"]
    assert abs(stated["value"] - 105.0) <= stated["uncertainty"]
    assert run(f"{line} --net-black 1.95 --calibration {scanned / 'gray.json'}".split()) == 2
    assert "--net-black stands in for a calibration" in capsys.readouterr().err


def test_last_reflection_calibration_is_taken_and_said(
    scanned: Path, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawer = place / "notes" / "calibrations"
    drawer.mkdir(parents=True)
    (drawer / "gray.json").write_bytes((scanned / "gray.json").read_bytes())
    write_calibration(calibration(), drawer / "film.json")
    assert run(["paper", str(scanned / "print.tif"), "--wedge", "wedge.csv"]) == 0
    out, err = capsys.readouterr()
    assert "Calibration: gray (" in err
    assert "base plus fog   0.08" in out


def test_film_is_not_measured_by_the_calibration_of_prints(
    scanned: Path, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawer = place / "notes" / "calibrations"
    drawer.mkdir(parents=True)
    (drawer / "gray.json").write_bytes((scanned / "gray.json").read_bytes())
    assert run(["measure", "print.tif"]) == 2
    assert "no calibration by a wedge on film was made yet" in capsys.readouterr().err
    write_calibration(calibration(), drawer / "film.json")
    assert run(["measure", "print.tif"]) == 1  # which is no scan; what counts is the calibration named
    assert "Calibration: film (2026-01-02)." in capsys.readouterr().err


def test_the_wedge_itself_is_not_taken_for_its_print(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    samples = Path(__file__).resolve().parents[2] / "sample_scans"
    wedge = ["--densities", str(samples / "wedge.csv")]
    book = ["--notebook", str(place / "own.sqlite")]
    assert run(["calibrate", str(samples / "wedge.tif"), *wedge, "--name", "mine", *book]) == 0
    line = ["paper", str(samples / "wedge.tif"), "--wedge", str(samples / "wedge.csv"), "--exposure", "12", *book]
    assert run(line) == 2
    assert "is the scan of the wedge that the calibration mine was made from" in capsys.readouterr().err


def test_transmission_calibration_is_refused(scanned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["paper", str(scanned / "print.tif"), "--wedge", "wedge.csv", "--calibration", "film.json"]
    assert run(line) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "of a wedge read by transmission" in err
    assert "--reflection" in err


WRONG = [
    ("paper", 2, "in one of these ways"),
    ("paper print.tif --points curve.csv", 2, "in one of these ways"),
    ("paper print.tif", 2, "--wedge WEDGE.csv"),
    ("paper --wedge wedge.csv", 2, "in one of these ways"),
    ("paper --points curve.csv --wedge wedge.csv", 2, "--wedge"),
    ("paper --wedge wedge.csv --last-black 5", 2, "both ends"),
    ("paper --wedge wedge.csv --last-black 13 --first-white 5", 2, "wrong way round"),
    ("paper --wedge wedge.csv --last-black 5 --first-white 40", 2, "no such step"),
    ("paper --wedge absent.csv --last-black 5 --first-white 13", 2, "absent.csv does not exist"),
    ("paper absent.tif --wedge wedge.csv", 2, "absent.tif does not exist"),
    ("paper --points curve.csv --exposure 0", 2, "--exposure"),
    ("paper --points curve.csv --base 3", 2, "--base"),
    ("paper --points curve.csv --net-black 1.9", 2, "--net-black is for the scan of a print"),
    ("paper print.tif --wedge wedge.csv --net-black 9", 2, "--net-black"),
    ("paper --wedge wedge.csv --last-black 5 --first-white 13 --region 1,2,3,4", 2, "--region is for the scan"),
    ("paper --points curve.csv --base 0.05 --fixed 1,2,3,4", 2, "give one of them"),
    ("paper --points curve.csv --plot paper.doc", 2, ".png, .svg or .pdf"),
    ("paper --points wedge.csv", 1, "no header log_exposure,density"),
    ("paper print.tif --wedge wedge.csv", 1, "print.tif"),
    ("paper print.tif --wedge curve.csv", 1, "no header step,density"),
    ("paper --wedge wedge.csv --last-black 5 --first-white 13 --plot eye.png", 2, "make no curve"),
]


@pytest.mark.parametrize(("line", "status", "said"), WRONG, ids=[line for line, _, _ in WRONG])
def test_what_is_wrong_is_one_sentence(line: str, status: int, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(line.split()) == status
    err = capsys.readouterr().err
    assert len(err.strip().splitlines()) == 1, err
    assert said in err
    assert "Traceback" not in err
