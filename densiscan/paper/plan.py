"""The plan of an evening's printing: negatives by the papers at hand, what fits on one contact sheet, and the proof.

How it is reckoned: docs/printing.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Quantity
from densiscan.arithmetic.units import STOP
from densiscan.errors import WrongUseError
from densiscan.paper.exposure import Change, ExposureStrip, Fit, NegativeEnds, PaperFit, Printing, log_seconds
from densiscan.paper.places import NamedPlace, PrintedPlace, printed_place
from densiscan.paper.split import SplitGrade
from densiscan.paper.tested_range import PaperTest

TOGETHER_STOPS: Final = 0.5
"""A frame may stand this far off its own time on a shared contact sheet and still show what is on it (chosen by us)."""
_ALIKE_STOPS: Final = 1e-6

Look = Literal["right", "dark", "light"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPrint:
    """One negative on the paper that fits it best.

    Attributes
    ----------
    seconds
        That give its highlights their first tone, or its shadows their black where the highlights are not known; None
        where no time is known.
    difference_stops
        As in `PaperFit`: above zero the paper is too hard and loses so much, below zero it is too soft.
    split
        The two exposures, where it is split between two filters: there is then no single time.
    """

    negative: str
    seconds: Quantity | None
    strip: ExposureStrip | None
    fit: Fit | None
    difference_stops: Quantity | None
    split: SplitGrade | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedSheet:
    """Negatives that print on one contact sheet at one exposure.

    `off_stops` says of each how much more light it gets than is right for it: above zero it comes out dark.
    """

    seconds: float
    negatives: tuple[str, ...]
    off_stops: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofFrame:
    """How a frame looks on the proof: `off_stops` above zero is dark (thin negative), below zero light (dense)."""

    negative: str
    off_stops: float
    look: Look


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """A contact sheet in the least time that prints the clear rebate as full black."""

    seconds: Quantity
    frames: tuple[ProofFrame, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperPlan:
    """What is printed on one paper, the shortest time first.

    `iso_range` and `grade` are of the paper; `sheets` are the contact sheets that would hold all prints with a time.
    """

    paper: str | None
    iso_range: Quantity | None
    grade: str | None
    prints: tuple[PlannedPrint, ...]
    sheets: tuple[SharedSheet, ...] = ()
    proof: Proof | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintSheet:
    """All that is known of printing one negative: papers, the best first, and the change from a print before.

    `split` is the exposure through two filters, where it was asked for; `places` what becomes of named places.
    """

    negative: NegativeEnds
    printing: Printing
    fits: tuple[PaperFit, ...] = ()
    change: Change | None = None
    split: SplitGrade | None = None
    places: tuple[PrintedPlace, ...] = ()


def printed_places(
    sheet: PrintSheet, tests: Sequence[PaperTest], places: Sequence[NamedPlace]
) -> tuple[PrintedPlace, ...]:
    """Return what becomes of places of a negative on the paper that fits it best, printed for its time in the plan.

    Raises
    ------
    WrongUseError
        If no time follows, the paper has no curve, or a tone is wanted that it does not have.
    """
    best = sheet.fits[0].name if sheet.fits else None
    test = next((one for one in tests if one.circumstances.name == best), None)
    time = _planned(sheet, sheet.fits[0]).seconds if sheet.fits else None
    if time is None or test is None:
        raise WrongUseError(
            "a `spot` needs the time of one exposure on a tested paper, and none follows; test the paper with its "
            "`exposure_s`, and leave split grade out."
        )
    curve, zero = test.curve(), log_seconds(test, sheet.printing)
    if curve is None or zero is None:
        raise WrongUseError(
            f"a `spot` needs the curve of {best} in seconds, which steps counted by eye do not give; test it by a scan "
            "or by densities, with its `exposure_s`."
        )
    return tuple(printed_place(one, sheet.negative, sheet.printing, paper=(curve, zero), time_s=time) for one in places)


def print_plan(negatives: Sequence[PrintSheet]) -> tuple[PaperPlan, ...]:
    """Return the negatives by paper, in the order to print them.

    The paper with most negatives comes first; on each, times rise, so that the clock is turned one way. A time from a
    print that came out right goes before one from a test of the paper.
    """
    by_paper: dict[str | None, list[tuple[PrintSheet, PaperFit | None]]] = {}
    for one in negatives:
        best = one.fits[0] if one.fits else None
        if _is_split(one):
            best = None
        by_paper.setdefault(_paper_of(one, best), []).append((one, best))
    plans = [_paper_plan(paper, pairs) for paper, pairs in by_paper.items()]
    return tuple(sorted(plans, key=lambda plan: -len(plan.prints)))


def _paper_plan(paper: str | None, pairs: Sequence[tuple[PrintSheet, PaperFit | None]]) -> PaperPlan:
    prints = sorted((_planned(one, fit) for one, fit in pairs), key=_by_time)
    first = pairs[0][1]
    return PaperPlan(
        paper=paper,
        iso_range=None if first is None else first.iso_range,
        grade=None if first is None else first.grade,
        prints=tuple(prints),
        sheets=shared_sheets(prints),
        proof=_proof(pairs),
    )


def _is_split(one: PrintSheet) -> bool:
    """Tell whether a print is exposed twice; beyond what the filters reach it is not."""
    return one.split is not None and one.split.soft_time_s is not None


def _paper_of(one: PrintSheet, best: PaperFit | None) -> str | None:
    if one.split is not None and _is_split(one):
        return f"{one.split.soft} and {one.split.hard}"
    return None if best is None else best.name


def _planned(one: PrintSheet, fit: PaperFit | None) -> PlannedPrint:
    if _is_split(one):
        return PlannedPrint(
            negative=one.negative.name, seconds=None, strip=None, fit=None, difference_stops=None, split=one.split
        )
    before = one.change
    seconds: Quantity | None
    strip: ExposureStrip | None
    if before is not None and before.strip is not None:
        seconds, strip = _known(before.highlight_time_s, before.shadow_time_s), before.strip
    elif fit is not None:
        seconds, strip = _known(fit.highlight_time_s, fit.shadow_time_s), fit.strip
    else:
        seconds, strip = None, None
    return PlannedPrint(
        negative=one.negative.name,
        seconds=seconds,
        strip=strip,
        fit=None if fit is None else fit.fit,
        difference_stops=None if fit is None else fit.difference_stops,
    )


def _known(*times: Quantity | None) -> Quantity | None:
    """Return the first time that is known and no limit: nothing is exposed by one."""
    return next((one for one in times if one is not None and one.limit is None), None)


def _by_time(one: PlannedPrint) -> float:
    return math.inf if one.seconds is None else one.seconds.value


def shared_sheets(prints: Sequence[PlannedPrint]) -> tuple[SharedSheet, ...]:
    """Return the fewest contact sheets on which no frame is more than half a stop off its own time.

    Parameters
    ----------
    prints
        On one paper, by rising time; those without a time are on no sheet.

    Notes
    -----
    Times are taken from the shortest on: a sheet holds all within a stop of its first. For intervals of one width on a
    line that needs the fewest.
    """
    sheets: list[list[tuple[str, float]]] = []
    for one in prints:
        if one.seconds is None:
            continue
        stops = math.log10(one.seconds.value) / STOP
        if not sheets or stops - sheets[-1][0][1] > 2.0 * TOGETHER_STOPS + _ALIKE_STOPS:
            sheets.append([])
        sheets[-1].append((one.negative, stops))
    return tuple(_sheet(sheet) for sheet in sheets)


def _sheet(frames: Sequence[tuple[str, float]]) -> SharedSheet:
    middle = 0.5 * (frames[0][1] + frames[-1][1])
    return SharedSheet(
        seconds=10.0 ** (middle * STOP),
        negatives=tuple(name for name, _ in frames),
        off_stops=tuple(middle - stops for _, stops in frames),
    )


def _proof(pairs: Sequence[tuple[PrintSheet, PaperFit | None]]) -> Proof | None:
    """Return the proof of negatives on one paper, in the longest of their least times for black."""
    known = [(one, fit) for one, fit in pairs if fit is not None and _known(fit.standard_time_s) is not None]
    if not known:
        return None
    seconds = max(
        (fit.standard_time_s for _, fit in known if fit.standard_time_s is not None), key=lambda one: one.value
    )
    frames = []
    for one, fit in known:
        own = _known(fit.highlight_time_s)
        if own is None:
            continue
        off = math.log10(seconds.value / own.value) / STOP
        look: Look = "right" if abs(off) <= TOGETHER_STOPS else "dark" if off > 0.0 else "light"
        frames.append(ProofFrame(negative=one.negative.name, off_stops=off, look=look))
    return Proof(seconds=seconds, frames=tuple(frames))
