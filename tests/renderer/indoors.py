"""Scenes under a roof."""

from __future__ import annotations

import numpy as np

from tests.renderer.bed import Array, blurred
from tests.renderer.drawing import Page, ball, lit

WINDOW_LIGHT = (-0.8, -0.45, 0.5)


def still_life(page: Page) -> None:
    """Fruit, a bottle and a jug on a table by a window."""
    rng, wide, edge = page.rng, page.aspect, 0.62
    glow = np.exp(-((page.x - 0.1 * wide) ** 2 + 1.4 * (page.y - 0.25) ** 2) * 1.6)
    page.stops[:] = 1.2 + 2.6 * glow + 0.18 * page.rough(1.2)
    table = np.asarray(2.4 + 1.0 * glow + 0.3 * page.rough(0.9, 8.0), np.float32)
    page.paint(page.below(page.ridge(edge, 0.0), 0.004), table)
    page.paint(page.polygon([(0.1 * wide, 1), (0.2 * wide, 0.72), (0.85 * wide, 0.7), (0.97 * wide, 1)]), _cloth(page))
    _turned(page, (0.3 * wide, 0.8), 0.55, _bottle, 1.6)
    _handle(page, (0.66 * wide, 0.79), 0.36)
    _turned(page, (0.66 * wide, 0.79), 0.36, _jug, 4.6)
    for _ in range(6):
        x, y = float(rng.uniform(0.36, 0.82)) * wide, float(rng.uniform(0.78, 0.9))
        radius = float(rng.uniform(0.045, 0.065))
        page.add(page.ellipse((x + 0.06, y + 0.7 * radius), (1.6 * radius, 0.5 * radius), 0.03), -1.6)
        shape, shade = ball(page, (x, y), radius, WINDOW_LIGHT)
        skin = 0.12 * rng.standard_normal(shade.shape, dtype=np.float32)
        page.paint(shape, np.asarray(float(rng.uniform(2.6, 4.4)) + 1.1 * shade + skin, np.float32))


def _handle(page: Page, foot: tuple[float, float], tall: float) -> None:
    x, y = foot[0] + 0.24 * tall, foot[1] - 0.62 * tall
    outer, inner = page.ellipse((x, y), (0.2 * tall, 0.24 * tall)), page.ellipse((x, y), (0.14 * tall, 0.18 * tall))
    before = page.stops[inner[0]].copy()
    page.paint(outer, 3.4 + 0.4 * page.rough(1.5))
    page.paint(inner, before)


def _cloth(page: Page) -> Array:
    folds = page.rough(2.2, 0.6)
    weave = 0.06 * page.rng.standard_normal(page.shape, dtype=np.float32)
    return np.asarray(5.5 + 0.9 * lit(0.02 * folds, page.pixel, (-0.8, -0.45, 1.2), 0.1) + weave, np.float32)


def _bottle(height: Array) -> Array:
    neck = 0.055 + 0.105 / (1 + np.exp((height - 0.62) * 28))
    return np.asarray(np.where(height > 0.97, 0.075, neck), np.float32)


def _jug(height: Array) -> Array:
    return np.asarray(0.2 + 0.12 * np.sin(np.pi * np.clip(height, 0, 1) ** 1.4) - 0.06 * height, np.float32)


def _turned(page: Page, foot: tuple[float, float], tall: float, profile: object, stops: float) -> None:
    """Draw a turned vessel: half width over height by its profile, lit from the window, with a shadow to the right."""
    x, y = foot
    page.add(page.ellipse((x + 0.22 * tall, y), (0.4 * tall, 0.05 * tall), 0.05), -1.5)
    part = page.part(x - 0.5 * tall, y - tall, x + 0.5 * tall, y)
    height = (np.float32(y) - page.y[part[0]]) / np.float32(tall)
    half = tall * profile(height)  # type: ignore[operator]
    across = (page.x[:, part[1]] - np.float32(x)) / half
    cover = np.clip((1 - np.abs(across)) * half / page.pixel, 0, 1) * (height >= 0) * (height <= 1)
    turn = np.clip(across, -1, 1)
    facing = np.maximum(0, -0.8 * turn + 0.5 * np.sqrt(1 - turn * turn))
    gloss = np.exp(-(((turn + 0.55) / 0.07) ** 2)) * (np.abs(height - 0.4) < 0.25)
    shade = np.log2(0.12 + 0.9 * facing + 2.0 * gloss)
    page.paint((part, cover.astype(np.float32)), (stops + shade).astype(np.float32))


def bust(page: Page) -> None:
    """Draw a plaster head against a dark wall, lit from one side."""
    rng, wide = page.rng, page.aspect
    side = -1.0 if rng.uniform() < 0.5 else 1.0
    page.stops[:] = 0.7 - 0.6 * side * (page.x / wide - 0.5) + 0.2 * page.rough(1.3)
    u = (page.x - np.float32(wide / 2)) / np.float32(0.9)
    v = (page.y - np.float32(0.42)) / np.float32(0.9)
    relief = _head(u, v)
    shape = blurred((relief > 0.004).astype(np.float32), 1.2)
    whole = (slice(0, page.shape[0]), slice(0, page.shape[1]))
    light = (0.9 * side, -0.5, 0.55)
    stone = 5.2 + lit(blurred(relief, 1.2), page.pixel / 0.9, light, 0.03) + 0.05 * page.rough(0.7)
    page.paint((whole, shape), np.asarray(stone, np.float32))
    page.paint(page.box(0, 0.955, wide, 1), 1.6 + 0.3 * page.rough(0.7, 8.0))


def _bump(u: Array, v: Array, at: tuple[float, float], radii: tuple[float, float]) -> Array:
    return np.asarray(np.exp(-(((u - at[0]) / radii[0]) ** 2) - ((v - at[1]) / radii[1]) ** 2), np.float32)


def _dome(u: Array, v: Array, at: tuple[float, float], radii: tuple[float, float]) -> Array:
    inside = 1 - ((u - at[0]) / radii[0]) ** 2 - ((v - at[1]) / radii[1]) ** 2
    return np.asarray(np.sqrt(np.maximum(inside, 0)), np.float32)


def _head(u: Array, v: Array) -> Array:
    """Return heights of a head and shoulders, 0 where there is only wall."""
    skull = 0.22 * _dome(u, v, (0, -0.06), (0.195, 0.25))
    jaw = 0.2 * _dome(u, v, (0, 0.06), (0.15, 0.2))
    face = _joined(skull, jaw, 0.03)
    face += (face > 0.03) * (
        0.07 * _bump(u, v, (0, 0.035), (0.026, 0.07))
        + 0.035 * _bump(u, v, (0, 0.085), (0.04, 0.022))
        + 0.02 * _bump(u, v, (0, -0.06), (0.12, 0.03))
        - 0.035 * _bump(u, v, (-0.07, -0.012), (0.04, 0.024))
        - 0.035 * _bump(u, v, (0.07, -0.012), (0.04, 0.024))
        + 0.018 * _bump(u, v, (-0.07, -0.012), (0.02, 0.013))
        + 0.018 * _bump(u, v, (0.07, -0.012), (0.02, 0.013))
        + 0.016 * _bump(u, v, (0, 0.135), (0.045, 0.012))
        + 0.018 * _bump(u, v, (0, 0.16), (0.038, 0.012))
        - 0.014 * _bump(u, v, (0, 0.147), (0.05, 0.006))
        + 0.03 * _bump(u, v, (0, 0.22), (0.05, 0.035))
        + 0.02 * _bump(u, v, (-0.1, 0.06), (0.04, 0.05))
        + 0.02 * _bump(u, v, (0.1, 0.06), (0.04, 0.05))
    )
    curls = np.sin(70 * u + 3 * np.sin(40 * v)) * np.sin(60 * v + 2 * np.sin(50 * u))
    face += (face > 0.02) * 0.010 * curls * (1 / (1 + np.exp((v + 0.16 - 0.35 * np.abs(u)) * 60)))
    wide = 0.1 + 0.12 / (1 + np.exp((0.42 - v) * 30))
    neck = 0.13 * np.sqrt(np.maximum(0, 1 - (u / wide) ** 2)) * (v > 0.1)
    chest = 0.17 * _dome(u, v, (0, 0.66), (0.43, 0.29))
    return _joined(face, _joined(neck.astype(np.float32), chest, 0.05), 0.004)


def _joined(first: Array, second: Array, soft: float) -> Array:
    """Return the higher of two reliefs, with the seam rounded over `soft`, and 0 where both are."""
    gap = np.maximum(soft - np.abs(first - second), 0) / soft
    return np.asarray(np.maximum(first, second) + (np.minimum(first, second) > 0) * gap * gap * soft / 4, np.float32)


def room(page: Page) -> None:
    """Draw a dim room with a bright window: the range goes beyond any film."""
    rng, wide = page.rng, page.aspect
    x0, x1 = 0.52 * wide, 0.82 * wide
    spread = np.exp(-np.hypot(page.x - (x0 + x1) / 2, page.y - 0.35) * 2.0)
    page.stops[:] = -0.4 + 2.6 * spread + 0.2 * page.rough(1.2)
    page.paint(page.polygon([(0, 1), (0, 0.9), (0.3 * wide, 0.72), (wide, 0.72), (wide, 1)]), _boards(page, spread))
    window = page.box(x0, 0.12, x1, 0.55)
    outside = 6.6 + 0.5 * page.rough(1.1) - 1.5 * (page.y > 0.42)
    page.paint(window, np.asarray(outside, np.float32))
    for place in (0.0, 0.5, 1.0):
        bar = x0 + (x1 - x0) * place
        page.paint(page.box(bar - 0.008, 0.12, bar + 0.008, 0.55), 1.6)
        y = 0.12 + 0.43 * place
        page.paint(page.box(x0 - 0.008, y - 0.008, x1 + 0.008, y + 0.008), 2.0)
    for side, lean in ((x0 - 0.05, -0.03), (x1 + 0.05, 0.03)):
        folds = np.sin((page.x - side) * 260) * 0.5 + 0.1 * page.rough(1.0)
        shape = page.polygon(
            [(side - 0.04, 0.08), (side + 0.04, 0.08), (side + 0.05 + lean, 0.68), (side - 0.05 + lean, 0.68)]
        )
        page.paint(shape, np.asarray(2.6 + folds, np.float32))
    _chair(page, (float(rng.uniform(0.12, 0.3)) * wide, 0.88))
    patch = page.polygon([(0.3 * wide, 0.96), (0.5 * wide, 0.8), (0.7 * wide, 0.8), (0.58 * wide, 0.96)])
    page.add(patch, 2.4)


def _boards(page: Page, spread: Array) -> Array:
    lines = np.abs(np.sin((page.x - page.aspect / 2) / np.maximum(page.y - 0.45, 0.05) * 9))
    return np.asarray(0.8 + 2.0 * spread + 0.3 * page.rough(0.8, 4.0) - 1.2 * (lines < 0.06), np.float32)


def _chair(page: Page, foot: tuple[float, float]) -> None:
    x, y = foot
    for dx, tall in ((-0.08, 0.42), (0.08, 0.42), (-0.05, 0.18), (0.11, 0.18)):
        page.paint(page.stroke((x + dx, y, x + dx, y - tall), (0.014, 0.014)), 1.2)
    for lift in (0.40, 0.33, 0.26):
        page.paint(page.stroke((x - 0.08, y - lift, x + 0.08, y - lift), (0.018, 0.018)), 1.7)
    seat = [(x - 0.09, y - 0.2), (x + 0.07, y - 0.2), (x + 0.13, y - 0.16), (x - 0.06, y - 0.16)]
    page.paint(page.polygon(seat), 2.4)
