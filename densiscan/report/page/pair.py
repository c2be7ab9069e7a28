"""What the page compares two negatives by: their figures, where the picture lies, how each was developed."""

from __future__ import annotations

from typing import Any

from densiscan.development.names import dilution_key, name_key
from densiscan.development.run import Run
from densiscan.files.serialise import plain
from densiscan.report.page.negative import PageReading, SheetView, frame_corners
from densiscan.report.page.pictures import clearest_density
from densiscan.report.readings import density_text, time_text
from densiscan.report.runs import temperature_text, use_text


def pair_facts(page: PageReading, view: SheetView) -> dict[str, Any]:
    """Return what the script of the page compares one negative with another by, as plain JSON values."""
    assessment = page.assessment
    reading, sheet = assessment.reading, assessment.sheet
    corners = frame_corners(reading)
    return {
        "key": view.key,
        "name": reading.name,
        "look": view.answer.attention,
        "short": view.answer.short,
        "why": view.answer.why,
        "grade": assessment.paper.grade if assessment.judged else None,
        "figures": [
            {"name": name, "words": density_text(density), **(plain(density) or {"value": None})}
            for name, density in (
                ("base plus fog", reading.base_plus_fog),
                ("shadow, net", reading.net_shadow),
                ("highlight, net", reading.net_highlight),
                ("density range", reading.density_range),
            )
        ],
        "corners": None if corners is None else [[round(x, 3), round(y, 3)] for x, y in corners],
        "clearest": None if sheet is None else round(clearest_density(sheet.picture), 3),
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
