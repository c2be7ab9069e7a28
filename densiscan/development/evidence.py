"""What runs and film tests say, as numbers that can be weighed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.development.expected import Conditions, run_scatter
from densiscan.development.kinetics import ContrastPoint
from densiscan.development.prior import (
    BELIEFS,
    READING_DOUBT,
    RUN_SCATTER,
    Belief,
)
from densiscan.development.run import Run, ages_days
from densiscan.development.verdict import (
    AVERAGE_SUBJECT_STOPS,
)

MOST_RUNS: Final = 60
"""The last runs that are weighed; older ones say little more, and film, water and habits change."""

LEAST_RANGE: Final = 0.05
"""A density range below this is no picture."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmEvidence:
    """What was measured: logarithms of density ranges (of contrasts for tests) under their conditions.

    `reading` is the relative standard uncertainty of the reading, `scatter` that of everything that differs from run to
    run where nothing more is known. `numbers` are the runs', 0 for a test; `new_batch` whether a run is the first of
    its batch. `beliefs` are what they are weighed against.
    """

    conditions: Conditions
    logs: Floats
    reading: Floats
    scatter: Floats
    numbers: tuple[int, ...]
    new_batch: tuple[bool, ...] = ()
    beliefs: tuple[Belief, ...] = BELIEFS

    @property
    def means(self) -> Floats:
        """The middle of each belief."""
        return np.array([belief.mean for belief in self.beliefs])

    @property
    def doubts(self) -> Floats:
        """The doubt of each belief."""
        return np.array([belief.doubt for belief in self.beliefs])


def evidence_of(
    runs: Sequence[Run],
    tests: Sequence[ContrastPoint] = (),
    *,
    ages: Mapping[int, float] | None = None,
    beliefs: tuple[Belief, ...] = BELIEFS,
) -> FilmEvidence:
    """Gather what runs and film tests say.

    Parameters
    ----------
    runs
        Of one film in one developer. A run without a density range says nothing and is passed over; of several
        negatives in a run the median counts. The last 60 are taken.
    tests
        Contrasts of a film test in the same developer.
    ages
        By the number of the run, how many days the developer had stood; counted from the first run of a batch where
        None.
    beliefs
        What is believed beforehand.
    """
    read = [run for run in runs if not run.removed and _ranges(run)][-MOST_RUNS:]
    stood = ages_days(runs) if ages is None else ages
    rows = [_row(run, place, stood.get(run.number, 0.0)) for place, run in enumerate(read)]
    rows += [_test_row(test) for test in tests if test.contrast.value > LEAST_RANGE]
    table = np.array(rows, dtype=float).reshape(-1, 11)
    batches = [None, *(run.batch for run in read)]
    return FilmEvidence(
        conditions=Conditions(
            time_s=table[:, 0],
            temperature_c=table[:, 1],
            use=table[:, 2],
            stops=table[:, 3],
            metered=table[:, 4] > 0.0,
            tested=table[:, 5] > 0.0,
            age_days=table[:, 6],
            place=table[:, 7],
        ),
        logs=table[:, 8],
        reading=table[:, 9],
        scatter=table[:, 10],
        numbers=tuple(run.number for run in read) + (0,) * (len(rows) - len(read)),
        new_batch=tuple(run.batch not in {None, before} for before, run in zip(batches, read, strict=False)),
        beliefs=beliefs,
    )


def _ranges(run: Run) -> list[float]:
    return [read.value for read in run.density_ranges if read.value > LEAST_RANGE]


def _row(run: Run, place: int, age_days: float) -> tuple[float, ...]:
    ranges = _ranges(run)
    middle = float(np.median(ranges))
    doubts = [
        READING_DOUBT if read.standard_uncertainty is None else read.standard_uncertainty for read in run.density_ranges
    ]
    metered = run.scene_stops is not None
    stops = AVERAGE_SUBJECT_STOPS if run.scene_stops is None else run.scene_stops
    scatter = run_scatter(stops, metered=metered, negatives=len(ranges))
    reading = max(float(np.median(doubts)), 0.25 * READING_DOUBT) / middle
    conditions = (run.time_s, run.temperature_c, float(run.use), stops, float(metered), 0.0, age_days, float(place))
    return (*conditions, math.log(middle), reading, scatter)


def _test_row(test: ContrastPoint) -> tuple[float, ...]:
    contrast = test.contrast.value
    doubt = test.contrast.standard_uncertainty
    reading = READING_DOUBT if doubt is None else doubt / contrast
    conditions = (test.time_s, test.temperature_c, float(test.use), AVERAGE_SUBJECT_STOPS, 1.0, 1.0, 0.0, math.inf)
    return (*conditions, math.log(contrast), reading, RUN_SCATTER)
