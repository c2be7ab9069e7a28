"""Scatter that single values far off do not move."""

from __future__ import annotations

from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats

NORMAL_MAD: Final = 1.4826
"""Standard deviation over median absolute deviation, of a normal distribution."""


def robust_spread(deviations: Floats) -> float:
    """Return the standard deviation of normal noise whose deviations from its middle these are."""
    return NORMAL_MAD * float(np.median(np.abs(deviations)))


def robust_sd(values: Floats) -> float:
    """Return the standard deviation of values about their median likewise; 0 of none."""
    return robust_spread(values - np.median(values)) if values.size else 0.0
