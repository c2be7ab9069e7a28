"""A development run: one load of film, developed once, as the notebook keeps it.

A run says what was done; the density ranges are what came of it. Advice and trends are functions of runs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from densiscan.arithmetic.floats import keep_floats
from densiscan.arithmetic.quantity import Quantity
from densiscan.development.names import dilution_key, same_name, solution_text
from densiscan.errors import WrongUseError

LONGEST_NAME: Final = 80
LONGEST_NOTE: Final = 2000
LONGEST_TIME_S: Final = 86_400.0
"""A day: no development takes longer, stand development included."""

LIMITS: Final[dict[str, tuple[float, float, str]]] = {
    "time_s": (0.0, LONGEST_TIME_S, "8:00"),
    "temperature_c": (0.0, 60.0, "20"),
    "exposure_index": (0.0, 100_000.0, "100"),
    "volume_ml": (0.0, 100_000.0, "500"),
    "scene_stops": (0.0, 20.0, "7"),
}
"""Above the first, up to the second, such as the third."""

_MOST: Final = 1000
"""Uses of one developer, and sheets of one run, at most: more is a slip of the keyboard."""

_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2})?)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeLeftOut:
    """A negative of a run whose density range says nothing about development, and why, such as underexposed.

    `fog_counts` is whether its base plus fog counts all the same; `file` None for a figure read elsewhere.
    """

    file: str | None
    why: str
    fog_counts: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One development of one load of film.

    Parameters
    ----------
    number
        What the person calls it by, from 1.
    use
        How often this developer was used, this time included: 1 is fresh.
    date
        Of the development, ISO 8601: a day, or a day and a time.
    time_s
        Development time.
    batch
        The name of the developer as mixed once, None where it was not named.
    exposure_index
        What the film was exposed at.
    scene_stops
        Luminance range of the subject as metered; None where it was not.
    sheet_size_mm
        Width and height of one sheet.
    density_ranges
        One for each negative of the run whose range counts, as `development_readings.counted` decides; None parts where
        the uncertainty is not known, as for a figure read elsewhere.
    sheet_stops
        The subject's range of each of these negatives, None where it is that of the run; empty where it is for all.
    base_plus_fogs
        Likewise, one for each negative whose clear edge was read.
    left_out
        The negatives whose range does not count.
    removed
        Taken out of the notebook, but not forgotten: it counts for nothing until it is restored.

    Raises
    ------
    WrongUseError
        If something cannot be; the sentence names the option it is given by.

    Examples
    --------
    >>> run = Run(number=1, film="Meadow-100", developer="Borax", date="2026-03-01", time_s=480.0, temperature_c=20.0)
    >>> run.solution, run.use
    ('Borax', 1)
    """

    number: int
    film: str
    developer: str
    date: str
    time_s: float
    temperature_c: float
    use: int = 1
    dilution: str | None = None
    batch: str | None = None
    exposure_index: float | None = None
    agitation: str | None = None
    prewash: str | None = None
    stop: str | None = None
    fix: str | None = None
    sheets: int | None = None
    sheet_size_mm: tuple[float, float] | None = None
    volume_ml: float | None = None
    scene_stops: float | None = None
    note: str | None = None
    density_ranges: tuple[Quantity, ...] = ()
    sheet_stops: tuple[float | None, ...] = ()
    base_plus_fogs: tuple[Quantity, ...] = ()
    left_out: tuple[NegativeLeftOut, ...] = ()
    removed: bool = False

    def __post_init__(self) -> None:
        keep_floats(self)
        require_name(self.film, "film")
        require_name(self.developer, "developer")
        for field in ("dilution", "batch", "agitation", "prewash", "stop", "fix"):
            text = getattr(self, field)
            if text is not None:
                require_name(text, field)
        if self.note is not None and not 0 < len(self.note) <= LONGEST_NOTE:
            raise WrongUseError(f"`note` is empty or too long; give up to {LONGEST_NOTE} letters.")
        require_date(self.date)
        for field in LIMITS:
            _require_number(getattr(self, field), field)
        _require_count(self.use, "use")
        _require_count(self.sheets, "sheets")
        for side in self.sheet_size_mm or ():
            if not 0.0 < side <= 5000.0:
                raise WrongUseError(
                    f"`sheet_size_mm` {side:g} mm is not a valid size; give width x height, such as 102x127."
                )

    @property
    def solution(self) -> str:
        """The developer as it was used, such as Borax 1+1."""
        return solution_text(self.developer, self.dilution)

    @property
    def film_area_m2(self) -> float | None:
        """Area of all the film in the run; None where sheets or size are not known."""
        if self.sheets is None or self.sheet_size_mm is None:
            return None
        return self.sheets * self.sheet_size_mm[0] * self.sheet_size_mm[1] / 1e6


def require_name(text: str, field: str) -> str:
    """Return a name if it can be one: one line of 1 to 80 printable letters, no blanks at its ends.

    Raises
    ------
    WrongUseError
        If not.
    """
    if not (text and text == text.strip() and len(text) <= LONGEST_NAME and text.isprintable()):
        raise WrongUseError(f"`{field}` {text!r} is not a valid name; give one line of up to {LONGEST_NAME} letters.")
    return text


def require_date(text: str) -> str:
    """Return a date if it is one: ISO 8601, with a time or without.

    Raises
    ------
    WrongUseError
        If not.
    """
    wrong = WrongUseError(f'`date` "{text}" is not a valid date; give year-month-day, such as 2026-03-14.')
    if not _DATE.fullmatch(text):
        raise wrong
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise wrong from None
    return text


def _require_number(value: float | None, field: str) -> None:
    above, upto, such_as = LIMITS[field]
    if value is not None and not (math.isfinite(value) and above < value <= upto):
        raise WrongUseError(f"`{field}` {value:g} is not a valid value; give a number such as {such_as}.")


def _require_count(value: int | None, field: str) -> None:
    if value is not None and not 1 <= value <= _MOST:
        raise WrongUseError(f"`{field}` {value} is not a valid value; give a whole number from 1 to {_MOST}.")


def ages_days(runs: Sequence[Run], mixed: Mapping[str, str] | None = None) -> dict[int, float]:
    """Return, by the number of the run, how many days its batch of developer had stood.

    Parameters
    ----------
    mixed
        By the name of the batch, casefolded, the day it was mixed; else it counts from the batch's first run. Runs
        without a batch are not told of: nobody knows.
    """
    first = dict(mixed or {})
    for run in runs:
        if run.batch is not None and not run.removed:
            key = run.batch.casefold()
            first[key] = min(first.get(key, run.date), run.date)
    return {
        run.number: days_between(first[run.batch.casefold()], run.date)
        for run in runs
        if run.batch is not None and run.batch.casefold() in first
    }


def days_between(earlier: str, later: str) -> float:
    """Return the whole days from one ISO 8601 date to another, never fewer than 0."""
    days = datetime.fromisoformat(later[:10]) - datetime.fromisoformat(earlier[:10])
    return float(max(days.days, 0))


def fog_before(runs: Sequence[Run], number: int) -> tuple[Quantity, ...]:
    """Return the mean base plus fog of each of these runs that was read and came before the run of that number."""
    means = []
    for run in runs:
        if run.number < number and run.base_plus_fogs:
            first, *rest = run.base_plus_fogs
            means.append(sum(rest, first) / len(run.base_plus_fogs))
    return tuple(means)


def at_dilution(runs: Sequence[Run], dilution: str | None) -> tuple[Run, ...]:
    """Return the runs that count together, those of one dilution: the one named, else that of the last run."""
    if not runs:
        return ()
    wanted = dilution_key(runs[-1].dilution if dilution is None else dilution)
    return tuple(run for run in runs if not run.removed and dilution_key(run.dilution) == wanted)


def is_same_process(one: Run, other: Run) -> bool:
    """Return whether two runs are of one film in one developer at one dilution, so that one says what the other may."""
    alike = same_name(one.film, other.film) and same_name(one.developer, other.developer)
    return alike and dilution_key(one.dilution) == dilution_key(other.dilution)
