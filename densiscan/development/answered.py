"""What a negative answers to the exposure that was kept for it: on which zone the metered place came out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from densiscan.arithmetic.quantity import Quantity
from densiscan.arithmetic.units import SPEED_POINT_ZONE
from densiscan.development.exposure import stops_above_speed_point
from densiscan.errors import WrongUseError

_SHADOWS: Final = 4.0
"""Up to this zone a metered place is a shadow, which the darkest hundredth of the frame stands for."""
_HIGHLIGHTS: Final = 7.0

Place = Literal["spot", "shadow", "highlight"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptExposure:
    """An exposure as the notebook has it: its sheet's number, and the zone on which the metered place was put."""

    sheet: str
    zone: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetAnswer:
    """What became of it.

    Attributes
    ----------
    came_out
        The zone of the place on the negative, by its net density and the typical film curve.
    stops_over
        That less the zone metered: above zero it got more light than was meant.
    by
        Where the density was read: a spot, or the frame's shadow or highlight where none was given.
    """

    sheet: str
    zone: float
    came_out: Quantity
    stops_over: Quantity
    by: Place


def kept_exposure(sheet: str, document: Mapping[str, Any] | None) -> KeptExposure:
    """Return the exposure of a sheet from its document in the notebook.

    Raises
    ------
    WrongUseError
        If there is none, or it says no zone.
    """
    zone = (document or {}).get("zone")
    if not isinstance(zone, int | float):
        raise WrongUseError(
            f"no exposure is kept for `sheet` {sheet}; give its number with `keep` when you work out an exposure."
        )
    return KeptExposure(sheet=sheet, zone=float(zone))


def sheet_answer(exposure: KeptExposure, net: Mapping[Place, Quantity | None]) -> SheetAnswer:
    """Return what a negative says of its exposure.

    Parameters
    ----------
    net
        Densities above base plus fog: of the first spot, of shadow and highlight. The spot goes first; without one, a
        place metered up to zone 4 is taken for the shadow, from zone 7 on for the highlight.

    Raises
    ------
    WrongUseError
        If there is nothing to go by.
    """
    place: Place = "spot"
    if net.get("spot") is None:
        place = "shadow" if exposure.zone <= _SHADOWS else "highlight" if exposure.zone >= _HIGHLIGHTS else "spot"
    density = net.get(place)
    if density is None:
        raise WrongUseError(
            f"nothing tells how the metered place of sheet {exposure.sheet} came out; name it with `spots_mm`, and "
            "scan the rebate too."
        )
    came_out = stops_above_speed_point(density) + SPEED_POINT_ZONE
    return SheetAnswer(
        sheet=exposure.sheet, zone=exposure.zone, came_out=came_out, stops_over=came_out - exposure.zone, by=place
    )
