"""Invented pictures whose shadow and highlight rest on few places: even patches, strips along an edge."""

from __future__ import annotations

import math

import numpy as np

from tests.renderer.drawing import Page


def patches(page: Page) -> None:
    """Draw even patches on an even ground: the darkest and the lightest of them fill about a hundredth each."""
    rng = page.rng
    page.stops[:] = 4.0
    for tone in (2.5, 5.5, 3.2, 4.8):
        _patch(page, tone, float(rng.uniform(0.03, 0.1)))
    for tone in (0.0, 8.0):
        _patch(page, tone + float(rng.uniform(-0.5, 0.5)), float(rng.uniform(0.004, 0.025)))
    page.stops += 0.02 * page.rough(0.6)


def _patch(page: Page, tone: float, area: float) -> None:
    """Put a patch of a share of the page anywhere on it; one in three lies at an edge."""
    rng = page.rng
    wide = math.sqrt(area * page.aspect * float(rng.uniform(0.6, 1.6)))
    tall = area * page.aspect / wide
    left, top = float(rng.uniform(0, page.aspect - wide)), float(rng.uniform(0, 1 - tall))
    edge = int(rng.integers(12))
    left = {0: 0.0, 1: page.aspect - wide}.get(edge, left)
    top = {2: 0.0, 3: 1 - tall}.get(edge, top)
    # beyond the page, so that an edge of it leaves no soft line of the ground
    reach = 0.02
    ends = left - reach * (edge == 0), top - reach * (edge == 2)
    page.paint(page.box(*ends, left + wide + reach * (edge == 1), top + tall + reach * (edge == 3)), tone)


def strips(page: Page) -> None:
    """Draw a wall with a narrow strip of sky along one edge and of dark ground along another."""
    rng = page.rng
    page.stops[:] = 4.0
    page.stops += 0.5 * page.rough(0.9)
    first = int(rng.integers(4))
    second = (first + int(rng.integers(1, 4))) % 4
    for edge, tone in ((first, 8.0), (second, 0.0)):
        deep = float(rng.uniform(0.004, 0.04))
        box = (
            (-0.1, -0.1, deep, 1.1),
            (-0.1, -0.1, page.aspect + 0.1, deep),
            (page.aspect - deep, -0.1, page.aspect + 0.1, 1.1),
            (-0.1, 1 - deep, page.aspect + 0.1, 1.1),
        )[edge]
        page.paint(page.box(*box), np.float32(tone) + np.float32(0.05) * page.rough(0.9))
