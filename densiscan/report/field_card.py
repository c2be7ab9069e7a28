"""A card for the field: one camera and one film, long exposures, filters, bellows, zones, development."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from densiscan.film.exposing import MIDDLE_ZONE, bellows_extension, filter_stops
from densiscan.film.reciprocity import TABLE_S, Reciprocity, shorter_development
from densiscan.report.advice import cells_of
from densiscan.report.film_times import corrected_text, seconds_text
from densiscan.report.zone_change import ZONES

if TYPE_CHECKING:
    from densiscan.notebook.advised import AdviceSheet

_THIRDS: Final = (1, 2, 3, 4, 5, 6)
"""Thirds of a stop that the bellows cost, up to the size of the subject."""
_LONGEST_S: Final = 300.0
"""Metered times up to which the card goes; the command `reciprocity` goes on."""
_LINES: Final = 6
"""Lines left open for sheets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardTable:
    """One table of the card: its title, the heads of its columns, its rows."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCard:
    """What stands on the card: the title, a line below it, tables, and a word at the foot."""

    title: str
    under: str
    tables: tuple[CardTable, ...]
    foot: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFilter:
    """A filter as it is called, and its factor."""

    name: str
    factor: float


def field_card(
    *,
    camera: str | None,
    index: float | None,
    law: Reciprocity,
    filters: Sequence[CardFilter] = (),
    focal_mm: Sequence[float] = (),
    advice: AdviceSheet | None = None,
) -> FieldCard:
    """Return the card.

    Parameters
    ----------
    index
        What the film is rated at; None leaves it open.
    focal_mm
        Of each lens, for the bellows.
    advice
        Of the film in its developer; None leaves development out.
    """
    film = "film ____________" if advice is None else advice.film
    rated = "index ______" if index is None else f"index {index:g}"
    developed = (
        "" if advice is None else f"{advice.developer}{'' if advice.dilution is None else ' ' + advice.dilution}, "
    )
    tested = "tested on this film" if law.exposures else "other films, not tested on this one: if in doubt the longer"
    tables = [_zones(), _long(law)]
    if filters:
        tables.append(_filters(filters))
    tables += [_bellows(focal) for focal in focal_mm]
    if advice is not None:
        tables.append(_development(advice))
    tables.append(CardTable(title="Sheets", heads=("no.", "subject", "zone", "given", "N"), rows=(("",) * 5,) * _LINES))
    return FieldCard(
        title=f"{camera}: {film}" if camera else film,
        under=f"{rated}, {developed}metered as zone V".strip(),
        tables=tuple(tables),
        foot=f"Long exposures: {tested}.",
    )


def third_text(thirds: int) -> str:
    """Return thirds of a stop: 2/3, 1, 1 1/3; nothing is 0."""
    whole, rest = divmod(abs(thirds), 3)
    number = " ".join([*([str(whole)] if whole or not rest else []), *([f"{rest}/3"] if rest else [])])
    return f"-{number}" if thirds < 0 else number


def _zones() -> CardTable:
    stops = tuple(f"{zone - round(MIDDLE_ZONE):+d}" if zone != MIDDLE_ZONE else "0" for zone in range(len(ZONES)))
    return CardTable(title="Zone, and stops from the meter", heads=ZONES, rows=(stops,))


def _long(law: Reciprocity) -> CardTable:
    rows = []
    for metered in TABLE_S:
        if metered <= _LONGEST_S:
            shorter = shorter_development(metered)
            develop = f"-{100.0 * shorter:.0f} %" if shorter else "N"
            rows.append((seconds_text(metered), corrected_text(law.corrected(metered)), develop))
    return CardTable(title="Long exposures", heads=("metered", "give", "develop"), rows=tuple(rows))


def _filters(filters: Sequence[CardFilter]) -> CardTable:
    rows = tuple((one.name, f"{one.factor:g} x", third_text(round(3.0 * filter_stops(one.factor)))) for one in filters)
    return CardTable(title="Filters", heads=("filter", "factor", "stops more"), rows=rows)


def _bellows(focal_mm: float) -> CardTable:
    rows = tuple((f"{bellows_extension(focal_mm, thirds / 3.0):.0f} mm", third_text(thirds)) for thirds in _THIRDS)
    return CardTable(title=f"Bellows, lens of {focal_mm:g} mm", heads=("lens to film", "stops more"), rows=rows)


def _development(advice: AdviceSheet) -> CardTable:
    rows = tuple(
        (name, stops, time, exposure) for name, stops, time, _, exposure, _ in map(cells_of, advice.advice.table)
    )
    at = f"{advice.advice.plan.temperature_c:g} C"
    return CardTable(title=f"Development at {at}", heads=("N", "subject, stops", "time", "exposure"), rows=rows)
