"""What stands out in an archive, as a page: no larger for a million scans than for a thousand."""

from __future__ import annotations

from typing import Any, Final

from densiscan.batch.outliers import FIGURES
from densiscan.report.archive import Archive, Spread
from densiscan.report.page.templating import filled, own_text

_WIDTH, _HEIGHT = 300.0, 80.0
_LEAST: Final = 1.0
"""Height of a bar of one reading among many, so that it is seen."""


def archive_html(archive: Archive, *, title: str, told: str) -> str:
    """Return the page; one file that asks nothing of anybody.

    Parameters
    ----------
    told
        By what it was read, and when.
    """
    style = own_text("archive.css")
    usual = {spread.figure: spread.scatter.usual for spread in archive.spreads}
    failed = sum(count for _, count, _ in archive.failures)
    named = len(archive.farthest)
    return filled(
        "archive.html",
        title=title,
        told=told,
        answer=_answer(archive, failed),
        seen=[(seen, verdict or "", f"{count:,}") for seen, verdict, count in archive.seen],
        spreads=[_drawn(spread) for spread in archive.spreads],
        more=f"{named} of {archive.apart:,} are named." if archive.apart > named else "",
        farthest=[
            (
                one.path if one.piece == 0 else f"{one.path}, piece {one.piece}",
                FIGURES[one.figure],
                f"{one.value:.2f}",
                f"{usual[one.figure]:.2f}",
            )
            for one in archive.farthest
        ],
        failures=[
            (
                f"Not measured: {count:,} ({code.replace('-', ' ')})"
                + (f", the first {len(first)}" if count > len(first) else ""),
                [sentence for _, sentence in first],
            )
            for code, count, first in archive.failures
        ],
        style=style,
    )


def _answer(archive: Archive, failed: int) -> str:
    whole = f"{_many(archive.scans, 'scan')}: {_many(archive.readings, 'reading')}"
    apart = f"{archive.apart:,} densities stand apart" if archive.apart else "none stands apart"
    return f"{whole}, {apart}" + (f", {failed:,} could not be measured." if failed else ".")


def _drawn(spread: Spread) -> dict[str, Any]:
    most = max(spread.bars)
    width = _WIDTH / len(spread.bars)
    bars = []
    for number, count in enumerate(spread.bars):
        height = 0.0 if count == 0 else max(_LEAST, _HEIGHT * count / most)
        if count:
            place = {"x": number * width, "y": _HEIGHT - height, "width": 0.9 * width, "height": height}
            bars.append({name: f"{value:.2f}" for name, value in place.items()})
    end = spread.begins + spread.width * len(spread.bars)
    words = (
        f"{spread.scatter.usual:.2f}, within {spread.scatter.spread:.2f}; from {spread.begins:.2f} to {end:.2f} in "
        f"{spread.readings:,} readings, {spread.apart:,} apart"
    )
    return {"figure": FIGURES[spread.figure], "bars": bars, "words": words}


def _many(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count:,} {what}s"
