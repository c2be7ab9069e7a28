"""How far a run came out from what the runs before it let expect, and whether two evenings in a row say the same.

A film's own chart needs several runs to see that something is otherwise. A thermometer or a developer is shared by all
films: the last run and the one before it, of whatever film, and that and the one before it of the same film, are each
held against what was expected of them beforehand, and their normal deviates added up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.development.evidence import evidence_of
from densiscan.development.expected import expected_log
from densiscan.development.posterior import for_batch, posterior_of, scatter_of
from densiscan.development.run import Run, ages_days

FEWEST_BEFORE: Final = 4
"""Runs of a film before one that can surprise: of fewer nobody knows what to expect."""

SURPRISING: Final = 2.6
"""Deviate of two runs together from which they are told of: by chance one pair in 360, as what is expected is doubted
somewhat too much (deviates of ordinary runs scatter by 0.87: `tests/trials/evening_years`)."""

_SHARE: Final = 0.25
"""A run that adds less than this part to what both say is not named with the other, and is itself no news."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surprise:
    """A run: how many times the contrast that was expected it gave, and its normal deviate."""

    run: Run
    ratio: float
    deviate: float


def surprise_of(runs: Sequence[Run]) -> Surprise | None:
    """Return how the last of these runs of one film in one developer came out; None where nothing could be expected."""
    kept = [run for run in runs if not run.removed]
    ages = ages_days(kept)
    here = evidence_of(kept[-1:], ages=ages)
    before = evidence_of(kept[:-1], ages=ages)
    if not len(here.logs) or len(before.logs) < FEWEST_BEFORE:
        return None
    known = for_batch(posterior_of(before), kept[-1].batch)
    to_come = replace(here.conditions, place=np.array([math.inf]))
    logs = expected_log(known.points, to_come)[:, 0]
    middle = float(known.weights @ logs)
    scatter = (scatter_of(known) * here.scatter[0]) ** 2 + here.reading[0] ** 2
    spread = math.sqrt(float(known.weights @ ((logs - middle) ** 2 + scatter)))
    off = float(here.logs[0]) - middle
    return Surprise(run=kept[-1], ratio=math.exp(off), deviate=off / spread)


def surprise_words(last: Sequence[Surprise]) -> str:
    """Return what is told of the last of these runs with one of those before it; "" where it was to be expected.

    Parameters
    ----------
    last
        The run itself at the end; before it the one before, of whatever film, and the one before of the same film.
    """
    if len(last) < 2:
        return ""
    pairs = [(earlier, last[-1]) for earlier in last[:-1]]
    pair = max(pairs, key=lambda two: abs(two[0].deviate + two[1].deviate))
    together = math.fsum(one.deviate for one in pair)
    if abs(together) < SURPRISING * math.sqrt(2.0) or pair[-1].deviate / together < _SHARE:
        return ""
    telling = [one for one in pair if one.deviate / together > _SHARE]
    way = "more" if together > 0.0 else "less"
    by = [f"{100.0 * abs(one.ratio - 1.0):.0f} %" for one in telling]
    if len(telling) == 1:
        told = f"Run {telling[0].run.number} gave {by[0]} {way} contrast than was to be expected."
    else:
        told = (
            f"Runs {' and '.join(str(one.run.number) for one in telling)} both gave {way} contrast than was to be "
            f"expected, by {' and '.join(by)}."
        )
    other_films = len({one.run.film for one in telling}) > 1
    return f"{told} {'Thermometer' if other_films else 'Film, thermometer'}, developer, agitation?"
