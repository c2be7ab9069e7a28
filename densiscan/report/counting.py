"""Which readings count for a run, in words and as plain JSON values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.run import Run
from densiscan.development.usable_readings import Counted, Standing, Way
from densiscan.files.serialise import Layout, as_document
from densiscan.notebook.news import News, ReadingNews
from densiscan.notebook.readings import KeptReading
from densiscan.report.readings import density_text, paragraph

READINGS_FORMAT: Final = "densiscan.reading-list/1"
_MOST_NAMES: Final = 4

_OPTIONS: Final = {
    "calibration": "another calibration",
    "aperture_mm": "--aperture",
    "square": "--square",
    "trim": "--trim",
    "frame_mm": "--frame",
    "rebate_mm": "--rebate",
    "base_fog": "--base-fog",
    "lamp": "--empty-bed",
    "glare": "--glare",
    "correct_glare": "--correct-glare",
    "fog_sheet": "--fog-sheet",
    "ppi": "--ppi",
    "page": "--page",
}
"""By what a person tells one way of reading from another."""

_STANDINGS: Final[dict[Standing, str]] = {
    "counts": "counts",
    "tried": "kept apart, as it was not made for this run",
    "superseded": "replaced by a later reading",
    "removed": "taken out",
}


def news_lines(news: Sequence[News]) -> list[str]:
    """Return what was changed, one line each: readings that moved, are kept apart or left out, and what counts now."""
    readings = [one for change in news for one in change.readings]
    first: dict[int, Run] = {}
    last: dict[int, Run] = {}
    for change in news:
        for run in change.before:
            first.setdefault(run.number, run)
        last |= {run.number: run for run in change.after}
    changed = [_change_line(first[number], run) for number, run in sorted(last.items()) if number in first]
    return [*_reading_lines(readings), *(line for line in changed if line is not None)]


def _reading_lines(readings: Sequence[ReadingNews]) -> list[str]:
    files: dict[tuple[str, str], list[str]] = {}
    for reading in readings:
        for sentence in _sentences(reading):
            files.setdefault(sentence, []).append(reading.file)
    return [one.format(_listed(of)) if len(of) == 1 else many.format(_listed(of)) for (one, many), of in files.items()]


def _listed(names: Sequence[str]) -> str:
    shown = list(dict.fromkeys(names))
    if len(shown) > _MOST_NAMES:
        return f"{', '.join(shown[: _MOST_NAMES - 1])} and {len(shown) - _MOST_NAMES + 1} more"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def _sentences(reading: ReadingNews) -> list[tuple[str, str]]:
    """Return what is to be said of a reading, of one scan and of several."""
    sentences = []
    run = reading.run
    if reading.was is not None and reading.was != run:
        sentences.append(
            (
                f"{{0}} was in run {reading.was} and is now in run {run}.",
                f"{{0}} were in run {reading.was} and are now in run {run}.",
            )
        )
    if reading.standing == "removed":
        sentences.append(
            (
                "{0} was taken out of the notebook and stays out; densiscan reading restore brings it back.",
                "{0} were taken out of the notebook and stay out; densiscan reading restore brings them back.",
            )
        )
    elif reading.standing == "tried" and reading.ways:
        differs = ", ".join(_OPTIONS.get(way, f"--{way.replace('_', '-')}") for way in reading.ways)
        why = f"Read another way ({differs}) and kept apart: run {run}"
        add = f"Add --run {run} to count this one instead."
        sentences.append(
            (f"{why} still counts its own reading of {{0}}. {add}", f"{why} still counts its own of {{0}}. {add}")
        )
    elif reading.asked and reading.standing == "counts" and reading.left_out is not None:
        sentences.append(
            (
                f"{{0}} is {reading.left_out}: its density range does not count for run {run}.",
                f"{{0}} are {reading.left_out}: their density ranges do not count for run {run}.",
            )
        )
    return sentences


def _change_line(before: Run, after: Run) -> str | None:
    """Return what counts for a run now and what did before; None where that is the same."""
    parts = [
        _figure(label, was, now)
        for label, was, now in (
            ("density range", before.density_ranges, after.density_ranges),
            ("base plus fog", before.base_plus_fogs, after.base_plus_fogs),
        )
    ]
    words = [part for part in parts if part is not None]
    return f"Run {after.number} now counts {' and '.join(words)}." if words else None


def _figure(label: str, was: Sequence[Quantity], now: Sequence[Quantity]) -> str | None:
    if (_mean(was, 3), len(was)) == (_mean(now, 3), len(now)):
        return None
    digits = 2 if (_mean(was, 2), len(was)) != (_mean(now, 2), len(now)) else 3
    several = max(len(was), len(now)) > 1
    before = f"was {_mean(was, digits)}{_of(was, several=several)}" if was else "none before"
    return f"{label} {_mean(now, digits)}{_of(now, several=several)} ({before})" if now else f"no {label} ({before})"


def _mean(read: Sequence[Quantity], digits: int) -> str:
    return f"{sum(one.value for one in read) / len(read):.{digits}f}" if read else ""


def _of(read: Sequence[Quantity], *, several: bool) -> str:
    if not several:
        return ""
    return f" from {len(read)} negative{'s' if len(read) > 1 else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownReading:
    """A reading with its standing for its run (None: of no run), how it was made, and why its range is left out."""

    reading: KeptReading
    standing: Standing | None
    way: Way | None
    left_out: str | None = None


def shown_readings(readings: Sequence[KeptReading], counted: Mapping[int, Counted]) -> list[ShownReading]:
    """Return readings as they stand."""
    return [_shown(reading, None if reading.run is None else counted.get(reading.run)) for reading in readings]


def _shown(reading: KeptReading, counted: Counted | None) -> ShownReading:
    if counted is None:
        return ShownReading(reading=reading, standing="removed" if reading.removed else None, way=None)
    return ShownReading(
        reading=reading,
        standing=counted.standings.get(reading.number),
        way=counted.ways.get(reading.number),
        left_out=counted.silent.get(reading.number),
    )


def reading_lines(shown: ShownReading, *, with_run: bool = False) -> str:
    """Return one reading: its number, when it was made, of what, what it says, how it was made, and if it counts."""
    reading = shown.reading
    parts = [
        f"density range {density_text(reading.quantities.get('density_range'))}",
        f"base plus fog {density_text(reading.quantities.get('base_plus_fog'))}",
    ]
    how = [] if shown.way is None or reading.file is None else [_how_text(shown.way)]
    return paragraph(
        f"{reading.number}, {when_text(reading.made)}, {name_text(reading)}: {'; '.join([', '.join(parts), *how])}. "
        f"{standing_text(shown, with_run=with_run)}."
    )


def name_text(reading: KeptReading) -> str:
    """Return what a reading is of."""
    if reading.file is None:
        return "read elsewhere"
    return reading.file if reading.piece is None else f"{reading.file}, piece {reading.piece}"


def when_text(made: str) -> str:
    """Return a moment as the clock on the wall showed it, to the minute."""
    return datetime.fromisoformat(made).astimezone().strftime("%Y-%m-%d %H:%M")


def standing_text(shown: ShownReading, *, with_run: bool = False) -> str:
    """Return whether a reading counts, as the end of a line."""
    if shown.standing is None:
        return "Of no run"
    words = _STANDINGS[shown.standing]
    if shown.standing == "counts" and shown.left_out is not None:
        words = f"its range does not count: {shown.left_out}"
    run = shown.reading.run
    return f"Run {run}: {words}" if with_run and run is not None else words[0].upper() + words[1:]


def _how_text(way: Way) -> str:
    """Return how a reading was made: its calibration and the options that differ from the usual."""
    measure = way.options.get("measure") or {}
    parts = [f"calibration {way.name}"] if way.name else []
    parts += [
        f"{_OPTIONS[name]} {','.join(f'{side:g}' for side in measure[name])}"
        for name in ("frame_mm", "rebate_mm")
        if measure.get(name)
    ]
    aperture = measure.get("aperture_mm")
    if aperture is not None:
        parts.append(f"{aperture:g} mm {'square ' if measure.get('square') else ''}aperture")
    if measure.get("trim") not in {None, 0.01}:
        parts.append(f"--trim {100.0 * measure['trim']:g}")
    if measure.get("base_fog") is not None:
        parts.append(f"--base-fog {measure['base_fog']:g}")
    parts += [_OPTIONS[name] for name in ("fog_sheet", "correct_glare") if measure.get(name)]
    parts += [f"--{name} {way.options[name]:g}" for name in ("ppi", "page") if way.options.get(name) is not None]
    return ", ".join(parts) or "how is not known"


def reading_document(shown: ShownReading) -> dict[str, Any]:
    """Return a reading in the notebook as plain JSON values."""
    return as_document(shown, _LAYOUT) | as_document(shown.reading.quantities, _LAYOUT)


def readings_document(shown: Sequence[ShownReading]) -> dict[str, Any]:
    """Return readings as plain JSON values."""
    return {"format": READINGS_FORMAT, "readings": [reading_document(one) for one in shown]}


def readings_text(shown: Sequence[ShownReading], *, more: int = 0) -> str:
    """Return readings as a list, the earliest first; `more` earlier ones are not shown."""
    if not shown:
        return "No readings to show. densiscan measure SCAN makes them."
    lines = [reading_lines(one, with_run=True) for one in shown]
    if more:
        lines += ["", paragraph(f"{more} earlier not shown; --last {more + len(shown)} shows all.")]
    return "\n".join(lines)


_LAYOUT: Final[Layout] = {
    "ShownReading": "number=reading.number run=reading.run file=reading.file scan_sha256=reading.scan_sha256 "
    "piece=reading.piece negative=reading.negative made=reading.made version=reading.version "
    "arguments=reading.arguments calibration=way.name options=way.options standing left_out removed=reading.removed",
    "ShownReading.left_out": lambda shown: shown.left_out if shown.standing == "counts" else None,
}
