"""Scenes out of doors, each a function of a page that it fills with luminance in stops."""

from __future__ import annotations

import math

import numpy as np

from tests.renderer.bed import Array
from tests.renderer.drawing import Page, bare_tree, crown, front, tree, wrapped


def _sky(page: Page, horizon: float, stops: float, clouds: float) -> None:
    """Fill the page with a sky that brightens to the horizon, and clouds in perspective."""
    page.stops[:] = stops + 0.7 * (page.y / horizon - 1)
    deck = page.plane(horizon + 0.12, 0.09, 1.5, up=True)
    page.stops += clouds * np.maximum(0, np.tanh(1.2 * deck + 0.1)) * np.minimum(1, page.y + 0.4)


def _hills(page: Page, heights: list[tuple[float, float, float]]) -> None:
    """Draw ridges from far to near: (height, swing, stops)."""
    for height, swing, stops in heights:
        line = page.ridge(height, swing)
        page.paint(page.below(line), stops + 0.3 * page.rough(0.9, 2.0))


def _water(page: Page, shore: float, dim: float) -> None:
    """Mirror what stands above the shore in rippled water below it."""
    rows = page.shape[0]
    y = page.y[page.y[:, 0] > shore]
    ripple = page.plane(shore - 0.02, 0.05, 0.7)[rows - y.shape[0] :]
    depth = (y - shore) * 1.05
    mirrored = (shore - depth) * rows - 0.5 + 6 * rows / 1000 * ripple * (0.3 + 6 * depth)
    column = np.arange(page.shape[1], dtype=np.float32)[None, :] + 2.0 * ripple
    seen = wrapped(page.stops, np.abs(mirrored).astype(np.float32), np.asarray(column, np.float32))
    page.stops[rows - y.shape[0] :] = seen - dim - 0.8 * depth + 0.18 * ripple


def _grass(page: Page, top: float, stops: float, count: int) -> None:
    """Draw blades along the bottom, longer towards it."""
    rng = page.rng
    for place in np.sort(rng.uniform(top, 1.12, count)):
        near = float(place - top) / (1.12 - top)
        x, tall = float(rng.uniform(0, page.aspect)), (0.02 + 0.12 * near) * float(rng.uniform(0.5, 1.2))
        lean = float(rng.normal(0, 0.35)) * tall
        tone = stops + float(rng.normal(0, 0.9)) - 0.6 * near
        page.paint(page.stroke((x, float(place), x + lean, float(place) - tall), (0.005 * near + 0.001, 0.0)), tone)


def mill(page: Page) -> None:
    """Draw a water mill by a pond, hills behind it, reeds in front."""
    rng, wide = page.rng, page.aspect
    _sky(page, 0.5, 6.0, 0.9)
    _hills(page, [(0.42, 0.02, 4.6), (0.47, 0.025, 3.8), (0.52, 0.015, 3.0)])
    x = float(rng.uniform(0.3, 0.55)) * wide
    size = 0.24 * min(wide, 1.2)
    for at in np.sort(rng.uniform(0, 1, 14)):
        tree(page, (float(at) * wide, 0.57), float(rng.uniform(0.1, 0.2)), float(rng.uniform(1.8, 2.8)))
    tree(page, (x + 1.75 * size, 0.63), float(rng.uniform(0.4, 0.5)), 1.9)
    front(page, (x, 0.44, x + size, 0.63), 5.2, 3.6)
    hub, radius = (x - 0.02 * size, 0.56), 0.34 * size
    ring = page.ellipse(hub, (radius, radius))
    page.paint(ring, 1.0 + 0.0 * ring[1])
    page.paint(page.ellipse(hub, (0.86 * radius, 0.86 * radius)), 3.4)
    for spoke in range(8):
        angle = spoke * math.pi / 4 + 0.2
        end = (hub[0] + radius * math.cos(angle), hub[1] + radius * math.sin(angle))
        page.paint(page.stroke((*hub, *end), (0.012 * size * 4, 0.008 * size * 4)), 0.8)
    bank = page.ridge(0.625, 0.004)
    page.paint(page.below(bank), 2.0 + 0.6 * page.rough(0.7, 3.0))
    _water(page, 0.65, 0.5)
    front_bank = page.ridge(0.93, 0.02)
    page.paint(page.below(front_bank), 1.2 + 0.9 * page.rough(0.6))
    _grass(page, 0.86, 1.6, 500)


def snow_lane(page: Page) -> None:
    """Draw a lane in snow between bare trees and fences under a gray sky."""
    rng, wide, horizon = page.rng, page.aspect, 0.44
    page.stops[:] = 5.0 + 0.5 * page.y + 0.15 * page.rough(1.6, 2.0)
    _hills(page, [(0.40, 0.015, 4.2), (0.43, 0.01, 3.7)])
    snow = 6.4 + 0.28 * page.plane(horizon, 0.06, 1.0) - 0.5 * (1 - page.y)
    page.paint(page.below(page.ridge(horizon + 0.01, 0.003)), snow)
    end = (0.5 * wide + float(rng.normal(0, 0.05)), horizon)
    for rut in (-0.34, -0.2, 0.2, 0.34):
        foot = 0.5 * wide + rut
        track = page.polygon([end, (foot - 0.035, 1.0), (foot + 0.035, 1.0)])
        page.add(track, -1.0 + 0.5 * page.plane(horizon, 0.03, 0.6))
    for side in (-1, 1):
        for far in (0.06, 0.1, 0.16, 0.26, 0.42):
            x = end[0] + side * far * 1.9
            foot = horizon + far * 0.95
            if 0 < x < wide:
                page.paint(page.stroke((x, foot, x, foot - 0.45 * far), (0.06 * far, 0.06 * far)), 1.6)
        page.paint(page.stroke((*end, end[0] + side * 1.2, horizon + 0.6 - 0.19), (0.001, 0.02)), 2.0)
        for far in (0.12, 0.2, 0.34):
            x = end[0] + side * (far * 2.3 + 0.05)
            foot = horizon + far * 0.8
            shadow = page.stroke((x, foot, x + 1.3 * far, foot + 0.12 * far), (0.1 * far, 0.04 * far))
            page.add(shadow, -1.1)
            bare_tree(page, (x, foot), 2.0 * far, 0.8)


def foggy_field(page: Page) -> None:
    """Draw a flat field in fog: trees that fade with distance, hardly any black or white."""
    rng, wide, horizon = page.rng, page.aspect, 0.52
    page.stops[:] = 3.2 - 0.2 * page.y + 0.08 * page.rough(1.8)
    ground = 3.0 - 1.0 * (page.y - horizon) + 0.3 * page.plane(horizon, 0.05, 0.8)
    page.paint(page.below(page.ridge(horizon, 0.004), 0.03), ground)
    for far in (0.12, 0.16, 0.22, 0.32, 0.5):
        fade = 3.1 - 1.7 * far**0.5
        for _ in range(3):
            x = float(rng.uniform(0, 1)) * wide
            foot = horizon + 0.22 * far
            if rng.uniform() < 0.5:
                bare_tree(page, (x, foot), 1.1 * far, fade)
            else:
                tree(page, (x, foot), 0.9 * far, fade)
    veil = 0.35 * (1 - np.abs(page.y - horizon) * 2)
    page.stops[:] = 2.9 + (page.stops - 2.9) * (1 - np.clip(veil, 0, 1))
    _grass(page, 0.8, 1.6, 250)


def night_street(page: Page) -> None:
    """Draw a street at night: black sky, lamps with halos, lit windows, their light on the wet road."""
    rng, wide, horizon = page.rng, page.aspect, 0.55
    page.stops[:] = -4.0
    light = np.full(page.shape, 2.0**-7, np.float32)
    road = (page.y - horizon) / 0.5 * wide > np.abs(page.x - 0.5 * wide)
    wet = page.plane(horizon, 0.04, 0.7)
    for side in (-1, 1):
        for house in range(7):
            near, far = 0.9 * 0.7**house, 0.9 * 0.7 ** (house + 1)
            x0, x1 = 0.5 * wide + side * near * wide, 0.5 * wide + side * far * wide
            tall0, tall1 = 0.75 * near, 0.75 * far
            lift = float(rng.uniform(0.8, 1.2))
            wall = page.polygon(
                [
                    (x0, horizon + 0.5 * near),
                    (x0, horizon - lift * tall0),
                    (x1, horizon - lift * tall1),
                    (x1, horizon + 0.5 * far),
                ]
            )
            page.paint(wall, float(rng.uniform(-1.6, -0.6)) + 0.35 * page.rough(0.7)[wall[0]])
            _lit_windows(page, (x0, x1, near, far), horizon, light)
    ground = -0.7 + 0.5 * wet
    page.paint(
        page.polygon([(0.5 * wide, horizon), (-0.4 * wide, 1.0), (1.4 * wide, 1.0)]), np.asarray(ground, np.float32)
    )
    for far in (0.42, 0.26, 0.16, 0.1):
        for side in (-1, 1):
            lamp = (0.5 * wide + side * far * 0.75 * wide, horizon - 0.62 * far)
            page.paint(page.stroke((lamp[0], horizon + 0.42 * far, *lamp), (0.03 * far, 0.02 * far)), -2.5)
            away = np.hypot(page.x - lamp[0], page.y - lamp[1])
            light += np.float32(2.0**1.5) * np.exp(-((away / np.float32(0.055 * far + 0.004)) ** 2)) * 12
            light += np.float32(0.35 * far) / (1 + (away / np.float32(0.25 * far)) ** 2)
            pool = np.exp(-(((page.x - lamp[0]) / (0.12 * far)) ** 2)) * np.exp(-(page.y - horizon) / (0.7 * far))
            light += np.where(road, np.maximum(0, 1 + 0.8 * wet) * np.float32(3) * pool, 0).astype(np.float32)
    page.stops[:] = np.log2(2.0**page.stops * (0.35 + light) + 0.2 * light * (light > 0.5) + 2.0**-8)


def _lit_windows(page: Page, house: tuple[float, float, float, float], horizon: float, light: Array) -> None:
    x0, x1, near, far = house
    for floor in (0.2, 0.5):
        for place in (0.25, 0.7):
            if page.rng.uniform() < 0.55:
                continue
            size = near + (far - near) * place
            x, y = x0 + (x1 - x0) * place, horizon - floor * size
            half = (abs(x1 - x0) * 0.1, 0.09 * size)
            part, cover = page.box(x - half[0], y - half[1], x + half[0], y + half[1])
            light[part] += cover * np.float32(page.rng.uniform(4, 14))


def facade(page: Page) -> None:
    """Draw a stone front with columns in raking sun: hard shadows, dark doorway."""
    rng, wide = page.rng, page.aspect
    stone = page.rough(0.8)
    page.stops[:] = 5.6 - 0.8 * page.y + 0.1 * page.rough(1.6)
    left, right, top, step = 0.08 * wide, 0.92 * wide, 0.2, 0.86
    wall = page.box(left, top, right, step)
    page.paint(wall, 3.2 + 0.22 * stone)
    for course in np.arange(top, step, 0.045):
        page.add(page.box(left, float(course), right, float(course) + 0.004), -0.6)
    gable = page.polygon([(left - 0.03, top), (wide / 2, 0.05), (right + 0.03, top)])
    page.paint(gable, 4.2 + 0.2 * stone)
    page.paint(
        page.polygon([(left + 0.1, top - 0.01), (wide / 2, 0.085), (right - 0.1, top - 0.01)]), 2.6 + 0.25 * stone
    )
    page.paint(page.box(left - 0.03, top, right + 0.03, top + 0.035), 4.9 + 0.15 * stone)
    page.add(page.box(left, top + 0.035, right, top + 0.075), -2.0)
    _bays(page, (left, right, top, step), stone)
    for tread in range(4):
        y = step + 0.025 * tread
        page.paint(page.box(left - 0.02 * tread, y, right + 0.02 * tread, y + 0.014), 4.6 + 0.2 * stone)
        page.paint(page.box(left - 0.02 * tread, y + 0.014, right + 0.02 * tread, y + 0.025), 2.6 + 0.2 * stone)
    page.paint(page.below(np.full(page.shape[1], step + 0.1, np.float32)), 3.4 + 0.5 * page.plane(0.6, 0.1, 0.7))
    shade = float(rng.uniform(0.3, 0.55))
    page.add(page.polygon([(left, shade), (left, 0.96), (0, 1), (0.6 * wide, 1)]), -1.6)


def _bays(page: Page, walls: tuple[float, float, float, float], stone: Array) -> None:
    left, right, top, step = walls
    count = max(3, round((right - left) / 0.17))
    bay = (right - left) / count
    for index in range(count + 1):
        centre = left + index * bay
        half = 0.11 * bay
        column = page.box(centre - half, top + 0.075, centre + half, step)
        round_ = (page.x[:, column[0][1]] - centre) / half
        turn = np.clip(0.75 - 0.75 * round_, 0.08, 1)
        page.paint(column, 5.0 + np.log2(turn) + 0.18 * stone[column[0]])
        page.add(page.box(centre + half, top + 0.075, centre + 2.2 * half, step), -2.4)
        page.paint(page.box(centre - 1.4 * half, top + 0.075, centre + 1.4 * half, top + 0.1), 5.0 + 0.1 * stone)
        page.paint(page.box(centre - 1.4 * half, step - 0.03, centre + 1.4 * half, step), 4.8 + 0.1 * stone)
    for index in range(count):
        centre = left + (index + 0.5) * bay
        door = index == count // 2
        low, high = (0.42, step) if door else (0.5, 0.66)
        half = (0.26 if door else 0.17) * bay
        page.paint(page.ellipse((centre, low), (half, half)), 0.4)
        page.paint(page.box(centre - half, low, centre + half, high), 0.2 + 0.25 * stone)
        page.paint(page.box(centre - 1.2 * half, high, centre + 1.2 * half, high + 0.015), 4.6)
        if not door:
            page.paint(page.box(centre - half / 12, low - half, centre + half / 12, high), 2.4)
            page.paint(page.box(centre - half, low + 0.05, centre + half, low + 0.056), 2.4)


def wood(page: Page) -> None:
    """Draw the inside of a wood: trunks before trunks, patches of sun on the ground."""
    rng, wide, horizon = page.rng, page.aspect, 0.5
    page.stops[:] = 3.6 + 1.3 * page.rough(1.1) - 1.2 * page.y
    litter = 1.8 + 0.8 * page.plane(horizon, 0.05, 0.7) + 1.6 * np.maximum(0, page.plane(horizon, 0.02, 1.2) - 0.6)
    page.paint(page.below(page.ridge(horizon + 0.03, 0.01), 0.05), litter)
    for far in np.sort(rng.uniform(0.05, 0.42, 26)):
        x = float(rng.uniform(-0.05, 1.05)) * wide
        half, foot = 0.16 * float(far), horizon + 0.9 * float(far)
        lean = float(rng.normal(0, 0.04))
        trunk = page.polygon(
            [(x - half, foot), (x - 0.6 * half + lean, -0.02), (x + 0.6 * half + lean, -0.02), (x + half, foot)]
        )
        round_ = (page.x[:, trunk[0][1]] - x - lean / 2) / half
        bark = page.rng.standard_normal((1, trunk[1].shape[1]), dtype=np.float32) * 0.25
        grit = page.rng.standard_normal(trunk[1].shape, dtype=np.float32) * 0.2
        page.paint(trunk, 3.4 - 4.2 * float(far) - 1.0 * round_ + bark + grit)
    for _ in range(12):
        at = (float(rng.uniform(0, 1)) * wide, float(rng.uniform(-0.08, 0.1)))
        crown(page, at, (0.2, 0.12), float(rng.uniform(1.4, 3.6)))


def shore(page: Page) -> None:
    """Draw sea and rocks against a low sun."""
    rng, wide, horizon = page.rng, page.aspect, 0.42
    _sky(page, horizon, 5.4, 1.2)
    sun = float(rng.uniform(0.25, 0.75)) * wide
    away = np.hypot(page.x - sun, (page.y - horizon + 0.1) * 1.3)
    page.stops += 1.6 * np.exp(-((away / np.float32(0.12)) ** 2)) + 0.8 * np.exp(-away * 3)
    waves = page.plane(horizon, 0.05, 0.75)
    path = np.exp(-(((page.x - sun) / (0.05 + 0.3 * np.maximum(page.y - horizon, 0))) ** 2))
    sea = 3.6 - 1.4 * (page.y - horizon) + 0.5 * waves + 2.6 * path * np.maximum(0, waves + 0.3)
    page.paint(page.below(np.full(page.shape[1], horizon, np.float32)), sea)
    grit = page.rough(0.8)
    for _ in range(6):
        x, y = float(rng.uniform(0, 1)) * wide, float(rng.uniform(0.6, 1.0))
        size = 0.12 * (y - 0.3) * float(rng.uniform(0.8, 2.2))
        angles = np.sort(rng.uniform(math.pi, 2 * math.pi, 11))
        edge = [(x + 2.0 * size * math.cos(a), y + size * float(rng.uniform(0.6, 1.1)) * math.sin(a)) for a in angles]
        page.paint(page.polygon([(x - 2.2 * size, y), *edge, (x + 2.2 * size, y)]), 0.9 + 0.7 * grit)
        page.add(page.ellipse((x, y + 0.02), (2.3 * size, 0.02), 0.02), 1.2)
