"""The page: one HTML file with everything inside, for one negative or for many.

Nothing in it comes from outside, and its content security policy forbids that anything does: only the style and the
script whose digests stand in the policy run, so a file name with markup in it stays a name.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.batch.outliers import FIGURES
from densiscan.report.answer import folder_headline
from densiscan.report.page.charts import Chart, trend_chart
from densiscan.report.page.negative import PageReading, SheetView, density_words, sheet_view
from densiscan.report.page.pair import pair_facts
from densiscan.report.page.standings import Standing, standings
from densiscan.report.page.templating import environment, own_text

_UNJUDGED: Final = "?"
_LAST: Final = 99.0
"""By what a negative is sorted whose figure is not known: it comes last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageHead:
    """What stands over the page: its title, sentences below that, when it was made and by which version.

    `beside` opens it with its first two negatives beside each other.
    """

    title: str
    made: str
    version: str
    told: tuple[str, ...] = ()
    beside: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedCell:
    """A cell of the table: what it shows and what it is sorted by; None comes last."""

    shown: str
    by: float | str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeRow:
    """A negative in the table."""

    view: SheetView
    standing: Standing
    cells: tuple[SortedCell, ...]
    by_shadow: float
    by_range: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What to do next with a film and developer: what it is on, the answer, why in a line."""

    what: str
    say: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A figure made by `plots`, as an element of the page, under a heading; its source is ours alone."""

    heading: str
    svg: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Plain rows under a heading."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


COLUMNS: Final = ("base + fog", "net shadow", "highlight", "range", "exposure", "development", "grade", "trouble")


def page_html(
    readings: Sequence[PageReading],
    head: PageHead,
    *,
    failed: Sequence[Mapping[str, str]] = (),
    drawings: Sequence[Drawing] = (),
    tables: Sequence[Table] = (),
    next_steps: Sequence[NextStep] = (),
) -> str:
    """Return the page.

    Parameters
    ----------
    readings
        At least one makes sense; several get a table in front.
    failed
        Scans that gave nothing: "file" and "message" of each.
    drawings
        Further figures, shown before the negatives.
    tables
        Further tables, shown after the negatives.
    next_steps
        What to do next, shown on top.
    """
    documents = [reading.document for reading in readings]
    views = [sheet_view(reading, number=number, beside=documents) for number, reading in enumerate(readings, start=1)]
    stands = standings([view.document for view in views])
    rows = [
        NegativeRow(
            view=view,
            standing=standing,
            cells=_cells(view.document),
            by_shadow=_value(view.document["net_shadow"], _LAST),
            by_range=-_value(view.document["density_range"], -_LAST),
        )
        for view, standing in zip(views, stands, strict=True)
    ]
    answers = [view.answer for view in views]
    several = len(views) > 1
    style, script = own_text("page.css"), own_text("page.js") + (own_text("pair.js") if several else "")
    text: str = (
        environment()
        .get_template("page.html")
        .render(
            head=head,
            views=views,
            several=several,
            pairs=[pair_facts(page, view) for page, view in zip(readings, views, strict=True)] if several else (),
            beside=[view.key for view in views[:2]] if head.beside else (),
            headline=folder_headline(answers, len(failed)),
            attention=sum(one.attention for one in answers),
            rows=sorted(rows, key=lambda row: (-row.view.answer.gravity, -row.standing.distance)),
            odd_first=sorted(rows, key=lambda row: -row.standing.distance),
            next_steps=next_steps,
            columns=COLUMNS,
            trends=_trends(views, stands) if len(views) > 1 else (),
            failed=failed,
            drawings=drawings,
            tables=tables,
            style=style,
            script=script,
            style_digest=_digest(style),
            script_digest=_digest(script),
        )
    )
    # A name that is no valid text (bytes of another encoding) must not keep the page from being written.
    return text.encode("utf-8", "replace").decode("utf-8")


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


_UNJUDGED_PART: Final[Mapping[str, Any]] = {
    "judged": False,
    "verdict": "",
    "time_factor": None,
    "grade": None,
    "needed_range": None,
}
"""What stands for the judgement of what is no negative."""


def _cells(document: Mapping[str, Any]) -> tuple[SortedCell, ...]:
    exposure, development, paper = document["exposure"], document["development"], document["paper"]
    if exposure is None:
        exposure, development, paper = _UNJUDGED_PART, _UNJUDGED_PART, _UNJUDGED_PART
    factor = development["time_factor"]
    develop = "keep" if development["verdict"] == "keep" or factor is None else f"x {factor['value']:.2f}"
    trouble = len(document.get("findings") or ()) + len(document["warnings"])
    return (
        *(_figure(document[name]) for name in ("base_plus_fog", "net_shadow", "highlight", "density_range")),
        _judged(exposure, str(exposure["verdict"]), str(exposure["verdict"])),
        _judged(development, develop, 1.0 if factor is None else factor["value"]),
        SortedCell(shown=paper["grade"] or _UNJUDGED, by=paper["needed_range"]),
        SortedCell(shown=str(trouble) if trouble else "none", by=float(trouble)),
    )


def _value(quantity: Mapping[str, float | None] | None, unknown: float) -> float:
    value = None if quantity is None else quantity["value"]
    return unknown if value is None else value


def _figure(quantity: Mapping[str, float | None] | None) -> SortedCell:
    if quantity is None:
        return SortedCell(shown=_UNJUDGED, by=None)
    return SortedCell(shown=density_words(quantity), by=quantity["value"])


def _judged(part: Mapping[str, Any], shown: str, by: float | str) -> SortedCell:
    return SortedCell(shown=shown, by=by) if part.get("judged", True) else SortedCell(shown=_UNJUDGED, by=None)


def _trends(views: Sequence[SheetView], stands: Sequence[Standing]) -> tuple[Chart, ...]:
    charts = []
    for field, name in FIGURES.items():
        quantities = [view.document.get(field) for view in views]
        if sum(quantity is not None for quantity in quantities) < 2:
            continue
        charts.append(
            trend_chart(
                [None if quantity is None else quantity["value"] for quantity in quantities],
                [0.0 if quantity is None else quantity["uncertainty"] or 0.0 for quantity in quantities],
                name=name,
                out=[any(word.startswith(name) for word in standing.words) for standing in stands],
                words=[view.name for view in views],
            )
        )
    return tuple(charts)
