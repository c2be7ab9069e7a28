"""The command `expose`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final

import typer

from densiscan.cli import arguments
from densiscan.cli.film_times import CurveOption, SeriesOption, advised_film, exposure_time, reciprocity_of
from densiscan.cli.keep import end_unless, keep_named
from densiscan.cli.options import JsonOption, NotebookOption, say, show
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from densiscan.notebook.advised import AdviceSheet

_USUAL_INDEX: Final = 100.0


def expose(
    metered: Annotated[str, typer.Option("--metered", metavar="T", help="Time by the meter: 1/30, 2 or 1:30.")],
    aperture: Annotated[
        float, typer.Option("--f-number", metavar="N", help="The f-number that the meter's time is for.")
    ] = 16.0,
    set_aperture: Annotated[
        float | None, typer.Option("--set-f-number", metavar="N", help="The f-number you set, where it is another.")
    ] = None,
    meter_index: Annotated[
        float | None, typer.Option("--meter-index", metavar="EI", help="What the meter is set to; else the film's.")
    ] = None,
    index: Annotated[
        float | None, typer.Option("--index", metavar="EI", help="What the film is rated at; else by the notebook.")
    ] = None,
    film: Annotated[str | None, typer.Option("--film", metavar="NAME", help="Film, as in the notebook.")] = None,
    developer: Annotated[str | None, typer.Option("--developer", metavar="NAME", help="And developer.")] = None,
    filters: Annotated[
        list[float] | None,
        typer.Option("--filter", metavar="FACTOR", help="A filter's factor, such as 4; may be repeated."),
    ] = None,
    focal: Annotated[
        float | None, typer.Option("--focal", metavar="MM", help="For near subjects: focal length of the lens.")
    ] = None,
    extension: Annotated[
        float | None, typer.Option("--extension", metavar="MM", help="And how far the lens is from the film.")
    ] = None,
    magnification: Annotated[
        float | None, typer.Option("--magnification", metavar="M", help="Or the size of the image against the subject.")
    ] = None,
    zone: Annotated[
        float,
        typer.Option("--zone", metavar="Z", help="Where the metered place is to fall, 0 to 10; the meter says 5."),
    ] = 5.0,
    highlight: Annotated[
        str | None, typer.Option("--highlight", metavar="T", help="Time by the meter for the brightest tone wanted.")
    ] = None,
    highlight_zone: Annotated[
        float, typer.Option("--highlight-zone", metavar="Z", help="Where that is to fall.")
    ] = 8.0,
    keep: Annotated[
        str | None,
        typer.Option("--keep", metavar="SHEET", help="Keep it under this sheet's number; measure --sheet answers it."),
    ] = None,
    series: SeriesOption = None,
    curve: CurveOption = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Work out an exposure, from the meter to the shutter.

    Film index, aperture, filters, bellows and zone change the meter's time; a long one is corrected for reciprocity
    failure. With --film the index that your negatives ask for is taken from the notebook. With --highlight you are
    told where that falls, and which development brings it where you want it. With --keep it goes into the notebook
    under the sheet's number, so that the negative answers for it later (measure --sheet).

    For example, a shadow of 1/4 s placed on zone 3, through a filter of factor 4:

        densiscan expose --metered 1/4 --zone 3 --filter 4 --highlight 1/125
    """
    _check(aperture, set_aperture, (meter_index, index), filters or (), (focal, extension, magnification))
    arguments.within(zone, "--zone", above=-0.01, upto=10.0, such_as="3")
    arguments.within(highlight_zone, "--highlight-zone", above=0.0, upto=10.0, such_as="8")
    seconds = exposure_time(metered, "--metered")
    second = None if highlight is None else exposure_time(highlight, "--highlight")
    law = reciprocity_of(series, curve)
    sheet = None if film is None else advised_film(film, developer, notebook_option)
    from densiscan.film.exposing import CameraSetting, Metered, camera_exposure, magnification_of
    from densiscan.report.exposing import exposing_document, exposing_text

    advised = None if sheet is None or sheet.index is None else sheet.index.exposure_index
    rated = next((one for one in (index, advised, meter_index) if one is not None), _USUAL_INDEX)
    near = magnification_of(focal, extension) if focal is not None and extension is not None else magnification
    reading = Metered(seconds=seconds, f_number=aperture, index=rated if meter_index is None else meter_index)
    setting = CameraSetting(
        f_number=aperture if set_aperture is None else set_aperture,
        index=rated,
        filter_factors=tuple(filters or ()),
        magnification=near,
        zone=zone,
    )
    exposure = camera_exposure(
        reading,
        setting,
        law,
        highlight=None if second is None else Metered(seconds=second, f_number=aperture, index=reading.index),
        highlight_zone=highlight_zone,
    )
    document = exposing_document(exposure, reading, setting, law, film=None if sheet is None else sheet.film)
    told = () if sheet is None else _told(sheet, index)
    show(document if as_json else exposing_text(exposure, reading, setting, law, told=told))
    if keep is not None:
        end_unless(keep_named("exposure", keep, document, notebook_option))
        say(f"Kept in the notebook as sheet {keep}.")


def _told(sheet: AdviceSheet, index: float | None) -> tuple[str, ...]:
    """Return what the notebook adds: where the index comes from, and the time to develop."""
    from densiscan.report.readings import time_text

    words = []
    if index is None and sheet.index is not None:
        words.append(f"Index {sheet.index.exposure_index:g} is from the notebook: {sheet.index.words}.")
    elif index is None:
        words.append(f"The notebook has no index of {sheet.film} yet; give it with --index.")
    time = time_text(sheet.advice.time_s.value)
    words.append(f"Develop in {sheet.developer} {time} as usual (N); densiscan advise says how sure that is.")
    return tuple(words)


def _check(
    aperture: float,
    set_aperture: float | None,
    indices: tuple[float | None, float | None],
    filters: list[float] | tuple[float, ...],
    near: tuple[float | None, float | None, float | None],
) -> None:
    for value, option in ((aperture, "--f-number"), (set_aperture, "--set-f-number")):
        arguments.within(value, option, above=0.0, upto=2000.0, such_as="16")
    for value, option in zip(indices, ("--meter-index", "--index"), strict=True):
        arguments.within(value, option, above=0.0, upto=1e5, such_as="100")
    for factor in filters:
        arguments.within(factor, "--filter", above=0.999, upto=1e4, such_as="4 (a factor, not stops)")
    focal, extension, magnification = near
    for value, option in ((focal, "--focal"), (extension, "--extension")):
        arguments.within(value, option, above=0.0, upto=5000.0, such_as="150")
    arguments.within(magnification, "--magnification", above=0.0, upto=50.0, such_as="0.5")
    if (focal is None) != (extension is None):
        raise WrongUseError("--focal and --extension go together: the lens, and how far it is from the film.")
    if focal is not None and magnification is not None:
        raise WrongUseError("give either --magnification, or --focal and --extension.")
