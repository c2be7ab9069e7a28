"""True figures of a rendered film's curve, by definitions written a second time, without the code that is tested."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from tests.renderer.film import FilmCurve

PLACES = 20_001


class TrueFilm:
    """A curve of net density as a function, with the figures of the trade by search."""

    def __init__(self, net: Callable[[float], float], reach: tuple[float, float]) -> None:
        self.net = net
        self.reach = reach

    @classmethod
    def of(cls, curve: FilmCurve, reach: tuple[float, float]) -> TrueFilm:
        """The curve of a rendered film, in double precision between fine places."""
        x = np.linspace(reach[0] - 0.5, reach[1] + 0.5, PLACES)
        y = np.asarray(curve.net(x.astype(np.float32)), np.float64)
        return cls(lambda place: float(np.interp(place, x, y)), reach)

    def _solve(self, function: Callable[[float], float], low: float, high: float) -> float:
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if function(middle) < 0.0 else (low, middle)
        return 0.5 * (low + high)

    def place(self, density: float) -> float:
        """Log exposure that gives a net density."""
        return self._solve(lambda x: self.net(x) - density, self.reach[0] - 0.4, self.reach[1] + 0.4)

    @property
    def speed(self) -> float:
        return self.place(0.10)

    @property
    def gamma(self) -> float:
        """Steepest slope over a fifth of a log unit, within the exposures given."""
        places = np.arange(self.reach[0], self.reach[1] - 0.2, 0.01)
        return max((self.net(float(x) + 0.2) - self.net(float(x))) / 0.2 for x in places)

    def straight(self, low: float, high: float) -> float:
        """Mean slope between two places."""
        return (self.net(high) - self.net(low)) / (high - low)

    @property
    def average_gradient(self) -> float | None:
        start = self.speed
        return None if start + 1.5 > self.reach[1] else (self.net(start + 1.5) - 0.10) / 1.5

    def span(self, density: float) -> float:
        """Log exposure from the speed point over which a density range is gained."""
        return self.place(0.10 + density) - self.speed

    def _height(self, centre: tuple[float, float], radius: float) -> float:
        """Angle at which a circle about a centre meets the curve right of it."""

        def above(angle: float) -> float:
            return centre[1] + radius * math.sin(angle) - self.net(centre[0] + radius * math.cos(angle))

        return self._solve(above, -0.5 * math.pi, 0.5 * math.pi)

    @property
    def contrast_index(self) -> float | None:
        def turn(centre: float) -> float:
            return self._height((centre, 0.0), 0.20) - self._height((centre, 0.0), 2.20)

        centre = self._solve(turn, self.reach[0] - 0.2, self.speed + 0.2)
        angle = self._height((centre, 0.0), 2.20)
        return None if centre + 2.20 * math.cos(angle) > self.reach[1] else math.tan(angle)

    @property
    def contrast_index_short(self) -> float | None:
        start = self.speed
        angle = self._height((start, 0.10), 2.00)
        return None if start + 2.00 * math.cos(angle) > self.reach[1] else math.tan(angle)
