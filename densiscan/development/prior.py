"""What is believed of a film in a developer before anything was measured: common practice, with its doubt.

Each belief is a normal distribution of one parameter. Those that must be greater than zero are held as natural
logarithms. The aims and habits stand here too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from densiscan.development.verdict import AVERAGE_FLARE_LOSS, range_on_film, veil_of

NORMAL_TIME_S: Final = 480.0
"""Normal development, 8:00 at 20 C, of an average film in a full-strength metol-hydroquinone borax developer (common
practice)."""

NORMAL_RANGE: Final = 1.05
"""Density range of a normal negative, for the middle of grade 2 (published: the table of grades in `paper`)."""

NORMAL_CONTRAST: Final = NORMAL_RANGE / range_on_film().value
"""Contrast that gives an average subject that range: 0.57 (published: NAVEDTRA 14208 aims at a contrast index of 0.56
to 0.60)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """A parameter believed to be normally distributed; `name` as in `PARAMETERS`."""

    name: str
    mean: float
    doubt: float


BELIEFS: Final = (
    # Films and developers differ in the time they want by about a third.
    Belief(name="normal time", mean=math.log(NORMAL_TIME_S), doubt=0.30),
    # k (normal time - t0), how far the curve has bent at the normal time. 1 makes one stop more contrast take 1.32
    # times the time and one stop less 0.76 times; practice has 1.25 to 1.45 and 0.7 to 0.8.
    Belief(name="bend", mean=math.log(1.0), doubt=0.35),
    # t0 / normal time: the image appears after some ten to thirty seconds.
    Belief(name="wait", mean=math.log(0.03), doubt=0.60),
    # How far the law's own shape is from the film's: contrast over that at the normal time is the law's to this power.
    # Below 1 contrast goes on growing, as powers and logarithms of time do; above, it begins slowly.
    Belief(name="shape", mean=0.0, doubt=0.30),
    # 1.9 to 2.5 for metol-hydroquinone (from memory); other developers 1.6 to 2.7 (Ives 1920: 1.4 and 2.0 for 7 C).
    Belief(name="warmth", mean=math.log(2.2), doubt=0.16),
    # About a tenth more time for each earlier use.
    Belief(name="loss", mean=math.log(0.09), doubt=0.40),
    # A developer that stands takes about a tenth more time after a month; it may keep or not (common practice).
    Belief(name="storage", mean=math.log(0.003), doubt=0.60),
    # What flare does to flat and to contrasty subjects against the average one; that leaves what is stated whatever the
    # flare, as the normal time makes it come out right. First the veil: 0.35 of log exposure lost by the average
    # subject, 0.2 to 0.5 are met.
    Belief(name="veil", mean=math.log(veil_of(AVERAGE_FLARE_LOSS)), doubt=0.45),
    # Then the part of a fixed loss. An even veil takes more from a contrasty subject than from a flat one; handbooks,
    # which make N+1 and N-1 of a stop of the subject, reckon with 0.35 whatever the subject. The truth lies between:
    # N-1 then is 0.84 of the normal time and N+1 1.29 times (handbooks: 0.7 to 0.8 and 1.25 to 1.45).
    Belief(name="fixed loss", mean=math.log(0.6), doubt=0.70),
    # How far this person's unmetered subjects lie, on average, from the average subject; log exposure on the film.
    Belief(name="subjects", mean=0.0, doubt=0.15),
    # A film test's contrast against that of pictures: gradients are taken in several ways.
    Belief(name="test", mean=0.0, doubt=0.08),
    # If something changed that nobody wrote down: the logarithm by which the rate was another before.
    Belief(name="change", mean=0.0, doubt=0.30),
    # How much this person's runs scatter, against the usual; see RUN_SCATTER.
    Belief(name="scatter", mean=0.0, doubt=0.45),
)
PARAMETERS: Final = tuple(belief.name for belief in BELIEFS)


def beliefs_with(chart_s: float | None) -> tuple[Belief, ...]:
    """Return what is believed where the maker states a time for 20 C and fresh developer; the usual where None."""
    if chart_s is None:
        return BELIEFS
    normal = Belief(name="normal time", mean=math.log(chart_s), doubt=CHART_DOUBT)
    return tuple(normal if belief.name == normal.name else belief for belief in BELIEFS)


RUN_SCATTER: Final = 0.035
"""Relative standard deviation of contrast from run to run: agitation, thermometer, pouring (common practice)."""

CHOICE_DOUBT: Final = 0.07
"""Standard uncertainty, log exposure: the hundredth of the area that is read is not exactly what was metered. Less than
for a single negative, as a person's way of metering is part of what is learned."""

UNMETERED_DOUBT: Final = 0.25
"""Standard uncertainty, log exposure on the film, of a subject that nobody metered, about this person's average one.
With the belief on that it makes the 0.30 of a single negative of which nothing is known."""

BATCH_DOUBT: Final = 0.04
"""Relative standard deviation of the rate from one batch of developer to the next (common practice)."""

SHARE_OF_ODD_BATCHES: Final = 0.02
ODD_BATCH_DOUBT: Final = 0.22
"""So many batches differ by so much: mixed weak, of old chemicals, in other water (common practice)."""

PACE_DOUBT: Final = 0.05
"""Relative standard deviation of the rate from one filling of the drum to the next (common practice): the right time
today differs by it from the right time on average."""

SHARED_SUBJECT: Final = 0.5
"""Part of the variance of the subject's range that the negatives of one run share: they are often of one place."""

LEAST_RANGE: Final = 0.05
"""A density range below this is no picture."""

READING_DOUBT: Final = 0.02
"""Standard uncertainty of a density range that came without one."""

SHARE_OF_BLUNDERS: Final = 0.04
BLUNDER_SPREAD: Final = 5.0
"""So many runs go wrong in some way that is not told (wrong thermometer, wrong dilution, another subject); they then
scatter so many times as much as others (common practice)."""

CHANCE_OF_CHANGE: Final = 0.12
"""Between one run and the next so often something may have changed that nobody wrote down: another make or age of film,
another thermometer, water, agitation. More often than it happens (common practice: once or twice a year), as not to
follow a change costs more negatives than to look for one that was none."""

CHANCE_WITH_A_BATCH: Final = 0.40
"""As often where a new batch of developer was begun: chemicals, water and film are then often new together."""

CHANCE_WHERE_LOGGED: Final = 0.5
"""As often where another agitation or pre-wash was logged: continuous agitation takes about a tenth less time than
turns every half minute, and a pre-wash little either way (common practice)."""

CHART_DOUBT: Final = 0.15
"""Relative standard uncertainty of the maker's time for one's own film, developer and drum (common practice)."""

SHORTEST_EVEN_S: Final = 300.0
"""Shorter times develop unevenly in a tray or drum (common practice)."""

LONGEST_REACH: Final = 1.5
"""No time beyond the longest one logged, times this (common practice)."""
