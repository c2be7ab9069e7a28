"""Labels as a page to print: sizes in millimetres, on A4 or Letter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from densiscan.errors import WrongUseError
from densiscan.report.labels import PrintedLabel
from densiscan.report.page.templating import filled, own_text

PAPERS: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in mm (published: ISO 216; ANSI Y14.1)."""
MARGIN_MM: Final = 10.0
"""Edge of the page that no printer has to reach (common practice)."""
SMALLEST_MM: Final = (25.0, 12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelGrid:
    """Labels of one size on a page: how many side by side, and one below the other."""

    page_mm: tuple[float, float]
    label_mm: tuple[float, float]
    across: int
    down: int


def label_grid(paper: str, label_mm: tuple[float, float]) -> LabelGrid:
    """Return how labels of a size lie on a page.

    Raises
    ------
    WrongUseError
        If the paper is unknown, or the label too small to read or larger than the page.
    """
    if paper not in PAPERS:
        raise WrongUseError(f"`sheet` {paper} is not known; give {' or '.join(PAPERS)}.")
    page = PAPERS[paper]
    across, down = (int((side - 2.0 * MARGIN_MM + 1e-6) // wanted) for side, wanted in zip(page, label_mm, strict=True))
    if label_mm[0] < SMALLEST_MM[0] or label_mm[1] < SMALLEST_MM[1] or across < 1 or down < 1:
        raise WrongUseError(
            f"a label of {label_mm[0]:g} x {label_mm[1]:g} mm does not fit; give a `size` from "
            f"{SMALLEST_MM[0]:g},{SMALLEST_MM[1]:g} mm to {page[0] - 2 * MARGIN_MM:g},{page[1] - 2 * MARGIN_MM:g} mm."
        )
    return LabelGrid(page_mm=page, label_mm=label_mm, across=across, down=down)


def labels_html(labels: Sequence[PrintedLabel], grid: LabelGrid) -> str:
    """Return the page; as many sheets as the labels need."""
    width, height = grid.label_mm
    style = own_text("labels.css") + (
        f"@page {{ size: {grid.page_mm[0]:g}mm {grid.page_mm[1]:g}mm; margin: {MARGIN_MM:g}mm; }}\n"
        f".sheet {{ grid-template-columns: repeat({grid.across}, {width:g}mm); grid-auto-rows: {height:g}mm; }}\n"
    )
    each = grid.across * grid.down
    sheets = [labels[start : start + each] for start in range(0, len(labels), each)]
    return filled("labels.html", sheets=sheets, style=style)
