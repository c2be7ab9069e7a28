"""What earlier runs say of a film that is new: what belongs to the developer and to the person goes with them.

Warmth, use and storage act on the developer; flare, metering and scatter are the person's. Films differ in the rest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from densiscan.development.evidence import evidence_of
from densiscan.development.names import dilution_key, name_key, same_name
from densiscan.development.posterior import Posterior, posterior_of
from densiscan.development.prior import BELIEFS, PARAMETERS, Belief
from densiscan.development.run import Run

OF_THE_DEVELOPER: Final = frozenset({"warmth", "loss", "storage"})
OF_THE_PERSON: Final = frozenset({"veil", "fixed loss", "subjects", "scatter"})

_MOST: Final = 3
"""Other films that are asked, those developed last."""

_FILMS_DIFFER: Final = 0.4
"""Part of the doubt beforehand that stays however well another film is known (common practice)."""

DILUTION_POWER: Final = 0.5
DILUTION_DOUBT: Final = 0.20
"""Time goes about as this power of the dilution: 1+1 takes 1.4 times as long as full strength, 1+3 twice (common
practice: 1.3 to 1.5, and 1.7 to 2.2)."""


def carried(
    film: str, developer: str, dilution: str | None, runs: Sequence[Run], beliefs: tuple[Belief, ...] = BELIEFS
) -> tuple[Belief, ...]:
    """Return what is believed of a film in a developer, with what runs of other films tell of developer and person.

    Parameters
    ----------
    runs
        Of any film and developer, the earliest first; those of this film in this developer are passed over.
    """
    others: dict[tuple[str, ...], list[Run]] = {}
    for run in runs:
        if run.density_ranges and not run.removed and not (same_name(run.film, film) and _same(run, developer)):
            others.setdefault((name_key(run.film), name_key(run.developer), dilution_key(run.dilution)), []).append(run)
    latest = sorted(others.values(), key=lambda group: group[-1].number)[-_MOST:]
    for group in latest:
        alike = _same(group[-1], developer) and dilution_key(group[-1].dilution) == dilution_key(dilution)
        names = OF_THE_PERSON | OF_THE_DEVELOPER if alike else OF_THE_PERSON
        beliefs = _updated(beliefs, posterior_of(evidence_of(group, beliefs=beliefs)), names)
    return beliefs


def _same(run: Run, developer: str) -> bool:
    return same_name(run.developer, developer)


def _updated(beliefs: tuple[Belief, ...], posterior: Posterior, names: frozenset[str]) -> tuple[Belief, ...]:
    usual = {belief.name: belief.doubt for belief in BELIEFS}
    found = []
    for belief in beliefs:
        if belief.name not in names:
            found.append(belief)
            continue
        mean, doubt = _told(posterior, belief.name)
        wide = min(math.hypot(doubt, _FILMS_DIFFER * usual[belief.name]), usual[belief.name])
        found.append(replace(belief, mean=mean, doubt=wide))
    return tuple(found)


def _told(posterior: Posterior, name: str) -> tuple[float, float]:
    column = posterior.points[:, PARAMETERS.index(name)]
    mean = float(posterior.weights @ column)
    return mean, math.sqrt(float(posterior.weights @ np.square(column - mean)))


def diluted(beliefs: tuple[Belief, ...], runs: Sequence[Run], strengths: tuple[float, float]) -> tuple[Belief, ...]:
    """Return what is believed at a dilution that was never used, from runs at another.

    Parameters
    ----------
    runs
        Of this film in this developer at the other dilution.
    strengths
        Share of full-strength developer in the runs, and wanted.
    """
    mean, doubt = _told(posterior_of(evidence_of(runs, beliefs=beliefs)), "normal time")
    longer = DILUTION_POWER * math.log(strengths[0] / strengths[1])
    normal = Belief(name="normal time", mean=mean + longer, doubt=math.hypot(doubt, DILUTION_DOUBT))
    return tuple(normal if belief.name == normal.name else belief for belief in beliefs)
