"""How contrast grows with the time of development, with temperature, and with how often the developer was used.

Contrast against time is G(t) = Ginf (1 - exp(-k (t - t0))) (published: Sheppard and Mees, Investigations on the Theory
of the Photographic Process, 1907; C. E. K. Mees, Zeitentwicklung, Jahrbuch 25, 1911, p. 167: the rate is proportional
to what is still missing). Temperature and use change the rate of everything, the wait before the image appears
included, so that a time at one temperature and use has its *equal* at another: the same development.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import Influence, Quantity, read_back
from densiscan.development.names import same_name

REFERENCE_C: Final = 20.0
"""Temperature of all charts (common practice)."""

COLDEST_C: Final = 5.0
WARMEST_C: Final = 40.0
"""Film is not developed outside these (common practice; Ives 1920 gives 4 and 32 degrees for two developers)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinetics:
    """What one film does in one developer.

    `contrast_limit` is Ginf, no unit; `rate_per_s` is k by natural logarithms, at 20 C in fresh developer; `wait_s` is
    t0, before which nothing shows; `shape` is the power of all that, 1 for the law as published, as films have other
    shapes too; `per_ten_degrees` is q, the factor of the rate for 10 C more; `loss_per_use` is the part by which the
    time grows, as exp(loss), for every earlier use, `loss_per_day` for every day that it stood.
    """

    contrast_limit: float
    rate_per_s: float
    wait_s: float = 0.0
    per_ten_degrees: float = 2.2
    loss_per_use: float = 0.0
    loss_per_day: float = 0.0
    shape: float = 1.0

    def pace(self, temperature_c: float = REFERENCE_C, use: int = 1) -> float:
        """Return how fast development runs against 20 C in fresh developer that has not stood."""
        warmth = self.per_ten_degrees ** ((temperature_c - REFERENCE_C) / 10.0)
        return float(warmth * math.exp(-self.loss_per_use * (use - 1)))

    def contrast(self, time_s: float, temperature_c: float = REFERENCE_C, use: int = 1) -> float:
        """Return the contrast after a time: 0 until the image appears."""
        equal = time_s * self.pace(temperature_c, use)
        grown = max(-math.expm1(-self.rate_per_s * (equal - self.wait_s)), 0.0)
        return float(self.contrast_limit * grown**self.shape)

    def time_for(self, contrast: float, temperature_c: float = REFERENCE_C, use: int = 1) -> float:
        """Return the time for a contrast, seconds; infinite where this film never reaches it."""
        if contrast >= self.contrast_limit:
            return math.inf
        grown = (max(contrast, 0.0) / self.contrast_limit) ** (1.0 / self.shape)
        equal = self.wait_s - math.log1p(-grown) / self.rate_per_s
        return equal / self.pace(temperature_c, use)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastPoint:
    """A contrast measured by a film test after one development: gradient of net density against log exposure."""

    time_s: float
    temperature_c: float = REFERENCE_C
    use: int = 1
    contrast: Quantity


def contrast_points(document: Mapping[str, Any], *, film: str, developer: str) -> tuple[ContrastPoint, ...]:
    """Return the contrasts that a kept film test tells of a film in a developer; none where it is of another.

    Parameters
    ----------
    document
        Names `film` and `developer`, and has in `developments` one entry for each: `time_s`, `contrast` as a quantity,
        and, unless 20 C and fresh, `temperature_c` and `use`. Other documents tell nothing, and an entry without a time
        or a contrast is passed over.
    """
    if not (same_name(str(document.get("film")), film) and same_name(str(document.get("developer")), developer)):
        return ()
    points = []
    for place, entry in enumerate(document.get("developments") or ()):
        contrast = read_back(entry.get("contrast"), Influence("film test", str(place)))
        if contrast is not None and entry.get("time_s"):
            temperature, use = entry.get("temperature_c"), entry.get("use")
            points.append(
                ContrastPoint(
                    time_s=float(entry["time_s"]),
                    temperature_c=REFERENCE_C if temperature is None else float(temperature),
                    use=1 if use is None else int(use),
                    contrast=contrast,
                )
            )
    return tuple(points)
