"""Each command's docstring ends with one worked example; in its help the example stands last of all."""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import typer

_BEGINS: Final = "\n\nFor example"


def parted(docstring: str) -> tuple[str, str]:
    """Return what a docstring says of a command, and below which words it shows which line as an example.

    The second is "For example, words:", an empty line, and the command line indented by four spaces.
    """
    text = inspect.cleandoc(docstring)
    place = text.rfind(_BEGINS)
    return (text[:place], text[place:].strip()) if place >= 0 else (text, "")


def last_words(example: str) -> str:
    """Return an example as the last words of a help: its lines stay as they are."""
    words, _, line = example.partition("\n\n")
    return f"\b\n{words}\n  {line.strip()}"


def shown_last(built: typer.Typer) -> None:
    """Let the help of each command, and of each group of commands, end with the example of its docstring."""
    groups = [group.typer_instance for group in built.registered_groups if group.typer_instance is not None]
    for typed in (built, *groups):
        for command in typed.registered_commands:
            command.help, example = parted(getattr(command.callback, "__doc__", None) or "")
            command.epilog = last_words(example)
    for group in groups:
        group.info.epilog = group.registered_commands[0].epilog
