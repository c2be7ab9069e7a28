"""The negatives of one run: each has its own subject, all share one development, so their contrasts can be compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from densiscan.arithmetic.quantity import Warning_
from densiscan.development.expected import subject_doubt, usual_film_range
from densiscan.development.prior import LEAST_RANGE, READING_DOUBT, RUN_SCATTER
from densiscan.development.run import Run
from densiscan.development.verdict import AVERAGE_SUBJECT_STOPS

_CANNOT_BE: Final = 3.5
"""Standard deviations from which two sheets of one drum are too far apart: by chance in one or two of a hundred runs of
four sheets at the most."""

_MOST_TOLD: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRange:
    """What one negative says of the development: its range, its subject in stops, the relative doubt of the reading."""

    density_range: float
    stops: float
    metered: bool
    reading: float

    @property
    def contrast(self) -> float:
        """The contrast that it was developed to, by what flare usually leaves of its subject."""
        return self.density_range / usual_film_range(self.stops)


def sheets_of(run: Run) -> tuple[SheetRange, ...]:
    """Return the negatives of a run that have a picture, each with its own subject where that was stated."""
    own = run.sheet_stops if len(run.sheet_stops) == len(run.density_ranges) else (None,) * len(run.density_ranges)
    found = []
    for read, stated in zip(run.density_ranges, own, strict=True):
        stops = run.scene_stops if stated is None else stated
        standard = READING_DOUBT if read.standard_uncertainty is None else read.standard_uncertainty
        if read.value > LEAST_RANGE:
            found.append(
                SheetRange(
                    density_range=read.value,
                    stops=AVERAGE_SUBJECT_STOPS if stops is None else stops,
                    metered=stops is not None,
                    reading=max(standard, 0.25 * READING_DOUBT) / read.value,
                )
            )
    return tuple(found)


def middle_sheet(sheets: Sequence[SheetRange]) -> SheetRange:
    """Return what the negatives say together: the one of median contrast, or the mean of the two in the middle.

    Where some subjects were metered and others not, those that were count.
    """
    counting = [sheet for sheet in sheets if sheet.metered] or list(sheets)
    ordered = sorted(counting, key=lambda sheet: sheet.contrast)
    middle = ordered[(len(ordered) - 1) // 2 : len(ordered) // 2 + 1]
    return SheetRange(
        density_range=math.fsum(sheet.density_range for sheet in middle) / len(middle),
        stops=math.fsum(sheet.stops for sheet in middle) / len(middle),
        metered=middle[0].metered,
        reading=float(np.median([sheet.reading for sheet in counting])),
    )


def disagreeing(runs: Sequence[Run]) -> tuple[Warning_, ...]:
    """Return a word on each of the last runs whose negatives cannot have come out of one drum."""
    told = [word for run in runs if not run.removed and (word := _disagreement(run)) is not None]
    return tuple(told[-_MOST_TOLD:])


def _disagreement(run: Run) -> Warning_ | None:
    worst = max(combinations(sheets_of(run), 2), key=lambda pair: _apart(*pair), default=None)
    if worst is None or _apart(*worst) < _CANNOT_BE:
        return None
    high, low = sorted((sheet.contrast for sheet in worst), reverse=True)
    message = (
        f"Run {run.number}: contrasts of {high:.2f} and {low:.2f} cannot come from one drum. Give each sheet its own "
        f"subject (measure --run {run.number} --scene-stops N), or look for one that was read or exposed wrongly."
    )
    return Warning_(code="sheets-disagree", message=message)


def _apart(one: SheetRange, other: SheetRange) -> float:
    """Return by how many standard deviations two contrasts differ: subject, reading and the place in the drum."""
    spread = math.hypot(
        *(subject_doubt(sheet.stops, metered=sheet.metered) for sheet in (one, other)),
        *(sheet.reading for sheet in (one, other)),
        math.sqrt(2.0) * RUN_SCATTER,
    )
    return abs(math.log(one.contrast / other.contrast)) / spread
