"""How base plus fog, contrast, speed and the developer go from run to run, and whether a run is out of the usual.

Contrast is taken at one time, temperature and use, by the law that was learned from the same runs; the developer's
activity is how fast it acted against fresh developer at the same temperature.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.change import change_of
from densiscan.development.control_limits import FEWEST, ON_ONE_SIDE, ControlLimits, control_limits, side_held
from densiscan.development.creep import creeping_since
from densiscan.development.evidence import evidence_of
from densiscan.development.expected import Conditions, equal_time, expected_log, log_contrast, log_pace, log_paces
from densiscan.development.kinetics import REFERENCE_C
from densiscan.development.posterior import Posterior, posterior_of
from densiscan.development.prior import PARAMETERS
from densiscan.development.run import Run

_SCATTER: Final = PARAMETERS.index("scatter")
_ROUND_S: Final = 15.0
_LEAST: Final = 1e-6
_EXPONENT: Final = 700.0

LEAST_DEVIATIONS: Final = {"base_plus_fog": 0.005, "contrast": 0.02, "speed": 0.05, "activity": 0.03}
"""Scatter that no run is without, in density or as a ratio: densities noted to two decimals, times to some seconds
(common practice)."""

CAUSES: Final[dict[str, tuple[str, str]]] = {
    "base_plus_fog": (
        "look for old or badly kept film, stray light, or a developer too warm or used too long",
        "check that it was the same film, and that the edge that was read was clear",
    ),
    "contrast": (
        "check thermometer, time and agitation, or whether the subject was more contrasty than noted",
        "check thermometer, time and developer, or whether the subject was flatter than noted",
    ),
    "speed": (
        "check whether the shutter runs slow, or the meter was read differently",
        "check whether the shutter runs fast, the developer is tired, or a long exposure was not corrected",
    ),
    "activity": (
        "check whether it was mixed stronger, or was warmer than noted",
        "the developer may be tired, old, or colder than noted; mix fresh before it costs a negative",
    ),
}
"""What to look for when a value is above its limits, and below."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPoint:
    """One run's value, with the limits that hold for it.

    Attributes
    ----------
    standard
        Standard uncertainty (k = 1), None where it is not known.
    limits
        For this run: those of the developer's activity fall with its use. None where there are too few runs.
    """

    run: int
    date: str
    use: int
    value: float
    standard: float | None
    limits: ControlLimits | None = None

    @property
    def out(self) -> int:
        """1 above the limits, -1 below, 0 within or where there are none."""
        if self.limits is None or self.limits.holds(self.value):
            return 0
        return 1 if self.value > self.limits.upper else -1


@dataclass(frozen=True, slots=True, kw_only=True)
class UseMean:
    """The mean at one use of the developer, over `count` runs."""

    use: int
    mean: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """One figure from run to run, the earliest first.

    `name` is `base_plus_fog`, `contrast`, `speed` or `activity`; `label` the words for it.
    """

    name: str
    label: str
    points: tuple[TrendPoint, ...]
    by_use: tuple[UseMean, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Series:
    """Values before their limits are known; `aside` is what each is expected to differ by, on the scale of limits."""

    name: str
    label: str
    runs: Sequence[Run]
    values: Sequence[float]
    standards: Sequence[float | None]
    aside: Sequence[float]
    ratio: bool
    told: Sequence[str] = ()


def trends_of(runs: Sequence[Run], stops: Mapping[int, Sequence[Quantity]]) -> tuple[Trend, ...]:
    """Return the trends of runs of one film in one developer.

    Parameters
    ----------
    runs
        The earliest first; removed ones are passed over.
    stops
        By the number of the run: the exposure of each of its negatives against a normal one.
    """
    counted = [run for run in runs if not run.removed]
    trends = [_base_plus_fog(counted), *_development(counted), _speed(counted, stops)]
    order = ("base_plus_fog", "contrast", "speed", "activity")
    return tuple(_trend(one) for one in sorted(trends, key=lambda one: order.index(one.name)))


def _base_plus_fog(runs: Sequence[Run]) -> _Series:
    read = [run for run in runs if run.base_plus_fogs]
    return _Series(
        name="base_plus_fog",
        label="base plus fog",
        runs=read,
        values=[math.fsum(one.value for one in run.base_plus_fogs) / len(run.base_plus_fogs) for run in read],
        standards=[_largest(run.base_plus_fogs) for run in read],
        aside=[0.0] * len(read),
        ratio=False,
    )


def _largest(read: Sequence[Quantity]) -> float | None:
    """Return the largest uncertainty: readings by one calibration do not become better by their number."""
    uncertainties = [one.standard_uncertainty for one in read]
    return (
        max(one for one in uncertainties if one is not None) if any(one is not None for one in uncertainties) else None
    )


def _speed(runs: Sequence[Run], stops: Mapping[int, Sequence[Quantity]]) -> _Series:
    """Return the index at which each run would have been exposed right: its own times 2 to the power of its stops."""
    read = [run for run in runs if run.exposure_index is not None and stops.get(run.number)]
    values, standards = [], []
    for run in read:
        off = stops[run.number]
        mean = math.fsum(one.value for one in off) / len(off)
        values.append((run.exposure_index or 0.0) * 2.0**mean)
        doubt = _largest(off)
        standards.append(None if doubt is None else values[-1] * math.log(2.0) * doubt)
    return _Series(
        name="speed",
        label="effective speed",
        runs=read,
        values=values,
        standards=standards,
        aside=[0.0] * len(read),
        ratio=True,
    )


def _development(runs: Sequence[Run]) -> tuple[_Series, _Series]:
    """Return contrast at the normal time, and the developer's activity."""
    evidence = evidence_of(runs)
    by_number = {run.number: run for run in runs}
    read = [by_number[number] for number in evidence.numbers]
    if not read:
        empty = {"runs": (), "values": (), "standards": (), "aside": (), "ratio": True}
        nothing = [_Series(name=name, label=label, **empty) for name, label in _DEVELOPMENT]  # type: ignore[arg-type]
        return nothing[0], nothing[1]
    posterior = posterior_of(evidence)
    middle = posterior.mean[None]
    conditions = evidence.conditions
    off = evidence.logs - expected_log(middle, conditions)[0]
    equal = conditions.time_s * np.exp(log_paces(middle, conditions))[0]
    normal_s = max(round(float(np.median(equal)) / _ROUND_S) * _ROUND_S, _ROUND_S)
    spread = np.hypot(evidence.reading, np.exp(posterior.mean[_SCATTER]) * evidence.scatter)
    contrast = np.exp(log_contrast(middle, np.array([normal_s]))[0] + off)
    worn = log_pace(middle, np.full(len(read), REFERENCE_C), conditions.use)[0]
    acted = [_acted(posterior, conditions, at, float(off[at]), float(equal[at])) for at in range(len(read))]
    some = [at for at, one in enumerate(acted) if one is not None]
    change = change_of(posterior)
    activity = [math.exp(float(worn[at]) + (acted[at] or 0.0)) for at in some]
    label = f"contrast at {_clock(normal_s)}, {REFERENCE_C:g} C"
    return (
        _Series(
            name="contrast",
            label=label,
            runs=read,
            values=[float(one) for one in contrast],
            standards=[float(one) for one in contrast * spread],
            aside=[0.0] * len(read),
            ratio=True,
        ),
        _Series(
            name="activity",
            label="developer activity",
            runs=[read[at] for at in some],
            values=activity,
            standards=[None] * len(some),
            aside=[float(worn[at]) for at in some],
            ratio=True,
            told=() if change is None else (change.words,),
        ),
    )


_DEVELOPMENT: Final = (("contrast", "contrast at the normal time"), ("activity", "developer activity"))


def _acted(posterior: Posterior, conditions: Conditions, at: int, off: float, equal_s: float) -> float | None:
    """Return the logarithm by which a run was as if developed longer than it was; None where no time would do."""
    reached = math.exp(float(log_contrast(posterior.mean[None], np.array([equal_s]))[0, 0]) + off)
    as_if = float(equal_time(posterior.mean[None], np.array([reached]))[0])
    return math.log(as_if / equal_s) if math.isfinite(as_if) and conditions.time_s[at] > 0.0 else None


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def _trend(series: _Series) -> Trend:
    scaled = [_log(value) if series.ratio else value for value in series.values]
    free = [value - aside for value, aside in zip(scaled, series.aside, strict=True)]
    limits = control_limits(free, LEAST_DEVIATIONS[series.name])
    points = tuple(
        TrendPoint(
            run=run.number,
            date=run.date,
            use=run.use,
            value=value,
            standard=standard,
            limits=None if limits is None else _moved(limits, aside, ratio=series.ratio),
        )
        for run, value, standard, aside in zip(series.runs, series.values, series.standards, series.aside, strict=True)
    )
    sentences = [*series.told, *_out_sentences(series, points), *_creep_sentences(series, free)]
    if limits is not None and series.name not in _CREEPS and (side := side_held(free, limits)):
        sentences.append(_side_sentence(series, side))
    return Trend(
        name=series.name, label=series.label, points=points, by_use=_by_use(points), sentences=tuple(sentences)
    )


def _log(value: float) -> float:
    return math.log(max(value, _LEAST))


def _moved(limits: ControlLimits, aside: float, *, ratio: bool) -> ControlLimits:
    """Return limits as they stand for one run, on the scale that is shown."""
    ends = [limits.middle + aside, limits.lower + aside, limits.upper + aside]
    if ratio:
        ends = [math.exp(min(end, _EXPONENT)) for end in ends]
    return ControlLimits(middle=ends[0], lower=ends[1], upper=ends[2], count=limits.count)


def value_text(name: str, value: float) -> str:
    """Return a value of a trend as it is shown: a speed as a whole number, all else to two decimals."""
    return f"{value:.0f}" if name == "speed" else f"{value:.2f}"


_CREEPS: Final = {"base_plus_fog": 1, "activity": -1}
"""What is watched for creeping, and to which side: fog up, a developer down."""


def _creep_sentences(series: _Series, free: Sequence[float]) -> list[str]:
    """Return one sentence where the figure has been creeping to the bad side, small as each step may be."""
    side = _CREEPS.get(series.name)
    since = None if side is None else creeping_since(free, side, LEAST_DEVIATIONS[series.name])
    if side is None or since is None:
        return []
    way, cause = ("up", CAUSES[series.name][0]) if side > 0 else ("down", CAUSES[series.name][1])
    return [f"Since run {series.runs[since].number} {series.label} has crept {way}, which is hardly chance; {cause}."]


def _out_sentences(series: _Series, points: Sequence[TrendPoint]) -> list[str]:
    """Return one sentence for the runs above their limits, and one for those below, unless it may well be chance."""
    told = []
    for side in (1, -1):
        out = [one for one in points if one.out == side]
        if any(one.limits and not one.limits.excuses(one.value, logarithmic=series.ratio) for one in out):
            told.append(_out_sentence(series, out, side))
    return told


def _out_sentence(series: _Series, out: Sequence[TrendPoint], side: int) -> str:
    worst = max(out, key=lambda point: side * point.value)
    above = side > 0
    limits = worst.limits
    end = worst.value if limits is None else limits.upper if above else limits.lower
    shown, limit = value_text(series.name, worst.value), value_text(series.name, end)
    if shown == limit:
        shown, limit = f"{worst.value:.3f}", f"{end:.3f}"
    where, cause = ("above", CAUSES[series.name][0]) if above else ("below", CAUSES[series.name][1])
    if len(out) == 1:
        return f"Run {worst.run}: {series.label} is {shown}, {where} {limit}, beyond your usual scatter; {cause}."
    numbers = ", ".join(str(point.run) for point in out[:-1]) + f" and {out[-1].run}"
    return (
        f"Runs {numbers}: {series.label} is {where} the limits of your usual scatter, farthest in run {worst.run}, "
        f"{shown} against {limit}; {cause}."
    )


def _side_sentence(series: _Series, side: int) -> str:
    cause = CAUSES[series.name][0 if side > 0 else 1]
    where = "above" if side > 0 else "below"
    return f"The last {ON_ONE_SIDE} runs all lie {where} the middle of {series.label}, which is hardly chance; {cause}."


def _by_use(points: Sequence[TrendPoint]) -> tuple[UseMean, ...]:
    values: dict[int, list[float]] = {}
    for point in points:
        values.setdefault(point.use, []).append(point.value)
    return tuple(UseMean(use=use, mean=math.fsum(v) / len(v), count=len(v)) for use, v in sorted(values.items()))


def missing_runs(trend: Trend) -> int:
    """Return how many more runs are needed for limits; 0 where there are enough."""
    return max(FEWEST - len(trend.points), 0)
