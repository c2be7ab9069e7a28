"""Film tests of few exposures: how often the truth lies in what is stated, on curves that follow no law of the fit.

    python -m tests.trials.few_point_rates [--cases N] [--first SEED] [--points 6] [--each]

Each case draws a smooth curve of one of six families (logistic, Gompertz, soft or parabolic toe and shoulder,
hyperbolic toe, two layers), 5 to 9 exposures that begin at its foot, and densities read with noise of 0.003 to 0.02;
base plus fog is known in half of them, and the noise is stated in two of three.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import DensiscanError
from densiscan.film.speed_and_contrast import CurvePoint, FilmTest, film_test
from tests.support.film_truth import TrueFilm

Floats = npt.NDArray[np.float64]
Law = Callable[[Floats], Floats]


def logistic(rng: np.random.Generator) -> Law:
    """The slope is steepest at half the densest, 1.8 to 3.2."""
    gamma, most = rng.uniform(0.4, 1.0), rng.uniform(1.6, 3.2)
    rate = 4.0 * gamma / most
    return lambda x: most / (1.0 + np.exp(-rate * (x - 2.2 / rate)))


def gompertz(rng: np.random.Generator) -> Law:
    """A short toe and a long shoulder."""
    gamma, most = rng.uniform(0.4, 1.0), rng.uniform(1.8, 3.2)
    rate = gamma * np.exp(1.0) / most
    return lambda x: most * np.exp(-np.exp(-rate * (x - 1.2 / rate)))


def _softplus(x: Floats, width: float) -> Floats:
    return np.asarray(width * np.logaddexp(0.0, x / width))


def soft(rng: np.random.Generator) -> Law:
    """A straight line with logistic bends at both ends."""
    gamma, toe, shoulder = rng.uniform(0.4, 1.0), rng.uniform(0.05, 0.25), rng.uniform(0.05, 0.3)
    length = rng.uniform(1.0, 3.5)
    return lambda x: gamma * (_softplus(x, toe) - _softplus(x - length, shoulder))


def _parabola(x: Floats, length: float) -> Floats:
    """A rising line of slope 1 whose foot is a parabola over a length about 0."""
    inside = np.clip(x + 0.5 * length, 0.0, length)
    return np.asarray(inside**2 / (2.0 * length) + np.maximum(x - 0.5 * length, 0.0))


def parabolic(rng: np.random.Generator) -> Law:
    """Toe and shoulder that begin and end: parabolas on a straight line."""
    gamma, toe, shoulder = rng.uniform(0.4, 1.0), rng.uniform(0.3, 1.2), rng.uniform(0.3, 1.5)
    length = 0.5 * (toe + shoulder) + rng.uniform(0.3, 2.5)
    return lambda x: gamma * (_parabola(x, toe) - _parabola(x - length, shoulder))


def hyperbolic(rng: np.random.Generator) -> Law:
    """A toe that is a hyperbola, long and faint, and no shoulder in reach."""
    gamma, toe = rng.uniform(0.4, 1.0), rng.uniform(0.04, 0.2)
    return lambda x: gamma * 0.5 * (x + np.sqrt(x * x + 4.0 * toe * toe))


def layers(rng: np.random.Generator) -> Law:
    """A fast and a slow layer, each logistic, that make one nearly straight curve."""
    share, gamma, apart = rng.uniform(0.4, 0.6), rng.uniform(0.45, 0.9), rng.uniform(0.8, 1.2)
    rate, most = rng.uniform(2.5, 3.2), 2.6
    height = 4.0 * gamma / rate / most * 1.3
    return lambda x: (
        most
        * height
        * (share / (1 + np.exp(-rate * (x - 0.8))) + (1 - share) / (1 + np.exp(-rate * (x - 0.8 - apart))))
    )


FAMILIES: Final = (logistic, gompertz, soft, parabolic, hyperbolic, layers)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A curve, the points read on it, and what is true."""

    seed: int
    family: str
    law: Law
    base: float
    points: tuple[CurvePoint, ...]
    base_plus_fog: Quantity | None
    noise: float

    def true(self) -> TrueFilm:
        places = [point.log_exposure.value for point in self.points]
        return TrueFilm(lambda x: float(self.law(np.asarray([x], np.float64))[0]), (min(places), max(places)))

    def gamma(self) -> float:
        """Slope over the straight part of the whole curve: where it is within 5 % of the steepest."""
        x = np.linspace(-1.5, 7.0, 17001)
        net = self.law(x)
        slope = np.gradient(net, x)
        steepest = int(np.argmax(slope))
        steep = slope >= 0.95 * slope[steepest]
        low = steepest - int(np.argmin(steep[: steepest + 1][::-1])) + 1 if not steep[: steepest + 1].all() else 0
        after = steep[steepest:]
        high = steepest + (int(np.argmin(after)) if not after.all() else after.size) - 1
        return float((net[high] - net[low]) / (x[high] - x[low]))


def drawn(seed: int, count: int | None = None) -> Case:
    """Return a case by its seed alone."""
    rng = np.random.default_rng([seed, 1616])
    family = FAMILIES[seed % len(FAMILIES)]
    law = family(rng)
    number = count or int(rng.integers(5, 10))
    spacing = float(rng.choice((0.30, 0.30, 0.45, 0.60))) if number > 6 else float(rng.choice((0.30, 0.45, 0.60)))
    fine = np.linspace(-1.5, 6.0, 7501)
    foot = float(np.interp(rng.uniform(0.01, 0.15), law(fine), fine))
    places: Floats = np.asarray(foot + rng.uniform(-0.2, 0.1) + spacing * np.arange(number), np.float64)
    base, noise = float(rng.uniform(0.05, 0.35)), float(np.exp(rng.uniform(np.log(0.003), np.log(0.02))))
    stated = rng.random() < 0.67
    points = tuple(
        CurvePoint(
            step=f"{n}",
            log_exposure=Quantity(float(place)),
            density=Quantity(
                base + net + float(rng.normal(0.0, noise)), {Influence("reading", f"{n}"): noise} if stated else None
            ),
        )
        for n, (place, net) in enumerate(zip(places.tolist(), law(places).tolist(), strict=True))
    )
    known = rng.random() < 0.5
    read = Quantity(base + float(rng.normal(0.0, 0.005)), {Influence("rebate"): 0.005})
    return Case(
        seed=seed,
        family=family.__name__,
        law=law,
        base=base,
        points=points,
        base_plus_fog=read if known else None,
        noise=noise,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A figure beside its truth; `open_` where it is only said to be at least that."""

    seed: int
    family: str
    count: int
    what: str
    value: float
    low: float
    high: float
    truth: float
    told: str

    @property
    def inside(self) -> bool:
        return self.low <= self.truth <= self.high


def bounds(quantity: Quantity) -> tuple[float, float]:
    """Return what a quantity states as its ends, k = 2."""
    limit, interval = getattr(quantity, "limit", None), getattr(quantity, "interval", None)
    if limit is not None:
        return (quantity.value, np.inf) if limit == "at least" else (-np.inf, quantity.value)
    if interval is not None:
        low, high = interval
        return (-np.inf if low is None else low), (np.inf if high is None else high)
    doubt = quantity.uncertainty or 0.0
    return quantity.value - doubt, quantity.value + doubt


def checks_of(case: Case) -> list[Check]:
    """Return the figures of one case beside their truths."""
    test = film_test(case.points, base_plus_fog=case.base_plus_fog)
    true = case.true()
    pairs: list[tuple[str, Quantity | None, float | None]] = [
        ("base plus fog", test.base_plus_fog, case.base),
        ("speed point", test.speed_log_exposure, true.speed),
        ("gamma", test.gamma, case.gamma()),
        ("average gradient", test.average_gradient, true.average_gradient),
        ("contrast index", test.contrast_index, true.contrast_index),
        ("exposure range", test.log_exposure_range, _span(true, test)),
    ]
    told = " ".join(warning.code for warning in test.warnings)
    checks = []
    for what, read, truth in pairs:
        if read is None or truth is None:
            continue
        low, high = bounds(read)
        checks.append(
            Check(
                seed=case.seed,
                family=case.family,
                count=len(case.points),
                what=what,
                value=read.value,
                low=low,
                high=high,
                truth=truth,
                told=told,
            )
        )
    return checks


def _span(true: TrueFilm, test: FilmTest) -> float | None:
    wanted = test.aim.density_range.value
    return true.span(wanted) if true.net(true.reach[1]) > wanted + 0.1 else None


def line(name: str, ours: Sequence[Check]) -> str:
    """Return how a figure did."""
    closed = [one for one in ours if np.isfinite(one.high) and np.isfinite(one.low)]
    errors = np.array([one.value - one.truth for one in closed]) if closed else np.zeros(1)
    widths = np.array([0.5 * (one.high - one.low) for one in closed]) if closed else np.zeros(1)
    inside = 100.0 * sum(one.inside for one in ours) / max(len(ours), 1)
    return (
        f"{name:28} {len(ours):5d} {len(ours) - len(closed):5d}  {inside:5.1f} %  {float(np.median(widths)):7.4f}  "
        f"{float(np.median(np.abs(errors))):7.4f}  {float(errors.mean()):+7.4f}  {float(np.max(np.abs(errors))):7.4f}"
    )


HEAD: Final = "figure                       cases  open   inside   med. U   med. e     bias    worst"


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.trials.few_point_rates")
    parser.add_argument("--cases", type=int, default=600)
    parser.add_argument("--first", type=int, default=160_000)
    parser.add_argument("--points", type=int, help="the same number of exposures in each; else 5 to 9")
    parser.add_argument("--each", action="store_true", help="a line for each case outside")
    asked = parser.parse_args(arguments)
    checks: list[Check] = []
    refused = blamed = 0
    for seed in range(asked.first, asked.first + asked.cases):
        try:
            found = checks_of(drawn(seed, asked.points))
        except DensiscanError as problem:
            refused += 1
            if asked.each:
                sys.stdout.write(f"{seed}: {problem}\n")
            continue
        blamed += "points-scatter" in found[0].told
        checks += found
        if asked.each:
            sys.stdout.writelines(f"{one}\n" for one in found if not one.inside)
    sys.stdout.write(HEAD + "\n")
    for what in dict.fromkeys(one.what for one in checks):
        sys.stdout.write(line(what, [one for one in checks if one.what == what]) + "\n")
    gammas = [one for one in checks if one.what == "gamma"]
    for family in FAMILIES:
        sys.stdout.write(line(f"gamma, {family.__name__}", [o for o in gammas if o.family == family.__name__]) + "\n")
    for count in range(5, 10):
        sys.stdout.write(line(f"gamma, {count} points", [o for o in gammas if o.count == count]) + "\n")
    sys.stdout.write(f"{refused} of {asked.cases} refused; uneven development blamed in {blamed}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
