"""Files written whole: beside their place first, then moved there, so that no half file is ever seen.

What was written is on the disk before it is said to be there. A link stays a link and its target is written; a device
or a pipe is written to as it is; a file that is replaced keeps its mode.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from densiscan.errors import DensiscanError, one_line

_GUARDED: Final = re.compile(r"(^|[;,\t\r\n])(?=['=+\-@\t\r])")
_GUARD: Final = re.compile(r"(^|[;,\t\r\n])'(?=['=+\-@\t\r])")


def as_text(name: str | os.PathLike[str]) -> str:
    """Return a file's name, or words with one in them, as text for a document: what is no character stands as its code.

    Names are bytes on most systems; those of another encoding than the system's come with surrogates, which neither
    UTF-8 nor a database takes; and a name may hold the end of a line, which would begin one of its own.
    """
    return one_line(os.fspath(name).encode("utf-8", "backslashreplace").decode("utf-8"))


def guarded(text: str) -> str:
    """Return a cell's text with an apostrophe wherever a table program would begin a formula.

    That is at its beginning, and after whatever such a program may take for the end of a cell: some split at semicolons
    or tabs where others split at commas. `unguarded` takes the apostrophes off again.
    """
    return _GUARDED.sub(r"\1'", text)


def unguarded(text: str) -> str:
    """Return the text that `guarded` was given."""
    return _GUARD.sub(r"\1", text)


def write_whole(path: Path, content: str | bytes, *, what: str) -> None:
    """Write a file whole or not at all; a text as UTF-8.

    Parameters
    ----------
    what
        What the file holds, for the sentence: "the table".

    Raises
    ------
    DensiscanError
        If it cannot be written.
    """
    with writing_whole(path, what=what) as whole:
        whole.add(content)


class WholeFile:
    """A file on its way: what is added is beside its place until it is moved there whole."""

    def __init__(self, path: Path, what: str) -> None:
        self._path = path
        self._what = what
        self._target = Path(os.path.realpath(path))  # a link stays, what it leads to is written
        self._beside: Path | None = None
        self._stream = None
        with self.in_words():
            if _is_special(self._target):
                self._stream = os.fdopen(_open_special(self._target), "wb")
                return
            handle, name = tempfile.mkstemp(prefix=f".{self._target.name}.", dir=self._target.parent)
            self._beside = Path(name)
            self._stream = os.fdopen(handle, "wb")

    @property
    def place(self) -> Path | None:
        """Where the file is until it is kept, for what writes it by itself; None for a device or a pipe."""
        return self._beside

    def add(self, content: str | bytes) -> None:
        """Write on; raises DensiscanError where the disk does not take it, and what was there before stays."""
        assert self._stream is not None  # noqa: S101 - opened when made
        with self.in_words():
            self._stream.write(content.encode("utf-8") if isinstance(content, str) else content)
            self._stream.flush()

    def keep(self) -> None:
        """Put the file in its place, on the disk."""
        assert self._stream is not None  # noqa: S101 - opened when made
        with self.in_words():
            if self._beside is None:
                self._stream.close()
                return
            os.fsync(self._stream.fileno())
            self._stream.close()
            self._beside.chmod(_mode_for(self._target))
            self._beside.replace(self._target)
            self._beside = None
            sync_folder(self._target.parent)

    def drop(self) -> None:
        """Leave what was there before as it is."""
        with suppress(OSError):
            if self._stream is not None:
                self._stream.close()
        if self._beside is not None:
            self._beside.unlink(missing_ok=True)
            self._beside = None

    @contextmanager
    def in_words(self) -> Iterator[None]:
        """Turn what the system refuses within into one sentence; what was there before stays."""
        try:
            yield
        except OSError as problem:
            self.drop()
            reason = (problem.strerror or "unknown reason").lower()
            if problem.errno == errno.ENXIO:
                reason = "nothing reads from that pipe"
            raise DensiscanError(
                f"{self._what} cannot be written to {self._path}: {reason}; choose another file."
            ) from problem


@contextmanager
def writing_whole(path: Path, *, what: str) -> Iterator[WholeFile]:
    """Yield a file to add to; it is in its place at the end, or not at all where anything is raised."""
    whole = WholeFile(path, what)
    try:
        yield whole
    except BaseException:
        whole.drop()
        raise
    whole.keep()


def _is_special(path: Path) -> bool:
    """Return whether a device, a pipe or a socket has that name: none of them is ever replaced."""
    try:
        kind = path.stat().st_mode
    except OSError:
        return False
    return not stat.S_ISREG(kind) and not stat.S_ISDIR(kind)


def _open_special(path: Path) -> int:
    """Open a device or pipe without waiting for whoever may never read from it."""
    number = os.open(path, os.O_WRONLY | getattr(os, "O_NONBLOCK", 0))
    if hasattr(os, "set_blocking"):
        os.set_blocking(number, True)
    return number


def _mode_for(path: Path) -> int:
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except OSError:
        umask = os.umask(0)
        os.umask(umask)
        return 0o666 & ~umask


def sync_folder(folder: Path) -> None:
    """Let the disk have the names in a folder too, where the system offers that."""
    with suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
