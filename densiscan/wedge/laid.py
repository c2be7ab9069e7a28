"""A row of even edges, and how the steps of the wedge file lie along it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.wedge.alignment import Laying, Steps, stands_out, ways_to_lay
from densiscan.wedge.rows import Row
from densiscan.wedge.step_cells import cells_of

_OTHER_COUNTS: Final = (-2, -1, 1, 2)
"""Steps fewer or more than the file names that are thought of."""
_LEAST_MATCH: Final = 1.0
"""Log-likelihood for each step by which the densities of the file must explain the levels seen."""
_AGAINST: Final = 2.0
"""Log-likelihood by which another place of the steps must be ahead to contradict what edges and lengths say."""
_ALONE: Final = 4.6
"""Log-likelihood by which a place must be ahead of any other to count by itself: odds of 100."""
_CLEARLY: Final = 3.0
"""Log-likelihood by which a place must be ahead to settle what the edges leave in doubt: odds of 20."""
_OF_FILE: Final = 2.3
"""Log-odds that a wedge has as many steps as the file given with it: 10 to 1."""
_OF_FILE_IN_WHITE: Final = 5.0
"""The same where the light end is lost at white, or is paper as white as the lid: nobody can count there. 150 to 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """Where the densities of a file say that the lightest step lies.

    Attributes
    ----------
    best
        The most likely lattice cell, None where the steps fit nowhere.
    behind
        Log-likelihood by which each other cell is behind.
    leads
        Returns the log-odds of as many steps as the file has against each other number; reckoned where it is asked.
    light_seen
        Whether the light end shows.
    """

    best: Laying | None
    behind: dict[int, float]
    leads: Callable[[], dict[int, float]]
    light_seen: bool = True

    @property
    def alone(self) -> bool:
        """Tell whether no other place of as many steps comes near."""
        return self.best is not None and sum(away <= _ALONE for away in self.behind.values()) == 1

    def contradicts(self, start: int) -> bool:
        """Tell whether the densities of the file say that the lightest step lies elsewhere."""
        return self.best is not None and self.behind.get(start, np.inf) > _AGAINST

    def favours(self, start: int) -> bool:
        """Tell whether the densities of the file, where they fit at all, say that the lightest step lies there."""
        others = [away for place, away in self.behind.items() if place != start]
        return self.best is None or (self.best.start == start and min(others, default=np.inf) > _CLEARLY)


_NOWHERE: Final = Laid(best=None, behind={}, leads=dict)


def laid_on(row: Row, steps: Steps) -> Laid:
    """Lay the steps of a file on a row."""
    cells = cells_of(row, row.view.image)
    floor = float(np.log10(max(2.5 * row.view.quantum, 4e-5)))
    edges = sorted(row.drops)
    if not cells:
        return _NOWHERE
    light = _light(row)
    ours = ways_to_lay(cells, steps, edges=edges, floor=floor, light=light)
    if not ours or not np.isfinite(ours[0].likelihood) or ours[0].match < _LEAST_MATCH:
        return _NOWHERE
    best = ours[0]
    hidden = 0 in best.lost or (steps.on_paper and not stands_out(cells[best.start], floor))
    ahead = best.likelihood + (_OF_FILE_IN_WHITE if hidden else _OF_FILE)

    def leads() -> dict[int, float]:
        counts = [steps.densities.size + more for more in _OTHER_COUNTS if steps.densities.size + more >= 3]
        others = {
            count: ways_to_lay(cells, steps.as_many(count), edges=edges, floor=floor, light=light) for count in counts
        }
        return {count: ahead - ways[0].likelihood for count, ways in others.items() if ways}

    behind = {way.start: best.likelihood - way.likelihood for way in ours}
    return Laid(best=best, behind=behind, leads=leads, light_seen=not hidden)


def _light(row: Row) -> float | None:
    """Return the level of the brightest surface on the map, which may be the open light."""
    return float(np.quantile(row.view.image, 0.98))
