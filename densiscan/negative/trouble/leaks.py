"""Light leaks: extra density along the edge of unexposed film that fades inwards.

Along each side the outermost film is compared with the level of the whole piece, over stretches of many lengths. The
noise is that of the film itself, from place to place, and the threshold follows from how many stretches are looked at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.negative.trouble.finding import SIDES, Finding
from densiscan.negative.trouble.ground import BorderStrip, Ground, Plane, middles_of, strip_along
from densiscan.negative.trouble.limits import TROUBLE_LIMITS, TroubleLimits
from densiscan.negative.trouble.yardstick import Yardstick, chance_beyond, place_noise, quantile, sure_words
from densiscan.scan.cells import Cells, Map, cell_at

_CAUSES: Final = "Check the holder's light trap and dark slide, the camera back, the changing bag and the tank lid"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """Part of a side: bins from `first` to before `last`, mean excess `height`, `score` in standard deviations."""

    first: int
    last: int
    height: float
    score: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """One leak, in the film's own coordinates.

    Attributes
    ----------
    side
        The edge it comes in at.
    along_mm
        Stretch along that edge over which it is at least half as high as at its middle.
    foot_mm
        Stretch beyond which nothing of it is left.
    middle_mm
        Its middle along the edge.
    depth_mm
        How far in it is seen.
    height, doubt
        Density above the rest at the very edge and the standard uncertainty of that by grain and by what is continued
        over the rim.
    cut_short
        Whether it goes on where a picture begins.
    """

    side: str
    along_mm: tuple[float, float]
    foot_mm: tuple[float, float]
    middle_mm: float
    depth_mm: float
    height: float
    doubt: float
    cut_short: bool


def strips_of(ground: Ground, plane: Plane, yardstick: Yardstick) -> tuple[BorderStrip, ...]:
    """Return the four borders of a piece, less the plane and less the shadow that a mask throws on them."""
    width, height = ground.size_mm
    reach = min(yardstick.limits.deepest_mm, min(width, height) / 2)
    strips = (strip_along(ground, plane, side, reach) for side in SIDES)
    return tuple(_without_shadow(strip, yardstick) if strip.masked else strip for strip in strips)


def _without_shadow(strip: BorderStrip, yardstick: Yardstick) -> BorderStrip:
    """Leave out what is denser along most of a side that ends at a mask and is gone within 3 mm."""
    limits = yardstick.limits
    gone_at = limits.shadow_local * yardstick.local
    profile = middles_of(strip.excess, max(3, strip.along_mm.size // 3))
    seen = np.flatnonzero(np.isfinite(profile))
    if not seen.size or profile[seen[0]] < gone_at:
        return strip
    gone = seen[profile[seen] < gone_at]
    if gone.size and strip.depth_mm[gone[0]] > limits.shadow_mm:
        return strip
    # a mask that lies askew reaches farther in at one end
    last = int(gone[0]) + 1 if gone.size else strip.depth_mm.size
    if not gone.size and strip.depth_mm[seen[-1]] > limits.shadow_mm:
        return strip
    excess = strip.excess.copy()
    excess[:last] = np.nan
    return replace(strip, excess=excess)


def leaks_in(ground: Ground, strips: tuple[BorderStrip, ...], yardstick: Yardstick) -> list[Leak]:
    """Find the light leaks of a piece, strongest first."""
    leaks: list[Leak] = []
    for strip in strips:
        leaks.extend(_leaks_along(strip, yardstick))
    kept: list[Leak] = []
    for leak in sorted(leaks, key=lambda item: -item.height):
        box = _own_box(ground, leak)
        # the corner of a leak shows on the other side too
        near = yardstick.limits.corner_mm
        if not any(_overlap(box, _own_box(ground, other), near) for other in kept if other.side != leak.side):
            kept.append(leak)
    return kept


def without_leaks(ground: Ground, leaks: Sequence[Leak]) -> Ground:
    """Return a piece of which what a leak has reached is no longer taken for even film."""
    if not leaks:
        return ground
    plain = ground.plain.copy()
    step, (rows, columns) = ground.grid.step_mm, ground.plain.shape
    for leak in leaks:
        u, v = _own_box(ground, replace(leak, along_mm=leak.foot_mm, depth_mm=1.5 * leak.depth_mm))
        first_row, last_row = max(0, math.floor(v[0] / step)), min(rows, math.ceil(v[1] / step))
        first_column, last_column = max(0, math.floor(u[0] / step)), min(columns, math.ceil(u[1] / step))
        plain[first_row:last_row, first_column:last_column] = False
    return replace(ground, plain=plain)


def outer_of(strip: BorderStrip, limits: TroubleLimits = TROUBLE_LIMITS) -> Map:
    """Return the mean excess of the outermost film that is seen, place by place; NaN where there is none."""
    outer = strip.excess[: limits.outermost]
    if not outer.size:
        return np.full(strip.along_mm.size, np.nan)
    there = np.isfinite(outer)
    first = np.argmax(there, axis=0)
    rows = np.arange(outer.shape[0])[:, None]
    there &= (rows >= first) & (rows < first + limits.outer)
    count = there.sum(axis=0)
    total = np.where(there, outer, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _leaks_along(strip: BorderStrip, yardstick: Yardstick) -> list[Leak]:
    limits = yardstick.limits
    outer = _without_spikes(outer_of(strip, limits))
    noise = place_noise(outer)
    found: list[Leak] = []
    if not math.isfinite(noise):
        return found
    masked = outer.copy()
    for _ in range(limits.most_a_side):
        best = _best_stretch(masked, noise, yardstick.local, limits)
        if best is None:
            break
        hill = _hill(_smoothed(masked), best, max(limits.rises_noises * noise, limits.rises_local * yardstick.local))
        leak = _leak_of(strip, outer, (_half_height(masked, best), hill), noise, limits)
        masked[hill[0] : hill[1]] = np.nan
        if leak is not None and leak.height > yardstick.local:
            found.append(leak)
    return found


def _without_spikes(values: Map) -> Map:
    """Return the running median of three places: a hair across the edge is no leak."""
    if values.size < 3:
        return values
    three = np.stack([values[:-2], values[1:-1], values[2:]])
    out = values.copy()
    middle = np.isfinite(three).all(axis=0)
    out[1:-1][middle] = np.median(three[:, middle], axis=0)
    return out


def _best_stretch(values: Map, noise: float, least: float, limits: TroubleLimits) -> _Stretch | None:
    """Return the stretch that stands out most, None where none does by more than chance and than `least`."""
    there = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(there, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(there)])
    lengths = [length for length in limits.stretches_mm if length < values.size]
    lengths.append(values.size)
    looks = sum(2 * values.size / length for length in lengths)
    threshold = quantile(limits.false_alarms / looks)
    best: _Stretch | None = None
    for length in lengths:
        number = (count[length:] - count[:-length]).astype(np.float64)
        least_seen = max(2.0, limits.seen_of_stretch * length)
        enough = number >= (least_seen if length < values.size else min(10, limits.seen_of_side * length))
        mean = np.where(enough, (total[length:] - total[:-length]) / np.maximum(number, 1.0), -np.inf)
        # the running median has made neighbours alike: about one place in two counts
        score = mean / noise * np.sqrt(np.maximum(number / 2.0, 1.0))
        at = int(np.argmax(np.where(mean > least, score, -np.inf)))
        if mean[at] > least and score[at] > threshold and (best is None or score[at] > best.score):
            best = _Stretch(first=at, last=at + length, height=float(mean[at]), score=float(score[at]))
    return best


def _half_height(values: Map, stretch: _Stretch) -> tuple[int, int]:
    """Return the bins around the highest place of a stretch that are above half of its height; gaps are bridged."""
    smooth = _smoothed(values)
    part = np.where(np.isfinite(smooth[stretch.first : stretch.last]), smooth[stretch.first : stretch.last], -np.inf)
    top = stretch.first + int(np.argmax(part))
    return _around(smooth, top, 0.5 * float(smooth[top]))


def _hill(smooth: Map, stretch: _Stretch, rise: float) -> tuple[int, int]:
    """Return the bins down to where, on either side of its highest place, a profile begins to rise again by `rise`.

    One leak is one hill, however long its foot.
    """
    part = smooth[stretch.first : stretch.last]
    top = stretch.first + int(np.argmax(np.where(np.isfinite(part), part, -np.inf)))
    ends = []
    for step in (-1, 1):
        lowest, end, at = float(smooth[top]), top, top
        while 0 <= at + step < smooth.size:
            at += step
            if not math.isfinite(smooth[at]):
                continue
            if smooth[at] > lowest + rise:
                break
            if smooth[at] < lowest:
                lowest, end = float(smooth[at]), at
        else:
            end = at
        ends.append(end)
    return min(ends[0], stretch.first), max(ends[1] + 1, stretch.last)


def _around(values: Map, top: int, level: float) -> tuple[int, int]:
    first = last = top
    for step in (-1, 1):
        at, gap = top, 0
        while 0 <= at + step < values.size and gap < 4:
            at += step
            if not math.isfinite(values[at]):
                gap += 1
            elif values[at] >= level:
                gap = 0
                first, last = min(first, at), max(last, at)
            else:
                break
    return first, last + 1


def _smoothed(values: Map) -> Map:
    """Return the mean of five places, those that are not there left out."""
    there = np.isfinite(values)
    kernel = np.ones(5)
    total = np.convolve(np.where(there, values, 0.0), kernel, mode="same")
    count = np.convolve(there.astype(np.float64), kernel, mode="same")
    return np.asarray(np.where(there & (count > 0), total / np.maximum(count, 1.0), np.nan))


def _leak_of(
    strip: BorderStrip,
    outer: Map,
    spans: tuple[tuple[int, int], tuple[int, int]],
    noise: float,
    limits: TroubleLimits,
) -> Leak | None:
    """Return the leak in a stretch with its foot, None where what is seen there gets stronger inwards: no leak."""
    (first, last), foot = spans
    quarter = (last - first) // 4
    core = strip.excess[:, first + quarter : last - quarter]
    there = np.isfinite(core)
    enough = there.sum(axis=1) >= max(1, core.shape[1] // 3)
    depths = strip.depth_mm[enough]
    profile = np.array([float(np.median(row[np.isfinite(row)])) for row in core[enough]])
    if profile.size < limits.least_deep:
        return None
    doubt = noise / math.sqrt(max(core.shape[1] / 2, 1))
    deepest = _run_above(profile, max(limits.gone_part * float(profile[0]), limits.gone_noises * doubt, limits.gone))
    ends = max(1, min(2, profile.size // 2))
    allowed = limits.grows * float(profile[:ends].mean()) + limits.grows_noises * doubt + limits.grows_least
    if float(profile[-ends:].mean()) > allowed:
        return None
    if _goes_on(depths, profile, limits):
        return None
    height, guessed = _at_edge(depths, profile, limits)
    weights = np.where(np.isfinite(outer[first:last]), outer[first:last], 0.0)
    places = strip.along_mm[first:last]
    middle = float((weights * places).sum() / weights.sum()) if weights.sum() > 0 else float(places.mean())
    half = 0.5 * float(strip.along_mm[1] - strip.along_mm[0]) if strip.along_mm.size > 1 else 0.5
    return Leak(
        side=strip.side,
        along_mm=(float(places[0]) - half, float(places[-1]) + half),
        foot_mm=(float(strip.along_mm[foot[0]]) - half, float(strip.along_mm[foot[1] - 1]) + half),
        middle_mm=middle,
        depth_mm=float(depths[deepest - 1]) + 0.25,
        height=height,
        doubt=math.hypot(doubt, 0.4 * guessed),
        cut_short=deepest == profile.size and profile.size < 40,
    )


def _goes_on(depths: Map, profile: Map, limits: TroubleLimits) -> bool:
    """Return whether a profile that is seen far in does not fade there: a streak or a band that meets the edge."""
    if float(depths[-1]) < limits.far_in_mm:
        return False
    last = profile[-max(2, profile.size // 4) :]
    return float(last.mean()) > limits.faded * float(profile[: limits.outer].mean())


def _run_above(profile: Map, level: float) -> int:
    below = np.flatnonzero(profile < level)
    return max(1, int(below[0])) if below.size else profile.size


def _at_edge(depths: Map, profile: Map, limits: TroubleLimits) -> tuple[float, float]:
    """Return the height at the very edge and how much of it is continued from what was seen.

    Light that comes in at an edge fades about exponentially; the line through the logarithms of the outer depths is
    continued over the rim that is not read, by no more than half as much again.
    """
    top = float(profile[0])
    last = _run_above(profile, limits.rim_part * top)
    if int(np.argmax(profile)) > 1 or last < 2:
        return float(profile.max()), 0.1 * top
    some = slice(0, min(last, 8))
    slope, height = np.polyfit(depths[some], np.log(np.maximum(profile[some], 1e-4)), 1)
    edge = float(np.clip(math.exp(height), top, limits.rim_most * top)) if slope < 0 else top
    return edge, edge - top


def _own_box(ground: Ground, leak: Leak) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the box of a leak in the film's own coordinates from its top left corner."""
    width, height = ground.size_mm
    depth = leak.depth_mm
    if leak.side in ("left", "right"):
        return ((0.0, depth) if leak.side == "left" else (width - depth, width)), leak.along_mm
    return leak.along_mm, ((0.0, depth) if leak.side == "top" else (height - depth, height))


def lies_over_edge(cells: Cells, ground: Ground, leak: Leak, limits: TroubleLimits = TROUBLE_LIMITS) -> bool:
    """Return whether what is denser along an edge goes on beyond it, on the glass: tape or a label, and no leak.

    What lies over film and glass makes both denser by the same; what light did ends with the film.
    """
    width, height = ground.size_mm
    upright = leak.side in ("left", "right")
    length = height if upright else width
    along = np.arange(0.0, length, 0.5)
    out = np.arange(*limits.beyond_mm, 0.5)
    across = -out if leak.side in ("left", "top") else (width if upright else height) + out
    u, v = (across[:, None], along[None, :]) if upright else (along[None, :], across[:, None])
    x, y = ground.grid.box.on_scan(u - width / 2, v - height / 2)
    row, column, there = cell_at(cells, x, y)
    beyond = np.where(there, cells.density[row, column], np.nan)
    beside = (along >= leak.along_mm[0]) & (along <= leak.along_mm[1])
    here, elsewhere = (some[np.isfinite(some)] for some in (beyond[:, beside], beyond[:, ~beside]))
    if min(here.size, elsewhere.size) < limits.fewest_beyond:
        return False
    return float(np.median(here) - np.median(elsewhere)) > limits.over_edge * leak.height


def _overlap(
    first: tuple[tuple[float, float], tuple[float, float]],
    second: tuple[tuple[float, float], tuple[float, float]],
    margin: float,
) -> bool:
    return all(a[0] < b[1] + margin and b[0] < a[1] + margin for a, b in zip(first, second, strict=True))


def leak_finding(ground: Ground, plane: Plane, leak: Leak, yardstick: Yardstick) -> Finding:
    """Return a leak in words."""
    size = yardstick.step(plane.level, leak.height, noise=leak.doubt)
    sure = chance_beyond(leak.height, yardstick.local, size.standard_uncertainty or 0.0)
    end = "top" if leak.side in ("left", "right") else "left"
    at_least = "at least " if leak.cut_short else ""
    message = (
        f"{sure_words(sure).capitalize()} a light leak: {leak.height:.2f} denser at the {leak.side} edge, "
        f"{leak.along_mm[0]:.0f} to {leak.along_mm[1]:.0f} mm from the {end}, {at_least}{leak.depth_mm:.0f} mm deep. "
        f"{_CAUSES}."
    )
    return Finding(
        code="light-leak",
        message=message,
        box_mm=ground.box_on_scan(*_own_box(ground, leak)),
        size=size,
        side=leak.side,
        sure=sure,
        places_mm=(_edge_place(ground, leak),),
    )


def _edge_place(ground: Ground, leak: Leak) -> tuple[float, float]:
    width, height = ground.size_mm
    across = {"left": 0.0, "right": width, "top": 0.0, "bottom": height}[leak.side]
    if leak.side in ("left", "right"):
        return ground.on_scan(across, leak.middle_mm)
    return ground.on_scan(leak.middle_mm, across)


def less(strip: BorderStrip, profile: Map) -> BorderStrip:
    """Return a strip less what all of its length has in common, depth by depth."""
    return replace(strip, excess=strip.excess - profile[:, None])
