"""What the desk does for a person, done by the command that does it: the same words, figures and notebook.

Each act is a command line in a process of its own: the desk has no second way of changing anything, a desk that is
killed leaves nothing half done, and what it did can be shown to be copied.
"""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from densiscan.files.atomic import as_text

_LONGEST_S: Final = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of an act: whether it was done, what it said, what it warned of, the command to be copied."""

    done: bool
    text: str
    said: str
    command: str

    @property
    def document(self) -> dict[str, Any]:
        """The JSON document that was printed."""
        document: dict[str, Any] = json.loads(self.text)
        return document


def command_text(words: Sequence[str]) -> str:
    """Return a command line as a person copies it, every name quoted as its shell needs it."""
    words = ["densiscan", *map(as_text, words)]
    return subprocess.list2cmdline(words) if sys.platform == "win32" else shlex.join(words)


async def in_turn(acts: AsyncIterator[Done]) -> Done:
    """Return what came of several acts as one; after one that was not done no further one is begun."""
    ended = []
    async for done in acts:
        ended.append(done)
        if not done.done:
            break
    return Done(
        done=all(one.done for one in ended),
        text="\n".join(one.text for one in ended),
        said="\n".join(one.said for one in ended),
        command="\n".join(one.command for one in ended),
    )


def act(words: Sequence[str], notebook: Path, *, shown: Sequence[str] | None = None) -> Done:
    """Run a command line and return what came of it.

    Parameters
    ----------
    words
        Command and options, without the notebook's.
    notebook
        The notebook that it works on.
    shown
        What is shown to be copied instead, where the desk's own files stand in `words`.
    """
    line = [sys.executable, "-m", "densiscan", *words, "--notebook", str(notebook)]
    command = command_text(words if shown is None else shown)
    try:
        ended = subprocess.run(  # noqa: S603 - our own program; every name is one word of its own
            line, stdin=subprocess.DEVNULL, capture_output=True, check=False, timeout=_LONGEST_S
        )
    except subprocess.TimeoutExpired:
        return Done(
            done=False, text="", said=f"This took more than {_LONGEST_S:.0f} s and was stopped.", command=command
        )
    said = ended.stderr.decode("utf-8", "replace")
    lines = [one.removeprefix("densiscan: ") for one in said.splitlines() if one.strip()]
    return Done(
        done=ended.returncode == 0,
        text=ended.stdout.decode("utf-8", "replace"),
        said="\n".join(lines),
        command=command,
    )
