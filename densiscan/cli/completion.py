"""Completion of a command line by the shell, switched on as docs/using.md says."""

from __future__ import annotations

import os
from typing import Final

COMPLETE_VARIABLE: Final = "_DENSISCAN_COMPLETE"
"""Set by the shell's script where it asks what may follow, and by the person who asks for that script."""
_LINE_SO_FAR: Final = ("COMP_WORDS", "_TYPER_COMPLETE_ARGS")
"""Where the scripts of the shells put the words that are typed."""


def answer_the_shell() -> str:
    """Make the shells known to the command line where one of them asks; it then answers by itself.

    Returns
    -------
    str
        The command that is typed already, so that no other needs to be built; empty where it is not typed to its end,
        or no shell asks.
    """
    if not os.environ.get(COMPLETE_VARIABLE):
        return ""
    from typer.completion import get_completion_inspect_parameters

    get_completion_inspect_parameters()
    line = next((os.environ[name] for name in _LINE_SO_FAR if name in os.environ), "")
    words = line.split()
    return words[1] if len(words) > 2 or (len(words) == 2 and line[-1].isspace()) else ""
