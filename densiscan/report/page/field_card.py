"""The field card as a page to print, A6 or A5."""

from __future__ import annotations

from typing import Final

from densiscan.errors import WrongUseError
from densiscan.report.field_card import FieldCard
from densiscan.report.page.templating import filled, own_text

SIZES: Final = {"a6": (105.0, 148.0), "a5": (148.0, 210.0)}
"""Width and height in mm (published: ISO 216)."""
_POINTS: Final = {"a6": 5.5, "a5": 8.0}
"""Size of the letters that lets the usual card stand on one page."""
_EDGE_MM: Final = {"a6": 5.0, "a5": 8.0}


def field_card_html(card: FieldCard, size: str) -> str:
    """Return the page; what does not fit goes on a second one, to be printed on the back.

    Raises
    ------
    WrongUseError
        If the size is unknown.
    """
    if size not in SIZES:
        raise WrongUseError(f"`size` {size} is not known; give {' or '.join(SIZES)}.")
    width, height = SIZES[size]
    style = own_text("field_card.css") + (
        f"@page {{ size: {width:g}mm {height:g}mm; margin: {_EDGE_MM[size]:g}mm; }}\n"
        f"html {{ font-size: {_POINTS[size]:g}pt; }}\n"
        f"main {{ width: {width - 2.0 * _EDGE_MM[size]:g}mm; }}\n"
    )
    return filled("field_card.html", card=card, style=style)
