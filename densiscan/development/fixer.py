"""How far a fixer goes: by how long it takes to clear film against a fresh one, and by the film it has fixed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from densiscan.errors import WrongUseError

FIX_TIMES_CLEARING: Final = 2.0
"""Film is fixed for twice the time that it takes to clear (common practice)."""
SPENT_TIMES_FRESH: Final = 2.0
"""A bath that takes twice as long to clear as when fresh is discarded (common practice)."""
FIXED_CM2_PER_LITRE: Final = 10_000.0
"""Film that a litre of working fixer serves: twenty rolls, or eighty sheets of 4 x 5 inches (common practice)."""
_FASTER: Final = 0.8
"""A share of the fresh bath's time below which the two were not timed alike: a used bath is never faster."""

By = Literal["clearing", "area"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedBefore:
    """Film that a bath has fixed so far, cm2, and how much bath there is, ml."""

    film_cm2: float
    volume_ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FixerLife:
    """How a fixer stands.

    Attributes
    ----------
    fix_s
        How long to fix film in it, seconds.
    discard_at_s
        The clearing time at which it is spent.
    used
        Share of its life that is gone, 1 or more where it is spent: the larger of what clearing time and area say.
    by
        Which of them that is.
    film_cm2_left
        Film that it is still good for; None where the area fixed so far is not known.
    """

    fix_s: float
    discard_at_s: float
    used: float
    by: By
    film_cm2_left: float | None

    @property
    def is_spent(self) -> bool:
        """Whether it is to be discarded."""
        return self.used >= 1.0


def fixer_life(*, fresh_s: float, now_s: float, before: FixedBefore | None = None) -> FixerLife:
    """Return how a fixer stands.

    Parameters
    ----------
    fresh_s, now_s
        Time in which a dry, undeveloped scrap of the same film cleared in the fresh bath, and clears in it today.

    Raises
    ------
    WrongUseError
        If a used bath clears much faster than a fresh one.

    Notes
    -----
    The clearing time is taken to grow evenly with the film fixed, up to twice the fresh one.

    Examples
    --------
    >>> life = fixer_life(fresh_s=45.0, now_s=65.0)
    >>> life.fix_s, life.discard_at_s, round(life.used, 2)
    (130.0, 90.0, 0.44)
    """
    if now_s < _FASTER * fresh_s:
        raise WrongUseError(
            f"`now` {now_s:g} s is faster than the fresh bath's {fresh_s:g} s; time both with the same film, at "
            "the same temperature."
        )
    slower = max((now_s - fresh_s) / ((SPENT_TIMES_FRESH - 1.0) * fresh_s), 0.0)
    whole = None if before is None else FIXED_CM2_PER_LITRE * before.volume_ml / 1000.0
    by_area = 0.0 if before is None or whole is None else before.film_cm2 / whole
    used = max(slower, by_area)
    left = None
    if before is not None and whole is not None:
        left = max(whole - before.film_cm2, 0.0)
        if slower > 0.0:
            left = min(left, max(before.film_cm2 * (1.0 - slower) / slower, 0.0))
    return FixerLife(
        fix_s=FIX_TIMES_CLEARING * now_s,
        discard_at_s=SPENT_TIMES_FRESH * fresh_s,
        used=used,
        by="area" if by_area > slower else "clearing",
        film_cm2_left=left,
    )
