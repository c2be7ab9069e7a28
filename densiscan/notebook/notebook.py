"""The notebook as the rest of the program sees it: runs, readings, and documents kept by name."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from densiscan import __version__
from densiscan.arithmetic.quantity import Quantity
from densiscan.development.run import Run, require_name
from densiscan.development.usable_readings import Counted
from densiscan.errors import NotebookError, WrongUseError
from densiscan.files.atomic import as_text
from densiscan.notebook import materials, readings
from densiscan.notebook import runs as notebook_runs
from densiscan.notebook.counting import counted_by_run
from densiscan.notebook.history import NotebookChange, changes
from densiscan.notebook.materials import Batch
from densiscan.notebook.merge import Merged, merge
from densiscan.notebook.news import News, news_of
from densiscan.notebook.readings import KeptReading, NewReading
from densiscan.notebook.runs import RunChoice
from densiscan.notebook.stamp import Stamp, last_made, never_back
from densiscan.notebook.store import Store
from densiscan.notebook.tables import TABLES, Tables, checked, tables_of


def _now() -> str:
    # To the microsecond: which of two readings was made last must not be a matter of chance.
    return datetime.now(tz=UTC).isoformat(timespec="microseconds")


class Notebook:
    """One notebook; what changes it is one whole transaction each, on the disk when the call returns.

    Parameters
    ----------
    path
        Its file. It is made by the first change, never by looking.
    arguments
        The command line, kept with everything that this notebook is given.
    clock
        Tells the time, ISO 8601.
    """

    def __init__(
        self, path: str | os.PathLike[str], *, arguments: Sequence[str] = (), clock: Callable[[], str] = _now
    ) -> None:
        self.path = Path(path)
        self._store = Store(self.path)
        self._arguments = " ".join(arguments)
        self._clock = clock
        self._news: list[News] = []

    def __repr__(self) -> str:
        return f"<Notebook {as_text(self.path)}>"

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    @property
    def told(self) -> tuple[str, ...]:
        """Sentences a person should read: that the notebook was brought to a new form, and where the old one is."""
        return tuple(self._store.told)

    def take_news(self) -> tuple[News, ...]:
        """Return what has changed in what counts for runs since this was last asked, the earliest first."""
        news = tuple(self._news)
        self._news.clear()
        return news

    def _stamp(self, connection: sqlite3.Connection, act: str | None = None) -> Stamp:
        moment = never_back(self._clock(), last_made(connection))
        stamp = Stamp(made=moment, version=__version__, arguments=self._arguments)
        return stamp if act is None else replace(stamp, act=act)

    def named(self, kind: str, name: str) -> str | None:
        """Return how the notebook spells a film or developer (`films`, `developers`) that this name means."""
        with self._store.reading() as connection:
            names = {} if connection is None else notebook_runs.same_named(connection, kind, name)
        return next(iter(names.values()), None)

    def names_of(self, kind: str) -> tuple[str, ...]:
        """Return the films or developers (`films`, `developers`) that there are runs of."""
        with self._store.reading() as connection:
            return () if connection is None else notebook_runs.names_in(connection, kind)

    def runs(
        self,
        film: str | None = None,
        developer: str | None = None,
        *,
        removed: bool | None = False,
        last: int | None = None,
    ) -> tuple[Run, ...]:
        """Return runs, the earliest first.

        Parameters
        ----------
        film, developer
            Only those of it, by what the name means: spaces, hyphens, letters large or small make no other.
        removed
            False: those that count; True: those taken out; None: both.
        last
            Only so many, the latest.
        """
        choice = RunChoice(film=film, developer=developer, removed=removed, last=last)
        with self._store.reading() as connection:
            return () if connection is None else notebook_runs.runs(connection, choice)

    def last_run(self, film: str | None = None, developer: str | None = None, *, removed: bool = False) -> Run | None:
        """Return the latest run, of a film and developer where they are named; None where there is none."""
        return next(iter(self.runs(film, developer, removed=removed, last=1)), None)

    def count_runs(self, film: str | None = None, developer: str | None = None, *, removed: bool | None = False) -> int:
        """Return how many runs `runs` would return."""
        choice = RunChoice(film=film, developer=developer, removed=removed)
        with self._store.reading() as connection:
            return 0 if connection is None else notebook_runs.count_runs(connection, choice)

    def run(self, number: int) -> Run:
        """Return one run, removed or not; WrongUseError where there is none of that number."""
        with self._store.reading() as connection:
            return notebook_runs.run_numbered(connection, number)

    def add_run(self, run: Run) -> Run:
        """Keep a new run and return it with its number; `run.number` is not used."""
        with self._store.writing() as connection:
            number = notebook_runs.add_run(connection, run, self._stamp(connection))
            return notebook_runs.run_numbered(connection, number)

    def correct_run(self, number: int, **facts: Any) -> Run:
        """Change facts of a run, named as the fields of `Run`, and return it; what it was before is kept.

        Density ranges and bases plus fog take the place of those read elsewhere; those of scans stay.
        """
        with self._store.writing() as connection:
            run = before = notebook_runs.run_numbered(connection, number)
            reread = bool({"density_ranges", "base_plus_fogs"} & facts.keys())
            if reread:
                spans, bases = notebook_runs.elsewhere(connection, number)
                run = replace(run, density_ranges=spans, base_plus_fogs=bases)
            notebook_runs.correct_run(connection, replace(run, **facts), self._stamp(connection), reread=reread)
            after = notebook_runs.run_numbered(connection, number)
            self._news.append(News(before=(before,), after=(after,)))
            return after

    def undo(self) -> tuple[str, Run | None] | None:
        """Take back the last change of any run or reading; a second undo brings it back.

        Returns
        -------
        tuple or None
            What was taken back, one of `notebook_schema.CHANGES`, and its run as it is now, None where it is of no run;
            None where nothing was ever changed.
        """
        with self._store.reading() as there:
            if there is None:
                return None
        with self._store.writing() as connection:
            touched = notebook_runs.last_act(connection)
            before = _numbered(connection, touched)
            undone = notebook_runs.undo(connection, self._stamp(connection))
            self._news.append(News(before=before, after=_numbered(connection, touched)))
            if undone is None:
                return None
            return undone.what, None if undone.run is None else notebook_runs.run_numbered(connection, undone.run)

    def history(self, last: int = 20) -> tuple[NotebookChange, ...]:
        """Return the changes of runs and readings made last, at most so many, the latest last."""
        with self._store.reading() as connection:
            return () if connection is None else changes(connection, last)

    def remove_run(self, number: int) -> Run:
        """Take a run out, so that it counts for nothing until it is restored; WrongUseError where it is out."""
        return self._set_removed(number, removed=True)

    def restore_run(self, number: int) -> Run:
        """Put back a run that was taken out; WrongUseError where it is not out."""
        return self._set_removed(number, removed=False)

    def _set_removed(self, number: int, *, removed: bool) -> Run:
        with self._store.writing() as connection:
            if notebook_runs.run_numbered(connection, number).removed is removed:
                state = "removed already" if removed else "not removed, so there is nothing to restore"
                raise WrongUseError(f"run {number} is {state}; densiscan run list --removed shows those that are.")
            notebook_runs.set_removed(connection, number, self._stamp(connection), removed=removed)
            return notebook_runs.run_numbered(connection, number)

    def uses_of(self, developer: str, batch: str) -> int:
        """Return how often a batch of a developer was used so far."""
        with self._store.reading() as connection:
            return 0 if connection is None else materials.uses_of(connection, developer, batch)

    def add_reading(self, new: NewReading) -> str:
        """Keep a reading and return its uid; measured in the same way before, it is not kept twice."""
        return self.add_readings([new])[0]

    def add_readings(self, new: Sequence[NewReading], *, act: str | None = None) -> tuple[str, ...]:
        """Keep readings, all or none; WrongUseError where one names a run that there is not.

        Those of one `act` are undone together; None: these alone.
        """
        with self._store.writing() as connection:
            for number in {one.run for one in new if one.run is not None}:
                notebook_runs.run_numbered(connection, number)
            were = readings.runs_before(connection, new)
            touched = {one.run for one in new} | set(were.values())
            before = _numbered(connection, touched)
            uids = readings.add_readings(connection, new, self._stamp(connection, act))
            after = _numbered(connection, touched)
            self._news.append(news_of(connection, new, uids, were=were, before=before, after=after))
            return uids

    def readings(
        self, *, run: int | None = None, removed: bool | None = False, with_documents: bool = True
    ) -> tuple[KeptReading, ...]:
        """Return the readings, of one run or all, in the order they were made; `removed` None: those taken out too."""
        with self._store.reading() as connection:
            if connection is None:
                return ()
            return readings.readings(connection, run=run, removed=removed, with_documents=with_documents)

    def counting_readings(
        self, *, runs: Sequence[int] | None = None, with_documents: bool = True
    ) -> tuple[KeptReading, ...]:
        """Return, of each negative, the reading that counts for its run.

        Where no runs are given, those of all runs, and of each negative of no run the reading made last.
        """
        with self._store.reading() as connection:
            if connection is None:
                return ()
            return readings.counting_readings(connection, runs=runs, with_documents=with_documents)

    def counted(self, runs: Sequence[int]) -> dict[int, Counted]:
        """Return, by run, which readings count and what for; nothing of a run that none was ever made for."""
        with self._store.reading() as connection:
            return {} if connection is None else counted_by_run(connection, runs)

    def remove_readings(self, numbers: Sequence[int]) -> None:
        """Take readings out, so that they count for nothing and stand on no page until they are restored."""
        self._set_readings(numbers, removed=True)

    def restore_readings(self, numbers: Sequence[int]) -> None:
        """Put back readings that were taken out."""
        self._set_readings(numbers, removed=False)

    def _set_readings(self, numbers: Sequence[int], *, removed: bool) -> None:
        with self._store.writing() as connection:
            touched = readings.runs_of_readings(connection, numbers)
            before = _numbered(connection, touched)
            readings.set_removed(connection, numbers, self._stamp(connection), removed=removed)
            self._news.append(News(before=before, after=_numbered(connection, touched)))

    def readings_of_scan(
        self, scan_sha256: str, calibration: Mapping[str, Any], options: Mapping[str, Any]
    ) -> tuple[KeptReading, ...]:
        """Return the readings a scan gave when measured in this way, by piece; none where it was not."""
        with self._store.reading() as connection:
            if connection is None:
                return ()
            return readings.readings_of_scan(connection, scan_sha256, calibration, options)

    def how_read(self, uid: str) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return the document of the calibration a reading was made with, and its options; empty where not known."""
        with self._store.reading() as connection:
            return ({}, {}) if connection is None else readings.how_read(connection, uid)

    def keep(self, kind: str, name: str, document: Mapping[str, Any], *, scan_sha256: str | None = None) -> None:
        """Keep a document of a kind, one of `notebook_schema.KINDS`, under a name."""
        readings.require_kind(kind)
        require_name(name, "name")
        with self._store.writing() as connection:
            readings.keep(connection, kind, name, document, stamp=self._stamp(connection), scan_sha256=scan_sha256)

    def kept(self, kind: str, name: str) -> dict[str, Any] | None:
        """Return the document last kept under a name, None where there is none."""
        readings.require_kind(kind)
        with self._store.reading() as connection:
            return None if connection is None else readings.kept(connection, kind, name)

    def film_calibration_from(self, scan_sha256: str) -> str | None:
        """Return the name of a calibration for film that was made from this scan, the last one; None where none was."""
        with self._store.reading() as connection:
            return None if connection is None else readings.film_calibration_from(connection, scan_sha256)

    def names(self, kind: str) -> tuple[str, ...]:
        """Return the names that documents of a kind are kept under, the last kept first."""
        readings.require_kind(kind)
        with self._store.reading() as connection:
            return () if connection is None else readings.names(connection, kind)

    def film_base(self, film: str) -> Quantity | None:
        """Return the density of a film's base, None where it is not known."""
        with self._store.reading() as connection:
            return None if connection is None else materials.film_base(connection, film)

    def set_film_base(self, film: str, base: Quantity) -> None:
        """Keep the density of a film's base."""
        require_name(film, "film")
        with self._store.writing() as connection:
            materials.set_film_base(connection, film, base, self._clock())

    def batch(self, developer: str, name: str) -> Batch:
        """Return what is known of a batch; WrongUseError where there is none of that name."""
        with self._store.reading() as connection:
            return materials.batch(connection, developer, name)

    def set_batch(self, developer: str, name: str, *, mixed: str | None, discarded: str | None) -> None:
        """Set when a batch was mixed and discarded, as far as said."""
        require_name(developer, "developer")
        require_name(name, "batch")
        days = {"mixed": mixed, "discarded": discarded}
        with self._store.writing() as connection:
            materials.set_batch(connection, developer, name, days, self._clock())

    def tables(self) -> Tables:
        """Return everything in the notebook as plain tables; empty ones where there is no notebook."""
        with self._store.reading() as connection:
            return {table: [] for table in TABLES} if connection is None else tables_of(connection)

    def merge(self, tables: Tables) -> Merged:
        """Merge tables that `notebook_tables.checked` has passed, all of them or nothing."""
        with self._store.writing() as connection:
            before = notebook_runs.runs(connection, RunChoice(removed=None))
            merged = merge(connection, tables, self._stamp(connection))
            self._news.append(News(before=before, after=notebook_runs.runs(connection, RunChoice(removed=None))))
            return merged

    def backup(self, to: str | os.PathLike[str]) -> None:
        """Copy the notebook as it is at this moment; the copy is seen only when it is whole."""
        self._store.backup(Path(to))

    def check(self) -> tuple[str, ...]:
        """Return what is wrong with the notebook, its file or one of its rows; nothing where all is well."""
        wrong = self._store.check()
        if wrong:
            return wrong
        try:
            checked(self.tables(), "the notebook")
        except NotebookError as problem:
            return (str(problem).removesuffix("; nothing was imported."),)
        return ()


def _numbered(connection: sqlite3.Connection, numbers: Iterable[int | None]) -> tuple[Run, ...]:
    wanted = sorted(number for number in set(numbers) if number is not None)
    return tuple(notebook_runs.run_numbered(connection, number) for number in wanted)
