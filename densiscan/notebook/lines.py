"""The file of an archive: a line of JSON for each scan, added as it comes, and beside it what makes it quick to ask.

The lines are what counts. The index, a file of SQLite, is made from them whenever it is gone or does not go with them.
Memory stays the same however many there are.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from densiscan.errors import DensiscanError

_FORM: Final = 1
_BEGINS: Final = b'{"format":"densiscan.readings/'
"""How a line begins, so that none of another's files is cut."""
_SECONDS: Final = 5.0
"""So often what was added is given to the disk: so much is measured again after a power cut."""
_TABLES: Final = """
CREATE TABLE scans(path TEXT PRIMARY KEY, place INTEGER, length INTEGER, size INTEGER, changed INTEGER, sha256 TEXT,
  how TEXT, failed TEXT, message TEXT) WITHOUT ROWID;
CREATE INDEX scans_of_content ON scans(sha256);
CREATE TABLE pieces(path TEXT, piece INTEGER, seen TEXT, verdict TEXT, base_plus_fog REAL, base_plus_fog_doubt REAL,
  shadow REAL, shadow_doubt REAL, highlight REAL, highlight_doubt REAL, density_range REAL, density_range_doubt REAL,
  PRIMARY KEY(path, piece)) WITHOUT ROWID;
CREATE TABLE told(length INTEGER);
INSERT INTO told VALUES(0);
"""
_FIGURES: Final = ("base_plus_fog", "shadow", "highlight", "density_range")


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceFigures:
    """The figures of one reading: each by its name with its standard uncertainty; `seen` and `verdict` as printed."""

    number: int
    seen: str
    verdict: str | None
    figures: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanLine:
    """One scan: its line, and of it what is asked for.

    Attributes
    ----------
    size, changed_ns, sha256
        Of the scan's file.
    how
        The same where two scans were measured alike.
    failed, message
        Why nothing was read, None where something was.
    """

    text: str
    path: str
    size: int
    changed_ns: int
    sha256: str
    how: str
    failed: str | None
    message: str | None
    pieces: tuple[PieceFigures, ...]


class LineFile:
    """The lines of an archive, read and added to; one command at a time.

    Parameters
    ----------
    path
        Made where it is not there.
    parse
        Returns a line as it was written; ValueError where it is none.

    Raises
    ------
    DensiscanError
        If it cannot be read or written, another command adds to it, or it holds something else.
    """

    def __init__(self, path: Path, parse: Callable[[str], ScanLine]) -> None:
        self.path = path
        self._parse = parse
        self._synced = time.monotonic()
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
        except OSError as problem:
            raise self._refused(problem) from problem
        try:
            self._index = self._opened()
        except DensiscanError:
            os.close(self._file)
            raise

    @property
    def index(self) -> Path:
        """The file beside it."""
        return self.path.with_name(self.path.name + ".index")

    def close(self) -> None:
        """Give everything to the disk and let go."""
        self._sync()
        self._index.close()
        os.close(self._file)

    def count(self, how: str) -> int:
        """Return how many scans were measured so."""
        return int(self._one("SELECT count(*) FROM scans WHERE how = ? AND failed IS NULL", how)[0])

    def knows(self, path: str, status: tuple[int, int], how: str) -> bool:
        """Return whether the very file was measured so, by its size and when it was changed."""
        return self._one(
            "SELECT 1 FROM scans WHERE path = ? AND size = ? AND changed = ? AND how = ? AND failed IS NULL",
            *(path, *status, how),
        ) != ()  # fmt: skip

    def survey(self, paths: Iterable[str]) -> int:
        """Return how many scans there are now, and note those that were measured and are there no more."""
        self._index.execute("CREATE TEMP TABLE there(path TEXT PRIMARY KEY) WITHOUT ROWID")
        count = 0
        for path in paths:
            self._index.execute("INSERT OR IGNORE INTO there VALUES(?)", (path,))
            count += 1
        self._index.execute(
            "CREATE TEMP TABLE gone AS SELECT DISTINCT size FROM scans"
            " WHERE failed IS NULL AND path NOT IN (SELECT path FROM there)"
        )
        self._index.execute("DROP TABLE there")
        return count

    def may_have_moved(self, size: int) -> bool:
        """Return whether a scan of that size is gone since the `survey`: else one of another name is new, unread."""
        return self._one("SELECT 1 FROM gone WHERE size = ? LIMIT 1", size) != ()

    def of_content(self, sha256: str, how: str) -> ScanLine | None:
        """Return the line of a scan of that content that was measured so."""
        row = self._one(
            "SELECT place, length FROM scans WHERE sha256 = ? AND how = ? AND failed IS NULL LIMIT 1", sha256, how
        )
        return self._parse(self._text(row[0], row[1])) if row else None

    def add(self, line: ScanLine) -> None:
        """Add a line; an older one of the same scan counts no more."""
        text = line.text.encode("utf-8") + b"\n"
        try:
            place = os.lseek(self._file, 0, os.SEEK_END)
            written = os.write(self._file, text)
            while written < len(text):
                written += os.write(self._file, text[written:])
        except OSError as problem:
            raise self._refused(problem) from problem
        self._note(line, place, len(text) - 1)
        if time.monotonic() - self._synced > _SECONDS:
            self._sync()

    def texts(self) -> Iterator[str]:
        """Yield the line that counts of each scan, in the order they were added."""
        for place, length in self._index.execute("SELECT place, length FROM scans ORDER BY place"):
            yield self._text(place, length)

    def rows(self, figure: str) -> Iterator[tuple[str, int, float, float]]:
        """Yield path, piece, value and standard uncertainty of one figure of every reading that has it."""
        at = _FIGURES.index(figure)
        yield from self._index.execute(
            f"SELECT path, piece, {_FIGURES[at]}, {_FIGURES[at]}_doubt FROM pieces WHERE {_FIGURES[at]} IS NOT NULL"
        )

    def readings(self) -> tuple[int, int]:
        """Return how many scans and how many readings there are."""
        return int(self._one("SELECT count(*) FROM scans")[0]), int(self._one("SELECT count(*) FROM pieces")[0])

    def failures(self) -> dict[str, int]:
        """Return how many scans gave nothing, by why, the most frequent first."""
        return dict(
            self._index.execute(
                "SELECT failed, count(*) FROM scans WHERE failed IS NOT NULL GROUP BY 1 ORDER BY 2 DESC, 1"
            )
        )

    def failed(self, code: str, most: int) -> list[tuple[str, str]]:
        """Return path and sentence of the first scans that gave nothing for one reason."""
        return self._index.execute(
            "SELECT path, message FROM scans WHERE failed = ? ORDER BY path LIMIT ?", (code, most)
        ).fetchall()

    def verdicts(self) -> dict[tuple[str, str | None], int]:
        """Return how many readings there are by what was seen and how it was exposed."""
        rows = self._index.execute("SELECT seen, verdict, count(*) FROM pieces GROUP BY 1, 2 ORDER BY 3 DESC")
        return {(seen, verdict): count for seen, verdict, count in rows}

    def _text(self, place: int, length: int) -> str:
        os.lseek(self._file, place, os.SEEK_SET)
        return os.read(self._file, length).decode("utf-8")

    def _opened(self) -> sqlite3.Connection:
        for again in (False, True):
            if again:
                self.index.unlink(missing_ok=True)
            index = sqlite3.connect(self.index, timeout=1.0)
            try:
                index.execute("PRAGMA locking_mode = EXCLUSIVE")
                # It can be made again from the lines at any time.
                index.execute("PRAGMA synchronous = OFF")
                index.execute("BEGIN IMMEDIATE")
                if index.execute("PRAGMA user_version").fetchone()[0] != _FORM:
                    self._begun(index)
                self._caught_up(index)
            except sqlite3.OperationalError as problem:
                index.close()
                if "locked" in str(problem):
                    raise DensiscanError(f"another command adds to {self.path}; wait until it is done.") from problem
            except sqlite3.DatabaseError:
                index.close()
            except DensiscanError:
                index.close()
                raise
            else:
                return index
        raise DensiscanError(f"{self.index} cannot be written; choose another place.")

    def _begun(self, index: sqlite3.Connection) -> None:
        for name in ("scans", "pieces", "told"):
            index.execute(f"DROP TABLE IF EXISTS {name}")
        for statement in _TABLES.split(";\n"):
            if statement.strip():
                index.execute(statement)
        index.execute(f"PRAGMA user_version = {_FORM}")

    def _caught_up(self, index: sqlite3.Connection) -> None:
        """Take in the lines that the index does not have; half a line, of a command that was killed, is cut off."""
        self._index = index
        size = os.lseek(self._file, 0, os.SEEK_END)
        have = int(index.execute("SELECT length FROM told").fetchone()[0])
        if have > size:
            self._begun(index)
            have = 0
        with os.fdopen(os.dup(self._file), "rb") as stream:
            stream.seek(have)
            while text := stream.readline():
                if not text.endswith(b"\n") and (text.startswith(_BEGINS) or _BEGINS.startswith(text)):
                    os.ftruncate(self._file, have)
                    break
                try:
                    self._note(self._parse(text.decode("utf-8")), have, len(text) - 1)
                except ValueError as problem:
                    raise DensiscanError(
                        f"{self.path} holds something else than lines of an archive; name another file."
                    ) from problem
                have += len(text)
        self._commit()

    def _note(self, line: ScanLine, place: int, length: int) -> None:
        self._index.execute("DELETE FROM pieces WHERE path = ?", (line.path,))
        self._index.execute(
            "INSERT OR REPLACE INTO scans VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                *(line.path, place, length, line.size, line.changed_ns, line.sha256),
                *(line.how, line.failed, line.message),
            ),
        )
        for piece in line.pieces:
            figures = [number for name in _FIGURES for number in piece.figures.get(name, (None, None))]
            self._index.execute(
                f"INSERT OR REPLACE INTO pieces VALUES(?, ?, ?, ?{', ?' * len(figures)})",
                (line.path, piece.number, piece.seen, piece.verdict, *figures),
            )
        self._length = place + length + 1

    def _sync(self) -> None:
        os.fsync(self._file)
        self._commit()
        self._synced = time.monotonic()

    def _commit(self) -> None:
        self._index.execute("UPDATE told SET length = ?", (os.lseek(self._file, 0, os.SEEK_END),))
        self._index.commit()
        self._index.execute("BEGIN IMMEDIATE")

    def _one(self, statement: str, *values: object) -> tuple[int, ...]:
        return self._index.execute(statement, values).fetchone() or ()

    def _refused(self, problem: OSError) -> DensiscanError:
        reason = (problem.strerror or "unknown reason").lower()
        return DensiscanError(f"the lines cannot be written to {self.path}: {reason}; choose another file.")
