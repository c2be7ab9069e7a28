"""Several frames in a row on one strip of film, told apart by the clear gaps between them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from densiscan.negative.find.limits import FRAME_LIMITS
from densiscan.negative.find.rebate import Frame
from densiscan.negative.find.sides import Profile, Side, steps_of
from densiscan.scan.cells import Map, TurnedBox


def row_of_frames(profile: Profile, ends: tuple[Side, Side], across: int) -> list[tuple[Side, Side]]:
    """Return the two ends of each frame between the outermost ends; one pair where there is one frame.

    Parameters
    ----------
    profile
        Along the row, over the height of the frames.
    ends
        Outermost sides of the whole row.
    across
        Height of the frames in lines.
    """
    limits = profile.limits
    regular = _regular(profile, ends, across)
    if regular:
        return regular
    spans = _spans(profile, *ends, _gaps(profile, (ends[0].at, ends[1].at)))
    slim = max(end.at - start.at for start, end in spans) < limits.slimmest * across
    spans = [ends] if slim else spans
    if len(spans) == 1 and ends[1].at - ends[0].at > limits.longest * across:
        # pictures that end clear hide most of the gaps
        return _repeated(profile, across) or spans
    return spans


def _repeated(profile: Profile, across: int) -> list[tuple[Side, Side]]:
    """Return the frames of the row whose beginnings and ends, one width and one gap apart, meet most edges seen.

    From the first frame with anything on it to the last; empty where hardly an edge is seen.
    """
    steps, least, limits = steps_of(profile), profile.least, profile.limits
    reach = profile.cells(0.5)
    rises, falls = (_widest(np.clip(way / (4 * least), 0.0, 1.0), reach) for way in (steps, -steps))
    size = profile.excess.size
    best: tuple[float, tuple[int, int, int]] = (2.0, (0, 0, 0))
    for gap in range(profile.cells(0.5), profile.cells(limits.widest_gap_mm)):
        for width in range(int(limits.slimmest * across), min(3 * across, size - 1) + 1):
            period = width + gap
            # an edge that is hidden costs little, one that is seen says much
            begun, ended = _folded(rises - 0.1, period), _folded(falls - 0.1, period)
            score = begun + np.roll(ended, -width)
            first = int(np.argmax(score))
            if score[first] > best[0] and not _exposed_gaps(profile, first, width, period):
                best = (float(score[first]), (first, width, gap))
    first, width, gap = best[1]
    if not width:
        return []
    starts = [at for at in range(first - width - gap, size, width + gap) if at >= -reach and at + width <= size + reach]
    shown = [float(profile.excess[max(at, 0) : at + width].mean()) > least for at in starts]
    if not any(shown):
        return []
    starts = starts[shown.index(True) : len(shown) - shown[::-1].index(True)]
    return [
        (_side_near(profile, steps, at, reach), _side_near(profile, -steps, at + width, reach))
        for at in (max(0, min(at, size - width)) for at in starts)
    ]


def _widest(strength: Map, reach: int) -> Map:
    """Return the strongest within `reach` of each border."""
    padded = np.pad(strength, reach)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1))


def _folded(strength: Map, period: int) -> Map:
    """Return the sums over places one period apart."""
    rows = -(-strength.size // period)
    return np.asarray(np.pad(strength, (0, rows * period - strength.size)).reshape(rows, period).sum(axis=0))


def _exposed_gaps(profile: Profile, first: int, width: int, period: int) -> bool:
    """Return whether there is picture in any gap of a row of frames."""
    third = max((period - width) // 3, 0)
    limit = max(profile.limits.exposed_gap * profile.limits.full, 3 * profile.noise)
    for at in range(first - period, profile.excess.size, period):
        low, high = at + width + third, at + period - third
        middle = profile.excess[max(low, 0) : max(high, low + 1)] if high > 0 else profile.excess[:0]
        if middle.size and float(middle.mean()) > limit:
            return True
    return False


def _side_near(profile: Profile, strength: Map, at: int, reach: int) -> Side:
    step, place = _best(strength, at, reach)
    return Side(place, step / profile.limits.full, "line") if step >= profile.least else Side(at, 0.0, "assumed")


def _regular(profile: Profile, ends: tuple[Side, Side], across: int) -> list[tuple[Side, Side]]:
    """Return the frames as a row of equal widths and gaps between two seen ends, where enough of their edges show.

    Most of the edges must show and all gaps be clear; a picture that ends clear then still gets its place.
    """
    first, last = ends
    if "assumed" in (first.origin, last.origin):
        return []
    steps, least, limits = steps_of(profile), profile.least, profile.limits
    length = last.at - first.at
    best: tuple[float, list[tuple[Side, Side]]] = (1.0, [])
    for number in range(2, int(length / (limits.slimmest * across)) + 1):
        for gap in range(profile.cells(0.5), profile.cells(limits.widest_gap_mm)):
            width = (length - (number - 1) * gap) / number
            if not limits.slimmest * across <= width <= 3 * across:
                continue
            found = _row(profile, steps, (first, last), (number, width, gap))
            score = sum(min(side.share * limits.full, 4 * least) / (4 * least) - 0.5 for pair in found for side in pair)
            score += 0.02 * sum(side.share for pair in found for side in pair)
            if score > best[0]:
                best = (score, found)
    return best[1]


def _row(profile: Profile, steps: Map, ends: tuple[Side, Side], row: tuple[int, float, int]) -> list[tuple[Side, Side]]:
    """Return the frames of a row of so many frames of one width and gap; empty where a gap between them is exposed."""
    number, width, gap = row
    reach, least, full = profile.cells(0.5), profile.least, profile.limits.full
    starts, stops = [ends[0]], []
    for k in range(1, number):
        stop = ends[0].at + round(k * (width + gap)) - gap
        start = stop + gap
        middle = profile.excess[stop + gap // 3 : max(start - gap // 3, stop + gap // 3 + 1)]
        if float(middle.mean()) > max(profile.limits.exposed_gap * profile.limits.full, 3 * profile.noise):
            return []
        fall, at_stop = _best(-steps, stop, reach)
        rise, at_start = _best(steps, start, reach)
        stops.append(Side(at_stop, fall / full, "line") if fall >= least else Side(stop, 0.0, "assumed"))
        starts.append(Side(at_start, rise / full, "line") if rise >= least else Side(start, 0.0, "assumed"))
    return list(zip(starts, [*stops, ends[1]], strict=True))


class _Gap(NamedTuple):
    """A clear band between two frames: first and last cell border, and the step of the excess at both."""

    start: int
    end: int
    before: float
    after: float


def _gaps(profile: Profile, ends: tuple[int, int]) -> list[_Gap]:
    """Return the clear bands right across the frames that begin or end with a straight edge."""
    excess, steps, least = profile.excess, steps_of(profile), profile.least
    empty = excess <= max(profile.limits.empty_gap * profile.limits.full, 3 * profile.noise)
    empty[: ends[0]] = empty[ends[1] :] = False
    change = np.diff(np.concatenate(([False], empty, [False])).astype(np.int8))
    reach, smallest = profile.cells(0.8), profile.cells(8.0)
    gaps: list[_Gap] = []
    for start, end in zip(np.flatnonzero(change > 0).tolist(), np.flatnonzero(change < 0).tolist(), strict=True):
        if start - ends[0] < smallest or ends[1] - end < smallest:
            continue
        before, at_start = _best(-steps, start, reach)
        after, at_end = _best(steps, end, reach)
        inside_before = float(excess[max(0, start - profile.cells(2.5)) : max(1, start - reach // 2)].mean())
        inside_after = float(excess[end + reach // 2 : end + profile.cells(2.5)].mean())
        good_before = before >= max(least, 0.5 * inside_before)
        good_after = after >= max(least, 0.5 * inside_after)
        if good_before or good_after:
            gap = _Gap(
                at_start if good_before else start,
                at_end if good_after else end,
                before if good_before else 0.0,
                after if good_after else 0.0,
            )
            # a faint line in a clear picture parts one band in two that reach over each other
            gaps[-1:] = [_joined(gaps[-1], gap)] if gaps and gap.start <= gaps[-1].end else [*gaps[-1:], gap]
    return gaps


def _joined(first: _Gap, second: _Gap) -> _Gap:
    """Return one gap for two that overlap, its borders where they are surest."""
    before, after = max(first, second, key=lambda gap: gap.before), max(first, second, key=lambda gap: gap.after)
    return _Gap(before.start, after.end, before.before, after.after)


def _best(strength: Map, at: int, reach: int) -> tuple[float, int]:
    low = max(0, at - reach)
    part = strength[low : at + reach + 1]
    return float(part.max()), low + int(np.argmax(part))


def _spans(profile: Profile, first: Side, last: Side, gaps: list[_Gap]) -> list[tuple[Side, Side]]:
    """Return the two ends of each frame.

    The frames of one camera are equally wide. Where a picture ends clear, its frame is widened to the common width; a
    gap that leaves frames unequal all the same is a clear part of a picture, the weaker first.
    """
    kept = list(gaps)
    spans: list[tuple[Side, Side]]
    tolerance, full = profile.cells(1.0), profile.limits.full
    while kept:
        starts = [first] + [Side(gap.end, gap.after / full, "line" if gap.after else "assumed") for gap in kept]
        ends = [Side(gap.start, gap.before / full, "line" if gap.before else "assumed") for gap in kept] + [last]
        spans = _evened(list(zip(starts, ends, strict=True)), tolerance, profile.excess.size)
        widths = [end.at - start.at for start, end in spans]
        cut = [end.origin == "edge" or start.origin == "edge" for start, end in spans]
        whole = [width for width, short in zip(widths, cut, strict=True) if not short] or widths
        if max(whole) - min(whole) <= 2 * tolerance and max(widths) <= max(whole) + 2 * tolerance:
            return spans
        kept.remove(min(kept, key=lambda gap: min(gap.before, gap.after)))
    return [(first, last)]


def _evened(spans: list[tuple[Side, Side]], tolerance: int, size: int) -> list[tuple[Side, Side]]:
    """Widen frames that are narrower than the common width at their weaker end, as far as there is room."""
    seen = [end.at - start.at for start, end in spans]
    lines = [end.at - start.at for start, end in spans if start.origin == end.origin == "line"]
    common = round(float(np.median(lines))) if lines else max(seen)
    out: list[tuple[Side, Side]] = []
    for k, (start, end) in enumerate(spans):
        missing = common - seen[k]
        room_before = start.at - (out[-1][1].at if out else 0)
        room_after = (spans[k + 1][0].at if k + 1 < len(spans) else size) - end.at
        if missing <= 1.3 * tolerance or "edge" in (start.origin, end.origin):
            out.append((start, end))
        elif (end.share <= start.share and room_after >= missing) or room_before < missing <= room_after:
            out.append((start, Side(end.at + missing, 0.0, "assumed")))
        elif room_before >= missing:
            out.append((Side(start.at - missing, 0.0, "assumed"), end))
        else:
            out.append((start, end))
    return out


def equally_wide(
    frames: list[Frame], seen: TurnedBox, axis: int, unequal_mm: float = FRAME_LIMITS.unequal_mm
) -> list[Frame]:
    """Widen frames that are narrower than the others of their row, at the weaker end and as far as there is room.

    A clear end shortens a frame, nothing lengthens one; a frame cut by the end of the film stays as it is.

    Parameters
    ----------
    frames
        In order along the row, their sides placed to a fraction of a cell.
    seen
        The piece they lie on.
    axis
        1 for a row across (along u), 0 for one down (along v).
    unequal_mm
        Frames of one camera do not differ in width by this.
    """
    first, last = (0, 2) if axis == 1 else (1, 3)
    ends = [_ends(frame.box, seen, axis) for frame in frames]
    widths = [end - start for start, end in ends]
    whole = [
        width
        for width, frame in zip(widths, frames, strict=True)
        if frame.origins[first] == frame.origins[last] == "line"
    ]
    common = max((width for width in whole if width <= 1.1 * float(np.median(whole))), default=0.0)
    limit = (seen.width_mm if axis == 1 else seen.height_mm) / 2
    out = list(frames)
    for k, frame in enumerate(frames):
        missing = common - widths[k]
        if missing < unequal_mm or "edge" in (frame.origins[first], frame.origins[last]):
            continue
        room_before = ends[k][0] - (ends[k - 1][1] if k else -limit)
        room_after = (ends[k + 1][0] if k + 1 < len(frames) else limit) - ends[k][1]
        at_end = frame.shares[last] <= frame.shares[first]
        if (room_after if at_end else room_before) < missing:
            at_end = not at_end
        if (room_after if at_end else room_before) >= missing:
            out[k] = _widened(frame, axis, missing, last if at_end else first, unequal_mm / 2)
    return out


def equally_high(
    frames: list[Frame], seen: TurnedBox, axis: int, unequal_mm: float = FRAME_LIMITS.unequal_mm
) -> list[Frame]:
    """Move sides along the row out to where they lie on the highest of its frames: one gate made them all.

    A strip of picture as clear as the rebate hides a side; the frames beside it show where it is. `axis` is that of
    the row, as for `equally_wide`.
    """
    across = 1 - axis
    first, last = (0, 2) if across == 1 else (1, 3)
    ends = [_ends(frame.box, seen, across) for frame in frames]
    seen_whole = [frame.origins[first] == frame.origins[last] == "line" for frame in frames]
    heights = [end - start for (start, end), whole in zip(ends, seen_whole, strict=True) if whole]
    common = max((height for height in heights if height <= 1.1 * float(np.median(heights))), default=0.0)
    high = [
        (start, end)
        for (start, end), whole in zip(ends, seen_whole, strict=True)
        if whole and abs(common - (end - start)) < unequal_mm / 2
    ]
    out = list(frames)
    for k in range(len(frames)):
        if not seen_whole[k] or common - (ends[k][1] - ends[k][0]) < unequal_mm:
            continue
        lowest, highest = (float(place) for place in np.median(high, axis=0))
        for side, missing in ((first, ends[k][0] - lowest), (last, highest - ends[k][1])):
            if missing >= unequal_mm / 2:
                out[k] = _widened(out[k], across, missing, side, unequal_mm / 2)
    return out


def _ends(box: TurnedBox, seen: TurnedBox, axis: int) -> tuple[float, float]:
    middle = float(seen.own(*box.centre)[1 - axis])
    half = (box.width_mm if axis == 1 else box.height_mm) / 2
    return middle - half, middle + half


def _widened(frame: Frame, axis: int, by_mm: float, side: int, doubt_mm: float) -> Frame:
    grow = (by_mm, 0.0) if side < 2 else (0.0, by_mm)

    def more(box: TurnedBox) -> TurnedBox:
        u, v = box.width_mm / 2, box.height_mm / 2
        across, down = ((grow[0], grow[1]), (0.0, 0.0)) if axis == 1 else ((0.0, 0.0), (grow[0], grow[1]))
        return box.part((-u - across[0], u + across[1]), (-v - down[0], v + down[1]))

    origins, shares, doubts = list(frame.origins), list(frame.shares), list(frame.doubts_mm)
    # frames of one row are equally wide, so that the other side says where this one lies
    origins[side], shares[side], doubts[side] = "assumed", 0.0, doubt_mm
    return Frame(
        box=more(frame.box),
        area=more(frame.area),
        origins=(origins[0], origins[1], origins[2], origins[3]),
        shares=(shares[0], shares[1], shares[2], shares[3]),
        doubts_mm=(doubts[0], doubts[1], doubts[2], doubts[3]),
    )
