"""What is written is so: pages fresh, commands run, options there, no address of anything outside."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import densiscan
from densiscan.calibration_file import write_calibration
from densiscan.cli import command_line, run
from densiscan.sample import FilmCurve, Picture, Place, Scanner, sheet
from densiscan.wedge import read_wedge
from tests.bed_pieces import BlackMask, layout, scanned
from tests.made_up import calibration

ROOT = Path(__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def names_in(typed: Any) -> set[str]:
    return {command.name or str(getattr(command.callback, "__name__", "")) for command in typed.registered_commands}


APP = command_line()
COMMANDS = names_in(APP).union(
    *(
        {f"{group.typer_instance.info.name} {name}" for name in names_in(group.typer_instance)}
        for group in APP.registered_groups
        if group.typer_instance is not None
    )
)

PROMISED = """
--densities --out --name --channel --region --ppi --json --steps --increment --first --inverted/--not-inverted
--calibration --aperture --frame --rebate --spot --base --base-fog --process --paper-range --scene-stops --csv
--trim --notebook --film --developer --time --temp --dilution --batch --use --density-range --base-plus-fog --like
"""


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def commands_in(page: Path) -> list[str]:
    """Commands as a person would copy them: indented lines that begin with the program's name."""
    return re.findall(r"^ {4,}densiscan (.+)$", text_of(page), flags=re.MULTILINE)


def test_the_page_of_commands_is_fresh() -> None:
    checked = subprocess.run(
        [sys.executable, "docs/write_commands.py", "--check"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (checked.returncode, checked.stderr) == (0, "")


def test_every_command_has_its_section() -> None:
    sections = set(re.findall(r"^## (.+)$", text_of(ROOT / "docs" / "commands.md"), flags=re.MULTILINE))
    assert sections == COMMANDS
    assert {"calibrate", "measure", "demo"} <= COMMANDS


def test_the_options_of_the_contract_are_there() -> None:
    page = text_of(ROOT / "docs" / "commands.md")
    for option in PROMISED.split():
        assert f"- `{option}" in page, option


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_pages_name_only_options_and_commands_there_are(page: Path) -> None:
    known = set(re.findall(r"--[a-z][a-z-]*", text_of(ROOT / "docs" / "commands.md")))
    tools = {
        "--scans",
        "--first",
        "--kept",
        "--check",
        "--quick",
        "--growth",
        "--write",
        "--no-deps",
        "--version",
        "--help",
    }
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", text_of(page))) <= known | tools
    for command in commands_in(page):
        words = command.split()
        assert {words[0], " ".join(words[:2])} & COMMANDS, command


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere_here(page: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", text_of(page)):
        assert (page.parent / target).exists(), target


def test_no_address_of_a_server_is_written_anywhere() -> None:
    scheme = re.compile("ht" + "tps?:/" + "/")
    files = [file for folder in ("densiscan", "docs", "tests", ".ci") for file in (ROOT / folder).rglob("*")]
    for file in [*files, *PAGES, ROOT / "pyproject.toml"]:
        if file.is_file() and file.suffix in {".py", ".md", ".toml", ".csv", ""}:
            assert not scheme.search(text_of(file)), file.name


def test_setup_commands_stand_whole_in_the_readme() -> None:
    setup = [
        line.strip() for line in text_of(ROOT / "README.md").splitlines() if line.startswith("    python3 -m venv")
    ]
    assert [line.rsplit("&& ", 1)[1] for line in setup] == [".venv/bin/densiscan demo", ".venv/bin/python -m pytest -q"]
    assert "'.[test]'" in setup[1]


def test_every_stage_is_in_the_house() -> None:
    page = text_of(ROOT / "DEVELOPERS.md")
    for file in (ROOT / "densiscan").glob("[a-z]*.py"):
        # Siblings such as scan_png stand with their stage.
        assert f"`{file.stem}`" in page or f"`{file.stem.split('_')[0]}`" in page, file.stem


def test_one_version() -> None:
    stated = tomllib.loads(text_of(ROOT / "pyproject.toml"))["project"]["version"]
    newest = re.search(r"^## (\S+)$", text_of(ROOT / "docs" / "changes.md"), flags=re.MULTILINE)
    assert newest is not None
    assert densiscan.__version__ == stated == newest[1]


def test_using_works_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = ROOT / "sample_scans"
    for name in ("wedge.tif", "wedge.csv"):
        shutil.copy(samples / name, tmp_path)
    shutil.copy(samples / "normal.tif", tmp_path / "negative.tif")
    (tmp_path / "negatives").mkdir()
    shutil.copy(samples / "thin.tif", tmp_path / "negatives")
    scanned(tmp_path, "bed", [], Scanner(ppi=100, gain=0.9))
    scanned(tmp_path, "slot", [BlackMask(openings=[(60.0, 30.0, 10.0, 30.0)])], Scanner(ppi=100, gain=0.9))
    steps = tuple(step.density for step in read_wedge(samples / "wedge.csv").steps)
    film = sheet(
        size_mm=(60.0, 50.0),
        place=Place(x_mm=70.0, y_mm=70.0),
        picture=Picture(scene="mill", seed=2),
        curve=FilmCurve(),
    )
    scanned(tmp_path, "both", [layout(y_mm=14.0, densities=steps), film], Scanner(ppi=150, gain=0.9))
    colour = Scanner(ppi=150, gain=0.9, balance=(1.0, 0.95, 0.9))
    scanned(tmp_path, "colour-wedge", [layout(y_mm=14.0, densities=steps)], colour, size_mm=(140.0, 30.0))
    scanned(tmp_path, "colour", [replace(film, stain=(0.0, 0.0, 0.2))], colour)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)
    lines = commands_in(ROOT / "docs" / "using.md")
    assert len(lines) >= 8
    for line in lines:
        assert run(line.split()) == 0, f"{line}: {capsys.readouterr().err}"
    assert (tmp_path / "readings.csv").is_file()


def test_folders_works_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "negatives").mkdir()
    shutil.copy(ROOT / "sample_scans" / "thin.tif", tmp_path / "negatives" / "neg-1.tif")
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "calibrations").mkdir()
    write_calibration(calibration(name="mine"), tmp_path / "calibrations" / "mine.json")
    (tmp_path / "incoming").mkdir()
    assert run(shlex.split("run add --film Foxglove --developer Brine --time 8:00 --temp 20")) == 0
    # No scan ever comes here, so a watch is ended as by Ctrl-C before it waits for one.
    monkeypatch.setattr("densiscan.cli_watch._watch", _ended_at_once)
    lines = commands_in(ROOT / "docs" / "folders.md")
    assert len(lines) >= 8
    for line in lines:
        assert run(shlex.split(line)) == 0, f"{line}: {capsys.readouterr().err}"
    assert (tmp_path / "readings.csv").is_file()


def _ended_at_once(*_: object, **__: object) -> None:
    raise KeyboardInterrupt
