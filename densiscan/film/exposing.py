"""From the meter to the shutter: what film, aperture, filter, bellows and zone change in a metered time.

Sources stand beside the formulas.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Quantity
from densiscan.errors import WrongUseError
from densiscan.film.reciprocity import Reciprocity, shorter_development

MIDDLE_ZONE: Final = 5.0
"""The zone that a meter's reading prints as: middle gray (common practice)."""
FULL_TONE_ZONE: Final = 8.0
"""The lightest zone with texture, where a highlight usually is to fall (common practice)."""
HIGHEST_ZONE: Final = 10.0

What = Literal["film index", "aperture", "filter", "bellows", "zone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StopsMore:
    """One reason to give more (above zero) or less light than the meter says, in stops."""

    what: What
    stops: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Highlight:
    """Where a second reading falls, and where it is wanted.

    `stops` is the change of the negative's contrast that brings it there, N plus or minus; `contrast_factor` the same
    as a factor of the usual contrast.

    Examples
    --------
    >>> Highlight(falls_on=9.0, wanted=8.0, stops=-1.0, contrast_factor=5 / 6).stops
    -1.0
    """

    falls_on: float
    wanted: float
    stops: float
    contrast_factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Metered:
    """A reading of the meter: seconds at an f-number, for an exposure index."""

    seconds: float
    f_number: float
    index: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSetting:
    """What is set, and what stands between the subject and the film.

    Attributes
    ----------
    f_number, index
        As set, and as the film is rated.
    filter_factors
        By how many times each filter lengthens the exposure.
    magnification
        Size of the image against the subject, m; the bellows cost (1 + m)^2. None: the subject is far.
    zone
        Where the metered place is to fall, 0 to 10.
    """

    f_number: float
    index: float
    filter_factors: tuple[float, ...] = ()
    magnification: float | None = None
    zone: float = MIDDLE_ZONE


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraExposure:
    """What to give.

    `changes` tell what moved the meter's time to `metered_s`; `time_s` is what to give for it, reciprocity failure
    included; `shorter_development` the part by which development is shortened for a long exposure.
    """

    changes: tuple[StopsMore, ...]
    metered_s: float
    time_s: Quantity
    shorter_development: float
    highlight: Highlight | None = None


def magnification_of(focal_mm: float, extension_mm: float) -> float:
    """Return the magnification at which a lens stands that far from the film: extension / focal length - 1.

    Raises
    ------
    WrongUseError
        If the lens stands nearer than its focal length: no image is sharp there.
    """
    if extension_mm < focal_mm:
        raise WrongUseError(
            f"`extension_mm` {extension_mm:g} is shorter than the focal length {focal_mm:g}; measure from the middle "
            "of the lens to the film."
        )
    return extension_mm / focal_mm - 1.0


def filter_stops(factor: float) -> float:
    """Return by how many stops a filter lengthens the exposure, from its factor."""
    return math.log2(factor)


def bellows_stops(magnification: float) -> float:
    """Return by how many stops the bellows lengthen the exposure: light falls off as (1 + m) squared."""
    return 2.0 * math.log2(1.0 + magnification)


def bellows_extension(focal_mm: float, stops: float) -> float:
    """Return how far a lens stands from the film where the bellows cost so many stops, mm.

    Examples
    --------
    At the size of the subject the lens stands at twice its focal length, which costs two stops.

    >>> bellows_extension(150.0, 2.0)
    300.0
    """
    return focal_mm * math.exp2(0.5 * stops)


def camera_exposure(
    metered: Metered,
    setting: CameraSetting,
    reciprocity: Reciprocity,
    *,
    highlight: Metered | None = None,
    highlight_zone: float = FULL_TONE_ZONE,
) -> CameraExposure:
    """Return the exposure for a reading of the meter.

    Parameters
    ----------
    highlight
        A second reading, of the brightest place that is to keep its tone.
    highlight_zone
        Where that is wanted.

    Notes
    -----
    A time goes as the square of the f-number and against the index (published: the definitions of ISO 517 and ISO 6).
    With the bellows out the lens is (1 + m) times its focal length from the film, and light falls off as the square of
    the distance. A zone is a stop (common practice).

    Examples
    --------
    >>> from densiscan.film.reciprocity import usual_reciprocity
    >>> exposure = camera_exposure(
    ...     Metered(seconds=1 / 60, f_number=16.0, index=100.0),
    ...     CameraSetting(f_number=32.0, index=50.0, filter_factors=(2.0,)),
    ...     usual_reciprocity(),
    ... )
    >>> [(one.what, round(one.stops, 2)) for one in exposure.changes]
    [('film index', 1.0), ('aperture', 2.0), ('filter', 1.0)]
    >>> round(exposure.metered_s * 60)
    16
    """
    changes = _changes(metered, setting)
    seconds = metered.seconds * 2.0 ** math.fsum(one.stops for one in changes)
    return CameraExposure(
        changes=changes,
        metered_s=seconds,
        time_s=reciprocity.corrected(seconds),
        shorter_development=shorter_development(seconds),
        highlight=None if highlight is None else _highlight(metered, setting.zone, highlight, highlight_zone),
    )


def _changes(metered: Metered, setting: CameraSetting) -> tuple[StopsMore, ...]:
    filters: Sequence[float] = [filter_stops(factor) for factor in setting.filter_factors]
    away = 0.0 if setting.magnification is None else bellows_stops(setting.magnification)
    every = (
        StopsMore(what="film index", stops=math.log2(metered.index / setting.index)),
        StopsMore(what="aperture", stops=2.0 * math.log2(setting.f_number / metered.f_number)),
        StopsMore(what="filter", stops=math.fsum(filters)),
        StopsMore(what="bellows", stops=away),
        StopsMore(what="zone", stops=setting.zone - MIDDLE_ZONE),
    )
    return tuple(one for one in every if abs(one.stops) > _NOTHING)


_NOTHING: Final = 1e-9


def _highlight(metered: Metered, zone: float, second: Metered, wanted: float) -> Highlight:
    """Return where a second reading falls.

    Raises
    ------
    WrongUseError
        If it is no brighter than the first, or wanted no higher: no development spreads them.
    """
    brighter = math.log2(metered.seconds / second.seconds) + 2.0 * math.log2(second.f_number / metered.f_number)
    if brighter <= 0.0 or wanted <= zone:
        raise WrongUseError(
            "the highlight is no brighter than the first reading, or wanted no higher; meter the shadow with `metered` "
            "and the highlight with `highlight`."
        )
    falls = zone + brighter
    return Highlight(falls_on=falls, wanted=wanted, stops=wanted - falls, contrast_factor=(wanted - zone) / brighter)
