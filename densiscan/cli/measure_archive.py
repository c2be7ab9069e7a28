"""An archive from the command line: scans without number, each a line of JSON as soon as it is measured."""

from __future__ import annotations

import sys
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import typer

from densiscan.batch.assessment import Failure
from densiscan.batch.files import each_scan
from densiscan.batch.workers import Fate, worked
from densiscan.cli.measure_folder import STOPPED, FolderRequest, workers_for
from densiscan.cli.options import now, say, show
from densiscan.cli.progress import ProgressBar, bar_text
from densiscan.files.atomic import as_text, write_whole
from densiscan.notebook.lines import LineFile, ScanLine
from densiscan.notebook.readings import file_sha256, file_status
from densiscan.report.archive import archive_of
from densiscan.report.lines import UNSEEN, Measuring, line_of, moved
from densiscan.report.parquet import write_parquet
from densiscan.report.readings import paragraph, time_text

_TRIES: Final = 5
"""So often a scan is handed out that its machine does not see: the others may."""
_TOLD_SECONDS: Final = 600.0
_PACE_SECONDS: Final = 300.0


@dataclass(slots=True, kw_only=True)
class _Progress:
    """How far an archive is: a bar on a terminal, a line now and then elsewhere.

    The time to go is by the slower of two paces, of the whole and of the last minutes: machines come and go.
    """

    total: int
    spared: int
    done: int = 0
    known: int = 0
    began: float = field(default_factory=time.monotonic)
    told: float = field(default_factory=time.monotonic)
    recent: deque[tuple[float, int]] = field(default_factory=deque)
    bar: ProgressBar = field(init=False)

    def __post_init__(self) -> None:
        self.bar = ProgressBar(self.total)

    def step(self, *, known: bool) -> None:
        """Count one more scan, and show it."""
        self.done += 1
        self.known += known
        at = time.monotonic()
        if not self.recent or at - self.recent[-1][0] > 1.0:
            self.recent.append((at, self.done - self.known))
        while at - self.recent[0][0] > _PACE_SECONDS:
            self.recent.popleft()
        if self.bar.shown:
            self.bar.draw_text(self.text)
        elif not sys.stderr.isatty() and at - self.told > _TOLD_SECONDS:
            self.told = at
            say(self.text())

    def text(self) -> str:
        """Return how far it is, and how long it will take."""
        at, measured = time.monotonic(), self.done - self.known
        first, then = self.recent[0] if self.recent else (self.began, 0)
        paces = [(measured, at - self.began), (measured - then, at - first)]
        counted, seconds = max(((max(one, 1), took) for one, took in paces), key=lambda pace: pace[1] / pace[0])
        left = max(self.spared - self.known, 0)
        return bar_text(self.done, self.total, measured=counted if measured else 0, seconds=seconds, spared=left)


@dataclass(slots=True, kw_only=True)
class _Sitting:
    """What one command adds to an archive."""

    asked: FolderRequest
    lines: LineFile
    measuring: Measuring
    progress: _Progress
    refused: list[Failure] = field(default_factory=list)
    unseen: deque[Path] = field(default_factory=deque)
    tries: dict[Path, int] = field(default_factory=dict)
    measured: int = 0
    failed: int = 0

    def waiting(self) -> Iterator[tuple[Path, ScanLine | None]]:
        """Yield the scans to hand out: all but those whose lines are there."""
        for path in each_scan(self.asked.scans, self.asked.choice, self.refused):
            yield from self._again()
            file = path.absolute()
            if self._is_known(file):
                self.progress.step(known=True)
            else:
                yield file, None

    def _again(self) -> Iterator[tuple[Path, None]]:
        while self.unseen:
            yield self.unseen.popleft(), None

    def _is_known(self, file: Path) -> bool:
        """Return whether a scan has its line: by name, size and time, else by its content where it has moved."""
        how = self.measuring.how
        if self.asked.again:
            return False
        status = file_status(file)
        if status is None:
            return False
        if self.lines.knows(as_text(file), status, how):
            return True
        with suppress(OSError):
            same = self.lines.of_content(file_sha256(file), how) if self.lines.may_have_moved(status[0]) else None
            if same is not None:
                self.lines.add(moved(same, file))
                return True
        return False

    def run(self) -> None:
        """Measure what is left, and hand out again what a machine did not see."""
        with ExitStack() as stack:
            workers = workers_for(self.asked, self.progress.total, stack)
            task = replace(self.measuring.task, threads=1 if workers.count > 1 else None)
            work = replace(self.measuring, task=task)
            fate = Fate(lost=self.measuring.lost, named=lambda _, line: line)
            items = self.waiting()
            while True:
                results = worked(items, work, workers, fate, ordered=False)
                for path, line in stack.enter_context(closing(results)):
                    self._take(path, line)
                if not self.unseen:
                    return
                items = iter([(path, None) for path in self.unseen])
                self.unseen.clear()

    def _take(self, path: Path, line: ScanLine) -> None:
        if line.failed == UNSEEN and path.exists():
            self.tries[path] = self.tries.get(path, 0) + 1
            if self.tries[path] < _TRIES:
                self.unseen.append(path)
                return
        self.lines.add(line)
        self.measured += line.failed is None
        self.failed += line.failed is not None
        self.progress.step(known=False)


def measure_archive(asked: FolderRequest, lines: Path, parquet: Path | None, report: Path | None) -> None:
    """Measure an archive, go on where an earlier command has stopped, and end with the status that it deserves."""
    began, stopped = time.monotonic(), False
    with closing(LineFile(lines, line_of)) as file:
        measuring = Measuring.by(asked.made, asked.task, asked.named.name)
        total = file.survey(as_text(path.absolute()) for path in each_scan(asked.scans, asked.choice, []))
        spared = 0 if asked.again else file.count(measuring.how)
        progress = _Progress(total=total, spared=spared)
        sitting = _Sitting(asked=asked, lines=file, measuring=measuring, progress=progress)
        try:
            sitting.run()
        except KeyboardInterrupt:
            stopped = True
        finally:
            progress.bar.clear()
        for failure in sitting.refused:
            say(f"densiscan: {failure.message}")
        _tell(sitting, time.monotonic() - began, stopped=stopped)
        if not stopped:
            _write(file, asked.scans, asked.named.name, parquet, report)
    if stopped:
        raise typer.Exit(STOPPED)
    if sitting.failed or sitting.refused:
        raise typer.Exit(1)


def _tell(sitting: _Sitting, seconds: float, *, stopped: bool) -> None:
    progress = sitting.progress
    parts = [f"{sitting.measured} measured"]
    parts += [f"{progress.known} measured before"] if progress.known else []
    parts += [f"{sitting.failed} not measured"] if sitting.failed else []
    scans = "1 scan" if progress.total == 1 else f"{progress.total} scans"
    show(paragraph(f"{scans}: {', '.join(parts)}, in {time_text(seconds)}.", indent=0))
    if stopped:
        left = progress.total - progress.done
        show(paragraph(f"Stopped with {left} left; the same command goes on from there.", indent=0))
    for code, count in sitting.lines.failures().items():
        path, message = sitting.lines.failed(code, 1)[0]
        show(paragraph(f"{count} not measured ({code.replace('-', ' ')}), such as {path}: {message}"))


def _write(file: LineFile, scans: Sequence[Path], calibration: str, parquet: Path | None, report: Path | None) -> None:
    say(f"The lines are in {file.path}.")
    if parquet is not None:
        rows = write_parquet(file.texts(), parquet)
        say(f"Written to {parquet}: {rows} readings.")
    if report is not None:
        from densiscan.report.page.archive import archive_html

        title = scans[0].resolve().name if len(scans) == 1 else file.path.stem
        told = f"Read with the calibration {calibration}; {now()[:10]}."
        write_whole(report, archive_html(archive_of(file), title=title, told=told), what="the page")
        say(f"Written to {report}.")
