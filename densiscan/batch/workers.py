"""Many scans at a time: workers, results in order, and what comes of a worker that dies.

Any `concurrent.futures.Executor` will do. A worker that dies takes a pool of processes with it; the scans that were
under way are then tried again, one at a time in a new pool, so that the one that kills its worker is known and fails
alone.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from multiprocessing import connection
from pathlib import Path
from typing import Final, Generic, TypeVar

from densiscan.arithmetic.one_thread import ONE_THREAD, environment
from densiscan.batch.assessment import Failure, Outcome, Task, measure_one
from densiscan.calibration.calibration import Calibration
from densiscan.scan.threads import usable_cores

Item = tuple[Path, Outcome | None]
"""A scan, and what came of it where that is known already."""

Work = TypeVar("Work")

_TRIES: Final = 2
_AHEAD: Final = 2
"""Scans handed out for each worker: one under way, one waiting, so that none stands idle."""


@dataclass(slots=True, kw_only=True)
class Workers:
    """An executor, and how to get another when it breaks.

    Attributes
    ----------
    make
        Makes the executor; None where the one given cannot be replaced.
    count
        How many scans it works on at a time.
    """

    count: int
    make: Callable[[], Executor] | None = None
    executor: Executor | None = None
    _children: set[multiprocessing.process.BaseProcess] = field(default_factory=set)

    def submit(self, work: Callable[[Path], Work], path: Path) -> Future[Work]:
        """Hand out one scan."""
        if self.executor is None and self.make is not None:
            self.executor = self.make()
        if self.executor is None:
            raise BrokenExecutor
        if self.make is None:
            return self.executor.submit(work, path)
        before = set(multiprocessing.active_children())
        # A worker half started would find its parent gone, and say so with a trace.
        with _before_ctrl_c():
            future = self.executor.submit(work, path)
            self._children |= set(multiprocessing.active_children()) - before
        return future

    def renew(self) -> bool:
        """Let go of a broken executor; return whether there can be another."""
        self.stop(at_once=True)
        self.executor = None
        return self.make is not None

    def stop(self, *, at_once: bool) -> None:
        """End the workers that were made here: after their work, or at once.

        Notes
        -----
        Waits until the pool's own thread has ended too: one that still closes its pipes while Python exits makes
        Python write to a closed pipe, and say so.
        """
        if self.executor is None or self.make is None:
            return
        if at_once:
            for child in self._children:
                child.terminate()
        self.executor.shutdown(cancel_futures=True)
        self._children.clear()
        self.executor = None


def processes(jobs: int | None = None) -> Workers:
    """Return worker processes of this machine, as many as there are cores where no number is given.

    Processes, not threads: what follows the pass over a scan is much small arithmetic under Python's one lock.
    """
    count = jobs or usable_cores()
    # A fork of a process that runs threads may hang; a server that forks before it has any, and has everything
    # imported, starts workers as quickly.
    served = "forkserver" in multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if served else "spawn")
    if served:
        _serve()
    return Workers(count=count, make=partial(ProcessPoolExecutor, count, mp_context=context, initializer=_deaf))


def _serve() -> None:
    """Start the server that forks workers, where it does not run yet; it must find this very package."""
    from multiprocessing import forkserver, resource_tracker

    before = os.environ.get("PYTHONPATH")
    places = [str(Path(__file__).resolve().parents[2]), *([before] if before else [])]
    theirs = {**ONE_THREAD, **{name: os.environ[name] for name in ONE_THREAD if name in os.environ}}
    forkserver.set_forkserver_preload(["densiscan.batch.workers"])
    # Started by the server, the tracker would let Ctrl-C through again.
    resource_tracker.ensure_running()
    # While it still imports, the server would answer Ctrl-C with a trace; here it comes through a moment later.
    with _interrupt_held(), environment({**theirs, "PYTHONPATH": os.pathsep.join(places)}):
        forkserver.ensure_running()


@contextmanager
def _interrupt_held() -> Iterator[None]:
    """Let Ctrl-C wait, for this process and for what it starts meanwhile, where the system can do so."""
    if sys.platform == "win32":
        yield
        return
    open_before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, open_before)


@contextmanager
def _before_ctrl_c() -> Iterator[None]:
    """Let Ctrl-C wait until what is inside is done."""
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or before is None:
        yield
        return
    waiting: list[int] = []
    signal.signal(signal.SIGINT, lambda number, _frame: waiting.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    for number in waiting[:1]:
        signal.raise_signal(number)


def _deaf() -> None:
    """Leave Ctrl-C to the process that hands out the work, and end when that ends, whatever ended it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, name="ends with its parent", daemon=True).start()


def _end_with_parent() -> None:
    """Wait for the end of the process that hands out the work, and end at once: nobody is there to take anything."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def given(executor: Executor, count: int) -> Workers:
    """Return the workers of an executor that somebody else made and will end."""
    return Workers(count=count, executor=executor)


def measured(
    items: Iterable[Item], calibration: Calibration | None, task: Task, workers: Workers
) -> Generator[tuple[Path, Outcome], None, None]:
    """Yield each scan with what came of it, in the order given, as soon as it and those before it are done.

    Parameters
    ----------
    items
        Taken as workers become free.
    """
    yield from worked(
        items, partial(measure_one, calibration=calibration, task=task), workers, Fate(lost=lost, named=named_as)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate(Generic[Work]):
    """What is made of a scan whose worker was lost, told why, and of what comes back under the name it was given."""

    lost: Callable[[Path, str], Work]
    named: Callable[[Path, Work], Work]


def worked(
    items: Iterable[tuple[Path, Work | None]],
    work: Callable[[Path], Work],
    workers: Workers,
    fate: Fate[Work],
    *,
    ordered: bool = True,
) -> Generator[tuple[Path, Work], None, None]:
    """Yield each scan with what a function makes of it.

    Parameters
    ----------
    items
        Scans, with what is known of them already; taken as workers become free.
    work
        Called in a worker.
    ordered
        Whether in the order given; else as it comes, so that a slow scan holds up none.

    Notes
    -----
    When the iteration is given up, by Ctrl-C too, work under way is dropped.
    """
    line = _Queue(work=work, workers=workers, fate=fate, ordered=ordered)
    done = False
    try:
        yield from line.run(iter(items))
        done = True
    finally:
        workers.stop(at_once=not done)


@dataclass(slots=True, eq=False, kw_only=True)
class _Queue(Generic[Work]):
    """Scans on their way through the workers."""

    work: Callable[[Path], Work]
    workers: Workers
    fate: Fate[Work]
    ordered: bool
    paths: dict[int, Path] = field(default_factory=dict)
    deaths: dict[int, int] = field(default_factory=dict)
    under_way: dict[Future[Work], int] = field(default_factory=dict)
    suspects: deque[int] = field(default_factory=deque)
    outcomes: dict[int, Work] = field(default_factory=dict)

    def run(self, items: Iterator[tuple[Path, Work | None]]) -> Generator[tuple[Path, Work], None, None]:
        """Yield what came of the scans."""
        number = shown = 0
        more = True
        while more or self.paths:
            while more and self._free(len(self.paths)):
                item = next(items, None)
                more = item is not None
                if item is not None:
                    self._take(number, *item)
                    number += 1
            while self.outcomes and (shown in self.outcomes or not self.ordered):
                at = shown if self.ordered else next(iter(self.outcomes))
                yield self.paths.pop(at), self.outcomes.pop(at)
                shown += 1
            self._next_suspect()
            if self.under_way:
                self._gather()

    def _free(self, waiting: int) -> bool:
        """Tell whether another scan may be handed out; one that is slow lets the rest run ahead only so far."""
        most = _AHEAD * self.workers.count
        return not self.suspects and len(self.under_way) < most and waiting < 50 * most

    def _take(self, number: int, path: Path, outcome: Work | None) -> None:
        self.paths[number] = path
        if outcome is not None:
            self.outcomes[number] = outcome
        else:
            self._submit(number)

    def _submit(self, number: int) -> None:
        try:
            # A worker may stand in another folder.
            future = self.workers.submit(self.work, self.paths[number].absolute())
        except BrokenExecutor:
            self.suspects.append(number)
            self._mourn([])
        else:
            self.under_way[future] = number

    def _next_suspect(self) -> None:
        """Try the next scan that may have killed its worker, alone."""
        if self.suspects and not self.under_way:
            self._submit(self.suspects.popleft())

    def _gather(self) -> None:
        finished, _ = wait(self.under_way, return_when=FIRST_COMPLETED)
        dead: list[int] = []
        for future in finished:
            number = self.under_way.pop(future)
            problem = future.exception() if not future.cancelled() else None
            if isinstance(problem, BrokenExecutor) or future.cancelled():
                dead.append(number)
            elif problem is not None:
                self.outcomes[number] = self.fate.lost(self.paths[number], type(problem).__name__)
            else:
                self.outcomes[number] = self.fate.named(self.paths[number], future.result())
        if dead:
            self._mourn(dead)

    def _mourn(self, dead: list[int]) -> None:
        """Take up after workers that died: every scan that was under way may have killed them."""
        for future in list(self.under_way):
            if future.done() and not future.cancelled() and future.exception() is None:
                number = self.under_way[future]
                self.outcomes[number] = self.fate.named(self.paths[number], future.result())
            else:
                dead.append(self.under_way[future])
            del self.under_way[future]
        again = self.workers.renew()
        for number in sorted(dead):
            # With others under way it may be any of them; only a death alone is its own.
            self.deaths[number] = self.deaths.get(number, 0) + (len(dead) == 1)
            if again and self.deaths[number] < _TRIES:
                self.suspects.append(number)
            else:
                self.outcomes[number] = self.fate.lost(self.paths[number], "")
        if not again:
            while self.suspects:
                number = self.suspects.popleft()
                self.outcomes[number] = self.fate.lost(self.paths[number], "")


def lost(path: Path, problem: str) -> Failure:
    """Return the failure of a scan whose worker was lost."""
    why = f" ({problem})" if problem else ""
    message = (
        f"{path} could not be measured: its worker was killed or crashed{why}, as when memory runs out or a file is "
        "badly damaged; measure it by itself, or with --jobs 1."
    )
    return Failure(path=path, code="worker-died", message=message)


def named_as(path: Path, outcome: Outcome) -> Outcome:
    """Return an outcome under the name that the scan was given by, where the worker had another for it."""
    if isinstance(outcome, Failure):
        return replace(outcome, path=path, message=outcome.message.replace(str(path.absolute()), str(path)))
    return tuple(replace(assessment, path=path) for assessment in outcome)
