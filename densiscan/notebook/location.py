"""The notebook's place, and the named calibrations that are kept beside it.

The notebook is named by the option, else by DENSISCAN_NOTEBOOK, else it lies in the user's data folder. Calibrations
are plain files in the folder `calibrations` beside it, so that a person can read and copy them.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from densiscan.calibration.date import is_future, moment_of
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.files.documents import read_document

if TYPE_CHECKING:
    from densiscan.notebook.notebook import Notebook

VARIABLE: Final = "DENSISCAN_NOTEBOOK"
_FILE_NAME: Final = "notebook.sqlite"
_LONGEST_NAME: Final = 80
_MAKE_ONE_FOR_PRINTS: Final = "make one with: densiscan calibrate SCAN --reflection --densities WEDGE.csv"
_MAKE_ONE: Final = "make one with: densiscan calibrate WEDGE_SCAN --densities WEDGE.csv"


def notebook_file(option: Path | None = None) -> Path:
    """Return where the notebook is kept; it need not exist yet.

    Parameters
    ----------
    option
        What the person named on the command line; it goes before the environment.
    """
    if option is not None:
        return option
    named = os.environ.get(VARIABLE)
    return Path(named) if named else _data_folder() / _FILE_NAME


def open_notebook(path: str | os.PathLike[str], *, arguments: Sequence[str] = ()) -> Notebook:
    """Return the notebook of a file, to be used in a `with`; it is made by the first change, never by looking.

    Parameters
    ----------
    arguments
        The command line, kept with what is added.

    Examples
    --------
    >>> run = Run(number=1, film="Meadow-100", developer="Borax", date="2026-03-01", time_s=480.0, temperature_c=20.0)
    >>> with open_notebook("notebook.sqlite") as book:
    ...     book.add_run(run).number
    1
    """
    from densiscan.notebook.notebook import Notebook  # late: SQLite is not needed to find a calibration

    return Notebook(path, arguments=arguments)


def _data_folder() -> Path:
    """Return the user's data folder as the system's own rules have it (XDG base directories; APPDATA)."""
    if sys.platform == "win32":
        above = os.environ.get("APPDATA") or str(Path.home() / "AppData" / "Roaming")
    else:
        above = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(above) / "densiscan"


def _drawer(notebook: Path) -> Path:
    return notebook.parent / "calibrations"


def place_for_calibration(name: str, notebook: Path) -> Path:
    """Return the file of a named calibration, its folder made.

    Raises
    ------
    WrongUseError
        If the name cannot be a file's name.
    DensiscanError
        If the folder cannot be made.
    """
    allowed = name and len(name) <= _LONGEST_NAME and name[0].isalnum() and name == name.strip()
    if not allowed or not all(mark.isalnum() or mark in " ._-" for mark in name):
        raise WrongUseError(
            f'`name` "{name}" cannot be kept; use letters, digits, spaces, dots and dashes, such as flatbed-600.'
        )
    drawer = _drawer(notebook)
    try:
        drawer.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        reason = (problem.strerror or "unknown reason").lower()
        raise DensiscanError(
            f"the folder {drawer} cannot be made: {reason}; give `out`, or name another place with {VARIABLE}."
        ) from problem
    return drawer / f"{name}.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCalibration:
    """A named calibration beside the notebook, as its document says: when it was made, and for film or for prints.

    `made` is None where the document has no date that can be read.
    """

    file: Path
    made: datetime | None
    mode: str | None

    @property
    def name(self) -> str:
        """Return the name it is kept under."""
        return self.file.stem


def kept_calibrations(notebook: Path) -> tuple[KeptCalibration, ...]:
    """Return the named calibrations, the last made first: by the dates in them, which no copy of a file moves."""
    drawer = _drawer(notebook)
    kept = [_kept(file) for file in sorted(drawer.glob("*.json")) if file.is_file()] if drawer.is_dir() else []
    undated = datetime.min.replace(tzinfo=UTC)
    return tuple(sorted(kept, key=lambda one: one.made or undated, reverse=True))


def _kept(file: Path) -> KeptCalibration:
    try:
        document = read_document(file)
    except (OSError, ValueError):
        document = None
    if not isinstance(document, dict):
        return KeptCalibration(file=file, made=None, mode=None)
    mode = document.get("mode")
    return KeptCalibration(
        file=file, made=moment_of(str(document.get("created"))), mode=mode if isinstance(mode, str) else None
    )


def find_calibration(name: str | None, notebook: Path, *, now: datetime, mode: str = "transmission") -> Path:
    """Return the calibration file meant: a file, a name, or where nothing is said the last one made of that mode.

    One that is dated in the future is used only where it is named.

    Raises
    ------
    WrongUseError
        If there is no such file and no such name, or none was ever made.
    """
    kept = kept_calibrations(notebook)
    if name is None:
        return _last(kept, now=now, mode=mode)
    if Path(name).is_file():
        return Path(name)
    named = next((one.file for one in kept if one.name == name), None)
    if named is not None:
        return named
    raise WrongUseError(f'no calibration called "{name}", and no file of that name; {_known(name, kept)}')


def _known(name: str, kept: Sequence[KeptCalibration]) -> str:
    if not kept:
        return f"{_MAKE_ONE}."
    from difflib import get_close_matches

    names = [one.name for one in kept]
    close = get_close_matches(name, names, n=1, cutoff=0.5)
    return f'did you mean "{close[0]}"?' if close else f"the names kept are {', '.join(names)}."


def _last(kept: Sequence[KeptCalibration], *, now: datetime, mode: str) -> Path:
    # of one that cannot be read a person hears when it is opened, where there is no other
    of_mode = [one for one in kept if one.mode == mode] or [one for one in kept if one.mode is None]
    past = next((one.file for one in of_mode if one.made is None or not is_future(one.made, now)), None)
    if past is not None:
        return past
    if of_mode:
        names = ", ".join(one.name for one in of_mode)
        raise WrongUseError(
            f"the only calibrations are dated in the future ({names}); set this machine's clock, or name one with "
            "`calibration`."
        )
    if mode == "reflection":
        raise WrongUseError(f"no calibration by a reflection wedge was made yet; {_MAKE_ONE_FOR_PRINTS}.")
    message = "no calibration by a wedge on film was made yet" if kept else "no calibration was made yet"
    raise WrongUseError(f"{message}; {_MAKE_ONE}, or name a file with `calibration`.")
