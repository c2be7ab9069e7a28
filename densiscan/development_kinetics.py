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

from densiscan.errors import WrongUseError
from densiscan.quantity import Influence, Quantity, read_back

REFERENCE_C: Final = 20.0
"""Temperature of all charts (common practice)."""

COLDEST_C: Final = 5.0
WARMEST_C: Final = 40.0
"""Film is not developed outside these (common practice; Ives 1920 gives 4 and 32 degrees for two developers)."""

_SECONDS_PER_MINUTE: Final = 60.0
_LN10: Final = math.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinetics:
    """What one film does in one developer.

    `contrast_limit` is Ginf, no unit; `rate_per_s` is k by natural logarithms, at 20 C in fresh developer; `wait_s` is
    t0, before which nothing shows; `per_ten_degrees` is q, the factor of the rate for 10 C more; `loss_per_use` is the
    part by which the time grows, as exp(loss), for every earlier use.
    """

    contrast_limit: float
    rate_per_s: float
    wait_s: float = 0.0
    per_ten_degrees: float = 2.2
    loss_per_use: float = 0.0

    def pace(self, temperature_c: float = REFERENCE_C, use: int = 1) -> float:
        """Return how fast development runs against 20 C in fresh developer."""
        warmth = self.per_ten_degrees ** ((temperature_c - REFERENCE_C) / 10.0)
        return float(warmth * math.exp(-self.loss_per_use * (use - 1)))

    def contrast(self, time_s: float, temperature_c: float = REFERENCE_C, use: int = 1) -> float:
        """Return the contrast after a time: 0 until the image appears."""
        equal = time_s * self.pace(temperature_c, use)
        return self.contrast_limit * max(-math.expm1(-self.rate_per_s * (equal - self.wait_s)), 0.0)

    def time_for(self, contrast: float, temperature_c: float = REFERENCE_C, use: int = 1) -> float:
        """Return the time for a contrast, seconds; infinite where this film never reaches it."""
        if contrast >= self.contrast_limit:
            return math.inf
        equal = self.wait_s - math.log1p(-max(contrast, 0.0) / self.contrast_limit) / self.rate_per_s
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
    named = (str(document.get("film")).casefold(), str(document.get("developer")).casefold())
    if named != (film.casefold(), developer.casefold()):
        return ()
    found = []
    for place, entry in enumerate(document.get("developments") or ()):
        contrast = read_back(entry.get("contrast"), Influence("film test", str(place)))
        if contrast is not None and entry.get("time_s"):
            temperature, use = entry.get("temperature_c"), entry.get("use")
            found.append(
                ContrastPoint(
                    time_s=float(entry["time_s"]),
                    temperature_c=REFERENCE_C if temperature is None else float(temperature),
                    use=1 if use is None else int(use),
                    contrast=contrast,
                )
            )
    return tuple(found)


def rate_from_common_logs(per_minute: float) -> float:
    """Return k in 1/s by natural logarithms from a velocity factor in common logarithms a minute.

    References
    ----------
    H. E. Ives, Airplane Photography, 1920, gives velocity factors of two developers. Only as common logarithms a minute
    do they lead both to one contrast after their Watkins times (1.138 and 1.136).
    """
    return per_minute * _LN10 / _SECONDS_PER_MINUTE


def from_two_times(contrast: float, contrast_at_twice: float, time_s: float) -> Kinetics:
    """Return the law through two contrasts, one at a time and one at twice that time, without a wait.

    Raises
    ------
    WrongUseError
        If the second is not between the first and twice the first: no such law passes through them.

    References
    ----------
    The method of two times, Sheppard and Mees: Ginf = g1^2 / (2 g1 - g2), k = -ln(g2 / g1 - 1) / t.
    """
    if not 0.0 < contrast < contrast_at_twice < 2.0 * contrast or time_s <= 0.0:
        raise WrongUseError(
            f"contrasts of {contrast:g} and, after twice the time, {contrast_at_twice:g} follow no law of development; "
            "the second must lie between the first and twice the first."
        )
    return Kinetics(
        contrast_limit=contrast**2 / (2.0 * contrast - contrast_at_twice),
        rate_per_s=-math.log(contrast_at_twice / contrast - 1.0) / time_s,
    )


def factor_per_ten_degrees(*, time_s: float, temperature_c: float, other_time_s: float, other_c: float) -> float:
    """Return q, the factor of the rate for 10 C, from two times that do the same at two temperatures.

    Raises
    ------
    WrongUseError
        If the temperatures are equal or a time is not positive.

    References
    ----------
    E. J. Wall, Jahrbuch 24, 1910, p. 44: (log T - log t) / Z x 10 with Z the difference of temperature.
    """
    if temperature_c == other_c or min(time_s, other_time_s) <= 0.0:
        raise WrongUseError("two positive times at two different temperatures are needed to tell what warmth does.")
    return float((time_s / other_time_s) ** (10.0 / (other_c - temperature_c)))
