"""The notebook's file: opened, migrated, backed up, and every way it can fail put into one sentence.

One SQLite file in write-ahead mode, fully synchronous: what was acknowledged is on the disk, and what was killed
half-way is not there at all.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Final

from densiscan.errors import NotebookError
from densiscan.files.atomic import sync_folder
from densiscan.notebook.schema import APPLICATION_ID, MIGRATIONS

BUSY_SECONDS: Final = 20.0
"""How long one command waits for another that is writing."""

_MAGIC: Final = b"SQLite format 3\x00"
_ELSEWHERE: Final = "name another place with --notebook or DENSISCAN_NOTEBOOK"
_CAUSES: Final[dict[int, str]] = {
    sqlite3.SQLITE_BUSY: "another command has kept it busy for too long; try again when that one is done",
    sqlite3.SQLITE_LOCKED: "another command has kept it busy for too long; try again when that one is done",
    sqlite3.SQLITE_FULL: "there is no space left for it; free some and try again",
    sqlite3.SQLITE_READONLY: f"it may not be written there; {_ELSEWHERE}",
    sqlite3.SQLITE_PERM: f"it may not be written there; {_ELSEWHERE}",
    sqlite3.SQLITE_CANTOPEN: f"it may not be opened or written there; {_ELSEWHERE}",
    sqlite3.SQLITE_IOERR: "the disk cannot read or write it; is it full, or failing?",
    sqlite3.SQLITE_CORRUPT: "it is damaged; put a backup in its place (densiscan notebook backup makes them)",
    sqlite3.SQLITE_NOTADB: f"it is not a notebook; {_ELSEWHERE}",
}
_NOT_WRITABLE: Final = frozenset(
    {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL}
)


def _primary(problem: sqlite3.Error) -> int:
    """Return the primary result code; the extended ones carry it in their low byte."""
    return getattr(problem, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF


@contextmanager
def in_words(path: Path, what: str = "used") -> Iterator[None]:
    """Turn what SQLite says into one sentence of a NotebookError."""
    try:
        yield
    except sqlite3.Error as problem:
        cause = _CAUSES.get(_primary(problem), f"{problem}; {_ELSEWHERE}")
        raise NotebookError(f"the notebook {path} cannot be {what}: {cause}.") from problem
    except (UnicodeDecodeError, json.JSONDecodeError) as problem:
        cause = _CAUSES[sqlite3.SQLITE_CORRUPT]
        raise NotebookError(f"the notebook {path} cannot be {what}: {cause}.") from problem


class Store:
    """One notebook file; made on the first writing, never on reading.

    Parameters
    ----------
    path
        Need not exist yet.
    migrations
        As `notebook_schema.MIGRATIONS`, which others are passed for only in tests.
    """

    def __init__(self, path: Path, migrations: Sequence[Sequence[str]] = MIGRATIONS) -> None:
        self.path = path
        self._migrations = tuple(migrations)
        self._connection: sqlite3.Connection | None = None
        self._copied = False
        self.told: list[str] = []
        """What a person should know of the opening: that a backup was made, that this is a copy."""

    def close(self) -> None:
        """Let go of the file."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection | None]:
        """Yield a connection that sees one moment of the notebook, None where there is none yet.

        Raises
        ------
        NotebookError
            If the file cannot be read, is no notebook, or of a newer form.
        """
        connection = self._opened(create=False)
        if connection is None:
            yield None
            return
        with in_words(self.path, "read"), _one_moment(connection):
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Yield a connection whose changes are kept whole at the end, or not at all where anything is raised.

        Raises
        ------
        NotebookError
            If the file cannot be written.
        """
        connection = self._opened(create=True)
        if connection is None or self._copied:
            raise NotebookError(f"the notebook {self.path} cannot be written: its folder is read-only; {_ELSEWHERE}.")
        with in_words(self.path, "written"):
            if connection.in_transaction:
                yield connection
                return
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    connection.execute("ROLLBACK")
                raise

    def backup(self, to: Path) -> None:
        """Copy the notebook as it is at this moment; the copy is seen only when it is whole.

        Raises
        ------
        NotebookError
            If it cannot be read, or the copy not be written; also where the notebook is damaged, and with it the copy,
            which is made all the same.
        """
        with self.reading() as connection:
            if connection is None:
                raise NotebookError(f"there is no notebook at {self.path} yet, so nothing to back up.")
        source = self._opened(create=False)
        assert source is not None  # noqa: S101 - it was there just now
        with in_words(self.path, "copied"):
            damage = _copy_whole(source, to)
        if damage:
            raise NotebookError(
                f"the notebook {self.path} is damaged, and so is the copy {to}, which was made all the same; put an "
                f"older backup in its place ({damage[0]})."
            )

    def check(self) -> tuple[str, ...]:
        """Return what is wrong with the file's structure; nothing where all is well."""
        with self.reading() as connection:
            if connection is None:
                return ()
            return _damage_in(connection)

    def _opened(self, *, create: bool) -> sqlite3.Connection | None:
        if self._connection is not None:
            return self._connection
        if self.path.is_dir():
            raise NotebookError(f"{self.path} is a folder, not a notebook; name a file in it.")
        there = self.path.exists()
        if not there and not create:
            return None
        if there:
            self._require_database()
        else:
            self._make_folder()
            self._make_file()
        try:
            self._connection = self._live()
        except (sqlite3.Error, UnicodeDecodeError) as problem:
            if not there or isinstance(problem, UnicodeDecodeError) or _primary(problem) not in _NOT_WRITABLE:
                with in_words(self.path, "opened"):
                    raise
            self._connection = self._copy_in_memory()
        return self._connection

    def _require_database(self) -> None:
        """Refuse a file that is no SQLite file before anything touches it; an empty one is a new notebook."""
        try:
            with self.path.open("rb") as stream:
                head = stream.read(len(_MAGIC))
        except OSError as problem:
            reason = (problem.strerror or "unknown reason").lower()
            raise NotebookError(f"the notebook {self.path} cannot be read: {reason}; {_ELSEWHERE}.") from problem
        if head not in {b"", _MAGIC}:
            raise NotebookError(f"{self.path} is not a notebook and was left alone; {_ELSEWHERE}.")

    def _make_folder(self) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            reason = (problem.strerror or "unknown reason").lower()
            raise NotebookError(
                f"the folder {self.path.parent} of the notebook cannot be made: {reason}; {_ELSEWHERE}."
            ) from problem

    def _make_file(self) -> None:
        """Make the file, empty, for its owner alone: it holds notes and whole command lines. SQLite's own follow it."""
        with suppress(OSError):  # what cannot be made here is said when it is opened
            os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))

    def _live(self) -> sqlite3.Connection:
        """Return a connection to the file itself, its form of today."""
        connection = sqlite3.connect(
            f"{self.path.resolve().as_uri()}?mode=rwc", uri=True, timeout=BUSY_SECONDS, isolation_level=None
        )
        try:
            self._require_ours(connection)
            _write_ahead(connection)
            connection.execute("PRAGMA synchronous = FULL")
            if _number(connection, "PRAGMA user_version") < len(self._migrations):
                self._migrate(connection)
            # Asked, not assumed: a folder that cannot take the log beside the file shows here, before any reading.
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            connection.execute("PRAGMA foreign_keys = ON")
        except BaseException:
            connection.close()
            raise
        return connection

    def _require_ours(self, connection: sqlite3.Connection) -> None:
        """Refuse what is no notebook, asked of one moment: another command may be making this notebook just now."""
        with _one_moment(connection):
            mark = _number(connection, "PRAGMA application_id")
            empty = mark == 0 and _number(connection, "SELECT count(*) FROM sqlite_master") == 0
            version = _number(connection, "PRAGMA user_version")
        if mark != APPLICATION_ID and not empty:
            raise NotebookError(f"{self.path} is the data of another program and was left alone; {_ELSEWHERE}.")
        if version > len(self._migrations):
            raise NotebookError(
                f"the notebook {self.path} was written by a newer densiscan (its form is {version}, this one knows up "
                f"to {len(self._migrations)}) and was left alone; update densiscan."
            )

    def _migrate(self, connection: sqlite3.Connection) -> None:
        """Bring the file to the form of today in one transaction, after a backup of what is in it."""
        connection.execute("BEGIN IMMEDIATE")
        try:
            # Another command may have done it while this one waited.
            before = _number(connection, "PRAGMA user_version")
            if before and before < len(self._migrations) and not self._copied:
                self._back_up_form(before)
            for statements in self._migrations[before:]:
                for statement in statements:
                    connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {len(self._migrations)}")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise

    def _back_up_form(self, form: int) -> None:
        """Copy the file as it is before it is brought to another form; one command at a time is here.

        By a connection of its own: SQLite copies nothing for the one that holds the file for writing.
        """
        beside = self._backup_place(form)
        for left in beside.parent.glob(f".{beside.name}.*.part"):  # of a command that was killed here
            left.unlink(missing_ok=True)
        if not beside.exists():
            with closing(sqlite3.connect(self.path, isolation_level=None)) as reader:
                _copy_whole(reader, beside)
        self.told.append(f"The notebook was updated for this version; the old one is kept as {beside}.")

    def _backup_place(self, form: int) -> Path:
        """Return where the backup goes, or where one lies that nothing was written after; no other is written over."""
        written = max(file.stat().st_mtime_ns for file in (self.path, Path(f"{self.path}-wal")) if file.exists())
        number = 1
        while True:
            again = "" if number == 1 else f"-{number}"
            beside = self.path.with_name(f"{self.path.stem}.form-{form}{again}{self.path.suffix}")
            if not beside.exists() or beside.stat().st_mtime_ns >= written:
                return beside
            number += 1

    def _copy_in_memory(self) -> sqlite3.Connection:
        """Return a copy to read from, where the file lies in a folder that takes nothing."""
        memory = sqlite3.connect(":memory:", isolation_level=None)
        try:
            with in_words(self.path, "read"), tempfile.TemporaryDirectory(prefix="densiscan-") as folder:
                copy = Path(folder) / "copy.sqlite"
                shutil.copyfile(self.path, copy)
                log = Path(f"{self.path}-wal")
                if log.exists():
                    shutil.copyfile(log, f"{copy}-wal")
                with closing(sqlite3.connect(copy)) as source:
                    source.backup(memory)
                self._copied = True
                self._require_ours(memory)
                self._migrate(memory)
        except OSError as problem:
            memory.close()
            reason = (problem.strerror or "unknown reason").lower()
            raise NotebookError(f"the notebook {self.path} cannot be read: {reason}; {_ELSEWHERE}.") from problem
        except BaseException:
            memory.close()
            raise
        return memory


@contextmanager
def _one_moment(connection: sqlite3.Connection) -> Iterator[None]:
    """Let all that is asked within see the file as it is at the first question, whoever writes meanwhile."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    try:
        yield
    finally:
        if connection.in_transaction:  # some errors end it by themselves
            connection.execute("ROLLBACK")


def _write_ahead(connection: sqlite3.Connection) -> None:
    """Switch to write-ahead mode, which asks for the file alone and does not wait for it by itself."""
    until = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as problem:
            if _primary(problem) not in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED} or time.monotonic() > until:
                raise
            time.sleep(0.01)
        else:
            return


def _number(connection: sqlite3.Connection, question: str) -> int:
    return int(connection.execute(question).fetchone()[0])


def _damage_in(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Return what is wrong with a database's structure; nothing where all is well."""
    wrong = [str(row[0]) for row in connection.execute("PRAGMA integrity_check") if row[0] != "ok"]
    wrong += [f"{row[0]} points nowhere" for row in connection.execute("PRAGMA foreign_key_check")]
    return tuple(wrong)


def _copy_whole(source: sqlite3.Connection, to: Path) -> tuple[str, ...]:
    """Copy a database beside the place first, then move it there; return what is wrong with the copy, read again."""
    beside = to.with_name(f".{to.name}.{os.getpid()}.part")
    try:
        beside.unlink(missing_ok=True)
        with closing(sqlite3.connect(beside)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            damage = _damage_in(copy)
        beside.chmod(0o600)
        with beside.open("rb+") as written:
            os.fsync(written.fileno())
        beside.replace(to)
        sync_folder(to.parent)
    except (sqlite3.Error, OSError) as problem:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
        raise NotebookError(
            f"the backup {to} cannot be written: {str(problem).lower()}; nothing was changed, choose another place."
        ) from problem
    return damage
