"""Wedges as people lay them on a scanner, drawn at random: whole or with lost ends, on glass, in masks, in holders."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from tests import renderer
from tests.renderer.scanner import Tone, encoded
from tests.renderer.wedge import RUNS

Loss = Literal["whole", "light clipped", "dark drowned", "8 bits"]
Mount = Literal["glass", "card", "holder", "paper"]
MOUNTS: Final[tuple[Mount, ...]] = ("glass", "card", "holder", "paper")
LOSSES: Final[tuple[Loss, ...]] = ("whole", "light clipped", "dark drowned", "8 bits")
_SHOWS: Final = 0.01
"""Change of log10 signal that an eye sees at an edge on a screen, and at least two codes."""


@dataclass(frozen=True, kw_only=True)
class Laid:
    """A wedge on a bed, the scanner, and what its file says."""

    layout: renderer.WedgeLayout
    scanner: renderer.Scanner
    pieces: tuple[renderer.Piece, ...]
    size_mm: tuple[float, float]
    surround: float
    stated: tuple[float, ...]
    uncertainty: float
    mount: Mount
    loss: Loss
    beyond: tuple[float, float]

    @property
    def about(self) -> str:
        """Say what was laid."""
        densities, layout = sorted(self.layout.densities), self.layout
        return (
            f"{self.mount}, {self.loss}, {len(densities)} of {layout.step_mm:.1f} mm, {densities[0]:.2f} to "
            f"{densities[-1]:.2f}, {self.scanner.tone} {self.scanner.bits} bits"
            f"{', inverted' if self.scanner.inverted else ''}, border {layout.end_mm:.1f} mm"
        )

    def signals(self) -> list[float]:
        """Return what the scanner stores of what lies before the lightest step, of the steps, and of what follows."""
        scanner, darkest = self.scanner, self.surround
        densities = [self.beyond[0], *sorted(self.layout.densities), self.beyond[1]]
        light = np.array([10.0**-density for density in densities], np.float32)
        light += np.float32(scanner.glare * 0.5 * 10.0**-darkest)
        value = encoded(np.clip(scanner.gain * light + scanner.offset, 0, 1).astype(np.float32), scanner.tone)
        return [float(round(one * scanner.full_scale) / scanner.full_scale) for one in value.tolist()]

    @property
    def readable(self) -> bool:
        """Tell whether a person could read it: five steps differ, and one end of the wedge shows."""
        signals = self.signals()
        shows = [self._shows(a, b) for a, b in itertools.pairwise(signals)]
        return sum(shows[1:-1]) >= 4 and (shows[0] or shows[-1])

    def _shows(self, one: float, other: float) -> bool:
        quantum = 1.0 / self.scanner.full_scale
        noise = 4.0 * self.scanner.read_noise / self.scanner.shot_electrons * self.scanner.gain
        ratio = abs(math.log10(max(one, quantum) / max(other, quantum)))
        return ratio > _SHOWS and abs(one - other) > max(2.5 * quantum, noise)


def drawn_wedge(seed: int) -> Laid:
    """Draw a wedge, a scanner and a way to lay the one on the other."""
    rng = np.random.default_rng([seed, 1016])
    mount = MOUNTS[int(rng.choice(4, p=(0.4, 0.2, 0.25, 0.15)))]
    loss = LOSSES[int(rng.choice(4, p=(0.4, 0.2, 0.25, 0.15)))] if mount != "paper" else "whole"
    densities = _densities(rng, mount, loss)
    layout = _layout(rng, densities, mount)
    scanner = _scanner(rng, loss, sorted(densities), mount)
    laid, pieces, size, beyond, surround = _mounted(rng, layout, mount)
    uncertainty = float(rng.choice((0.01, 0.02, 0.03)))
    stated = tuple(
        round(max(0.0, density + float(error)), 3)
        for density, error in zip(densities, rng.normal(0, uncertainty / 2, len(densities)).tolist(), strict=True)
    )
    if any((b - a) * (stated[-1] - stated[0]) <= 0 for a, b in itertools.pairwise(stated)):
        stated = tuple(round(density, 3) for density in densities)
    return Laid(
        layout=laid,
        scanner=scanner,
        pieces=pieces,
        size_mm=size,
        surround=surround,
        stated=stated,
        uncertainty=uncertainty,
        mount=mount,
        loss=loss,
        beyond=beyond,
    )


def _densities(rng: np.random.Generator, mount: Mount, loss: Loss) -> tuple[float, ...]:
    count = int(rng.integers(7, 26)) if mount == "paper" else int(rng.integers(6, 32))
    first = float(rng.choice((rng.uniform(0.01, 0.1), rng.uniform(0.1, 0.24))))
    top = float(rng.uniform(3.0, 4.2) if loss == "dark drowned" else rng.uniform(1.5, 3.1))
    if mount == "paper":
        first, top = float(rng.uniform(0.04, 0.12)), float(rng.uniform(1.5, 2.1))
    rises = np.full(count - 1, 1.0)
    rises *= rng.uniform(0.6, 1.5, count - 1) if rng.uniform() < 0.4 else rng.normal(1, 0.03, count - 1)
    rises *= (top - first) / rises.sum()
    rising = tuple(float(d) for d in first + np.concatenate([[0.0], np.cumsum(rises)]))
    return rising if rng.uniform() < 0.75 else rising[::-1]


def _layout(rng: np.random.Generator, densities: tuple[float, ...], mount: Mount) -> renderer.WedgeLayout:
    step = float(min(rng.uniform(3.0, 10.0), 200.0 / len(densities)))
    bordered = rng.uniform() < 0.35
    line = float(rng.choice((0.0, 0.0, 0.25)))
    return renderer.WedgeLayout(
        densities=densities,
        place=renderer.Place(x_mm=0.0, y_mm=0.0, angle_deg=float(rng.uniform(-2, 2))),
        run=RUNS[int(rng.integers(4))],
        step_mm=step,
        width_mm=float(rng.uniform(max(7.0, 0.8 * step), 22.0)),
        border_mm=float(rng.uniform(1.0, 5.0)) if bordered else 0.0,
        border_density=0.06 if mount == "paper" else float(rng.choice((min(densities), 0.04, 0.25))),
        end_mm=float(step * rng.uniform(0.4, 2.2)) if bordered else 0.0,
        numerals=bool(rng.uniform() < 0.5),
        line_mm=line if step > 3.5 else 0.0,
        line_density=float(rng.choice((0.03, 2.8))),
        granularity=float(rng.uniform(3, 10)),
        reflection=mount == "paper",
        blemishes=renderer.Blemishes(dust=int(rng.integers(0, 12))),
    )


def _scanner(rng: np.random.Generator, loss: Loss, rising: list[float], mount: Mount) -> renderer.Scanner:
    tones: tuple[Tone, ...] = ("linear", "1.8", "2.2", "srgb", "bent")
    gain, offset = float(rng.uniform(0.88, 1.02)), float(rng.normal(0, 0.0002))
    if loss == "light clipped":
        gain = float(1.02 * 10.0 ** rising[int(rng.integers(1, 4))])
    if loss == "dark drowned":
        offset = float(rng.uniform(-0.0012, 0.0))
    bits = 8 if loss == "8 bits" else int(rng.choice((12, 16, 16)))
    return renderer.Scanner(
        ppi=float(rng.choice((150, 200))),
        bits=bits,
        tone="linear" if loss == "8 bits" and rng.uniform() < 0.5 else tones[int(rng.choice(5))],
        gain=gain,
        offset=offset,
        glare=float(np.exp(rng.uniform(math.log(0.0003), math.log(0.008)))) if mount != "paper" else 0.002,
        psf_um=float(rng.uniform(20, 60)),
        shot_electrons=float(rng.uniform(20_000, 150_000)),
        read_noise=float(rng.uniform(4, 25)),
        lamp=float(rng.uniform(0.001, 0.01)),
        lamp_seed=int(rng.integers(1, 1_000_000)),
        inverted=bool(rng.uniform() < 0.2),
    )


def _side(rng: np.random.Generator, step: float) -> float:
    """Return what lies beyond an end: from nothing to three steps, and often just about one."""
    return float(step * (rng.uniform(0.85, 1.15) if rng.uniform() < 0.35 else rng.uniform(0.0, 3.0)))


def _mounted(
    rng: np.random.Generator, layout: renderer.WedgeLayout, mount: Mount
) -> tuple[renderer.WedgeLayout, tuple[renderer.Piece, ...], tuple[float, float], tuple[float, float], float]:
    """Return the wedge in its place, all pieces, the size of the scan, what lies beyond the ends, and the bed."""
    left, top, width, height = layout.outline
    step = layout.step_mm
    lengthwise = layout.run in ("right", "left")
    across = float(rng.uniform(0.5, 4.0))
    ends = _side(rng, step), _side(rng, step)
    before, after = (ends[0], across) if lengthwise else (across, ends[0])
    behind, below = (ends[1], across) if lengthwise else (across, ends[1])
    leaning = abs(math.sin(math.radians(layout.place.angle_deg))) * max(width, height)
    opened = (left - before, top - after, width + before + behind, height + after + below)
    film = layout.border_density if layout.end_mm else None
    if mount in ("glass", "paper"):
        surround = 0.0 if mount == "glass" else float(rng.uniform(0.03, 0.09))
        place = replace(layout.place, x_mm=before + width / 2 + leaning / 2, y_mm=after + height / 2 + leaning / 2)
        size = (opened[2] + leaning, opened[3] + leaning)
        there = surround if film is None else film
        laid = replace(layout, place=place)
        return laid, (laid,), (max(size[0], 15.0), max(size[1], 15.0)), (there, there), surround
    margin = float(rng.uniform(4.0, 12.0))
    # A card's opening cuts a little of the wedge off across, or leaves a little open; it leans with the wedge.
    lip = float(rng.uniform(-0.15 * layout.width_mm, 1.5))
    bed_side = float(rng.uniform(3.0, 10.0)) if mount == "card" else 0.0
    whole = margin + bed_side + leaning
    place = replace(layout.place, x_mm=whole + before + width / 2, y_mm=whole + after + height / 2)
    size = (opened[2] + 2 * whole, opened[3] + 2 * whole)
    hole = (
        (opened[0], top - lip, opened[2], height + 2 * lip)
        if lengthwise
        else (left - lip, opened[1], width + 2 * lip, opened[3])
    )
    laid = replace(layout, place=place)
    holder = (
        renderer.Holder(place=place, openings=(hole,))
        if mount == "holder"
        else renderer.Holder(
            place=replace(place, x_mm=size[0] / 2, y_mm=size[1] / 2),
            openings=((hole[0] + place.x_mm - size[0] / 2, hole[1] + place.y_mm - size[1] / 2, hole[2], hole[3]),),
            size_mm=(size[0] - 2 * bed_side, size[1] - 2 * bed_side),
        )
    )
    first, last = (
        (0, 1) if (layout.densities[0] < layout.densities[-1]) == (layout.run in ("right", "down")) else (1, 0)
    )
    beyond = [film if film is not None else (0.0 if ends[k] > 0.15 * step else renderer.OPAQUE) for k in (first, last)]
    return laid, (laid, holder), size, (beyond[0], beyond[1]), 0.0
