"""Control limits from a person's own scatter: the chart for individuals and moving ranges.

The middle is the mean; the limits lie three standard deviations to either side, the standard deviation taken from the
mean difference between one value and the next (published: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2):
so a slow drift does not hide itself by widening its own limits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

DEVIATIONS_A_RANGE: Final = 1.128
"""Mean moving range of two values over their standard deviation, normal distribution (published: as above, d2)."""

FEWEST: Final = 6
"""Below this many values no limits are stated: their own doubt would be as large as they are."""

ENOUGH: Final = 20
"""From this many on the limits are no longer called provisional (common practice: 20 to 25)."""

_SURE: Final = 4.0
"""Standard deviations from which a single value is told of, were their size known. One value passes 3.4 by chance once
in 1500 times; but all are looked at again after each run, with limits that are new."""

_MOST_DEVIATIONS: Final = 8.0

_MOST_OUT: Final = 0.25
"""No more than this part of all values is out of the usual: more than that is another level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLimits:
    """Middle and control limits; `count` is how many values they rest on."""

    middle: float
    lower: float
    upper: float
    count: int

    @property
    def provisional(self) -> bool:
        """Whether they rest on few values."""
        return self.count < ENOUGH

    def holds(self, value: float) -> bool:
        """Return whether a value lies within."""
        return self.lower <= value <= self.upper

    def excuses(self, value: float, *, logarithmic: bool = False) -> bool:
        """Return whether a value may well be chance: limits from few values are doubtful themselves.

        Mean moving ranges of n values tell the scatter with about 0.62 (n - 1) degrees of freedom (published: Palm and
        Wheeler 1990, from memory); the normal deviate becomes one of Student's t by Wallace (1959).
        """
        ends = (self.middle, self.upper if value > self.middle else self.lower, value)
        middle, end, here = map(math.log, ends) if logarithmic else ends
        dof = 0.62 * (self.count - 1)
        deviate = _SURE * (8.0 * dof + 3.0) / (8.0 * dof + 1.0)
        least = min(math.sqrt(dof * math.expm1(deviate * deviate / dof)), _MOST_DEVIATIONS)
        return 3.0 * abs(here - middle) <= least * abs(end - middle)


def plain_limits(values: Sequence[float], least_deviation: float = 0.0) -> ControlLimits:
    """Return the limits that all of at least two values give, for a standard deviation of at least this."""
    middle = math.fsum(values) / len(values)
    moving = [abs(later - earlier) for earlier, later in pairwise(values)]
    reach = 3.0 * max(math.fsum(moving) / len(moving) / DEVIATIONS_A_RANGE, least_deviation)
    return ControlLimits(middle=middle, lower=middle - reach, upper=middle + reach, count=len(values))


def control_limits(values: Sequence[float], least_deviation: float = 0.0) -> ControlLimits | None:
    """Return the limits of what is usual, None from fewer than 6 values.

    The farthest value is left out, then the farthest of those left, and so on: all up to the last one that the limits
    of those left do not excuse are no part of what is usual, so that two of them do not hide each other (generalized
    extreme studentized deviates; published: Rosner 1983, NIST/SEMATECH e-Handbook, 1.3.5.17.3). What is out of the
    limits and may well be chance stays in, as they would shrink with each that is left out.

    Parameters
    ----------
    least_deviation
        Scatter that no reading is without, such as that of rounding: values that happen to be alike set no limits
        narrower than three times this.
    """
    kept = list(values)
    if len(kept) < FEWEST:
        return None
    usual = limits = plain_limits(kept, least_deviation)
    for _ in range(min(len(values) - FEWEST, math.ceil(_MOST_OUT * len(values)))):
        middle = limits.middle
        worst = kept.pop(max(range(len(kept)), key=lambda at: abs(kept[at] - middle)))
        limits = plain_limits(kept, least_deviation)
        if not limits.excuses(worst):
            usual = limits
    return usual
