"""The curve through every step: the log signal of a density, and how the curve follows each step."""

from __future__ import annotations

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import shape_preserving, shape_preserving_slopes


def inverse(x: Floats, densities: Floats, density: float) -> float:
    """Return the log signal at which the falling curve has this density."""
    slopes = shape_preserving_slopes(x, densities)
    if density >= densities[0]:
        return float(x[0] + (density - densities[0]) / min(float(slopes[0]), -1e-6))
    if density <= densities[-1]:
        return float(x[-1] + (density - densities[-1]) / min(float(slopes[-1]), -1e-6))
    k = int(np.searchsorted(-densities, -density, side="right")) - 1
    # One interval of the cubic in plain numbers: arrays for sixty halvings would cost a hundred times as much.
    h, rise, fall = float(x[k + 1] - x[k]), float(slopes[k]), float(slopes[k + 1])
    left, right = float(densities[k]), float(densities[k + 1])
    low, high = 0.0, 1.0
    for _ in range(60):
        t = 0.5 * (low + high)
        s = 1.0 - t
        here = left * (1.0 + 2.0 * t) * s * s + h * rise * t * s * s
        here += right * t * t * (1.0 + 2.0 * s) - h * fall * t * t * s
        low, high = (t, high) if here > density else (low, t)
    return float(x[k]) + 0.5 * (low + high) * h


def pull_of_steps(x: Floats, densities: Floats, place: float) -> Floats:
    """Return how far the curve at one place follows each step: the derivative of density by the step's density."""
    delta = 1e-5
    moved = densities[:, None] + delta * np.eye(densities.size)
    back = densities[:, None] - delta * np.eye(densities.size)
    both = shape_preserving(x, np.concatenate((moved, back), axis=1), [place])[0]
    result: Floats = (both[: densities.size] - both[densities.size :]) / (2.0 * delta)
    return result
