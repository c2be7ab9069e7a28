"""Scenes that are ruled: glazing bars, blinds, fences; what lies in even stripes and is no step wedge."""

from __future__ import annotations

import numpy as np

from tests.renderer.bed import Array
from tests.renderer.drawing import Page


def glazing(page: Page) -> None:
    """Draw a dark hall lit through one wall of panes: their light falls off from pane to pane, each pane even."""
    rng, wide = page.rng, page.aspect
    page.stops[:] = 0.4 + 0.25 * page.rough(1.2) + 1.2 * np.exp(-2.5 * np.abs(page.y - 0.4))
    across, down = int(rng.integers(4, 11)), int(rng.integers(1, 5))
    left, top = float(rng.uniform(0.0, 0.06)) * wide, float(rng.uniform(0.0, 0.2))
    right, bottom = float(rng.uniform(0.92, 1.0)) * wide, float(rng.uniform(0.65, 1.0))
    bar = float(rng.uniform(0.003, 0.02))
    fall = float(rng.uniform(0.3, 0.9)) * (1 if rng.uniform() < 0.5 else -1)
    level = 4.5 - (0 if fall > 0 else fall * (across - 1))
    for column in range(across):
        for row in range(down):
            x = [left + (right - left) * (column + k) / across for k in (0, 1)]
            y = [top + (bottom - top) * (row + k) / down for k in (0, 1)]
            light = level + 0.0 - fall * column - float(rng.uniform(0, 0.25)) * row
            pane = page.box(x[0] + bar / 2, y[0] + bar / 2, x[1] - bar / 2, y[1] - bar / 2)
            page.paint(pane, np.asarray(light + 0.06 * page.rough(1.4), np.float32))


def blinds(page: Page) -> None:
    """Draw slats before a bright window, each lit more than the one below it, up or across the page."""
    rng = page.rng
    upright = rng.uniform() < 0.5
    along = page.x / page.aspect + 0 * page.y if upright else page.y + 0 * page.x
    count = int(rng.integers(8, 30))
    place = along * count
    slat = np.floor(place)
    inside = place - slat
    shade = float(rng.uniform(0.1, 0.35)) * (slat - count / 2) * (1 if rng.uniform() < 0.5 else -1)
    gap = float(rng.uniform(0.0, 0.25))
    page.stops[:] = 3.5 + shade + float(rng.uniform(0, 0.6)) * (inside - 0.5) + 0.05 * page.rough(1.2)
    whole = (slice(0, page.shape[0]), slice(0, page.shape[1]))
    page.paint((whole, (inside < gap).astype(np.float32)), np.asarray(6.0 + 0.3 * page.rough(1.2), np.float32))
    if rng.uniform() < 0.6:
        _sill(page, float(rng.uniform(0.75, 0.95)))


def fence(page: Page) -> None:
    """Draw palings across the page, their light falling off along the fence, sky above them and grass below."""
    rng, wide = page.rng, page.aspect
    page.stops[:] = 5.5 + 0.3 * page.rough(1.3)
    count = int(rng.integers(6, 26))
    gap, top = float(rng.uniform(0.0, 0.4)), float(rng.uniform(0.02, 0.35))
    fall = float(rng.uniform(-4.0, 4.0))
    for number in range(count):
        left = wide * (number + gap / 2) / count
        right = wide * (number + 1 - gap / 2) / count
        wood: Array = np.asarray(2.5 + fall * (number / count - 0.5) + 0.12 * page.rough(1.0, 0.1), np.float32)
        page.paint(page.box(left, top, right, 1.0), wood)
    if rng.uniform() < 0.5:
        page.paint(page.box(0.0, 0.88, wide, 1.0), np.asarray(2.0 + 0.5 * page.rough(0.7, 0.3), np.float32))


def _sill(page: Page, at: float) -> None:
    page.paint(page.box(0.0, at, page.aspect, 1.0), np.asarray(1.0 + 0.3 * page.rough(1.0), np.float32))
