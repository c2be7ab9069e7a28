"""Words for a terminal: names that cannot steer it, columns that hold whatever the script, ink where it is wanted.

A file's name may hold anything. What would move the cursor, colour the screen or turn the direction of reading is shown
as its code instead.
"""

from __future__ import annotations

import os
import re
import unicodedata
from typing import Final, TextIO

_TURNING: Final = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of reading: behind one, a name may read as another."""

_BOLD: Final = "\x1b[1m"
_RED: Final = "\x1b[31m"
_PLAIN: Final = "\x1b[0m"
_HEADING: Final = re.compile(r"^(?=\S)(.+)$")
_SIGN: Final = re.compile(r"^(  )(!|trouble \d+)(?= )")


def visible(text: str, *, kept: str = "\n\t") -> str:
    """Return a text with everything that would steer a terminal shown as its code; `kept` stays as it is."""
    return "".join(mark if mark in kept or not _steers(mark) else _code(mark) for mark in text)


def _steers(mark: str) -> bool:
    return unicodedata.category(mark) in {"Cc", "Cs", "Zl", "Zp"} or mark in _TURNING


def _code(mark: str) -> str:
    return f"\\x{ord(mark):02x}" if ord(mark) < 0x100 else f"\\u{ord(mark):04x}"


def columns(text: str) -> int:
    """Return how many columns a text takes on a terminal: signs of East Asia and pictures two, accents none.

    References
    ----------
    Unicode Standard Annex 11, East Asian Width.
    """
    return sum(_columns_of(mark) for mark in text)


def _columns_of(mark: str) -> int:
    if unicodedata.combining(mark) or unicodedata.category(mark) in {"Mn", "Me", "Cf"}:
        return 0
    return 2 if unicodedata.east_asian_width(mark) in {"W", "F"} else 1


def fitted(text: str, width: int, *, tail: int = 0) -> str:
    """Return a text on exactly this many columns: cut in the middle so that `tail` columns of its end stay, or filled.

    Parameters
    ----------
    width
        At least `tail` + 4.
    """
    shown = visible(text, kept="")
    if columns(shown) > width:
        end = _cut(shown[::-1], tail)[::-1]
        shown = _cut(shown, width - 3 - columns(end)) + "..." + end
    return shown + " " * (width - columns(shown))


def _cut(text: str, width: int) -> str:
    """Return as much of the beginning as fits."""
    taken, used = 0, 0
    for mark in text:
        used += _columns_of(mark)
        if used > width:
            break
        taken += 1
    return text[:taken]


def wrapped(text: str, width: int, *, first: str = "", others: str = "") -> str:
    """Return words in lines of at most so many columns, each begun as said; a longer word has a line of its own."""
    lines, line, used = [], first, columns(first)
    empty = True
    for word in text.split():
        wide = columns(word)
        if not empty and used + 1 + wide > width:
            lines.append(line)
            line, used, empty = others, columns(others), True
        line, used, empty = (line + word, used + wide, False) if empty else (f"{line} {word}", used + 1 + wide, False)
    return "\n".join([*lines, line]) if not empty else ""


def takes_ink(stream: TextIO) -> bool:
    """Return whether a stream is a terminal that shows ink, and nobody asked for none (NO_COLOR, TERM=dumb)."""
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM", "") != "dumb" and stream.isatty()


def inked(text: str) -> str:
    """Return a page with its first line bold and its warning signs red: the signs stay, ink only helps to find them."""
    first, *rest = text.split("\n")
    head = _HEADING.sub(rf"{_BOLD}\1{_PLAIN}", first)
    return "\n".join([head, *(_SIGN.sub(rf"\1{_RED}\2{_PLAIN}", line) for line in rest)])
