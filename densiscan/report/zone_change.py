"""Zones in words."""

from __future__ import annotations

from typing import Final

from densiscan.batch.assessment import Assessment
from densiscan.development.verdict import LARGEST_STEP, SMALLEST_STEP
from densiscan.development.zones import ZoneChange

ZONES: Final = ("0", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X")
_NEAR: Final = 0.05
_SMALL_CHANGE: Final = 0.25
"""Stops of contrast below which development stays as it is, as `expose` says it too."""

_VAGUE: Final = 1.0
"""Stops of uncertainty from which the subject's range is worth metering: more is a zone."""


def zone_text(zone: float) -> str:
    """Return a zone as it is written: III, or between two of them 3.5."""
    whole = round(zone)
    return ZONES[whole] if abs(zone - whole) < _NEAR and 0 <= whole < len(ZONES) else f"{zone:.1f}"


def zones_words(assessment: Assessment) -> tuple[str, str] | None:
    """Return what puts places on the zones wanted, and what that rests on; None where none were wanted."""
    change = assessment.zones
    if change is None:
        return None
    return " ".join((_exposure(change), *_development(change))), _why(change)


def _exposure(change: ZoneChange) -> str:
    stops = change.stops.value
    if abs(stops) < _NEAR:
        return "Expose as you did."
    doubt = change.stops.uncertainty
    size = f"{abs(stops):.1f}" + ("" if not doubt else f" ± {max(doubt, 0.1):.1f}")
    return f"Give {size} stops {'more' if stops > 0.0 else 'less'}."


def _development(change: ZoneChange) -> tuple[str, ...]:
    aim, factor = change.highlight, change.time_factor
    if aim is None or factor is None:
        return ()
    size = "N" if abs(aim.stops) < _SMALL_CHANGE else f"N{aim.stops:+.1f}"
    if abs(factor.value - 1.0) < SMALLEST_STEP:
        return (f"Develop {size}: as long as this one.",)
    words = f"Develop {size}: {factor.value:.2f} times as long as this one."
    if abs(factor.value - 1.0) <= LARGEST_STEP:
        return (words,)
    return (words, "That is much for one step: go half the way, measure, and ask again.")


def _why(change: ZoneChange) -> str:
    places = [
        f"{one.x_mm:g}, {one.y_mm:g} mm is on zone {zone_text(one.zone.value)}, wanted on {zone_text(one.wanted)}"
        for one in change.places
    ]
    told = f"{_capital('; '.join(places))}."
    if change.highlight is not None:
        told = f"{told} So exposed, the densest falls on zone {zone_text(change.highlight.falls_on)}."
    if (change.stops.uncertainty or 0.0) > _VAGUE:
        told = f"{told} The subject range may be another: meter it and add --scene-stops for a firmer answer."
    return told


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
