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
from densiscan.development.change import FEW_SINCE, UnloggedChange, change_of
from densiscan.development.control_limits import FEWEST, ControlLimits, control_limits
from densiscan.development.creep import creeping_since
from densiscan.development.evidence import evidence_of
from densiscan.development.expected import expected_log, log_contrast, log_pace, log_paces
from densiscan.development.kinetics import REFERENCE_C
from densiscan.development.posterior import posterior_of
from densiscan.development.prior import PARAMETERS
from densiscan.development.run import Run

_SCATTER: Final = PARAMETERS.index("scatter")
_ROUND_S: Final = 15.0
_LEAST: Final = 1e-6
_EXPONENT: Final = 700.0
_LONGER: Final = 1.05
_LEAST_SLOPE: Final = 0.05

LEAST_DEVIATIONS: Final = {"base_plus_fog": 0.005, "contrast": 0.02, "speed": 0.05, "activity": 0.03}
"""Scatter that no run is without, in density or as a ratio: densities noted to two decimals, times to some seconds
(common practice)."""

CAUSES: Final[dict[str, tuple[str, str]]] = {
    "base_plus_fog": (
        "look for another or badly kept film, stray light, or a developer too warm or used too long",
        "check that it was the same film, and that the edge that was read was clear",
    ),
    "contrast": (
        "check thermometer, time and agitation, or whether the subject was more contrasty than noted",
        "check thermometer, time and developer, or whether the subject was flatter than noted",
    ),
    "speed": (
        "check that it was the same film, whether the shutter runs slow, or the meter was read differently",
        "check that it was the same film, whether the shutter runs fast, or a long exposure was not corrected",
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

    `name` is `base_plus_fog`, `contrast`, `speed` or `activity`; `label` the words for it. `sentences` is what there is
    to say of all runs, `news` what of it concerns the last; `change` what seems to have changed without being written
    down, which is said of the activity.
    """

    name: str
    label: str
    points: tuple[TrendPoint, ...]
    by_use: tuple[UseMean, ...]
    sentences: tuple[str, ...]
    news: tuple[str, ...] = ()
    change: UnloggedChange | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Series:
    """Values before their limits are known.

    On the scale of limits, `aside` is what each is expected to differ by, `width` how much it scatters against others.
    """

    name: str
    label: str
    runs: Sequence[Run]
    values: Sequence[float]
    standards: Sequence[float | None]
    aside: Sequence[float]
    width: Sequence[float]
    ratio: bool
    change: UnloggedChange | None = None


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
        width=[1.0] * len(read),
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
        width=[1.0] * len(read),
        ratio=True,
    )


def _development(runs: Sequence[Run]) -> tuple[_Series, _Series]:
    """Return contrast at the normal time, and the developer's activity."""
    evidence = evidence_of(runs)
    by_number = {run.number: run for run in runs}
    read = [by_number[number] for number in evidence.numbers]
    if not read:
        empty = {"runs": (), "values": (), "standards": (), "aside": (), "width": (), "ratio": True}
        nothing = [_Series(name=name, label=label, **empty) for name, label in _DEVELOPMENT]  # type: ignore[arg-type]
        return nothing[0], nothing[1]
    posterior = posterior_of(evidence)
    middle = posterior.mean[None]
    conditions = evidence.conditions
    off = evidence.logs - expected_log(middle, conditions)[0]
    equal = conditions.time_s * np.exp(log_paces(middle, conditions))[0]
    normal_s = max(round(float(np.median(equal)) / _ROUND_S) * _ROUND_S, _ROUND_S)
    spread = np.hypot(evidence.reading, np.exp(posterior.mean[_SCATTER]) * evidence.scatter)
    normal = float(log_contrast(middle, np.array([normal_s]))[0, 0])
    contrast = np.exp(normal + off)
    worn = log_pace(middle, np.full(len(read), REFERENCE_C), conditions.use)[0]
    # A run that gave more contrast acted as if developed longer: by the slope of the law where it was developed.
    longer = log_contrast(middle, np.stack([equal, _LONGER * equal]).ravel())[0].reshape(2, -1)
    slope = np.maximum((longer[1] - longer[0]) / math.log(_LONGER), _LEAST_SLOPE)
    label = f"contrast at {_clock(normal_s)}, {REFERENCE_C:g} C"
    return (
        _Series(
            name="contrast",
            label=label,
            runs=read,
            values=[float(one) for one in contrast],
            standards=[float(one) for one in contrast * spread],
            aside=[normal] * len(read),
            width=(spread / np.median(spread)).tolist(),
            ratio=True,
        ),
        _Series(
            name="activity",
            label="developer activity",
            runs=read,
            values=[math.exp(min(one, _EXPONENT)) for one in (worn + off / slope).tolist()],
            standards=[None] * len(read),
            aside=worn.tolist(),
            width=(spread / slope / np.median(spread / slope)).tolist(),
            ratio=True,
            change=change_of(posterior),
        ),
    )


_DEVELOPMENT: Final = (("contrast", "contrast at the normal time"), ("activity", "developer activity"))


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def _trend(series: _Series) -> Trend:
    scaled = [_log(value) if series.ratio else value for value in series.values]
    expected = list(zip(series.aside, series.width, strict=True))
    free = [(value - aside) / width for value, (aside, width) in zip(scaled, expected, strict=True)]
    limits = control_limits(free, LEAST_DEVIATIONS[series.name])
    points = tuple(
        TrendPoint(
            run=run.number,
            date=run.date,
            use=run.use,
            value=value,
            standard=standard,
            limits=None if limits is None else _moved(limits, *there, ratio=series.ratio),
        )
        for run, value, standard, there in zip(series.runs, series.values, series.standards, expected, strict=True)
    )
    changed = [] if series.change is None else [series.change.words]
    crept = _creep_sentences(series, free)
    news = changed if series.change is not None and series.change.runs <= FEW_SINCE else []
    return Trend(
        name=series.name,
        label=series.label,
        points=points,
        by_use=_by_use(points),
        sentences=(*changed, *_out_sentences(series, points), *crept),
        news=(*news, *_out_sentences(series, points[-1:]), *crept),
        change=series.change,
    )


def _log(value: float) -> float:
    return math.log(max(value, _LEAST))


def _moved(limits: ControlLimits, aside: float, width: float, *, ratio: bool) -> ControlLimits:
    """Return limits as they stand for one run, on the scale that is shown."""
    ends = [aside + width * end for end in (limits.middle, limits.lower, limits.upper)]
    if ratio:
        ends = [math.exp(min(end, _EXPONENT)) for end in ends]
    return ControlLimits(middle=ends[0], lower=ends[1], upper=ends[2], count=limits.count)


def value_text(name: str, value: float) -> str:
    """Return a value of a trend as it is shown: a speed as a whole number, all else to two decimals."""
    return f"{value:.0f}" if name == "speed" else f"{value:.2f}"


_CREEPS: Final = {"base_plus_fog": (1,), "contrast": (1,), "speed": (1, -1), "activity": (-1,)}
"""What is watched for creeping, and to which sides. Contrast and activity are two views of the same deviations: what
goes up is told of the one, what goes down of the other."""


def _creep_sentences(series: _Series, free: Sequence[float]) -> list[str]:
    """Return one sentence where the figure has been creeping to a side that is watched, small as each step may be."""
    told = []
    for side in _CREEPS[series.name]:
        since = creeping_since(free, side, LEAST_DEVIATIONS[series.name])
        if since is not None:
            way, cause = ("up", CAUSES[series.name][0]) if side > 0 else ("down", CAUSES[series.name][1])
            run = series.runs[since].number
            told.append(f"Since run {run} {series.label} has crept {way}, which is hardly chance; {cause}.")
    return told


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


def _by_use(points: Sequence[TrendPoint]) -> tuple[UseMean, ...]:
    values: dict[int, list[float]] = {}
    for point in points:
        values.setdefault(point.use, []).append(point.value)
    return tuple(UseMean(use=use, mean=math.fsum(v) / len(v), count=len(v)) for use, v in sorted(values.items()))


def missing_runs(trend: Trend) -> int:
    """Return how many more runs are needed for limits; 0 where there are enough."""
    return max(FEWEST - len(trend.points), 0)
