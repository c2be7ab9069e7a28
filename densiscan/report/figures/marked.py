"""A scan drawn with what was found on it: rulers in mm, numbered boxes, and what each number is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from densiscan.negative.trouble.picture import small_picture
from densiscan.report.figures.style import INK, LOOK, new_figure, rule
from densiscan.scan.places import BoxMm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from densiscan.scan.scan import Scan

Places = Sequence[tuple[float, float]]

_LONGEST_MM: Final = 170.0
_MARGIN_MM: Final = 14.0
_LINE_MM: Final = 4.2
_LEAST_SHARE: Final = 0.012
"""Share of the longer side below which a box would not be seen."""
_FINE_RULER_MM: Final = 150.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """A box on the scan, mm, its number, and what it is in a few words; "" where the number says it."""

    number: int
    box_mm: BoxMm
    words: str = ""


def marked_figure(scan: Scan, marks: Sequence[Marked], outlines: Sequence[Places] = ()) -> Figure:
    """Return the figure of a scan with what was found on it.

    Parameters
    ----------
    marks
        Of several with one number the first says what it is.
    outlines
        Corners of the pictures that were read, mm on the scan.
    """
    from matplotlib.ticker import MultipleLocator

    gray = small_picture(scan)
    longest = max(scan.width_mm, scan.height_mm)
    by = _LONGEST_MM / longest
    words = _legend(marks, framed=bool(outlines))
    figure = new_figure(
        width_mm=scan.width_mm * by + _MARGIN_MM,
        height_mm=scan.height_mm * by + _MARGIN_MM + _LINE_MM * len(words),
    )
    axes = figure.add_subplot()
    axes.imshow(gray, cmap="gray", vmin=0, vmax=255, extent=(0.0, scan.width_mm, scan.height_mm, 0.0))
    for corners in outlines:
        x, y = zip(*corners, corners[0], strict=True)
        axes.plot(x, y, color="white", linewidth=2.6)
        axes.plot(x, y, color=INK, linewidth=1.0)
    for mark in marks:
        _draw(axes, mark, _LEAST_SHARE * longest)
    axes.set_xlim(0.0, scan.width_mm)
    axes.set_ylim(scan.height_mm, 0.0)
    axes.xaxis.tick_top()
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(10.0 if longest <= _FINE_RULER_MM else 50.0))
        axis.set_minor_locator(MultipleLocator(1.0 if longest <= _FINE_RULER_MM else 10.0))
    axes.annotate(
        "\n".join(words), (0.0, 0.0), xycoords="axes fraction", xytext=(0, -6), textcoords="offset points", va="top"
    )
    rule(axes)
    return figure


def _legend(marks: Sequence[Marked], *, framed: bool) -> list[str]:
    named = {mark.number: mark.words for mark in reversed(marks) if mark.words}
    lines = [f"{number}  {named[number]}" for number in sorted(named)]
    lines += ["Double line: the picture that was read."] if framed else []
    return [*lines, "Rulers in mm from the top left corner of the scan."]


def _draw(axes: Axes, mark: Marked, least_mm: float) -> None:
    from matplotlib.patches import Rectangle

    left, top, width, height = mark.box_mm
    more_x, more_y = max(least_mm - width, 0.0) / 2.0, max(least_mm - height, 0.0) / 2.0
    place = (left - more_x, top - more_y)
    size = (width + 2.0 * more_x, height + 2.0 * more_y)
    for ink, wide in (("white", 3.0), (LOOK, 1.3)):
        axes.add_patch(Rectangle(place, *size, fill=False, edgecolor=ink, linewidth=wide))
    axes.annotate(
        str(mark.number),
        (place[0] + size[0], place[1]),
        xytext=(2, 1),
        textcoords="offset points",
        color=LOOK,
        fontweight="bold",
        annotation_clip=False,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
    )
