"""Split grade: one print exposed twice, through a soft and a hard filter, so that both ends come right.

How it is reckoned: docs/method-paper.md, note 7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.arithmetic.units import STOP
from densiscan.errors import WrongUseError
from densiscan.paper.exposure import NegativeEnds, Printing, log_seconds, needed_range
from densiscan.paper.tested_range import PaperTest

Beyond = Literal["softer", "harder"]

_STEP: Final = 1e-4
"""Change of a log exposure by which slopes are taken."""
_ADDED_UP: Final = {"highlight": 0.013, "shadow": 0.045}
"""Standard uncertainty, log exposure, of adding exposures through two filters up at one tone: root mean square over 240
made-up papers of two to four emulsions (tests/trials/split_rates)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitGrade:
    """Two exposures of one print.

    Attributes
    ----------
    soft, hard
        Names of the paper's tests through either filter.
    soft_time_s, hard_time_s
        Seconds through either; None where the negative is beyond what the filters reach, or an end is not known.
    beyond
        "softer" or "harder" where the negative needs more than the filter on that side gives; None where it is between.
    difference_stops
        Range that the negative needs less the range of the nearer filter, stops, where it is beyond; else None.
    """

    soft: str | None
    hard: str | None
    soft_time_s: Quantity | None = None
    hard_time_s: Quantity | None = None
    beyond: Beyond | None = None
    difference_stops: Quantity | None = None


def split_grade(negative: NegativeEnds, soft: PaperTest, hard: PaperTest, printing: Printing) -> SplitGrade:
    """Return the two exposures that give a negative's highlight its first tone and its shadow 90 % of the black.

    Parameters
    ----------
    soft, hard
        Tests of one paper with one lamp, each through one filter and with its exposure.

    Raises
    ------
    WrongUseError
        If the soft filter's range is not the longer one, or the seconds of a test are not known.

    Notes
    -----
    At each of the two tones exposures through both filters add up as shares: of the exposure that gives this tone
    through the soft filter alone, and of that through the hard one alone; together they are one. That is exact where
    one of the paper's emulsions decides the tone, as the fastest does in the highlights and the slowest in the shadows.
    Two tones make two equations, linear in the two times.

    Examples
    --------
    >>> from densiscan.paper.tested_range import Circumstances, PaperTest
    >>> def test(name: str, highlight: float, shadow: float) -> PaperTest:
    ...     return PaperTest(
    ...         method="points", circumstances=Circumstances(name=name, exposure_s=10.0),
    ...         iso_range=Quantity(100.0 * (shadow - highlight)), shadow_log_exposure=Quantity(shadow),
    ...         highlight_log_exposure=Quantity(highlight), black_log_exposure=None, base_plus_fog=None,
    ...         maximum_black=None,
    ...     )
    >>> negative = NegativeEnds(name="mill", shadow=Quantity(0.40), highlight=Quantity(1.40))
    >>> split = split_grade(negative, test("00", -1.6, 0.0), test("5", -1.2, -0.6), Printing())
    >>> print(f"{split.soft_time_s.value:.2f} s, {split.hard_time_s.value:.2f} s")
    4.22 s, 5.25 s
    """
    none = SplitGrade(soft=soft.circumstances.name, hard=hard.circumstances.name)
    needed = needed_range(negative, printing)
    ranges = soft.iso_range, hard.iso_range
    if ranges[0].value <= ranges[1].value:
        raise WrongUseError(
            f"`soft` must be the filter of the longer range: {none.soft} has R {ranges[0].value:.0f}, "
            f"{none.hard} R {ranges[1].value:.0f}."
        )
    logs = _logs(negative, soft, hard, printing)
    if needed is None or logs is None:
        return none
    side: Beyond | None = None
    if needed.value >= ranges[0].value:
        side = "softer"
    elif needed.value <= ranges[1].value:
        side = "harder"
    if side is not None:
        nearer = ranges[0] if side == "softer" else ranges[1]
        return replace(none, beyond=side, difference_stops=(needed - nearer) * (0.01 / STOP))
    return replace(none, soft_time_s=_through(logs, which=0), hard_time_s=_through(logs, which=1))


def _logs(
    negative: NegativeEnds, soft: PaperTest, hard: PaperTest, printing: Printing
) -> tuple[Quantity, Quantity, Quantity, Quantity] | None:
    """Return log10 of the seconds that give the first tone, soft and hard, and the black, soft and hard, each alone.

    None where an end is not known, or is only a limit.

    Raises
    ------
    WrongUseError
        If the seconds of a test are not known.
    """
    if negative.shadow is None or negative.highlight is None:
        return None
    logs = []
    for density, name in ((negative.highlight, "highlight"), (negative.shadow, "shadow")):
        together = Influence("filters together", name)
        for test in (soft, hard):
            zero = log_seconds(test, printing)
            if zero is None:
                raise WrongUseError(
                    f"the test of {test.circumstances.name or 'the paper'} gives no seconds for this light, which "
                    "split grade needs; test it with `exposure_s` SECONDS, both with the same lamp and size."
                )
            place: Quantity = getattr(test, f"{name}_log_exposure")
            alone = printing.seen(density, negative.base_plus_fog) + place + zero
            logs.append(alone.with_part(together, _ADDED_UP[name]))
    if any(one.limit is not None for one in logs):
        return None
    return logs[0], logs[1], logs[2], logs[3]


def _solved(logs: tuple[float, ...], which: int) -> float:
    """Return the seconds through the soft (0) or hard filter (1)."""
    tone_soft, tone_hard, black_soft, black_hard = (math.pow(10.0, -one) for one in logs)
    cross = tone_soft * black_hard - tone_hard * black_soft
    part = black_hard - tone_hard if which == 0 else tone_soft - black_soft
    return part / cross


def _through(logs: tuple[Quantity, Quantity, Quantity, Quantity], which: int) -> Quantity:
    """Return a time with what makes it uncertain, to first order (JCGM 100:2008, 5.1.2)."""
    values = tuple(one.value for one in logs)
    solved = _solved(values, which)
    total = Quantity(solved)
    for number, one in enumerate(logs):
        moved = list(values)
        moved[number] += _STEP
        slope = (_solved(tuple(moved), which) - solved) / _STEP
        total = total + (one - one.value) * slope
    return total
