"""What the uncertainties of a negative are made of, as a picture, and what would halve the largest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.negative.reading import Reading
from densiscan.report.budget import WORDS, budget_of, halved_by
from densiscan.report.page.charts import WIDTH, Bar

_SHOWN: Final = (
    ("density_range", "density range"),
    ("highlight", "highlight"),
    ("shadow", "shadow"),
    ("base_plus_fog", "base plus fog"),
)
_LEAST_SHARE: Final = 0.01
_GRAYS: Final = 6
"""Fills that a part can have; the smallest share the last."""
_HEIGHT: Final = 22.0
_LEAST_WORD: Final = 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetBar:
    """One uncertainty: of what, how large (k = 2), and its parts as pieces of a bar as long as the uncertainty."""

    name: str
    size: str
    pieces: tuple[Bar, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetPart:
    """What a number in the bars stands for, and its share of the uncertainty of the density range, in words."""

    number: int
    kind: str
    words: str
    share: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetView:
    """The bars, on one scale, the parts by their numbers, and a sentence on what would halve the first bar."""

    bars: tuple[BudgetBar, ...]
    parts: tuple[BudgetPart, ...]
    halve: str


def budget_view(reading: Reading) -> BudgetView | None:
    """Return the picture of what the uncertainties of a reading are made of; None where that is not known."""
    known = [
        (words, quantity) for name, words in _SHOWN if (quantity := _explained(getattr(reading, name))) is not None
    ]
    if not known:
        return None
    kinds: dict[str, int] = {}
    for _, quantity in known:
        for part in budget_of(quantity):
            if part["share"] >= _LEAST_SHARE:
                kinds.setdefault(part["kind"], len(kinds) + 1)
    longest = max(quantity.uncertainty or 0.0 for _, quantity in known)
    shares = {part["kind"]: part["share"] for part in budget_of(known[0][1])}
    return BudgetView(
        bars=tuple(_bar(words, quantity, kinds, longest) for words, quantity in known),
        parts=tuple(
            BudgetPart(
                number=number, kind=_fill(number), words=WORDS[kind], share=f"{100.0 * shares.get(kind, 0.0):.0f} %"
            )
            for kind, number in kinds.items()
        ),
        halve=halved_by(known[0][1], known[0][0]),
    )


def _explained(quantity: Quantity | None) -> Quantity | None:
    """Return a quantity whose uncertainty is known part by part; one read back from a document is not."""
    if quantity is None or not quantity.uncertainty or any(kind not in WORDS for kind in quantity.budget()):
        return None
    return quantity


def _fill(number: int) -> str:
    return f"part-{min(number, _GRAYS)}"


def _bar(name: str, quantity: Quantity, kinds: dict[str, int], longest: float) -> BudgetBar:
    """Return a bar as long as the uncertainty, each part taking its share of the variance."""
    expanded = quantity.uncertainty or 0.0
    long = WIDTH * expanded / longest
    pieces, at = [], 0.0
    for part in budget_of(quantity):
        number = kinds.get(part["kind"])
        wide = long * part["share"]
        if number is not None:
            word = str(number) if wide >= _LEAST_WORD else ""
            pieces.append(
                Bar(x=round(at, 2), y=0.0, width=round(wide, 2), height=_HEIGHT, kind=_fill(number), word=word)
            )
        at += wide
    return BudgetBar(name=name, size=f"± {max(expanded, 0.001):.3f}", pieces=tuple(pieces))
