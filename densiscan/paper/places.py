"""Dodging and burning in: what a place of the negative prints as, and the stops and seconds that make it another tone.

How it is reckoned: docs/method-paper.md, note 8.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Quantity
from densiscan.arithmetic.units import STOP
from densiscan.errors import WrongUseError
from densiscan.paper.curve import FIRST_TONE, FULL_BLACK, PaperCurve
from densiscan.paper.exposure import NegativeEnds, Printing, seconds_of
from densiscan.paper.tested_range import PaperTest

End = Literal["white", "black"]

_STEP: Final = 1e-3
"""Log exposure to either side by which the curve's slope is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedPlace:
    """A place of the negative: what it is called, its density there, and the print density wanted (None: none)."""

    name: str
    density: Quantity
    wanted: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedPlace:
    """What becomes of a place in the print.

    Attributes
    ----------
    density, print_density
        In the negative, and in the print at its own time.
    end
        "white" or "black" where the print shows no tone there; None where it does.
    wanted
        The print density asked for; None where none is.
    stops, seconds
        What gives it that: above zero burn in so much beyond the print's time, below zero hold back so much of it. None
        where nothing is wanted.
    """

    name: str
    density: Quantity
    print_density: Quantity
    end: End | None
    wanted: float | None = None
    stops: Quantity | None = None
    seconds: Quantity | None = None


def printed_place(
    place: NamedPlace,
    negative: NegativeEnds,
    printing: Printing,
    *,
    paper: tuple[PaperCurve, float],
    time_s: Quantity,
) -> PrintedPlace:
    """Return what becomes of one place.

    Parameters
    ----------
    paper
        Its curve, and log10 of the seconds that stand for log exposure 0 in it.
    time_s
        Of the print.

    Raises
    ------
    WrongUseError
        If the tone wanted is none of the paper's.
    """
    curve, zero = paper
    behind = printing.seen(place.density, negative.base_plus_fog)
    log_time = time_s.through(math.log10(time_s.value), 1.0 / (time_s.value * math.log(10.0)))
    there = log_time - behind - zero
    tone = float(curve.density_at(there.value))
    stops = seconds = None
    if place.wanted is not None:
        wanted = _place_of(place, curve)
        stops = (wanted - there) * (1.0 / STOP)
        whole = seconds_of(behind + (wanted + zero))
        seconds = None if whole is None else whole - time_s
    return PrintedPlace(
        name=place.name,
        density=place.density,
        print_density=there.through(tone, _slope(curve, there.value)),
        end=_end(tone, curve),
        wanted=place.wanted,
        stops=stops,
        seconds=seconds,
    )


def printed_net(net: Quantity, test: PaperTest, printing: Printing) -> Quantity:
    """Return the print density of silver above base plus fog, printed so that the clear rebate is just full black.

    Raises
    ------
    WrongUseError
        If the paper has no curve, or its black was not reached.
    """
    curve, black = test.curve(), test.black_log_exposure
    if curve is None or black is None or black.limit is not None:
        raise WrongUseError(
            f"the test of {test.circumstances.name or 'the paper'} has no curve down to its black, which grays need; "
            "test it by a scan or by densities, from bare paper to full black."
        )
    there = black - printing.seen(net)
    return there.through(float(curve.density_at(there.value)), _slope(curve, there.value))


def _slope(curve: PaperCurve, place: float) -> float:
    return float(curve.density_at(place + _STEP) - curve.density_at(place - _STEP)) / (2.0 * _STEP)


def _place_of(place: NamedPlace, curve: PaperCurve) -> float:
    """Return the log exposure of the tone wanted."""
    at = None if place.wanted is None else curve.log_exposure_at(place.wanted)
    if at is None or place.wanted is None or _end(place.wanted, curve) is not None:
        raise WrongUseError(
            f"{place.name}: the tones of this paper lie between {curve.base + FIRST_TONE:.2f} and "
            f"{curve.top - FULL_BLACK:.2f}; {place.wanted:g} is none of them."
        )
    return at


def _end(tone: float, curve: PaperCurve) -> End | None:
    if tone < curve.base + FIRST_TONE:
        return "white"
    return "black" if tone > curve.top - FULL_BLACK else None
