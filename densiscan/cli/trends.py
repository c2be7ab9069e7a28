"""The command `trends`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import meant, opened, tell
from densiscan.cli.options import (
    JsonOption,
    LastFilmOption,
    NotebookOption,
    OverwriteOption,
    PlotOption,
    check_plot,
    show,
    write_plot,
)
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from densiscan.arithmetic.quantity import Quantity
    from densiscan.development.run import Run
    from densiscan.notebook.notebook import Notebook


def trends(
    film: LastFilmOption = None,
    developer: Annotated[
        str | None,
        typer.Option("--developer", metavar="NAME", help="The developer; that of its last run if not given."),
    ] = None,
    dilution: Annotated[
        str | None, typer.Option("--dilution", metavar="TEXT", help="That of the last run if not given.")
    ] = None,
    last: Annotated[int, typer.Option("--last", metavar="N", help="Only so many runs, the latest.")] = 60,
    plot: PlotOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show trends in fog, contrast, speed and developer strength.

    Each by date and by use of the developer, with control limits from your own scatter; a run that is out of them is
    named, with what to look for.

    For example:

        densiscan trends --film Meadow-100 --developer Borax
    """
    arguments.within(last, "--last", above=0.0, upto=500.0, such_as="60")
    check_plot(plot)
    from densiscan.development.run import at_dilution
    from densiscan.development.trends import trends_of
    from densiscan.development.usable_readings import left_out_warnings
    from densiscan.report.trends import TrendSheet, trends_document, trends_text

    with opened(notebook_option) as book:
        newest = _newest(book, *meant(book, film, developer))
        every = book.runs(newest.film, newest.developer, last=last)
        runs = at_dilution(every, dilution)
        stops = stops_by_run(book, runs)
        tell(book)
    sheet = TrendSheet(
        film=newest.film,
        developer=newest.developer,
        dilution=newest.dilution if dilution is None else dilution,
        runs=runs,
        trends=trends_of(runs, stops),
        left_out=len(every) - len(runs),
        told=left_out_warnings(runs),
    )
    show(trends_document(sheet) if as_json else trends_text(sheet))
    if plot is not None:
        from densiscan.development.names import solution_text
        from densiscan.report.figures.trends import trends_figure

        solution = solution_text(sheet.developer, sheet.dilution)
        write_plot(trends_figure(sheet.trends, title=f"{sheet.film} in {solution}"), plot)


def _newest(book: Notebook, film: str | None, developer: str | None) -> Run:
    newest = book.last_run(film, developer)
    if newest is None:
        named = " of ".join(part for part in ("run", film) if part) + ("" if developer is None else f" in {developer}")
        raise WrongUseError(
            f"there is no {named} in the notebook; densiscan run list shows those there are, densiscan run "
            "add adds one."
        )
    return newest


def stops_by_run(book: Notebook, runs: Sequence[Run]) -> dict[int, list[Quantity]]:
    """Return, by run, the exposure of each negative against a normal one, where its shadow tells it."""
    from densiscan.development.exposure import exposure_advice
    from densiscan.development.usable_readings import not_a_negative

    stops: dict[int, list[Quantity]] = {}
    with_index = [run.number for run in runs if run.exposure_index is not None]
    counted = book.counted(with_index).values()
    judged = {one.number for of in counted for one in of.readings if not_a_negative(one.document or {}) is None}
    for reading in book.counting_readings(runs=with_index, with_documents=False):
        if reading.number not in judged:
            continue
        shadow, net = (reading.quantities.get(name) for name in ("shadow", "net_shadow"))
        advice = exposure_advice(net_shadow=net, shadow=shadow)
        if reading.run is not None and advice.stops is not None and advice.stops.parts is not None:
            stops.setdefault(reading.run, []).append(advice.stops)
    return stops
