"""The notebook as the rest of the program sees it: runs, readings, and documents kept by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from densiscan import __version__, notebook_readings, notebook_runs
from densiscan.development_runs import Run, require_name
from densiscan.errors import NotebookError, WrongUseError
from densiscan.notebook_merge import Merged, merge
from densiscan.notebook_readings import KeptReading, NewReading
from densiscan.notebook_runs import Batch, Choice, Stamp
from densiscan.notebook_store import Store
from densiscan.notebook_tables import TABLES, Tables, checked, tables_of
from densiscan.quantity import Quantity


def _now() -> str:
    return datetime.now(tz=UTC).isoformat(timespec="seconds")


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

    def __init__(self, path: Path, *, arguments: Sequence[str] = (), clock: Callable[[], str] = _now) -> None:
        self.path = path
        self._store = Store(path)
        self._arguments = " ".join(arguments)
        self._clock = clock

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

    def _stamp(self) -> Stamp:
        return Stamp(made=self._clock(), version=__version__, arguments=self._arguments)

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
            Only those of it; letters large or small are the same.
        removed
            False: those that count; True: those taken out; None: both.
        last
            Only so many, the latest.
        """
        choice = Choice(film=film, developer=developer, removed=removed, last=last)
        with self._store.reading() as connection:
            return () if connection is None else notebook_runs.runs(connection, choice)

    def count_runs(self, film: str | None = None, developer: str | None = None, *, removed: bool | None = False) -> int:
        """Return how many runs `runs` would return."""
        choice = Choice(film=film, developer=developer, removed=removed)
        with self._store.reading() as connection:
            return 0 if connection is None else notebook_runs.count_runs(connection, choice)

    def run(self, number: int) -> Run:
        """Return one run, removed or not; WrongUseError where there is none of that number."""
        with self._store.reading() as connection:
            return notebook_runs.run_numbered(connection, number)

    def add_run(self, run: Run) -> Run:
        """Keep a new run and return it with its number; `run.number` is not used."""
        with self._store.writing() as connection:
            number = notebook_runs.add_run(connection, run, self._stamp())
            return notebook_runs.run_numbered(connection, number)

    def correct_run(self, number: int, **facts: Any) -> Run:
        """Change facts of a run, named as the fields of `Run`, and return it; what it was before is kept.

        Density ranges and bases plus fog take the place of those read elsewhere; those of scans stay.
        """
        with self._store.writing() as connection:
            run = notebook_runs.run_numbered(connection, number)
            reread = bool({"density_ranges", "base_plus_fogs"} & facts.keys())
            if reread:
                spans, bases = notebook_runs.elsewhere(connection, number)
                run = replace(run, density_ranges=spans, base_plus_fogs=bases)
            notebook_runs.correct_run(connection, replace(run, **facts), self._stamp(), reread=reread)
            return notebook_runs.run_numbered(connection, number)

    def undo(self) -> tuple[str, Run] | None:
        """Take back the last change of any run (`add`, `correct`, `remove`, `restore`); a second undo brings it back.

        Returns
        -------
        tuple or None
            What was taken back, and the run as it is now; None where nothing was ever changed.
        """
        with self._store.reading() as there:
            if there is None:
                return None
        with self._store.writing() as connection:
            undone = notebook_runs.undo(connection, self._stamp())
            return None if undone is None else (undone[0], notebook_runs.run_numbered(connection, undone[1]))

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
            notebook_runs.set_removed(connection, number, self._stamp(), removed=removed)
            return notebook_runs.run_numbered(connection, number)

    def uses_of(self, developer: str, batch: str) -> int:
        """Return how often a batch of a developer was used so far."""
        with self._store.reading() as connection:
            return 0 if connection is None else notebook_runs.uses_of(connection, developer, batch)

    def add_reading(self, new: NewReading) -> str:
        """Keep a reading and return its uid; measured in the same way before, it is not kept twice."""
        return self.add_readings([new])[0]

    def add_readings(self, new: Sequence[NewReading]) -> tuple[str, ...]:
        """Keep readings, all or none; WrongUseError where one names a run that there is not."""
        stamp = self._stamp()
        with self._store.writing() as connection:
            for number in {one.run for one in new if one.run is not None}:
                notebook_runs.run_numbered(connection, number)
            return tuple(notebook_readings.add_reading(connection, one, stamp) for one in new)

    def readings(self, *, run: int | None = None, with_documents: bool = True) -> tuple[KeptReading, ...]:
        """Return the readings, of one run or all, in the order they were made."""
        with self._store.reading() as connection:
            if connection is None:
                return ()
            return notebook_readings.readings(connection, run=run, with_documents=with_documents)

    def last_readings(self, runs: Sequence[int]) -> tuple[KeptReading, ...]:
        """Return, of each negative of these runs, the reading made last, without its document."""
        with self._store.reading() as connection:
            return () if connection is None else notebook_readings.last_readings(connection, runs)

    def judged(self, runs: Sequence[int]) -> dict[int, dict[str, dict[str, Any]]]:
        """Return, by run and by the uid of each negative, what its last reading says of its frame, as `measure` did."""
        with self._store.reading() as connection:
            return {} if connection is None else notebook_readings.judged(connection, runs)

    def readings_of_scan(
        self, scan_sha256: str, calibration: Mapping[str, Any], options: Mapping[str, Any]
    ) -> tuple[KeptReading, ...]:
        """Return the readings a scan gave when measured in this way, by piece; none where it was not."""
        with self._store.reading() as connection:
            if connection is None:
                return ()
            return notebook_readings.readings_of_scan(connection, scan_sha256, calibration, options)

    def how_read(self, uid: str) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return the document of the calibration a reading was made with, and its options; empty where not known."""
        with self._store.reading() as connection:
            return ({}, {}) if connection is None else notebook_readings.how_read(connection, uid)

    def keep(self, kind: str, name: str, document: Mapping[str, Any], *, scan_sha256: str | None = None) -> None:
        """Keep a document of a kind (`wedge`, `calibration`, `film-test`, `paper-test`, `print`) under a name."""
        notebook_readings.require_kind(kind)
        require_name(name, "--name")
        with self._store.writing() as connection:
            notebook_readings.keep(connection, kind, name, document, stamp=self._stamp(), scan_sha256=scan_sha256)

    def kept(self, kind: str, name: str) -> dict[str, Any] | None:
        """Return the document last kept under a name, None where there is none."""
        notebook_readings.require_kind(kind)
        with self._store.reading() as connection:
            return None if connection is None else notebook_readings.kept(connection, kind, name)

    def names(self, kind: str) -> tuple[str, ...]:
        """Return the names that documents of a kind are kept under, the last kept first."""
        notebook_readings.require_kind(kind)
        with self._store.reading() as connection:
            return () if connection is None else notebook_readings.names(connection, kind)

    def film_base(self, film: str) -> Quantity | None:
        """Return the density of a film's base, None where it is not known."""
        with self._store.reading() as connection:
            return None if connection is None else notebook_runs.film_base(connection, film)

    def set_film_base(self, film: str, base: Quantity) -> None:
        """Keep the density of a film's base."""
        require_name(film, "--film")
        with self._store.writing() as connection:
            notebook_runs.set_film_base(connection, film, base, self._clock())

    def batch(self, developer: str, name: str) -> Batch:
        """Return what is known of a batch; WrongUseError where there is none of that name."""
        with self._store.reading() as connection:
            return notebook_runs.batch(connection, developer, name)

    def set_batch(self, developer: str, name: str, *, mixed: str | None, discarded: str | None) -> None:
        """Set when a batch was mixed and discarded, as far as said."""
        require_name(developer, "--developer")
        require_name(name, "--batch")
        days = {"mixed": mixed, "discarded": discarded}
        with self._store.writing() as connection:
            notebook_runs.set_batch(connection, developer, name, days, self._clock())

    def tables(self) -> Tables:
        """Return everything in the notebook as plain tables; empty ones where there is no notebook."""
        with self._store.reading() as connection:
            return {table: [] for table in TABLES} if connection is None else tables_of(connection)

    def merge(self, tables: Tables) -> Merged:
        """Merge tables that `notebook_tables.checked` has passed, all of them or nothing."""
        with self._store.writing() as connection:
            return merge(connection, tables, self._stamp())

    def backup(self, to: Path) -> None:
        """Copy the notebook as it is at this moment; the copy is seen only when it is whole."""
        self._store.backup(to)

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
