"""Whether a figure creeps up or down from run to run: a cumulative sum that needs no runs set aside to begin with.

Each value is compared with the mean and scatter of all before it; the comparison is brought to a normal deviate and
what it exceeds half a standard deviation by is added up (self-starting CUSUM: published, Hawkins 1987, The Statistician
36; average run lengths: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

FEWEST: Final = 4
"""Values before the first that is compared."""

ALLOWED: Final = 0.5
"""Standard deviations by which a value may be off before it adds: a shift of one is what is looked for (published)."""

ALARM: Final = 5.0
"""Sum from which it is called creeping: once in 931 runs by chance to one side (published: average run lengths)."""

_MOST: Final = 3.0
"""No single value counts for more: one that stands apart is no creeping, and told otherwise."""


def sums(deviates: Sequence[float]) -> tuple[float, ...]:
    """Return the cumulative sum to the upper side after each standard normal deviate."""
    total, found = 0.0, []
    for deviate in deviates:
        total = max(0.0, total + deviate - ALLOWED)
        found.append(total)
    return tuple(found)


def deviates(values: Sequence[float], least_deviation: float = 0.0) -> tuple[float, ...]:
    """Return each value against those before it as a normal deviate, 0 for the first few.

    Parameters
    ----------
    least_deviation
        Scatter that no reading is without; less is not believed.

    Notes
    -----
    sqrt((n - 1) / n) (x - mean) / sd of the n - 1 before has Student's t with n - 2 degrees of freedom; its normal
    deviate is by Wallace (1959), Annals of Mathematical Statistics 30, to about 0.02.
    """
    found = []
    for at, value in enumerate(values):
        if at < FEWEST:
            found.append(0.0)
            continue
        before = values[:at]
        mean = math.fsum(before) / at
        deviation = math.sqrt(math.fsum((one - mean) ** 2 for one in before) / (at - 1))
        t = math.sqrt(at / (at + 1.0)) * (value - mean) / max(deviation, least_deviation, 1e-12)
        dof = at - 1
        normal = math.sqrt(dof * math.log1p(t * t / dof)) * (8.0 * dof + 1.0) / (8.0 * dof + 3.0)
        found.append(math.copysign(normal, t))
    return tuple(found)


def creeping_since(values: Sequence[float], side: int, least_deviation: float = 0.0) -> int | None:
    """Return the place from which the values creep to a side, 1 up and -1 down; None where the last sum is no alarm."""
    added = sums([min(side * deviate, _MOST) for deviate in deviates(values, least_deviation)])
    if not added or added[-1] <= ALARM:
        return None
    return next((at + 1 for at in range(len(added) - 1, -1, -1) if added[at] == 0.0), 0)
