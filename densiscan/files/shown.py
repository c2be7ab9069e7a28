"""Results in a shell or a notebook: one line each, and the page, table and figure that the report makes of them.

The report stands above the results that it reports. So that none of them imports it, the shelf names it here once.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from matplotlib.axes import Axes


class Reporter(Protocol):
    """What makes pages of results."""

    def as_text(self, result: object) -> str:
        """Return the page of a result as text."""
        ...

    def as_html(self, result: object) -> str:
        """Return the tables of a result as HTML."""
        ...


class Drawer(Protocol):
    """What makes figures of results."""

    def plot(self, result: object, ax: Axes | None = None) -> Axes:
        """Draw a result."""
        ...


_reporters: list[Callable[[], Reporter]] = []
_drawers: list[Callable[[], Drawer]] = []


def shown_by(reporter: Callable[[], Reporter], drawer: Callable[[], Drawer]) -> None:
    """Say who makes the pages and figures of all results; asked when the first is wanted."""
    _reporters[:] = [reporter]
    _drawers[:] = [drawer]


class Shown:
    """A result that prints as its report, and is a table in a notebook."""

    __slots__ = ()

    def __str__(self) -> str:
        return _reporters[0]().as_text(self) if _reporters else repr(self)

    def _repr_html_(self) -> str | None:
        return _reporters[0]().as_html(self) if _reporters else None


class Drawn(Shown):
    """A result that has a figure too."""

    __slots__ = ()

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the figure of this result and return the axes of its main panel; `ax` as `densiscan.plot` takes it."""
        return _drawers[0]().plot(self, ax)


def one_line(result: object, name: str, *words: str) -> str:
    """Return a result on one line: its kind, its name and what is to be said of it; empty words are left out."""
    head = f"{type(result).__name__} {name}".rstrip()
    line = f"<{head}: {', '.join(word for word in words if word)}>"
    return "".join(character if character.isprintable() else "?" for character in line)


def counted(number: int, what: str) -> str:
    """Return how many there are, such as "2 warnings"; nothing where there is none."""
    return "" if not number else f"{number} {what}" + "s" * (number != 1)
