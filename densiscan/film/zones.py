"""A film's own zones as densities: by its curve, a stop each from the speed point, which is zone I."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Quantity
from densiscan.arithmetic.units import SPEED_POINT_ZONE, STOP
from densiscan.errors import MeasureError
from densiscan.film import definitions
from densiscan.film.exposing import HIGHEST_ZONE
from densiscan.film.speed_and_contrast import FilmTest, figure_on

ZONES: Final = tuple(range(int(HIGHEST_ZONE) + 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmZone:
    """One zone: its density above base plus fog; None where the film test does not reach it."""

    zone: int
    net: Quantity | None


def film_zones(test: FilmTest) -> tuple[FilmZone, ...]:
    """Return zones 0 to X of a film that was tested.

    Raises
    ------
    MeasureError
        If base plus fog or the speed point is not known: there is nothing to count from.

    Examples
    --------
    >>> from densiscan.film.speed_and_contrast import CurvePoint, film_test
    >>> steps = enumerate([0.20, 0.20, 0.24, 0.36, 0.53, 0.71, 0.89, 1.07, 1.25])
    >>> points = [CurvePoint(step=str(k), log_exposure=Quantity(0.3 * k), density=Quantity(read)) for k, read in steps]
    >>> [f"{zone.zone}: {zone.net:.2f}" for zone in film_zones(film_test(points))[1:4]]
    ['1: 0.10 ± 0.01', '2: 0.25 ± 0.01', '3: 0.43 ± 0.01']
    """
    if test.speed_log_exposure is None or test.base_plus_fog is None:
        raise MeasureError(
            "zones count from the speed point, and base plus fog is not known; give `base_plus_fog`, or expose down to "
            "clear film."
        )
    return tuple(FilmZone(zone=zone, net=_net(test, zone)) for zone in ZONES)


def _net(test: FilmTest, zone: int) -> Quantity | None:
    def net(places: Floats, densities: Floats) -> float | None:
        speed = definitions.speed_point(places, densities)
        return (
            None if speed is None else definitions.net_at(places, densities, speed + (zone - SPEED_POINT_ZONE) * STOP)
        )

    return figure_on(test.curve, net, by_base=True)
