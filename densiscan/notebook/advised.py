"""What the notebook advises for the next development: one answer for the command, the page and whatever else asks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.development.advice import Advice, Plan, advise_from
from densiscan.development.carried import carried, diluted
from densiscan.development.developer_life import Load, Wear, next_load, strength, wear
from densiscan.development.evidence import MOST_RUNS, evidence_of, logged_changes
from densiscan.development.exposure_index import IndexAdvice, index_advice, nominal_index, shadow_read
from densiscan.development.kinetics import REFERENCE_C, ContrastPoint, contrast_points
from densiscan.development.learning import USUAL_RISK, Learning, learning
from densiscan.development.names import dilution_key, name_key, solution_text
from densiscan.development.posterior import Posterior, posterior_of
from densiscan.development.prior import Belief, beliefs_with
from densiscan.development.run import Run, ages_days, at_dilution, days_between
from densiscan.development.sheets import disagreeing
from densiscan.development.usable_readings import Counted, left_out_warnings
from densiscan.notebook.notebook import Notebook
from densiscan.paper.grade import density_range_for

_LAST_RUNS: Final = 300
"""Runs looked at, the latest; more than the advice weighs."""

_LAST_SHADOWS: Final = 8
"""Runs whose shadows tell the exposure index, the latest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What advice is wanted for.

    `target_range` is the density range to aim at, `scene_stops` the subject's where it is metered; of `load` what is
    None is as in the last run. `use` is counted from the batch where it is None. `date` is the day of the development:
    a batch that stood is slower. Where neither batch nor use is said, a batch in use goes on, at the temperature of its
    last run. `chart_time_s` is the maker's time at 20 C, else what was kept of it.
    `learn` asks for so many times to develop that teach most, their negatives at most `risk_stops` of contrast off.
    """

    film: str
    developer: str
    target_range: Quantity
    scene_stops: float | None = None
    temperature_c: float | None = None
    use: int | None = None
    load: Load = field(default_factory=Load)
    date: str | None = None
    chart_time_s: float | None = None
    learn: int | None = None
    risk_stops: float = USUAL_RISK


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceSheet:
    """All that there is to say on the next development, of time, developer and exposure.

    `told` is what else there is to say; `known` the posterior that the time is taken from, for a drawing.
    """

    film: str
    developer: str
    dilution: str | None = None
    advice: Advice
    wear: Wear
    load: Load
    index: IndexAdvice | None = None
    told: tuple[Warning_, ...] = ()
    known: Posterior | None = None
    learning: Learning | None = None


def advised(book: Notebook, question: Wanted) -> AdviceSheet:
    """Return the advice on the next development of a film in a developer, from the runs of a notebook.

    Parameters
    ----------
    book
        Open; it is read alone.
    question
        Film and developer as the notebook spells them.

    Raises
    ------
    WrongUseError
        If the target, temperature, use or subject is out of reach.
    """
    film, developer = question.film, question.developer
    runs, warnings = _runs(book, film, developer, question.load.dilution)
    last = _going_on(book, runs, question)
    if last is not None:
        question = replace(
            question,
            load=replace(question.load, batch=last.batch),
            temperature_c=last.temperature_c if question.temperature_c is None else question.temperature_c,
        )
    beliefs, told = _beliefs(book, runs, question)
    counted = book.counted([run.number for run in runs if run.exposure_index is not None][-_LAST_SHADOWS:])
    mixed = _mixed(book, developer, runs, question.load.batch)
    plan = Plan(
        target_range=question.target_range,
        scene_stops=question.scene_stops,
        temperature_c=REFERENCE_C if question.temperature_c is None else question.temperature_c,
        use=_next_use(book, developer, question.use, question.load.batch),
        age_days=_age_days(mixed, question.load.batch, question.date),
        batch=question.load.batch,
    )
    tests = _film_tests(book, film, developer)
    posterior = posterior_of(evidence_of(runs, tests, ages=ages_days(runs, mixed), beliefs=beliefs))
    if last is not None:
        told = (*told, _going_on_words(last, plan))
    load, index = next_load(question.load, runs), _index(runs, counted)
    return AdviceSheet(
        film=film,
        developer=developer,
        dilution=load.dilution,
        advice=_with_index(advise_from(posterior, runs, plan), index),
        wear=wear(posterior, runs, load),
        load=load,
        index=index,
        told=(
            *warnings,
            *told,
            *disagreeing(runs[-MOST_RUNS:]),
            *_logged_otherwise(runs),
            *left_out_warnings([run for run in runs if run.left_out][-MOST_RUNS:]),
        ),
        known=posterior,
        learning=None
        if question.learn is None
        else learning(posterior, plan, question.learn, risk_stops=question.risk_stops),
    )


def _going_on(book: Notebook, runs: Sequence[Run], question: Wanted) -> Run | None:
    """Return the last run where its batch is still in use and goes on, as `run add` has it; None else."""
    if not runs or runs[-1].batch is None or question.load.batch is not None or question.use is not None:
        return None
    batch = book.batch(question.developer, runs[-1].batch)
    return None if batch.discarded is not None else runs[-1]


def _going_on_words(last: Run, plan: Plan) -> Warning_:
    message = (
        f"Batch {last.batch} of run {last.number} goes on: its use {plan.use}, at {plan.temperature_c:g} C. --use 1 is "
        "for fresh developer, --temp for another temperature."
    )
    return Warning_(code="batch-goes-on", message=message)


def chart_name(film: str, developer: str, dilution: str | None) -> str:
    """Return the name under which the maker's time for a film in a developer is kept."""
    return f"maker's time, {film} in {solution_text(developer, dilution)}"


def chart_document(film: str, developer: str, dilution: str | None, time_s: float) -> dict[str, Any]:
    """Return the maker's time at 20 C as it is kept, a film test that has no developments."""
    told = {"film": film, "developer": developer, "dilution": dilution, "chart_time_s": time_s}
    return {"format": "densiscan.chart-time/1", **told, "developments": []}


def _beliefs(book: Notebook, runs: Sequence[Run], question: Wanted) -> tuple[tuple[Belief, ...], tuple[Warning_, ...]]:
    """Return what is believed beforehand: by the maker's time, by other films, by another dilution."""
    film, developer = question.film, question.developer
    dilution = next_load(question.load, runs).dilution
    kept = book.kept("film-test", chart_name(film, developer, dilution)) or {}
    chart_s = kept.get("chart_time_s") if question.chart_time_s is None else question.chart_time_s
    beliefs = beliefs_with(chart_s)
    if len(runs) < _FEW_RUNS:
        beliefs = carried(film, developer, dilution, book.runs(last=_LAST_RUNS), beliefs)
    others = [] if runs or chart_s is not None else [run for run in book.runs(film, developer) if run.density_ranges]
    if not others:
        return beliefs, ()
    others = [run for run in others if dilution_key(run.dilution) == dilution_key(others[-1].dilution)]
    message = (
        f"No run at {dilution or 'this dilution'} yet: the time is reckoned from that at "
        f"{others[-1].dilution or 'full strength'}, as the square root of the dilution (common practice); the maker's "
        "time, --chart-time, is better."
    )
    strengths = strength(others[-1].dilution), strength(dilution)
    return diluted(beliefs, others, strengths), (Warning_(code="dilution-reckoned", message=message),)


_FEW_RUNS: Final = 10
"""Runs below which other films are asked; later they would say little more."""


def advised_after(book: Notebook, run: Run, *, today: str) -> AdviceSheet:
    """Return the advice for the film and developer of a run, as `advise` gives it today where nothing else is said."""
    aim = density_range_for(None, "contact")
    load = Load(dilution=run.dilution)
    return advised(book, Wanted(film=run.film, developer=run.developer, target_range=aim, load=load, date=today))


def in_use(runs: Sequence[Run], most: int) -> list[Run]:
    """Return the last run of each film, developer and dilution, the latest first, at most so many."""
    last: dict[tuple[str, ...], Run] = {}
    for run in runs:
        if not run.removed:
            last[(name_key(run.film), name_key(run.developer), dilution_key(run.dilution))] = run
    return sorted(last.values(), key=lambda run: (run.date, run.number), reverse=True)[:most]


def pairs(book: Notebook) -> str:
    """Return the films in their developers that the notebook has runs of, the latest first, as far as a line holds."""
    named = dict.fromkeys(f"{run.film} in {run.solution}" for run in book.runs(last=_LAST_RUNS)[::-1])
    return ", ".join(list(named)[:5]) + (", ..." if len(named) > 5 else "")


def _runs(
    book: Notebook, film: str, developer: str, dilution: str | None
) -> tuple[tuple[Run, ...], tuple[Warning_, ...]]:
    """Return the runs of one dilution, the last one's where none is said, and a word on those of others."""
    every = book.runs(film, developer, last=_LAST_RUNS)
    if not every:
        return (), _others(book, film, developer)
    chosen = at_dilution(every, dilution)
    others = len(every) - len(chosen)
    if not others:
        return chosen, ()
    wanted = every[-1].dilution if dilution is None else dilution
    message = (
        f"{others} run{'s' if others > 1 else ''} at another dilution than {wanted or 'the one not stated'} "
        f"{'are' if others > 1 else 'is'} left out; --dilution chooses."
    )
    return chosen, (Warning_(code="other-dilution", message=message),)


def _film_tests(book: Notebook, film: str, developer: str) -> tuple[ContrastPoint, ...]:
    """Return the contrasts of all kept film tests of this film and developer."""
    documents = [book.kept("film-test", name) for name in book.names("film-test")]
    return tuple(
        point
        for document in documents
        if document is not None
        for point in contrast_points(document, film=film, developer=developer)
    )


def _others(book: Notebook, film: str, developer: str) -> tuple[Warning_, ...]:
    """Return a word on what the notebook has where it has no run of this film and developer: a name may be mistyped."""
    run_pairs = pairs(book)
    if not run_pairs:
        return ()
    message = f"The notebook has no run of {film} in {developer}; it has {run_pairs}."
    return (Warning_(code="no-such-runs", message=message),)


def _next_use(book: Notebook, developer: str, use: int | None, batch: str | None) -> int:
    if use is not None:
        return use
    return 1 if batch is None else book.uses_of(developer, batch) + 1


def _mixed(book: Notebook, developer: str, runs: Sequence[Run], batch: str | None) -> dict[str, str]:
    """Return the day from which each batch stood, by its name, as far as the notebook knows."""
    names = {run.batch.casefold(): run.batch for run in runs if run.batch is not None}
    if batch is not None and book.uses_of(developer, batch):
        names.setdefault(batch.casefold(), batch)
    began = {key: book.batch(developer, name).began for key, name in names.items()}
    return {key: day for key, day in began.items() if day is not None}


def _age_days(mixed: Mapping[str, str], batch: str | None, date: str | None) -> float:
    """Return how long the batch has stood; 0 where it is fresh or nobody knows."""
    if batch is None or date is None or batch.casefold() not in mixed:
        return 0.0
    return days_between(mixed[batch.casefold()], date)


_FEW_SINCE: Final = 4


def _logged_otherwise(runs: Sequence[Run]) -> tuple[Warning_, ...]:
    """Return a word on the last change of agitation or pre-wash while few runs have been made since."""
    for before, run in list(pairwise(runs))[: -_FEW_SINCE - 1 : -1]:
        logged = logged_changes(before, run)
        if logged:
            message = (
                f"Run {run.number} is the first with {' and '.join(logged)}. That may change the time by a tenth or "
                "so: the runs since then show by how much, and those before count less."
            )
            return (Warning_(code="logged-otherwise", message=message),)
    return ()


def _with_index(advice: Advice, index: IndexAdvice | None) -> Advice:
    """Return advice whose table says the index that goes with each time, where one is known."""
    if index is None:
        return advice
    table = tuple(
        replace(row, exposure_index=nominal_index(index.exposure_index * 2.0**row.speed_stops)) for row in advice.table
    )
    return replace(advice, table=table)


def _index(runs: tuple[Run, ...], counted: Mapping[int, Counted]) -> IndexAdvice | None:
    """Return the exposure index to use next, from the shadows of the last runs that have an index."""
    with_index = [run for run in runs if run.exposure_index is not None]
    read = [
        shadow_read(reading.document, run.exposure_index)
        for run in with_index[-_LAST_SHADOWS:]
        if run.number in counted
        for reading in counted[run.number].readings
    ]
    last = with_index[-1].exposure_index if with_index else None
    return index_advice([shadow for shadow in read if shadow is not None], last)
