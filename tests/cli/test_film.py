"""The command `film`, by the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from densiscan.cli.app import run

LINE = [(-3.0 + 0.15 * n, 0.2 + 0.6 * max(-3.0 + 0.15 * n + 2.2, 0.0)) for n in range(21)]


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    write_curve(tmp_path / "curve.csv")


def write_curve(path: Path, uncertainty: float | None = 0.01) -> None:
    lines = ["log_exposure,density" + (",uncertainty" if uncertainty else "")]
    lines += [f"{x:.12f},{d:.12f}" + (f",{uncertainty}" if uncertainty else "") for x, d in LINE]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def filmed(line: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    capsys.readouterr()
    assert run(["film", *line.split(), "--json"]) == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert document["format"] == "densiscan.film/1"
    return document


def test_the_document_of_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    document = filmed("--points curve.csv", capsys)
    assert len(document["points"]) == 21
    assert document["points"][0]["density"]["uncertainty"] == pytest.approx(0.01)
    for name in ("gamma", "average_gradient", "contrast_index", "contrast_index_short"):
        np.testing.assert_allclose(document[name]["value"], 0.6, rtol=0, atol=1e-9)
        assert 0.0 < document[name]["uncertainty"] < 0.03
    np.testing.assert_allclose(document["base_plus_fog"]["value"], 0.2, rtol=0, atol=1e-9)
    np.testing.assert_allclose(document["speed_log_exposure"]["value"], -2.2 + 0.1 / 0.6, rtol=0, atol=1e-9)
    assert document["iso_speed"] is None
    assert document["exposure_index"] is None
    assert document["warnings"] == []


def test_absolute_exposures(capsys: pytest.CaptureFixture[str]) -> None:
    speed = filmed("--points curve.csv --absolute", capsys)["iso_speed"]
    # 0.8 / 10^(-2.2 + 0.1667) = 86.4; -10 log10 Hm = 20.3, so 20 degrees, 80.
    assert (speed["arithmetic"], speed["degrees"]) == (80, 20)
    np.testing.assert_allclose(speed["exact"], 0.8 / 10 ** (-2.2 + 0.1 / 0.6), rtol=1e-8)


def test_as_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["film", "--points", "curve.csv", "--absolute", "--paper-range", "85", "--process", "condenser"]) == 0
    text = capsys.readouterr().out
    assert max(len(line) for line in text.splitlines()) <= 80
    for words in (
        "gamma           0.60 ± 0.01",
        "speed           ISO 80/20°",
        "contrast index  0.60",
    ):
        assert words in text
    assert "fills a paper of range 0.68" in " ".join(text.split())


def test_a_figure(capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("curve.png", "curve.svg"):
        assert run(f"film --points curve.csv --plot {name}".split()) == 0
        assert Path(name).stat().st_size > 5_000
    assert "Written to curve.svg" in capsys.readouterr().err
    assert "speed point" in Path("curve.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "empty"),
        ("log_exposure\n1\n", "no column density"),
        ("log_exposure,density\n", "holds 0 exposures"),
        ("log_exposure,density\n-1,0.2\n-0.5,dense\n", 'line 3: "dense" is no density'),
        ("log_exposure,density\n-1,0.2\n-0.5,nan\n", 'line 3: "nan" is no density'),
        ("log_exposure,density,uncertainty\n-1,0.2,-1\n", '"-1" is no uncertainty'),
        (
            "log_exposure,density\n-1,0.2\n-0.5,0.4\n0,0.6\n0.5,0.8\n",
            "has too few different exposures (4); a curve needs 5",
        ),
        ("log_exposure,density\n-1,1.2\n-0.5,0.9\n0,0.6\n0.5,0.3\n1,0.2\n", "counted the wrong way round"),
        ("log_exposure,density\n-1,.2\n-0.5,.2\n0,.2\n0.5,.21\n1,.22\n", "never reaches the speed point"),
    ],
)
def test_bad_tables(text: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bad.csv").write_text(text, encoding="utf-8")
    assert run(["film", "--points", "bad.csv"]) == 1
    captured = capsys.readouterr()
    assert told in captured.err
    assert "bad.csv" in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""


def test_a_table_that_is_no_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bad.csv").write_bytes(b"\xff\x00\x80\x01" * 9)
    assert run(["film", "--points", "bad.csv"]) == 1
    assert "not a text file" in capsys.readouterr().err


@pytest.mark.parametrize(
    "line",
    [
        "",
        "--points nothere.csv",
        "--points curve.csv --base-plus-fog 9",
        "--points curve.csv --reference 5",
        "--points curve.csv --reference -1,-5",
        "--points curve.csv --reference -1,100 --absolute",
        "--points curve.csv --paper-range 5",
        "--points curve.csv --plot curve.doc",
    ],
)
def test_wrong_command_lines(line: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["film", *line.split()]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_decimal_commas_and_comments(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [f"{x:.2f};{d:.3f}".replace(".", ",") for x, d in LINE]
    (tmp_path / "comma.csv").write_text("# read by eye\nlog_exposure;density\n" + "\n".join(lines), encoding="utf-8")
    document = filmed("--points comma.csv", capsys)
    np.testing.assert_allclose(document["gamma"]["value"], 0.6, rtol=0, atol=0.005)
    assert document["points"][0]["density"]["uncertainty"] is None
