"""Completion of a command line by the shell, switched on as docs/using.md says."""

from __future__ import annotations

import os
from typing import Final

COMPLETE_VARIABLE: Final = "_DENSISCAN_COMPLETE"
"""Set by the shell's script where it asks what may follow, and by the person who asks for that script."""


def answer_the_shell() -> None:
    """Make the shells known to the command line where one of them asks; it then answers by itself."""
    if os.environ.get(COMPLETE_VARIABLE):
        from typer.completion import get_completion_inspect_parameters

        get_completion_inspect_parameters()
