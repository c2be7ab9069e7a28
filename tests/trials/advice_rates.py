"""How fast the advice learns, and how honest it is, on films whose kinetics it does not have.

    python -m tests.trials.advice_rates [--photographers N] [--first SEED] [--runs N] [--no-chart] [--change WHAT]

Each made-up photographer has a film of one of six families of contrast against time, a temperature coefficient of 1.7
to 3.0, a developer that loses by use and by storage, batches that differ, flare, errors of metering and of the
thermometer, and now and then writes something wrong down. Each asks, develops, reads the negative, logs it. The same
film with the same accidents is developed by three others: by the maker's chart alone; by a rule of thumb that begins
with the chart and goes 10 or 20 % longer or shorter; and by an ideal filter, which knows the families, all ranges and
all errors, and weighs twelve thousand made-up films by what came out. Nothing here shares code with the advice, and
nothing is rendered.
"""

from __future__ import annotations

import argparse
import copy
import datetime as dt
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FAMILIES: Final = ("exponential", "hyperbolic", "power", "logarithmic", "Gompertz", "root")
NORMAL_CONTRAST: Final = 0.57
TARGET: Final = 1.05
AVERAGE_STOPS: Final = 22.0 / 3.0
STOP: Final = math.log10(2.0)
CHART_DOUBT: Final = 0.15
PARTICLES: Final = 12_000
CHANGES: Final = ("film", "batch", "agitation", "tiring", "gap", "thermometer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Films:
    """Many hidden films and habits side by side, an array each."""

    family: npt.NDArray[np.int64]
    normal_s: Floats
    slope: Floats
    wait: Floats
    per_ten: Floats
    loss: Floats
    storage: Floats
    glare: Floats
    thermometer: Floats
    metering: Floats
    metering_sd: Floats
    run_sd: Floats

    def one(self, at: int) -> Films:
        """Return one of them."""
        return Films(**{name: getattr(self, name)[at : at + 1] for name in self.__slots__})

    def lengthened(self, factor: float) -> Films:
        """Return the same, all needing so many times the time."""
        return replace(self, normal_s=self.normal_s * factor)


def films(rng: np.random.Generator, count: int) -> Films:
    """Draw films and habits.

    `slope` is d log G / d log t at the normal time, 0.4 to 0.8: one stop more contrast, 1.16 times, then takes 1.2 to
    1.45 times the time.
    """

    def normal(middle: float, spread: float) -> Floats:
        return np.asarray(middle * np.exp(spread * rng.standard_normal(count)))

    return Films(
        family=rng.integers(0, len(FAMILIES), count),
        normal_s=np.clip(normal(480.0, 0.38), 180.0, 1300.0),
        slope=rng.uniform(0.40, 0.80, count),
        wait=rng.uniform(0.0, 0.08, count),
        per_ten=rng.uniform(1.7, 3.0, count),
        loss=rng.uniform(0.03, 0.17, count),
        storage=np.clip(normal(0.003, 0.5), 0.0005, 0.01),
        glare=np.exp(rng.uniform(math.log(0.003), math.log(0.016), count)),
        thermometer=0.4 * rng.standard_normal(count),
        metering=0.2 * rng.standard_normal(count),
        metering_sd=rng.uniform(0.15, 0.45, count),
        run_sd=rng.uniform(0.02, 0.05, count),
    )


def _grown(film: Films, x: Floats) -> Floats:
    """Return contrast over that at the normal time; x is the time over the normal one at 20 C in fresh developer."""
    slope, wait = film.slope, film.wait
    after = np.maximum((x - wait) / (1.0 - wait), 1e-9)
    own = slope * (1.0 - wait)
    # Exponential: slope = b / (e^b - 1); hyperbolic: slope = h / (1 + h); logarithmic: slope = c / ((1 + c) ln(1 + c)).
    b = 2.0 * (1.0 - own) * (1.0 + 0.17 * (1.0 - own) ** 2)
    exponential = np.expm1(-b * after) / np.expm1(-b)
    h = own / (1.0 - own)
    hyperbolic = after * (1.0 + h) / (after + h)
    power = np.maximum(x, 1e-9) ** slope
    c = _logarithmic(slope)
    logarithmic = np.log1p(c * x) / np.log1p(c)
    # Gompertz: G = exp(B (1 - exp(k (1 - x)))) has the slope B k; its bend comes before x = 1.
    k = 1.2 + 1.25 * (film.slope - 0.4) / 0.5
    gompertz = np.exp((slope / k) * (1.0 - np.exp(k * (1.0 - x))))
    root = np.sqrt(np.maximum(0.5 + slope * (x - 1.0), 1e-9) / 0.5)
    found = np.choose(film.family, [exponential, hyperbolic, power, logarithmic, gompertz, root])
    return np.asarray(np.maximum(found, 1e-6))


def _logarithmic(slope: Floats) -> Floats:
    key = slope.tobytes()
    if key not in _KNOWN:
        _KNOWN[key] = _logarithmic_searched(slope)
    return _KNOWN[key]


_KNOWN: dict[bytes, Floats] = {}


def _logarithmic_searched(slope: Floats) -> Floats:
    low, high = np.full_like(slope, 1e-3), np.full_like(slope, 1e3)
    for _ in range(50):
        middle = np.sqrt(low * high)
        steeper = middle / ((1.0 + middle) * np.log1p(middle)) > slope
        low, high = np.where(steeper, middle, low), np.where(steeper, high, middle)
    return low


def picture(film: Films, stops: float) -> Floats:
    """Return the range of log exposure on the film: scattered light is added to shadow and highlight."""
    return np.asarray(np.log10((1.0 + film.glare) / (2.0**-stops + film.glare)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One run's circumstances and accidents, the same for all who develop it."""

    stops: float
    metered: float
    temperature: float
    warmer: float
    use: int
    days: int
    age: int
    batch: int
    stronger: float
    choice: float
    contrast: float
    reading: float
    written_wrong: float


def session(film: Films, number: int, rng: np.random.Generator, *, batch_sd: float) -> Session:
    """Draw the circumstances: three uses a batch, some days between; `stronger` is the log rate of the batch."""
    stops = float(np.clip(7.3 + 1.2 * rng.standard_normal(), 4.5, 10.5))
    metered = stops + float(film.metering[0]) + float(film.metering_sd[0]) * rng.standard_normal()
    batch, use = divmod(number, 3)
    of_batch = np.random.default_rng([int(1e6 * film.normal_s[0]), batch])
    gaps = np.cumsum(of_batch.integers(1, 15, 3))
    blunder = rng.uniform() < 0.03
    return Session(
        stops=stops,
        metered=round(3.0 * metered) / 3.0,
        temperature=round(2.0 * float(rng.uniform(18.0, 24.0))) / 2.0,
        warmer=float(film.thermometer[0]) + 0.25 * rng.standard_normal(),
        use=use + 1,
        days=40 * batch + int(gaps[use]),
        age=int(gaps[use] - gaps[0]),
        batch=batch,
        stronger=batch_sd * float(of_batch.standard_normal()),
        choice=0.05 * rng.standard_normal(),
        contrast=float(film.run_sd[0]) * rng.standard_normal(),
        reading=0.012 * rng.standard_normal(),
        written_wrong=float(rng.choice([-3.0, 3.0])) if blunder else 0.0,
    )


def pace(film: Films, temperature: float | Floats, use: int, age: int) -> Floats:
    """Return the rate against 20 C in fresh developer."""
    tired = (1.0 + film.loss * (use - 1)) * np.exp(film.storage * age)
    return np.asarray(film.per_ten ** ((temperature - 20.0) / 10.0) / tired)


def without_accidents(film: Films, at: Session, time: float) -> Floats:
    """Return the range that the subject as metered gives, with the thermometer's and the meter's usual errors alone."""
    x = time * pace(film, at.temperature + film.thermometer, at.use, at.age) * math.exp(at.stronger) / film.normal_s
    return NORMAL_CONTRAST * _grown(film, x) * np.asarray(_metered_picture(film, at))


def _metered_picture(film: Films, at: Session) -> Floats:
    stops = at.metered - film.metering
    return np.asarray(np.log10((1.0 + film.glare) / (2.0**-stops + film.glare)))


def came_out(film: Films, at: Session, time: float) -> float:
    """Return the range of the negative."""
    x = time * pace(film, at.temperature + at.warmer, at.use, at.age) * math.exp(at.stronger) / film.normal_s
    contrast = NORMAL_CONTRAST * float(_grown(film, x)[0]) * math.exp(at.contrast)
    return contrast * (float(picture(film, at.stops)[0]) + at.choice)


def right_time(film: Films, at: Session, less: float = 1.0) -> float:
    """Return the time after which there is the range aimed at, infinite where there is none."""
    low, high, aim = 20.0, 20_000.0, TARGET / less
    if float(without_accidents(film, at, high)[0]) < aim:
        return math.inf
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if float(without_accidents(film, at, middle)[0]) < aim else (low, middle)
    return low


# Those who develop.


def _by_rule(normal_s: float, at: Session) -> float:
    stops = 1.30 ** (AVERAGE_STOPS - at.metered)
    return float(normal_s * stops * 1.08 ** (20.0 - at.temperature) * (1.0 + 0.10 * (at.use - 1)))


class Chart:
    """The maker's time, and a fixed percentage for stops, degrees and uses."""

    def __init__(self, chart_s: float) -> None:
        self.normal_s = chart_s

    def time(self, at: Session) -> float:
        """Return the time."""
        return _by_rule(self.normal_s, at)

    def learn(self, at: Session, time: float, read: float) -> None:
        """Learn nothing."""


class Rule(Chart):
    """The chart, then 10 % longer or shorter where the range missed by 0.1, 20 % where by 0.2."""

    def learn(self, at: Session, time: float, read: float) -> None:  # noqa: ARG002 - all learn alike
        """Go a step longer or shorter."""
        step = 0.20 if abs(read - TARGET) > 0.20 else 0.10 if abs(read - TARGET) > 0.10 else 0.0
        self.normal_s *= 1.0 + math.copysign(step, TARGET - read)


class Ideal:
    """Weighs made-up films by what came out; knows how everything scatters."""

    def __init__(self, chart_s: float | None) -> None:
        self.films = _particles()
        self.logs = np.zeros(PARTICLES)
        if chart_s is not None:
            self.logs -= 0.5 * (np.log(self.films.normal_s / chart_s) / CHART_DOUBT) ** 2

    def time(self, at: Session) -> float:
        """Return the time of the least mean squared error."""
        best = np.argsort(self.logs)[-1500:]
        some = Films(**{name: getattr(self.films, name)[best] for name in Films.__slots__})
        weights = np.exp(self.logs[best] - self.logs.max())
        meant = replace(at, stronger=0.0)
        times = np.geomspace(90.0, 2400.0, 67)
        errors = [float(weights @ (without_accidents(some, meant, time) - TARGET) ** 2) for time in times]
        return float(times[int(np.argmin(errors))])

    def learn(self, at: Session, time: float, read: float) -> None:
        """Weigh by the likelihood, with three in a hundred written down wrong."""
        film, meant = self.films, replace(at, stronger=0.0)
        expected = without_accidents(film, meant, time)
        warmth = np.log(film.per_ten) / 10.0 * 0.25 * film.slope
        subject = STOP * film.metering_sd / picture(film, at.metered)
        spread = np.sqrt(film.run_sd**2 + warmth**2 + subject**2 + 0.03**2 + (0.04 * film.slope) ** 2 + 0.012**2)
        off = np.log(read / expected) / spread
        wrong = np.log(read / expected) / np.hypot(spread, 0.3 * film.slope)
        sound = 0.97 * np.exp(-0.5 * off**2) / spread
        self.logs += np.log(sound + 0.03 * np.exp(-0.5 * wrong**2) / np.hypot(spread, 0.3 * film.slope) + 1e-300)


_KEPT: dict[str, Films] = {}


def _particles() -> Films:
    if "all" not in _KEPT:
        _KEPT["all"] = films(np.random.default_rng(31), PARTICLES)
    return _KEPT["all"]


class Advised:
    """Follows the advice."""

    def __init__(self, chart_s: float | None) -> None:
        self.chart_s = chart_s
        self.log: list[Any] = []
        self.told: Any = None

    def time(self, at: Session) -> float:
        """Ask."""
        from densiscan.arithmetic.quantity import Quantity
        from densiscan.development.advice import Plan, advise
        from densiscan.development.prior import beliefs_with

        plan = Plan(
            target_range=Quantity(TARGET),
            scene_stops=at.metered,
            temperature_c=at.temperature,
            use=at.use,
            age_days=float(at.age),
            batch=f"batch {at.batch}",
        )
        self.told = advise(self.log, plan, beliefs=beliefs_with(self.chart_s))
        return float(self.told.time_s.value)

    def learn(self, at: Session, time: float, read: float) -> None:
        """Log the run, now and then with a wrong temperature."""
        from densiscan.arithmetic.quantity import Influence, Quantity
        from densiscan.development.run import Run

        day = dt.date(2026, 1, 1) + dt.timedelta(days=at.days)
        self.log.append(
            Run(
                number=len(self.log) + 1,
                film="plain film",
                developer="plain developer",
                batch=f"batch {at.batch}",
                date=day.isoformat(),
                time_s=time,
                temperature_c=at.temperature + at.written_wrong,
                use=at.use,
                scene_stops=at.metered,
                density_ranges=(Quantity(max(read, 0.06), {Influence("reading"): 0.012}),),
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One run: by how much each one's development missed the target, and whether the intervals held."""

    seed: int
    family: str
    run: int
    missed: dict[str, float]
    range_inside: bool
    time_inside: bool
    held: bool
    change: str | None = None


def changed(film: Films, at: Session, since: int, what: str | None) -> tuple[Films, Session]:
    """Return film and session so many runs after a change that nobody wrote down; before it, as they were."""
    if what is None or since < 0:
        return film, at
    first, batch = since == 0, since < 3
    after = {
        "film": at,
        "batch": replace(at, stronger=at.stronger + (math.log(0.8) if batch else 0.0)),
        "agitation": replace(at, contrast=at.contrast + math.log(0.85)),
        "tiring": replace(at, stronger=at.stronger + math.log(0.97) * (since + 1)),
        "gap": at if first else replace(at, age=at.age + (75 if batch else 0), days=at.days + 75),
        "thermometer": replace(at, warmer=at.warmer + (3.0 if first else 0.0)),
    }
    return film.lengthened(1.35 if what == "film" else 1.0), after[what]


def outcomes_of(
    seed: int,
    runs: int,
    *,
    chart: bool = True,
    changes: Sequence[str | None] = (None,),
    when: int = 9,
    ideal: bool = True,
) -> list[Outcome]:
    """Let one film be developed by all; what they did before something changed is the same for each of the changes."""
    rng = np.random.default_rng([seed, 20])
    film = films(rng, 1)
    chart_s = float(film.normal_s[0] * math.exp(CHART_DOUBT * rng.standard_normal()))
    told = chart_s if chart else None
    people: dict[str, Any] = {
        "densiscan": Advised(told),
        "rule": Rule(chart_s),
        "chart": Chart(chart_s),
    }
    if ideal:
        people["ideal"] = Ideal(told)
    before = [
        _developed(seed, film, people, session(film, number, rng, batch_sd=0.04), number)
        for number in range(min(when, runs))
    ]
    found = []
    for change in changes:
        found += [replace(one, change=change) for one in before]
        after, accidents = copy.deepcopy((people, rng))
        for number in range(when, runs):
            now, at = changed(film, session(film, number, accidents, batch_sd=0.04), number - when, change)
            less = 0.85 if change == "agitation" else 1.0
            found.append(replace(_developed(seed, now, after, at, number, less), change=change))
    return found


def _developed(seed: int, film: Films, people: dict[str, Any], at: Session, number: int, less: float = 1.0) -> Outcome:
    """Let one run be developed by all; `less` is part of the contrast that is left for good."""
    missed = {}
    for who, person in people.items():
        time = person.time(at)
        missed[who] = float(without_accidents(film, at, time)[0]) * less - TARGET
        read = came_out(film, at, time) + at.reading
        if who == "densiscan":
            inside = _holds(person.told, read), _in_time(person.told, right_time(film, at, less))
            held = person.told.limit is not None
        person.learn(at, time, read)
    return Outcome(
        seed=seed,
        family=FAMILIES[int(film.family[0])],
        run=number + 1,
        missed=missed,
        range_inside=inside[0],
        time_inside=inside[1],
        held=held,
    )


def _holds(told: Any, read: float) -> bool:
    expected = told.expected_range
    return bool(abs(read - expected.value) <= (expected.uncertainty or 0.0))


def _in_time(told: Any, right: float) -> bool:
    low, high = told.interval_s
    return (low is None or low <= right) and (high is None or right <= high)


def simulate(seeds: Iterable[int], runs: int = 8, **options: Any) -> list[Outcome]:
    """Let many films be developed."""
    return [outcome for seed in seeds for outcome in outcomes_of(seed, runs, **options)]


def _of(outcomes: Sequence[Outcome], who: str, first: int, last: int) -> Floats:
    return np.array([one.missed[who] for one in outcomes if first <= one.run <= last])


def table(outcomes: Sequence[Outcome], at: Sequence[int] = (1, 2, 3, 5, 8)) -> str:
    """Return a row for each who develops, as a Markdown table."""
    lines = [
        "| by | " + " | ".join(f"{run}" for run in at) + " | rms 3-8 | worse than 0.2 |",
        "| --- |" + " ---: |" * (len(at) + 2),
    ]
    for who in outcomes[0].missed:
        missed = [_of(outcomes, who, wanted, wanted) for wanted in at]
        medians = " | ".join(f"{np.median(np.abs(of_run)):.3f}" for of_run in missed)
        later = _of(outcomes, who, 3, 8)
        worse = 100.0 * float(np.mean(np.abs(later) > 0.2))
        lines.append(f"| {who} | {medians} | {np.sqrt(np.mean(later**2)):.3f} | {worse:.1f} % |")
    return "\n".join(lines)


def after_change(outcomes: Sequence[Outcome], at: Sequence[int] = range(9, 15)) -> str:
    """Return medians, root mean squares and how often the intervals held, run by run, as a Markdown table."""
    lines = ["| run | " + " | ".join(f"{run}" for run in at) + " |", "| --- |" + " ---: |" * len(at)]
    for who in outcomes[0].missed:
        missed = [_of(outcomes, who, run, run) for run in at]
        lines.append(f"| {who} | " + " | ".join(f"{np.median(np.abs(one)):.3f}" for one in missed) + " |")
        lines.append(f"| {who}, rms | " + " | ".join(f"{np.sqrt(np.mean(one**2)):.3f}" for one in missed) + " |")
    for what in ("range_inside", "time_inside"):
        shares = [np.mean([getattr(one, what) for one in outcomes if one.run == run]) for run in at]
        lines.append(f"| {what.replace('_', ' ')} | " + " | ".join(f"{100.0 * share:.0f} %" for share in shares) + " |")
    return "\n".join(lines)


def intervals(outcomes: Sequence[Outcome]) -> str:
    """Return how often the intervals held, altogether and by family, and how often the time was held."""
    lines = ["| family | range inside | time inside | held |", "| --- | ---: | ---: | ---: |"]
    for family in ("all", *FAMILIES):
        some = [one for one in outcomes if family in {"all", one.family}]
        shares = [
            100.0 * np.mean([getattr(one, what) for one in some]) for what in ("range_inside", "time_inside", "held")
        ]
        lines.append(f"| {family} | " + " | ".join(f"{share:.1f} %" for share in shares) + " |")
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Let them develop and print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.advice_rates", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--photographers", type=int, default=300)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--no-chart", action="store_true", help="the maker's time is not told")
    parser.add_argument("--no-ideal", action="store_true", help="leave the slow ideal filter out")
    parser.add_argument("--change", action="append", choices=CHANGES, help="after the ninth run of 14; several times")
    given = parser.parse_args(arguments)
    seeds = range(given.first, given.first + given.photographers)
    runs = 14 if given.change else given.runs
    changes = given.change or (None,)
    outcomes = simulate(seeds, runs, chart=not given.no_chart, changes=changes, ideal=not given.no_ideal)
    if given.change:
        for change in changes:
            sys.stdout.write(f"{change}\n\n{after_change([one for one in outcomes if one.change == change])}\n\n")
        return 0
    sys.stdout.write(f"{table(outcomes)}\n\n{intervals(outcomes)}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
