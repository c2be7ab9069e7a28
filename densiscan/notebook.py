"""The notebook's place, and the named calibrations that are kept beside it.

The notebook is named by the option, else by DENSISCAN_NOTEBOOK, else it lies in the user's data folder. Calibrations
are plain files in the folder `calibrations` beside it, so that a person can read and copy them.
"""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from densiscan.documents import read_document
from densiscan.errors import DensiscanError, WrongUseError

if TYPE_CHECKING:
    from densiscan.notebook_book import Notebook

VARIABLE: Final = "DENSISCAN_NOTEBOOK"
_FILE_NAME: Final = "notebook.sqlite"
_LONGEST_NAME: Final = 80
_CLOCK_S: Final = 86400.0
"""Seconds by which a time may lie ahead and not be in the future: zones and clocks differ by less than a day."""
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


def open_notebook(path: Path, *, arguments: Sequence[str] = ()) -> Notebook:
    """Return the notebook of a file, to be used in a `with`; it is made by the first change, never by looking.

    Parameters
    ----------
    arguments
        The command line, kept with what is added.
    """
    from densiscan.notebook_book import Notebook  # late: SQLite is not needed to find a calibration

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
            f'--name "{name}" cannot be kept; use letters, digits, spaces, dots and dashes, such as flatbed-600.'
        )
    drawer = _drawer(notebook)
    try:
        drawer.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        reason = (problem.strerror or "unknown reason").lower()
        raise DensiscanError(
            f"the folder {drawer} cannot be made: {reason}; give --out, or name another place with {VARIABLE}."
        ) from problem
    return drawer / f"{name}.json"


def kept_calibrations(notebook: Path) -> tuple[Path, ...]:
    """Return the files of the named calibrations, the last made first.

    When one was made stands in its document: copies, backups and what a check writes into it change the file's time
    alone. One whose time cannot be read comes last.
    """
    drawer = _drawer(notebook)
    files = [file for file in drawer.glob("*.json") if file.is_file()] if drawer.is_dir() else []
    return tuple(sorted(files, key=lambda file: (-_made(file), file.name)))


def _made(file: Path) -> float:
    """Return when the calibration in a file was made, in seconds of the epoch; minus infinity where that is not told.

    A time without a zone is taken as universal time.
    """
    try:
        made = datetime.fromisoformat(read_document(file)["created"])
        return (made if made.tzinfo is not None else made.replace(tzinfo=UTC)).timestamp()
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return -math.inf


def is_in_future(file: Path) -> bool:
    """Tell whether the calibration in a file is dated in the future: then only its name chooses it."""
    return _made(file) > datetime.now(UTC).timestamp() + _CLOCK_S


def is_for_prints(file: Path) -> bool:
    """Tell whether a calibration file is of a reflection wedge; False where that cannot be read from it."""
    try:
        document = read_document(file)
    except (OSError, ValueError):
        return False
    return isinstance(document, dict) and document.get("mode") == "reflection"


def find_calibration(wanted: str | None, notebook: Path) -> Path:
    """Return the calibration file meant: a file, a name, or where nothing is said the last one made for film.

    One dated in the future is used only when it is named.

    Raises
    ------
    WrongUseError
        If there is no such file and no such name, or none was ever made.
    """
    kept = kept_calibrations(notebook)
    if wanted is None:
        of_film = next((file for file in kept if not is_in_future(file) and not is_for_prints(file)), None)
        if of_film is None:
            made = "no calibration by a wedge on film was made yet" if kept else "no calibration was made yet"
            raise WrongUseError(f"{made}; {_MAKE_ONE}, or name a file with --calibration.")
        return of_film
    if Path(wanted).is_file():
        return Path(wanted)
    named = next((file for file in kept if file.stem == wanted), None)
    if named is not None:
        return named
    names = ", ".join(file.stem for file in kept)
    known = f"the names kept are {names}" if names else _MAKE_ONE
    raise WrongUseError(f"there is no calibration file and no calibration of the name {wanted}; {known}.")
