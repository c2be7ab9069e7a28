"""A film's zones as densities, and as grays on a paper: a table, and plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.files.serialise import Layout, plain
from densiscan.film.zones import FilmZone
from densiscan.paper.exposure import Printing
from densiscan.paper.places import printed_net
from densiscan.paper.tested_range import PaperTest
from densiscan.report.readings import density_text, paragraph
from densiscan.report.zone_change import ZONES


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneTone:
    """One zone: its net density on the film, and its print density; None where it is not known."""

    zone: int
    net: Quantity | None
    print_density: Quantity | None


def zone_tones(zones: Sequence[FilmZone], paper: PaperTest | None, printing: Printing) -> tuple[ZoneTone, ...]:
    """Return the zones of a film with their grays on a paper, where one is given."""
    return tuple(
        ZoneTone(
            zone=one.zone,
            net=one.net,
            print_density=None if one.net is None or paper is None else printed_net(one.net, paper, printing),
        )
        for one in zones
    )


def zones_text(tones: Sequence[ZoneTone], paper: str | None) -> str:
    """Return the zones as a table."""
    lines = ["   zone    net density" + ("" if paper is None else "    print density")]
    for one in tones:
        gray = "" if paper is None else _told(one.print_density)
        lines.append(f"  {ZONES[one.zone]:>5}   {_told(one.net):>12}   {gray:>14}".rstrip())
    lines += ["", paragraph("Zone I is net density 0.10, each further one a stop more, developed as this film was.")]
    if paper is not None:
        lines.append(paragraph(f"On {paper}, for the least time that prints the clear rebate full black."))
    return "\n".join(lines)


def _told(density: Quantity | None) -> str:
    return "beyond" if density is None else density_text(density)


def zones_document(tones: Sequence[ZoneTone]) -> Any:
    """Return the zones as plain JSON values."""
    return plain(tuple(tones), _LAYOUT)


_LAYOUT: Final[Layout] = {"ZoneTone": "zone net print_density"}
