"""What a person need not say of a run: it is as in the last one, or as in the one named.

What belongs to the process is repeated: film, developer, time, temperature, agitation and so on. What belongs to that
one picture is not: the subject's range, the note, and what came of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import Warning_
from densiscan.development.names import close_names, same_name
from densiscan.development.run import Run
from densiscan.errors import WrongUseError

_REPEATED: Final = (
    "film",
    "developer",
    "dilution",
    "time_s",
    "temperature_c",
    "exposure_index",
    "agitation",
    "prewash",
    "stop",
    "fix",
    "sheets",
    "sheet_size_mm",
    "volume_ml",
)
_OF_THE_FILM: Final = frozenset({"time_s", "exposure_index"})
"""Repeated only where film and developer are the same: another film has another time."""
_OF_THE_DEVELOPER: Final = frozenset({"dilution", "time_s"})
_NEEDED: Final = ("film", "developer", "time_s", "temperature_c")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A run made of what was said and what was repeated.

    Attributes
    ----------
    like
        The run that the rest was taken from, None where there was none.
    taken
        The fields taken from it, in their order.
    warnings
        What a person should look at.
    """

    run: Run
    like: int | None
    taken: tuple[str, ...]
    warnings: tuple[Warning_, ...] = ()


def filled(
    said: Mapping[str, Any],
    earlier: Sequence[Run],
    *,
    uses_of: Callable[[str, str], int],
    like: Run | None = None,
    fresh: bool = False,
    known: Mapping[str, Sequence[str]] | None = None,
) -> Filled:
    """Return a run from what was said of it; the rest is as in an earlier run.

    Parameters
    ----------
    said
        By the fields of `Run`, only those that were said; the date is one of them.
    earlier
        The runs that count, the earliest first.
    uses_of
        How often a batch of a developer was used so far.
    like
        The run to repeat; None: the last one of this film and developer, else of the developer, else of all.
    fresh
        The developer was newly mixed: the first use, of no batch but one that was said.
    known
        The names of `film` and `developer` that there are runs of: a new one that is close to one of them is doubted.

    Raises
    ------
    WrongUseError
        If something needed was neither said nor done before, or cannot be.
    """
    template = like or _last_like(said, earlier)
    facts = dict(said)
    taken = [] if template is None else _repeat(facts, template)
    missing = [f"`{field}`" for field in _NEEDED if facts.get(field) is None]
    if missing:
        why = _why(facts, template)
        raise WrongUseError(
            f"please give {_listed(missing)}: {why} to take {'it' if len(missing) == 1 else 'them'} from."
        )
    if not fresh and template is not None and "batch" not in said and _goes_on(facts, template, uses_of):
        facts["batch"] = template.batch
        taken.append("batch")
    before = 0 if facts.get("batch") is None else uses_of(facts["developer"], facts["batch"])
    if "use" not in said:
        facts["use"] = _use(facts, before, like, fresh=fresh)
    run = Run(number=0, **facts)
    return Filled(
        run=run,
        like=None if template is None or not taken else template.number,
        taken=tuple(taken),
        warnings=(*_doubts(run, before), *_new_names(run, known or {})),
    )


def _why(facts: Mapping[str, Any], template: Run | None) -> str:
    """Return why something could not be taken from an earlier run."""
    if template is None:
        return "there is no earlier run"
    film, developer = (facts.get(field) or getattr(template, field) for field in ("film", "developer"))
    return f"no run of {film} in {developer} is in the notebook yet"


def _last_like(said: Mapping[str, Any], earlier: Sequence[Run]) -> Run | None:
    """Return the last run that is most like what was said."""

    def same(run: Run, field: str) -> bool:
        wanted = said.get(field)
        return wanted is None or same_name(getattr(run, field), str(wanted))

    for fields in (("film", "developer"), ("developer",), ()):
        alike = [run for run in earlier if all(same(run, field) for field in fields)]
        if alike:
            return alike[-1]
    return None


def _repeat(facts: dict[str, Any], template: Run) -> list[str]:
    """Put into the facts what they lack and the earlier run has; return the names of it."""
    other_film = _differs(facts, template, "film")
    other_developer = _differs(facts, template, "developer")
    taken = []
    for field in _REPEATED:
        barred = (other_film and field in _OF_THE_FILM) or (other_developer and field in _OF_THE_DEVELOPER)
        if field not in facts and not barred and getattr(template, field) is not None:
            facts[field] = getattr(template, field)
            taken.append(field)
    return taken


def _differs(facts: Mapping[str, Any], template: Run, field: str) -> bool:
    return field in facts and not same_name(str(facts[field]), getattr(template, field))


def _goes_on(facts: Mapping[str, Any], template: Run, uses_of: Callable[[str, str], int]) -> bool:
    """Return whether the run goes on with the batch of the earlier one: same developer, and no other use was said."""
    if template.batch is None or _differs(facts, template, "developer"):
        return False
    return "use" not in facts or facts["use"] == uses_of(template.developer, template.batch) + 1


def _use(facts: Mapping[str, Any], before: int, like: Run | None, *, fresh: bool) -> int:
    if fresh:
        return 1
    if facts.get("batch") is not None:
        return before + 1
    return 1 if like is None else like.use


def _doubts(run: Run, before: int) -> tuple[Warning_, ...]:
    if run.batch is None or run.use > before:
        return ()
    message = (
        f"batch {run.batch} was used {before} times before, and this is logged as use {run.use}; give a newly mixed "
        "developer a batch name of its own."
    )
    return (Warning_(code="use-counted-before", message=message),)


def _new_names(run: Run, known: Mapping[str, Sequence[str]]) -> tuple[Warning_, ...]:
    """Return a word where a name that no run had before is close to one that some had: it would begin a history."""
    warnings = []
    for field, names in known.items():
        name = getattr(run, field)
        close = () if any(same_name(name, one) for one in names) else close_names(name, names)
        if close:
            message = (
                f"{name} is new in the notebook, which has {', '.join(close)}; if that is the {field} meant, "
                "run undo and add the run again."
            )
            warnings.append(Warning_(code="new-name", message=message))
    return tuple(warnings)


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
