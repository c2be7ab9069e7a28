"""That something changed between two runs, and nobody wrote it down: told by the same model that gives the advice."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from densiscan.development.expected import CHANGE, SINCE
from densiscan.development.posterior import Posterior

LIKELY: Final = 0.95
"""Chance from which a change is told."""

FEW_SINCE: Final = 3
"""Runs since a change for which it is news."""

_NEVER: Final = 700.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnloggedChange:
    """Since which run something is otherwise, how likely that is, and how fast development goes now against before."""

    since_run: int
    chance: float
    pace: float
    runs: int

    @property
    def words(self) -> str:
        """What a person is told: what is seen, what to look at, and that the latest runs may well be the right ones."""
        way = f"{100.0 * abs(self.pace - 1.0):.0f} % {'faster' if self.pace > 1.0 else 'slower'}"
        if self.runs == 1:
            return (
                f"Run {self.since_run} stands apart: as if development went {way}. Either it went astray, or something "
                "has changed: film, thermometer, developer, agitation? The next run will tell; leave this one in."
            )
        return (
            f"Something has changed since run {self.since_run}: development goes {way}. Film, thermometer, developer, "
            "agitation? The advice follows the runs since then; leave them in."
        )


def change_of(posterior: Posterior) -> UnloggedChange | None:
    """Return the last change that is likely; None where nothing, or nothing likely, changed."""
    chance = 1.0 / (1.0 + math.exp(-max(posterior.log_odds, -_NEVER)))
    if chance < LIKELY:
        return None
    since = posterior.points[:, SINCE]
    chances = {place: float(posterior.weights @ (since == place)) for place in set(since[since > 0.0].tolist())}
    place = max(chances, key=lambda one: chances[one])
    # Neighbouring places tell of one change: the place is the likeliest, the size that of all.
    weights = posterior.weights * (since > 0.0)
    before = float(weights @ posterior.points[:, CHANGE] / weights.sum())
    numbers = [number for number in posterior.evidence.numbers if number]
    return UnloggedChange(
        since_run=posterior.evidence.numbers[int(place)],
        chance=chance,
        pace=math.exp(-before),
        runs=len(numbers) - int(place),
    )
