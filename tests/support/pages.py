"""The written pages, played through: each command as it stands on them, each output that they show.

A command is an indented line that begins with the program's name; commands that follow each other without an empty
line stand together. A block fenced as text right below is what they print on standard output, a line "..." in it
whatever is left out. A page is followed in an empty folder: its first command puts there what the others need.

python -m tests.support.pages [PAGE...]   writes the outputs that the pages show anew, but for those with a line "..."
"""

from __future__ import annotations

import io
import os
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from unittest import mock

from densiscan.cli.app import run

ROOT: Final = Path(__file__).resolve().parents[2]
LEFT_OUT: Final = "..."
NOTEBOOK: Final = "practice.sqlite"
APART: Final = f"    export DENSISCAN_NOTEBOOK={NOTEBOOK}\n"
"""The line of a page that keeps what its commands do out of a person's own notebook."""
_STEP: Final = re.compile(
    r"(?P<commands>(?:^ {4,}densiscan [^\n]+\n)+)(?:\n```text\n(?P<output>.*?)^```$)?", re.MULTILINE | re.DOTALL
)
_NUMBER: Final = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True, kw_only=True)
class Step:
    """Commands that stand together, and the lines shown below them; None where nothing is shown."""

    commands: tuple[str, ...]
    shown: tuple[str, ...] | None


def page_named(name: str) -> Path:
    return ROOT / name if (ROOT / name).is_file() else ROOT / "docs" / name


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def steps_on(page: Path) -> list[Step]:
    return [
        Step(
            commands=tuple(line.strip().removeprefix("densiscan ") for line in found["commands"].splitlines()),
            shown=None if found["output"] is None else tuple(found["output"].splitlines()),
        )
        for found in _STEP.finditer(text_of(page))
    ]


def commands_in(page: Path) -> list[str]:
    return [command for step in steps_on(page) for command in step.commands]


def pages_with_commands() -> list[str]:
    """Return the names of all pages that a person may copy a command from."""
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    return [page.name for page in pages if commands_in(page)]


def alike(shown: str, actual: str) -> bool:
    """Whether two lines have the same words, and numbers that differ by two units of the last digit at most.

    Rounding of the last digit may fall otherwise on another machine. Nothing else may differ: no number is masked.
    """
    if " ".join(_NUMBER.sub("#", shown).split()) != " ".join(_NUMBER.sub("#", actual).split()):
        return False
    pairs = zip(_NUMBER.findall(shown), _NUMBER.findall(actual), strict=True)
    return all(abs(float(a) - float(b)) <= 2.001 * 10.0 ** -len(a.partition(".")[2]) for a, b in pairs)


def first_false(shown: Sequence[str], actual: Sequence[str]) -> str | None:
    """Return the first line shown that is not what came out, or a line that came out and is not shown; None if true.

    Whatever stands for "..." may come between.
    """
    place, free = 0, False
    for line in shown:
        if line.strip() == LEFT_OUT:
            free = True
            continue
        while free and place < len(actual) and not alike(line, actual[place]):
            place += 1
        if place == len(actual) or not alike(line, actual[place]):
            return line
        place, free = place + 1, False
    return None if free or place >= len(actual) else f"not shown: {actual[place]}"


@contextmanager
def standing_in(folder: Path) -> Iterator[None]:
    """Stand in a folder with the notebook of practice, and a home in whose folder `scans` the scanner has saved one.

    A watch and a desk end at once: nobody will ever come.
    """
    home = folder / "home"
    (home / "scans").mkdir(parents=True)
    shutil.copy(ROOT / "sample_scans" / "leak.tif", home / "scans")
    environment = {"DENSISCAN_NOTEBOOK": NOTEBOOK, "COLUMNS": "80", "HOME": str(home), "USERPROFILE": str(home)}
    with (
        chdir(folder),
        mock.patch.dict(os.environ, environment),
        mock.patch("densiscan.cli.watch._watch", side_effect=KeyboardInterrupt),
        mock.patch("densiscan.desk.server.serve", return_value=None),
        mock.patch("sys.stdin", io.StringIO()),
    ):
        os.environ.pop("DENSISCAN_DEBUG", None)
        yield


def printed_by(commands: Sequence[str]) -> str:
    """Run commands one after the other and return what they print on standard output.

    Raises
    ------
    RuntimeError
        If one of them does not end well.
    """
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="")
    for command in commands:
        err = io.StringIO()
        with redirect_stdout(out), redirect_stderr(err):
            status = run([str(Path(word).expanduser()) if word[0] == "~" else word for word in shlex.split(command)])
        if status:
            message = f"densiscan {command}: status {status}\n{err.getvalue()}"
            raise RuntimeError(message)
    out.seek(0)
    return out.read()


def written_anew(page: Path) -> str:
    """Return the text of a page with the outputs as they are now, followed in an empty folder."""
    text = text_of(page)
    for found in _STEP.finditer(text):
        commands = [line.strip().removeprefix("densiscan ") for line in found["commands"].splitlines()]
        out = printed_by(commands).rstrip("\n")
        shown = found["output"]
        if shown is not None and LEFT_OUT not in (line.strip() for line in shown.splitlines()):
            text = text.replace(found[0], found[0].replace(f"```text\n{shown}```", f"```text\n{out}\n```"))
    return text


def main() -> int:
    for name in sys.argv[1:] or pages_with_commands():
        with tempfile.TemporaryDirectory() as place, standing_in(Path(place)):
            page = page_named(name)
            page.write_text(written_anew(page), encoding="utf-8")
            sys.stdout.write(f"{name}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
