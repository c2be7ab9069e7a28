"""What speaks against using a calibration now, and the glare that is known with it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from densiscan.arithmetic.quantity import Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.date import age_days, is_future, moment_of
from densiscan.calibration.glare import Glare
from densiscan.errors import WrongUseError
from densiscan.files.documents import TooLargeError, read_document
from densiscan.files.serialise import read_result

OLDEST_DAYS: Final = 90.0
"""Days after which a calibration is called old (common practice: lamps age over months of use)."""


_LARGEST_FILE_BYTES: Final = 5_000_000


def known_glare(file: Path | None, calibration: Calibration | None, *, correct: bool) -> Glare | None:
    """Return the scanner's glare: from what a check has written, else as it is kept with the calibration.

    Parameters
    ----------
    file
        What `check --out` wrote.
    correct
        Whether it must be known, because readings are to be freed of it.

    Raises
    ------
    WrongUseError
        If it must be known and is not, or the file holds none.
    """
    kept = None if calibration is None or calibration.findings is None else calibration.findings.glare
    found = kept if file is None else _glare_in(file)
    if found is None and correct:
        raise WrongUseError(
            "--correct-glare needs to know the scanner's glare; check a slot with --out FILE and give it with --glare, "
            "or keep the check in the calibration with --keep."
        )
    return found


def _glare_in(file: Path) -> Glare:
    advice = "give the file that check --slot SCAN --out FILE wrote"
    try:
        document = read_document(file, largest=_LARGEST_FILE_BYTES)
        return read_result(Glare, document["slot"]["glare"])
    except OSError as problem:
        raise WrongUseError(f"{file} cannot be read: {(problem.strerror or 'unknown reason').lower()}.") from problem
    except TooLargeError as problem:
        raise WrongUseError(f"{file} is too large for a check; {advice}.") from problem
    except (ValueError, KeyError, TypeError) as problem:
        raise WrongUseError(f"{file} holds no check of a slot; {advice}.") from problem


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadWith:
    """What a scan is read by: the calibration, what the scanner scatters, and what speaks against the two."""

    calibration: Calibration
    glare: Glare | None
    warnings: tuple[Warning_, ...]


def read_with(
    calibration: Calibration,
    *,
    now: datetime,
    mode: str = "transmission",
    oldest_days: float = OLDEST_DAYS,
    glare: Glare | None = None,
) -> ReadWith:
    """Return what a scan is read by, with everything that speaks against it: kind, age, drift.

    Every command that reads a scan asks here, so that none is silent where another warns.

    Parameters
    ----------
    now
        The time of its use; nothing here looks at a clock.
    mode
        What is read: "transmission" for film, "reflection" for prints.
    oldest_days
        Age in days from which a calibration is called old.
    """
    told = [*_kind_warnings(calibration, mode), *_age_warnings(calibration, now, oldest_days)]
    findings = calibration.findings
    if findings is not None and findings.drifted and findings.drift is not None:
        told.append(drifted_warning(calibration.name, findings.drift))
    return ReadWith(calibration=calibration, glare=glare, warnings=tuple(told))


def _kind_warnings(calibration: Calibration, mode: str) -> Iterator[Warning_]:
    if calibration.mode == mode:
        return
    if mode == "reflection":
        yield Warning_(
            code="calibration-for-film",
            message=f"The calibration {calibration.name} was made from a wedge on film: its densities of a print are "
            "wrong.",
        )
        return
    yield Warning_(
        code="calibration-for-prints",
        message=f"The calibration {calibration.name} was made from a wedge on paper: it reads prints, and its "
        "densities of film are wrong.",
    )


def _age_warnings(calibration: Calibration, now: datetime, oldest_days: float) -> Iterator[Warning_]:
    made = moment_of(calibration.created)
    if made is not None and is_future(made, now):
        yield Warning_(
            code="calibration-from-the-future",
            message=f"The calibration {calibration.name} is dated {made:%Y-%m-%d}, in the future, so its age is "
            "unknown; check the clocks of this machine and of the one that made it.",
        )
    days = age_days(calibration.created, now)
    if days is not None and days > oldest_days:
        yield Warning_(
            code="calibration-old",
            message=f"The calibration {calibration.name} is {days:.0f} days old; scan the wedge again and check "
            "it, or calibrate again.",
        )


def drifted_warning(name: str, worst: float, density: float | None = None) -> Warning_:
    """Return what is said of a calibration that a check has found drifted."""
    where = "" if density is None else f" at density {density:.2f}"
    return Warning_(
        code="calibration-drifted",
        message=f"The scanner has drifted from the calibration {name} by {worst:+.2f}{where}; let the lamp warm up for "
        "15 to 20 minutes and check again, then calibrate again.",
    )
