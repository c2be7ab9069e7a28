"""On which zone a place of a negative lies, and what would put it on another.

A zone is a stop of exposure (common practice). Zone I is where the least density that prints is reached, and from there
net density rises along a straight line with the negative's contrast.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.arithmetic.units import SPEED_POINT_ZONE, STOP
from densiscan.development.exposure import SPEED_POINT
from densiscan.development.verdict import TIME_POWER, TIME_POWER_DOUBT, DevelopmentAdvice
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from densiscan.film.exposing import Highlight


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedZone:
    """A place and the zone, 0 to 10, that it is wanted on; its net density, None where that is not known.

    Positions are mm from the top left corner of the scan.

    Raises
    ------
    WrongUseError
        If there is no such zone.

    Examples
    --------
    >>> WantedZone(x_mm=20, y_mm=31, wanted=3, net=Quantity(0.25)).wanted
    3
    """

    x_mm: float
    y_mm: float
    wanted: float
    net: Quantity | None = None

    def __post_init__(self) -> None:
        from densiscan.film.exposing import HIGHEST_ZONE

        if not 0.0 <= self.wanted <= HIGHEST_ZONE:
            raise WrongUseError(f"`zones` {self.wanted:g} is not a zone; give 0 to {HIGHEST_ZONE:g}, such as 3.")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedZone:
    """A place on the scale of zones: where it lies, where it is wanted, where the change of exposure puts it.

    Examples
    --------
    >>> one = PlacedZone(x_mm=20, y_mm=31, zone=Quantity(2.0), wanted=3, exposed_on=3)
    >>> print(f"{one.wanted - one.zone:.1f} stops more")
    1.0 stops more
    """

    x_mm: float
    y_mm: float
    zone: Quantity
    wanted: float
    exposed_on: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneChange:
    """What puts places of a negative on the zones wanted.

    Attributes
    ----------
    stops
        More exposure, minus: less, for the place that is wanted lowest.
    places
        In the order of the zones wanted.
    highlight
        Where that exposure puts the place wanted highest, and the contrast that brings it where it is wanted; None for
        one place, which exposure alone puts right.
    time_factor
        Times the time that this negative was developed, None with `highlight`.

    Examples
    --------
    >>> shadow = WantedZone(x_mm=60, y_mm=60, wanted=3)
    >>> task = Task(options=MeasureOptions(spots_mm=((60, 60),)), aim=PrintAim(scene_stops=7), zones=(shadow,))
    >>> (assessment,) = measure_files("normal.tif", read_calibration("mine.json"), task).assessments
    >>> print(f"{assessment.zones.stops:.1f} stops more")
    0.6 ± 0.2 stops more
    """

    stops: Quantity
    places: tuple[PlacedZone, ...]
    highlight: Highlight | None = None
    time_factor: Quantity | None = None


def zone_line(contrast: float) -> tuple[float, float]:
    """Return the zone of net density 0 on the straight line, and zones a unit of density, at this contrast above 0."""
    slope = 1.0 / (contrast * STOP)
    return SPEED_POINT_ZONE - SPEED_POINT * slope, slope


def zone_of(net: Quantity, contrast: Quantity) -> Quantity:
    """Return the zone of a net density in a negative of this contrast above 0.

    Examples
    --------
    >>> print(f"{zone_of(Quantity(0.25), Quantity(0.5)):.1f}")
    2.0
    """
    start, slope = zone_line(contrast.value)
    above = net.value - SPEED_POINT
    return net.through(start + slope * net.value, slope) + contrast.through(0.0, -above * slope / contrast.value)


def zone_change(wanted: Sequence[WantedZone], development: DevelopmentAdvice) -> ZoneChange | None:
    """Return what puts places on the zones wanted; None where a net density or the contrast is not known.

    Parameters
    ----------
    wanted
        One place or more; of several, exposure is for the lowest zone, development for the highest.
    development
        The verdict on the same negative: its contrast and the one aimed at.

    Raises
    ------
    WrongUseError
        If several are wanted on one zone, or a thinner place on a higher zone than a denser one.
    """
    from densiscan.film.exposing import Highlight

    contrast = development.contrast
    if not wanted or contrast is None or contrast.value <= 0.0:
        return None
    zones = []
    for one in sorted(wanted, key=lambda one: one.wanted):
        if one.net is None:
            return None
        zones.append((one, zone_of(one.net, contrast)))
    (low, low_zone), (high, high_zone) = zones[0], zones[-1]
    stops = -low_zone + low.wanted
    places = tuple(
        PlacedZone(
            x_mm=one.x_mm,
            y_mm=one.y_mm,
            zone=zone,
            wanted=one.wanted,
            exposed_on=zone.value + low.wanted - low_zone.value,
        )
        for one, zone in zones
    )
    if len(zones) == 1:
        return ZoneChange(stops=stops, places=places)
    apart = high_zone - low_zone
    if apart.value <= 0.0 or high.wanted <= low.wanted:
        raise WrongUseError(
            "a denser place needs a higher zone than a thinner one: development spreads tones, never swaps them."
        )
    factor = (high.wanted - low.wanted) / apart.value
    highlight = Highlight(
        falls_on=places[-1].exposed_on,
        wanted=high.wanted,
        stops=high.wanted - places[-1].exposed_on,
        contrast_factor=factor,
    )
    return ZoneChange(stops=stops, places=places, highlight=highlight, time_factor=_time_factor(low, high, development))


def _time_factor(low: WantedZone, high: WantedZone, development: DevelopmentAdvice) -> Quantity | None:
    """Return how many times as long to develop, so that the two lie so many zones apart at the contrast aimed at.

    Contrast goes as the difference of density, whatever the subject was: only the two densities make it uncertain.
    """
    if low.net is None or high.net is None:
        return None
    apart = high.net - low.net
    change = development.target_contrast * (high.wanted - low.wanted) * STOP / apart.value
    value = change**TIME_POWER
    time = apart.through(value, -TIME_POWER * value / apart.value)
    return time.with_part(Influence("time for contrast"), abs(math.log(change)) * value * TIME_POWER_DOUBT)
