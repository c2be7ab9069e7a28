"""What stands out in an archive of any size: how its figures spread, which scans are far off, which gave nothing.

Figures are counted in bins of a thousandth, and only the farthest are kept, so that memory and page stay the same
however many there are.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.robust import NORMAL_MAD
from densiscan.batch.outliers import FIGURES, LEAST_READINGS, LIMIT, Scatter
from densiscan.notebook.lines import LineFile

FARTHEST: Final = 200
"""Readings that are named on the page; more are counted."""
_NAMED: Final = 20
"""Scans that gave nothing which are named for each reason."""
_LOW, _HIGH, _BIN = -1.0, 9.0, 0.001
_BARS: Final = 60
Counts = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FarOff:
    """One figure of one reading that stands apart: `away` in robust standard deviations."""

    path: str
    piece: int
    figure: str
    value: float
    away: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How a figure spreads over the archive: median, robust standard deviation, and how many readings in each bar."""

    figure: str
    readings: int
    scatter: Scatter
    begins: float
    width: float
    bars: tuple[int, ...]
    apart: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """What stands out, the farthest first; `failures` by why: how many, and path and sentence of the first."""

    scans: int
    readings: int
    spreads: tuple[Spread, ...]
    farthest: tuple[FarOff, ...]
    failures: tuple[tuple[str, int, tuple[tuple[str, str], ...]], ...]
    seen: tuple[tuple[str, str | None, int], ...]

    @property
    def apart(self) -> int:
        """Figures that stand apart, named or not."""
        return sum(spread.apart for spread in self.spreads)


def archive_of(lines: LineFile) -> Archive:
    """Return what stands out among all the scans of a file of lines."""
    scans, readings = lines.readings()
    spreads: list[Spread] = []
    farthest: list[tuple[float, str, int, str, float]] = []
    for figure in FIGURES:
        spread = _spread(lines, figure, farthest)
        spreads += [] if spread is None else [spread]
    return Archive(
        scans=scans,
        readings=readings,
        spreads=tuple(spreads),
        farthest=tuple(
            FarOff(path=path, piece=piece, figure=figure, value=value, away=away)
            for away, path, piece, figure, value in sorted(farthest, reverse=True)
        ),
        failures=tuple((code, count, tuple(lines.failed(code, _NAMED))) for code, count in lines.failures().items()),
        seen=tuple((seen, verdict, count) for (seen, verdict), count in lines.verdicts().items()),
    )


def scatter_of_counts(counts: Counts) -> Scatter:
    """Return the scatter of values counted in bins of a thousandth from -1 on, to half a thousandth; at least one."""
    middles = _LOW + _BIN * (np.arange(counts.size, dtype=np.float64) + 0.5)
    usual = _median(middles, counts)
    away = np.abs(middles - usual)
    order = np.argsort(away, kind="stable")
    return Scatter(usual=usual, spread=NORMAL_MAD * _median(away[order], counts[order]))


def _median(values: npt.NDArray[np.float64], counts: Counts) -> float:
    reached = np.cumsum(counts)
    total = int(reached[-1])
    low, high = (int(np.searchsorted(reached, place, side="right")) for place in ((total - 1) // 2, total // 2))
    return 0.5 * float(values[low] + values[high])


def _spread(lines: LineFile, figure: str, farthest: list[tuple[float, str, int, str, float]]) -> Spread | None:
    """Return how a figure spreads, and put what is farthest off among the farthest of all."""
    counts = np.zeros(round((_HIGH - _LOW) / _BIN), np.int64)
    for _, _, value, _ in lines.rows(figure):
        counts[min(max(int((value - _LOW) / _BIN), 0), counts.size - 1)] += 1
    readings = int(counts.sum())
    if readings < LEAST_READINGS:
        return None
    scatter, apart = scatter_of_counts(counts), 0
    for path, piece, value, doubt in lines.rows(figure):
        away = abs(scatter.away(value, doubt))
        if away > LIMIT:
            apart += 1
            one = (away, path, piece, figure, value)
            if len(farthest) < FARTHEST:
                heapq.heappush(farthest, one)
            else:
                heapq.heappushpop(farthest, one)
    there = np.flatnonzero(counts)
    width = max(1, -(-int(there[-1] - there[0] + 1) // _BARS))
    first = int(there[0])
    bars = [int(counts[at : at + width].sum()) for at in range(first, int(there[-1]) + 1, width)]
    begins = _LOW + _BIN * first
    return Spread(
        figure=figure,
        readings=readings,
        scatter=scatter,
        begins=begins,
        width=width * _BIN,
        bars=tuple(bars),
        apart=apart,
    )
