"""Invented scenes with the statistics of photographs, drawn as maps of luminance in stops."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.errors import WrongUseError
from tests.renderer.bed import Array, blurred
from tests.renderer.charts import patches, strips
from tests.renderer.drawing import Page
from tests.renderer.indoors import bust, room, still_life
from tests.renderer.outdoors import facade, foggy_field, mill, night_street, shore, snow_lane, wood
from tests.renderer.ruled import blinds, fence, glazing

LOG_STOP: Final = math.log10(2)
LENS_BLUR_CELLS: Final = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A scene and how the camera took it.

    Parameters
    ----------
    scene
        One of `SCENES`, `RULED` or `CHARTS`.
    seed
        Varies the scene.
    range_stops
        Luminance range of the subject, 1st to 99th percentile.
    shadow_stops
        Stops by which the 1st percentile lies above the film's speed point; negative is underexposed.
    falloff_stops
        Light lost in the corners (vignetting).
    flare
        Share of the mean image light that camera and lens spread evenly.
    penumbra_mm
        Width of the soft edge of the frame.
    quarter_turns
        How the picture lies on the film, anticlockwise quarter turns; a film scanned from the back is also `mirrored`.
    """

    scene: str = "mill"
    seed: int = 1
    range_stops: float = 7.0
    shadow_stops: float = 1.0
    falloff_stops: float = 0.3
    flare: float = 0.01
    penumbra_mm: float = 0.15
    quarter_turns: int = 0
    mirrored: bool = False

    def __post_init__(self) -> None:
        if self.scene not in SCENES | RULED | CHARTS:
            raise WrongUseError(f"there is no scene called {self.scene}; there are {', '.join(SCENES)}.")


def luminance(picture: Picture, shape: tuple[int, int]) -> Array:
    """Return log2 luminance at the film in stops above the subject's 1st percentile, shape (rows, columns)."""
    rng = np.random.default_rng([picture.seed, 11])
    page = Page(shape if picture.quarter_turns % 2 == 0 else shape[::-1], rng)
    (SCENES | RULED | CHARTS)[picture.scene](page)
    drawn = np.rot90(page.stops, picture.quarter_turns)
    stops = blurred(np.ascontiguousarray(drawn[:, ::-1] if picture.mirrored else drawn), LENS_BLUR_CELLS)
    low, high = np.quantile(stops[::3, ::3], (0.01, 0.99))
    stops = (stops - np.float32(low)) * np.float32(picture.range_stops / max(high - low, 1e-6))
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    return np.asarray(stops - np.float32(picture.falloff_stops) * ((x * x + y * y) / 2) ** 2, np.float32)


SCENES: Final[dict[str, Callable[[Page], None]]] = {
    "mill": mill,
    "still-life": still_life,
    "bust": bust,
    "snow-lane": snow_lane,
    "night-street": night_street,
    "foggy-field": foggy_field,
    "facade": facade,
    "wood": wood,
    "shore": shore,
    "room": room,
}

RULED: Final[dict[str, Callable[[Page], None]]] = {"glazing": glazing, "blinds": blinds, "fence": fence}
"""Scenes in even stripes, which could be taken for a wedge; random draws leave them to who asks for them."""

CHARTS: Final[dict[str, Callable[[Page], None]]] = {"patches": patches, "strips": strips}
"""Pictures that are no photographs, for trials of where a frame ends: they are never drawn at random."""
