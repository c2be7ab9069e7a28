"""The command `fixer`."""

from __future__ import annotations

from typing import Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.options import JsonOption, show
from densiscan.errors import WrongUseError


def fixer(
    fresh: Annotated[
        str, typer.Option("--fresh", metavar="T", help="Time in which a scrap of film cleared when the bath was fresh.")
    ],
    now: Annotated[str, typer.Option("--now", metavar="T", help="Time in which a scrap of it clears today.")],
    area: Annotated[
        float | None, typer.Option("--area", metavar="CM2", help="Film fixed in it so far, in square centimetres.")
    ] = None,
    volume: Annotated[
        float | None, typer.Option("--volume", metavar="ML", help="And how much bath there is, in ml.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Tell how long to fix film, and how far the bath still goes.

    Drop a dry, undeveloped scrap of the film into the bath by room light, and time until it is clear. Film is fixed for
    twice that; a bath that takes twice as long as when fresh is discarded (common practice).

    For example, for a bath that cleared in 45 s when it was fresh:

        densiscan fixer --fresh 0:45 --now 1:05
    """
    times = arguments.seconds(fresh, "--fresh"), arguments.seconds(now, "--now")
    arguments.within(area, "--area", above=0.0, upto=1e7, such_as="4500")
    arguments.within(volume, "--volume", above=0.0, upto=1e6, such_as="1000")
    if (area is None) != (volume is None):
        raise WrongUseError("--area and --volume go together: film fixed so far, and in how much bath.")
    from densiscan.development.fixer import FixedBefore, fixer_life
    from densiscan.report.fixer import fixer_document, fixer_text

    before = None if area is None or volume is None else FixedBefore(film_cm2=area, volume_ml=volume)
    life = fixer_life(fresh_s=times[0], now_s=times[1], before=before)
    show(fixer_document(life) if as_json else fixer_text(life))
