"""A sign on standard error that long work goes on: a bar over many scans, a word after a second; only on a terminal."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final, TextIO

_CELLS: Final = 24
_CLEAR: Final = "\r\x1b[K"
_SECONDS_BETWEEN: Final = 0.1


_SOON_S: Final = 1.0


@contextmanager
def working(what: str) -> Iterator[None]:
    """Say what takes so long, where what is inside takes longer than a second and somebody sits before it."""
    if not sys.stderr.isatty():
        yield
        return
    stream = sys.stderr
    timer = threading.Timer(_SOON_S, lambda: print(f"{what} ...", file=stream, flush=True))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def bar_text(done: int, total: int, *, measured: int, seconds: float, spared: int = 0) -> str:
    """Return the bar: how far, files a minute, time left.

    Parameters
    ----------
    done, total
        Scans, those that needed no measuring included.
    measured
        Those that took time, in so many `seconds`.
    spared
        Of those to come, how many need no measuring.
    """
    filled = round(_CELLS * done / total) if total else _CELLS
    bar = f"[{'#' * filled}{'.' * (_CELLS - filled)}] {done} of {total}"
    if measured == 0 or seconds <= 0.0:
        return bar
    left = max(total - done - spared, 0) * seconds / measured
    return f"{bar}, {60.0 * measured / seconds:.0f} a minute, {_time_text(left)} left"


def _time_text(seconds: float) -> str:
    """Return minutes and seconds, from two hours on hours and minutes."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}" if whole < 7200 else f"{whole // 3600} h {whole // 60 % 60} min"


@dataclass(slots=True)
class ProgressBar:
    """The bar of one batch, drawn over itself."""

    total: int
    stream: TextIO = field(default_factory=lambda: sys.stderr)
    clock: Callable[[], float] = time.monotonic
    began: float = 0.0
    drawn: float = -1.0
    shown: bool = False

    def __post_init__(self) -> None:
        self.began = self.clock()
        self.shown = self.total > 1 and self.stream.isatty()

    def clear(self) -> None:
        """Take the bar away before something else is printed."""
        if self.shown and self.drawn >= 0.0:
            self.stream.write(_CLEAR)
            self.stream.flush()
            self.drawn = -1.0

    def draw(self, done: int, measured: int) -> None:
        """Draw how far it is, a few times a second."""
        now = self.clock()
        self.draw_text(lambda: bar_text(done, self.total, measured=measured, seconds=now - self.began), now)

    def draw_text(self, text: Callable[[], str], now: float | None = None) -> None:
        """Draw a text instead of the bar, likewise."""
        now = self.clock() if now is None else now
        if self.shown and (self.drawn < 0.0 or now - self.drawn >= _SECONDS_BETWEEN):
            self.stream.write(_CLEAR + text())
            self.stream.flush()
            self.drawn = now
