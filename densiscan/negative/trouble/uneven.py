"""Uneven development: a gradient over the piece, edges that differ from the middle, bands, streaks.

Only on film that is even by itself: the rebate, an unexposed sheet, an area that the person names and that is even.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from densiscan.arithmetic.robust import robust_sd
from densiscan.negative.trouble.finding import SIDES, Finding
from densiscan.negative.trouble.ground import Blocks, BorderStrip, Ground, Plane, middles_of
from densiscan.negative.trouble.leaks import less, outer_of
from densiscan.negative.trouble.limits import TROUBLE_LIMITS, TroubleLimits
from densiscan.negative.trouble.yardstick import Yardstick, chance_beyond, place_noise, quantile, sure_words
from densiscan.scan.cells import Map

_TOWARDS: Final = (
    "right",
    "bottom right",
    "bottom",
    "bottom left",
    "left",
    "top left",
    "top",
    "top right",
)


def gradient_in(ground: Ground, plane: Plane, blocks: Blocks, yardstick: Yardstick) -> list[Finding]:
    """Return the gradient over the piece where it is more than the lamp can make."""
    limits = yardstick.limits
    width, height = ground.size_mm
    u, v, values = blocks.points
    # the film must be seen over most of its width and height, else a slope is a guess
    if np.ptp(u) < limits.seen_across * width or np.ptp(v) < limits.seen_across * height:
        return []
    steep = math.hypot(plane.across, plane.down)
    if steep == 0.0:
        return []
    right, down = plane.across / steep, plane.down / steep
    reach = abs(right) * width + abs(down) * height
    amount = steep * reach
    # blocks share what is uneven over some 5 mm
    own = (u - u.mean()) * right + (v - v.mean()) * down
    alone = max(values.size / limits.shared_blocks, 3.0)
    noise = plane.scatter * reach / max(math.sqrt(alone) * float(own.std()), 1e-6)
    if amount < yardstick.slope + limits.slope_noises * noise:
        return []
    size = yardstick.step(plane.level - amount / 2, amount, noise=noise)
    standard = math.hypot(size.standard_uncertainty or 0.0, yardstick.lamp)
    sure = chance_beyond(amount, yardstick.slope, standard)
    angle = math.degrees(math.atan2(down, right))
    towards = _TOWARDS[round(angle / 45.0) % 8]
    direction = f"{round(angle) % 360} degrees clockwise from the right"
    message = (
        f"{sure_words(sure).capitalize()} uneven development: {amount:.2f} denser towards the {towards}, evenly over "
        f"the piece (direction {direction}). Check agitation and the temperature of the developer."
    )
    box = ground.box_on_scan((0.0, width), (0.0, height))
    return [Finding(code="gradient", message=message, box_mm=box, size=size, side=towards, sure=sure)]


class Edges(NamedTuple):
    """What all sides have in common: a finding or none, the strips less it, its profile by depth from the edge."""

    findings: list[Finding]
    strips: tuple[BorderStrip, ...]
    depth_mm: Map
    profile: Map


def less_edges(ground: Ground, edges: Edges) -> Ground:
    """Return a piece less what all of its edges have in common."""
    if not edges.findings:
        return ground
    grid = ground.grid
    rows, columns = grid.density.shape
    u, v = (np.arange(columns) + 0.5) * grid.step_mm, (np.arange(rows) + 0.5) * grid.step_mm
    across, down = np.minimum(u, ground.size_mm[0] - u), np.minimum(v, ground.size_mm[1] - v)
    nearest = np.minimum(across[None, :], down[:, None])
    return replace(
        ground, grid=replace(grid, density=grid.density - np.interp(nearest, edges.depth_mm, edges.profile, right=0.0))
    )


def edges_of(ground: Ground, plane: Plane, strips: tuple[BorderStrip, ...], yardstick: Yardstick) -> Edges:
    """Return whether the edges of an unexposed sheet are denser or lighter than its middle, on three sides at least."""
    limits = yardstick.limits
    levels, doubts, usually = [], [], []
    for strip in strips:
        outer = outer_of(strip, limits)
        there = outer[np.isfinite(outer)]
        if there.size < limits.edge_seen * max(outer.size, 1):
            return Edges([], strips, np.empty(0), np.empty(0))
        # the plane through a small sheet is drawn by its edges: they are held against its middle
        inner = strip.excess[-max(2, strip.excess.shape[0] // 4) :]
        levels.append(float(np.quantile(there, limits.edge_quantile)) - float(np.nanmedian(inner)))
        usually.append(float(np.median(there)) - float(np.nanmedian(inner)))
        doubts.append(place_noise(outer) / math.sqrt(max(there.size / 4, 1.0)))
    found = np.array(levels)
    sign = 1.0 if float(np.median(found)) > 0 else -1.0
    beyond = sign * found > yardstick.local + limits.edge_noises * np.array(doubts)
    if int(beyond.sum()) < limits.edge_sides:
        return Edges([], strips, np.empty(0), np.empty(0))
    amount = float(np.median(np.array(usually)[beyond]))
    profiles = [middles_of(strip.excess, 3) for strip in strips]
    common = np.stack([np.where(np.isfinite(profile), profile, 0.0) for profile in _alike(profiles)])
    usual = np.median(common, axis=0)
    middle = float(np.median(usual[-max(2, usual.size // 4) :]))
    depth = 0.75 + 0.5 * int(np.argmax(sign * (usual - middle) < limits.edge_gone * abs(amount)))
    doubt = math.hypot(float(np.std(found[beyond])) / math.sqrt(int(beyond.sum())), max(doubts))
    size = yardstick.step(plane.level, amount, noise=doubt)
    sure = chance_beyond(amount, yardstick.local, size.standard_uncertainty or 0.0)
    sides = [side for side, flag in zip(SIDES, beyond.tolist(), strict=True) if flag]
    word = "denser" if amount > 0 else "lighter"
    cause = "developer that moves faster at the edges" if amount > 0 else "developer that is spent or held back there"
    message = (
        f"{sure_words(sure).capitalize()} uneven development: the edges ({', '.join(sides)}) are {abs(amount):.2f} "
        f"{word} than the middle, over about {depth:.0f} mm; likely {cause}."
    )
    width, height = ground.size_mm
    box = ground.box_on_scan((0.0, width), (0.0, height))
    finding = Finding(code="edge-density", message=message, box_mm=box, size=size, sure=sure)
    size_of = usual.size
    rest = tuple(
        less(strip, np.concatenate([usual, np.zeros(strip.depth_mm.size - size_of)])[: strip.depth_mm.size])
        for strip in strips
    )
    return Edges([finding], rest, strips[0].depth_mm[:size_of], usual - middle)


def _alike(profiles: list[Map]) -> list[Map]:
    """Return the profiles cut to the shortest."""
    size = min(profile.size for profile in profiles)
    return [profile[:size] for profile in profiles]


class _Wave(NamedTuple):
    """A wave along a profile: period in mm, from trough to crest, and the chance that noise alone has it."""

    period_mm: float
    amount: float
    by_chance: float


def bands_in(ground: Ground, plane: Plane, blocks: Blocks, yardstick: Yardstick) -> list[Finding]:
    """Return bands and single streaks along either direction of an even piece."""
    limits = yardstick.limits
    found: list[Finding] = []
    for axis in (0, 1):
        profile = profile_along(blocks, plane, axis)
        if profile.size < limits.fewest_lines:
            continue
        step = float(blocks.v[1] - blocks.v[0]) if axis == 0 else float(blocks.u[1] - blocks.u[0])
        wave = _wave_in(_straightened(profile, limits), step, limits)
        if wave is not None and wave.amount > yardstick.local and wave.by_chance < limits.false_alarms:
            found.append(_bands(ground, plane, wave, axis, yardstick))
            continue
        found.extend(_streaks(ground, plane, (profile, step), axis, yardstick))
    return found


def profile_along(blocks: Blocks, plane: Plane, axis: int) -> Map:
    """Return the median over all lines less the plane, along one axis (0: down), its ends of NaN cut off."""
    flat = blocks.values - plane.at(blocks.u[None, :], blocks.v[:, None])
    lines = flat if axis == 0 else flat.T
    profile = middles_of(lines, max(3, lines.shape[1] // 4))
    return np.asarray(np.where(np.isfinite(profile), profile, np.nan))


def _straightened(profile: Map, limits: TroubleLimits) -> Map:
    """Return a profile less its cubic: lamps are that smooth; gaps are zero."""
    there = np.isfinite(profile)
    x = np.linspace(-1.0, 1.0, profile.size)
    if there.sum() < limits.fewest_lines:
        return np.zeros(profile.size)
    curve = np.polynomial.polynomial.polyfit(x[there], profile[there], 3)
    return np.asarray(np.where(there, profile - np.polynomial.polynomial.polyval(x, curve), 0.0))


def _wave_in(profile: Map, step_mm: float, limits: TroubleLimits) -> _Wave | None:
    """Return the strongest wave of a profile.

    The chance is that of the largest of n periodogram ordinates against white noise, (Fisher 1929, from memory:
    n (1 - g)^(n - 1) for the share g of all power in the largest), with n of the periods looked at.
    """
    length = profile.size * step_mm
    shortest = max(limits.shortest_mm, 3.0 * step_mm)
    number = profile.size
    cycles = np.arange(limits.least_periods, length / shortest, 0.25)
    if cycles.size < 4:
        return None
    x = np.arange(number) / number
    turn = np.exp(-2j * np.pi * cycles[:, None] * x[None, :])
    amplitude = 2.0 * np.abs(turn @ profile) / number
    best = int(np.argmax(amplitude))
    share = float(0.5 * amplitude[best] ** 2 / max(float(np.mean(profile**2)), 1e-12))
    looks = number // 2
    by_chance = min(1.0, looks * (1.0 - min(share, 1.0)) ** (looks - 1))
    # a single bump fills many periods, a wave mainly its own
    if share < limits.wave_share:
        return None
    return _Wave(length / float(cycles[best]), 2.0 * float(amplitude[best]), by_chance)


def _bands(ground: Ground, plane: Plane, wave: _Wave, axis: int, yardstick: Yardstick) -> Finding:
    size = yardstick.step(plane.level - wave.amount / 2, wave.amount, noise=0.05 * wave.amount)
    sure = chance_beyond(wave.amount, yardstick.local, size.standard_uncertainty or 0.0)
    way, along = ("down", "across") if axis == 0 else ("across", "up and down")
    message = (
        f"{sure_words(sure).capitalize()} uneven development: bands that run {along}, {wave.amount:.2f} from lighter "
        f"to denser, one every {wave.period_mm:.0f} mm {way} the film; likely movement that repeats, such as turning "
        "a drum one way only."
    )
    width, height = ground.size_mm
    box = ground.box_on_scan((0.0, width), (0.0, height))
    return Finding(code="bands", message=message, box_mm=box, size=size, sure=sure)


class _Streak(NamedTuple):
    """Lines `first` to before `first + width` of a profile, `height` above what lies beside them."""

    score: float
    first: int
    width: int
    height: float


def _strongest_streak(
    line: tuple[Map, float], least: float, limits: TroubleLimits, *, open_end: bool
) -> _Streak | None:
    """Return the streak that stands out most; with `open_end` one that goes on to the end of the profile counts."""
    profile, step = line
    noise = place_noise(profile)
    widths = sorted({max(1, round(width / step)) for width in limits.streaks_mm})
    widths = [width for width in widths if 2.5 * width <= profile.size]
    threshold = quantile(limits.false_alarms / max(sum(2 * profile.size / width for width in widths), 1.0))
    best: _Streak | None = None
    for width in widths:
        # so long that the half of it which decides is not another streak
        flank = limits.flank * width
        heights = _heights(profile, width, flank, open_end=open_end)
        first = int(np.argmax(np.abs(heights)))
        height = float(heights[first])
        score = abs(height) / (noise * math.sqrt(1 / width + 1.6 / flank))
        if abs(height) > least and score > threshold and (best is None or score > best.score):
            best = _Streak(score, first, width, height)
    return best


def _heights(profile: Map, width: int, flank: int, *, open_end: bool) -> Map:
    """Return what each part of a profile stands off the nearer of its neighbourhoods, 0 where it lies between them.

    A neighbourhood is the median of up to `flank` lines, of a third at least.
    """
    beyond = np.full(flank, np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(np.concatenate([beyond, profile, beyond]), flank)
    levels = middles_of(windows, max(2, flank // 3))
    number = profile.size - width + 1
    inside = np.lib.stride_tricks.sliding_window_view(profile, width).mean(axis=-1)
    before, after = inside - levels[:number], inside - levels[width + flank : width + flank + number]
    nearer = np.where(np.abs(before) < np.abs(after), before, after)
    height = np.where(before * after > 0, nearer, 0.0)
    if open_end:
        alone = np.where(np.isfinite(before), before, after)
        height = np.where(np.isfinite(before) & np.isfinite(after), height, alone)
    return np.asarray(np.where(np.isfinite(height), height, 0.0))


def _streaks(
    ground: Ground,
    plane: Plane,
    line: tuple[Map, float],
    axis: int,
    yardstick: Yardstick,
) -> list[Finding]:
    """Return the strongest streak across the whole piece along one direction."""
    profile, step = line
    noise = place_noise(profile)
    best = _strongest_streak(line, yardstick.local, yardstick.limits, open_end=not ground.film_edges)
    if best is None:
        return []
    _, first, width, height = best
    low, high = first * step, (first + width) * step
    size = yardstick.step(plane.level, height, noise=noise / math.sqrt(width))
    sure = chance_beyond(height, yardstick.local, size.standard_uncertainty or 0.0)
    word = "denser" if height > 0 else "lighter"
    along, end = ("across", "top") if axis == 0 else ("up and down", "left")
    message = (
        f"{sure_words(sure).capitalize()} a streak: {abs(height):.2f} {word} than beside it, running {along} "
        f"{(low + high) / 2:.1f} mm from the {end} of what was judged, {high - low:.0f} mm wide. Check "
        "agitation and drying, and turn the film to rule out the scanner."
    )
    sizes = ground.size_mm
    spans = ((0.0, sizes[0]), (low, high)) if axis == 0 else ((low, high), (0.0, sizes[1]))
    return [Finding(code="streak", message=message, box_mm=ground.box_on_scan(*spans), size=size, sure=sure)]


def is_even(blocks: Blocks, plane: Plane, limits: TroubleLimits = TROUBLE_LIMITS) -> bool:
    """Return whether an area is even by itself: most of it lies on one plane as closely as its own grain allows."""
    _, _, values = blocks.points
    if values.size < limits.fewest_lines:
        return False
    noise = max(blocks.noise, 0.002)
    return plane.scatter < max(limits.area_noises * noise, limits.area_least) and robust_sd(values) < limits.area_spread
