"""What is read off a paper's curve, with every doubt of its points and of its ends carried through.

Formulas and sources: docs/method-paper.md.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import isotonic
from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.paper.curve import PaperCurve, curve_through
from densiscan.paper.ends import EVEN, End, Ends, find_ends

Parts = dict[Influence, float]

END: Final = "end of the curve"
_SHAPE: Final = 0.17
"""Standard uncertainty of a point between two steps, over the square of their gap in log exposure: the error of a cubic
between knots, root mean square over five families of curves, 0.10 to 0.30 apart."""
_NUDGE: Final = 1e-4
_REPEATED: Final = 60
"""Repetitions with the same noise: they give its spread to 9 %."""
_PLACES: Final = ("highlight", "shadow", "black")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOff:
    """A curve and what is read off it.

    Attributes
    ----------
    figures
        `base` and `top`, densities; `highlight`, `shadow` and `black`, log exposures, `black` only where it is there.
    """

    ends: Ends
    curve: PaperCurve
    figures: Mapping[str, Quantity]

    def left_open(self, name: str, end: str) -> float:
        """Return the standard uncertainty that a figure has from one end of the curve, `white` or `black`."""
        return abs((self.figures[name].parts or {}).get(Influence(END, end), 0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Points:
    """Points as arrays by rising exposure; `standard` is what each density has for itself, its exposure's included."""

    x: Floats
    density: Floats
    standard: Floats

    def ends(self) -> Ends:
        return find_ends(self.x, self.density, self.standard)

    def shown(self, base: float, top: float) -> dict[str, float]:
        curve = curve_through(self.x, self.density, base=base, top=top)
        return {"base": base, "top": top, **curve.landmarks()}

    def nudged(self, number: int, *, of_density: bool) -> _Points:
        moved = [self.x.copy(), self.density.copy()]
        moved[1 if of_density else 0][number] += _NUDGE
        return replace(self, x=moved[0], density=moved[1])

    def moved_by(self, influence: Influence, exposures: Sequence[Quantity], densities: Sequence[Quantity]) -> _Points:
        """Return the points with all that one influence (k = 1) does to them."""
        x, density = (
            values + np.array([(quantity.parts or {}).get(influence, 0.0) for quantity in quantities])
            for values, quantities in ((self.x, exposures), (self.density, densities))
        )
        return replace(self, x=x, density=density)


def ends_of(exposures: Sequence[Quantity], densities: Sequence[Quantity]) -> Ends:
    """Return where the curve through points by rising exposure ends."""
    return _points(exposures, densities, _shared(exposures, densities)).ends()


def glance(exposures: Sequence[Quantity], densities: Sequence[Quantity]) -> dict[str, float]:
    """Return the figures of `read_off` without their doubt.

    Raises
    ------
    ValueError
        If the points show no black and white.
    """
    points = _points(exposures, densities, _shared(exposures, densities))
    ends = points.ends()
    return points.shown(ends.base, ends.top)


def read_off(exposures: Sequence[Quantity], densities: Sequence[Quantity]) -> ReadOff:
    """Return the curve through points by rising exposure, and what is read off it.

    Raises
    ------
    ValueError
        If the points show no black and white.

    Notes
    -----
    Every influence is carried through the curve (JCGM 100:2008, 5.1.3). One that several points share is tried as a
    whole (note 2 there): it bends the curve, and where that seems to end. What a point has for itself is in the doubt
    of the ends already, which are held for it.
    """
    shared = _shared(exposures, densities)
    points = _points(exposures, densities, shared)
    ends = points.ends()
    base, top = ends.base, ends.top
    curve = curve_through(points.x, points.density, base=base, top=top)
    values = points.shown(base, top)
    parts = _own_parts(points, values, exposures, densities, shared)
    for influence in shared:
        moved = points.moved_by(influence, exposures, densities)
        after = moved.ends()
        shown = moved.shown(after.base, after.top)
        for name, known in parts.items():
            if known is not None:
                known[influence] = shown.get(name, values[name]) - values[name]
    figures = {name: Quantity(value, parts[name]) for name, value in values.items()}
    for end, key in ((ends.white, "white"), (ends.black, "black")):
        figures = _with_end(figures, points, (base, top), end, key)
    figures = _no_steeper_than_noise(points, figures, ends, shared)
    return ReadOff(ends=ends, curve=curve, figures=_with_places(figures, curve))


def _shared(exposures: Sequence[Quantity], densities: Sequence[Quantity]) -> frozenset[Influence]:
    """Return the influences that more than one point has."""
    counts = Counter(
        influence
        for exposure, density in zip(exposures, densities, strict=True)
        for influence in {*(exposure.parts or {}), *(density.parts or {})}
    )
    return frozenset(influence for influence, times in counts.items() if times > 1)


def _points(exposures: Sequence[Quantity], densities: Sequence[Quantity], shared: frozenset[Influence]) -> _Points:
    def own(quantities: Sequence[Quantity]) -> Floats:
        squares = [
            sum(part * part for influence, part in (quantity.parts or {}).items() if influence not in shared)
            for quantity in quantities
        ]
        return np.asarray(np.sqrt(np.array(squares, dtype=float)))

    x = np.array([quantity.value for quantity in exposures])
    density = np.array([quantity.value for quantity in densities])
    slope = np.gradient(isotonic(density), x)
    return _Points(x=x, density=density, standard=np.hypot(own(densities), slope * own(exposures)))


def _own_parts(
    points: _Points,
    values: Mapping[str, float],
    exposures: Sequence[Quantity],
    densities: Sequence[Quantity],
    shared: frozenset[Influence],
) -> dict[str, Parts | None]:
    """Return what the points' own influences do while both ends are held."""
    parts: dict[str, Parts | None] = {name: {} for name in values}
    for of_density, quantities in ((True, densities), (False, exposures)):
        for number, quantity in enumerate(quantities):
            shown = points.nudged(number, of_density=of_density).shown(values["base"], values["top"])
            for name, value in values.items():
                slope = (shown.get(name, value) - value) / _NUDGE
                parts[name] = _added(parts[name], quantity, slope, shared)
    return parts


def _added(parts: Parts | None, quantity: Quantity, slope: float, shared: frozenset[Influence]) -> Parts | None:
    if parts is None or (quantity.parts is None and abs(slope) > 1e-6):
        return None
    for influence, part in (quantity.parts or {}).items():
        if influence not in shared:
            parts[influence] = parts.get(influence, 0.0) + slope * part
    return parts


def _no_steeper_than_noise(
    points: _Points, figures: Mapping[str, Quantity], ends: Ends, shared: frozenset[Influence]
) -> dict[str, Quantity]:
    """Return the figures, those of places no surer than noise and ends let them repeat on a curve freed of the noise.

    Noise that makes the curve steep where a figure is read makes it look sure there. Here each density is first given
    the mean of its neighbours, then the noise is laid on many times (JCGM 101:2008, 7).
    """
    rng = np.random.default_rng(6846)
    drawn: dict[str, list[float]] = {name: [] for name in _PLACES if name in figures}
    x, steps = points.x, np.pad(isotonic(points.density), 1, mode="edge")
    smooth = np.interp(
        x, 0.25 * x[:-2] + 0.5 * x[1:-1] + 0.25 * x[2:], np.convolve(steps, (0.25, 0.5, 0.25), "valid")[1:-1]
    )
    base, top = figures["base"].value, figures["top"].value
    whites = rng.permutation(ends.white.equally_likely(_REPEATED)) - ends.white.density
    blacks = rng.permutation(ends.black.equally_likely(_REPEATED)) - ends.black.density
    for noise, white, black in zip(rng.normal(size=(_REPEATED, x.size)), whites, blacks, strict=True):
        moved = replace(points, density=smooth + points.standard * noise)
        shown = moved.shown(base + float(white), top + float(black))
        for name, places in drawn.items():
            places.append(shown.get(name, math.nan))
    result = dict(figures)
    for name, places in drawn.items():
        own_parts = [part for influence, part in (figures[name].parts or {}).items() if influence not in shared]
        if np.count_nonzero(np.isfinite(places)) < _REPEATED // 2:
            continue
        more = float(np.nanvar(places)) - math.fsum(part * part for part in own_parts)
        if more > 0.0:
            result[name] = figures[name].with_part(Influence("reading", f"slope at the {name}"), math.sqrt(more))
    return result


def _with_end(
    figures: Mapping[str, Quantity], points: _Points, expected: tuple[float, float], end: End, key: str
) -> dict[str, Quantity]:
    """Return the figures with what they would be, were the end elsewhere."""
    away, moves = [], []
    for density in end.equally_likely():
        base, top = (density, expected[1]) if key == "white" else (expected[0], density)
        shown = points.shown(base, top)
        away.append(density - end.density)
        moves.append([shown.get(name, quantity.value) - quantity.value for name, quantity in figures.items()])
    moved = np.array(moves)
    signs = np.where(np.array(away) @ moved < 0.0, -1.0, 1.0)
    standard = signs * np.sqrt(np.mean(moved**2, axis=0))
    return {
        name: quantity.with_part(Influence(END, key), float(part))
        for (name, quantity), part in zip(figures.items(), standard, strict=True)
    }


def _with_places(figures: Mapping[str, Quantity], curve: PaperCurve) -> dict[str, Quantity]:
    """Return the figures, their log exposures in doubt by the shape between two steps and by how even a print is."""
    result = dict(figures)
    for name in _PLACES:
        if name not in result:
            continue
        place = result[name]
        after = int(np.clip(np.searchsorted(curve.log_exposure, place.value), 1, curve.log_exposure.size - 1))
        gap = float(curve.log_exposure[after] - curve.log_exposure[after - 1])
        beside = curve.density_at([place.value - 0.02, place.value + 0.02])
        slope = max(float(beside[1] - beside[0]) / 0.04, 1e-3)
        place = place.with_part(Influence("curve shape", f"{after}"), _SHAPE * gap * gap)
        result[name] = place.with_part(Influence("even print", name), EVEN / slope)
    return result
