"""A row of even edges, and how the steps of the wedge file lie along it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from densiscan.arithmetic.threshold import chosen, physics
from densiscan.wedge.alignment import Laying, Steps, ways_to_lay
from densiscan.wedge.rows import Row
from densiscan.wedge.step_cells import cells_of


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidLimits:
    """What the levels of the cells must tell to place the steps by themselves."""

    other_counts: tuple[int, ...] = chosen((-2, -1, 1, 2), "Steps fewer or more than the file's that are thought of.")
    least_match: float = chosen(1.0, "Log-likelihood for each step by which the file's densities explain the levels.")
    alone: float = physics(5.0, "Log-likelihood by which a place must be ahead of any other: odds of 150.")
    of_file: float = physics(5.0, "The same of the file's number of steps where the light end is lost.")


LAID_LIMITS: Final = LaidLimits()


class Laid(NamedTuple):
    """Where the densities of a file say that the lightest step lies.

    Attributes
    ----------
    best
        The most likely lattice cell, None where the steps fit nowhere.
    sure
        Whether nothing else, nor another number of steps, comes near.
    likelihood
        Of each way to lay them, by start and number of steps; the densities go on evenly beyond those of the file.
    """

    best: Laying | None
    sure: bool
    likelihood: Mapping[tuple[int, int], float]


def laid_on(row: Row, steps: Steps, limits: LaidLimits = LAID_LIMITS) -> Laid:
    """Lay the steps of a file on a row."""
    nowhere = Laid(None, sure=False, likelihood={})
    cells = cells_of(row, row.view.image)
    floor = float(np.log10(max(2.5 * row.view.quantum, 4e-5)))
    edges = sorted(row.drops)
    if not cells:
        return nowhere
    count = steps.densities.size
    ours = ways_to_lay(cells, steps, edges=edges, floor=floor)
    if not ours or not np.isfinite(ours[0].likelihood) or ours[0].match < limits.least_match * count:
        return nowhere
    counts = [count + more for more in limits.other_counts if count + more >= 3]
    others = [way for number in counts for way in ways_to_lay(cells, steps.as_many(number), edges=edges, floor=floor)]
    best = ours[0]
    known = limits.of_file if 0 in best.lost else 0.0
    rivals = [way.likelihood + limits.alone for way in ours[1:]] + [way.likelihood - known for way in others]
    return Laid(
        best,
        sure=best.likelihood >= max(rivals, default=-np.inf),
        likelihood={(way.start, way.count): way.likelihood for way in (*ours, *others)},
    )
