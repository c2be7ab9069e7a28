"""How likely what was measured is, point by point: runs that scatter, runs that go wrong, batches that differ.

All runs of one batch of developer share how much faster it acts than the usual one. That is summed over a fixed row of
strengths: most batches differ little, some a good deal, so that one that came out weak is followed at once and soon
forgotten. Beyond the last runs a batch says little more, and its runs stand for themselves.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.development.evidence import FilmEvidence
from densiscan.development.expected import NORMAL, SCATTER, expected_log
from densiscan.development.prior import (
    BATCH_DOUBT,
    BLUNDER_SPREAD,
    ODD_BATCH_DOUBT,
    SHARE_OF_BLUNDERS,
    SHARE_OF_ODD_BATCHES,
)

Flags = npt.NDArray[np.bool_]
Real = npt.NDArray[np.floating[Any]]

_LAST_RUNS: Final = 9
_FARTHEST: Final = 60.0
"""Standard deviations beyond which no residual is told from another; its exponential must exist in single precision."""

STRENGTHS: Final = np.array([-0.42, -0.22, -0.09, 0.0, 0.09, 0.22, 0.42])
"""Logarithms of the rate of a batch against the usual one."""


def _masses() -> Floats:
    ends = np.concatenate([[-np.inf], 0.5 * (STRENGTHS[1:] + STRENGTHS[:-1]), [np.inf]])
    below = [
        (1.0 - SHARE_OF_ODD_BATCHES) * math.erf(end / (BATCH_DOUBT * math.sqrt(2.0)))
        + SHARE_OF_ODD_BATCHES * math.erf(end / (ODD_BATCH_DOUBT * math.sqrt(2.0)))
        for end in ends
    ]
    return 0.5 * np.diff(below)


_CHANCES: Final = _masses()
STRENGTH_VARIANCE: Final = float(_CHANCES @ STRENGTHS**2)


def spread_of(points: Floats, evidence: FilmEvidence) -> Floats:
    """Return the standard deviation of each piece of evidence about what is expected, a row for each point."""
    return np.hypot(evidence.reading, np.exp(points[:, SCATTER, None]) * evidence.scatter)


def log_blunder(off: Floats) -> tuple[Floats, Floats]:
    """Return the log densities, less the common constant, of standardised residuals: of a sound run, of a blunder."""
    sound = math.log1p(-SHARE_OF_BLUNDERS) - 0.5 * off**2
    blunder = math.log(SHARE_OF_BLUNDERS / BLUNDER_SPREAD) - 0.5 * (off / BLUNDER_SPREAD) ** 2
    return sound, blunder


def _log_either(off: Real) -> Real:
    """Return the log density, less the common constant, of standardised residuals of runs sound or not."""
    squares = np.minimum(off * off, _FARTHEST**2)
    blunder = SHARE_OF_BLUNDERS / BLUNDER_SPREAD * np.exp(squares * (-0.5 / BLUNDER_SPREAD**2))
    return np.asarray(np.log((1.0 - SHARE_OF_BLUNDERS) * np.exp(squares * -0.5) + blunder))


def log_likelihood(points: Floats, evidence: FilmEvidence) -> Floats:
    """Return the logarithm of the likelihood of all evidence, one for each point."""
    spread = spread_of(points, evidence)
    off = (evidence.logs - expected_log(points, evidence.conditions)) / spread
    total = -np.sum(np.log(spread), axis=1)
    batched = _batched(evidence)
    total += np.sum(_log_either(off[:, ~batched]), axis=1)
    if batched.any():
        each = _log_strengths(points, evidence, batched, off[:, batched], spread[:, batched])
        total += np.sum(_log_sum(each), axis=1)
    return np.asarray(total)


def _batched(evidence: FilmEvidence) -> Flags:
    """Return which evidence shares the strength of its batch: that of the last runs."""
    place = evidence.conditions.place
    runs = np.isfinite(place)
    return np.asarray((evidence.batch >= 0) & runs & (place >= np.sum(runs) - _LAST_RUNS))


def spread_with_batches(middle: Floats, evidence: FilmEvidence) -> Floats:
    """Return the spread of each piece of evidence, widened so that the mean of a batch is as wide as batches differ."""
    alike = np.sum((evidence.batch[:, None] == evidence.batch) & (evidence.batch >= 0), axis=1)
    batches = BATCH_DOUBT * rate_slopes(middle, evidence) * np.sqrt(alike)
    return np.asarray(np.hypot(spread_of(middle[None], evidence)[0], batches))


def rate_slopes(middle: Floats, evidence: FilmEvidence) -> Floats:
    """Return by how much the logarithm of each range grows with that of the rate, at one point."""
    step = 1e-3
    two = np.repeat(middle[None], 2, axis=0)
    two[:, NORMAL] += (-step, step)
    low, high = expected_log(two, evidence.conditions)
    return np.asarray((low - high) / (2.0 * step))


def _log_strengths(points: Floats, evidence: FilmEvidence, some: Flags, off: Floats, spread: Floats) -> Floats:
    """Return the logarithm of likelihood and chance for each strength of each batch: (strength, point, batch)."""
    slopes = rate_slopes(points.mean(axis=0), evidence)[some] / spread
    half = np.float32  # half the work, and a thousandth in the logarithm at the worst
    of_strength = _log_either(off.astype(half) - STRENGTHS[:, None, None].astype(half) * slopes.astype(half))
    names, place = np.unique(evidence.batch[some], return_inverse=True)
    of_batch = of_strength @ np.eye(len(names), dtype=half)[place]
    return np.asarray(of_batch + np.log(_CHANCES)[:, None, None], dtype=np.float64)


def _log_sum(logs: Floats) -> Floats:
    """Return the logarithm of the sum over the first axis."""
    highest = logs.max(axis=0)
    return np.asarray(highest + np.log(np.sum(np.exp(logs - highest), axis=0)))


def strength_chances(points: Floats, evidence: FilmEvidence, batch: int | None) -> Floats:
    """Return how likely each strength of a batch is, a row for each point; None for one of which nothing is known."""
    if batch is None:
        return np.repeat(_CHANCES[None], len(points), axis=0)
    some = (evidence.batch == batch) & _batched(evidence)
    if not some.any():
        return np.repeat(_CHANCES[None], len(points), axis=0)
    spread = spread_of(points, evidence)
    off = ((evidence.logs - expected_log(points, evidence.conditions)) / spread)[:, some]
    logs = _log_strengths(points, evidence, some, off, spread[:, some])[:, :, 0].T
    chances = np.exp(logs - logs.max(axis=1, keepdims=True))
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


def strengths_at(chances: Floats, shares: Floats) -> Floats:
    """Return, for each point, the strength below which a share of its chances lies."""
    ends = np.concatenate([[1.2 * STRENGTHS[0]], 0.5 * (STRENGTHS[1:] + STRENGTHS[:-1]), [1.2 * STRENGTHS[-1]]])
    below = np.concatenate([np.zeros((len(chances), 1)), np.cumsum(chances, axis=1)], axis=1)
    cell = np.clip(np.sum(below <= shares[:, None], axis=1) - 1, 0, len(STRENGTHS) - 1)
    row = np.arange(len(chances))
    into = (shares - below[row, cell]) / np.maximum(chances[row, cell], 1e-12)
    return np.asarray(ends[cell] + np.clip(into, 0.0, 1.0) * (ends[cell + 1] - ends[cell]))
