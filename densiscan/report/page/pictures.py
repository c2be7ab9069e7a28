"""A kept negative as what a page can show: pictures as data, and its map of readings as compact text."""

from __future__ import annotations

import base64
import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from densiscan.negative.preview import Thousandths

Gray = NDArray[np.uint8]

PAPER_BLACK: Final = 2.0
"""Net reflection density of a glossy paper's deepest black (common practice): enough for a rough look."""

FIRST_TONE: Final = 0.04
"""Density above paper base plus fog at which the first tone shows (published: ISO 6846, point T)."""

DEEP_SHADE: Final = 0.9
"""Share of the net black that ends the useful range (published: ISO 6846, point S)."""

_PAPER_WHITE: Final = 0.05
_ESCAPE: Final = 0
_LARGEST_STEP: Final = 127


def clearest_density(picture: Thousandths) -> float:
    """Return the density that is drawn white: that of the clearest part, single specks apart."""
    return float(np.quantile(picture, 0.005)) / 1000.0


def negative_gray(picture: Thousandths) -> Gray:
    """Return the negative as on a light table, its clearest part white; gray as screens expect it (sRGB)."""
    clearest = clearest_density(picture)
    return _gray_of(picture, lambda density: 10.0 ** np.minimum(clearest - density, 0.0))


def print_gray(picture: Thousandths, *, middle: float, paper_range: float) -> Gray:
    """Return roughly what a print would look like.

    A paper's curve is taken as logistic between its first tone and 90 % of its net black, `paper_range` apart (density
    units), and the exposure such that `middle`, a density of the negative, falls half way between them.
    """
    low, high = (
        math.log(FIRST_TONE / PAPER_BLACK / (1.0 - FIRST_TONE / PAPER_BLACK)),
        math.log(DEEP_SHADE / (1.0 - DEEP_SHADE)),
    )

    def reflectance(density: NDArray[np.float64]) -> NDArray[np.float64]:
        place = 0.5 * (low + high) + (middle - density) * (high - low) / paper_range
        printed = _PAPER_WHITE + PAPER_BLACK / (1.0 + np.exp(-np.clip(place, -40.0, 40.0)))
        return np.asarray(10.0 ** (_PAPER_WHITE - printed))

    return _gray_of(picture, reflectance)


def _gray_of(picture: Thousandths, light_of: object) -> Gray:
    """Return the gray of each density by a table over all that occur."""
    low, high = int(picture.min()), int(picture.max())
    light = np.clip(light_of(np.arange(low, high + 1) / 1000.0), 0.0, 1.0)  # type: ignore[operator]
    # IEC 61966-2-1: how screens expect light to be coded.
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
    return np.asarray(np.rint(255.0 * coded).astype(np.uint8)[picture.astype(np.int64) - low])


def smaller(gray: Gray, longest_px: int) -> Gray:
    """Return a picture averaged down to about this length."""
    by = max(1, round(max(gray.shape) / longest_px))
    rows, columns = max(gray.shape[0] // by, 1), max(gray.shape[1] // by, 1)
    by_y, by_x = min(by, gray.shape[0]), min(by, gray.shape[1])
    blocks = gray[: rows * by_y, : columns * by_x].reshape(rows, by_y, columns, by_x)
    return np.asarray(np.rint(blocks.mean(axis=(1, 3))).astype(np.uint8))


def picture_data(gray: Gray, *, quality: int = 78) -> str:
    """Return a picture as a data address that stands in the page itself."""
    import imagecodecs

    coded = bytes(imagecodecs.jpeg8_encode(np.ascontiguousarray(gray), level=quality))
    return "data:image/jpeg;base64," + base64.b64encode(coded).decode("ascii")


def map_text(readings: Thousandths) -> str:
    """Return a map of readings as base64: each as its step from the one before, one byte where it is small.

    A byte is the step plus 128; a zero byte says that the two bytes after it are the reading itself, high byte first.
    The reading before the first of a row is the first of the row above, before the first of all 0.
    """
    values = readings.astype(np.int64)
    before = np.empty_like(values)
    before[:, 1:] = values[:, :-1]
    before[1:, 0] = values[:-1, 0]
    before[0, 0] = 0
    steps = (values - before).ravel()
    large = np.abs(steps) > _LARGEST_STEP
    sizes = np.where(large, 3, 1)
    places = np.cumsum(sizes) - sizes
    coded = np.zeros(int(sizes.sum()), np.uint8)
    coded[places[~large]] = steps[~large] + _LARGEST_STEP + 1
    whole = values.ravel()[large] & 0xFFFF
    coded[places[large]] = _ESCAPE
    coded[places[large] + 1] = whole >> 8
    coded[places[large] + 2] = whole & 0xFF
    return base64.b64encode(coded.tobytes()).decode("ascii")
