"""Which exposure index to use next: that of the last runs, moved by how far their shadows lie from the right place."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import Influence, Quantity, read_back

_THIRD: Final = 1.0 / 3.0

SPEED_A_STOP: Final = _THIRD
"""Stops of speed that go with a stop of contrast: N-1 wants a third of a stop more exposure, N+1 a third less (common
practice)."""

_USUAL: Final = 100.0
_LARGEST_CHANGE_STOPS: Final = 1.0
"""No more than a stop in one step (common practice)."""

_SCATTER_STOPS: Final = 0.4
"""Standard uncertainty of one frame's exposure against its meter's reading: shutter, metering (common practice)."""

_BELIEVED_STOPS: Final = 0.7
"""Standard uncertainty of a person's own index before anything is known; little evidence moves it little."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShadowRead:
    """One negative's exposure against a normal one, in stops: minus is too little; with the index it was exposed at."""

    stops: Quantity
    exposure_index: float


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexAdvice:
    """The exposure index to use next; `stops` is how far the last was off, as `negatives` tell; None where none do."""

    exposure_index: float
    last_index: float
    stops: Quantity | None
    negatives: int
    words: str


def shadow_read(reading: Mapping[str, Any] | None, exposure_index: float | None) -> ShadowRead | None:
    """Return what a reading, as the document that `measure` makes of it, says of the exposure; None where nothing.

    A limit says which way, but not how far: it is passed over, as is an exposure that was not judged.
    """
    exposure = (reading or {}).get("exposure") or {}
    stops = read_back(exposure.get("stops"), Influence("exposure"))
    if exposure_index is None or stops is None or stops.parts is None:
        return None
    return ShadowRead(stops=stops, exposure_index=exposure_index)


def index_advice(read: Sequence[ShadowRead], last: float | None) -> IndexAdvice | None:
    """Return the index to use next; None where none is known, the last one where no negative tells more.

    Parameters
    ----------
    last
        The index of the last run that has one.
    read
        Of one film in one developer, the latest last. Each tells which index would have been right: the one it was
        exposed at, times 2 to the power of its stops. They are weighed by their doubt, against the belief that the
        last index is right within 0.7 stop; the change is at most a stop.
    """
    if last is None:
        return None
    if not read:
        words = f"keep the index {last:g}: no shadow was measured into a run yet"
        return IndexAdvice(exposure_index=last, last_index=last, stops=None, negatives=0, words=words)
    weights, sums = [1.0 / _BELIEVED_STOPS**2], [0.0]
    for one in read:
        weight = 1.0 / ((one.stops.standard_uncertainty or 0.5) ** 2 + _SCATTER_STOPS**2)
        weights.append(weight)
        sums.append(weight * (one.stops.value + math.log2(one.exposure_index / last)))
    mean = math.fsum(sums) / math.fsum(weights)
    doubt = math.fsum(weights) ** -0.5
    change = min(max(round(mean / _THIRD) * _THIRD, -_LARGEST_CHANGE_STOPS), _LARGEST_CHANGE_STOPS)
    if abs(mean) <= doubt:
        change = 0.0
    following = nominal_index(last * 2.0**change)
    stops = Quantity(mean, {Influence("exposure"): doubt})
    return IndexAdvice(
        exposure_index=following,
        last_index=last,
        stops=stops,
        negatives=len(read),
        words=_words(last, following, change, stops, len(read)),
    )


def exposure_words(speed_stops: float) -> str:
    """Return how much exposure goes with a film so many stops faster, to a third of a stop: "2/3 stop more"."""
    thirds = round(abs(speed_stops) / _THIRD)
    if thirds == 0:
        return "the same"
    whole, rest = divmod(thirds, 3)
    number = " ".join([*([str(whole)] if whole else []), *([f"{rest}/3"] if rest else [])])
    return f"{number} stop{'s' * (thirds > 3)} {'less' if speed_stops > 0.0 else 'more'}"


def nominal_index(value: float) -> float:
    """Return an index as meters have it, in thirds of a stop from 100: 64, 80, 100, 125 and so on.

    References
    ----------
    The arithmetic scale of ISO 6 goes in steps of the tenth root of ten, rounded; 100 lies on it.
    """
    step = round(10.0 * math.log10(value / _USUAL))
    digits = (1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0)[step % 10]
    return float(digits * 10.0 ** (2 + step // 10))


def _words(last: float, following: float, change: float, stops: Quantity, count: int) -> str:
    side = "more" if stops.value >= 0.0 else "less"
    of = f"{count} negative{'s' if count > 1 else ''}"
    found = f"{of} had {abs(stops.value):.1f} ± {stops.uncertainty or 0.0:.1f} stops {side} than a normal exposure"
    if change == 0.0:
        return f"keep the index {last:g}: {found}"
    return f"use index {following:g} instead of {last:g}: {found}"
