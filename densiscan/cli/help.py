"""The help of a command: its usage as a person would type it, and last of all the example that ends its docstring."""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING, Any, Final

from typer.core import TyperCommand, TyperGroup

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


QUESTIONS: Final = {
    "To begin": ("start", "practice", "demo", "desk"),
    "Can I trust the scanner?": ("calibrate", "check"),
    "What is on this negative?": ("measure", "watch", "tonight", "report", "map"),
    "How long do I develop next?": ("run", "advise", "trends", "reading", "notebook", "labels", "fixer"),
    "What does this film do?": ("film", "family"),
    "How long do I expose?": ("expose", "card", "reciprocity", "pinhole"),
    "Which paper, and how long?": ("paper", "print", "finished"),
}
"""The commands under the questions that they answer."""


class Commands(TyperGroup):
    """All commands, listed under the questions that a person has."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 - as the group that it is made from
        """Write the list of commands."""
        widest = max(map(len, self.commands))
        for question, names in QUESTIONS.items():
            rows = [(name.ljust(widest), self.commands[name].get_short_help_str(200)) for name in names]
            with formatter.section(question):
                formatter.write_dl(rows)


class Command(TyperCommand):
    """A command whose usage shows what must be given as it is typed, without braces."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Return the words of the usage line."""
        return [piece[1:-1] if piece.startswith("{") else piece for piece in super().collect_usage_pieces(ctx)]


def shown_last(built: typer.Typer) -> None:
    """Let the help of each command, and of each group of commands, end with the example of its docstring."""
    groups = [group.typer_instance for group in built.registered_groups if group.typer_instance is not None]
    for typed in (built, *groups):
        for command in typed.registered_commands:
            command.help, example = parted(getattr(command.callback, "__doc__", None) or "")
            command.epilog = last_words(example)
            command.cls = Command
    for group in groups:
        group.info.epilog = group.registered_commands[0].epilog
