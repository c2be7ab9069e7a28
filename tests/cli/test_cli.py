"""The commands: from arguments to the call, from errors to one sentence, from results to the two streams."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
import typer

from densiscan import __version__
from densiscan.batch.assessment import BatchResult, Failure, Task
from densiscan.calibration.file import write_calibration
from densiscan.cli.app import command_line, run
from densiscan.errors import PolarityError
from densiscan.negative.options import MeasureOptions
from tests.support.made_up import assessment, calibration

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_scans"


@pytest.fixture(autouse=True)
def notebook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A notebook of its own for each test, and a folder of its own to stand in."""
    place = tmp_path / "notes" / "notebook.sqlite"
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(place))
    monkeypatch.delenv("DENSISCAN_DEBUG", raising=False)
    monkeypatch.chdir(tmp_path)
    return place


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """Files of the names that the commands are given; what is in them is not looked at."""
    for name in ("wedge.tif", "neg.tif", "text.txt"):
        (tmp_path / name).write_text("not an image")
    (tmp_path / "wedge.csv").write_text("step,density\n" + "".join(f"{n},{0.1 * n}\n" for n in range(1, 8)))
    (tmp_path / "folder").mkdir()
    write_calibration(calibration(), tmp_path / "cal.json")
    return tmp_path


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The core replaced: what `measure` asks of it is kept, one normal negative comes back."""
    asked: dict[str, Any] = {}

    def measure_files(paths: Any, made: Any, task: Task, *, progress: Any) -> BatchResult:
        asked.update(paths=[str(path) for path in paths], calibration=made.name, task=task, progress=progress)
        return BatchResult(assessments=(assessment(),), failures=asked.get("failures", ()))

    monkeypatch.setattr("densiscan.batch.files.measure_files", measure_files)
    monkeypatch.setattr("densiscan.cli.measure.keep_readings", lambda *_, **__: True)
    return asked


@pytest.fixture
def calibrated(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The core replaced: what `calibrate` asks of it is kept, one calibration comes back."""
    asked: dict[str, Any] = {}

    def open_scan(path: Any, **options: Any) -> str:
        asked.update(options, path=str(path))
        return "scan"

    def make(scan: Any, wedge: Any, **options: Any) -> Any:
        asked.update(options, scan=scan, wedge=wedge)
        if "refuse" in asked:
            raise asked["refuse"]
        return calibration(name=options["label"].name)

    monkeypatch.setattr("densiscan.scan.scan.open_scan", open_scan)
    monkeypatch.setattr("densiscan.calibration.make.calibrate", make)
    return asked


def words(line: str) -> list[str]:
    """The arguments as a shell would cut them."""
    return line.split()


def error_of(capsys: pytest.CaptureFixture[str]) -> str:
    """The one sentence on standard error; nothing may stand on standard output."""
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.strip().splitlines()) == 1, err
    assert err.startswith("densiscan: ")
    return err


WRONG = [
    ("measure", "SCAN_OR_FOLDER"),
    ("measure absent.tif", "absent.tif does not exist"),
    ("measure neg.tif --calibration cal.json --frame 1,2,3", "--frame"),
    ("measure neg.tif --calibration cal.json --frame 1,2,0,5", "is not a valid box"),
    ("measure neg.tif --calibration cal.json --rebate a,b,c,d", "--rebate"),
    ("measure neg.tif --calibration cal.json --rebate 1,2,nan,4", "--rebate"),
    ("measure neg.tif --calibration cal.json --spot 12", "not a valid place"),
    ("measure neg.tif --calibration cal.json --aperture 0", "--aperture"),
    ("measure neg.tif --calibration cal.json --aperture nan", "--aperture"),
    ("measure neg.tif --calibration cal.json --trim 60", "--trim"),
    ("measure neg.tif --calibration cal.json --trim 0.01", "per cent"),
    ("measure neg.tif --calibration cal.json --ppi -3", "--ppi"),
    ("measure neg.tif --calibration cal.json --paper-range 1.05", "--paper-range"),
    ("measure neg.tif --calibration cal.json --scene-stops 0", "--scene-stops"),
    ("measure neg.tif --calibration cal.json --process sunlight", "sunlight"),
    ("measure neg.tif --calibration cal.json --csv nowhere/readings.csv", "no folder nowhere"),
    ("measure neg.tif --calibration cal.json --csv folder", "is a folder"),
    ("measure neg.tif --calibration gone.json", "gone.json"),
    ("measure neg.tif --calibration cal.json --rebate 1,2,3,4 --base-fog 0.2", "--base-fog"),
    ("measure neg.tif", "no calibration was made yet"),
    ("measure neg.tif --colour", "--colour"),
    ("calibrate wedge.tif", "--densities"),
    ("calibrate wedge.tif --densities wedge.csv --steps 21", "describe the wedge either with"),
    ("calibrate wedge.tif --densities absent.csv", "absent.csv does not exist"),
    ("calibrate absent.tif --steps 21", "absent.tif does not exist"),
    ("calibrate wedge.tif --steps 2", "2 steps"),
    ("calibrate wedge.tif --steps 21 --increment 0", "--increment"),
    ("calibrate wedge.tif --steps twenty", "'twenty' is not a whole number"),
    ("measure neg.tif --aperture 1mm", "'1mm' is not a number"),
    ("calibrate wedge.tif --steps 21 --region 5", "--region"),
    ("calibrate wedge.tif --steps 21 --out nowhere/cal.json", "no folder nowhere"),
    ("calibrate wedge.tif --steps 21 --name ../up", "../up"),
    ("calibrate wedge.tif --steps 21 --channel infrared", "infrared"),
    ("enlarge neg.tif", "enlarge"),
    ("measure", "please give SCAN_OR_FOLDER. See densiscan measure --help. For example: densiscan measure mill.tif"),
    ("expose", "please give --metered. See densiscan expose --help. For example: densiscan expose --metered 1/4"),
    ("measure --proces contact neg.tif", "No such option: --proces. Did you mean '--process'? See"),
    ("report --out page.html", "No such option: --out. See densiscan report --help."),
    ("check wedge.tif", 'there is no place for "wedge.tif". See densiscan check --help. For example: densiscan check'),
    ("run", "please say what to do: "),
    ("calibrate wedge.tif wedge.csv", "write --densities wedge.csv"),
    ("desk neg.tif", "neg.tif is a file; name the folder"),
]


@pytest.mark.usefixtures("files")
@pytest.mark.parametrize(("line", "said"), WRONG, ids=[line for line, _ in WRONG])
def test_wrong_command_line_is_one_sentence_and_status_2(
    line: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(line.split()) == 2
    sentence = error_of(capsys)
    assert said in sentence
    assert "Traceback" not in sentence


@pytest.mark.usefixtures("files")
@pytest.mark.parametrize(
    ("line", "lost", "said"),
    [
        ("measure neg.tif --calibration cal.json --csv neg.tif", "neg.tif", "is read by the same command"),
        ("measure neg.tif --calibration cal.json --csv=neg.tif", "neg.tif", "is read by the same command"),
        ("measure neg.tif --calibration cal.json --csv ./folder/../neg.tif", "neg.tif", "is read by the same command"),
        ("measure neg.tif --calibration cal.json --csv wedge.csv", "wedge.csv", "holds something else"),
        ("measure neg.tif --calibration cal.json --csv wedge.tif", "wedge.tif", "holds something else"),
        ("measure neg.tif --calibration cal.json --marked wedge.tif", "wedge.tif", "end it in .png"),
        ("measure scan.png --calibration cal.json --marked scan.png", "scan.png", "is read by the same command"),
        ("calibrate wedge.tif --densities wedge.csv --out wedge.csv", "wedge.csv", "is read by the same command"),
        ("calibrate wedge.tif --densities wedge.csv --out neg.tif", "neg.tif", "holds something else"),
        ("calibrate scan.png --densities wedge.csv --plot scan.png", "scan.png", "is read by the same command"),
        ("notebook export neg.tif", "neg.tif", "holds something else"),
        ("check --wedge wedge.tif --densities wedge.csv --out wedge.csv", "wedge.csv", "is read by the same command"),
    ],
)
def test_no_output_takes_the_place_of_something_else(
    line: str, lost: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("scan.png").write_bytes(b"all that there is")
    before = Path(lost).read_bytes()
    assert run(line.split()) == 2
    assert said in error_of(capsys)
    assert Path(lost).read_bytes() == before


FOREIGN = {
    "photo.png": b"\x89PNG\r\n\x1a\n a photograph",
    "drawing.svg": b"<svg>somebody's</svg>",
    "site.html": b"<html><title>A site</title>",
    "notes.json": b'{"format": "densiscan.notebook/1", "runs": []}',
    "plain.json": b'{"anything": 1}',
}


@pytest.mark.usefixtures("files")
@pytest.mark.parametrize(
    ("line", "lost"),
    [
        ("measure neg.tif --calibration cal.json --marked photo.png", "photo.png"),
        ("measure neg.tif --calibration cal.json --report site.html", "site.html"),
        ("report site.html", "site.html"),
        ("calibrate wedge.tif --densities wedge.csv --out notes.json", "notes.json"),
        ("calibrate wedge.tif --densities wedge.csv --out plain.json", "plain.json"),
        ("calibrate wedge.tif --densities wedge.csv --plot photo.png", "photo.png"),
        ("calibrate wedge.tif --densities wedge.csv --plot drawing.svg", "drawing.svg"),
        ("check --wedge wedge.tif --densities wedge.csv --out cal.json", "cal.json"),
        ("notebook export cal.json", "cal.json"),
    ],
)
def test_a_file_of_another_kind_is_replaced_only_where_that_is_said(
    line: str, lost: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, content in FOREIGN.items():
        Path(name).write_bytes(content)
    before = Path(lost).read_bytes()
    assert run(line.split()) == 2
    assert f"{lost} is there already and holds something else; name another file, or add --overwrite" in error_of(
        capsys
    )
    assert Path(lost).read_bytes() == before
    # Said to be meant, it is no longer what stands in the way; the scans here are none, so that nothing is written.
    run([*line.split(), "--overwrite"])
    assert "holds something else" not in capsys.readouterr().err


@pytest.mark.usefixtures("files", "measured")
@pytest.mark.parametrize("second", ["same.png", "./same.png", "folder/../same.png"])
def test_two_outputs_of_one_name_are_refused(second: str, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["measure", "neg.tif", "--calibration", "cal.json", "--csv", "same.png", "--marked", second]
    assert run(line) == 2
    assert "both name" in error_of(capsys)
    assert not Path("same.png").exists()


@pytest.mark.usefixtures("files", "measured")
def test_an_older_table_of_readings_is_replaced_without_a_word(capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        assert run(["measure", "neg.tif", "--calibration", "cal.json", "--csv", "out.csv"]) == 0
    assert "Written to out.csv" in capsys.readouterr().err
    assert Path("out.csv").read_text().startswith("file,path,")


@pytest.mark.usefixtures("files")
@pytest.mark.parametrize(("rows", "columns", "ppi"), [(1, 1, 300), (2, 700, 150), (300, 1, 20), (120, 300, 9600)])
@pytest.mark.parametrize(
    "line",
    [
        "measure x.tif --calibration cal.json",
        "measure x.tif --calibration cal.json --fog-sheet",
        "measure x.tif --wedge wedge.csv",
        "calibrate x.tif --densities wedge.csv",
        "check --wedge x.tif --densities wedge.csv",
        "check --slot x.tif",
        "check --empty-bed x.tif",
        "film x.tif --wedge wedge.csv --calibration cal.json",
        "film x.tif --frames --exposures e.csv --calibration cal.json",
        "paper x.tif --wedge wedge.csv",
        "finished x.tif --calibration paper.json",
    ],
)
def test_a_thumbnail_or_a_sliver_is_said_to_be_too_small(
    line: str, rows: int, columns: int, ppi: int, capsys: pytest.CaptureFixture[str]
) -> None:
    pixels = np.random.default_rng(2).integers(0, 65536, (rows, columns), dtype=np.uint16)
    tifffile.imwrite("x.tif", pixels, resolution=(ppi, ppi), resolutionunit="INCH", photometric="minisblack")
    Path("e.csv").write_text("step,log_exposure\n1,-2\n2,-1.7\n3,-1.4\n", encoding="utf-8")
    write_calibration(replace(calibration(), mode="reflection"), Path("paper.json"))
    assert run(line.split()) == 1
    told = "".join(capsys.readouterr())
    assert "x.tif" in told
    assert "fault" not in told
    if "--empty-bed" not in line:
        assert "too small to read anything on" in " ".join(told.split())


@pytest.mark.usefixtures("files")
def test_an_older_output_of_its_kind_is_replaced(measured: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    for older in (b"", b"file,path,piece\nold.tif,old.tif,\n"):
        Path("out.csv").write_bytes(older)
        assert run(["measure", "neg.tif", "--calibration", "cal.json", "--csv", "out.csv"]) == 0
        table = Path("out.csv").read_text(encoding="utf-8")
        assert table.startswith("file,path,piece,ppi,")
        assert "old.tif" not in table
    assert measured["paths"] == ["neg.tif"]
    capsys.readouterr()


@pytest.mark.usefixtures("files")
def test_measure_asks_for_what_was_typed(measured: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    line = (
        "measure neg.tif --calibration cal.json --aperture 2 --square --trim 2 --frame 1,2,30,40 "
        "--rebate 0,0,5,5 --spot 4,5 --spot 6.5,7 --base 0.06 --process condenser --paper-range 95 "
        "--scene-stops 7 --ppi 600 --page 2"
    )
    assert run(line.split()) == 0
    task = measured["task"]
    assert task.options == MeasureOptions(
        aperture_mm=2.0,
        square=True,
        trim=0.02,
        frame_mm=(1.0, 2.0, 30.0, 40.0),
        rebate_mm=(0.0, 0.0, 5.0, 5.0),
        spots_mm=((4.0, 5.0), (6.5, 7.0)),
        base_density=0.06,
    )
    aim = task.aim
    assert (aim.process, aim.paper_range, aim.scene_stops, task.ppi, task.page) == ("condenser", 95.0, 7.0, 600.0, 2)
    assert (measured["paths"], measured["calibration"]) == (["neg.tif"], "mine")
    assert "grade 2" in capsys.readouterr().out


@pytest.mark.usefixtures("files")
def test_a_place_that_is_read_and_put_on_a_zone_is_one_place(measured: dict[str, Any]) -> None:
    line = "measure neg.tif --calibration cal.json --spot 4,5 --on-zone 4,5,3 --on-zone 8,9,7"
    assert run(line.split()) == 0
    assert measured["task"].options.spots_mm == ((4.0, 5.0), (8.0, 9.0))


@pytest.mark.usefixtures("files")
def test_base_plus_fog_may_be_stated(measured: dict[str, Any]) -> None:
    assert run(words("measure neg.tif --calibration cal.json --base-fog 0.2")) == 0
    assert measured["task"].options == MeasureOptions(base_fog=0.2)


@pytest.mark.usefixtures("files")
def test_measure_prints_one_document(measured: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    measured["failures"] = (Failure(path=Path("broken.tif"), code="unreadable-scan", message="broken.tif is damaged."),)
    assert run(["measure", "neg.tif", "--calibration", "cal.json", "--json"]) == 1
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert found["format"] == "densiscan.readings/1"
    assert [failed["file"] for failed in found["failed"]] == ["broken.tif"]
    assert err == "densiscan: broken.tif is damaged.\n"
    assert out.isascii()


@pytest.mark.usefixtures("files", "measured")
def test_measure_writes_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(words("measure neg.tif --calibration cal.json --csv readings.csv --json")) == 0
    assert (tmp_path / "readings.csv").read_text(encoding="utf-8").startswith("file,path,piece,ppi,")
    out, err = capsys.readouterr()
    assert json.loads(out)
    assert "readings.csv" in err
    assert not list(tmp_path.glob(".readings*")), "something was left beside the table"


@pytest.mark.usefixtures("files", "measured")
def test_measure_takes_the_last_calibration_made_and_says_so(
    notebook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawer = notebook.parent / "calibrations"
    drawer.mkdir(parents=True)
    for year, name in ((2024, "old"), (2025, "new")):
        dated = replace(calibration(name=name), created=f"{year}-03-01T12:00:00+00:00")
        write_calibration(dated, drawer / f"{name}.json")
    assert run(["measure", "neg.tif"]) == 0
    out, err = capsys.readouterr()
    assert "calibration new" in out
    assert "Calibration: new (2025-03-01)." in err
    assert run(["measure", "neg.tif", "--calibration", "old"]) == 0
    assert "calibration old" in capsys.readouterr().out
    assert run(["measure", "neg.tif", "--calibration", "other"]) == 2
    assert "new, old" in error_of(capsys)


@pytest.mark.usefixtures("files")
def test_calibrate_asks_for_what_was_typed(calibrated: dict[str, Any], tmp_path: Path) -> None:
    line = (
        "calibrate wedge.tif --densities wedge.csv --out made.json --channel red --region 1,2,30,40 --ppi 600 --page 3 "
        "--inverted --reflection"
    )
    assert run(line.split()) == 0
    assert calibrated["path"] == "wedge.tif"
    assert [calibrated[name] for name in ("ppi", "channel", "page", "inverted")] == [600.0, "red", 3, True]
    assert calibrated["region_mm"] == (1.0, 2.0, 30.0, 40.0)
    assert len(calibrated["wedge"].steps) == 7
    label = calibrated["label"]
    assert (label.name, label.mode, label.created[10]) == ("made", "reflection", "T")
    assert json.loads((tmp_path / "made.json").read_text(encoding="utf-8"))["name"] == "made"


@pytest.mark.usefixtures("files")
@pytest.mark.parametrize(("option", "inverted"), [("--inverted", True), ("--not-inverted", False), (None, None)])
def test_polarity_is_only_stated_when_typed(calibrated: dict[str, Any], option: str | None, inverted: bool) -> None:
    assert run(["calibrate", "wedge.tif", "--steps", "7", *([option] if option else [])]) == 0
    assert calibrated["inverted"] is inverted


@pytest.mark.usefixtures("files", "calibrated")
@pytest.mark.parametrize(("options", "name"), [("", "wedge"), ("--name flat-600", "flat-600")])
def test_calibrate_keeps_by_name_and_says_where(
    options: str, name: str, notebook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(words(f"calibrate wedge.tif --steps 7 {options}")) == 0
    kept = notebook.parent / "calibrations" / f"{name}.json"
    out, err = capsys.readouterr()
    assert kept.is_file()
    assert f"Written to {kept}." in err
    assert f"Calibration {name}" in out


@pytest.mark.usefixtures("files", "calibrated")
def test_option_names_the_notebook_before_the_environment(tmp_path: Path, notebook: Path) -> None:
    assert run(words("calibrate wedge.tif --steps 7 --notebook mine/book.sqlite")) == 0
    assert (tmp_path / "mine" / "calibrations" / "wedge.json").is_file()
    assert not notebook.parent.exists()


@pytest.mark.usefixtures("files", "calibrated")
def test_calibrate_prints_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(words("calibrate wedge.tif --steps 7 --out made.json --json")) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["format"] == "densiscan.calibration/1"
    assert err == "Written to made.json.\n"


@pytest.mark.usefixtures("files")
def test_refused_calibration_is_one_sentence_and_leaves_nothing(
    calibrated: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calibrated["refuse"] = PolarityError("wedge.tif: say --inverted or --not-inverted.")
    assert run(words("calibrate wedge.tif --steps 7 --out made.json --json")) == 1
    assert error_of(capsys) == "densiscan: wedge.tif: say --inverted or --not-inverted.\n"
    assert not (tmp_path / "made.json").exists()


@pytest.mark.usefixtures("files")
@pytest.mark.parametrize("debug", [False, True])
def test_fault_of_our_own_is_one_sentence_unless_asked(
    debug: bool, calibrated: dict[str, Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    if debug:
        monkeypatch.setenv("DENSISCAN_DEBUG", "1")
    calibrated["refuse"] = ZeroDivisionError("division\nby zero")
    assert run(words("calibrate wedge.tif --steps 7")) == 1
    err = capsys.readouterr().err
    assert ("Traceback" in err) == debug
    assert "this is a fault in densiscan (ZeroDivisionError: division by zero); please report it" in err
    assert debug or len(err.strip().splitlines()) == 1


@pytest.mark.usefixtures("files")
def test_scan_that_is_none_is_reported_and_the_rest_goes_on(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(words("measure text.txt folder --calibration cal.json --json")) == 1
    out, err = capsys.readouterr()
    failed = json.loads(out)["failed"]
    assert {one["file"]: one["code"] for one in failed} == {"text.txt": "unreadable-scan", "folder": "no-scans"}
    assert len(err.strip().splitlines()) == 2


def test_damaged_calibration_is_one_sentence(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (files / "cal.json").write_text("{")
    assert run(words("measure neg.tif --calibration cal.json")) == 1
    assert "cal.json" in error_of(capsys)


def test_nothing_typed_shows_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    for command in ("calibrate", "measure", "demo"):
        assert command in err


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"densiscan {__version__}\n"


@pytest.mark.parametrize("command", ["", "calibrate", "measure", "demo"])
def test_help_is_quick_and_fits_80_columns(command: str) -> None:
    code = (
        "import sys; from densiscan.cli.app import run; status = run(sys.argv[1:]); "
        "heavy = {'numpy', 'rich', 'tifffile', 'imagecodecs', 'PIL'} & set(sys.modules); "
        "sys.exit(status or (f'imported {heavy}' if heavy else 0))"
    )
    shown = subprocess.run(
        [sys.executable, "-c", code, *command.split(), "--help"],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "80"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "Usage: densiscan" in shown.stdout
    for line in shown.stdout.splitlines():
        assert len(line) <= 80, line


def test_module_runs_as_the_command_does() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "densiscan", "--version"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert shown.stdout == f"densiscan {__version__}\n"


def test_plain_terminal_gets_plain_signs() -> None:
    shown = subprocess.run(
        [sys.executable, "-c", "from densiscan.cli.options import show; show('0.41 ± 0.03')"],
        cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=True,
    )
    assert shown.stdout.split() == [b"0.41", b"+-", b"0.03"]


def test_reader_of_the_pipe_may_go_away() -> None:
    read, write = os.pipe()
    os.close(read)
    shown = subprocess.run(
        [sys.executable, "-m", "densiscan", "--help"], cwd=ROOT, stdout=write, stderr=subprocess.PIPE, check=False
    )
    os.close(write)
    assert (shown.returncode, shown.stderr) == (1, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_full_disk_is_one_sentence() -> None:
    with Path("/dev/full").open("wb") as full:
        shown = subprocess.run(
            [sys.executable, "-m", "densiscan", "--help"], cwd=ROOT, stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert shown.returncode == 1
    assert shown.stderr == b"densiscan: the system refused: no space left on device.\n"


@pytest.mark.parametrize("name", ["measure", "print", "run"])
def test_a_command_built_alone_is_the_same_as_among_all(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([name, "--help"]) == 0
    alone = capsys.readouterr().out
    typer.main.get_command(command_line()).main(args=[name, "--help"], prog_name="densiscan", standalone_mode=False)
    assert alone == capsys.readouterr().out
    assert alone.startswith(f"Usage: densiscan {name} ")


def test_an_older_document_of_the_same_kind_is_replaced_without_a_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each kind by the command itself: what it wrote the first time it knows again the second time."""
    monkeypatch.chdir(tmp_path)
    wedge = f"{SAMPLES / 'wedge.tif'} --densities {SAMPLES / 'wedge.csv'}"
    for line in (
        f"calibrate {wedge} --out cal.json --plot curve.png",
        f"check --wedge {wedge} --out check.json",
        "notebook export out.json",
        f"measure {SAMPLES / 'thin.tif'} --calibration cal.json --csv out.csv --marked marked.png --report page.html",
        f"map {SAMPLES / 'thin.tif'} --calibration cal.json --out map.tif",
    ):
        for _ in range(2):
            assert run(line.split()) == 0, capsys.readouterr().err
    assert "holds something else" not in capsys.readouterr().err
