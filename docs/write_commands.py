"""Write docs/commands.md from the commands themselves, or check that it is fresh.

python docs/write_commands.py           writes it
python docs/write_commands.py --check   exits with 1 where it is stale
"""

from __future__ import annotations

import inspect
import sys
from enum import StrEnum
from pathlib import Path
from typing import Any, get_args, get_type_hints

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from densiscan.cli.app import command_line
from densiscan.cli.help import parted

PAGE = Path(__file__).resolve().with_name("commands.md")

HEAD = """# Commands

Written from the commands by `python docs/write_commands.py`; change the texts there, not here.

Exit status: 0 all done; 1 the command ran and at least one input could not be processed (the others are done and
reported); 2 the command line itself is wrong. Results go to standard output, words to standard error.

Try the examples in an empty folder. The first line puts their files there, the second keeps practice out of your own
notebook (on Windows the first prints the line to type):

    densiscan practice --for commands
    export DENSISCAN_NOTEBOOK=practice.sqlite

    densiscan calibrate gray.tif --reflection --densities gray.csv --name prints
"""


def commands() -> dict[str, Any]:
    """Return the functions behind the commands, by name; those of a group by the names of both."""
    whole = command_line()
    found = _functions(whole)
    for typed in [group.typer_instance for group in whole.registered_groups if group.typer_instance is not None]:
        found |= {f"{typed.info.name} {name}": function for name, function in _functions(typed).items()}
    return found


def _functions(typed: Any) -> dict[str, Any]:
    functions = [(registered.name, registered.callback) for registered in typed.registered_commands]
    return {name or function.__name__: function for name, function in functions}


def page() -> str:
    """Return the text that docs/commands.md must have."""
    return HEAD + "".join(f"\n{_section(name, function)}" for name, function in commands().items())


def _section(name: str, function: Any) -> str:
    hints = get_type_hints(function, include_extras=True)
    usage = ["densiscan", name]
    lines = []
    for parameter in inspect.signature(function).parameters.values():
        kind, told = get_args(hints[parameter.name])
        if _names(told):
            lines.append(f"- `{_option(told, kind)}`: {told.help}{_default(parameter.default)}")
        else:
            usage.append(str(told.metavar))
            lines.append(f"- `{told.metavar}`: {told.help}")
    text, example = parted(function.__doc__ or "")
    return "\n".join([f"## {name}", "", f"`{' '.join(usage)} [OPTIONS]`", "", text, "", *lines, "", example]) + "\n"


def _names(told: Any) -> list[str]:
    """Return the names of an option, none for an argument; the first name stands where a default may stand too."""
    declared = (told.default, *(told.param_decls or ()))
    return [name for name in declared if isinstance(name, str) and name.startswith("-")]


def _option(told: Any, kind: Any) -> str:
    names = "/".join(_names(told))
    kinds = [kind, *get_args(kind)]
    if bool in kinds:
        return names
    choices = next((one for one in kinds if isinstance(one, type) and issubclass(one, StrEnum)), None)
    return f"{names} {told.metavar or '|'.join(choices or ())}"


def _default(value: object) -> str:
    plain = value is None or value is False or value is inspect.Parameter.empty
    return "" if plain else f" Default: {value}."


def main() -> int:
    """Write the page, or compare it."""
    if "--check" in sys.argv[1:]:
        fresh = PAGE.is_file() and PAGE.read_text(encoding="utf-8") == page()
        if not fresh:
            sys.stderr.write("docs/commands.md is stale; run python docs/write_commands.py\n")
        return 0 if fresh else 1
    PAGE.write_text(page(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
