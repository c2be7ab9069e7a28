"""The pages on printing are true: every command runs, and the evening's outputs are those that the page shows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from densiscan.cli import run
from tests.evening import PAGE, ROOT, render, shown_on
from tests.test_docs import commands_in

NUMBER = re.compile(r"\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("evening")
    render(folder)
    return folder


@pytest.fixture(autouse=True)
def standing(rendered: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(rendered)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(rendered / "notes" / "notebook.sqlite"))
    monkeypatch.delenv("DENSISCAN_DEBUG", raising=False)


def alike(shown: str, actual: str) -> bool:
    """Whether two lines have the same words, and numbers that differ by two units of the last digit at most.

    Rounding of the last digit may fall otherwise on another machine.
    """
    if " ".join(NUMBER.sub("#", shown).split()) != " ".join(NUMBER.sub("#", actual).split()):
        return False
    pairs = zip(NUMBER.findall(shown), NUMBER.findall(actual), strict=True)
    return all(abs(float(a) - float(b)) <= 2.001 * 10.0 ** -len(a.partition(".")[2]) for a, b in pairs)


def missing_from(shown: Sequence[str], actual: Sequence[str]) -> str | None:
    """Return the first line shown that does not follow in what came out; whatever stands for ... may come between."""
    place, free = 0, False
    for line in shown:
        if line.strip() == "...":
            free = True
            continue
        while free and place < len(actual) and not alike(line, actual[place]):
            place += 1
        if place == len(actual) or not alike(line, actual[place]):
            return line
        place, free = place + 1, False
    return None


def test_the_comparison_can_fail() -> None:
    assert alike("  range R  91 ± 3", "  range R  92 ± 3")
    assert not alike("  range R  91 ± 3", "  range R  95 ± 3")
    assert not alike("  range R  91 ± 3", "  range S  91 ± 3")
    assert missing_from(["a", "...", "c"], ["a", "b", "c"]) is None
    assert missing_from(["a", "c"], ["a", "b", "c"]) == "c"
    assert missing_from(["...", "d"], ["a", "b", "c"]) == "d"


def test_the_whole_evening(capsys: pytest.CaptureFixture[str]) -> None:
    steps = shown_on(PAGE)
    assert [step.command.split()[0] for step in steps] == [
        *("calibrate", "calibrate", "paper", "measure", "print", "finished", "print")
    ]
    for step in steps:
        assert run(step.command.split()) == 0, f"{step.command}: {capsys.readouterr().err}"
        out = capsys.readouterr().out
        assert missing_from(step.lines, out.splitlines()) is None, out


@pytest.mark.parametrize("page", ["paper.md", "printing.md"])
def test_commands_of_the_pages_run(page: str, capsys: pytest.CaptureFixture[str]) -> None:
    commands = commands_in(ROOT / "docs" / page)
    assert len(commands) >= 4
    # The page on paper calibrates first of all; so does the evening.
    assert run(["calibrate", "wedge.tif", "--densities", "wedge.csv", "--name", "film"]) == 0
    assert run(["calibrate", "gray.tif", "--reflection", "--densities", "gray.csv", "--name", "prints"]) == 0
    assert run(["paper", "print.tif", "--wedge", "wedge.csv", "--exposure", "12", "--name", "old-box"]) == 0
    for command in commands:
        assert run(command.split()) == 0, f"{command}: {capsys.readouterr().err}"
