"""The curve of a calibration by weighed laws, as points with every influence on each of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.glare import USUAL_SCATTERING, Scattering
from densiscan.calibration.law_fit import SeenSteps
from densiscan.calibration.posterior_curve import WeighedCurve, WeighedLaw, curve_of

_POINTS: Final = 65
"""Points of the curve: a twentieth of density apart on a long wedge, where a cubic errs by less than 1e-5."""
_SHAPES: Final = 12
"""Ways in which the shape of the curve is open, at most: what is beyond is less than a thousandth of its variance."""
_LEAST_PART: Final = 1e-7
_LEAST_OWN: Final = 1e-4
"""Standard uncertainty of a step's own density, at least: no wedge is even to less."""
_SCALE: Final = 0.25
"""What a certifying instrument's scale errs by at density 1, in terms of its offset: the two are alike at density 4, as
where an instrument is good to 0.02 or to half a per cent."""
COMMON_OFFSET: Final = Influence("wedge", "common offset")
COMMON_SCALE: Final = Influence("wedge", "common scale")


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedStep:
    """A step that the curve is made from.

    `level` has the standard uncertainties `noise` and `rounding`; `density` is that under mean light, and `certificate`
    the standard uncertainty of it. `surround` is the light round it by each reach of glare, where it is
    known; `common` the part of the certificate that all steps share, where it is stated.
    """

    step: str
    level: float
    noise: float
    rounding: float
    density: float
    certificate: float
    surround: tuple[float, ...] | None = None
    common: float | None = None

    @property
    def own(self) -> float:
        """Standard uncertainty of the certificate without what all steps share, where that is stated."""
        return math.sqrt(max(self.certificate**2 - (self.common or 0.0) ** 2, _LEAST_OWN**2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurvePoints:
    """A curve by its points, from the dark end.

    Attributes
    ----------
    level, density
        Rising, and falling.
    influences, parts
        What makes it uncertain: the standard contribution of each influence at each point, shape (points, influences).
    scattered
        Share of the light that is scattered with each reach, and the contributions to it, shape (reaches, influences).
    left_out
        What the other steps say of each, lightest first, and the contributions to it.
    """

    level: Floats
    density: Floats
    influences: tuple[Influence, ...]
    parts: Floats
    scattered: Floats
    scattered_parts: Floats
    left_out: tuple[tuple[float, dict[Influence, float]], ...]

    def parts_at(self, row: float) -> dict[Influence, float]:
        """Return the contributions between two points, told by the number of the point."""
        below = min(max(int(row), 0), self.level.size - 2)
        share = min(max(row - below, 0.0), 1.0)
        found = (1.0 - share) * self.parts[below] + share * self.parts[below + 1]
        return self._told(found)

    def parts_of_scattered(self, light: Floats) -> dict[Influence, float]:
        """Return the contributions to a sum over what is scattered with each reach, shape of `light` (reaches,)."""
        return self._told(light @ self.scattered_parts)

    def _told(self, parts: Floats) -> dict[Influence, float]:
        told = zip(self.influences, parts.tolist(), strict=True)
        return {influence: part for influence, part in told if abs(part) > _LEAST_PART}


def steps_of(used: tuple[UsedStep, ...], scattering: Scattering = USUAL_SCATTERING) -> SeenSteps:
    """Return used steps as arrays."""
    surrounds = [one.surround for one in used if one.surround is not None]
    return SeenSteps(
        level=np.array([one.level for one in used]),
        level_doubt=np.array([max(math.hypot(one.noise, one.rounding), 1e-9) for one in used]),
        density=np.array([one.density for one in used]),
        certificate=np.array([one.own for one in used]),
        common=np.array([one.common or 0.0 for one in used]),
        told_apart=any(one.common is not None for one in used),
        surround=np.array(surrounds).T if len(surrounds) == len(used) else None,
        scattering=scattering,
    )


@lru_cache(maxsize=16)
def curve_points(
    used: tuple[UsedStep, ...], laws: tuple[WeighedLaw, ...], scattering: Scattering = USUAL_SCATTERING
) -> CurvePoints:
    """Return the curve of weighed laws through used steps, lightest first.

    Raises
    ------
    ValueError
        If it does not run from light to dense.
    """
    steps = steps_of(used, scattering)
    places = np.linspace(0.0, len(used) - 1.0, _POINTS)
    level = 10.0 ** np.interp(places, np.arange(len(used)), np.log10(steps.level))
    curve = curve_of(steps, laws, level)
    if not bool(np.all(np.diff(curve.density) > 0.0)):
        raise ValueError("the curve does not run from light to dense")
    influences, parts = _influences(used, curve)
    return CurvePoints(
        level=level[::-1],
        density=curve.density[::-1],
        influences=influences,
        parts=parts[:_POINTS][::-1],
        scattered=curve.scattered,
        scattered_parts=parts[_POINTS:],
        left_out=_left_out(used, curve),
    )


def _influences(used: tuple[UsedStep, ...], curve: WeighedCurve) -> tuple[tuple[Influence, ...], Floats]:
    noise = np.array([one.noise for one in used])
    rounding = np.array([one.rounding for one in used])
    whole = np.maximum(np.hypot(noise, rounding), 1e-12)
    offset, scale = _common(used)
    columns = [
        *((Influence("wedge", one.step), curve.pull[:, k] * curve.own[k]) for k, one in enumerate(used)),
        *(
            (Influence("step noise", one.step), curve.pull[:, k] * (curve.noise * noise / whole)[k])
            for k, one in enumerate(used)
        ),
        *(
            (Influence("rounding", f"step {one.step}"), curve.pull[:, k] * (curve.noise * rounding / whole)[k])
            for k, one in enumerate(used)
        ),
        (COMMON_OFFSET, curve.pull @ (curve.common * offset)),
        (COMMON_SCALE, curve.pull @ (curve.common * scale)),
        *((Influence("glare", f"source {k + 1}"), one) for k, one in enumerate(curve.glare.T)),
        *((Influence("fit", f"shape {k + 1}"), one) for k, one in enumerate(_open(curve.shape))),
    ]
    kept = [(influence, column) for influence, column in columns if float(np.max(np.abs(column))) > _LEAST_PART]
    return tuple(influence for influence, _ in kept), np.column_stack([column for _, column in kept])


def _common(used: tuple[UsedStep, ...]) -> tuple[Floats, Floats]:
    """Return how the error that steps share is split into offset and scale at each: their squares add up to 1.

    What is stated to grow with density is scale.
    """
    density = np.array([one.density for one in used])
    grown, level = np.polyfit(density**2, [(one.common or 0.0) ** 2 for one in used], 1)
    scale = max(math.sqrt(max(float(grown), 0.0) / max(float(level), 1e-9)), _SCALE) * density
    whole = np.hypot(1.0, scale)
    return 1.0 / whole, scale / whole


def _open(shape: Floats) -> list[Floats]:
    """Return independent contributions that have this covariance, its variances exactly, largest first."""
    values, vectors = np.linalg.eigh(0.5 * (shape + shape.T))
    order = np.argsort(values)[::-1][:_SHAPES]
    parts = vectors[:, order] * np.sqrt(np.maximum(values[order], 0.0))
    found = np.sum(parts * parts, axis=1)
    rescaled = np.sqrt(np.maximum(np.diag(shape), 0.0) / np.maximum(found, 1e-18))
    return list((parts * np.minimum(rescaled, 10.0)[:, None]).T)


def _left_out(used: tuple[UsedStep, ...], curve: WeighedCurve) -> tuple[tuple[float, dict[Influence, float]], ...]:
    offset, scale = _common(used)
    told = []
    for k, one in enumerate(used):
        pull = curve.left_out_pull[k]
        parts = {Influence("wedge", other.step): float(pull[j] * curve.own[j]) for j, other in enumerate(used)}
        known = math.fsum(part * part for part in parts.values())
        rest = max(float(curve.left_out_doubt[k]) ** 2 - known, float(curve.noise[k]) ** 2)
        parts[COMMON_OFFSET] = float(pull @ (curve.common * offset))
        parts[COMMON_SCALE] = float(pull @ (curve.common * scale))
        parts[Influence("fit", f"without {one.step}")] = math.sqrt(rest)
        told.append((float(curve.left_out[k]), {key: part for key, part in parts.items() if part != 0.0}))
    return tuple(told)
