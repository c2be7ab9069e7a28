"""One result as a person reads it: its page as text, or its tables for a notebook."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from densiscan.batch.assessment import Assessment, BatchResult
from densiscan.calibration.calibration import Calibration
from densiscan.development.advice import Advice
from densiscan.film.speed_and_contrast import FilmTest
from densiscan.negative.reading import Reading
from densiscan.paper.tested_range import PaperTest
from densiscan.report import advice, film, paper, readings
from densiscan.report.page.page import Table
from densiscan.report.page.templating import filled
from densiscan.report.trouble import trouble_lines

_DENSITIES = ("", "density", "net")
_WORDS = ("", "")
_SEVERAL = ("scan", "base + fog", "shadow", "highlight", "range", "exposure", "development", "grade")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """A result as tables, and what is to be said below them."""

    tables: tuple[Table, ...]
    notes: tuple[str, ...] = ()


def as_text(result: object) -> str:
    """Return a result as a page of text of 80 columns, as the command line prints it.

    Parameters
    ----------
    result
        A `Reading`, `Assessment`, `BatchResult`, `Calibration`, `FilmTest`, `PaperTest` or `Advice`.

    Raises
    ------
    TypeError
        If it is none of them.

    Examples
    --------
    >>> (reading,) = measure_scan(open_scan("thin.tif"), read_calibration("mine.json"))
    >>> print(as_text(reading))
    thin.tif
      300 ppi, 1 mm aperture, frame 80 x 55 mm, turned -0.7 degrees
    <BLANKLINE>
      base plus fog   0.14 ± 0.01
      shadow          0.14 ± 0.01    net 0.01 ± 0.01
      highlight       0.91 ± 0.01    net 0.77 ± 0.01
      density range   0.77 ± 0.01
    """
    return str(_of(result, _TEXTS))


def as_html(result: object) -> str:
    """Return the tables of a result as HTML, for a notebook; what comes from names and files is escaped.

    Parameters and errors as for `as_text`.

    Examples
    --------
    >>> as_html(read_calibration("mine.json")).count("<tr>")
    22
    """
    sheet = _of(result, _SHEETS)
    return filled("result.html", tables=sheet.tables, notes=sheet.notes)


def _of(result: object, makers: dict[type, Callable[[Any], Any]]) -> Any:
    make = makers.get(type(result))
    if make is None:
        message = f"{type(result).__name__} has no page; give a reading, a calibration, a test or an advice"
        raise TypeError(message)
    return make(result)


def _messages(*warnings: Any) -> tuple[str, ...]:
    return tuple(dict.fromkeys(warning.message for warning in warnings))


def _calibration(calibration: Calibration) -> Tables:
    rows = tuple(
        (
            step.reading.step,
            f"{step.reading.density:.2f}",
            readings.predicted_text(step),
            f"{step.reading.signal:.4f}",
            f"{step.reading.noise:.4f}",
        )
        for step in calibration.steps
    )
    columns = ("step", "density", "predicted from others", "signal", "noise")
    table = Table(heading=f"Calibration {calibration.name}", columns=columns, rows=rows)
    return Tables(tables=(table,), notes=(readings.trust_text(calibration), *_messages(*calibration.warnings)))


def _densities(reading: Reading) -> Table:
    rows = (*readings.figures_of(reading), *readings.spots_of(reading))
    plain = tuple((name, density, net.removeprefix("net ")) for name, density, net in rows)
    return Table(heading=reading.name, columns=_DENSITIES, rows=plain)


def _reading(reading: Reading) -> Tables:
    return Tables(tables=(_densities(reading),), notes=_messages(*reading.left_out, *reading.warnings))


def _assessment(assessment: Assessment) -> Tables:
    judged = readings.judgement_of(assessment) if assessment.judged else []
    rows = (*judged, *trouble_lines(assessment.trouble))
    notes = _messages(*assessment.reading.left_out, *assessment.reading.warnings)
    advised = (Table(heading="", columns=_WORDS, rows=rows),) if rows else ()
    return Tables(tables=(_densities(assessment.reading), *advised), notes=notes)


def _batch(result: BatchResult) -> Tables:
    rows = tuple(readings.cells_of(assessment) for assessment in result.assessments)
    table = Table(heading="Gross densities", columns=_SEVERAL, rows=rows)
    return Tables(tables=(table,), notes=tuple(failure.message for failure in result.failures))


def _film(test: FilmTest) -> Tables:
    points = Table(
        heading="Film test", columns=("step", "log exposure", "density", "net"), rows=tuple(film.points_of(test))
    )
    figures = Table(heading="", columns=_WORDS, rows=tuple(film.figures_of(test)))
    return Tables(tables=(figures, points), notes=_messages(*test.warnings))


def _paper(test: PaperTest) -> Tables:
    table = Table(heading=paper.title_of(test), columns=_WORDS, rows=tuple(paper.figures_of(test)))
    return Tables(tables=(table,), notes=_messages(*test.warnings))


def _advice(advised: Advice) -> Tables:
    figures = Table(heading="Advice", columns=_WORDS, rows=tuple(advice.figures_of(advised)))
    times = tuple(advice.cells_of(row) for row in advised.table)
    table = Table(heading="", columns=("", "stops", "time", "95 % range", "exposure", ""), rows=times)
    return Tables(tables=(figures, table), notes=_messages(*advice.warnings_of(advised)))


_TEXTS: dict[type, Callable[[Any], str]] = {
    Advice: advice.time_advice_text,
    Assessment: readings.reading_text,
    BatchResult: readings.readings_text,
    Calibration: readings.calibration_text,
    FilmTest: film.film_text,
    PaperTest: paper.paper_text,
    Reading: readings.measured_text,
}
_SHEETS: dict[type, Callable[[Any], Tables]] = {
    Advice: _advice,
    Assessment: _assessment,
    BatchResult: _batch,
    Calibration: _calibration,
    FilmTest: _film,
    PaperTest: _paper,
    Reading: _reading,
}
