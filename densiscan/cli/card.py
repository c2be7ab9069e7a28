"""The command `card`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.film_times import CurveOption, SeriesOption, advised_film, reciprocity_of
from densiscan.cli.options import OUR_PAGE, NotebookOption, OverwriteOption, check_out, say
from densiscan.files.atomic import write_whole

if TYPE_CHECKING:
    from densiscan.report.field_card import CardFilter


def card(
    page: Annotated[Path, typer.Argument(metavar="FILE.html", help="The card to write.")],
    camera: Annotated[str | None, typer.Option("--camera", metavar="NAME", help="What the card is for.")] = None,
    film: Annotated[str | None, typer.Option("--film", metavar="NAME", help="Film, as in the notebook.")] = None,
    developer: Annotated[str | None, typer.Option("--developer", metavar="NAME", help="And developer.")] = None,
    index: Annotated[
        float | None, typer.Option("--index", metavar="EI", help="What the film is rated at; else by the notebook.")
    ] = None,
    filters: Annotated[
        list[str] | None,
        typer.Option("--filter", metavar="NAME=FACTOR", help="A filter, such as yellow=2; may be repeated."),
    ] = None,
    focal: Annotated[
        list[float] | None,
        typer.Option("--focal", metavar="MM", help="Focal length of a lens, for the bellows; may be repeated."),
    ] = None,
    size: Annotated[str, typer.Option("--size", metavar="a6|a5", help="The size of the card.")] = "a5",
    series: SeriesOption = None,
    curve: CurveOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
) -> None:
    """Make a card for the field to print: zones, long exposures, filters, bellows, development.

    With --film its index and its development times come from the notebook, for N-2 to N+2; with --series the long
    exposures are those of your own film. Below are lines for the sheets that you expose.

    For example, for one lens and a filter:

        densiscan card card.html --focal 150 --filter yellow=2
    """
    check_out(page, "FILE.html", ours=OUR_PAGE)
    arguments.within(index, "--index", above=0.0, upto=1e5, such_as="100")
    for one in focal or ():
        arguments.within(one, "--focal", above=0.0, upto=5000.0, such_as="150")
    named = [_filter(one) for one in filters or ()]
    law = reciprocity_of(series, curve)
    sheet = None if film is None else advised_film(film, developer, notebook_option)
    from densiscan.report.field_card import field_card
    from densiscan.report.page.field_card import field_card_html

    advised = None if sheet is None or sheet.index is None else sheet.index.exposure_index
    made = field_card(
        camera=camera,
        index=advised if index is None else index,
        law=law,
        filters=named,
        focal_mm=tuple(focal or ()),
        advice=sheet,
    )
    write_whole(page, field_card_html(made, size.lower()), what="the card")
    say(f"Written to {page}.")


def _filter(text: str) -> CardFilter:
    """Return a filter typed as its name and its factor."""
    from densiscan.report.field_card import CardFilter

    name, factor = arguments.named_number(text, "--filter", such_as="yellow=2")
    arguments.within(factor, "--filter", above=0.999, upto=1e4, such_as="yellow=2 (a factor, not stops)")
    return CardFilter(name=name, factor=factor)
