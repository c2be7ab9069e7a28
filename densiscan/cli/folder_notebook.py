"""What the notebook knows of the scans of a folder, and what it is given of them as they are measured."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from uuid import uuid4

from densiscan import __version__
from densiscan.batch.assessment import Assessment, Outcome, Task
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import calibration_document
from densiscan.cli.keep import opened, tell, tell_news, tell_of_waiting_run, wanted
from densiscan.cli.options import say
from densiscan.errors import DensiscanError
from densiscan.notebook.as_read import assessment_of
from densiscan.notebook.keep import read_by, task_options
from densiscan.notebook.readings import NewReading, file_sha256, file_status
from densiscan.report.readings import reading_document

if TYPE_CHECKING:
    from densiscan.notebook.notebook import Notebook

_READ_AHEAD: Final = 4
"""Files whose SHA-256 is being made while others are measured."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """A scan's file as it was before it was measured."""

    digest: str
    size: int
    changed_ns: int


@dataclass(slots=True, kw_only=True)
class Memory:
    """The notebook, as far as a folder needs it; nothing at all where none is wanted.

    Attributes
    ----------
    run
        The run that the readings belong to.
    again
        Whether scans are read again that the notebook has.
    act
        What is kept is undone together by this; None: scan by scan.
    """

    made: Calibration | None
    task: Task
    run: int | None = None
    again: bool = False
    act: str | None = None
    book: Notebook | None = None
    seen: dict[Path, _Seen] = field(default_factory=dict)
    how: tuple[dict[str, Any] | None, dict[str, Any]] = field(init=False)
    failed: bool = False

    def __post_init__(self) -> None:
        self.how = None if self.made is None else calibration_document(self.made), task_options(self.task)

    def items(self, files: Sequence[Path]) -> Iterator[tuple[Path, Outcome | None]]:
        """Yield each file with what the notebook has of it: None where it is to be read."""
        if self.book is None:
            yield from ((path, None) for path in files)
            return
        waiting: deque[tuple[Path, Future[_Seen | None]]] = deque()
        with ThreadPoolExecutor(2) as pool:
            for path in files:
                waiting.append((path, pool.submit(_look, path)))
                if len(waiting) > _READ_AHEAD:
                    yield self._item(*waiting.popleft())
            while waiting:
                yield self._item(*waiting.popleft())

    def _item(self, path: Path, looked: Future[_Seen | None]) -> tuple[Path, Outcome | None]:
        file = looked.result()
        if file is None:
            return path, None
        self.seen[path] = file
        readings = None if self.again else self._known(path, file.digest)
        if readings is not None:
            del self.seen[path]
        return path, readings

    def _known(self, path: Path, digest: str) -> tuple[Assessment, ...] | None:
        calibration, options = self.how
        if self.book is None or calibration is None or self.task.beside is not None:
            # What a scan reads by the wedge on it is not known before it is read.
            return None
        with suppress(DensiscanError, KeyError, TypeError, ValueError):
            kept = self.book.readings_of_scan(digest, calibration, options)
            # Another version may read the same scan otherwise.
            documents = [one.document for one in kept if one.document and one.version == __version__]
            assessments = tuple(assessment_of(document, path, self.task.told) for document in documents)
            if assessments and len(assessments) == len(kept):
                if self.run is not None:
                    self._add(digest, assessments, documents)
                return assessments
        return None

    def keep(self, path: Path, outcome: Outcome) -> None:
        """Keep what was read of a scan, unless its file has changed meanwhile."""
        file = self.seen.pop(path, None)
        if self.book is None or file is None or not isinstance(outcome, tuple):
            return
        now = file_status(path)
        if now == (file.size, file.changed_ns):
            self._add(file.digest, outcome, [reading_document(assessment) for assessment in outcome])

    def tell(self) -> None:
        """Say how what counts for runs has changed since it was last said."""
        if self.book is not None:
            tell_news(self.book)

    def _add(self, digest: str, outcome: Sequence[Assessment], documents: Sequence[dict[str, Any]]) -> None:
        if self.book is None or self.failed:
            return
        calibration, options = self.how
        new = [
            NewReading(
                file=assessment.reading.file,
                scan_sha256=digest,
                piece=assessment.reading.piece,
                calibration=read_by(assessment, calibration),
                options=options,
                document=document,
                run=self.run,
            )
            for assessment, document in zip(outcome, documents, strict=True)
        ]
        try:
            self.book.add_readings(new, act=self.act)
        except DensiscanError as problem:
            # Said once; the readings themselves are not lost.
            self.failed = True
            say(f"densiscan: the readings are not in the notebook: {problem}")


def memory_for(
    made: Calibration | None,
    task: Task,
    option: Path | None,
    *,
    run: int | None = None,
    again: bool = False,
    together: bool = False,
) -> Memory:
    """Return the notebook's memory; to be closed with `forget`. What it keeps `together` is undone together."""
    book = opened(option) if run is not None or wanted(option) else None
    return Memory(made=made, task=task, run=run, again=again, act=uuid4().hex if together else None, book=book)


def forget(memory: Memory) -> None:
    """Let go of the notebook."""
    if memory.book is not None:
        tell(memory.book)
        if memory.run is None:
            tell_of_waiting_run(memory.book)
        memory.book.close()


def _look(path: Path) -> _Seen | None:
    before = file_status(path)
    if before is None:
        return None
    with suppress(OSError):
        return _Seen(file_sha256(path), *before)
    return None
