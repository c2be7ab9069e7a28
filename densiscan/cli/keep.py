"""What commands leave in the notebook by the way; a notebook that cannot be written never costs the result."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import typer

from densiscan.cli.options import TYPED, now, say
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.arithmetic.quantity import Quantity
    from densiscan.batch.assessment import BatchResult, Task
    from densiscan.calibration.calibration import Calibration
    from densiscan.development.run import Run
    from densiscan.notebook.notebook import Notebook


def opened(option: Path | None) -> Notebook:
    """Return the notebook that is meant."""
    return location.open_notebook(location.notebook_file(option), arguments=TYPED.get())


def tell(book: Notebook) -> None:
    """Say what happened to the notebook on opening, and how what counts for its runs has changed."""
    for sentence in book.told:
        say(sentence)
    tell_news(book)


def tell_news(book: Notebook) -> None:
    """Say how what counts for runs has changed since it was last said, a line each."""
    news = book.take_news()
    if news:
        from densiscan.report.counting import news_lines

        for line in news_lines(news):
            say(line)


def run_of_today(book: Notebook) -> Run | None:
    """Return the last run logged for today; None where there is none."""
    moment = datetime.fromisoformat(now())
    days = {moment.date().isoformat(), moment.astimezone().date().isoformat()}
    return next((run for run in reversed(book.runs(last=20)) if run.date[:10] in days), None)


def tell_of_waiting_run(book: Notebook) -> None:
    """Say where a run of today has no negatives yet: what was measured without `--run` was perhaps meant for it."""
    run = run_of_today(book)
    if run is not None and not (run.density_ranges or run.base_plus_fogs or run.left_out):
        say(f"Today's run {run.number} has no negatives yet; measured with --run {run.number} they count for it.")


def meant(book: Notebook, film: str | None, developer: str | None) -> tuple[str | None, str | None]:
    """Return film and developer as the notebook spells them, and say so where a person spells them otherwise."""
    spelled = {kind: _spelled(book, kind, name) for kind, name in (("films", film), ("developers", developer))}
    return spelled["films"], spelled["developers"]


def _spelled(book: Notebook, kind: str, name: str | None) -> str | None:
    kept = None if name is None else book.named(kind, name)
    if name is None or kept is None:
        return name
    if " ".join(kept.casefold().split()) != " ".join(name.casefold().split()):
        say(f'"{name}" is taken as {kept}, the name in the notebook.')
    return kept


def wanted(option: Path | None) -> bool:
    """Return whether results go into a notebook: one is named, or there is one."""
    return option is not None or bool(os.environ.get(location.VARIABLE)) or location.notebook_file().exists()


def run_number(typed: str, option: Path | None, *, removed: bool = False) -> int:
    """Return the number of the run that is typed as its number, or as last.

    Parameters
    ----------
    removed
        Whether last is the last of those that were removed.

    Raises
    ------
    WrongUseError
        If it is neither, or there is no last run.
    """
    if typed.isascii() and typed.isdigit():
        return int(typed)
    if typed.strip().lower() != "last":
        raise WrongUseError(f'"{typed}" is not a run; give its number, or last.')
    with opened(option) as book:
        last = book.last_run(removed=removed)
        has = "has no run yet" if book.count_runs(removed=None) == 0 else "has no run but those that were removed"
    if last is None:
        none = "no run was removed" if removed else f"the notebook {has}; add one with densiscan run add"
        raise WrongUseError(f"there is no last run: {none}.")
    return last.number


class RunMeant(NamedTuple):
    """A run that readings are of, and what is known of its film: its base, and base plus fog of earlier runs."""

    run: Run | None = None
    base: float | None = None
    fog_before: tuple[Quantity, ...] = ()


def run_meant(number: int | None, option: Path | None) -> RunMeant:
    """Return a run and what the notebook knows of its film; nothing where no run is named.

    Raises
    ------
    WrongUseError
        If there is no such run, or it was removed.
    """
    if number is None:
        return RunMeant()
    from densiscan.development.run import fog_before

    with opened(option) as book:
        run = book.run(number)
        if run.removed:
            raise WrongUseError(
                f"run {number} was removed, so nothing would count for it; "
                f"densiscan run restore {number} brings it back."
            )
        base = book.film_base(run.film)
        before = fog_before(book.runs(run.film), number)
        tell(book)
    return RunMeant(run=run, base=None if base is None else base.value, fog_before=before)


def keep_readings(
    result: BatchResult, made: Calibration | None, task: Task, option: Path | None, *, run: int | None = None
) -> bool:
    """Keep readings in the notebook; return whether they are there, or none was wanted."""
    if not result.assessments or not (run is not None or wanted(option)):
        return True
    from densiscan.calibration.file import calibration_document
    from densiscan.notebook.keep import new_readings
    from densiscan.report.readings import reading_document

    documents = [reading_document(assessment) for assessment in result.assessments]
    try:
        by = None if made is None else calibration_document(made)
        new = new_readings(result.assessments, documents, calibration=by, task=task, run=run)
        with opened(option) as book:
            book.add_readings(new)
            tell(book)
            if run is None and any(assessment.judged for assessment in result.assessments):
                tell_of_waiting_run(book)
    except DensiscanError as problem:
        say(f"densiscan: the readings are not in the notebook: {problem}")
        return False
    return True


def keep_document(
    kind: str, name: str, document: dict[str, Any], option: Path | None, *, scan: Path | None = None
) -> bool:
    """Keep a document in the notebook where there is one; return whether it is there, or none was wanted."""
    return keep_named(kind, name, document, option, scan=scan) if wanted(option) else True


def keep_named(
    kind: str, name: str, document: dict[str, Any], option: Path | None, *, scan: Path | None = None
) -> bool:
    """Keep a document in the notebook under a name that was asked for; return whether it is there."""
    from densiscan.notebook.readings import file_sha256

    try:
        with opened(option) as book:
            book.keep(kind, name, document, scan_sha256=None if scan is None else file_sha256(scan))
            tell(book)
    except (DensiscanError, OSError) as problem:
        say(f"densiscan: the {kind.replace('-', ' ')} is not in the notebook: {problem}")
        return False
    return True


def end_unless(kept: bool) -> None:
    """End with status 1 where what was asked for is not in the notebook."""
    if not kept:
        raise typer.Exit(1)
