"""The command `watch`: measures scans as the scanner writes them."""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.cli.keep import run_meant, run_number
from densiscan.cli.options import (
    OUR_TABLE,
    OVERWRITE,
    ApertureOption,
    BaseOption,
    CalibrationOption,
    NotebookOption,
    OldestOption,
    OnlyOption,
    OverwriteOption,
    PaperRangeOption,
    PpiOption,
    PrintingLight,
    ProcessOption,
    RecursiveOption,
    SceneStopsOption,
    check_out,
    say,
    show,
)
from densiscan.cli.trouble_options import AsNegativeOption
from densiscan.errors import WrongUseError
from densiscan.files.atomic import as_text
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.batch.assessment import Assessment, Outcome, Task
    from densiscan.batch.files import FileChoice
    from densiscan.calibration.calibration import Calibration
    from densiscan.cli.folder_notebook import Memory


def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that the scanner writes into.")],
    calibration: CalibrationOption = None,
    aperture: ApertureOption = 1.0,
    base: BaseOption = None,
    process: ProcessOption = PrintingLight.contact,
    paper_range: PaperRangeOption = None,
    scene_stops: SceneStopsOption = None,
    ppi: PpiOption = None,
    run: Annotated[
        str | None,
        typer.Option("--run", metavar="RUN", help="The development run they are of: its number, or last."),
    ] = None,
    only: OnlyOption = None,
    recursive: RecursiveOption = False,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write the readings to a table file as they come.")
    ] = None,
    settle: Annotated[
        float, typer.Option("--settle", metavar="S", help="Seconds a file must stay unchanged before it is read.")
    ] = 2.0,
    poll: Annotated[
        bool,
        typer.Option("--poll", help="Look repeatedly: for network drives, which report no new files."),
    ] = False,
    oldest: OldestOption = 90.0,
    as_negative: AsNegativeOption = False,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
) -> None:
    """Measure each new scan in a folder as soon as it is complete.

    Goes on until Ctrl-C. Scans that are there already are left alone; measure reads those. One line a negative, and
    beneath it what is to be said of it.

    For example, while the negatives of the last run are scanned:

        densiscan watch incoming --run last
    """
    if not folder.is_dir():
        raise WrongUseError(f"{folder} is not a folder; name the folder that the scanner writes into.")
    arguments.within(aperture, "--aperture", above=0.0, upto=50.0, such_as="1")
    arguments.within(base, "--base", above=-0.05, upto=3.0, such_as="0.12")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    arguments.within(settle, "--settle", above=0.0, upto=600.0, such_as="2")
    arguments.within(oldest, "--oldest", above=0.0, upto=1e5, such_as="90")
    check_out(csv, "--csv", ours=OUR_TABLE)
    _require_columns(csv)
    number = None if run is None else run_number(run, notebook_option)
    of_run, known_base, fog_before = run_meant(number, notebook_option)
    from densiscan.batch.assessment import PrintAim, Task
    from densiscan.batch.files import FileChoice
    from densiscan.cli.folder_notebook import forget, memory_for
    from densiscan.development.verdict import range_on_film
    from densiscan.negative.options import MeasureOptions
    from densiscan.paper.grade import density_range_for

    stops = of_run.scene_stops if scene_stops is None and of_run is not None else scene_stops
    aim = PrintAim(process=process.value, paper_range=paper_range, scene_stops=stops)
    density_range_for(aim.paper_range, aim.process)
    range_on_film(aim.scene_stops)
    by = calibration_for(
        CalibrationRequest(name=calibration, book=location.notebook_file(notebook_option), oldest_days=oldest)
    )
    made = by.calibration
    options = MeasureOptions(
        aperture_mm=aperture,
        base_density=known_base if base is None else base,
        glare=by.glare,
        as_negative=as_negative,
    )
    task = Task(options=options, aim=aim, ppi=ppi, told=by.warnings, fog_history=fog_before)
    memory = memory_for(made, task, notebook_option, run=number)
    desk = _WatchDesk(made=made, task=task, memory=memory, csv=csv)
    say(f"Watching {folder}, with the calibration {made.name} ({made.created[:10]}); Ctrl-C ends it.")
    try:
        _watch(folder, FileChoice(patterns=tuple(only or ()), recursive=recursive), desk, settle=settle, poll=poll)
    except KeyboardInterrupt:
        say(f"Stopped. {desk.measured} measured, {desk.failed} failed.")
    finally:
        forget(memory)


def _require_columns(csv: Path | None) -> None:
    """Begin the table anew where --overwrite says so; refuse to add lines to a table of other columns.

    Raises
    ------
    WrongUseError
        If the table there has other columns, as one with spots has.
    """
    if csv is None or not csv.is_file():
        return
    if OVERWRITE.get():
        csv.write_bytes(b"")
        return
    from densiscan.report.table import sheet_head

    with csv.open(encoding="utf-8", errors="replace", newline="") as sheet:
        head = sheet.readline()
    if head and head != sheet_head(0):
        raise WrongUseError(f"--csv {csv} is a table of other columns; name another file, or add --overwrite.")


@dataclass(slots=True, kw_only=True)
class _WatchDesk:
    """Where scans are measured one by one, and their lines printed."""

    made: Calibration
    task: Task
    memory: Memory
    csv: Path | None
    measured: int = 0
    failed: int = 0
    digests: dict[str, Path] = field(default_factory=dict)

    def outcome(self, path: Path) -> Outcome:
        """Return what the notebook has of a scan, or what a worker of its own makes of it."""
        from densiscan.batch.workers import measured, processes

        items = list(self.memory.items([path]))
        with closing(measured(items, self.made, self.task, processes(1))) as outcomes:
            return next(outcomes)[1]

    def renamed(self, path: Path) -> Path | None:
        """Return the name under which a file was measured that now has another; None for a new one."""
        from densiscan.notebook.readings import file_sha256

        try:
            digest = file_sha256(path)
        except OSError:
            return None
        before = self.digests.get(digest)
        self.digests[digest] = path
        return before if before is not None and before != path and not before.exists() else None

    def show(self, path: Path, outcome: Outcome) -> None:
        """Print what came of one scan and keep it."""
        from densiscan.batch.assessment import Failure
        from densiscan.report.readings import notes_text, row_text, table_head

        if isinstance(outcome, Failure):
            self.failed += 1
            say(f"densiscan: {outcome.message}")
            return
        self.memory.keep(path, outcome)
        self.measured += 1
        # Kept before it is shown: what a person has seen is not lost by Ctrl-C.
        self._write(outcome)
        if self.measured == 1:
            show(table_head(self.made))
        first = 1
        for assessment in outcome:
            show(row_text(assessment))
            note = notes_text(assessment, first).partition("\n")[2]
            first += len(assessment.trouble.findings)
            if note:
                show(note)
        self.memory.tell()

    def _write(self, assessments: tuple[Assessment, ...]) -> None:
        """Add the lines of a scan to the table; where it takes none, say so and go on."""
        if self.csv is None:
            return
        from densiscan.report.table import sheet_head, sheet_line

        try:
            begun = self.csv.is_file() and self.csv.stat().st_size > 0
            with self.csv.open("a", encoding="utf-8", newline="") as sheet:
                sheet.write("" if begun else sheet_head(0))
                sheet.writelines(sheet_line(assessment, 0) for assessment in assessments)
        except OSError as problem:
            reason = (problem.strerror or "unknown reason").lower()
            say(f"densiscan: the table {self.csv} takes no more lines: {reason}; the readings are in the notebook.")


def _watch(folder: Path, choice: FileChoice, desk: _WatchDesk, *, settle: float, poll: bool) -> None:
    from densiscan.batch.assessment import Failure
    from densiscan.batch.watch import Arrivals, arrivals_in, status_of

    arrivals = Arrivals(settle_s=settle)
    for path, last in arrivals_in(folder, choice, arrivals, clock=time.monotonic, poll=poll):
        before = desk.renamed(path)
        if before is not None:
            arrivals.take(path)
            say(f"{as_text(path.name)} was measured as {as_text(before.name)}.")
            continue
        outcome = desk.outcome(path)
        if status_of(path) != arrivals.waiting[path].status:
            continue  # written on meanwhile, or gone: the watch tells of it again
        if isinstance(outcome, Failure) and outcome.code == "unreadable-scan" and not last:
            arrivals.refuse(path)
            continue
        arrivals.take(path)
        desk.show(path, outcome)
