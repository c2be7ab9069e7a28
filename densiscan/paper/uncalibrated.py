"""The test of a paper from a scan without a calibration: what is not known of the scanner is weighed.

A scan holds signals. Between them and density stand the tone curve that the scanner's software laid on, and the little
light, or black level, that lies under the black. Either would be known if it were known how black the paper is. None
is, but not every combination is as likely as another: a scanner's black is near none, a paper's between matt and
glossy. All are tried, each with its weight.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats

_POWERS: Final = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.4, 2.6)
"""Tone curves that scanners lay on the signal, as powers: linear to somewhat more than the usual 2.2."""
_OFFERED: Final = (1.0, 1.8, 2.2)
_RARE: Final = 0.2
"""Scanning software offers linear, 1.8, 2.2 and the curve of screens; another is a fifth as likely as one of them
(common practice)."""
_NAMED: Final = 20.0
"""How much likelier a tone curve is that the scan's colour profile names: software may have left a wrong name."""
_NET_BLACK: Final = (1.75, 0.25)
"""Net maximum density of papers, mean and standard deviation: 1.4 to 1.7 matt, 1.8 to 2.1 glossy (common practice)."""
STATED_DOUBT: Final = 0.05
"""Standard uncertainty of a net maximum density that a person states."""
_FLOOR: Final = (0.003, 0.003)
"""Light under the black, over that of white: 0 to 1 per cent, glare and what is left of the scanner's own black (common
practice)."""
_BLACK_SET: Final = (0.25, 0.03)
"""How likely it is that software has moved the black point, and by how much (standard deviation): one scan in four, as
many programs do it unasked (common practice)."""
_FURTHEST_FLOOR: Final = 0.1
_LEAST_WEIGHT: Final = 2e-3
_DARKEST: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneAndBlack:
    """One combination: a tone curve and a net black, with its weight (all sum to 1).

    `floor` is the light under the black that follows, over that of white; `brightest` the light of the print's white.
    """

    law: Callable[[Floats], Floats]
    floor: float
    brightest: float
    weight: float

    def density(self, signal: Floats) -> Floats:
        """Return densities above the print's white."""
        return np.asarray(-np.log10(self._light(signal)))

    def noise(self, signal: Floats, noise: Floats) -> Floats:
        """Return the noise of those densities, for that of the signals."""
        step = 1e-5
        rise = (self.law(signal + step) - self.law(np.maximum(signal - step, 0.0))) / (2.0 * step)
        scale = self.brightest * (1.0 - self.floor) * math.log(10.0)
        return np.asarray(noise * rise / (self._light(signal) * scale))

    def _light(self, signal: Floats) -> Floats:
        return np.maximum((self.law(signal) / self.brightest - self.floor) / (1.0 - self.floor), _DARKEST)


def ways_of(signal: Floats, *, profile: str | None, net_black: float | None = None) -> tuple[ToneAndBlack, ...]:
    """Return what may lie between signals and densities, the likeliest first; nothing where no paper is so light.

    Parameters
    ----------
    signal
        Of the steps of the print, fractions of full scale, the darkest above 0.
    profile
        Name of the scan's colour profile.
    net_black
        Net maximum density of the paper, where a person knows it.

    Notes
    -----
    The weight of a combination is how likely its net black and its floor are, and how well it foretells the ratio of
    the two signals (JCGM 101:2008, 6.4).
    """
    mean, deviation = _NET_BLACK if net_black is None else (net_black, STATED_DOUBT)
    nets = mean + deviation * np.linspace(-2.4, 2.4, 13)
    darkest, lightest = float(np.min(signal)), float(np.max(signal))
    ways = []
    for law, likely in _laws(profile):
        brightest = float(law(np.array([lightest]))[0])
        black, beside = (float(law(np.array([darkest * more]))[0]) / brightest for more in (1.0, 1.001))
        for net in nets.tolist():
            floor = (black - 10.0**-net) / (1.0 - 10.0**-net)
            if abs(floor) > _FURTHEST_FLOOR:
                continue
            weight = likely * (beside - black) * _bell(net, mean, deviation) * _floor_likely(floor)
            ways.append(ToneAndBlack(law=law, floor=floor, brightest=brightest, weight=weight))
    total = math.fsum(way.weight for way in ways)
    if total <= 0.0:
        return ()
    kept = [way for way in ways if way.weight > _LEAST_WEIGHT * total]
    total = math.fsum(way.weight for way in kept)
    kept = [
        ToneAndBlack(law=way.law, floor=way.floor, brightest=way.brightest, weight=way.weight / total) for way in kept
    ]
    return tuple(sorted(kept, key=lambda way: -way.weight))


def _laws(profile: str | None) -> Iterator[tuple[Callable[[Floats], Floats], float]]:
    name = (profile or "").lower()
    named = re.search(r"gamma\s*=?\s*([12][.,]\d+)", name)
    power = float(named[1].replace(",", ".")) if named else 1.0 if "linear" in name else None
    standard = power is None and "srgb" in name
    for each in _POWERS:
        likely = 1.0 if each in _OFFERED else _RARE
        yield _power(each), _NAMED if power is not None and abs(each - power) < 0.1 else likely
    yield _srgb, _NAMED if standard else 1.0


def _power(power: float) -> Callable[[Floats], Floats]:
    return lambda signal: np.asarray(signal**power)


def _srgb(signal: Floats) -> Floats:
    """Return the light of a signal by the standard curve of screens (published: IEC 61966-2-1)."""
    return np.where(signal <= 0.04045, signal / 12.92, ((signal + 0.055) / 1.055) ** 2.4)


def _bell(value: float, mean: float, deviation: float) -> float:
    return math.exp(-0.5 * ((value - mean) / deviation) ** 2)


def _floor_likely(floor: float) -> float:
    moved, by = _BLACK_SET
    usual = _bell(floor, *_FLOOR) / _FLOOR[1]
    return (1.0 - moved) * usual + moved * _bell(floor, 0.0, by) / by
