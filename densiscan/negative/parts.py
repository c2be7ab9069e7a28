"""What there is to read on a scan: each frame of each piece of film, or all of a piece, or all of the scan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.quantity import Warning_
from densiscan.errors import MeasureError
from densiscan.negative.find.film import Film, film_in, unexposed_in
from densiscan.negative.find.limits import FIND_LIMITS, FindLimits
from densiscan.negative.find.not_film import (
    LeftOut,
    left_out,
    negatives_among,
    templates_among,
    wedges_joined,
    without_wedge,
)
from densiscan.negative.find.outlines import Outline, outlines_on
from densiscan.negative.find.rebate import Frame
from densiscan.scan.cells import Cells, TurnedBox
from densiscan.scan.places import BoxMm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One thing to read: a film with one of its frames, or with none."""

    film: Film
    frame: Frame | None
    area: TurnedBox
    warnings: tuple[Warning_, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """What is known before anything is looked for.

    Attributes
    ----------
    frame_mm
        The picture, where the person named it.
    fog_sheet
        Every piece of film is unexposed.
    wedge_mm
        Boxes of the steps of a wedge that lies on the scan and was calibrated with; empty where none was.
    density_range
        Lightest and densest density that the calibration tells apart.
    zero_doubt
        Expanded uncertainty of density 0 by that calibration.
    file
        The scan, for messages.
    limits
        What film is found by.
    """

    frame_mm: BoxMm | None
    fog_sheet: bool
    wedge_mm: tuple[BoxMm, ...]
    density_range: tuple[float, float]
    zero_doubt: float
    file: str
    limits: FindLimits = FIND_LIMITS


def parts_on(cells: Cells, sought: Sought) -> tuple[list[Part], tuple[LeftOut, ...]]:
    """Return everything there is to read on a scan, in reading order, at least one; and what was left out.

    Raises
    ------
    MeasureError
        If the scan holds the wedge it was calibrated with and no film beside it.
    """
    films, left = _films(cells, sought)
    warnings = tuple(_LEFT_OUT[code] for code in dict.fromkeys(item.code for item in left) if code in _LEFT_OUT)
    warnings = warnings if films else ()
    if sought.frame_mm is not None:
        return [_given_part(sought.frame_mm, films, cells, warnings)], ()
    parts: list[Part] = []
    for film in films:
        parts.extend(
            Part(film=film, frame=frame, area=frame.area, warnings=(*warnings, *_doubts(frame)))
            for frame in film.frames
        )
        if not film.frames:
            told = () if sought.fog_sheet else (_no_frame(film),)
            parts.append(Part(film=film, frame=None, area=film.inner, warnings=(*warnings, *told)))
    if parts:
        return parts, left
    if sought.wedge_mm:
        raise MeasureError(
            f"{sought.file}: the wedge was found, but no film beside it; leave a finger's width of clear glass between "
            "them, or name the picture with --frame left,top,width,height."
        )
    nothing = Warning_(code="no-film-found", message="Could not find the edges of the film; the whole scan was read.")
    whole = Film(seen=cells.whole, box=None, frames=(), rebate=None, cropped=True)
    return [Part(film=whole, frame=None, area=cells.whole, warnings=(*warnings, nothing))], ()


def _films(cells: Cells, sought: Sought) -> tuple[list[Film], tuple[LeftOut, ...]]:
    """Return the pieces of film, and what was left out: a wedge that lies beside them, card, the bed's border."""
    limits = sought.limits
    straight, unclear = outlines_on(
        cells, density_range=sought.density_range, zero_doubt=sought.zero_doubt, limits=limits.outline
    )
    templates = templates_among((*straight, *unclear))
    straight, unclear = (tuple(one for one in some if one not in templates) for some in (straight, unclear))
    densest = sought.density_range[1]
    if sought.wedge_mm:
        # where the wedge lies is known: what merely looks like one is film
        outlines, left = without_wedge(cells, straight, sought.wedge_mm, densest=densest, limits=limits.not_film)
    else:
        straight = tuple(wedges_joined(cells, straight, densest, limits.not_film))
        outlines, left = negatives_among(cells, straight, densest, blank=sought.fog_sheet, limits=limits.not_film)
        if len(straight) == 1 and not outlines and left[0].code == "wedge-left-out":
            # what lies alone on the glass was laid there to be measured, however much its picture looks like steps
            outlines, left = list(straight), ()
    films = [_film(cells, outline, sought) for outline in outlines]
    return films, (
        *left,
        *(left_out(outline, "template-left-out") for outline in templates),
        *(left_out(outline, "outline-not-clear", may_be_film=True) for outline in unclear),
    )


_LEFT_OUT: Final = {
    "wedge-left-out": Warning_(
        code="wedge-left-out",
        message="What looks like a step wedge beside the film was not measured as a negative.",
    ),
    "film-touches-wedge": Warning_(
        code="film-touches-wedge",
        message="A piece of film touches the wedge and was not measured; leave clear glass between them.",
    ),
}


def _film(cells: Cells, outline: Outline, sought: Sought) -> Film:
    return unexposed_in(cells, outline) if sought.fog_sheet else film_in(cells, outline, sought.limits.frames)


def _given_part(box: BoxMm, films: Sequence[Film], cells: Cells, warnings: tuple[Warning_, ...]) -> Part:
    """Return the frame the person named, on the piece of film under its middle."""
    left, top, width, height = box
    area = TurnedBox(left_mm=left, top_mm=top, width_mm=width, height_mm=height)
    whole = Film(seen=cells.whole, box=None, frames=(), rebate=None, cropped=True)
    film = next((film for film in films if film.seen.inside(*area.centre).any()), films[0] if films else whole)
    frame = Frame(box=area, area=area, origins=("given",) * 4, shares=(1.0,) * 4, doubts_mm=(0.0,) * 4)
    return Part(film=film, frame=frame, area=area, warnings=warnings)


_SIDES: Final = ("left", "top", "right", "bottom")


def _doubts(frame: Frame) -> tuple[Warning_, ...]:
    """Return what is doubtful about where a frame ends."""
    doubts = []
    assumed = [side for side, origin in zip(_SIDES, frame.origins, strict=True) if origin == "assumed"]
    if assumed:
        message = f"The {_listed(assumed)} of the frame is as clear as the rebate; its place follows from the others."
        doubts.append(Warning_(code="frame-side-assumed", message=message))
    edge = [side for side, origin in zip(_SIDES, frame.origins, strict=True) if origin == "edge"]
    if edge:
        message = f"The picture runs to the edge of the film ({_listed(edge)}): no rebate there."
        doubts.append(Warning_(code="frame-touches-edge", message=message))
    return tuple(doubts)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _no_frame(film: Film) -> Warning_:
    what = "the whole scan" if film.cropped else "all of the film"
    return Warning_(code="no-frame-found", message=f"Could not find the edges of the picture; {what} was read.")


def spots_by_part(spots: Sequence[tuple[float, float]], parts: Sequence[Part]) -> list[list[tuple[float, float]]]:
    """Give each spot to the part it lies on (the nearest frame), in the order given; the first where it is on none."""

    def distance(part: Part, spot: tuple[float, float]) -> float:
        u, v = part.area.own(*spot)
        beyond_u = max(abs(float(u)) - part.area.width_mm / 2, 0.0)
        beyond_v = max(abs(float(v)) - part.area.height_mm / 2, 0.0)
        return math.hypot(beyond_u, beyond_v)

    own: list[list[tuple[float, float]]] = [[] for _ in parts]
    for spot in spots:
        own[min(range(len(parts)), key=lambda k: distance(parts[k], spot))].append(spot)
    return own
