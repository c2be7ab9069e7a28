"""Which files of a batch are scans: files as named, folders by the image files in them; and all of them measured."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING, Final

from densiscan.batch.assessment import Assessment, BatchResult, Failure, Outcome, Task, measure_one
from densiscan.calibration.calibration import Calibration

if TYPE_CHECKING:
    from concurrent.futures import Executor

SCAN_SUFFIXES: Final = frozenset({".tif", ".tiff", ".png", ".jpg", ".jpeg", ".dng"})


@dataclass(frozen=True, slots=True, kw_only=True)
class FileChoice:
    """Which image files of a folder are meant.

    Parameters
    ----------
    patterns
        Names such as `neg-*.tif`, letters large or small alike; any of them; none: every name.
    recursive
        Also those in the folders below, but not in hidden ones or behind links.
    """

    patterns: Sequence[str] = ()
    recursive: bool = False


def is_scan(path: Path, choice: FileChoice | None = None) -> bool:
    """Return whether a file in a folder is taken for a scan by its name; hidden files are not."""
    if path.name.startswith(".") or path.suffix.lower() not in SCAN_SUFFIXES:
        return False
    patterns = choice.patterns if choice is not None else ()
    name = path.name.lower()
    return not patterns or any(fnmatch(name, pattern.lower()) for pattern in patterns)


def each_scan(paths: Iterable[Path], choice: FileChoice, refused: list[Failure]) -> Iterator[Path]:
    """Yield the files to measure one by one, as `scans_in`, none of them held; note folders that cannot be read.

    A file that is named twice, or lies in two of the folders named, comes twice.
    """
    for path in paths:
        if path.is_dir():
            yield from (file for file in _files_in(path, choice, refused) if is_scan(file, choice))
        else:
            yield path


def scans_in(paths: Iterable[Path], choice: FileChoice | None = None) -> tuple[tuple[Path, ...], tuple[Failure, ...]]:
    """Return the files to measure, each once: files as named, folders by the image files in them, by name.

    A folder without such files comes back as a failure, and so does one that cannot be read.
    """
    meant = choice or FileChoice()
    files: dict[str, Path] = {}
    failures: list[Failure] = []
    for path in paths:
        if not path.is_dir():
            files.setdefault(os.path.abspath(path), path)  # noqa: PTH100 - links are other names, not other files
            continue
        refused: list[Failure] = []
        inside = [file for file in _files_in(path, meant, refused) if is_scan(file, meant)]
        failures.extend(refused)
        if not inside and not refused:
            failures.append(_empty(path, meant))
        for file in inside:
            files.setdefault(os.path.abspath(file), file)  # noqa: PTH100 - likewise
    return tuple(files.values()), tuple(failures)


def _empty(path: Path, choice: FileChoice) -> Failure:
    if choice.patterns:
        message = f"the folder {path} holds no scans named like {', '.join(choice.patterns)}; look at --only."
    else:
        deeper = "" if choice.recursive else ", or look in the folders below with --recursive"
        message = f"the folder {path} holds no scans; put TIFF, PNG, JPEG or DNG files there{deeper}."
    return Failure(path=path, code="no-scans", message=message)


def _files_in(folder: Path, choice: FileChoice, refused: list[Failure]) -> Iterator[Path]:
    """Yield the files of a folder by name, those of the folders below after them; note folders that cannot be read."""

    def note(problem: OSError) -> None:
        reason = (problem.strerror or "unknown reason").lower()
        place = Path(problem.filename or folder)
        message = f"the folder {place} cannot be read: {reason}."
        refused.append(Failure(path=place, code="unreadable-folder", message=message))

    for here, folders, names in os.walk(folder, onerror=note):
        folders[:] = sorted(name for name in folders if not name.startswith(".")) if choice.recursive else []
        for name in sorted(names):
            file = Path(here, name)
            if file.is_file():
                yield file


def measure_files(
    paths: str | os.PathLike[str] | Iterable[str | os.PathLike[str]],
    calibration: Calibration | None,
    task: Task | None = None,
    *,
    executor: Executor | None = None,
    progress: Callable[[int, Path], None] | None = None,
) -> BatchResult:
    """Measure many scans, in the order given.

    Parameters
    ----------
    paths
        Files and folders, one or several.
    calibration
        None where the task names the wedge that lies on each scan.
    task
        How; None: as usual.
    executor
        Any executor that can call a function of plain values; None: one after another, here.
    progress
        Told the number (from 0) and the path of each scan: before it is read, with an executor when it is done.

    Examples
    --------
    >>> result = measure_files(["normal.tif", "thin.tif"], read_calibration("mine.json"))
    >>> for assessment in result.assessments:
    ...     print(assessment.reading.name, assessment.exposure.verdict)
    normal.tif normal
    thin.tif under
    """
    named = [paths] if isinstance(paths, str | os.PathLike) else paths
    files, failures = scans_in(map(Path, named))
    task = task or Task()
    assessments: list[Assessment] = []
    failed = list(failures)
    tell = progress or (lambda _number, _path: None)
    if executor is None:
        outcomes = _one_by_one(files, calibration, task, tell)
    else:
        from densiscan.batch.workers import given, measured

        count = getattr(executor, "_max_workers", None) or os.cpu_count() or 1
        outcomes = measured(((path, None) for path in files), calibration, task, given(executor, count))
    with closing(outcomes):
        for number, (path, outcome) in enumerate(outcomes):
            if executor is not None:
                tell(number, path)
            if isinstance(outcome, Failure):
                failed.append(outcome)
            else:
                assessments.extend(outcome)
    return BatchResult(assessments=tuple(assessments), failures=tuple(failed))


def _one_by_one(
    files: Sequence[Path], calibration: Calibration | None, task: Task, tell: Callable[[int, Path], None]
) -> Generator[tuple[Path, Outcome], None, None]:
    for number, path in enumerate(files):
        tell(number, path)
        yield path, measure_one(path, calibration, task)
