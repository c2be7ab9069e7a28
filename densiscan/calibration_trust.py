"""What speaks against using a calibration now, and the glare that is known with it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from densiscan.calibration import Calibration
from densiscan.documents import TooLargeError, read_document
from densiscan.errors import WrongUseError
from densiscan.glare import Glare
from densiscan.quantity import Warning_

OLDEST_DAYS: Final = 90.0
"""Days after which a calibration is called old (common practice: lamps age over months of use)."""

_AHEAD_DAYS: Final = 1.0
"""Days by which a time may lie ahead without a word: zones and clocks differ by less."""

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
        return Glare.from_json(read_document(file, largest=_LARGEST_FILE_BYTES)["slot"]["glare"])
    except OSError as problem:
        raise WrongUseError(f"{file} cannot be read: {(problem.strerror or 'unknown reason').lower()}.") from problem
    except TooLargeError as problem:
        raise WrongUseError(f"{file} is too large for a check; {advice}.") from problem
    except (ValueError, KeyError, TypeError) as problem:
        raise WrongUseError(f"{file} holds no check of a slot; {advice}.") from problem


def age_days(created: str, now: datetime) -> float | None:
    """Return the days from a calibration's time (ISO 8601) to now; None where that time cannot be read.

    A time without a zone is taken as universal time.
    """
    try:
        made = datetime.fromisoformat(created)
    except ValueError:
        return None
    first, last = (time if time.tzinfo is not None else time.replace(tzinfo=UTC) for time in (made, now))
    return (last - first).total_seconds() / 86400.0


def trust_warnings(
    calibration: Calibration, *, now: datetime, oldest_days: float = OLDEST_DAYS
) -> tuple[Warning_, ...]:
    """Return what speaks against reading film by a calibration now: its kind, its age, the drift that a check found.

    Parameters
    ----------
    now
        The time of its use; nothing here looks at a clock.
    oldest_days
        Age in days from which it is called old.
    """
    told = []
    if calibration.mode == "reflection":
        told.append(
            Warning_(
                code="calibration-for-prints",
                message=f"The calibration {calibration.name} was made from a wedge on paper: it reads prints, and its "
                "densities of film are wrong.",
            )
        )
    days = age_days(calibration.created, now)
    if days is not None and days > oldest_days:
        told.append(
            Warning_(
                code="calibration-old",
                message=f"The calibration {calibration.name} is {days:.0f} days old; scan the wedge again and check "
                "it, or calibrate again.",
            )
        )
    if days is not None and days < -_AHEAD_DAYS:
        told.append(
            Warning_(
                code="calibration-in-future",
                message=f"The calibration {calibration.name} is dated {calibration.created[:10]}, which is still to "
                "come; set the clock right, or calibrate again.",
            )
        )
    findings = calibration.findings
    if findings is not None and findings.drifted and findings.drift is not None:
        told.append(drifted_warning(calibration.name, findings.drift))
    return tuple(told)


def drifted_warning(name: str, worst: float, density: float | None = None) -> Warning_:
    """Return what is said of a calibration that a check has found drifted."""
    where = "" if density is None else f" at density {density:.2f}"
    return Warning_(
        code="calibration-drifted",
        message=f"The scanner has drifted from the calibration {name} by {worst:+.2f}{where}; let the lamp warm up for "
        "15 to 20 minutes and check again, then calibrate again.",
    )
