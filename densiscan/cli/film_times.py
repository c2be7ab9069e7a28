"""The commands `family`, `reciprocity` and `pinhole`: film tests over time."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import meant, opened
from densiscan.cli.options import (
    TYPED,
    JsonOption,
    NotebookOption,
    OverwriteOption,
    PlotOption,
    check_plot,
    say,
    show,
    write_plot,
)
from densiscan.errors import WrongUseError
from densiscan.files.atomic import as_text
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.film.reciprocity import Reciprocity
    from densiscan.film.speed_and_contrast import FilmTest
    from densiscan.notebook.advised import AdviceSheet

SeriesOption = Annotated[
    Path | None, typer.Option("--series", metavar="FILE", help="Your own exposures at increasing times.")
]
CurveOption = Annotated[
    Path | None,
    typer.Option("--curve", metavar="FILE", help="With densities in the series: log_exposure,density at short times."),
]
_FRACTION = re.compile(r"1/(\d{1,5})")


def family(
    points: Annotated[
        list[Path] | None,
        typer.Option("--points", metavar="FILE", help="A film's curve, log_exposure,density; with its --time."),
    ] = None,
    time: Annotated[
        list[str] | None, typer.Option("--time", metavar="T", help="How long that one was developed: 8:00; repeated.")
    ] = None,
    temp: Annotated[str, typer.Option("--temp", metavar="T", help="Temperature of all: 20, 20.5C or 68F.")] = "20",
    use: Annotated[int, typer.Option("--use", metavar="N", help="Which use of the developer; 1 is fresh.")] = 1,
    base_plus_fog: Annotated[
        list[float] | None,
        typer.Option("--base-plus-fog", metavar="D", help="Base plus fog of each, in the same order; repeated."),
    ] = None,
    target: Annotated[
        float | None,
        typer.Option("--target", metavar="CONTRAST", help="Contrast of a normal negative; 0.58 if not given."),
    ] = None,
    film_option: Annotated[str | None, typer.Option("--film", metavar="NAME", help="The film.")] = None,
    developer: Annotated[str | None, typer.Option("--developer", metavar="NAME", help="The developer.")] = None,
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Keep it in the notebook, where advise learns from it.")
    ] = None,
    plot: PlotOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show how contrast grows with time, from several film tests.

    One curve for each time, of one film in one developer at one temperature. Gives the law of contrast against time,
    and times and exposures for subjects one and two stops longer and shorter (N-1, N+1).

    For example, two films developed 5 and 9 minutes:

        densiscan family --points 5min.csv --time 5:00 --points 9min.csv --time 9:00
    """
    files, typed, bases = points or [], time or [], base_plus_fog or []
    if not files or len(files) != len(typed) or (bases and len(bases) != len(files)):
        raise WrongUseError("give each curve with its time: --points 6.csv --time 6:00 --points 9.csv --time 9:00.")
    for file in files:
        arguments.there(file, "table of points")
    for base in bases:
        arguments.within(base, "--base-plus-fog", above=-0.05, upto=5.0, such_as="0.25")
    arguments.within(target, "--target", above=0.0, upto=5.0, such_as="0.58")
    arguments.within(use, "--use", above=0.0, upto=50.0, such_as="1")
    if name is not None and (film_option is None or developer is None):
        raise WrongUseError("to be kept, the family needs --film NAME and --developer NAME.")
    times = [arguments.developing_time(text, "--time") for text in typed]
    degrees = arguments.celsius(temp, "--temp")
    check_plot(plot)
    from densiscan.development.family import NORMAL_CONTRAST, Member, family_of
    from densiscan.report.film_times import family_document, family_text

    tests = [_tested(file, bases[number] if bases else None) for number, file in enumerate(files)]
    members = [
        Member(name=file.name, time_s=seconds, test=test)
        for file, seconds, test in zip(files, times, tests, strict=True)
    ]
    film_family = family_of(
        members, temperature_c=degrees, use=use, target=NORMAL_CONTRAST if target is None else target
    )
    called = name or " in ".join(word for word in (film_option, developer) if word) or "family"
    document = family_document(film_family, film=film_option, developer=developer)
    show(document if as_json else family_text(film_family, name=called))
    if plot is not None:
        from densiscan.report.figures.film import family_figure

        write_plot(family_figure(film_family, name=called), plot)
    if name is not None:
        with location.open_notebook(location.notebook_file(notebook_option), arguments=TYPED.get()) as book:
            book.keep("film-test", name, document)
        say(f"Kept as film test {name}.")


def _tested(file: Path, base_plus_fog: float | None = None) -> FilmTest:
    from densiscan.arithmetic.quantity import Quantity
    from densiscan.film.points import read_curve
    from densiscan.film.speed_and_contrast import film_test

    base = None if base_plus_fog is None else Quantity(base_plus_fog)
    return film_test(read_curve(file), base_plus_fog=base, name=as_text(file))


def reciprocity(
    series: Annotated[
        Path | None,
        typer.Argument(metavar="[SERIES]", help="metered,given of each exposure, and density; or time,density."),
    ] = None,
    curve: CurveOption = None,
    metered: Annotated[
        list[str] | None,
        typer.Option("--metered", metavar="T", help="Correct this time; repeated. Else 1 s to 10 min."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Correct long exposures for reciprocity failure.

    From a series of your own at increasing times. Without one the middle of published films is given, with the times
    between which most films lie: the longer side is the safer.

    For example, what 12 s and 1:30 by the meter need:

        densiscan reciprocity pairs.csv --metered 12 --metered 1:30
    """
    law = reciprocity_of(series, curve)
    times = tuple(exposure_time(text, "--metered") for text in metered or ())
    from densiscan.report.film_times import reciprocity_document, reciprocity_text

    show(reciprocity_document(law, times) if as_json else reciprocity_text(law, times))


def pinhole(
    diameter: Annotated[float, typer.Option("--diameter", metavar="MM", help="Diameter of the hole.")],
    distance: Annotated[float, typer.Option("--distance", metavar="MM", help="From the hole to the film.")],
    metered: Annotated[str, typer.Option("--metered", metavar="T", help="Time by the meter: 1/30, 2 or 1:30.")],
    aperture: Annotated[
        float, typer.Option("--f-number", metavar="N", help="The f-number that the meter's time is for.")
    ] = 16.0,
    series: SeriesOption = None,
    curve: CurveOption = None,
    as_json: JsonOption = False,
) -> None:
    """Work out the exposure for a pinhole camera.

    From the hole's diameter, its distance from the film and a meter's reading, corrected for reciprocity failure.

    For example, a hole of 0.3 mm, 75 mm from the film:

        densiscan pinhole --diameter 0.3 --distance 75 --metered 1/30 --f-number 16
    """
    arguments.within(diameter, "--diameter", above=0.0, upto=20.0, such_as="0.3")
    arguments.within(distance, "--distance", above=0.0, upto=5000.0, such_as="75")
    arguments.within(aperture, "--f-number", above=0.0, upto=2000.0, such_as="16")
    time = exposure_time(metered, "--metered")
    law = reciprocity_of(series, curve)
    from densiscan.film.reciprocity import pinhole_exposure
    from densiscan.report.film_times import pinhole_document, pinhole_text

    exposure = pinhole_exposure(
        diameter_mm=diameter, distance_mm=distance, meter_time_s=time, meter_f_number=aperture, reciprocity=law
    )
    show(pinhole_document(exposure, law) if as_json else pinhole_text(exposure, law))


def exposure_time(text: str, option: str) -> float:
    """Return a time of exposure typed as 1/30, 2 or 1:30, seconds."""
    fraction = _FRACTION.fullmatch(text.strip())
    if fraction is not None and int(fraction[1]) > 0:
        return 1.0 / int(fraction[1])
    return arguments.seconds(text, option)


def reciprocity_of(series: Path | None, curve: Path | None) -> Reciprocity:
    """Return the reciprocity of a series of exposures, that of published films where there is none."""
    if curve is not None and series is None:
        raise WrongUseError("--curve goes with a series of exposures; name that too.")
    for file, what in ((series, "series of exposures"), (curve, "table of points")):
        if file is not None:
            arguments.there(file, what)
    from densiscan.film.reciprocity import fit_reciprocity, read_series, usual_reciprocity

    if series is None:
        return usual_reciprocity()
    tested = None if curve is None else _tested(curve)
    return fit_reciprocity(read_series(series), tested, name=str(series))


def advised_film(film: str, developer: str | None, notebook_option: Path | None) -> AdviceSheet:
    """Return what the notebook advises for a film and its developer, the last one where none is named."""
    from densiscan.notebook.advised import Wanted, advised
    from densiscan.paper.grade import density_range_for

    with opened(notebook_option) as book:
        spelled, of_developer = meant(book, film, developer)
        last = book.last_run(spelled, of_developer)
        if last is None:
            raise WrongUseError(f"the notebook has no run of {film}; give the index with --index, without --film.")
        question = Wanted(film=last.film, developer=last.developer, target_range=density_range_for(None, "contact"))
        return advised(book, question)
