"""The command that says how to develop next."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import meant, tell
from densiscan.cli.options import (
    JsonOption,
    LastFilmOption,
    NotebookOption,
    OverwriteOption,
    PlotOption,
    PrintingLight,
    ProcessOption,
    SceneStopsOption,
    check_plot,
    show,
    write_plot,
)
from densiscan.cli.sitting import was_cautioned
from densiscan.errors import WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from pathlib import Path

    from densiscan.arithmetic.quantity import Quantity
    from densiscan.notebook.advised import AdviceSheet
    from densiscan.notebook.notebook import Notebook


def advise(
    film_option: LastFilmOption = None,
    developer_option: Annotated[
        str | None,
        typer.Option("--developer", metavar="NAME", help="The developer; that of the last run if not given."),
    ] = None,
    target_range: Annotated[
        float | None, typer.Option("--target-range", metavar="D", help="Density range to aim at, such as 1.05.")
    ] = None,
    paper: Annotated[
        str | None, typer.Option("--paper", metavar="NAME", help="Aim at the range of this paper test.")
    ] = None,
    paper_range: Annotated[
        float | None, typer.Option("--paper-range", metavar="R", help="Aim at a paper of this ISO range, such as 105.")
    ] = None,
    grade: Annotated[
        str | None, typer.Option("--grade", metavar="GRADE", help="Aim at the middle of this paper grade, 0 to 5.")
    ] = None,
    process: ProcessOption = PrintingLight.contact,
    scene_stops: SceneStopsOption = None,
    temp: Annotated[
        str | None,
        typer.Option("--temp", metavar="T", help="Temperature: 20, 20.5C or 68F; 20, or that of the batch in use."),
    ] = None,
    chart_time: Annotated[
        str | None,
        typer.Option("--chart-time", metavar="T", help="The maker's time at 20 C; give it once, it is kept."),
    ] = None,
    use: Annotated[
        int | None, typer.Option("--use", metavar="N", help="Which use of the developer this is; 1 is fresh.")
    ] = None,
    batch: Annotated[
        str | None, typer.Option("--batch", metavar="NAME", help="The mixed batch; its next use is counted.")
    ] = None,
    dilution: Annotated[
        str | None,
        typer.Option("--dilution", metavar="TEXT", help="As in the runs; that of the last one if not given."),
    ] = None,
    film_area: Annotated[
        float | None,
        typer.Option("--film-area", metavar="CM2", help="Film at a time, square centimetres; as in the last run."),
    ] = None,
    volume: Annotated[
        float | None, typer.Option("--volume", metavar="ML", help="Solution for it, millilitres; as in the last run.")
    ] = None,
    learn: Annotated[
        int | None, typer.Option("--learn", metavar="N", help="Also the N times to develop next that teach most.")
    ] = None,
    risk: Annotated[
        float, typer.Option("--risk", metavar="STOPS", help="With --learn: how far off a negative may be; 1.")
    ] = 1.0,
    plot: PlotOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how long to develop next, and why.

    From the runs in the notebook, with common practice where they are few: the time with its 95 % range, the
    density range to expect, and the times for subjects one and two stops longer and shorter (N-1, N+1),
    each with its exposure. Without a target a paper of range 105 by contact is aimed at. A batch in use
    goes on, as run add has it. --learn N says which N times to develop next teach most of all of these.

    For example, for a paper of range 95:

        densiscan advise --film Meadow-100 --developer Borax --paper-range 95
    """
    arguments.within(target_range, "--target-range", above=0.0, upto=4.0, such_as="1.05")
    arguments.within(film_area, "--film-area", above=0.0, upto=1e6, such_as="520")
    arguments.within(volume, "--volume", above=0.0, upto=1e6, such_as="500")
    temperature = None if temp is None else arguments.celsius(temp, "--temp")
    chart_s = None if chart_time is None else arguments.developing_time(chart_time, "--chart-time")
    check_plot(plot)
    from densiscan.development.developer_life import Load
    from densiscan.notebook.advised import Wanted, advised, chart_document, chart_name
    from densiscan.report.advice import advice_document, advice_text

    with location.open_notebook(location.notebook_file(notebook_option)) as book:
        film, developer = _names(book, film_option, developer_option)
        target = _aim(book, process, target_range=target_range, paper=paper, paper_range=paper_range, grade=grade)
        question = Wanted(
            film=film,
            developer=developer,
            target_range=target,
            scene_stops=scene_stops,
            temperature_c=temperature,
            use=use,
            load=Load(film_cm2=film_area, volume_ml=volume, dilution=dilution, batch=batch),
            date=datetime.now().astimezone().date().isoformat(),
            chart_time_s=chart_s,
            learn=learn,
            risk_stops=risk,
        )
        sheet = advised(book, question)
        if chart_s is not None:
            named = (film, developer, sheet.dilution)
            book.keep("film-test", chart_name(*named), chart_document(*named, chart_s))
        tell(book)
    show(advice_document(sheet) if as_json else advice_text(sheet, cautioned=was_cautioned(notebook_option)))
    if plot is not None:
        _plot(sheet, plot)


def _plot(sheet: AdviceSheet, plot: Path) -> None:
    from densiscan.development.contrast_curve import development_curve
    from densiscan.development.names import solution_text
    from densiscan.report.figures.development import development_figure

    assert sheet.known is not None  # noqa: S101 - advice from a notebook has its posterior
    curve = development_curve(sheet.known, sheet.advice)
    developer = solution_text(sheet.developer, sheet.dilution)
    write_plot(development_figure(curve, film=sheet.film, developer=developer), plot)


def _names(book: Notebook, film: str | None, developer: str | None) -> tuple[str, str]:
    """Return film and developer, those of the last run where they are not said.

    Raises
    ------
    WrongUseError
        If there is no run to take them from, or a name cannot be one.
    """
    from densiscan.development.run import require_name

    film, developer = meant(book, film, developer)
    last = None if film and developer else book.last_run(film, developer)
    if last is not None:
        film, developer = film or last.film, developer or last.developer
    if film is None or developer is None:
        raise WrongUseError(_names_missing(book, film, developer))
    return require_name(film, "film"), require_name(developer, "developer")


def _names_missing(book: Notebook, film: str | None, developer: str | None) -> str:
    """Return why film and developer cannot be taken from the notebook."""
    from densiscan.notebook.advised import pairs

    names = pairs(book)
    if not names:
        return "please give --film and --developer: the notebook has no run to take them from."
    named, missing = (film, "--developer") if developer is None else (developer, "--film")
    return f"please give {missing} too: the notebook has no run of {named}. It has {names}."


def _aim(
    book: Notebook,
    process: PrintingLight,
    *,
    target_range: float | None,
    paper: str | None,
    paper_range: float | None,
    grade: str | None,
) -> Quantity:
    """Return the density range to aim at, from the one thing that says it.

    Raises
    ------
    WrongUseError
        If more than one says it, or the paper test is not in the notebook.
    """
    said = {"--target-range": target_range, "--paper": paper, "--paper-range": paper_range, "--grade": grade}
    options = [option for option, value in said.items() if value is not None]
    if len(options) > 1:
        raise WrongUseError(f"{' and '.join(options)} both set the aim; give one of them.")
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.paper.grade import density_range_for, range_of_grade

    if target_range is not None:
        return Quantity(target_range)
    if grade is not None:
        paper_range = range_of_grade(grade)
    if paper is None:
        return density_range_for(paper_range, process.value)
    tested = _tested_range(book, paper)
    aim = density_range_for(tested.value, process.value)
    return aim.with_part(Influence("paper"), aim.value / tested.value * (tested.standard_uncertainty or 0.0))


def _tested_range(book: Notebook, paper: str) -> Quantity:
    from densiscan.arithmetic.quantity import Influence, read_back

    document = book.kept("paper-test", paper)
    if document is None:
        names = ", ".join(book.names("paper-test")) or "none; densiscan paper makes one"
        raise WrongUseError(f"there is no paper test called {paper}; those kept are: {names}.")
    tested_range = read_back(document.get("range"), Influence("paper"))
    if tested_range is None:
        raise WrongUseError(f"the paper test {paper} has no range; test the paper again, or give --paper-range.")
    return tested_range
