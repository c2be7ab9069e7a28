"""How far a developer can still be used, and whether there is enough of it for the film.

Learned where runs at several uses tell what a use costs; by common practice else. Formulas: docs/method-advice.md.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.quantity import Warning_
from densiscan.development.posterior import Posterior, loss_per_use
from densiscan.development.prior import BELIEFS
from densiscan.development.run import Run

TIRED: Final = 1.25
"""A developer that needs so much more time than when it was fresh is at its end: beyond, base plus fog grows and
contrast is no longer sure. With the usual loss a use, that is after three uses (common practice: two or three)."""

DILUTED_USES: Final = 1
"""Developer that is diluted for use is discarded after it (common practice)."""

MOST_USES: Final = 6
"""No developer is given more uses than this, however little each costs it (common practice)."""

FILM_CM2_PER_LITRE: Final = 2000.0
"""Film that a litre of full-strength developer serves in all: about four 36-exposure rolls or sixteen sheets of 10 x
12.5 cm (common practice). As much is the limit at a time: half a litre for two rolls."""

_LEARNED: Final = 0.7
"""The loss a use is called learned when its doubt is less than so much of that of common practice."""

_DILUTION: Final = re.compile(r"1\s*[+:]\s*(\d+(?:[.,]\d+)?)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What goes into the drum next, as far as it is said: area of film, amount of solution, dilution, and the batch."""

    film_cm2: float | None = None
    volume_ml: float | None = None
    dilution: str | None = None
    batch: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """How often a developer can be used.

    `last_good_use` is the last use before it is to be discarded, `more_time_a_use` the part by which each use lengthens
    the time, `learned` whether the person's own runs say so. `film_cm2` is what a litre of full-strength developer
    serves in all (common practice), `developed_cm2` what a litre of this batch has served, None where it is not known.
    """

    last_good_use: int
    more_time_a_use: float
    learned: bool
    film_cm2: float
    developed_cm2: float | None


def next_load(said: Load, runs: Sequence[Run]) -> Load:
    """Return the load with what was not said taken from the last run."""
    if not runs:
        return said
    last = runs[-1]
    area = None if last.film_area_m2 is None else 1e4 * last.film_area_m2
    return Load(
        film_cm2=area if said.film_cm2 is None else said.film_cm2,
        volume_ml=last.volume_ml if said.volume_ml is None else said.volume_ml,
        dilution=last.dilution if said.dilution is None else said.dilution,
        batch=said.batch,
    )


def strength(dilution: str | None) -> float:
    """Return the share of full-strength developer in a solution such as 1+1 or 1:3; 1 where nothing is told."""
    match = None if dilution is None else _DILUTION.search(dilution)
    return 1.0 if match is None else 1.0 / (1.0 + float(match[1].replace(",", ".")))


def wear(posterior: Posterior, runs: Sequence[Run], load: Load) -> Wear:
    """Return how often the developer can be used, and how much film the batch has served."""
    losses = loss_per_use(posterior)
    loss = float(posterior.weights @ losses)
    logs = np.log(losses)
    doubt = float(np.sqrt(posterior.weights @ (logs - posterior.weights @ logs) ** 2))
    believed = next(belief.doubt for belief in BELIEFS if belief.name == "loss")
    learned = doubt < _LEARNED * believed
    uses = min(1 + math.floor(math.log(TIRED) / loss), MOST_USES)
    return Wear(
        last_good_use=uses if learned or strength(load.dilution) == 1.0 else DILUTED_USES,
        more_time_a_use=math.expm1(loss),
        learned=learned,
        film_cm2=FILM_CM2_PER_LITRE,
        developed_cm2=_developed(runs, load),
    )


def _developed(runs: Sequence[Run], load: Load) -> float | None:
    """Return the film area that a litre of the batch has served, cm2; None where it is not known."""
    if load.batch is None:
        return None
    loads = [run for run in runs if run.batch is not None and run.batch.casefold() == load.batch.casefold()]
    areas = [run.film_area_m2 for run in loads if run.film_area_m2 is not None]
    volumes = [run.volume_ml for run in loads if run.volume_ml is not None]
    if not areas or not volumes or len(areas) < len(loads):
        return None
    return 1e4 * sum(areas) / (max(volumes) / 1000.0)


def wear_warnings(life: Wear, load: Load, *, use: int) -> list[Warning_]:
    """Return what is to be said of the developer before it is used once more."""
    warnings = []
    if use > life.last_good_use:
        by = "your runs say" if life.learned else "common practice has it"
        message = (
            f"This is use {use}; {by} that this developer is spent after use {life.last_good_use}, when contrast "
            "is no longer reliable and fog grows: mix fresh."
        )
        warnings.append(Warning_(code="developer-tired", message=message))
    share = strength(load.dilution)
    if load.film_cm2 is not None and load.volume_ml is not None:
        served = load.film_cm2 / (load.volume_ml / 1000.0) / share
        if served > life.film_cm2:
            needed = math.ceil(load.film_cm2 / life.film_cm2 / share * 100.0) * 10.0
            message = (
                f"{load.volume_ml:.0f} ml is too little for {load.film_cm2:.0f} square centimetres of film: use at "
                f"least {needed:.0f} ml, or develop less at a time (common practice)."
            )
            warnings.append(Warning_(code="too-little-developer", message=message))
    if life.developed_cm2 is not None and life.developed_cm2 / share > life.film_cm2:
        message = (
            f"Batch {load.batch} has developed {life.developed_cm2:.0f} square centimetres of film a litre; about "
            f"{life.film_cm2 * share:.0f} is all it is good for (common practice): discard it."
        )
        warnings.append(Warning_(code="developer-used-up", message=message))
    return warnings
