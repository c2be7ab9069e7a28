"""A command line as it is meant: numbers typed with spaces between them, a scan typed without a command, `help`."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Final, NamedTuple

_HOW_MANY: Final = {
    **dict.fromkeys(("--spot", "--reference"), 2),
    "--on-zone": 3,
    **dict.fromkeys(("--frame", "--rebate", "--region", "--outline", "--fixed", "--row"), 4),
}
"""How many numbers, with commas between them, each of these options takes."""
_NUMBERS: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(,[+-]?(\d+\.?\d*|\.\d+))*")
_SCANS: Final = frozenset({".tif", ".tiff", ".png", ".jpg", ".jpeg", ".jp2", ".webp"})


def as_meant(typed: Sequence[str], commands: Collection[str]) -> list[str]:
    """Return the words of a command line as they are meant.

    Parameters
    ----------
    commands
        Names of all commands.

    Notes
    -----
    `--spot 30 40` and `--frame 15, 12, 65, 45` become one word each. A scan or folder where a command should stand is
    to be measured. `help` is `--help`, and `help measure` is `measure --help`.
    """
    words = list(_joined(typed))
    if not words or words[0] in commands or words[0].startswith("-"):
        return words
    first = words[0]
    if first == "help" and not Path(first).exists():
        return [*words[1:], "--help"]
    if Path(first).exists() or Path(first).suffix.lower() in _SCANS:
        return ["measure", *words]
    return words


def _joined(typed: Sequence[str]) -> Iterator[str]:
    """Yield the words, those of one place or box joined by commas; as they are where they make none."""
    left = list(typed)
    while left:
        word = left.pop(0)
        option, equals, value = word.partition("=")
        whole = _place([value, *left] if equals else left, _HOW_MANY[option]) if option in _HOW_MANY else None
        if whole is None:
            yield word
            continue
        del left[: whole.words - bool(equals)]
        yield from [f"{option}={whole.text}"] if equals else [option, whole.text]


class _Place(NamedTuple):
    """Numbers with commas between them, and of how many words they were made."""

    text: str
    words: int


def _place(words: Sequence[str], count: int) -> _Place | None:
    """Return the first words as so many numbers, None where they are not."""
    parts: list[str] = []
    for used, word in enumerate(words, start=1):
        bare = word.strip(",")
        if bare and not _NUMBERS.fullmatch(bare):
            return None
        parts += bare.split(",") if bare else []
        if len(parts) >= count:
            return _Place(",".join(parts), used) if len(parts) == count else None
    return None
