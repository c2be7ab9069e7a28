"""The small drawings of a page, as places for lines, bars and words: the template makes them visible.

They are plain enough to need no figure library, which lets a page of 200 negatives be written at once. Their look is
that of `plots`: a corner for axes, fine dots to read off by, lines told apart by their kind and not by colour.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.paper.grade import GRADE_LOWER_LIMITS, SOFTEST_LIMIT

WIDTH: Final = 400.0
_LEFT, _RIGHT = 52.0, 12.0
_BOTTOM: Final = 34.0
_BIN: Final = 0.05
_STRIP: Final = 10.0
_STEPS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A place along an axis with a word: where it stands, where its word does; its line ends at `foot`, if given."""

    at: float
    word: str
    word_x: float
    word_y: float
    anchor: str = "middle"
    kind: str = ""
    foot: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """An upright rectangle; `kind` says how it is filled, `word` what stands in it."""

    x: float
    y: float
    width: float
    height: float
    kind: str = ""
    word: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A point with its uncertainty: from `low` to `high` on the page; `kind` "out" where it stands out."""

    x: float
    y: float
    low: float
    high: float
    kind: str = ""
    word: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One drawing, all places in its own units, x to the right, y down.

    `told` says it to those who cannot see it; `box` is left, top, right, bottom of the plot inside it; `scale` what a
    script needs to draw into it: x at the left, x a unit, y at the bottom, y a unit. `bracket` is low, middle, high
    and the height of what lies over a strip; `grays` is a step wedge under an axis of density, `kind` its gray.
    """

    told: str
    width: float
    height: float
    box: tuple[float, float, float, float]
    x_label: str
    y_label: str = ""
    x_ticks: tuple[Mark, ...] = ()
    y_ticks: tuple[Mark, ...] = ()
    bars: tuple[Bar, ...] = ()
    marks: tuple[Mark, ...] = ()
    line: str = ""
    dots: tuple[Dot, ...] = ()
    levels: tuple[Mark, ...] = ()
    bracket: tuple[float, float, float, float] | None = None
    grays: tuple[Bar, ...] = ()
    scale: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class _Axis:
    """Values from low to high along a stretch of the page."""

    low: float
    high: float
    begin: float
    end: float
    step: float = field(init=False)

    def __post_init__(self) -> None:
        wanted = (self.high - self.low) / 6.0
        object.__setattr__(self, "step", next((step for step in _STEPS if step >= wanted), 1000.0))

    def at(self, value: float) -> float:
        return round(self.begin + (value - self.low) / (self.high - self.low) * (self.end - self.begin), 2)

    def ticks(self) -> list[tuple[float, str]]:
        digits = 2 if self.step < 0.1 else 1 if self.step < 1.0 else 0
        first = math.ceil(self.low / self.step - 1e-9)
        last = math.floor(self.high / self.step + 1e-9)
        return [(self.at(k * self.step), f"{k * self.step:.{digits}f}") for k in range(first, last + 1)]


def _across(low: float, high: float) -> _Axis:
    return _Axis(low, high, _LEFT, WIDTH - _RIGHT)


def _x_ticks(axis: _Axis, bottom: float) -> tuple[Mark, ...]:
    return tuple(Mark(at=x, word=word, word_x=x, word_y=bottom + 14.0) for x, word in axis.ticks())


def _y_ticks(axis: _Axis) -> tuple[Mark, ...]:
    return tuple(Mark(at=y, word=word, word_x=_LEFT - 5.0, word_y=y + 4.0, anchor="end") for y, word in axis.ticks())


def _labelled(axis: _Axis, places: Sequence[tuple[float, str, str]]) -> tuple[Mark, ...]:
    """Return upright lines with their words above one another, each beside its line on the side that has room."""
    marks = []
    middle = 0.5 * (axis.begin + axis.end)
    for row, (value, word, kind) in enumerate(sorted(places)):
        x = axis.at(min(max(value, axis.low), axis.high))
        right = x <= middle
        word_x, anchor = (x + 4.0, "start") if right else (x - 4.0, "end")
        marks.append(Mark(at=x, word=word, word_x=word_x, word_y=11.0 + 13.0 * row, anchor=anchor, kind=kind))
    return tuple(marks)


def histogram_chart(
    densities: Floats,
    *,
    places: Sequence[tuple[float, str, str]],
    paper: tuple[float, float] | None,
    axis_end: float,
) -> Chart:
    """Return how the area of the picture is spread over densities.

    Parameters
    ----------
    densities
        Aperture readings inside the frame.
    places
        (density, word, kind) of the lines to be drawn across: base plus fog, shadow, highlight.
    paper
        Densities that the paper holds; bars outside are marked.
    axis_end
        Densest density of the axis.
    """
    top, bottom = 18.0 + 13.0 * len(places), 200.0 - _BOTTOM - _STRIP
    axis = _across(0.0, axis_end)
    edges = np.arange(0.0, axis_end + _BIN, _BIN)
    counts, _ = np.histogram(np.clip(densities, 0.0, float(edges[-1]) - 1e-6), edges)
    shares = 100.0 * counts / max(densities.size, 1)
    up = _Axis(0.0, max(float(shares.max()) * 1.05, 1.0), bottom, top)
    bars = []
    for share, low, high in zip(shares.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if share > 0.0:
            x, y = axis.at(low), up.at(share)
            middle = 0.5 * (low + high)
            lost = paper is not None and not paper[0] <= middle <= paper[1]
            bars.append(
                Bar(
                    x=x,
                    y=y,
                    width=round(axis.at(high) - x, 2),
                    height=round(bottom - y, 2),
                    kind="lost" if lost else "",
                )
            )
    if paper is not None:
        ends = [axis.at(min(max(end, 0.0), axis_end)) for end in paper]
        bars.append(Bar(x=ends[0], y=bottom - 5.0, width=round(ends[1] - ends[0], 2), height=5.0, kind="holds"))
    return Chart(
        told="Share of the picture's area at each density",
        width=WIDTH,
        height=200.0,
        box=(_LEFT, top, WIDTH - _RIGHT, bottom),
        x_label="density",
        y_label="% of area",
        x_ticks=_x_ticks(axis, bottom + _STRIP),
        y_ticks=_y_ticks(up),
        bars=tuple(bars),
        marks=_labelled(axis, places),
        grays=_step_wedge(axis, bottom, axis_end),
    )


def _step_wedge(axis: _Axis, top: float, axis_end: float) -> tuple[Bar, ...]:
    """Return a strip of grays under an axis of density: each step as a light table would show it."""
    edges = np.linspace(0.0, axis_end, 25).tolist()
    steps = []
    for low, high in itertools.pairwise(edges):
        light = 10.0 ** -(0.5 * (low + high))
        # IEC 61966-2-1: how screens expect light to be coded.
        coded = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1.0 / 2.4) - 0.055
        gray = f"{round(255 * coded):02x}" * 3
        x = axis.at(low)
        steps.append(Bar(x=x, y=top, width=round(axis.at(high) - x + 0.2, 2), height=_STRIP, kind=f"#{gray}"))
    return tuple(steps)


def grade_chart(needed: float, expanded_uncertainty: float, paper: tuple[float, str] | None) -> Chart:
    """Return the grades of paper as a strip by their exposure range, the negative's range lying over it as a bracket.

    Parameters
    ----------
    needed
        Density range as the light of the print sees it, with its expanded uncertainty.
    paper
        Range (density units) and name of the paper that is meant; None: none is.
    """
    top, bottom = 44.0, 76.0
    axis = _across(0.4, 1.8)
    limits = [*sorted(GRADE_LOWER_LIMITS.items(), key=lambda item: item[1])]
    ends = [least for _, least in limits[1:]] + [SOFTEST_LIMIT]
    bars = [
        Bar(
            x=axis.at(least),
            y=top,
            width=round(axis.at(end) - axis.at(least), 2),
            height=bottom - top,
            kind="grade chosen" if least <= needed < end else "grade",
            word=grade,
        )
        for (grade, least), end in zip(limits, ends, strict=True)
    ]
    low, middle, high = (axis.at(min(max(needed + sign * expanded_uncertainty, 0.4), 1.8)) for sign in (-1.0, 0.0, 1.0))
    words = f"{needed:.2f}" + (f" ± {max(expanded_uncertainty, 0.01):.2f}" if expanded_uncertainty else "")
    right = middle <= 0.5 * (axis.begin + axis.end)
    named = Mark(
        at=middle,
        word=words,
        word_x=high + 8.0 if right else low - 8.0,
        word_y=33.0,
        anchor="start" if right else "end",
        kind="word-alone",
    )
    return Chart(
        told=f"Grades of paper by exposure range; this negative's range is {words}",
        width=WIDTH,
        height=bottom + _BOTTOM,
        box=(_LEFT, top, WIDTH - _RIGHT, bottom),
        x_label="density range that the paper holds",
        x_ticks=_x_ticks(axis, bottom),
        bars=tuple(bars),
        marks=(named,) if paper is None else (named, _paper_mark(axis, paper)),
        bracket=(low, middle, high, 29.0),
    )


def _paper_mark(axis: _Axis, paper: tuple[float, str]) -> Mark:
    x = axis.at(min(max(paper[0], axis.low), axis.high))
    right = x <= 0.5 * (axis.begin + axis.end)
    word_x, anchor = (x + 4.0, "start") if right else (x - 4.0, "end")
    return Mark(at=x, word=paper[1], word_x=word_x, word_y=13.0, anchor=anchor, kind="paper", foot=44.0)


def profile_chart(
    places_mm: Sequence[float], densities: Sequence[float], *, levels: Sequence[tuple[float, str]], axis_end: float
) -> Chart:
    """Return density along a line over the scan; `levels` are (density, word) of lines to compare with."""
    top, bottom = 10.0, 180.0 - _BOTTOM
    axis = _across(places_mm[0], max(places_mm[-1], places_mm[0] + 0.1))
    up = _Axis(0.0, axis_end, bottom, top)
    points = " ".join(
        f"{axis.at(x):g},{up.at(min(density, axis_end)):g}" for x, density in zip(places_mm, densities, strict=True)
    )
    per_mm = (axis.end - axis.begin) / (axis.high - axis.low)
    return Chart(
        told="Density along a line over the negative",
        width=WIDTH,
        height=180.0,
        box=(_LEFT, top, WIDTH - _RIGHT, bottom),
        x_label="mm on the scan",
        y_label="density",
        x_ticks=_x_ticks(axis, bottom),
        y_ticks=_y_ticks(up),
        line=points,
        levels=_level_marks(up, levels),
        scale=(axis.low, per_mm, bottom, (top - bottom) / axis_end),
    )


def _level_marks(up: _Axis, levels: Sequence[tuple[float, str]]) -> tuple[Mark, ...]:
    return tuple(
        Mark(at=up.at(value), word=word, word_x=WIDTH - _RIGHT, word_y=up.at(value) - 3.0, anchor="end")
        for value, word in levels
        if up.low <= value <= up.high
    )


def trend_chart(
    values: Sequence[float | None],
    doubts: Sequence[float],
    *,
    name: str,
    out: Sequence[bool],
    words: Sequence[str],
) -> Chart:
    """Return one reading over many negatives in their order, with its uncertainty and the middle one as a level."""
    top, bottom = 12.0, 170.0 - _BOTTOM
    points = [(value, doubt) for value, doubt in zip(values, doubts, strict=True) if value is not None]
    low = min((value - doubt for value, doubt in points), default=0.0)
    high = max((value + doubt for value, doubt in points), default=1.0)
    room = max(0.08 * (high - low), 0.02)
    up = _Axis(low - room, high + room, bottom, top)
    axis = _across(0.5, max(len(values), 2) + 0.5)
    dots = tuple(
        Dot(
            x=axis.at(number),
            y=up.at(value),
            low=up.at(value - doubt),
            high=up.at(value + doubt),
            kind="out" if alone else "",
            word=f"{word}: {value:.2f}",
        )
        for number, (value, doubt, alone, word) in enumerate(zip(values, doubts, out, words, strict=True), start=1)
        if value is not None
    )
    middle = float(np.median([value for value, _ in points])) if points else None
    every = max(1, math.ceil(len(values) / 8))
    numbered = [(axis.at(number), str(number)) for number in range(1, len(values) + 1, every)]
    return Chart(
        told=f"{name} of each negative, in order",
        width=WIDTH,
        height=170.0,
        box=(_LEFT, top, WIDTH - _RIGHT, bottom),
        x_label="number of the negative, in order",
        y_label=name,
        x_ticks=tuple(Mark(at=x, word=word, word_x=x, word_y=bottom + 14.0) for x, word in numbered),
        y_ticks=_y_ticks(up),
        dots=dots,
        levels=() if middle is None else _level_marks(up, [(middle, f"median {middle:.2f}")]),
    )
