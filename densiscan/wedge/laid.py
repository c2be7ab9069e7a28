"""A row of even edges, and how the steps of the wedge file lie along it."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from densiscan.wedge.alignment import Laying, Steps, ways_to_lay
from densiscan.wedge.rows import Row
from densiscan.wedge.step_cells import cells_of

_OTHER_COUNTS: Final = (-2, -1, 1, 2)
"""Steps fewer or more than the file names that are thought of."""
_LEAST_MATCH: Final = 1.0
"""Log-likelihood for each step by which the densities of the file must explain the levels seen."""
_AGAINST: Final = 2.0
"""Log-likelihood by which another place of the steps must be ahead to contradict what edges and lengths say."""
_ALONE: Final = 5.0
"""Log-likelihood by which a place must be ahead of any other to count by itself."""
_CLEARLY: Final = 3.0
"""Log-likelihood by which a place must be ahead to settle what the edges leave in doubt: odds of 20."""
_OF_FILE: Final = 5.0
"""Log-likelihood by which another number of steps must be ahead of the file's where the light end is lost."""


class Laid(NamedTuple):
    """Where the densities of a file say that the lightest step lies.

    Attributes
    ----------
    best
        The most likely lattice cell, None where the steps fit nowhere.
    sure
        Whether nothing else, nor another number of steps, comes near.
    behind
        Log-likelihood by which each other cell is behind.
    """

    best: Laying | None
    sure: bool
    behind: dict[int, float]

    def contradicts(self, start: int) -> bool:
        """Tell whether the densities of the file say that the lightest step lies elsewhere."""
        return self.best is not None and self.behind.get(start, np.inf) > _AGAINST

    def favours(self, start: int) -> bool:
        """Tell whether the densities of the file, where they fit at all, say that the lightest step lies there."""
        others = [away for place, away in self.behind.items() if place != start]
        return self.best is None or (self.best.start == start and min(others, default=np.inf) > _CLEARLY)


def laid_on(row: Row, steps: Steps) -> Laid:
    """Lay the steps of a file on a row."""
    cells = cells_of(row, row.view.image)
    floor = float(np.log10(max(2.5 * row.view.quantum, 4e-5)))
    edges, limits = sorted(row.drops), row.view.limits.laying
    if not cells:
        return Laid(None, sure=False, behind={})
    ours = ways_to_lay(cells, steps, edges=edges, floor=floor, limits=limits)
    if not ours or not np.isfinite(ours[0].likelihood) or ours[0].match < _LEAST_MATCH * steps.densities.size:
        return Laid(None, sure=False, behind={})
    counts = [steps.densities.size + more for more in _OTHER_COUNTS if steps.densities.size + more >= 3]
    others = [
        way
        for count in counts
        for way in ways_to_lay(cells, steps.as_many(count), edges=edges, floor=floor, limits=limits)
    ]
    best = ours[0]
    behind = {way.start: best.likelihood - way.likelihood for way in ours}
    known = _OF_FILE if 0 in best.lost else 0.0
    rivals = [way.likelihood + _ALONE for way in ours[1:]] + [way.likelihood - known for way in others]
    return Laid(best, sure=best.likelihood >= max(rivals, default=-np.inf), behind=behind)
