"""Rendered film tests: a sheet exposed through a step wedge in contact, or frames exposed a stop apart.

The wedge's light is added to the exposure before the characteristic curve, like every other light on the film.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from tests.renderer.bed import Array, Box, Place, Window, box_cover, ramp
from tests.renderer.faults import Curve, Fault
from tests.renderer.film import Film, FilmCurve
from tests.renderer.random_scans import Bedful, DrawnWedge, random_scanner
from tests.renderer.scanner import Scanner
from tests.renderer.wedge import RUNS, Run, WedgeLayout

LIGHT_LEAK_MM: Final = 0.15
"""How far light creeps from step to step between wedge and emulsion."""
CurveKind = Literal["plain", "upswept", "short toe", "long toe"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoLayerCurve(FilmCurve):
    """A film of two layers, the second slower by `apart` log exposure: its slope rises in two steps."""

    apart: float = 0.6
    share: float = 0.6

    def net(self, log_h: Array) -> Array:
        """Return density above base plus fog for log10 exposures."""
        fast = FilmCurve.net(self, log_h)
        slow = FilmCurve.net(self, np.asarray(log_h - np.float32(self.apart)))
        return np.asarray(np.float32(self.share) * fast + np.float32(1.0 - self.share) * slow, np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgePrint(Fault):
    """Exposure through a step wedge that lay on the film, as a part of the film's exposure.

    Parameters
    ----------
    densities
        Of the wedge's steps, in the order of the row.
    log_h
        log10 of the exposure (lux seconds) on the wedge.
    middle
        Centre of the row in the film's own coordinates.
    run
        The way the row runs.
    step_mm, width_mm
        Length of a step along the row, and across it.
    masked
        Black card lay round the wedge; without it the film beside got the full exposure.
    """

    densities: tuple[float, ...]
    log_h: float
    middle: tuple[float, float] = (0.0, 0.0)
    run: Run = "right"
    step_mm: float = 5.0
    width_mm: float = 12.0
    masked: bool = True

    def _along(self, window: Window) -> tuple[Array, Array]:
        """Return the place along the row from its beginning and across it from its middle."""
        u, v = window.u - np.float32(self.middle[0]), window.v - np.float32(self.middle[1])
        half = np.float32(0.5 * len(self.densities) * self.step_mm)
        along = {"right": u, "left": -u, "down": v, "up": -v}[self.run]
        return np.asarray(along + half), np.asarray(v if self.run in ("right", "left") else u)

    def expose(self, exposure: Array, outline: Box, cells: Window, curve: Curve) -> None:  # noqa: ARG002 - a fault's way
        """Add the light that came through the wedge, and beside it."""
        along, across = self._along(cells)
        full = np.float32(10.0**self.log_h)
        light = np.full(np.broadcast(along, across).shape, np.float32(10.0 ** -self.densities[0]), np.float32)
        for index, density in enumerate(self.densities[1:], start=1):
            share = ramp(np.asarray(along - np.float32(index * self.step_mm)), LIGHT_LEAK_MM)
            light += share * (np.float32(10.0**-density) - light)
        length = len(self.densities) * self.step_mm
        inside = ramp(along, LIGHT_LEAK_MM) * ramp(np.asarray(length - along), LIGHT_LEAK_MM)
        inside = inside * ramp(np.asarray(0.5 * self.width_mm - np.abs(across)), LIGHT_LEAK_MM)
        beside = np.float32(0.0 if self.masked else 1.0)
        exposure += full * (inside * light + (1.0 - inside) * beside)

    def step_box(self, index: int) -> Box:
        """Return the box of a step in the film's own coordinates."""
        start = index * self.step_mm - 0.5 * len(self.densities) * self.step_mm
        if self.run in ("left", "up"):
            start = -start - self.step_mm
        u, v = self.middle
        if self.run in ("right", "left"):
            return u + start, v - self.width_mm / 2, self.step_mm, self.width_mm
        return u - self.width_mm / 2, v + start, self.width_mm, self.step_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class GrayFrames(Fault):
    """Evenly exposed frames in a row along a strip, each with its own exposure.

    Parameters
    ----------
    log_h
        log10 of each frame's exposure, along the strip.
    frame_mm, gap_mm
        Length and width of a frame, and the clear film between two.
    """

    log_h: tuple[float, ...]
    frame_mm: tuple[float, float] = (36.0, 24.0)
    gap_mm: float = 2.0

    def boxes(self) -> list[Box]:
        """Return the frames' boxes in the strip's own coordinates."""
        length, width = self.frame_mm
        whole = len(self.log_h) * (length + self.gap_mm) - self.gap_mm
        return [
            (-whole / 2 + index * (length + self.gap_mm), -width / 2, length, width) for index in range(len(self.log_h))
        ]

    def expose(self, exposure: Array, outline: Box, cells: Window, curve: Curve) -> None:  # noqa: ARG002 - a fault's way
        """Add each frame's light."""
        for log_h, box in zip(self.log_h, self.boxes(), strict=True):
            exposure += np.float32(10.0**log_h) * box_cover(cells, box, LIGHT_LEAK_MM)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnFilmTest:
    """A drawn film test: scanner, the wedge as it calibrates, the film, and the true exposures of its steps."""

    scanner: Scanner
    wedge: DrawnWedge
    film: Film
    print_: WedgePrint
    bedful: Bedful

    @property
    def row_mm(self) -> Box:
        """Box on the scan round the exposed steps, before the film is turned."""
        boxes = [self.print_.step_box(index) for index in (0, len(self.print_.densities) - 1)]
        left, top = min(box[0] for box in boxes), min(box[1] for box in boxes)
        right = max(box[0] + box[2] for box in boxes)
        x, y = self.film.place.on_bed(left, top)
        return x, y, right - left, self.print_.width_mm

    @property
    def clear_mm(self) -> Box | None:
        """Box of unexposed film beside the two least exposed steps; None without a mask."""
        if not self.print_.masked:
            return None
        left, top, length, width = self.print_.step_box(len(self.print_.densities) - 2)
        up = self.print_.middle[1] > 0.0
        x, y = self.film.place.on_bed(left, top - 4.0 if up else top + width + 1.5)
        return x, y, length, 2.5

    @property
    def exposures(self) -> tuple[float, ...]:
        """True log10 exposures (lux seconds), in the order of the wedge file."""
        return tuple(self.print_.log_h - density for density in self.print_.densities)


def film_test_curve(rng: np.random.Generator, kind: CurveKind) -> FilmCurve:
    """Draw a film and its development for a test."""
    toes = {"plain": (0.08, 0.22), "upswept": (0.08, 0.2), "short toe": (0.03, 0.08), "long toe": (0.22, 0.32)}
    common = {
        "base": float(rng.uniform(0.03, 0.25)),
        "fog": float(rng.uniform(0.03, 0.2)),
        "contrast": float(rng.uniform(0.42, 0.95)),
        "speed_log_h": float(rng.uniform(-2.6, -1.6)),
        "toe": float(rng.uniform(*toes[kind])),
        "shoulder": float(rng.uniform(0.1, 0.4)),
        "maximum_net": float(rng.uniform(1.8, 3.0)),
    }
    if kind == "upswept":
        return TwoLayerCurve(**common, apart=float(rng.uniform(0.3, 0.6)), share=float(rng.uniform(0.5, 0.8)))
    return FilmCurve(**common)


def random_film_test(rng: np.random.Generator, kind: CurveKind = "plain", *, straight: bool = False) -> DrawnFilmTest:
    """Draw a film test: 21 steps of about 0.15 in contact with a sheet, exposed so that foot and slope are on it.

    Parameters
    ----------
    straight
        Wedge and film lie straight on the bed.
    """
    densities, uncertainty = _half_stops(rng), float(rng.choice((0.01, 0.01, 0.02)))
    stated = tuple(
        round(max(0.0, d + e), 3)
        for d, e in zip(densities, rng.normal(0, uncertainty / 2, len(densities)).tolist(), strict=True)
    )
    layout = WedgeLayout(
        densities=densities,
        place=Place(x_mm=65.0, y_mm=21.0, angle_deg=float(rng.uniform(-1.5, 1.5))),
        width_mm=14.0,
        mask_mm=12.0,
        granularity=float(rng.uniform(3, 10)),
    )
    wedge = DrawnWedge(layout=layout, stated=stated, uncertainty=uncertainty, size_mm=(130.0, 42.0))
    curve = film_test_curve(rng, kind)
    # The densest step gets about two and a half stops less than the speed point: the foot is on the row.
    log_h = curve.speed_log_h - float(rng.uniform(0.5, 0.9)) + densities[-1]
    exposed = WedgePrint(
        densities=densities,
        log_h=log_h,
        middle=(float(rng.uniform(-3, 3)), float(rng.uniform(-6, 6))),
        run=RUNS[int(rng.choice((0, 2)))],
        width_mm=float(rng.uniform(9, 16)),
        masked=bool(rng.uniform() < 0.7),
    )
    film = Film(
        size_mm=(125.0, 38.0),
        place=Place(x_mm=69.0, y_mm=25.0, angle_deg=float(rng.uniform(-1.5, 1.5))),
        curve=curve,
        faults=(exposed,),
        granularity=float(rng.uniform(5, 14)),
    )
    if straight:
        film = replace(film, place=replace(film.place, angle_deg=0.0))
        wedge = replace(wedge, layout=replace(layout, place=replace(layout.place, angle_deg=0.0)))
    scanner = replace(random_scanner(rng, ppi=(100, 150)), gain=float(rng.uniform(0.85, 0.97)))
    return DrawnFilmTest(
        scanner=scanner, wedge=wedge, film=film, print_=exposed, bedful=Bedful(pieces=(film,), size_mm=(138.0, 50.0))
    )


def _half_stops(rng: np.random.Generator) -> tuple[float, ...]:
    first = float(rng.uniform(0.03, 0.09))
    rises = 0.15 * rng.normal(1, 0.03, 20)
    return tuple(float(d) for d in first + np.concatenate([[0.0], np.cumsum(rises)]))
