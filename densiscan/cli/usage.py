"""What is said of a command line that cannot be understood: what is missing or too many, and how it is typed."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any, Final, cast

import typer

from densiscan.files.atomic import as_text

USAGE_ERROR: Final = cast("type[Exception]", typer.BadParameter.__mro__[1])
"""Every wrong command line; typer shows only this one child of it by name."""

_ALIKE: Final = 0.7
"""How alike an option must be to be what was meant (difflib's ratio): one or two letters of a word."""


def usage_words(problem: BaseException) -> str:
    """Return a sentence on a wrong command line, where its help is, and an example where something is missing."""
    context = getattr(problem, "ctx", None)
    path = getattr(context, "command_path", "densiscan")
    said, shown = _said(problem, context)
    example = _example(context) if shown else ""
    return f"{said} See {path} --help.{example}"


def _said(problem: Any, context: Any) -> tuple[str, bool]:
    """Return what is wrong, and whether an example shows how it is typed."""
    words = getattr(problem, "format_message", lambda: str(problem))().strip()
    kind = type(problem).__name__
    if kind == "MissingParameter" and problem.param is not None:
        missing = problem.param.get_error_hint(context).strip("'").removesuffix("...")
        return f"please give {missing}.", True
    if kind == "NoSuchOption":
        return f"{problem.message}.{_option_meant(problem, context)}", False
    if words.startswith("Missing command"):
        *names, last = context.command.list_commands(context)
        return f"please say what to do: {', '.join(names)} or {last}.", True
    if words.startswith("Got unexpected extra argument"):
        extra = as_text(words[words.index("(", words.index(")")) + 1 : words.rindex(")")])
        return f'there is no place for "{extra}".', True
    return _sentence(words), False


def _example(context: Any) -> str:
    """Return the command line that the help of a command ends with; "" where it has none."""
    shown = (getattr(getattr(context, "command", None), "epilog", None) or "").strip().splitlines()
    return f" For example: {shown[-1].strip()}" if shown else ""


def _option_meant(problem: Any, context: Any) -> str:
    """Return a question for the option that is most like the one typed; "" where none is."""
    names = [name for option in context.command.params for name in option.opts if name.startswith("--")]
    close = get_close_matches(problem.option_name, names, n=1, cutoff=_ALIKE)
    return f" Did you mean '{close[0]}'?" if close else ""


def _sentence(words: str) -> str:
    """Return the words of a wrong command line as a sentence."""
    for programmers in ("a valid integer", "a valid int"):
        words = words.replace(programmers, "a whole number")
    words = words.replace("a valid float", "a number")
    return words if words.endswith((".", "?", "!")) else f"{words}."
