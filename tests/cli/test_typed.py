"""Command lines as people type them: numbers with spaces between them, a scan alone, `help`."""

from __future__ import annotations

from pathlib import Path

import pytest

from densiscan.cli.app import run
from densiscan.cli.typed import as_meant

COMMANDS = ("measure", "film", "print")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("measure a.tif --spot 30 40", ["measure", "a.tif", "--spot", "30,40"]),
        ("measure --spot 30 40 a.tif", ["measure", "--spot", "30,40", "a.tif"]),
        ("measure a.tif --spot 30, 40.5 --spot 1 2", ["measure", "a.tif", "--spot", "30,40.5", "--spot", "1,2"]),
        ("measure a.tif --spot 30 , 40", ["measure", "a.tif", "--spot", "30,40"]),
        ("measure a.tif --spot=30 40", ["measure", "a.tif", "--spot=30,40"]),
        ("measure a.tif --frame 15, 12, 65, 45", ["measure", "a.tif", "--frame", "15,12,65,45"]),
        ("measure a.tif --frame 15,12 65,45", ["measure", "a.tif", "--frame", "15,12,65,45"]),
        ("film a.tif --row 1 2 3 4 --spot -1 .5", ["film", "a.tif", "--row", "1,2,3,4", "--spot", "-1,.5"]),
        ("film a.tif --reference -2.2 100", ["film", "a.tif", "--reference", "-2.2,100"]),
        # What makes no place stays as it is, and is complained of as it was typed.
        ("measure a.tif --spot 30 b.tif", ["measure", "a.tif", "--spot", "30", "b.tif"]),
        ("measure a.tif --frame 15 12 65", ["measure", "a.tif", "--frame", "15", "12", "65"]),
        ("measure a.tif --spot", ["measure", "a.tif", "--spot"]),
        ("print --shadow 0.3 --highlight 1.3", ["print", "--shadow", "0.3", "--highlight", "1.3"]),
        ("help", ["--help"]),
        ("help measure", ["measure", "--help"]),
        ("negative.tif --json", ["measure", "negative.tif", "--json"]),
        ("develop", ["develop"]),
        ("--version", ["--version"]),
        ("", []),
    ],
)
def test_words_are_taken_as_they_are_meant(typed: str, meant: list[str]) -> None:
    assert as_meant(typed.split(), COMMANDS) == meant


def test_what_lies_there_is_measured_whatever_its_name(tmp_path: Path) -> None:
    assert as_meant([str(tmp_path)], COMMANDS) == ["measure", str(tmp_path)]


def test_a_scan_alone_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["negative.tif"]) == 2
    assert "negative.tif does not exist" in capsys.readouterr().err


def test_help_of_a_command_is_asked_for_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["help", "pinhole"]) == 0
    assert "Usage: densiscan pinhole" in capsys.readouterr().out
