"""What runs and film tests say, as numbers that can be weighed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.development.expected import Conditions, run_scatter
from densiscan.development.kinetics import ContrastPoint
from densiscan.development.names import name_key
from densiscan.development.prior import (
    BELIEFS,
    CHANCE_OF_CHANGE,
    CHANCE_WHERE_LOGGED,
    CHANCE_WITH_A_BATCH,
    LEAST_RANGE,
    READING_DOUBT,
    RUN_SCATTER,
    Belief,
)
from densiscan.development.run import Run, ages_days
from densiscan.development.sheets import SheetRange, middle_sheet, sheets_of
from densiscan.development.verdict import (
    AVERAGE_SUBJECT_STOPS,
)

MOST_RUNS: Final = 60
"""The last runs that are weighed; older ones say little more, and film, water and habits change."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmEvidence:
    """What was measured: logarithms of density ranges (of contrasts for tests) under their conditions.

    `reading` is the relative standard uncertainty of the reading, `scatter` that of everything that differs from run to
    run where nothing more is known. `numbers` are the runs', 0 for a test; `changing` the chance beforehand that
    things are otherwise from a run on. `beliefs` are what they are weighed against.
    """

    conditions: Conditions
    logs: Floats
    reading: Floats
    scatter: Floats
    numbers: tuple[int, ...]
    changing: tuple[float, ...] = ()
    batches: tuple[str | None, ...] = ()
    beliefs: tuple[Belief, ...] = BELIEFS

    @property
    def batch(self) -> npt.NDArray[np.int64]:
        """The place of each one's batch among all names, -1 where it has none."""
        names = list(dict.fromkeys(name for name in self.batches if name is not None))
        return np.array([-1 if name is None else names.index(name) for name in self.batches], dtype=np.int64)

    def place_of(self, batch: str | None) -> int | None:
        """Return the place of a batch among all names, None where nothing was measured of it."""
        names = dict.fromkeys(name for name in self.batches if name is not None)
        return None if batch is None else next((at for at, name in enumerate(names) if name == batch.casefold()), None)

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
    pictures = [(run, sheets) for run in runs if not run.removed and (sheets := sheets_of(run))][-MOST_RUNS:]
    read = [run for run, _ in pictures]
    stood = ages_days(runs) if ages is None else ages
    rows = [_row(*picture, place, stood.get(picture[0].number, 0.0)) for place, picture in enumerate(pictures)]
    rows += [_test_row(test) for test in tests if test.contrast.value > LEAST_RANGE]
    table = np.array(rows, dtype=float).reshape(-1, 11)
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
        batches=tuple(None if run.batch is None else run.batch.casefold() for run in read)
        + (None,) * (len(rows) - len(read)),
        changing=tuple(_changing(before, run) for before, run in zip([None, *read], read, strict=False)),
        beliefs=beliefs,
    )


def _changing(before: Run | None, run: Run) -> float:
    """Return how likely it is that things are otherwise from a run on, by what was logged of it and the one before."""
    if before is None:
        return 0.0
    if logged_changes(before, run):
        return CHANCE_WHERE_LOGGED
    return CHANCE_WITH_A_BATCH if run.batch not in {None, before.batch} else CHANCE_OF_CHANGE


def logged_changes(before: Run, run: Run) -> tuple[str, ...]:
    """Return what was logged otherwise than in the run before and works on development in no way that is reckoned."""
    pairs = (("agitation", before.agitation, run.agitation), ("pre-wash", before.prewash, run.prewash))
    return tuple(
        f"{name} {now} (before: {then})"
        for name, then, now in pairs
        if then is not None and now is not None and name_key(then) != name_key(now)
    )


def _row(run: Run, sheets: Sequence[SheetRange], place: int, age_days: float) -> tuple[float, ...]:
    middle = middle_sheet(sheets)
    scatter = run_scatter(middle.stops, metered=middle.metered, negatives=len(sheets))
    conditions = (run.time_s, run.temperature_c, float(run.use), middle.stops, float(middle.metered), 0.0, age_days)
    return (*conditions, float(place), math.log(middle.density_range), middle.reading, scatter)


def _test_row(test: ContrastPoint) -> tuple[float, ...]:
    contrast = test.contrast.value
    doubt = test.contrast.standard_uncertainty
    reading = READING_DOUBT if doubt is None else doubt / contrast
    conditions = (test.time_s, test.temperature_c, float(test.use), AVERAGE_SUBJECT_STOPS, 1.0, 1.0, 0.0, math.inf)
    return (*conditions, math.log(contrast), reading, RUN_SCATTER)
