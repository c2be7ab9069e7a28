"""What the page compares two negatives by: their figures, where the picture lies, how each was developed."""

from __future__ import annotations

from typing import Any, Final

from densiscan.development.names import dilution_key, name_key
from densiscan.development.run import Run
from densiscan.report.page.negative import PageReading, SheetView, density_words, frame_corners
from densiscan.report.page.pictures import clearest_density
from densiscan.report.readings import time_text
from densiscan.report.runs import temperature_text, use_text

_FIGURES: Final = (
    ("base_plus_fog", "base plus fog"),
    ("net_shadow", "shadow, net"),
    ("net_highlight", "highlight, net"),
    ("density_range", "density range"),
)


def pair_facts(page: PageReading, view: SheetView) -> dict[str, Any]:
    """Return what the script of the page compares one negative with another by, as plain JSON values."""
    document = view.document
    corners = frame_corners(document)
    return {
        "key": view.key,
        "name": view.name if view.piece is None else f"{view.name}, piece {view.piece}",
        "look": view.answer.attention,
        "short": view.answer.short,
        "why": view.answer.why,
        "grade": (document["paper"] or {}).get("grade"),
        "figures": [
            {"name": name, "words": density_words(document[field]), **(document[field] or {"value": None})}
            for field, name in _FIGURES
        ],
        "corners": None if corners is None else [[round(x, 3), round(y, 3)] for x, y in corners],
        "clearest": None if page.sheet is None else round(clearest_density(page.sheet.picture), 3),
        "run": None if page.developed is None else _run_facts(page.developed),
    }


def _run_facts(run: Run) -> dict[str, Any]:
    return {
        "number": run.number,
        "date": run.date,
        "time": time_text(run.time_s),
        "temperature": temperature_text(run.temperature_c),
        "use": use_text(run.use),
        "process": f"{name_key(run.film)}|{name_key(run.developer)}|{dilution_key(run.dilution)}",
        "solution": f"{run.film} in {run.solution}",
    }
