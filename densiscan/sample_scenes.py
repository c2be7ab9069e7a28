"""Invented scenes with the statistics of photographs, drawn as maps of luminance in stops."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.errors import WrongUseError
from densiscan.sample_bed import Array, blurred

LOG_STOP: Final = math.log10(2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A scene and how the camera took it.

    Parameters
    ----------
    scene
        One of `SCENES`.
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
    """

    scene: str = "mill"
    seed: int = 1
    range_stops: float = 7.0
    shadow_stops: float = 1.0
    falloff_stops: float = 0.3
    flare: float = 0.01
    penumbra_mm: float = 0.15

    def __post_init__(self) -> None:
        if self.scene not in SCENES:
            raise WrongUseError(f"there is no scene called {self.scene}; there are {', '.join(SCENES)}.")


def luminance(picture: Picture, shape: tuple[int, int]) -> Array:
    """Return log2 luminance at the film in stops above the subject's 1st percentile, shape (rows, columns)."""
    rng = np.random.default_rng([picture.seed, 11])
    stops = SCENES[picture.scene](shape, rng)
    low, high = np.quantile(stops[::3, ::3], (0.01, 0.99))
    stops = (stops - np.float32(low)) * np.float32(picture.range_stops / max(high - low, 1e-6))
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    return np.asarray(stops - np.float32(picture.falloff_stops) * ((x * x + y * y) / 2) ** 2, np.float32)


def rough(shape: tuple[int, int], rng: np.random.Generator, power: float = 1.0, stretch: float = 1.0) -> Array:
    """Return texture whose amplitude falls as 1 / frequency**power, mean 0, standard deviation 1.

    `stretch` above 1 draws it out along x.
    """
    rows, columns = shape
    fy = np.fft.fftfreq(rows)[:, None].astype(np.float32)
    fx = np.fft.rfftfreq(columns)[None, :].astype(np.float32) * np.float32(stretch)
    radius = np.maximum(np.hypot(fx, fy), 1 / max(rows, columns))
    noise = np.fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    out = np.fft.irfft2(noise * radius ** np.float32(-power), shape).astype(np.float32)
    out -= out.mean()
    return np.asarray(out / max(float(out.std()), 1e-9), np.float32)


def _mill(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    rows, columns = shape
    y = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    x = np.linspace(0, 1, columns, dtype=np.float32)[None, :]
    sky = 5.6 - 1.2 * y + 0.35 * rough(shape, rng, 1.6, 2.0)
    hill = 0.45 + 0.08 * np.sin(5 * x + 1) + 0.04 * np.sin(13 * x)
    land = 2.4 + 0.9 * rough(shape, rng, 1.0)
    return np.asarray(blurred(np.where(y < hill, sky, land + 0 * y).astype(np.float32), 0.7), np.float32)


def _fog(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    y = np.linspace(0, 1, shape[0], dtype=np.float32)[:, None]
    return np.asarray(3 - 1.5 * y + 0.4 * rough(shape, rng, 1.5), np.float32)


SCENES: Final[dict[str, Callable[[tuple[int, int], np.random.Generator], Array]]] = {"mill": _mill, "fog": _fog}
