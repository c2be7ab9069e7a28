"""What is said of the notebook itself: its state, a batch of developer, what an import did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from densiscan.development.names import solution_text
from densiscan.files.serialise import as_dict, as_document
from densiscan.notebook.materials import Batch
from densiscan.notebook.merge import Merged
from densiscan.report.readings import paragraph

_WORDS: Final = {
    "runs": ("run", "runs"),
    "readings": ("reading", "readings"),
    "negatives": ("negative", "negatives"),
    "films": ("film", "films"),
    "developers": ("developer", "developers"),
    "batches": ("batch", "batches"),
    "documents": ("wedge, calibration, test or print", "wedges, calibrations, tests and prints"),
    "changes": ("edit", "edits"),
}


def _counted(counts: Mapping[str, int]) -> str:
    counts_in_words = [
        f"{counts[table]} {names[counts[table] != 1]}" for table, names in _WORDS.items() if counts.get(table)
    ]
    return ", ".join(counts_in_words) or "nothing"


def state_document(path: Path, there: bool, counts: Mapping[str, int], wrong: Sequence[str]) -> dict[str, Any]:
    """Return the state of a notebook as plain JSON values."""
    return {
        "format": "densiscan.notebook-check/1",
        "file": str(path),
        "there": there,
        "rows": dict(counts),
        "wrong": list(wrong),
    }


def state_text(path: Path, there: bool, counts: Mapping[str, int], wrong: Sequence[str]) -> str:
    """Return the state of a notebook in words."""
    if not there:
        return paragraph(f"There is no notebook at {path} yet; the first run or reading makes it.", indent=0)
    lines = [paragraph(f"{path}: {_counted(counts)}.", indent=0)]
    lines.append("  Its file is sound." if not wrong else "  Its file is damaged:")
    lines += [paragraph(f"! {one}") for one in wrong]
    return "\n".join(lines)


def batch_document(batch: Batch) -> dict[str, Any]:
    """Return a batch as plain JSON values."""
    layout = {"Batch": "developer dilution batch=name mixed discarded uses film_area_m2 runs"}
    return as_document(batch, layout, format="densiscan.batch/1")


def batch_text(batch: Batch) -> str:
    """Return a batch in words."""
    mixed = "on a day not known" if batch.mixed is None else f"on {batch.mixed}"
    times = {0: "not yet used", 1: "used once", 2: "used twice"}.get(batch.uses, f"used {batch.uses} times")
    runs = f", in run{'s' if len(batch.runs) > 1 else ''} {', '.join(map(str, batch.runs))}" if batch.runs else ""
    lines = [
        paragraph(
            f"{solution_text(batch.developer, batch.dilution)}, batch {batch.name}: mixed {mixed}, {times}{runs}.",
            indent=0,
        )
    ]
    if batch.film_area_m2:
        lines.append(paragraph(f"It has developed {1e4 * batch.film_area_m2:.0f} square centimetres of film."))
    if batch.discarded is not None:
        lines.append(paragraph(f"Poured off on {batch.discarded}."))
    return "\n".join(lines)


def merged_document(merged: Merged, calibrations: Sequence[Path]) -> dict[str, Any]:
    """Return what an import did as plain JSON values."""
    return {"format": "densiscan.import/1", **as_dict(merged), "calibrations": [str(place) for place in calibrations]}


def merged_text(merged: Merged, calibrations: Sequence[Path]) -> str:
    """Return what an import did in words."""
    lines = [paragraph(f"Added: {_counted(merged.added)}.", indent=0)]
    if merged.updated:
        lines.append(paragraph(f"Brought up to date: {_counted(merged.updated)}."))
    if merged.renumbered:
        renumbered = ", ".join(f"{old} is now {new}" for old, new in merged.renumbered.items())
        lines.append(paragraph(f"Runs whose number was taken here got another: {renumbered}."))
    lines += [paragraph(f"Calibration {place.stem} is now kept here.") for place in calibrations]
    return "\n".join(lines)
