"""By which calibration a command reads a scan: found, read, and what is to be said of it, in one place."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from densiscan.calibration.date import is_future, moment_of
from densiscan.cli.options import now, say
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.calibration.calibration import Calibration
    from densiscan.calibration.trust import ReadWith


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationRequest:
    """The calibration that a command line asks for.

    Attributes
    ----------
    name
        A file or a name; None: the last one made of that mode.
    book
        The notebook's file, beside which calibrations are kept.
    mode
        "transmission" for film, "reflection" for prints.
    oldest_days
        Age from which a calibration is called old.
    glare
        What `check --slot` wrote; else as it is kept with the calibration.
    correct_glare
        Whether the glare must be known, to be taken out.
    """

    name: str | None
    book: Path
    mode: str = "transmission"
    oldest_days: float = 90.0
    glare: Path | None = None
    correct_glare: bool = False


def calibration_for(request: CalibrationRequest) -> ReadWith:
    """Return the calibration that scans are read by, its glare, and what speaks against it; name one not asked for.

    Raises
    ------
    WrongUseError
        If there is none of that name, or none was ever made of that mode.
    CalibrationError
        If its file is damaged.
    """
    from densiscan.calibration.file import read_calibration
    from densiscan.calibration.trust import known_glare, read_with

    moment = datetime.fromisoformat(now())
    file = location.find_calibration(request.name, request.book, now=moment, mode=request.mode)
    calibration = read_calibration(file)
    if request.name is None:
        say(f"Calibration: {file.stem} ({day_in_words(calibration, moment)}).")
    return read_with(
        calibration,
        now=moment,
        mode=request.mode,
        oldest_days=request.oldest_days,
        glare=known_glare(request.glare, calibration, correct=request.correct_glare),
    )


def calibration_if_any(request: CalibrationRequest) -> ReadWith | None:
    """Return the calibration that is named, or the last one of that mode; None where none was made yet."""
    moment = datetime.fromisoformat(now())
    kept = (one for one in location.kept_calibrations(request.book) if one.mode == request.mode)
    if request.name is None and all(one.made is not None and is_future(one.made, moment) for one in kept):
        return None
    return calibration_for(request)


def day_in_words(calibration: Calibration, moment: datetime) -> str:
    """Return when a calibration was made as a person says it: today with its time, else the day."""
    then = moment_of(calibration.created)
    if then is None:
        return "no date"
    there = then.astimezone()
    return f"today, {there:%H:%M}" if there.date() == moment.astimezone().date() else f"{there:%Y-%m-%d}"
