"""What the trade reads from a characteristic curve, each by its definition, on a curve of net density.

Every function takes the curve as two arrays, log exposure and density above base plus fog, straight between neighbours,
and returns None where the curve does not reach far enough: nothing is continued beyond the points.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats

SPEED_NET: Final = 0.10
"""Density above base plus fog of the speed point (published: ISO 6)."""
GRADIENT_SPAN: Final = 1.50
"""Log exposure over which the average gradient is taken, from the speed point on (common practice)."""
SPEED_SPAN: Final = 1.30
SPEED_RISE: Final = 0.80
SPEED_RISE_WITHIN: Final = 0.05
"""Contrast condition of ISO 6: 1.30 beyond the speed point the density is 0.80 above it (published); within 0.05 (from
memory)."""
NEAR_ARC: Final = 0.20
FAR_ARC: Final = 2.20
"""Radii of the arcs of the contrast index, axes at equal scale (published: Niederpruem, Nelson and Yule 1966)."""
SHORT_ARC: Final = 2.00
"""Radius of the one arc of the short method (from memory: the same authors' simpler way)."""
STRAIGHT_SHARE: Final = 0.95
"""Part of the steepest slope from which the curve counts as straight (common practice: within 5 %)."""
_CLEAR_OF_BENDS: Final = 0.05
_NONE: Final = 1e-13
_MOST_STEPS: Final = 80

ISO_SERIES: Final = (
    *(0.8, 1.0, 1.2, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0),
    *(8, 10, 12, 16, 20, 25, 32, 40, 50, 64),
    *(80, 100, 125, 160, 200, 250, 320, 400, 500, 640),
    *(800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400),
)
"""Arithmetic speeds of 0, 1, 2 ... degrees (published in part: 0.8/0, 100/21, 200/24; the rest by the series)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arcs:
    """A construction of the contrast index: centre of the arcs and where they cut the curve, as (log exposure, net)."""

    centre: tuple[float, float]
    near: tuple[float, float]
    far: tuple[float, float]

    @property
    def slope(self) -> float:
        """The contrast index: slope of the line through both points."""
        return (self.far[1] - self.near[1]) / (self.far[0] - self.near[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class IsoSpeed:
    """A speed: from the standard's series, in degrees, and as computed."""

    arithmetic: float
    degrees: int
    exact: float


def place_of(x: Floats, net: Floats, density: float) -> float | None:
    """Return the log exposure that gives a net density, None where the curve does not cross it.

    Where the curve runs level at that density, the last such place: from there on it rises.
    """
    above = np.flatnonzero(net > density)
    if not above.size or above[0] == 0:
        return None
    k = int(above[0])
    share = (density - float(net[k - 1])) / float(net[k] - net[k - 1])
    return float(x[k - 1]) + share * float(x[k] - x[k - 1])


def net_at(x: Floats, net: Floats, place: float) -> float | None:
    """Return the net density at a log exposure, None beyond the curve."""
    beyond = place < float(x[0]) - 1e-9 or place > float(x[-1]) + 1e-9
    return None if beyond else float(np.interp(place, x, net))


def speed_point(x: Floats, net: Floats) -> float | None:
    """Return the log exposure of the speed point, 0.10 above base plus fog (ISO 6)."""
    return place_of(x, net, SPEED_NET)


def straight_part(x: Floats, net: Floats) -> tuple[float, float]:
    """Return the ends of the straight part: the stretch about the steepest place whose slope falls short by 5 %."""
    slopes = np.diff(net) / np.diff(x)
    steepest = int(np.argmax(slopes))
    steep = slopes >= STRAIGHT_SHARE * slopes[steepest]
    before = np.flatnonzero(~steep[:steepest])
    after = np.flatnonzero(~steep[steepest:])
    first = int(before[-1]) + 1 if before.size else 0
    last = steepest + int(after[0]) if after.size else slopes.size
    low, high = float(x[first]), float(x[last])
    # A sharp foot lies somewhere in the last interval: the ends keep clear of it.
    clear = _CLEAR_OF_BENDS if high - low > 6.0 * _CLEAR_OF_BENDS else 0.0
    return low + clear * bool(before.size), high - clear * bool(after.size)


def gradient(x: Floats, net: Floats, ends: tuple[float, float]) -> float | None:
    """Return the slope of the line between two places of the curve; over the straight part this is gamma."""
    low, high = net_at(x, net, ends[0]), net_at(x, net, ends[1])
    return None if low is None or high is None else (high - low) / (ends[1] - ends[0])


def inertia(x: Floats, net: Floats, ends: tuple[float, float]) -> float | None:
    """Return the log exposure where the straight part, continued down, meets base plus fog (Hurter and Driffield)."""
    slope, low = gradient(x, net, ends), net_at(x, net, ends[0])
    return None if slope is None or low is None or slope <= 0.0 else ends[0] - low / slope


@dataclass(frozen=True, slots=True, kw_only=True)
class InertiaSpeeds:
    """Speeds of old plates, by three numbers of their time."""

    hurter_driffield: float
    watkins: float
    wynne: float


def inertia_speeds(exposure: float) -> InertiaSpeeds:
    """Return the historical speeds for an inertia in candle metre seconds (the lux second of today).

    References
    ----------
    M. J. Martin, Wireless Transmission of Photographs, 2nd ed. 1919, pp. 104-106: H and D is 34 over the inertia, the
    Watkins number 50 over it, the Wynne number 6.4 times the square root of that. Published example: 1/5 gives 170, 250
    and 101.
    """
    watkins = 50.0 / exposure
    return InertiaSpeeds(hurter_driffield=34.0 / exposure, watkins=watkins, wynne=6.4 * math.sqrt(watkins))


def average_gradient(x: Floats, net: Floats) -> float | None:
    """Return the slope from the speed point to the curve 1.50 log exposure further (common practice)."""
    start = speed_point(x, net)
    return None if start is None else gradient(x, net, (start, start + GRADIENT_SPAN))


def arcs(x: Floats, net: Floats) -> Arcs | None:
    """Return the construction of the contrast index.

    Two arcs of radius 0.20 and 2.20 about one point of the base-plus-fog line cut the curve in two points that lie on
    one line with that centre; the slope of the line is the contrast index.

    References
    ----------
    Niederpruem, Nelson and Yule (1966), Photographic Science and Engineering 10: the contrast index.
    """
    # Further right, the near point is steeper seen from the centre than the far point.
    centre = _root(lambda place: _turn(x, net, place), float(x[0]) - NEAR_ARC, float(x[-1]))
    cuts = None if centre is None else _cuts(x, net, centre)
    if centre is None or cuts is None:
        return None
    return Arcs(centre=(centre, 0.0), near=cuts[0], far=cuts[1])


def contrast_index(x: Floats, net: Floats) -> float | None:
    """Return the contrast index by true arcs; see `arcs`."""
    drawn_arcs = arcs(x, net)
    return None if drawn_arcs is None else drawn_arcs.slope


def short_arc(x: Floats, net: Floats) -> Arcs | None:
    """Return the construction of the short method: one arc of radius 2.00 about the speed point."""
    start = speed_point(x, net)
    if start is None:
        return None
    far = _cut(x, net, (start, SPEED_NET), SHORT_ARC)
    return None if far is None else Arcs(centre=(start, SPEED_NET), near=(start, SPEED_NET), far=far)


def contrast_index_short(x: Floats, net: Floats) -> float | None:
    """Return the contrast index by the short method, which is close to that by true arcs for usual curves."""
    line = short_arc(x, net)
    return None if line is None else line.slope


def rise_beyond(x: Floats, net: Floats) -> float | None:
    """Return the density above the speed point at 1.30 log exposure beyond it: 0.80 for an ISO speed."""
    start = speed_point(x, net)
    end = None if start is None else net_at(x, net, start + SPEED_SPAN)
    return None if end is None else end - SPEED_NET


def exposure_span(x: Floats, net: Floats, density_range: float) -> float | None:
    """Return the log exposure range, from the speed point on, over which the film gains a density range."""
    start, end = speed_point(x, net), place_of(x, net, SPEED_NET + density_range)
    return None if start is None or end is None else end - start


def iso_speed(speed_log_exposure: float) -> IsoSpeed | None:
    """Return the speed for log10 of the exposure (lux seconds) at the speed point; None beyond the standard's series.

    References
    ----------
    ISO 6: S = 0.8 / Hm; degrees are those of the series, 10 log10 S + 1 of its rounded values, the same as
    -10 log10 Hm rounded. Published check: Hm = 0.0064 lx s gives 125.
    """
    degrees = math.floor(-10.0 * speed_log_exposure + 0.5)
    if not 0 <= degrees < len(ISO_SERIES):
        return None
    return IsoSpeed(arithmetic=ISO_SERIES[degrees], degrees=degrees, exact=0.8 / 10.0**speed_log_exposure)


def _cut(x: Floats, net: Floats, centre: tuple[float, float], radius: float) -> tuple[float, float] | None:
    """Return where the curve, right of a centre, leaves the circle about it for good."""
    away = np.hypot(x - centre[0], net - centre[1])
    outside = (away > radius) & (x > centre[0])
    if not outside.any():
        return None
    k = int(np.argmax(outside))
    if k == 0 or x[k] <= centre[0]:
        return None
    (x0, y0), (x1, y1) = ((float(x[i]) - centre[0], float(net[i]) - centre[1]) for i in (k - 1, k))
    dx, dy = x1 - x0, y1 - y0
    a, b, c = dx * dx + dy * dy, x0 * dx + y0 * dy, x0 * x0 + y0 * y0 - radius * radius
    share = (-b + math.sqrt(max(b * b - a * c, 0.0))) / a
    return centre[0] + x0 + share * dx, centre[1] + y0 + share * dy


def _cuts(x: Floats, net: Floats, centre: float) -> tuple[tuple[float, float], tuple[float, float]] | None:
    near, far = _cut(x, net, (centre, 0.0), NEAR_ARC), _cut(x, net, (centre, 0.0), FAR_ARC)
    return None if near is None or far is None else (near, far)


def _turn(x: Floats, net: Floats, centre: float) -> float:
    """Return by how much steeper the near point lies, seen from a centre, than the far point; above 0 too far right.

    Left of the curve the near arc meets only the base-plus-fog line; right of where the far arc still reaches the
    curve, the centre counts as too far right.
    """
    far = _cut(x, net, (centre, 0.0), FAR_ARC)
    if far is None:
        return math.inf
    near = _cut(x, net, (centre, 0.0), NEAR_ARC) or (centre + NEAR_ARC, 0.0)
    return near[1] / NEAR_ARC - far[1] / FAR_ARC


def _root(rising: Callable[[float], float], low: float, high: float) -> float | None:
    """Return where a rising function is 0, None where it jumps over it or does not get there.

    False position with the stale end halved (the Illinois way; Dowell and Jarratt 1971, BIT 11), by halving the bracket
    while an end is infinite.
    """
    at_low, at_high = rising(low), rising(high)
    if at_low > 0.0 or at_high < 0.0:
        return None
    place, value, side = low, at_low, 0
    for _ in range(_MOST_STEPS):
        finite = math.isfinite(at_high) and at_high > at_low
        place = (low * at_high - high * at_low) / (at_high - at_low) if finite else 0.5 * (low + high)
        value = rising(place)
        if abs(value) <= _NONE or high - low < _NONE:
            break
        if value > 0.0:
            high, at_high = place, value
            at_low *= 0.5 if side > 0 else 1.0
        else:
            low, at_low = place, value
            at_high *= 0.5 if side < 0 else 1.0
        side = 1 if value > 0.0 else -1
    return place if abs(value) < 1e-9 else None
