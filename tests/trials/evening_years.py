"""Whether the evening's answer names what went wrong, and how often it names what is nothing.

    python -m tests.trials.evening_years [--years N] [--first SEED] [--off C]

A year of one made-up photographer has forty runs of three films with 150 negatives, and two abrupt accidents that
nobody knows of: a holder that leaks, a thermometer that is off for good, or a box that holds another film. After each
run the evening is told as `tonight` tells it, from figures: nothing is rendered. A leak is on every second negative,
and is found on 98 of 100 of those (`evenness_rates`). What has been named is put right, and what was logged wrongly
with it corrected; what was not named after four evenings that it shows on is found in some other way. An accident
counts as named if one of the first two evenings that it shows on speaks of it; a year has a false alarm if an evening
speaks of any such thing while nothing is wrong. The films are those of `advice_rates`, whose kinetics the advice does
not have.
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from tests.trials.advice_rates import Films, Session, came_out, films, right_time, session

RUNS: Final = 40
NEGATIVES: Final = 150
FILMS: Final = 3
FEWEST_BEFORE: Final = 6
"""Runs of a film before its first accident: nobody notices a change of what is not known."""
FOUND_OTHERWISE: Final = 4
FOUND: Final = 0.98
EVENINGS: Final = 2
KINDS: Final = ("leak", "thermometer", "film")
NAMED_BY: Final = {
    "leak": ("light leak",),
    "thermometer": ("thermometer", "colder than noted", "warmer than noted", "too warm"),
    "film": ("film",),
}
OTHER_FILM: Final = (0.20, 0.50)
"""Natural logarithm of how much more or less time another film needs."""


@dataclass(slots=True)
class Box:
    """A film as it is called, and what is in its box."""

    name: str
    inside: Films
    believed: Films
    fog: float
    fast: float = 0.0
    log: list[Any] = field(default_factory=list)
    stops: dict[int, list[Any]] = field(default_factory=dict)
    sessions: int = 0
    last: Any = None


@dataclass(slots=True)
class Accident:
    """What went wrong, when it came, on how many evenings it showed; `over` is the run after which it is mended."""

    kind: str
    since: int
    box: Box | None
    warmer: float = 0.0
    shown: int = 0
    named: bool = False
    over: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Year:
    """The accidents of a year, and what was said while nothing was wrong."""

    accidents: tuple[Accident, ...]
    false: tuple[str, ...]


def boxes_of(rng: np.random.Generator) -> list[Box]:
    """Return three films of one person, who meters and reads the thermometer of all alike."""
    person = films(rng, 1)
    found = []
    for number in range(FILMS):
        own = films(rng, 1)
        film = replace(
            own,
            thermometer=person.thermometer,
            metering=person.metering,
            metering_sd=person.metering_sd,
            glare=person.glare,
            run_sd=person.run_sd,
        )
        found.append(Box(f"film {number + 1}", film, film, float(rng.uniform(0.08, 0.35))))
    return found


def a_year(seed: int, off_c: float) -> Year:
    """Return what became of a year's accidents."""
    from densiscan.development.surprise import surprise_of

    rng = np.random.default_rng([seed, 24])
    boxes = boxes_of(rng)
    counts = np.full(RUNS, NEGATIVES // RUNS)
    counts[rng.permutation(RUNS)[: NEGATIVES - int(counts.sum())]] += 1
    coming = _coming(rng)
    accidents: list[Accident] = []
    said: list[str] = []
    before: Any = None
    for number in range(1, RUNS + 1):
        box = boxes[int(rng.integers(FILMS))]
        here = [one for one in accidents if one.over is None]
        if coming and number >= coming[0][0] and not here and len(box.log) >= FEWEST_BEFORE:
            here = [_happens(coming.pop(0)[1], number, box, off_c, rng)]
            accidents += here
        accident = here[0] if here else None
        count = int(counts[number - 1])
        leaking = (rng.uniform(size=count) < 0.5) & (accident is not None and accident.kind == "leak")
        run, off = _run(box, number, count, 0.0 if accident is None else accident.warmer, rng)
        box.log.append(run)
        box.stops[number] = off
        came = surprise_of(box.log)
        surprises = [] if came is None else [*filter(None, (before, box.last)), came]
        before = box.last = came
        words = _evening(box, run, (leaking & (rng.uniform(size=count) < FOUND)).tolist(), surprises)
        told = set(_alarms(words))
        if accident is not None:
            _acted_on(told, accident, boxes, run, showing=bool(leaking.any()))
            if accident.over is not None and box.log:  # what was corrected is told anew
                before = box.last = surprise_of(box.log)
        elif told:
            said.append(f"run {number}: {words}")
    return Year(accidents=tuple(accidents), false=tuple(said))


def _coming(rng: np.random.Generator) -> list[tuple[int, str]]:
    """Return from which run on each of two accidents of different kinds comes, as soon as its film is known."""
    kinds = [KINDS[at] for at in rng.permutation(len(KINDS))[:2]]
    return [(int(rng.integers(14, 22)), kinds[0]), (int(rng.integers(25, 34)), kinds[1])]


def _happens(kind: str, number: int, box: Box, off_c: float, rng: np.random.Generator) -> Accident:
    if kind == "film":
        other = films(rng, 1)
        more = math.exp(float(rng.choice([-1.0, 1.0]) * rng.uniform(*OTHER_FILM)))
        box.inside = replace(box.inside, family=other.family, slope=other.slope).lengthened(more)
        box.fog = float(rng.uniform(0.08, 0.35))
        box.fast = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 1.7))
    warmer = off_c * float(rng.choice([-1.0, 1.0])) if kind == "thermometer" else 0.0
    return Accident(kind, number, box if kind == "film" else None, warmer)


def _run(box: Box, number: int, count: int, warmer: float, rng: np.random.Generator) -> tuple[Any, list[Any]]:
    """Return one run as it is logged with its negatives' figures, and their exposures in stops."""
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.development.run import Run

    at = session(box.believed, box.sessions, rng, batch_sd=0.04)
    box.sessions += 1
    time = 5.0 * round(max(min(right_time(box.believed, at), 2400.0) * math.exp(0.06 * rng.standard_normal()), 120) / 5)
    at = replace(at, warmer=at.warmer + warmer)
    subjects = [_subject(box.inside, at, rng) for _ in range(count)]
    ranges = [max(came_out(box.inside, one, time) + 0.012 * rng.standard_normal(), 0.06) for one in subjects]
    fog = box.fog + 0.006 * rng.standard_normal()
    fogs = [round(fog + 0.003 * rng.standard_normal(), 3) for _ in range(count)]
    mean_off = 0.25 * rng.standard_normal() + box.fast
    off = [Quantity(mean_off + 0.25 * rng.standard_normal(), {Influence("shadow"): 0.1}) for _ in range(count)]
    run = Run(
        number=number,
        film=box.name,
        developer="plain developer",
        batch=f"batch {at.batch}",
        date=(dt.date(2026, 1, 1) + dt.timedelta(days=at.days)).isoformat(),
        time_s=time,
        temperature_c=at.temperature,
        use=at.use,
        exposure_index=100.0,
        density_ranges=tuple(Quantity(one, {Influence("reading"): 0.012}) for one in ranges),
        sheet_stops=tuple(one.metered for one in subjects),
        base_plus_fogs=tuple(Quantity(one, {Influence("reading"): 0.005}) for one in fogs),
    )
    return run, off


def _subject(film: Films, at: Session, rng: np.random.Generator) -> Session:
    """Return the same run with a subject of its own, half of whose variance the run's negatives share."""
    stops = float(np.clip(at.stops + 0.8 * rng.standard_normal(), 4.5, 10.5))
    metered = stops + float(film.metering[0]) + float(film.metering_sd[0]) * rng.standard_normal()
    return replace(at, stops=stops, metered=round(3.0 * metered) / 3.0, choice=0.05 * rng.standard_normal())


def _evening(box: Box, run: Any, leaks: Sequence[bool], surprises: Sequence[Any]) -> str:
    """Return what is told, but for how the negatives were exposed and what to do next."""
    from densiscan.development.run import fog_before
    from densiscan.development.trends import trends_of
    from densiscan.negative.trouble.fog import judged_fog
    from densiscan.report.evening import Evening, evening_text
    from tests.support import made_up

    leak = made_up.finding("light-leak", side="bottom")
    evening = Evening(
        run=run,
        negatives=tuple(made_up.judged(file=f"{at}.tif", findings=(leak,) * one) for at, one in enumerate(leaks)),
        fog=judged_fog(
            max(run.base_plus_fogs, key=lambda one: one.value), history=fog_before(tuple(box.log), run.number)
        ),
        trends=trends_of(box.log, box.stops),
        surprises=tuple(surprises),
    )
    return " ".join(evening_text(evening).split())


def _alarms(words: str) -> Iterator[str]:
    """Return the kinds of accident that an evening speaks of."""
    for kind, names in NAMED_BY.items():
        spoken = words.lower().replace("earlier runs of this film", "")
        if any(name in spoken for name in names):
            yield kind


def _acted_on(told: set[str], accident: Accident, boxes: Sequence[Box], run: Any, *, showing: bool) -> None:
    """Let the person act on what an evening spoke of, with an accident that may show on it."""
    shows = {"leak": showing, "thermometer": True, "film": accident.box is not None and accident.box.log[-1:] == [run]}
    if not shows[accident.kind]:
        return
    accident.shown += 1
    spoken = accident.kind in told
    accident.named = accident.named or (spoken and accident.shown <= EVENINGS)
    if spoken or accident.shown >= FOUND_OTHERWISE:
        accident.over = run.number
        _put_right(accident, boxes)


def _put_right(accident: Accident, boxes: Sequence[Box]) -> None:
    """Let a box with another film get a name and a log of its own; correct the temperatures that were read wrongly."""
    for box in boxes:
        if box is accident.box:
            box.name, box.believed, box.fast = f"{box.name}, another", box.inside, 0.0
            box.log.clear()
            box.stops.clear()
        box.last = None
        box.log[:] = [
            replace(run, temperature_c=run.temperature_c + accident.warmer) if run.number >= accident.since else run
            for run in box.log
        ]


def main(arguments: Sequence[str]) -> int:
    """Let years go by and print what was named."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.evening_years", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--years", type=int, default=100)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--off", type=float, default=5.0, help="how much the thermometer is off, C")
    given = parser.parse_args(arguments)
    years = []
    for seed in range(given.first, given.first + given.years):
        years.append(a_year(seed, given.off))
        for told in years[-1].false:
            sys.stdout.write(f"  {seed} false: {told}\n")
        sys.stdout.flush()
    sys.stdout.write(f"{summary(years)}\n")
    return 0


def summary(years: Sequence[Year]) -> str:
    """Return how many accidents were named, and in how many years something was said for nothing."""
    lines = []
    every = [one for year in years for one in year.accidents if one.shown >= EVENINGS or one.named]
    for kind in ("any", *KINDS):
        some = [one.named for one in every if kind in {"any", one.kind}]
        if some:
            lines.append(f"{kind}: {sum(some)} of {len(some)} named within {EVENINGS} evenings ({np.mean(some):.0%})")
    false = [bool(year.false) for year in years]
    lines.append(f"{sum(false)} of {len(years)} years with a false alarm ({np.mean(false):.0%})")
    return "\n".join(lines)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
