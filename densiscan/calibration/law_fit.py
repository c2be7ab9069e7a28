"""A law of scanners fitted to the steps of a wedge."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.calibration.glare import REACHES_MM, USUAL_SCATTERING, Scattering
from densiscan.calibration.law import Law
from densiscan.calibration.smooth_deviation import kernel

_AMPLITUDE: Final = 0.004
_LENGTH: Final = 0.6
"""The deviation allowed for while a law is fitted: a usual one. Its size is weighed afterwards."""
_ROUNDS: Final = 12
_FARTHEST: Final = 6.0
_BEYOND: Final = 1.0
_BELOW: Final = 1e-5
_DROWNED: Final = 10.0
"""Standard uncertainty of a density from which nothing is known of it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenSteps:
    """What a wedge shows, lightest first: level (0 to 1), density, and the standard uncertainties of both.

    `certificate` is each step's own where it is `told_apart` from what all steps share, `common`; else `common` is zero
    and `certificate` the whole. `surround` is the light round each step by each reach of glare, shape (reaches, steps),
    where it is known, and `scattering` what the scanner is taken to scatter of it.
    """

    level: Floats
    level_doubt: Floats
    density: Floats
    certificate: Floats
    common: Floats
    told_apart: bool
    surround: Floats | None = None
    scattering: Scattering = USUAL_SCATTERING

    def totals(self) -> tuple[tuple[float | None, float], ...]:
        """Return the totals of scattered light to weigh, each with its prior; None where the surround is not known."""
        return ((None, 1.0),) if self.surround is None else self.scattering.likely_totals()

    def lit(self, total: float | None) -> LitSteps:
        """Return the steps as the sensor sees them, where so much light is scattered in all."""
        if self.surround is None:
            none = np.zeros((len(REACHES_MM), self.density.size))
            return LitSteps(
                level=self.level,
                level_doubt=self.level_doubt,
                density=self.density,
                certificate=self.certificate,
                glare=none,
                own_light=np.ones(self.density.size),
            )
        expected, root = self.scattering.of_total(total)
        own = 10.0**-self.density
        whole = own + np.maximum(expected @ self.surround, 0.0)
        return LitSteps(
            level=self.level,
            level_doubt=self.level_doubt,
            density=-np.log10(whole),
            certificate=self.certificate * own / whole,
            glare=root.T @ self.surround / whole / math.log(10.0),
            own_light=own / whole,
        )

    def without(self, number: int) -> SeenSteps:
        """Return all steps but one."""
        keep = np.arange(self.density.size) != number
        return replace(
            self,
            level=self.level[keep],
            level_doubt=self.level_doubt[keep],
            density=self.density[keep],
            certificate=self.certificate[keep],
            common=self.common[keep],
            surround=None if self.surround is None else self.surround[:, keep],
        )

    def surround_at(self, level: Floats) -> Floats:
        """Return the light round steps of other levels, between those of the wedge; shape (levels, reaches)."""
        if self.surround is None:
            return np.zeros((level.size, len(REACHES_MM)))
        places = np.log(np.maximum(self.level, 1e-12))[::-1]
        return np.array([np.interp(np.log(level), places, one[::-1]) for one in self.surround]).T


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LitSteps:
    """The steps of a wedge as the sensor sees them: `density` is that of all light, what is scattered onto it included.

    `certificate` is the standard uncertainty of that, `own_light` the share of the light that comes through the step,
    and `glare` what the division of scattered light over the reaches leaves open of the density, by independent
    sources, shape (reaches, steps).
    """

    level: Floats
    level_doubt: Floats
    density: Floats
    certificate: Floats
    glare: Floats
    own_light: Floats

    @property
    def scattered(self) -> Floats:
        """Covariance of the steps' densities by scattered light."""
        return np.asarray(self.glare.T @ self.glare)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A law where it fits the steps best: the straight-line problem that the rest is reckoned with.

    Attributes
    ----------
    place
        Density of the law at each step, where its deviation is told from.
    deviation
        Stated density less that of the law, at each step.
    by_figures
        How the deviation moves with the law's figures, shape (steps, figures).
    noise
        Standard uncertainty of each step's density by its level.
    """

    law: Law
    figures: Floats
    place: Floats
    deviation: Floats
    by_figures: Floats
    noise: Floats

    @property
    def seen(self) -> Floats:
        """Deviation from what the law's prior expects."""
        return self.deviation - self.expected(self.by_figures)

    def expected(self, by_figures: Floats) -> Floats:
        """Return the deviation that the prior of the figures expects."""
        return np.asarray(-by_figures @ (np.array(self.law.usual) - self.figures))

    def freedom(self, one: Floats, other: Floats) -> Floats:
        """Return the covariance of densities by what the prior leaves open of the figures."""
        return np.asarray((one * np.array(self.law.spread) ** 2) @ other.T)


def fitted(law: Law, steps: LitSteps, start: Floats) -> Fit:
    """Return a law at the figures that the steps and their prior make most likely, a usual deviation allowed for.

    Notes
    -----
    Damped least squares, of which a few rounds are enough: what is left of the way is straight, and the process that
    follows walks it.
    """
    usual, spread = np.array(law.usual), np.array(law.spread)
    base = _AMPLITUDE**2 * kernel(steps.density, steps.density, _LENGTH) + np.diag(steps.certificate**2 + 1e-10)
    base += steps.scattered
    there, damping = start, 1e-3
    fit = _at(law, steps, there)
    least = math.inf
    gram, down = np.eye(start.size), np.zeros(start.size)
    for _ in range(_ROUNDS):
        tried = _at(law, steps, there)
        root = np.linalg.cholesky(base + np.diag(tried.noise**2))
        white = np.linalg.solve(root, np.column_stack((tried.deviation, tried.by_figures)))
        left = np.concatenate((white[:, 0], (there - usual) / spread))
        total = float(left @ left)
        if total < least:
            settled = least - total < 1e-3
            fit, least = tried, total
            if settled:
                break
            slopes = np.vstack((white[:, 1:], np.diag(1.0 / spread)))
            gram, down = slopes.T @ slopes, slopes.T @ left
            damping *= 0.2
        else:
            damping = max(10.0 * damping, 1e-2)
        there = fit.figures - np.linalg.solve(gram + damping * np.diag(np.diag(gram)), down)
        there = np.clip(there, usual - _FARTHEST * spread, usual + _FARTHEST * spread)
    return as_read(law, steps, fit.figures)


def as_read(law: Law, steps: LitSteps, figures: Floats) -> Fit:
    """Return a law as it reads the steps: each at the density that it gives the step's level, as it reads a scan."""
    place = density_of(law, steps, figures, steps.level)
    _, slope, by_figures = law.seen(place, figures)
    return Fit(
        law=law,
        figures=figures,
        place=place,
        deviation=steps.density - place,
        by_figures=by_figures / slope[:, None],
        noise=np.minimum(steps.level_doubt / -slope, _DROWNED),
    )


def density_of(law: Law, steps: LitSteps, figures: Floats, level: Floats) -> Floats:
    """Return the density at which a law has each level, no farther than a little beyond the steps.

    It is found by the logarithm of the level above the lowest, which runs nearly straight.
    """
    fine = np.arange(steps.density[0] - _BEYOND, steps.density[-1] + 1.5 * _BEYOND, 0.01)
    levels = law.level(fine, figures)
    floor = min(float(levels[-1]), float(level.min())) - _BELOW
    return np.interp(-np.log(level - floor), -np.log(levels - floor), fine)


def _at(law: Law, steps: LitSteps, figures: Floats) -> Fit:
    level, slope, by_figures = law.seen(steps.density, figures)
    deviation = (level - steps.level) / slope
    return Fit(
        law=law,
        figures=figures,
        place=steps.density - deviation,
        deviation=deviation,
        by_figures=by_figures / slope[:, None],
        noise=np.minimum(steps.level_doubt / -slope, _DROWNED),
    )


def start_of(law: Law, steps: LitSteps) -> Floats:
    """Return figures to begin with: the law through the lighter steps, and straight."""
    figures = np.array(law.usual)
    half = slice(0, max(3, steps.density.size // 2))
    density, level = steps.density[half], np.maximum(steps.level[half], 1e-9)
    if law.name == "logarithmic":
        fall, at_none = np.polyfit(density, level, 1)
        figures[2:4] = at_none, math.log(max(-float(fall), 0.02))
        return figures
    if law.name in {"power", "s-curve"}:
        fall, at_none = np.polyfit(density, np.log10(level), 1)
        figures[2] = math.log(min(max(-1.0 / min(float(fall), -1e-3), 0.7), 4.0))
        figures[0] = float(at_none) * math.exp(figures[2])
        return figures
    exposures = np.linspace(-0.6, 0.6, 61)
    tried = np.tile(figures, (exposures.size, 1))
    tried[:, 0] = exposures
    away = np.abs(np.log(np.maximum(law.level(density[:1], tried)[:, 0], 1e-6) / level[0]))
    figures[0] = exposures[int(np.argmin(away))]
    return figures
