"""Runs as a person reads them, and as a program does."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.repeatability import Filled
from densiscan.development.run import Run
from densiscan.files.serialise import Layout, as_document
from densiscan.notebook.history import NotebookChange
from densiscan.report.counting import ShownReading, reading_document, reading_lines, when_text
from densiscan.report.readings import density_text, paragraph, time_text
from densiscan.report.terminal import fitted

RUN_FORMAT: Final = "densiscan.run/1"
RUNS_FORMAT: Final = "densiscan.runs/1"
HISTORY_FORMAT: Final = "densiscan.run-history/1"
_LAYOUT: Final[Layout] = {
    "Run": "run=number film developer dilution batch use date time_s temperature_c exposure_index agitation prewash "
    "stop fix sheets sheet_size_mm volume_ml scene_stops note density_ranges sheet_stops "
    "base_plus_fogs left_out removed",
    "Filled": "like taken warnings",
    "NotebookChange": "made what run",
}
_LABEL: Final = 18
_WORDS: Final = {
    "time_s": "time",
    "temperature_c": "temperature",
    "exposure_index": "exposure index",
    "sheet_size_mm": "sheet size",
    "volume_ml": "volume",
    "prewash": "pre-wash",
}
_ORDINALS: Final = ("first", "second", "third", "fourth", "fifth", "sixth")


def run_document(run: Run) -> dict[str, Any]:
    """Return a run as plain JSON values."""
    return as_document(run, _LAYOUT, format=RUN_FORMAT)


def filled_document(run: Run, filled: Filled) -> dict[str, Any]:
    """Return a run just added, with what was taken from an earlier one."""
    return run_document(run) | as_document(filled, _LAYOUT)


def run_page_document(run: Run, readings: Sequence[ShownReading]) -> dict[str, Any]:
    """Return a run with everything read of it: how each reading was made, and whether it counts."""
    return {**run_document(run), "readings": [reading_document(one) for one in readings]}


def runs_document(runs: Sequence[Run]) -> dict[str, Any]:
    """Return runs as plain JSON values."""
    return {"format": RUNS_FORMAT, "runs": [run_document(run) for run in runs]}


def history_document(changes: Sequence[NotebookChange]) -> dict[str, Any]:
    """Return changes as plain JSON values."""
    return {"format": HISTORY_FORMAT, "changes": [as_document(change, _LAYOUT) for change in changes]}


def history_text(changes: Sequence[NotebookChange]) -> str:
    """Return changes, one a line, the latest last."""
    if not changes:
        return "Nothing was changed yet."
    return "\n".join(f"  {when_text(one.made)}  {_of_run(one.run):<8}  {_DONE[one.what]}" for one in changes)


def _of_run(run: int | None) -> str:
    return "no run" if run is None else f"run {run}"


def use_text(use: int) -> str:
    """Return which use of a developer it is, in words."""
    return f"{_ORDINALS[use - 1]} use" if use <= len(_ORDINALS) else f"use {use}"


def temperature_text(celsius: float) -> str:
    """Return a temperature, to a tenth where it has one."""
    return f"{celsius:.1f} C".replace(".0 C", " C")


def sentence(run: Run) -> str:
    """Return a run in one sentence."""
    batch = "" if run.batch is None else f" of batch {run.batch}"
    return (
        f"{run.film} in {run.solution}, {time_text(run.time_s)} at {temperature_text(run.temperature_c)}, "
        f"{use_text(run.use)}{batch}"
    )


def added_text(run: Run, filled: Filled) -> str:
    """Return what is said when a run was added."""
    lines = [paragraph(f"Run {run.number}: {sentence(run)}.", indent=0)]
    if filled.like is not None:
        names = ", ".join(_WORDS.get(field, field.replace("_", " ")) for field in filled.taken)
        lines.append(paragraph(f"As in run {filled.like}: {names}."))
    lines += [paragraph(f"! {warning.message}") for warning in filled.warnings]
    return "\n".join(lines)


def removed_text(run: Run) -> str:
    """Return what is said when a run was taken out."""
    message = paragraph(f"Run {run.number} is removed: {sentence(run)}.", indent=0)
    return f"{message}\n  It is kept; densiscan run restore {run.number} brings it back."


def restored_text(run: Run) -> str:
    """Return what is said when a run was brought back."""
    return paragraph(f"Run {run.number} is back: {sentence(run)}.", indent=0)


def runs_text(runs: Sequence[Run], *, more: int = 0) -> str:
    """Return runs as a table, the earliest first.

    Parameters
    ----------
    more
        How many earlier ones are not shown.
    """
    if not runs:
        return (
            "There is no run to show. Add one:\n  densiscan run add --film NAME --developer NAME --time 8:00 --temp 20"
        )
    lines = ["  run  date        film            developer        time   temp  use  range  b+f"]
    lines += [_line(run) for run in runs]
    if runs[0].removed:
        lines += ["", "  These are removed; densiscan run restore RUN brings one back."]
    if more:
        lines += ["", paragraph(f"{more} earlier not shown; --last {more + len(runs)} shows all.")]
    return "\n".join(lines)


def _line(run: Run) -> str:
    ranges = _mean_text(run.density_ranges)
    base = _mean_text(run.base_plus_fogs)
    film, developer = fitted(run.film, 14), fitted(run.solution, 14)
    return (
        f"{run.number:>5}  {run.date[:10]}  {film}  {developer} {time_text(run.time_s):>6}  {run.temperature_c:5.1f}  "
        f"{run.use:>3}  {ranges:>5} {base:>4}"
    ).rstrip()


def _mean_text(read: Sequence[Quantity]) -> str:
    return f"{sum(one.value for one in read) / len(read):.2f}" if read else ""


def run_text(run: Run, readings: Sequence[ShownReading] = ()) -> str:
    """Return the page of one run."""
    index = "" if run.exposure_index is None else f", exposed at {run.exposure_index:g}"
    batch = "" if run.batch is None else f", batch {run.batch}"
    facts = [
        ("film", f"{run.film}{index}"),
        ("developer", f"{run.solution}{batch}, {use_text(run.use)}"),
        ("development", f"{time_text(run.time_s)} at {temperature_text(run.temperature_c)}"),
        *((_WORDS.get(field, field), getattr(run, field)) for field in ("agitation", "prewash", "stop", "fix")),
        ("load", _load(run)),
        ("subject", None if run.scene_stops is None else f"{run.scene_stops:g} stops"),
        ("note", run.note),
    ]
    removed = " (removed; run restore brings it back)" if run.removed else ""
    lines = [f"Run {run.number}, {run.date}{removed}"]
    lines += [_fact(label, " ".join(words.split())) for label, words in facts if words]
    lines += [_fact("density range", density_text(one)) for one in run.density_ranges]
    lines += [_fact("base plus fog", density_text(one)) for one in run.base_plus_fogs]
    lines += [_fact("left out", f"{one.file or 'read elsewhere'}, {one.why}") for one in run.left_out]
    scans = [one for one in readings if one.reading.scan_sha256 is not None]
    if scans:
        lines += ["", "  Readings", *(reading_lines(one) for one in scans)]
    return "\n".join(lines)


def _fact(label: str, words: str) -> str:
    return paragraph(words, label=label.ljust(_LABEL))


def _load(run: Run) -> str | None:
    size = "" if run.sheet_size_mm is None else " of {:.0f} x {:.0f} mm".format(*run.sheet_size_mm)
    sheets = None
    if run.sheets is not None:
        sheets = f"{run.sheets} sheet{'s' if run.sheets > 1 else ''}{size}"
    volume = None if run.volume_ml is None else f"{run.volume_ml:g} ml of developer"
    return " in ".join(part for part in (sheets, volume) if part) or None


_DONE: Final = {
    "add": "logged",
    "correct": "corrected",
    "remove": "taken out",
    "restore": "brought back",
    "measure": "measured into a run",
    "remove-reading": "reading taken out",
    "restore-reading": "reading brought back",
}
_UNDONE: Final = {what: words for what, words in _DONE.items() if "-" in what or what == "measure"}


def undone_text(what: str) -> str:
    """Return a change that was taken back, in words."""
    return _UNDONE.get(what, what)
