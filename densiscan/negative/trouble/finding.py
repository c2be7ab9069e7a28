"""What was found wrong with a piece of film: one finding each, with its place, its size and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.quantity import Quantity, Warning_
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
