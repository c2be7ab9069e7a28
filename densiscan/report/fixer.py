"""How a fixer stands, in words and as plain data."""

from __future__ import annotations

from typing import Any, Final

from densiscan.development.fixer import FixerLife
from densiscan.files.serialise import Layout, as_document
from densiscan.report.readings import paragraph, time_text

FORMAT: Final = "densiscan.fixer/1"
_CAUTION: Final = (
    "Used fixer carries silver: collect it, and follow your local rules. Gloves, fresh air, no food near it "
    "(docs/cautions.md)."
)
_BY: Final = {"clearing": "by its clearing time", "area": "by the film it has fixed (common practice)"}


def fixer_text(life: FixerLife) -> str:
    """Return what to do first, then why."""
    if life.is_spent:
        answer = f"Discard it: spent {_BY[life.by]}. Film fixed in it last may need fixing again in a fresh bath."
        return "\n".join([paragraph(answer, indent=0), "", paragraph(_CAUTION)])
    more = "" if life.film_cm2_left is None else f" Good for about {life.film_cm2_left:.0f} square centimetres more."
    lines = [
        paragraph(f"Fix film for {time_text(life.fix_s)}.{more}", indent=0),
        "",
        paragraph(f"{100.0 * life.used:.0f} % {_BY[life.by]}", label="used"),
        paragraph(f"when clearing takes {time_text(life.discard_at_s)}", label="discard it"),
        "",
        paragraph(_CAUTION),
    ]
    return "\n".join(lines)


def fixer_document(life: FixerLife) -> dict[str, Any]:
    """Return everything as plain JSON values."""
    return as_document(life, _LAYOUT, format=FORMAT) | {"warnings": []}


_LAYOUT: Final[Layout] = {"FixerLife": "fix_s discard_at_s used by spent=is_spent film_cm2_left"}
