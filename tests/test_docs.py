"""What is written is so: pages fresh, options there, links whole, no address of anything outside."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

import densiscan
from densiscan.cli.app import command_line
from tests.support.pages import ROOT, commands_in, text_of

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
        "--certificate",
        "--check",
        "--quick",
        "--growth",
        "--films",
        "--write",
        "--no-deps",
        "--version",
        "--help",
        "--host",
    }
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", text_of(page))) <= known | tools
    for command in commands_in(page):
        words = command.split()
        assert {words[0], " ".join(words[:2])} & COMMANDS, command


def anchors_of(page: Path) -> set[str]:
    """Headings as a link names them: small letters, signs left out, hyphens for spaces."""
    headings = re.findall(r"^#+ (.+)$", text_of(page), flags=re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).strip().replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere_here(page: Path) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", text_of(page)):
        name, _, anchor = link.partition("#")
        target = page.parent / name if name else page
        assert target.exists(), link
        assert not anchor or anchor in anchors_of(target), link


def test_anchors_are_those_of_the_headings(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("# How to scan\n\n## 7. Is the scanner to be trusted?\n", encoding="utf-8")
    assert anchors_of(page) == {"how-to-scan", "7-is-the-scanner-to-be-trusted"}


def test_pictures_are_few_and_small() -> None:
    """A picture that no page shows is litter, and a large one is paid for by everybody who downloads the pages."""
    pictures = sorted((ROOT / "docs").glob("*.png"))
    shown = {name for page in PAGES for name in re.findall(r"\]\(([^)]+\.png)\)", text_of(page))}
    assert {picture.name for picture in pictures} == shown
    assert sum(picture.stat().st_size for picture in pictures) < 1_000_000


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
    for folder in (ROOT / "densiscan").rglob("__init__.py"):
        assert f"{folder.parent.name}/" in page, folder.parent.name


def test_one_version() -> None:
    stated = tomllib.loads(text_of(ROOT / "pyproject.toml"))["project"]["version"]
    newest = re.search(r"^## (\d\S*)$", text_of(ROOT / "docs" / "changes.md"), flags=re.MULTILINE)
    assert newest is not None
    assert densiscan.__version__ == stated == newest[1]
