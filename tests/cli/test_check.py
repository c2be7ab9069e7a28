"""The check of a scanner by the command line, on rendered scans, and the empty bed and age where measuring."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from densiscan.calibration.file import read_calibration, write_calibration
from densiscan.cli.app import run
from tests.renderer import Scanner, write_wedge_file
from tests.support.bed_pieces import DENSITIES, BlackMask, layout, scanned

SCANNER = Scanner(ppi=120, gain=0.9, glare=0.005, lamp=0.03, lamp_seed=5)


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("scans")
    scanned(folder, "wedge", [layout()], SCANNER, seed=2)
    scanned(folder, "bed", [], SCANNER, seed=3)
    scanned(folder, "slot", [BlackMask(openings=[(60.0, 30.0, 12.0, 40.0)])], SCANNER, seed=4)
    scanned(folder, "later", [layout()], replace(SCANNER, gain=0.9 * 10**-0.05), seed=5)
    scanned(folder, "small", [], SCANNER, size_mm=(100.0, 100.0))
    scanned(folder, "blown", [], replace(SCANNER, gain=1.2))
    write_wedge_file(folder / "wedge.csv", DENSITIES, 0.01)
    (folder / "text.tif").write_text("not an image")
    return folder


@pytest.fixture(autouse=True)
def here(scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(scans)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))


@pytest.fixture
def calibration_file(scans: Path, tmp_path: Path) -> Path:
    place = tmp_path / "cal.json"
    assert run(f"calibrate {scans}/wedge.tif --densities {scans}/wedge.csv --out {place}".split()) == 0
    return place


def checked(line: str, capsys: pytest.CaptureFixture[str], status: int = 0) -> dict[str, Any]:
    capsys.readouterr()
    assert run(["check", *line.split(), "--json"]) == status
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert document["format"] == "densiscan.check/1"
    return document


def codes(document: dict[str, Any]) -> set[str]:
    return {warning["code"] for warning in document["warnings"]}


def test_all_checks_together(calibration_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = "--wedge wedge.tif --densities wedge.csv --empty-bed bed.tif --slot slot.tif --calibration"
    found = checked(f"{line} {calibration_file}", capsys)
    assert found["wedge"]["tone"]["words"] == "linear"
    assert found["drift"]["drifted"] is False
    assert found["empty_bed"]["signal_taken_as_light"] is False
    assert found["slot"]["profile"][0]["from_mm"] == 1.0
    assert found["failed"] == []
    assert codes(found) == {"lamp-uneven"}


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ("--wedge wedge.tif --densities wedge.csv", "wedge"),
        ("--wedge wedge.tif --steps 13 --increment 0.2", "wedge"),
        ("--empty-bed bed.tif", "empty_bed"),
        ("--slot slot.tif", "slot"),
    ],
)
def test_each_check_alone(line: str, part: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = checked(line, capsys)
    assert [name for name in ("wedge", "drift", "empty_bed", "slot") if found[name] is not None] == [part]


def test_drift_is_said_kept_and_told_when_measuring(calibration_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = f"--wedge later.tif --densities wedge.csv --calibration {calibration_file}"
    found = checked(line, capsys)
    assert found["drift"]["drifted"] is True
    assert "calibration-drifted" in codes(found)
    assert read_calibration(calibration_file).findings is None
    checked(f"{line} --keep", capsys)
    kept = read_calibration(calibration_file).findings
    assert kept is not None
    assert kept.drifted
    assert "calibration-drifted" in measured(f"bed.tif --calibration {calibration_file}", capsys)
    checked(f"--wedge wedge.tif --densities wedge.csv --calibration {calibration_file} --keep", capsys)
    assert "calibration-drifted" not in measured(f"bed.tif --calibration {calibration_file}", capsys)


def measured(line: str, capsys: pytest.CaptureFixture[str]) -> set[str]:
    capsys.readouterr()
    assert run(["measure", *line.split(), "--json"]) == 0
    (reading, *_) = json.loads(capsys.readouterr().out)["readings"]
    return {warning["code"] for warning in reading["warnings"]}


def test_an_old_calibration_is_said_from_the_day_set(
    calibration_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = read_calibration(calibration_file)
    write_calibration(replace(made, created="2020-01-01T00:00:00+00:00"), calibration_file)
    line = f"bed.tif --calibration {calibration_file}"
    assert "calibration-old" in measured(line, capsys)
    assert "calibration-old" not in measured(f"{line} --oldest 99999", capsys)
    assert "calibration-old" in codes(checked(f"--empty-bed {line}", capsys))


def test_the_empty_bed_when_calibrating_and_measuring(
    calibration_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    even = tmp_path / "even.json"
    assert run(f"calibrate wedge.tif --densities wedge.csv --empty-bed bed.tif --out {even}".split()) == 0
    assert read_calibration(even).knows_lamp
    one_sided = {"empty-bed-missing", "lamp-not-in-calibration"}
    assert measured(f"wedge.tif --calibration {even} --empty-bed bed.tif", capsys) & one_sided == set()
    assert measured(f"wedge.tif --calibration {even}", capsys) & one_sided == {"empty-bed-missing"}
    line = f"wedge.tif --calibration {calibration_file} --empty-bed bed.tif"
    assert measured(line, capsys) & one_sided == {"lamp-not-in-calibration"}


def test_an_unfit_empty_bed_is_one_sentence(
    calibration_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for line, told in (
        (f"calibrate wedge.tif --densities wedge.csv --empty-bed small.tif --out {tmp_path}/c.json", "same area"),
        (
            f"calibrate wedge.tif --densities wedge.csv --empty-bed blown.tif --out {tmp_path}/c.json",
            "lower the exposure",
        ),
        (f"calibrate wedge.tif --densities wedge.csv --empty-bed wedge.tif --out {tmp_path}/c.json", "not empty"),
        (f"measure wedge.tif --calibration {calibration_file} --empty-bed small.tif", "same area"),
    ):
        capsys.readouterr()
        assert run(line.split()) == 1
        out, err = capsys.readouterr()
        assert out == ""
        assert len(err.strip().splitlines()) == 1
        assert told in err


def test_what_was_found_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "check.json"
    found = checked(f"--slot slot.tif --out {place}", capsys)
    assert json.loads(place.read_text(encoding="utf-8")) == found


def test_the_page_fits_80_columns_and_says_what_to_do(
    calibration_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    line = "--wedge later.tif --densities wedge.csv --empty-bed bed.tif --slot slot.tif --calibration"
    assert run(["check", *line.split(), str(calibration_file)]) == 0
    page = capsys.readouterr().out
    assert max(len(row) for row in page.splitlines()) < 80
    for words in ("warm up", "automatic exposure", "16 bits", "sharpening", "infra-red", "linear", "flat", "drifted"):
        assert words in page.replace("\n  ", " "), words


def test_a_blown_out_bed_is_told_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "--empty-bed", "blown.tif"]) == 0
    assert "the bed is at the end of the scale" in capsys.readouterr().out


def test_one_unreadable_scan_leaves_the_others(capsys: pytest.CaptureFixture[str]) -> None:
    found = checked("--slot text.tif --empty-bed bed.tif", capsys, status=1)
    assert found["empty_bed"] is not None
    assert [(one["part"], one["file"], one["code"]) for one in found["failed"]] == [
        ("slot", "text.tif", "unreadable-scan")
    ]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("", "give something to check"),
        ("--wedge wedge.tif", "--densities"),
        ("--wedge absent.tif --steps 13", "absent.tif does not exist"),
        ("--empty-bed absent.tif", "absent.tif does not exist"),
        ("--slot slot.tif --densities wedge.csv", "add --wedge SCAN"),
        ("--slot slot.tif --keep", "--keep"),
        ("--slot slot.tif --calibration absent", 'no calibration called "absent"'),
        ("--slot slot.tif --oldest 0", "--oldest"),
        ("--slot slot.tif --signal-to-noise -1", "--signal-to-noise"),
        ("--slot slot.tif --out nowhere/check.json", "no folder nowhere"),
        ("--wedge wedge.tif --steps 13 --region 1,2", "--region"),
        ("--ruler wedge.tif", "--ruler"),
    ],
)
def test_a_wrong_command_line_is_one_sentence(line: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", *line.split()]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert told in err


def test_the_help_of_check_needs_no_numpy() -> None:
    script = (
        "import sys; from densiscan.cli.app import run; status = run(['check', '--help']); "
        "sys.exit(1 if status or 'numpy' in sys.modules else 0)"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", script], cwd=root, capture_output=True, check=False)
    assert done.returncode == 0


def density_of(line: str, capsys: pytest.CaptureFixture[str]) -> tuple[float, float]:
    capsys.readouterr()
    assert run(["measure", *line.split(), "--spot", "94,30", "--json"]) == 0
    spot = json.loads(capsys.readouterr().out)["readings"][0]["spots"][0]["density"]
    return spot["value"], spot["uncertainty"]


def test_glare_widens_or_is_taken_out_where_measuring(
    calibration_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    masked = replace(layout(), mask_mm=100.0)
    film = scanned(tmp_path, "film", [masked], SCANNER, seed=6).path
    line = f"{film} --calibration {calibration_file} --frame 40,25,60,10"
    plain, usual = density_of(line, capsys)
    checked(f"--slot slot.tif --calibration {calibration_file} --out {tmp_path}/slot.json", capsys)
    doubted, found = density_of(f"{line} --glare {tmp_path}/slot.json", capsys)
    corrected, _ = density_of(f"{line} --glare {tmp_path}/slot.json --correct-glare", capsys)
    truth = DENSITIES[10]
    assert plain == doubted
    # What the check found takes the place of the usual figure; this scanner scatters about as much as is usual.
    assert 0.02 < found < 1.5 * usual
    assert found != usual
    # The calibration has weighed out most of the tenth that its wedge had of glare on open glass; the noise is 0.01.
    assert abs(plain - truth) < 0.05
    assert abs(corrected - truth) < 0.04
    checked(f"--slot slot.tif --calibration {calibration_file} --keep", capsys)
    assert density_of(line, capsys)[1] == pytest.approx(found, abs=1e-6)
    assert density_of(f"{line} --correct-glare", capsys)[0] == pytest.approx(corrected, abs=1e-6)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ("--correct-glare", "needs to know"),
        ("--glare wedge.csv", "holds no check of a slot"),
        ("--glare absent.json", "absent.json does not exist"),
        ("--glare .", "cannot be read"),
        ("--empty-bed absent.tif", "absent.tif does not exist"),
        ("--oldest 0", "--oldest"),
    ],
)
def test_wrong_glare_is_one_sentence(
    options: str, told: str, calibration_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert run(["measure", "wedge.tif", "--calibration", str(calibration_file), *options.split()]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert told in err


def test_check_and_calibrate_state_one_range(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The sample wedge's last step is not told from the one before it: neither command calls it usable."""
    samples = Path(__file__).resolve().parents[2] / "sample_scans"
    wedge = ["--densities", str(samples / "wedge.csv"), "--json"]
    assert run(["calibrate", str(samples / "wedge.tif"), *wedge, "--out", str(tmp_path / "cal.json")]) == 0
    calibrated = json.loads(capsys.readouterr().out)["density_range"]
    assert run(["check", "--wedge", str(samples / "wedge.tif"), *wedge]) == 0
    assert json.loads(capsys.readouterr().out)["wedge"]["usable_range"] == calibrated
    assert run(["check", "--wedge", str(samples / "wedge.tif"), *wedge[:-1]]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"usable range density {calibrated[0]:.2f} to {calibrated[1]:.2f}: beyond that it cannot separate" in text


def test_the_drift_at_each_step_stands_only_where_it_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = Path(__file__).resolve().parents[2] / "sample_scans"
    wedge = [str(samples / "wedge.tif"), "--densities", str(samples / "wedge.csv")]
    made = str(tmp_path / "cal.json")
    assert run(["calibrate", *wedge, "--out", made]) == 0
    said = []
    for more in ([], ["--explain"]):
        capsys.readouterr()
        assert run(["check", "--wedge", *wedge, "--calibration", made, *more]) == 0
        said.append(capsys.readouterr().out)
    assert ["error now" in text for text in said] == [False, True]
    # of 21 steps the last is not read; a heading and an empty line stand with them
    assert len(said[1].splitlines()) - len(said[0].splitlines()) == 20 + 2
    assert all("verdict         it holds" in text for text in said)
