"""The page: one HTML file with everything inside, for one negative or for many.

Nothing in it comes from outside, and its content security policy forbids that anything does: only the style and the
script whose digests stand in the policy run, so a file name with markup in it stays a name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.batch.assessment import Assessment, Failure
from densiscan.batch.outliers import FIGURES, Folder, Standing
from densiscan.development.verdict import DevelopmentAdvice
from densiscan.report.answer import folder_headline
from densiscan.report.page.charts import Chart, trend_chart
from densiscan.report.page.negative import PageReading, SheetView, sheet_view
from densiscan.report.page.pair import pair_facts
from densiscan.report.page.templating import digest, filled, own_text
from densiscan.report.readings import density_text, failure_document

_FIRST: Final = 'document.documentElement.classList.add("live")'
"""Run before anything is drawn: where scripts run, many negatives are not laid out one below the other first."""
_MOST_FINE: Final = 150
"""Negatives of which pictures and maps are kept fine: 150 take about 20 MB, and 500 coarser ones less than 50 MB."""
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
    """A negative in the table; `odd` says in words what stands apart from the rest."""

    view: SheetView
    standing: Standing
    odd: tuple[str, ...]
    cells: tuple[SortedCell, ...]
    by_shadow: float
    by_range: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What to do next with a film and developer: what it is on, the answer, why in a line; all that is advised."""

    what: str
    say: str
    why: str
    all: str = ""


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
    failed: Sequence[Failure] = (),
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
        Scans that gave nothing.
    drawings
        Further figures, shown before the negatives.
    tables
        Further tables, shown after the negatives.
    next_steps
        What to do next, shown on top.
    """
    assessments = [reading.assessment for reading in readings]
    fine = len(readings) <= _MOST_FINE
    views = [
        sheet_view(reading, number=number, beside=assessments, fine=fine)
        for number, reading in enumerate(readings, start=1)
    ]
    standings = Folder.of(assessments).standings()
    rows = [
        NegativeRow(
            view=view,
            standing=standing,
            odd=tuple(f"{FIGURES[one.figure]} {one.value - one.usual:+.2f}" for one in standing.odd),
            cells=_cells(assessment),
            by_shadow=_value(assessment.reading.net_shadow, _LAST),
            by_range=-_value(assessment.reading.density_range, -_LAST),
        )
        for view, assessment, standing in zip(views, assessments, standings, strict=True)
    ]
    answers = [view.answer for view in views]
    several = len(views) > 1
    style, script = own_text("page.css"), own_text("page.js") + (own_text("pair.js") if several else "")
    return filled(
        "page.html",
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
        trends=_trends(assessments, standings) if len(views) > 1 else (),
        failed=[failure_document(failure) for failure in failed],
        drawings=drawings,
        tables=tables,
        style=style,
        script=script,
        first=_FIRST,
        first_digest=digest(_FIRST),
        script_digest=digest(script),
    )


def _cells(assessment: Assessment) -> tuple[SortedCell, ...]:
    reading = assessment.reading
    densities = (reading.base_plus_fog, reading.net_shadow, reading.highlight, reading.density_range)
    trouble = len(assessment.trouble.findings) + len(assessment.warnings)
    return (
        *(_density(quantity) for quantity in densities),
        *(_verdicts(assessment) if assessment.judged else (_NOT_JUDGED,) * 3),
        SortedCell(shown=str(trouble) if trouble else "none", by=float(trouble)),
    )


_NOT_JUDGED: Final = SortedCell(shown="?", by=None)


def _verdicts(assessment: Assessment) -> tuple[SortedCell, SortedCell, SortedCell]:
    exposure, development, paper = assessment.exposure, assessment.development, assessment.paper
    return (
        _NOT_JUDGED if exposure.warnings else SortedCell(shown=exposure.verdict, by=exposure.verdict),
        _NOT_JUDGED if development.warnings else _time_cell(development),
        SortedCell(shown=paper.grade or _NOT_JUDGED.shown, by=paper.needed_range),
    )


def _time_cell(development: DevelopmentAdvice) -> SortedCell:
    factor = development.time_factor
    shown = "keep" if development.verdict == "keep" or factor is None else f"x {factor.value:.2f}"
    return SortedCell(shown=shown, by=_value(factor, 1.0))


def _value(quantity: Quantity | None, unknown: float) -> float:
    return unknown if quantity is None else quantity.value


def _density(quantity: Quantity | None) -> SortedCell:
    return _NOT_JUDGED if quantity is None else SortedCell(shown=density_text(quantity), by=quantity.value)


def _trends(assessments: Sequence[Assessment], standings: Sequence[Standing]) -> tuple[Chart, ...]:
    charts = []
    for field, name in FIGURES.items():
        quantities: list[Quantity | None] = [getattr(assessment.reading, field) for assessment in assessments]
        if sum(quantity is not None for quantity in quantities) < 2:
            continue
        charts.append(
            trend_chart(
                [None if quantity is None else quantity.value for quantity in quantities],
                [0.0 if quantity is None else quantity.uncertainty or 0.0 for quantity in quantities],
                name=name,
                out=[any(one.figure == field for one in standing.odd) for standing in standings],
                words=[assessment.reading.file for assessment in assessments],
            )
        )
    return tuple(charts)
