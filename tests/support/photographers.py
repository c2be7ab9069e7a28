"""Simulated photographers: does following the advice lead to the density range aimed at, and are its intervals honest?

    python -m tests.support.photographers [--photographers N] [--first SEED] [--runs N] [--unmetered]

Each photographer has a film, a developer, a camera, a thermometer and habits that nobody knows; they are drawn anew for
each seed. Each develops a few runs, asks before each of them, does what is said as well as they can, reads the negative
and logs it. Beside each works a twin with the same film and the same accidents who follows a plain rule of thumb: a
fixed percentage for each stop. The film here obeys its own arithmetic, which shares no code with what gives the advice.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.advice import Advice, Plan, advise
from densiscan.development.run import Run

NORMAL_CONTRAST: Final = 0.57
STOP: Final = math.log10(2.0)
AVERAGE_STOPS: Final = 22.0 / 3.0
RULE_PER_STOP: Final = 0.33
RULE_PER_DEGREE: Final = 0.08
RULE_PER_USE: Final = 0.10
LARGEST_CHANGE: Final = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Photographer:
    """What is hidden: film and developer, camera, and how exactly this person works."""

    normal_s: float
    saturation: float
    wait_s: float
    per_ten_degrees: float
    more_time_a_use: float
    glare: float
    shoulder: float
    thermometer_off_c: float
    thermometer_sd_c: float
    metering_off_stops: float
    metering_sd_stops: float
    choice_sd: float
    contrast_sd: float
    reading_sd: float
    blunders: float
    target: float

    def contrast(self, time_s: float, temperature_c: float, use: int) -> float:
        """Contrast by the film's own arithmetic: warmth and use change the rate, not the wait."""
        limit = NORMAL_CONTRAST * self.saturation
        rate = -math.log(1.0 - 1.0 / self.saturation) / (self.normal_s - self.wait_s)
        warm = math.exp(math.log(self.per_ten_degrees) * (temperature_c - 20.0) / 10.0)
        tired = 1.0 + self.more_time_a_use * (use - 1)
        return limit * (1.0 - math.exp(-rate * warm / tired * max(time_s - self.wait_s, 0.0)))

    def picture(self, stops: float) -> float:
        """Range of log exposure on the film: scattered light is added to shadow and highlight."""
        bright, dark = 1.0, 2.0**-stops
        return math.log10((bright + self.glare) / (dark + self.glare))

    def density_range(self, contrast: float, log_exposure: float) -> float:
        """Range on the negative; a long one runs into the shoulder."""
        return contrast * log_exposure * (1.0 - self.shoulder * (log_exposure - 1.85))


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One run's circumstances and accidents, the same for the photographer and for the twin."""

    stops: float
    metered_stops: float
    metered: bool
    temperature_c: float
    true_temperature_c: float
    use: int
    choice: float
    contrast_factor: float
    reading: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one run.

    `negative` is the range of the negative less the target; `development` the same without the accidents of the run:
    what the subject as metered would have given, had nothing gone astray. `rule` and `rule_development` are the
    twin's; `known` is the negative of one who knows the film to the second, so that only the accidents are left.
    """

    seed: int
    run: int
    negative: float
    development: float
    rule: float
    rule_development: float
    known: float
    range_inside: bool
    range_uncertainty: float
    time_inside: bool
    time_uncertainty: float


def _holds(interval: tuple[float | None, float | None], time_s: float) -> bool:
    low, high = interval
    return (low is None or low <= time_s) and (high is None or time_s <= high)


def photographer(rng: np.random.Generator) -> Photographer:
    """Draw one."""
    return Photographer(
        normal_s=float(np.clip(480.0 * math.exp(0.27 * rng.standard_normal()), 240.0, 960.0)),
        saturation=float(rng.uniform(1.25, 3.0)),
        wait_s=float(rng.uniform(5.0, 45.0)),
        per_ten_degrees=float(rng.uniform(1.8, 2.7)),
        more_time_a_use=float(rng.uniform(0.04, 0.18)),
        glare=float(math.exp(rng.uniform(math.log(0.0035), math.log(0.0145)))),
        shoulder=float(rng.uniform(0.0, 0.06)),
        thermometer_off_c=float(0.4 * rng.standard_normal()),
        thermometer_sd_c=float(rng.uniform(0.1, 0.4)),
        metering_off_stops=float(0.2 * rng.standard_normal()),
        metering_sd_stops=float(rng.uniform(0.15, 0.45)),
        choice_sd=float(rng.uniform(0.02, 0.08)),
        contrast_sd=float(rng.uniform(0.02, 0.05)),
        reading_sd=float(rng.uniform(0.008, 0.02)),
        blunders=0.03,
        target=1.05 if rng.uniform() < 0.7 else float(rng.uniform(0.85, 1.25)),
    )


def session(person: Photographer, number: int, rng: np.random.Generator, *, metered: bool = True) -> Session:
    """Draw what happens at one run; unmetered, the subject is taken for the average one."""
    stops = float(np.clip(7.3 + 1.2 * rng.standard_normal(), 4.5, 10.5))
    off = person.metering_off_stops + person.metering_sd_stops * rng.standard_normal()
    temperature = round(float(rng.uniform(18.0, 24.0)) * 2.0) / 2.0
    blunder = rng.uniform() < person.blunders
    astray = person.contrast_sd * rng.standard_normal() + (0.3 * rng.choice([-1.0, 1.0]) if blunder else 0.0)
    return Session(
        stops=stops,
        metered_stops=round((stops + float(off)) * 3.0) / 3.0 if metered else AVERAGE_STOPS,
        metered=metered,
        temperature_c=temperature,
        true_temperature_c=temperature + person.thermometer_off_c + person.thermometer_sd_c * rng.standard_normal(),
        use=1 + number % 3,
        choice=person.choice_sd * rng.standard_normal(),
        contrast_factor=math.exp(astray),
        reading=person.reading_sd * rng.standard_normal(),
    )


def developed(person: Photographer, at: Session, time_s: float) -> float:
    """Return the true density range of the negative after a time."""
    contrast = person.contrast(time_s, at.true_temperature_c, at.use) * at.contrast_factor
    return person.density_range(contrast, person.picture(at.stops) + at.choice)


def without_accidents(person: Photographer, at: Session, time_s: float) -> float:
    """Return the range that the subject as metered would have given, with the thermometer's usual error alone."""
    contrast = person.contrast(time_s, at.temperature_c + person.thermometer_off_c, at.use)
    off = person.metering_off_stops if at.metered else 0.0
    return person.density_range(contrast, person.picture(at.metered_stops - off))


def right_time(person: Photographer, at: Session) -> float:
    """Return the time after which there is the range aimed at, without accidents; infinite where there is none."""
    if without_accidents(person, at, 1e6) <= person.target:
        return math.inf
    low, high = 1.0, 1e6
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if without_accidents(person, at, middle) < person.target else (low, middle)
    return low


class Rule:
    """The plain rule of thumb: a third more or less time for each stop, a fixed percentage a degree and a use."""

    def __init__(self, target: float) -> None:
        self.target = target
        self.normal_s = 480.0 * float((1.0 + RULE_PER_STOP) ** ((target - 1.05) / (STOP * NORMAL_CONTRAST)))

    def _for(self, at: Session) -> float:
        stops = float((1.0 + RULE_PER_STOP) ** (AVERAGE_STOPS - at.metered_stops))
        warmth = float((1.0 + RULE_PER_DEGREE) ** (20.0 - at.temperature_c))
        return stops * warmth * (1.0 + RULE_PER_USE * (at.use - 1))

    def time(self, at: Session) -> float:
        return round(self.normal_s * self._for(at) / 5.0) * 5.0

    def learn(self, read: float) -> None:
        change = (1.0 + RULE_PER_STOP) ** ((self.target - read) / (STOP * NORMAL_CONTRAST))
        self.normal_s *= min(max(change, 1.0 - LARGEST_CHANGE), 1.0 + LARGEST_CHANGE)


def asked(person: Photographer, at: Session, runs: Sequence[Run]) -> Advice:
    """Ask for advice on what the photographer knows."""
    plan = Plan(
        target_range=Quantity(person.target),
        scene_stops=at.metered_stops if at.metered else None,
        temperature_c=at.temperature_c,
        use=at.use,
    )
    return advise(runs, plan)


def logged(person: Photographer, at: Session, *, number: int, time_s: float, read: float) -> Run:
    """Return the run as the photographer writes it down."""
    return Run(
        number=number,
        film="plain film",
        developer="plain developer",
        date="2026-01-01",
        time_s=time_s,
        temperature_c=at.temperature_c,
        use=at.use,
        scene_stops=at.metered_stops if at.metered else None,
        density_ranges=(Quantity(max(read, 0.06), {Influence("reading"): person.reading_sd}),),
    )


def outcomes_of(seed: int, runs: int, *, metered: bool = True) -> list[Outcome]:
    """Let one photographer and the twin develop."""
    rng = np.random.default_rng([seed, 606])
    person = photographer(rng)
    rule, log, found = Rule(person.target), list[Run](), []
    for number in range(runs):
        at = session(person, number, rng, metered=metered)
        advice = asked(person, at, log)
        time = advice.time_s.value
        true = developed(person, at, time)
        read = true + at.reading
        by_rule = rule.time(at)
        rule_true = developed(person, at, by_rule)
        right = min(right_time(person, at), 4.0 * time)
        found.append(
            Outcome(
                seed=seed,
                run=number + 1,
                negative=true - person.target,
                development=without_accidents(person, at, time) - person.target,
                rule=rule_true - person.target,
                rule_development=without_accidents(person, at, by_rule) - person.target,
                known=developed(person, at, right) - person.target,
                range_inside=abs(read - advice.expected_range.value) <= (advice.expected_range.uncertainty or 0.0),
                range_uncertainty=advice.expected_range.uncertainty or 0.0,
                time_inside=_holds(advice.interval_s, right),
                time_uncertainty=(advice.time_s.uncertainty or 0.0) / time,
            )
        )
        log.append(logged(person, at, number=number + 1, time_s=time, read=read))
        rule.learn(rule_true + at.reading)
    return found


def simulate(seeds: Iterable[int], runs: int = 6, *, metered: bool = True) -> list[Outcome]:
    """Let many photographers develop."""
    return [outcome for seed in seeds for outcome in outcomes_of(seed, runs, metered=metered)]


def median_miss(outcomes: Sequence[Outcome], what: str, run: int) -> float:
    """Return the median of how far the range lies from the target, either way."""
    return float(np.median([abs(getattr(one, what)) for one in outcomes if one.run == run]))


def share_inside(outcomes: Sequence[Outcome], what: str, run: int | None = None) -> float:
    """Return the share of intervals that hold the truth, of one run or of all."""
    return float(np.mean([getattr(one, what) for one in outcomes if run in {None, one.run}]))


def table(outcomes: Sequence[Outcome]) -> str:
    """Return a row for each run, as a Markdown table."""
    lines = [
        "| run | development | by rule | negative | by rule | film known | ± range | inside | ± time | inside |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for run in sorted({one.run for one in outcomes}):
        of_run = [one for one in outcomes if one.run == run]
        told = ("development", "rule_development", "negative", "rule", "known")
        misses = [median_miss(outcomes, what, run) for what in told]
        wide = float(np.median([one.range_uncertainty for one in of_run]))
        wide_time = 100.0 * float(np.median([one.time_uncertainty for one in of_run]))
        lines.append(
            f"| {run} | "
            + " | ".join(f"{miss:.3f}" for miss in misses)
            + f" | {wide:.2f} | {100 * share_inside(outcomes, 'range_inside', run):.1f} % | {wide_time:.0f} % | "
            + f"{100 * share_inside(outcomes, 'time_inside', run):.1f} % |"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Let them develop and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.support.photographers", description=__doc__.split("\n", 1)[0]
    )
    parser.add_argument("--photographers", type=int, default=400)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--unmetered", action="store_true", help="nobody meters the subject")
    given = parser.parse_args(arguments)
    outcomes = simulate(range(given.first, given.first + given.photographers), given.runs, metered=not given.unmetered)
    ranges, times = (100.0 * share_inside(outcomes, what) for what in ("range_inside", "time_inside"))
    sys.stdout.write(f"{table(outcomes)}\n\n{given.photographers} photographers from seed {given.first}; ")
    sys.stdout.write(f"all runs: range inside {ranges:.1f} %, right time inside {times:.1f} %\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
