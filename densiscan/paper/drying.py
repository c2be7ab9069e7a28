"""How much darker a print dries than it looks in the tray, in stops of exposure."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.arithmetic.units import STOP
from densiscan.errors import PaperTestError, WrongUseError
from densiscan.paper.tested_range import PaperTest

MOST_PERCENT: Final = 50.0
"""A dry-down beyond this is a slip: papers dry down by 3 to 15 % (common practice)."""
_ROUNDED_PERCENT: Final = 0.5
"""A stated figure is a whole per cent: it lies anywhere within half of one (JCGM 100:2008, 4.3.7)."""


def stated_dry_down(percent: float) -> Quantity:
    """Return the dry-down in stops from the per cent of the time that a person takes off.

    Raises
    ------
    WrongUseError
        If it is none: below 0, or beyond 50.

    Examples
    --------
    A tenth less time is 0.15 stop less, as log2(0.9) = -0.152.

    >>> print(f"{stated_dry_down(10.0):.2f}")
    0.15 ± 0.01
    """
    if not 0.0 <= percent <= MOST_PERCENT:
        raise WrongUseError(f"`dry_down` {percent:g} is not a dry-down; give per cent of the time, such as 8.")
    left = 1.0 - percent / 100.0
    slope = 0.01 / left / math.log(2.0)
    part = slope * _ROUNDED_PERCENT / math.sqrt(3.0)
    return Quantity(-math.log2(left), {Influence("dry-down", "stated"): part})


def dried(dry: PaperTest, wet: PaperTest) -> PaperTest:
    """Return the test of a dry print with the dry-down that the same print read wet shows.

    It is how much less exposure gives the dry print the first tone that the wet one had: that is where a print is
    exposed for, and where drying shows most.

    Raises
    ------
    PaperTestError
        If white was not reached in one of them, or the print would have dried lighter.
    """
    ends = dry.highlight_log_exposure, wet.highlight_log_exposure
    if any(one.limit is not None for one in ends):
        raise PaperTestError(
            "the dry-down cannot be told, as the lightest step already has a tone; print the wedge again with less "
            "exposure."
        )
    before = Quantity(ends[1].value, {Influence("dry-down", "wet print"): ends[1].standard_uncertainty or 0.0})
    stops = (before - ends[0]) * (1.0 / STOP)
    if stops.value < -(stops.uncertainty or 0.0):
        raise PaperTestError(
            f"the wet print has its first tone {-stops.value:.1f} stops before the dry one, but paper dries darker; "
            "were the two exchanged?"
        )
    return replace(dry, dry_down_stops=stops)


def percent_off(stops: float) -> float:
    """Return by how many per cent a time is shortened for a dry-down in stops."""
    return 100.0 * (1.0 - math.exp2(-stops))
