"""The command `film`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan import arguments
from densiscan.cli_measure import Light
from densiscan.cli_options import JsonOption, PlotOption, check_plot, show, write_plot
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from densiscan.film import FilmAim, Reference


def film(
    points: Annotated[
        Path | None,
        typer.Option("--points", metavar="FILE", help="Densities read elsewhere: log_exposure,density of each step."),
    ] = None,
    base_plus_fog: Annotated[
        float | None,
        typer.Option("--base-plus-fog", metavar="D", help="Base plus fog; else the foot of the curve tells it."),
    ] = None,
    absolute: Annotated[
        bool, typer.Option("--absolute", help="Log exposures are of lux seconds: gives the ISO speed.")
    ] = False,
    reference: Annotated[
        str | None,
        typer.Option(
            "--reference",
            metavar="LOG_E,INDEX",
            help="Log exposure that should be the speed point at this exposure index: gives an index.",
        ),
    ] = None,
    process: Annotated[Light, typer.Option("--process", help="How it will be printed.")] = Light.contact,
    paper_range: Annotated[
        float | None, typer.Option("--paper-range", metavar="R", help="ISO range of the paper; 105 if not given.")
    ] = None,
    plot: PlotOption = None,
    as_json: JsonOption = False,
) -> None:
    """Test a film: its characteristic curve, contrast and speed.

    From densities read elsewhere. Base plus fog, speed point, gamma, average gradient, contrast index and the exposure
    range that fits the paper, each with its uncertainty (k = 2).
    """
    if points is None:
        raise WrongUseError("say what the film test is read from: --points CURVE.csv.")
    arguments.there(points, "table of points")
    arguments.within(base_plus_fog, "--base-plus-fog", above=-0.05, upto=5.0, such_as="0.25")
    check_plot(plot)
    aim = _aim(absolute=absolute, reference=reference, paper_range=paper_range, process=process)
    from densiscan.film import film_test
    from densiscan.film_points import read_curve
    from densiscan.quantity import Quantity
    from densiscan.report_film import film_document, film_text

    known = None if base_plus_fog is None else Quantity(base_plus_fog)
    test = film_test(read_curve(points), base_plus_fog=known, aim=aim, name=str(points))
    show(film_document(test) if as_json else film_text(test, name=points.name))
    if plot is not None:
        from densiscan.plots_film import film_figure

        write_plot(film_figure(test, name=points.name), plot)


def _aim(*, absolute: bool, reference: str | None, paper_range: float | None, process: Light) -> FilmAim:
    from densiscan.film import FilmAim
    from densiscan.paper import density_range_for

    if absolute and reference is not None:
        raise WrongUseError("--absolute gives the speed by itself; leave --reference out.")
    return FilmAim(
        absolute=absolute,
        density_range=density_range_for(paper_range, process.value),
        reference=_reference(reference),
    )


def _reference(text: str | None) -> Reference | None:
    if text is None:
        return None
    from densiscan.film import Reference

    place, index = arguments.pair(text, "--reference", such_as="-1.2,100")
    if index <= 0.0:
        raise WrongUseError(f'--reference "{text}" has no exposure index above 0; give --reference -1.2,100.')
    return Reference(log_exposure=place, index=index)
