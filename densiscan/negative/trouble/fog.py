"""Fog: base plus fog side by side, fog above the base, and whether the level is high.

The level is judged against what the same film read before, where enough of that is known, else against common practice;
the judgement says which.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading
from densiscan.negative.trouble.finding import Finding, SideFog, Trouble
from densiscan.scan.places import BoxMm

USUAL_FOG: Final = 0.30
"""Fog above the base that is usual at most, for old material (common practice)."""

CLEAR_BASE: Final = 0.05
TINTED_BASE: Final = 0.30
"""Densities of a clear sheet film base and of the densest tinted bases of roll film (common practice)."""

FEWEST_BEFORE: Final = 3
"""Earlier readings of a film from which on they are its own history."""

LEAST_RISE: Final = 0.03
"""A rise over the film's own history that is worth a word: a tenth of a stop on the easel."""

_LEAST_DOUBT: Final = 0.003

Against = Literal["own history", "common practice"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FogLevel:
    """How high base plus fog is.

    Attributes
    ----------
    against
        What it was judged against.
    message
        One sentence.
    sure
        Chance, 0 to 1, that it is too high, where it is called high; None where it is not.
    """

    against: Against
    message: str
    sure: float | None
    usual: bool = False

    @property
    def high(self) -> bool:
        """Whether it is more than usual."""
        return self.sure is not None


def judged_fog(
    base_plus_fog: Quantity, *, base_density: float | None = None, history: Sequence[Quantity] = ()
) -> FogLevel:
    """Judge a level of base plus fog.

    Parameters
    ----------
    base_density
        Density of the bare base, where it is known.
    history
        Base plus fog of earlier runs of the same film; with three or more the level is judged against them.
    """
    doubt = max(base_plus_fog.standard_uncertainty or 0.0, _LEAST_DOUBT)
    if len(history) >= FEWEST_BEFORE:
        return _against_history(base_plus_fog.value, doubt, history)
    if base_density is not None:
        return _above_base(base_plus_fog.value - base_density, doubt)
    return _above_usual(base_plus_fog.value, doubt)


def _against_history(value: float, doubt: float, history: Sequence[Quantity]) -> FogLevel:
    """Compare with the mean of earlier readings; the limit is that of Student's law for one more of the same.

    Its degrees of freedom are those of the scatter of the earlier readings, joined with the doubt of the new one
    (Welch and Satterthwaite: JCGM 100:2008, G.4).
    """
    import statistics

    before = [one.value for one in history]
    number = len(before)
    usual = statistics.fmean(before)
    # a few readings may agree by chance more closely than any of them is known
    own = statistics.fmean((one.standard_uncertainty or 0.0) ** 2 for one in history)
    spread = math.sqrt(max(statistics.variance(before), own, _LEAST_DOUBT**2))
    scatter = spread * math.sqrt(1 + 1 / number)
    wide = math.hypot(scatter, doubt)
    limit = max(student((number - 1) * (wide / scatter) ** 4) * wide, LEAST_RISE)
    more = value - usual
    told = f"Base plus fog was {usual:.2f} ± {2 * spread:.2f} in {number} earlier runs of this film"
    if more > limit:
        return FogLevel(against="own history", message=f"{told}; now it is {more:.2f} more.", sure=_normal(more / wide))
    if more < -limit:
        return FogLevel(
            against="own history", message=f"{told}; now it is {-more:.2f} less. Is it the same film?", sure=None
        )
    return FogLevel(against="own history", message=f"{told}; {value:.2f} is as usual.", sure=None, usual=True)


def student(freedom: float) -> float:
    """Return the deviate of Student's law that is exceeded with a chance of 0.005, within 1 %; freedom rounded down.

    By 1 to 5 degrees from the exact values (63.66, 9.925, 5.841, 4.604, 4.032: any table of t), beyond by the expansion
    about the normal deviate 2.5758 (Abramowitz and Stegun 26.7.5, from memory).
    """
    exact = {1: 63.66, 2: 9.925, 3: 5.841, 4: 4.604, 5: 4.032}
    whole = math.floor(min(freedom, 1e9))
    z = 2.5758
    first = (z**3 + z) / 4
    second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    return exact.get(whole, z + first / whole + second / whole**2 + third / whole**3)


def _above_base(fog: float, doubt: float) -> FogLevel:
    told = f"Fog of {fog:.2f} above the base"
    if fog > USUAL_FOG + 2.0 * doubt:
        message = f"{told} is more than the {USUAL_FOG:.2f} usual even for old material (common practice)."
        return FogLevel(against="common practice", message=message, sure=_normal((fog - USUAL_FOG) / doubt))
    if fog < -2.0 * doubt:
        message = f"Base plus fog is {-fog:.2f} below the base you gave, which is wrong or of another film."
        return FogLevel(against="common practice", message=message, sure=None)
    message = f"{told} is usual, up to {USUAL_FOG:.2f} for old material (common practice)."
    return FogLevel(against="common practice", message=message, sure=None, usual=True)


def _above_usual(value: float, doubt: float) -> FogLevel:
    most = TINTED_BASE + USUAL_FOG
    told = f"Base plus fog of {value:.2f} is"
    if value > most + 2.0 * doubt:
        message = (
            f"{told} more than even a tinted base ({TINTED_BASE:.2f}) and the fog of old material ({USUAL_FOG:.2f}) "
            "make together (common practice)."
        )
        return FogLevel(against="common practice", message=message, sure=_normal((value - most) / doubt))
    usual = value <= CLEAR_BASE + USUAL_FOG
    if not usual:
        message = (
            f"{told} more than is usual on a clear base, and usual on a tinted one (common practice); give --base to "
            "know the fog."
        )
    else:
        message = f"{told} usual (common practice: up to {USUAL_FOG:.2f} above a clear base)."
    return FogLevel(against="common practice", message=message, sure=None, usual=usual)


def _normal(z: float) -> float:
    return float(min(0.5 * math.erfc(-z / math.sqrt(2)), 0.999))


def with_fog(
    trouble: Trouble,
    reading: Reading,
    calibration: Calibration,
    options: MeasureOptions,
    *,
    history: Sequence[Quantity] = (),
) -> Trouble:
    """Add what is known of the fog of a reading: side by side, its level in words, and a finding where it is high."""
    base = reading.base_plus_fog
    if base is None:
        return trouble
    sides = () if reading.rebate is None else reading.rebate.sides
    fog = []
    for side in sides:
        read = calibration.quantity(10.0**-side.density, side.uncertainty, f"rebate {side.name}")
        above = None if options.base_density is None else read - options.base_density
        fog.append(SideFog(name=side.name, base_plus_fog=read, fog=above))
    level = judged_fog(base, base_density=options.base_density, history=history)
    finding = () if level.sure is None else (_finding(reading, base, level.message, level.sure),)
    return Trouble(
        findings=(*finding, *trouble.findings),
        fog=tuple(fog),
        fog_level=level.message,
        fog_against=level.against,
        fog_usual=level.usual,
        notes=trouble.notes,
    )


def _finding(reading: Reading, base: Quantity, level: str, sure: float) -> Finding:
    message = f"{level} Check the film's age and storage, the developer and the safelight."
    box: BoxMm = reading.seen_mm or reading.frame_mm or (0.0, 0.0, 0.0, 0.0)
    return Finding(code="fog-high", message=message, box_mm=box, size=base, sure=sure)
