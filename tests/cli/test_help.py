"""Help: every command ends with one worked example, which the page of commands has and the tests run; completion."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from densiscan.cli.app import run
from densiscan.cli.completion import COMPLETE_VARIABLE
from densiscan.cli.help import QUESTIONS
from tests.support.pages import ROOT, commands_in, text_of
from tests.test_docs import COMMANDS

PAGE = ROOT / "docs" / "commands.md"
EXAMPLES = commands_in(PAGE)[-text_of(PAGE).count("\n## ") :]
"""One at the end of each section, in the order of the commands; tests/test_pages.py runs them."""


def help_of(command: str, capsys: pytest.CaptureFixture[str]) -> list[str]:
    capsys.readouterr()
    assert run([*command.split(), "--help"]) == 0
    return capsys.readouterr().out.splitlines()


def test_each_command_has_one_example() -> None:
    assert len(EXAMPLES) == len(COMMANDS)
    for command in COMMANDS:
        assert [line for line in EXAMPLES if f"{line} ".startswith(f"{command} ")], command


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_the_help_ends_with_the_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    lines = help_of(command, capsys)
    assert lines[-2].strip().startswith("For example")
    assert lines[-1].strip().removeprefix("densiscan ") in EXAMPLES
    assert lines[-1].strip().startswith(f"densiscan {command}")
    assert max(len(line) for line in lines) <= 80


@pytest.mark.parametrize(
    ("command", "typed"),
    [("calibrate", "SCAN..."), ("measure", "SCAN_OR_FOLDER..."), ("print", "[NEGATIVE]..."), ("run show", "RUN")],
)
def test_the_usage_shows_what_is_typed_as_it_is_typed(
    command: str, typed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert help_of(command, capsys)[0] == f"Usage: densiscan {command} [OPTIONS] {typed}"


def test_every_command_stands_under_one_question(capsys: pytest.CaptureFixture[str]) -> None:
    lines = help_of("", capsys)
    named = [line.split()[0] for line in lines if line.startswith("  ") and not line.startswith("   ")]
    for command in {command.split()[0] for command in COMMANDS}:
        assert named.count(command) == 1, command
    places = [next(k for k, line in enumerate(lines) if line.startswith(question)) for question in QUESTIONS]
    assert places == sorted(places)


@pytest.mark.parametrize("group", ["", "run", "notebook"])
def test_the_list_of_commands_says_each_whole_and_ends_with_an_example(
    group: str, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = help_of(group, capsys)
    assert not [line for line in lines[1:] if line.endswith("...")]
    assert lines[-1].strip().removeprefix("densiscan ") in EXAMPLES
    assert max(len(line) for line in lines) <= 80


# Completion, asked for as each shell asks.


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """A shell that finds `densiscan` on its path, in a folder with a scan."""
    program = tmp_path / "bin" / "densiscan"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m densiscan "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    (tmp_path / "negative.tif").touch()
    path = f"{program.parent}{os.pathsep}{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path)}


def said_by(shell: str, script: str, folder: Path, environment: dict[str, str]) -> list[str]:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not on this machine")
    done = subprocess.run(
        [program, "-c", script], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.splitlines()


BASH = """
eval "$(_DENSISCAN_COMPLETE=source_bash densiscan)"
complete -p densiscan
ask() {
    COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMPREPLY=()
    _densiscan_completion densiscan
    echo "${COMPREPLY[@]}"
}
ask densiscan cal
ask densiscan measure --scene
ask densiscan measure --process ''
ask densiscan run re
ask densiscan run
ask densiscan run ''
ask densiscan measure neg
"""


SUBCOMMANDS = "add list show correct remove restore undo history"


def test_bash(tmp_path: Path, environment: dict[str, str]) -> None:
    how, *answers = said_by("bash", BASH, tmp_path, environment)
    # Where nothing fits, as for the name of a scan, bash offers the files that are there.
    assert "-o default" in how
    assert answers == [
        "calibrate",
        "--scene-stops",
        "contact diffusion condenser",
        "remove restore",
        "run",
        SUBCOMMANDS,
        "",
    ]


FISH = """
_DENSISCAN_COMPLETE=source_fish densiscan | source
complete -C 'densiscan cal'
complete -C 'densiscan measure --scene'
complete -C 'densiscan measure neg'
"""


def test_fish(tmp_path: Path, environment: dict[str, str]) -> None:
    answers = [line.partition("\t")[0] for line in said_by("fish", FISH, tmp_path, environment)]
    assert answers == ["calibrate", "--scene-stops", "negative.tif"]


ZSH = """
compdef() { echo "compdef $@"; }
_arguments() { print -r -- "$@"; }
eval "$(_DENSISCAN_COMPLETE=source_zsh densiscan)"
words=(densiscan measure --scene); CURRENT=3; _densiscan_completion
words=(densiscan cal); CURRENT=2; _densiscan_completion
"""


def test_zsh(tmp_path: Path, environment: dict[str, str]) -> None:
    how, options, commands = said_by("zsh", ZSH, tmp_path, environment)
    assert how == "compdef _densiscan_completion densiscan"
    assert '"--scene-stops"' in options
    assert '"calibrate"' in commands


def test_an_answer_to_the_shell_does_not_import_numpy(environment: dict[str, str]) -> None:
    code = (
        "import sys\nfrom densiscan.cli.app import run\ntry:\n    run([])\n"
        "finally:\n    print('numpy' in sys.modules, file=sys.stderr)"
    )
    asked = {COMPLETE_VARIABLE: "complete_bash", "COMP_WORDS": "densiscan mea", "COMP_CWORD": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code], env={**environment, **asked}, capture_output=True, text=True, check=False
    )
    assert (done.stdout, done.stderr) == ("measure\n", "False\n")


def test_a_shell_that_is_not_known_is_one_sentence(environment: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "densiscan"],
        env={**environment, COMPLETE_VARIABLE: "source_abacus"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (1, "", "Shell abacus not supported.\n")
