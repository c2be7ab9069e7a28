"""One scan of a batch: read and assessed by itself, so that a bad one never stops the rest.

`measure_one` is a function of plain values alone, so that several can run at a time, in other processes or on other
machines.
"""

from __future__ import annotations

import traceback
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from densiscan.arithmetic.floats import keep_floats
from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.development.exposure import ExposureAdvice, exposure_advice, may_be_bare, no_negative, unexposed_sheet
from densiscan.development.verdict import DevelopmentAdvice, development_advice
from densiscan.development.zones import WantedZone, ZoneChange, zone_change
from densiscan.errors import DensiscanError
from densiscan.files.shown import Shown, counted, one_line
from densiscan.negative.bench import bench_for
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_on
from densiscan.negative.seen import code_of, is_judged
from densiscan.negative.trouble.finding import Trouble
from densiscan.negative.trouble.inspection import EXPOSED, holds_picture, trouble_on
from densiscan.paper.grade import PaperAdvice, Process, density_range_for, paper_advice
from densiscan.scan.scan import Scan, open_scan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from densiscan.negative.own_wedge import Beside, WedgeRead
    from densiscan.negative.preview import Preview, SheetDetail


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintAim:
    """What the negative is to be printed with, and of what subject it is.

    `paper_range` is ISO range R, None for the usual 105; `scene_stops` the luminance range of the subject, None where
    it is unknown.

    Examples
    --------
    >>> PrintAim(process="condenser", paper_range=95).process
    'condenser'
    """

    process: Process = "contact"
    paper_range: float | None = None
    scene_stops: float | None = None

    def __post_init__(self) -> None:
        keep_floats(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What to do with every scan of the batch.

    `ppi`, `page` and `threads` as `open_scan` takes them; `told` what is to be said beside every reading, such as the
    age of the calibration; `beside` the wedge that lies on every scan, where each is to be read by its own; `detail`
    how much of each negative is kept to be looked at, None: nothing; `fog_history` base plus fog of earlier runs of the
    same film; `zones` places and the zones that they are wanted on.

    Examples
    --------
    >>> task = Task(aim=PrintAim(process="condenser"))
    >>> measure_files("thin.tif", read_calibration("mine.json"), task).assessments[0].paper.grade
    '2'
    """

    options: MeasureOptions = field(default_factory=MeasureOptions)
    aim: PrintAim = field(default_factory=PrintAim)
    ppi: float | None = None
    page: int | None = None
    told: tuple[Warning_, ...] = ()
    detail: SheetDetail | None = None
    fog_history: tuple[Quantity, ...] = ()
    zones: tuple[WantedZone, ...] = ()
    beside: Beside | None = None
    threads: int | None = None

    def __post_init__(self) -> None:
        keep_floats(self)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Assessment(Shown):
    """One piece of film: what was read, what follows from it, what looks wrong with it; `sheet` to look at.

    `wedge` is the wedge beside the film where it was read by that; `zones` what puts places on the zones wanted.

    Examples
    --------
    >>> (assessment,) = measure_files("thin.tif", read_calibration("mine.json")).assessments
    >>> assessment.exposure.verdict, assessment.paper.grade
    ('under', '4')
    """

    path: Path
    reading: Reading
    exposure: ExposureAdvice
    development: DevelopmentAdvice
    paper: PaperAdvice
    trouble: Trouble = field(default_factory=Trouble)
    sheet: Preview | None = field(default=None, compare=False, repr=False)
    wedge: WedgeRead | None = None
    zones: ZoneChange | None = None

    def __repr__(self) -> str:
        grade = self.paper.grade
        told = "not judged" if self.development.time_factor is None else self.development.verdict
        judged = (f"exposure {self.exposure.verdict}", f"development {told}", "" if grade is None else f"grade {grade}")
        return one_line(
            self,
            self.reading.name,
            *self.reading.in_brief(),
            *(judged if self.judged else ()),
            counted(len(self.trouble.findings), "finding"),
            counted(len(self.warnings), "warning"),
        )

    @property
    def judged(self) -> bool:
        """Whether it was judged as a negative; else exposure, development and paper say nothing."""
        return is_judged(self.reading.seen)

    @property
    def withheld(self) -> Warning_ | None:
        """Why nothing is judged, or what was said of it is not so; it stands first wherever readings are shown."""
        codes = {code_of(self.reading.seen), EXPOSED} if not self.judged else {EXPOSED}
        return next((warning for warning in self.reading.warnings if warning.code in codes), None)

    @property
    def warnings(self) -> tuple[Warning_, ...]:
        """Everything a person should know, readings first."""
        if not self.judged:
            return self.reading.warnings
        return self.reading.warnings + self.exposure.warnings + self.development.warnings


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """One scan that gave nothing. `fault` is the trace of a fault of our own, None where the scan is to blame.

    Examples
    --------
    >>> (failure,) = measure_files("absent.tif", read_calibration("mine.json")).failures
    >>> failure.code, failure.message
    ('unreadable-scan', 'absent.tif does not exist; check the name.')
    """

    path: Path
    code: str
    message: str
    fault: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class BatchResult(Shown):
    """Everything that came of a batch, in the order of the files.

    Examples
    --------
    >>> measure_files(["normal.tif", "thin.tif", "absent.tif"], read_calibration("mine.json"))
    <BatchResult: 2 readings, 1 failure>
    """

    assessments: tuple[Assessment, ...]
    failures: tuple[Failure, ...]

    def __repr__(self) -> str:
        some = counted(len(self.assessments), "reading") or "no readings"
        return one_line(self, "", some, counted(len(self.failures), "failure"))


def assess(path: Path, reading: Reading, task: Task, trouble: Trouble | None = None) -> Assessment:
    """Say of one reading what to change: exposure, development, paper."""
    aim = task.aim
    limit = _range_is_limit(reading, task.options.trim)
    framed = reading.frame_mm is not None
    pictured = framed or not (task.options.fog_sheet or may_be_bare(reading.shadow))
    pictured = pictured and is_judged(reading.seen)
    exposure = _exposure(reading, task.options, framed=framed)
    development = development_advice(
        density_range=reading.density_range if pictured else None,
        target_range=density_range_for(aim.paper_range, aim.process),
        scene_stops=aim.scene_stops,
        exposure=exposure,
        range_is_limit=limit,
    )
    return Assessment(
        path=path,
        reading=reading,
        exposure=exposure,
        development=development,
        paper=paper_advice(
            density_range=reading.density_range if pictured else None,
            process=aim.process,
            paper_range=aim.paper_range,
            range_is_limit=limit,
        ),
        trouble=trouble or Trouble(),
        zones=zone_change(_wanted(reading, task.zones), development) if is_judged(reading.seen) else None,
    )


def _wanted(reading: Reading, zones: tuple[WantedZone, ...]) -> tuple[WantedZone, ...]:
    """Return the places that were read on this piece of film, with their net densities."""
    net = {(spot.x_mm, spot.y_mm): spot.net for spot in reading.spots}
    return tuple(replace(one, net=net[one.x_mm, one.y_mm]) for one in zones if (one.x_mm, one.y_mm) in net)


def nothing_judged() -> tuple[ExposureAdvice, DevelopmentAdvice, PaperAdvice]:
    """Return the advice on what is no negative: none."""
    exposure = no_negative()
    development = development_advice(
        density_range=None, target_range=density_range_for(None, "contact"), scene_stops=None, exposure=exposure
    )
    return exposure, development, paper_advice(density_range=None, process="contact")


def _exposure(reading: Reading, options: MeasureOptions, *, framed: bool) -> ExposureAdvice:
    if options.fog_sheet:
        return unexposed_sheet()
    if not is_judged(reading.seen):
        return no_negative()
    return exposure_advice(net_shadow=reading.net_shadow, shadow=reading.shadow, framed=framed)


def _range_is_limit(reading: Reading, trim: float) -> bool:
    """Return whether the highlight is denser than the calibration reaches: the range is then at least what was read."""
    if reading.highlight is None:
        return False
    return reading.highlight.limit == "at least" or reading.clipped_dark > trim


Outcome = tuple[Assessment, ...] | Failure
"""What comes of one scan: every piece of film on it, or the reason why not."""


def measure_one(path: Path, calibration: Calibration | None, task: Task) -> Outcome:
    """Measure one scan: every piece of film on it, or the reason why not.

    Without a calibration the task must name the wedge that lies on the scan.
    """
    try:
        if task.beside is not None:
            channel = task.beside.channel
            scan = open_scan(path, ppi=task.ppi, channel=channel, page=task.page, threads=task.threads)
            return _by_its_wedge(path, scan, task.beside, task)
        assert calibration is not None  # noqa: S101 - by contract
        channel = calibration.channel
        scan = open_scan(path, ppi=task.ppi, channel=channel, page=task.page, threads=task.threads)
        return _assessments(path, scan, calibration, task)
    except DensiscanError as problem:
        return Failure(path=path, code=problem.code, message=str(problem))
    except MemoryError:
        message = f"{path} needs more memory than there is; close other programs, or measure with --jobs 1."
        return Failure(path=path, code="out-of-memory", message=message)
    except Exception as problem:  # noqa: BLE001 - whatever one scan sets off must not stop the others
        message = (
            f"{path} could not be measured because of a fault in densiscan ({type(problem).__name__}); please report "
            "it with the scan."
        )
        return Failure(path=path, code="fault", message=message, fault=traceback.format_exc())


def pictures_of(
    path: Path, calibration: Calibration, task: Task, readings: Sequence[Reading], detail: SheetDetail
) -> tuple[Preview, ...]:
    """Return picture and map of each reading that was made before from a scan, without measuring it again.

    Parameters
    ----------
    task
        What they were made with.

    Raises
    ------
    DensiscanError
        If the scan cannot be read, or not by this calibration any more.
    """
    from densiscan.negative.preview import sheets_of

    scan = open_scan(path, ppi=task.ppi, channel=calibration.channel, page=task.page, threads=task.threads)
    return sheets_of(bench_for(scan, calibration, task.options), readings, detail)


def _by_its_wedge(path: Path, scan: Scan, beside: Beside, task: Task) -> tuple[Assessment, ...]:
    from densiscan.negative.own_wedge import options_beside, wedge_beside

    read = wedge_beside(scan, beside)
    options = options_beside(read, task.options, beside.bed)
    own = replace(task, options=options, told=(*task.told, *read.warnings))
    return tuple(replace(one, wedge=read) for one in _assessments(path, scan, read.calibration, own))


def _assessments(path: Path, scan: Scan, calibration: Calibration, task: Task) -> tuple[Assessment, ...]:
    bench = bench_for(scan, calibration, task.options)
    readings = measure_on(bench)
    trouble = trouble_on(bench, readings, history=task.fog_history)
    judged = [_with_trouble(reading, own, task) for reading, own in zip(readings, trouble, strict=True)]
    assessed = [assess(path, reading, task, own) for reading, own in judged]
    if task.detail is None:
        return tuple(assessed)
    from densiscan.negative.preview import sheets_of

    sheets = sheets_of(bench, readings, task.detail)
    return tuple(replace(one, sheet=sheet) for one, sheet in zip(assessed, sheets, strict=True))


_EVEN: Final = frozenset({"negative", "unknown", "unexposed", "even"})
"""What fog, leaks and evenness are looked for on: film that is, or may be, an ordinary negative or unexposed."""


def _with_trouble(reading: Reading, trouble: Trouble, task: Task) -> tuple[Reading, Trouble]:
    """Return a reading with all that is said beside it, and the trouble that means something on what it is of."""
    told = holds_picture(trouble)
    if told is not None:
        # what was taken for unexposed is a picture: neither its level nor what lies above it is known
        bare = replace(reading, base_plus_fog=None, fog=None, net_shadow=None, net_highlight=None, seen="negative")
        kept = tuple(one for one in reading.warnings if one.code != code_of("unexposed"))
        spots = tuple(replace(spot, net=None) for spot in reading.spots)
        notes = tuple(note for note in trouble.notes if note is not told)
        return replace(bare, spots=spots, warnings=(told, *task.told, *kept)), Trouble(notes=(told, *notes))
    first = tuple(one for one in reading.warnings if one.code == code_of(reading.seen))
    rest = tuple(one for one in reading.warnings if one not in first)
    own = trouble if reading.seen in _EVEN else Trouble()
    return replace(reading, warnings=(*first, *task.told, *rest)), own
