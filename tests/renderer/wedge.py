"""A rendered step wedge: even steps in a row, with whatever lies beside and between them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

import numpy as np

from densiscan.errors import WrongUseError
from tests.renderer.bed import Array, Bed, Box, Place, Window, box_cover, numeral, ramp
from tests.renderer.faults import Blemishes, near_pixels
from tests.renderer.film import LN10, grain
from tests.renderer.truth import StepTruth, WedgeTruth

Run = Literal["right", "down", "left", "up"]
RUNS: Final[tuple[Run, ...]] = ("right", "down", "left", "up")


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeLayout:
    """A step wedge as it lies on the bed.

    Parameters
    ----------
    densities
        True densities in the order of the wedge file.
    place
        Centre (of the whole outline) and angle.
    run
        The way the step numbers rise on the bed before turning.
    step_mm, width_mm
        Length of a step along the row, and across it.
    border_mm
        Film beside the steps on either long side, `border_density` dense; 0 for none.
    end_mm
        The same film beyond the first and the last step.
    numerals
        Step numbers in the border (or at the rim of the steps when there is no border wide enough).
    line_mm
        Width of a thin line between steps; 0 for none.
    line_density
        Density of those lines: near 0 clear, high dark.
    mask_mm
        Width of an opaque mask around the wedge, 0 for open glass; the opening shows the steps less `lip_mm`
        all round (a negative lip leaves open glass or border round them).
    reflection
        A wedge on paper: densities are reflection densities, and nothing under it shows.
    """

    densities: tuple[float, ...]
    place: Place
    run: Run = "right"
    step_mm: float = 5.0
    width_mm: float = 12.0
    border_mm: float = 0.0
    border_density: float = 0.05
    end_mm: float = 0.0
    numerals: bool = False
    line_mm: float = 0.0
    line_density: float = 2.5
    mask_mm: float = 0.0
    lip_mm: float = 0.0
    granularity: float = 8.0
    reflection: bool = False
    blemishes: Blemishes = field(default_factory=Blemishes)

    def __post_init__(self) -> None:
        if len(self.densities) < 2:
            raise WrongUseError("a rendered wedge needs at least two steps.")

    @property
    def _lengthwise(self) -> bool:
        return self.run in ("right", "left")

    def _box(self, start: float, length: float, across: float) -> Box:
        """Return the box from `start` (along the run, from the wedge's centre) in own coordinates."""
        first = start if self.run in ("right", "down") else -start - length
        if self._lengthwise:
            return first, -across / 2, length, across
        return -across / 2, first, across, length

    def step_box(self, index: int) -> Box:
        """Return the box of a step (0 is the first of the file) in own coordinates."""
        start = (index - len(self.densities) / 2) * self.step_mm
        return self._box(start, self.step_mm, self.width_mm)

    @property
    def outline(self) -> Box:
        """The wedge with its borders, in own coordinates."""
        length = len(self.densities) * self.step_mm + 2 * self.end_mm
        return self._box(-length / 2, length, self.width_mm + 2 * self.border_mm)

    def lay(self, bed: Bed, rng: np.random.Generator) -> Callable[[], WedgeTruth]:
        """Lay the wedge on the bed; what is returned tells its true values."""
        window = bed.window(self.place, self.outline)
        if window is not None:
            density = self._density(window, bed.pitch_mm)
            light = np.exp(np.float32(-LN10) * density) * grain(density, self.granularity, bed.pitch_mm, rng)
            self.blemishes.scar(light, window, self.outline, bed.pitch_mm, rng)
            put = bed.replace if self.reflection else bed.lay
            put(window, light, box_cover(window, self.outline, bed.pitch_mm))
        if self.mask_mm:
            self._mask(bed)
        return self.truth

    def truth(self) -> WedgeTruth:
        """Return densities, boxes and centres of the steps."""
        steps = []
        for index, density in enumerate(self.densities):
            box = self.step_box(index)
            x, y = self.place.on_bed(box[0] + box[2] / 2, box[1] + box[3] / 2)
            steps.append(StepTruth(number=index + 1, density=density, box_mm=self.place.box(*box), x_mm=x, y_mm=y))
        outline = self.place.box(*self.outline)
        return WedgeTruth(steps=tuple(steps), outline_mm=outline, angle_deg=self.place.angle_deg)

    def _density(self, window: Window, soft: float) -> Array:
        """Return the density of every pixel of the window, edges mixed in transmittance."""
        half = len(self.densities) * self.step_mm / 2
        along = {"right": window.u, "left": -window.u, "down": window.v, "up": -window.v}[self.run]
        # each step takes over from the one before, so that no light shows between them
        steps = np.full(window.u.shape, 10.0 ** -self.densities[0], np.float32)
        for index, density in enumerate(self.densities[1:], start=1):
            steps += ramp(along + (half - index * self.step_mm), soft) * (np.float32(10.0**-density) - steps)
        base = np.float32(10.0**-self.border_density)
        light = base + box_cover(window, self._box(-half, 2 * half, self.width_mm), soft) * (steps - base)
        if self.line_mm:
            for index in range(1, len(self.densities)):
                start = (index - len(self.densities) / 2) * self.step_mm - self.line_mm / 2
                _put(light, window, self._box(start, self.line_mm, self.width_mm), self.line_density, soft)
        if self.numerals:
            for index, density in enumerate(self.densities):
                ink = self.border_density if density > 1 and self.border_mm < 2 else 2.2
                for dot in self._numeral(index):
                    _put(light, window, dot, ink, soft)
        return np.asarray(-np.log10(light), np.float32)

    def _numeral(self, index: int) -> list[Box]:
        """Return the dots of a step's number, upright on the wedge's own page."""
        text = str(index + 1)
        wide = 4 * len(text) - 1
        beside = self.border_mm >= 2
        # a fifth of the step's width at its rim, where there is no border: its middle stays free to be read
        space = self.border_mm if beside else self.width_mm / 5
        left, top, width, height = self.step_box(index)
        if self._lengthwise:
            dot = min(0.6 * space / 5, 0.8 * self.step_mm / wide)
            x = left + width / 2 - dot * wide / 2
            y = top + height + (0.2 * space if beside else -0.2 * space - 5 * dot)
        else:
            dot = min(0.6 * space / wide, 0.6 * self.step_mm / 5)
            x = left + width + (0.2 * space if beside else -0.2 * space - wide * dot)
            y = top + height / 2 - 2.5 * dot
        return numeral(text, x, y, dot)

    def _mask(self, bed: Bed) -> None:
        left, top, width, height = self._box(
            -len(self.densities) * self.step_mm / 2, len(self.densities) * self.step_mm, self.width_mm
        )
        lip = self.lip_mm
        opening = (left + lip, top + lip, width - 2 * lip, height - 2 * lip)
        wide = self.mask_mm
        card = (opening[0] - wide, opening[1] - wide, opening[2] + 2 * wide, opening[3] + 2 * wide)
        bed.mask(self.place, card, [opening])


def _put(light: Array, window: Window, box: Box, density: float, soft: float) -> None:
    left, top, width, height = box
    near = near_pixels(window, (left + width / 2, top + height / 2), math.hypot(width, height) / 2 + soft)
    if near is None:
        return
    part = light[near]
    cover = box_cover(Window(near[0], near[1], window.u[near], window.v[near]), box, soft)
    part += cover * (np.float32(10.0**-density) - part)


def even_densities(count: int = 21, increment: float = 0.15, first: float = 0.05) -> tuple[float, ...]:
    """Return densities that rise by equal steps."""
    return tuple(round(first + increment * index, 6) for index in range(count))


def write_wedge_file(path: Path, densities: Sequence[float], uncertainty: float | None = None) -> None:
    """Write a wedge file: `step,density` and the expanded uncertainty where one is given."""
    lines = ["step,density" + (",uncertainty" if uncertainty is not None else "")]
    for index, density in enumerate(densities):
        end = f",{uncertainty:.3f}" if uncertainty is not None else ""
        lines.append(f"{index + 1},{density:.3f}{end}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
