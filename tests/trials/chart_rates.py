"""How often the charts tell of something that is nothing, and how soon they tell of something that is.

    python -m tests.trials.chart_rates [--years N] [--first SEED] [--fog-years N]

A year is thirty runs of one made-up film of `advice_rates`, developed about right, with fog, contrast, speed and
activity that only scatter. After each run everything that the trends say is looked at; a year in which anything at all
was said is a false alarm. Then fog that creeps up by 0.002 a run and a developer that loses 2 % a run, from the
sixteenth on: how many runs until something is said, beside a self-starting cumulative sum (k = 0.5) of the very same
values, whose limit is set so that it gives as many false alarms as that chart in steady years. It shares no code with
what it tries: normal deviates by scipy.
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
import sys
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from scipy import stats

from tests.trials.advice_rates import Films, came_out, films, right_time, session

RUNS: Final = 30
STEADY: Final = 15
FIRST_LOOK: Final = 5
FOG_SD: Final = 0.006
LATEST: Final = 25
Log = list[tuple[Any, float, float]]


def a_year(seed: int, runs: int, *, loss_a_run: float = 0.0) -> Log:
    """Return runs, each with its own fog and the logarithm of how its range came out against the usual."""
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.development.run import Run

    rng = np.random.default_rng([seed, 40])
    film = films(rng, 1)
    log = []
    for number in range(runs):
        at = session(film, number, rng, batch_sd=0.04)
        late = max(number + 1 - STEADY, 0)
        usual = _time(film, at, rng)
        fog = 0.28 + FOG_SD * float(rng.standard_normal())
        # A developer that loses acts as if the time were shorter.
        read = came_out(film, at, usual * math.exp(-loss_a_run * late)) + at.reading
        expected = _expected(film, at, usual)
        day = dt.date(2026, 1, 1) + dt.timedelta(days=at.days)
        run = Run(
            number=number + 1,
            film="plain film",
            developer="plain developer",
            batch=f"batch {at.batch}",
            date=day.isoformat(),
            time_s=usual,
            temperature_c=at.temperature,
            use=at.use,
            scene_stops=at.metered,
            exposure_index=100.0,
            density_ranges=(Quantity(max(read, 0.06), {Influence("reading"): 0.012}),),
            base_plus_fogs=(Quantity(round(fog, 3), {Influence("reading"): 0.005}),),
        )
        log.append((run, fog, math.log(max(read, 0.06) / expected)))
    return log


def _time(film: Films, at: Any, rng: np.random.Generator) -> float:
    about = min(right_time(film, at), 2400.0) * math.exp(0.06 * rng.standard_normal())
    return 5.0 * round(max(about, 120.0) / 5.0)


def _expected(film: Films, at: Any, time: float) -> float:
    from tests.trials.advice_rates import without_accidents

    return float(without_accidents(film, at, time)[0])


def told(log: Log, rng_stops: Sequence[float], count: int) -> set[str]:
    """Return the charts that say something after so many runs."""
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.development.trends import trends_of

    stops = {one[0].number: (Quantity(rng_stops[at], {Influence("shadow"): 0.1}),) for at, one in enumerate(log)}
    runs = [one[0] for one in log[:count]]
    return {trend.name for trend in trends_of(runs, stops) if trend.sentences}


def fog_year(seed: int, runs: int, fog_a_run: float = 0.0) -> Log:
    """Return runs of which only base plus fog was read."""
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.development.run import Run

    rng = np.random.default_rng([seed, 42])
    log: Log = []
    for number in range(1, runs + 1):
        fog = 0.28 + FOG_SD * float(rng.standard_normal()) + fog_a_run * max(number - STEADY, 0)
        run = Run(
            number=number,
            film="plain film",
            developer="plain developer",
            date=(dt.date(2026, 1, 1) + dt.timedelta(days=number)).isoformat(),
            time_s=480.0,
            temperature_c=20.0,
            base_plus_fogs=(Quantity(round(fog, 3), {Influence("reading"): 0.005}),),
        )
        log.append((run, fog, 0.0))
    return log


def first_alarm(values: Sequence[float], side: int, limit: float, since: int = FIRST_LOOK) -> int | None:
    """Return after how many values a self-starting cumulative sum passes its limit, counted from `since`."""
    total = 0.0
    for at in range(4, len(values)):
        before = np.array(values[:at])
        t = (values[at] - before.mean()) / before.std(ddof=1) * math.sqrt(at / (at + 1.0))
        total = max(0.0, total + side * float(stats.norm.ppf(stats.t.cdf(t, at - 1))) - 0.5)
        if at + 1 > since and total > limit:
            return at + 1
    return None


def limit_for(steady: Sequence[Sequence[float]], side: int, share: float) -> float:
    """Return the limit that so large a share of steady years passes."""
    low, high = 0.5, 15.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        passed = np.mean([first_alarm(values, side, middle) is not None for values in steady])
        low, high = (middle, high) if passed > share else (low, middle)
    return high


def main(arguments: Sequence[str]) -> int:
    """Look at many years and print the rates."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.chart_rates", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--years", type=int, default=100)
    parser.add_argument("--fog-years", type=int, default=400)
    parser.add_argument("--first", type=int, default=1)
    given = parser.parse_args(arguments)
    steady_years(range(given.first, given.first + given.years))
    creeping_fog(range(given.first, given.first + given.fog_years))
    losing(range(given.first, given.first + given.years // 2), given.years)
    return 0


def steady_years(seeds: range) -> None:
    """Print in how many steady years each chart said something, and any."""
    alarms: list[set[str]] = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 41])
        log, stops = a_year(seed, RUNS), (0.25 * rng.standard_normal(RUNS)).tolist()
        said: set[str] = set()
        for count in range(FIRST_LOOK, RUNS + 1):
            said |= told(log, stops, count)
        alarms.append(said)
        SEEN[seed] = said
    names = ("base_plus_fog", "contrast", "speed", "activity")
    shares = [f"{name} {100.0 * np.mean([name in said for said in alarms]):.1f} %" for name in names]
    anything = 100.0 * np.mean([bool(said) for said in alarms])
    sys.stdout.write(f"{len(alarms)} steady years: anything {anything:.1f} %; {', '.join(shares)}\n")
    sys.stdout.flush()


SEEN: dict[int, set[str]] = {}


def _detected(logs: Sequence[Log], name: str) -> list[float]:
    """Return after how many runs of creeping a chart said something, those left out that spoke before."""
    found = []
    for log in logs:
        if name in told(log, [0.0] * len(log), STEADY):
            continue
        late = (
            count - STEADY for count in range(STEADY + 1, len(log) + 1) if name in told(log, [0.0] * len(log), count)
        )
        found.append(float(next(late, math.inf)))
    return found


def _beside(values: Sequence[Sequence[float]], side: int, limit: float) -> list[float]:
    found = []
    for row in values:
        if first_alarm(row[:STEADY], side, limit) is None:
            alarm = first_alarm(row, side, limit)
            found.append(math.inf if alarm is None else float(alarm - STEADY))
    return found


def creeping_fog(seeds: range) -> None:
    """Print how soon fog that creeps up is told of."""
    steady = [fog_year(seed, RUNS) for seed in seeds]
    share = float(
        np.mean(
            [any("base_plus_fog" in told(log, [0.0] * RUNS, n) for n in range(FIRST_LOOK, RUNS + 1)) for log in steady]
        )
    )
    limit = limit_for([[one[1] for one in log] for log in steady], 1, share)
    logs = [fog_year(seed + 50_000, STEADY + LATEST, 0.002) for seed in seeds]
    ours, sums = _detected(logs, "base_plus_fog"), _beside([[one[1] for one in log] for log in logs], 1, limit)
    sys.stdout.write(
        f"fog +0.002 a run: told of after {np.median(ours):.0f} runs, by a sum with h = {limit:.2f} after "
        f"{np.median(sums):.0f}; {100.0 * share:.1f} % of {len(steady)} steady years\n"
    )
    sys.stdout.flush()


def losing(seeds: range, years: int) -> None:
    """Print how soon a developer that loses is told of."""
    steady = [[one[2] for one in a_year(seed, RUNS)] for seed in seeds]
    share = float(np.mean(["activity" in SEEN[seed] for seed in seeds if seed in SEEN] or [False]))
    limit = limit_for(steady, -1, max(share, 1.0 / max(years, 1)))
    logs = [a_year(seed + 60_000, STEADY + LATEST, loss_a_run=0.02) for seed in seeds]
    ours, sums = _detected(logs, "activity"), _beside([[one[2] for one in log] for log in logs], -1, limit)
    sys.stdout.write(
        f"activity -2 % a run: told of after {np.median(ours):.0f} runs, by a sum with h = {limit:.2f} after "
        f"{np.median(sums):.0f}\n"
    )


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
