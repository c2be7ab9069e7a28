"""Scans as a scanner writes them into a folder: which are whole, which still grow, which were there before.

A file is taken when its size and time have not changed for a while and no program has it open for writing. One that can
then not be read yet waits for its next change, for a minute at most.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from densiscan.batch.files import FileChoice, is_scan
from densiscan.errors import DensiscanError

SETTLE_S: Final = 2.0
"""How long a file must have stood still: a scanner that pauses longer than this in the middle of a file closes it."""

PATIENCE_S: Final = 60.0
"""How long a file that stands still but cannot be read is waited for."""

_TICK_MS: Final = 250

Status = tuple[int, int, int]
"""Size, time of change (ns) and number of a file."""


def status_of(path: Path) -> Status | None:
    """Return the status of a file; None where there is none."""
    with suppress(OSError):
        status = path.stat()
        if status.st_size > 0 and path.is_file():
            return status.st_size, status.st_mtime_ns, status.st_ino
    return None


def is_open_for_writing(path: Path) -> bool:
    """Return whether another program has the file open for writing, as far as the system tells.

    Linux tells: it refuses a lease for reading then (fcntl(2), F_SETLEASE). Windows does not let the file be opened.
    """
    try:
        with path.open("rb") as stream:
            return _lease_refused(stream.fileno())
    except PermissionError:
        return sys.platform == "win32"
    except OSError:
        return False


def _lease_refused(number: int) -> bool:
    """Return whether the system refuses to promise that nobody else writes the file; False where it has no leases."""
    if sys.platform != "linux":
        return False
    import fcntl

    try:
        fcntl.fcntl(number, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(number, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except BlockingIOError:
        return True
    except OSError:
        # Another's file, or a file system without leases: nothing is known.
        return False
    return False


@dataclass(slots=True)
class _Waiting:
    status: Status
    still_since: float
    refused: bool = False


@dataclass(slots=True, kw_only=True)
class Arrivals:
    """The files of one folder on their way to be measured. Times are seconds of any steady clock."""

    settle_s: float = SETTLE_S
    patience_s: float = PATIENCE_S
    waiting: dict[Path, _Waiting] = field(default_factory=dict)
    taken: dict[Path, Status] = field(default_factory=dict)

    def there_before(self, path: Path, status: Status | None) -> None:
        """Leave alone what is there already, until it changes."""
        if status is not None:
            self.taken[path] = status

    def note(self, path: Path, status: Status | None, now: float) -> None:
        """Take in how a file stands; None: it is not there."""
        if status is None:
            self.waiting.pop(path, None)
            self.taken.pop(path, None)
            return
        if self.taken.get(path) == status:
            return
        before = self.waiting.get(path)
        if before is None or before.status != status:
            self.waiting[path] = _Waiting(status, now)

    def ready(self, now: float) -> list[Path]:
        """Return the files that have stood still long enough, by name."""
        return sorted(
            path
            for path, waiting in self.waiting.items()
            if not waiting.refused and now - waiting.still_since >= self.settle_s
        )

    def take(self, path: Path) -> None:
        """Note that a file was measured as it stood when it was ready."""
        waiting = self.waiting.pop(path, None)
        if waiting is not None:
            self.taken[path] = waiting.status

    def refuse(self, path: Path) -> None:
        """Put off a file that cannot be read yet, until it changes or its patience is over."""
        if path in self.waiting:
            self.waiting[path].refused = True

    def given_up(self, now: float) -> list[Path]:
        """Return the files that could not be read and have not changed since, their patience over."""
        over = [
            path
            for path, waiting in self.waiting.items()
            if waiting.refused and now - waiting.still_since >= self.patience_s
        ]
        return sorted(over)


def arrivals_in(
    folder: Path, choice: FileChoice, arrivals: Arrivals, *, clock: Callable[[], float], poll: bool = False
) -> Iterator[tuple[Path, bool]]:
    """Yield each scan that stands still in a folder, and whether this is its last chance to be read; without end.

    Whoever takes them calls `arrivals.take` or `arrivals.refuse`.

    Parameters
    ----------
    poll
        Whether to look at the folder itself instead of being told by the system, for network drives.

    Raises
    ------
    DensiscanError
        If the folder is gone.
    """
    if hasattr(signal, "SIGIO") and threading.current_thread() is threading.main_thread():
        # A program that opens a file in the instant of our lease sends this, which would end us.
        signal.signal(signal.SIGIO, signal.SIG_IGN)
    for path in _scans_below(folder, choice):
        arrivals.there_before(path, status_of(path))
    look = True
    for names in _told(folder, choice, poll=poll):
        if not folder.is_dir():
            raise DensiscanError(f"the folder {folder} is gone; name it where it is now.")
        paths = {Path(name) for name in names or ()}
        if look or names is None:
            # What came between the look at the folder and the watch is told by nobody.
            paths |= set(_scans_below(folder, choice))
        look = names is None
        _note_all(arrivals, (path for path in paths if is_scan(path, choice)), clock())
        _note_all(arrivals, list(arrivals.waiting), clock())
        yield from _still(arrivals, clock())


def _told(folder: Path, choice: FileChoice, *, poll: bool) -> Iterator[set[str] | None]:
    """Yield the names of what has changed, empty where nothing has for a while; None where the system's telling broke.

    It does at a name that is no text on this system, and begins again.
    """
    from watchfiles import watch

    while True:
        try:
            for changes in watch(
                folder,
                watch_filter=None,
                debounce=_TICK_MS,
                step=50,
                rust_timeout=_TICK_MS,
                yield_on_timeout=True,
                recursive=choice.recursive,
                force_polling=poll or None,
            ):
                yield {name for _, name in changes}
        except RuntimeError:
            yield None
            time.sleep(_TICK_MS / 1000.0)


def _still(arrivals: Arrivals, now: float) -> Iterator[tuple[Path, bool]]:
    for path in arrivals.ready(now):
        if not is_open_for_writing(path):
            yield path, False
    for path in arrivals.given_up(now):
        yield path, True


def _note_all(arrivals: Arrivals, paths: Iterable[Path], now: float) -> None:
    for path in paths:
        arrivals.note(path, status_of(path), now)


def _scans_below(folder: Path, choice: FileChoice) -> Iterator[Path]:
    for here, folders, names in os.walk(folder.absolute()):
        folders[:] = folders if choice.recursive else []
        for name in names:
            if is_scan(Path(name), choice):
                yield Path(here, name)
