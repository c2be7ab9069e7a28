"""Which readings of a run count, and for what: the one place where that is decided.

Advice, trends, pages, lists, figures and the warning of fog all take it from here. A reading counts for a run when it
was made for that run, or repeats what the run's reading was made with; anything else is a try-out and kept apart. Of
those that count, the density range of a frame that lacks shadows or passes the calibration's end says nothing about
development.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.development.run import NegativeLeftOut, Run

Document = Mapping[str, Any]

_MOST_BEYOND: Final = 0.01
"""Part of the frame's area that may be clipped or beyond the calibration: the highlight is the 99th percentile."""

_UNDER: Final = "underexposed"
_LIMIT: Final = "beyond the calibration"
_NO_PICTURE: Final = "not a picture"
_AS_NEGATIVE: Final = frozenset({"negative", "unknown"})
"""What a scan was seen to be, where it is judged as a negative."""

_SEEN: Final = {
    "inverted": "an inverted scan",
    "wedge": "a wedge",
    "print": "a print",
    "colour negative": "a colour negative",
    "unexposed": "an unexposed sheet",
    "even": "an even sheet",
}

_NO_MATTER: Final = frozenset({"spots_mm", "base_density", "wedge_mm"})
"""Options of a reading that leave shadow, highlight and base plus fog as they are."""

Standing = Literal["counts", "tried", "superseded", "removed"]
"""Of a reading: it counts for its run; a try-out kept apart; a later one made for the run counts; taken out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a reading was made: the calibration's content, its name, and the options as the notebook keeps them."""

    calibration: str | None
    name: str | None
    options: Document


@dataclass(frozen=True, slots=True, kw_only=True)
class RunReading:
    """A reading of one negative of a run.

    Attributes
    ----------
    number
        Of the reading in its notebook.
    negative
        The same for all readings of one negative.
    for_run
        It was made for the run that the negative is of.
    document
        What the reading says of its frame, by the names of the contract; None for a figure read elsewhere.
    """

    number: int
    negative: str
    file: str | None
    for_run: bool
    removed: bool
    way: Way
    density_range: Quantity | None
    base_plus_fog: Quantity | None
    document: Document | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What counts of the readings of one run.

    `standings` and `ways` are by the number of each reading, `silent` why the range of one does not count, of those of
    which it does not; `scene_stops` the subject that each density range was measured for; `readings` is the one that
    counts of each negative.
    """

    standings: Mapping[int, Standing]
    ways: Mapping[int, Way]
    silent: Mapping[int, str]
    readings: tuple[RunReading, ...]
    density_ranges: tuple[Quantity, ...]
    scene_stops: tuple[float | None, ...]
    base_plus_fogs: tuple[Quantity, ...]
    left_out: tuple[NegativeLeftOut, ...]


def counted(readings: Sequence[RunReading]) -> Counted:
    """Decide what counts of all readings of the negatives of one run, in the order in which they were made."""
    by_negative: dict[str, list[RunReading]] = {}
    for reading in readings:
        by_negative.setdefault(reading.negative, []).append(reading)
    chosen = [one for of_negative in by_negative.values() if (one := _chosen(of_negative)) is not None]
    counting = {reading.number for reading in chosen}
    whys = {reading.number: why_silent(reading.document or {}) for reading in chosen}
    foggy = [one for one in chosen if not_a_negative(one.document or {}) is None or _is_fog_sheet(one)]
    pictures = [one for one in chosen if one.density_range is not None and whys[one.number] is None]
    return Counted(
        standings={reading.number: _standing(reading, counting) for reading in readings},
        ways={reading.number: reading.way for reading in readings},
        silent={number: why for number, why in whys.items() if why is not None},
        readings=tuple(chosen),
        density_ranges=tuple(one.density_range for one in pictures if one.density_range is not None),
        scene_stops=tuple((one.way.options.get("aim") or {}).get("scene_stops") for one in pictures),
        base_plus_fogs=tuple(one.base_plus_fog for one in foggy if one.base_plus_fog is not None),
        left_out=tuple(
            NegativeLeftOut(file=one.file, why=why, fog_counts=one in foggy and one.base_plus_fog is not None)
            for one in chosen
            if (why := whys[one.number]) is not None
            and (one.density_range is not None or one not in foggy)
            and not_a_negative(one.document or {}) != "wedge"  # it lies among the scans of many an evening
        ),
    )


def _is_fog_sheet(reading: RunReading) -> bool:
    """Return whether a person gave an unexposed sheet as what it is: then its base plus fog is what was wanted."""
    said = (reading.way.options.get("measure") or {}).get("fog_sheet")
    return bool(said) and not_a_negative(reading.document or {}) == "unexposed"


def _chosen(readings: Sequence[RunReading]) -> RunReading | None:
    """Return the reading that counts of one negative: the last made for its run, or a later one that repeats it."""
    there = [reading for reading in readings if not reading.removed]
    made_for = [place for place, reading in enumerate(there) if reading.for_run]
    if not made_for:
        return None
    last = there[made_for[-1]]
    return [last, *(one for one in there[made_for[-1] + 1 :] if _repeats(one.way, last.way))][-1]


def _standing(reading: RunReading, counting: set[int]) -> Standing:
    if reading.number in counting:
        return "counts"
    if reading.removed:
        return "removed"
    return "superseded" if reading.for_run else "tried"


def _repeats(one: Way, other: Way) -> bool:
    """Return whether two readings were made alike in every option; what one version did not know stands at nothing."""
    return one.calibration == other.calibration and _said(one.options) == _said(other.options)


def _said(value: Any) -> Any:
    """Return options without those that say nothing."""
    if isinstance(value, Mapping):
        return {name: stated for name, one in value.items() if (stated := _said(one)) not in (None, False, [], {})}
    return [_said(one) for one in value] if isinstance(value, list | tuple) else value


def other_ways(one: Way, other: Way) -> tuple[str, ...]:
    """Return by what the densities of one reading may differ from those of another: `calibration`, or options' names.

    What only the advice rests on, such as the paper, is not among them.
    """
    names = [] if one.calibration == other.calibration else ["calibration"]
    ours, theirs = _of_densities(one.options), _of_densities(other.options)
    return (*names, *(name for name in sorted(ours | theirs) if ours.get(name) != theirs.get(name)))


def _of_densities(options: Document) -> dict[str, Any]:
    measure = {name: value for name, value in (options.get("measure") or {}).items() if name not in _NO_MATTER}
    said: dict[str, Any] = _said({**measure, "ppi": options.get("ppi"), "page": options.get("page")})
    return said


def not_a_negative(document: Document) -> str | None:
    """Return what a scan was seen to be where that is not a negative and nobody insisted; then nothing of it counts."""
    kind = document.get("seen") or "unknown"
    judged = document.get("exposure") is not None or document.get("development") is not None
    return None if kind in _AS_NEGATIVE or judged else str(kind)


def why_silent(document: Document) -> str | None:
    """Return why the density range of a reading says nothing about development, None where it does.

    Shadows lost for lack of exposure shorten the range, a highlight denser than the calibration reaches does too, and
    where no frame was found the range may be that of the film's edge: none of it is development. Another reason why a
    reading does not count has its place here.
    """
    seen = not_a_negative(document)
    if seen is not None:
        return f"seen as {_SEEN.get(seen, seen)}"
    if (document.get("exposure") or {}).get("verdict") == "under":
        return _UNDER
    dark = (document.get("clipped") or {}).get("dark") or 0.0
    limit = (document.get("density_range") or {}).get("limit")
    if limit is not None or max(dark, document.get("beyond_calibration") or 0.0) > _MOST_BEYOND:
        return _LIMIT
    development = document.get("development")
    return _NO_PICTURE if development is not None and development.get("contrast") is None else None


def left_out_warnings(runs: Sequence[Run]) -> tuple[Warning_, ...]:
    """Return a word on the negatives of these runs whose range does not count."""
    numbers: dict[str, list[int]] = {}
    for run in runs:
        for one in run.left_out:
            numbers.setdefault(one.why, []).append(run.number)
    return tuple(_warning(why, of) for why, of in numbers.items())


def _warning(why: str, numbers: list[int]) -> Warning_:
    count = len(numbers)
    what = "scan" if why.startswith("seen as") else "negative"
    runs = ", ".join(str(number) for number in dict.fromkeys(numbers))
    message = (
        f"{count} {what}{'s' if count > 1 else ''} of run{'s' if len(set(numbers)) > 1 else ''} {runs} "
        f"{'are' if count > 1 else 'is'} {why}, so the density range says nothing about development and is left out."
    )
    return Warning_(code="negatives-left-out", message=message)
