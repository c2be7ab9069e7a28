"""What was found wrong with a piece of film: one finding each, with its place, its size and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity, Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.scan.places import BoxMm

MARK_MM: Final = 2.5
MOST_MARKS: Final = 30

SIDES: Final = ("left", "top", "right", "bottom")

BORDER: Final = "trouble-on-the-border"
"""Code of the note on what may be trouble and may not."""

ORDER: Final = (
    *("fog-high", "light-leak", "gradient", "edge-density", "bands", "streak"),
    *("air-bell", "drying-mark", "clear-area", "clipped-light", "clipped-dark"),
    *("scratches", "pinholes", "dust"),
)
"""Codes of all findings, in the order they are told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that looks wrong.

    Attributes
    ----------
    code
        Kebab-case name of the kind.
    message
        One sentence.
    box_mm
        Where: left, top, width, height on the scan, mm; the smallest upright box around it.
    size
        Extra density (negative where lighter), None where it has none, such as for a count of dust.
    sure
        Chance, 0 to 1, that it is more than grain, scanner and lamp make by themselves.
    side
        Side of the film it is on, or towards which it gets denser; before turning, None where it has none.
    count, area_share
        For things that are counted: how many, and their share of the area looked at.
    places_mm
        Their places on the scan, at most 200.
    """

    code: str
    message: str
    box_mm: BoxMm
    size: Quantity | None
    sure: float
    side: str | None = None
    count: int | None = None
    area_share: float | None = None
    places_mm: tuple[tuple[float, float], ...] = ()

    @property
    def marks_mm(self) -> tuple[BoxMm, ...]:
        """Boxes to draw: small ones around the first places of what is counted, else the one around all of it."""
        if self.count is None or not self.places_mm:
            return (self.box_mm,)
        half = MARK_MM / 2
        return tuple((x - half, y - half, MARK_MM, MARK_MM) for x, y in self.places_mm[:MOST_MARKS])


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFog:
    """Base plus fog along one side of the rebate ("left", ... "gaps"), or of all of an unexposed sheet ("all").

    `fog` is what it is above the base, None where the base is not known.
    """

    name: str
    base_plus_fog: Quantity
    fog: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What was looked for on one reading and what was found.

    Attributes
    ----------
    findings
        What is wrong, in the order of `ORDER`; empty where all is well.
    fog
        Base plus fog side by side.
    fog_level
        One sentence on the level, None where it is not known.
    fog_against
        What the level was judged against: "own history" or "common practice".
    fog_usual
        Whether the level is known to be nothing out of the ordinary: then only a person who asks is told of it.
    notes
        What could not be judged; no fault.
    """

    findings: tuple[Finding, ...] = ()
    fog: tuple[SideFog, ...] = ()
    fog_level: str | None = None
    fog_against: str | None = None
    fog_usual: bool = False
    notes: tuple[Warning_, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Yardstick:
    """What a difference of density is held against: what a scanner may make by itself is not told from it.

    Attributes
    ----------
    calibration
        By which densities are read.
    slope
        From one edge of a sheet to the other.
    local
        Between places nearer to each other.
    lamp
        Standard uncertainty of a difference between two places by the lamp.
    """

    calibration: Calibration
    slope: float
    local: float
    lamp: float

    def step(self, level: float, height: float, *, noise: float) -> Quantity:
        """Return a difference of density from a level, with what calibration, lamp and noise do to it."""
        both = [self.calibration.quantity(10.0**-density) for density in (level + height, level)]
        size = both[0] - both[1]
        return size.with_part(Influence("lamp", "place to place"), self.lamp).with_part(
            Influence("patch noise", "place to place"), max(noise, 1e-5)
        )


LAMP_SPAN: Final = 0.0087
"""Density between the brightest and the darkest place of a lamp that is uneven by 1 % either way: log10(1.01/0.99)."""

_EVENED: Final = 0.003
"""What is left where the lamp was taken out by the scan of the empty bed: its own noise, warming up."""


def yardstick_of(calibration: Calibration, *, evened: bool) -> Yardstick:
    """Return what must be put down to the scanner.

    A flatbed's lamp is uneven by 0.5 to 1 % either way (common practice). Twice the span of the worse is never taken
    for a gradient, and once and a half for anything local. A check of the scanner that found more raises both; with
    the lamp taken out they fall to a third.
    """
    if evened:
        span = LAMP_SPAN / 3
    else:
        known = None if calibration.findings is None else calibration.findings.lamp
        # a smooth field spans about four standard deviations
        span = max(LAMP_SPAN, 4.0 * (known or 0.0))
    return Yardstick(
        calibration=calibration,
        slope=max(2.3 * span, 0.01),
        local=max(1.7 * span, 0.01),
        lamp=max(span / math.sqrt(12), _EVENED / 2),
    )


def chance_beyond(size: float, limit: float, standard: float) -> float:
    """Return the chance that a size is more than half of a limit, by the normal law; never more than 0.999.

    The limit is what the scanner makes at worst; half of it is what it usually makes.
    """
    z = (abs(size) - 0.5 * limit) / max(standard, 1e-6)
    return float(min(0.5 * math.erfc(-z / math.sqrt(2)), 0.999))


def sure_words(sure: float) -> str:
    """Return a chance in words."""
    if sure >= 0.99:
        return "almost certainly"
    return "probably" if sure >= 0.9 else "possibly"


_SMOOTH: Final = {
    "light-leak": "a light leak",
    "gradient": "a gradient over the film",
    "edge-density": "edges that differ from the middle",
    "bands": "bands",
    "streak": "a streak",
}
"""Findings that are told from what lamp and grain make by their size alone."""


def well_clear(findings: Sequence[Finding], yardstick: Yardstick) -> tuple[tuple[Finding, ...], tuple[Warning_, ...]]:
    """Part what is well clear of what the scanner makes by itself from what another scan may not show again.

    A finding stays where it is larger than its limit by twice its own noise; of one nearer to it a note says so.
    """
    clear, border = [], []
    for finding in findings:
        limit = yardstick.slope if finding.code == "gradient" else yardstick.local
        if finding.code not in _SMOOTH or finding.size is None or _clear_of(finding.size, limit):
            clear.append(finding)
        else:
            border.append(_border_note(finding, finding.size, limit))
    return tuple(clear), tuple(border)


def _clear_of(size: Quantity, limit: float) -> bool:
    return abs(size.value) - limit > COVERAGE_FACTOR * size.budget().get("patch noise", 0.0)


def _border_note(finding: Finding, size: Quantity, limit: float) -> Warning_:
    left, top, width, height = finding.box_mm
    what = f"{_SMOOTH[finding.code]} of {abs(size.value):.3f} at {left:.0f},{top:.0f} mm on the scan"
    message = (
        f"Just on the border: perhaps {what}, {width:.0f} x {height:.0f} mm; lamp and grain alone may make "
        f"{limit:.3f}. Turn the film round and scan it again: what belongs to the film turns with it."
    )
    return Warning_(code=BORDER, message=message)
