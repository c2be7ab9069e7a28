"""First advice on paper: the exposure range a negative needs, and the grade that has it.

Formulas and sources: note 11 of docs/method.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.errors import WrongUseError

Process = Literal["contact", "diffusion", "condenser"]
PROCESSES: Final[tuple[Process, ...]] = ("contact", "diffusion", "condenser")

USUAL_PAPER_RANGE: Final = 105.0
"""ISO range R aimed at when no paper is named: middle of grade 2."""

CALLIER_FACTOR: Final = 1.25
CALLIER_FACTOR_DOUBT: Final = 0.075
"""Directed light makes silver look denser: 1.2 to 1.5 times (from memory), no single value is right. The standard
uncertainty stands beside the default."""

GRADE_LOWER_LIMITS: Final = MappingProxyType({"0": 1.41, "1": 1.15, "2": 0.95, "3": 0.80, "4": 0.65, "5": 0.50})
"""Least effective density range of each grade (published: a teaching table of negative contrast for each grade, diffuse
light: 0 1.41-1.60, 1 1.15-1.40, 2 0.95-1.14, 3 0.80-0.94, 4 0.65-0.79, 5 0.50-0.64)."""

SOFTEST_LIMIT: Final = 1.70
"""Longest log exposure range of grade 0 (published: ANSI PH2.2-1966, outer limits 0.50 and 1.70)."""

FITS_WITHIN: Final = 10
"""Range R of a paper and R needed may differ by this and still suit each other: half the width of grade 2."""

SHORTEST_PAPER_RANGE: Final = 30.0
LONGEST_PAPER_RANGE: Final = 250.0

SOFTER: Final = "softer than 0"
HARDER: Final = "harder than 5"


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperAdvice:
    """What to print on.

    `needed_range` is ISO range R (100 times the log exposure range), rounded to a whole number; `grade` "0" to "5",
    "softer than 0" or "harder than 5". Both None where no density range could be read.
    """

    process: Process
    needed_range: int | None
    grade: str | None
    note: str


def callier_factor(process: Process) -> Quantity:
    """Return how much denser the silver looks in the light of the process than in diffuse light."""
    if process == "condenser":
        return Quantity(CALLIER_FACTOR, {Influence("callier factor"): CALLIER_FACTOR_DOUBT})
    return Quantity(1.0)


def effective_range(density_range: Quantity, process: Process) -> Quantity:
    """Return the density range as the light of the process sees it."""
    factor = callier_factor(process)
    effective = density_range * factor.value
    for influence, part in (factor.parts or {}).items():
        effective = effective.with_part(influence, density_range.value * part)
    return effective


def density_range_for(paper_range: float | None, process: Process) -> Quantity:
    """Return the density range of a negative that fills a paper.

    Parameters
    ----------
    paper_range
        ISO range R, 30 to 250; None for the usual 105.

    Raises
    ------
    WrongUseError
        If `paper_range` is no paper's.
    """
    wanted = USUAL_PAPER_RANGE if paper_range is None else paper_range
    if not SHORTEST_PAPER_RANGE <= wanted <= LONGEST_PAPER_RANGE:
        raise WrongUseError(
            f"`paper_range` {wanted:g} is not a paper's; give the ISO range R, such as 105 for a paper of grade 2."
        )
    factor = callier_factor(process)
    value = wanted / 100.0 / factor.value
    return Quantity(value, {key: -value * part / factor.value for key, part in (factor.parts or {}).items()})


def grade_for(effective: float) -> str:
    """Return the grade for an effective density range, read to two decimals as in the table."""
    shown = round(effective, 2)
    if shown > SOFTEST_LIMIT:
        return SOFTER
    return next((grade for grade, least in GRADE_LOWER_LIMITS.items() if shown >= least), HARDER)


def range_of_grade(grade: str) -> float:
    """Return the ISO range R of the middle of a grade.

    Raises
    ------
    WrongUseError
        If there is no such grade.
    """
    if grade not in GRADE_LOWER_LIMITS:
        raise WrongUseError(f"`grade` {grade} is not a paper grade; give 0 to 5.")
    limits = [SOFTEST_LIMIT, *GRADE_LOWER_LIMITS.values()]
    place = list(GRADE_LOWER_LIMITS).index(grade)
    return 50.0 * (limits[place] + limits[place + 1])


def paper_advice(
    *,
    density_range: Quantity | None,
    process: Process = "contact",
    paper_range: float | None = None,
    range_is_limit: bool = False,
) -> PaperAdvice:
    """Say which paper the negative needs.

    Parameters
    ----------
    density_range
        Of the frame; None where it could not be read.
    process
        Contact, or the light of the enlarger.
    paper_range
        ISO range R of the paper at hand, if it is known: the note then says what it holds or loses.
    range_is_limit
        True where the range is only known to be at least this.
    """
    if density_range is None:
        note = "No density range of a picture could be read, so no paper can be named."
        return PaperAdvice(process=process, needed_range=None, grade=None, note=note)
    effective = effective_range(density_range, process)
    needed = round(100.0 * effective.value)
    if range_is_limit or effective.limit is not None:
        return _at_least(effective, process, needed)
    sentences = [_what_is_needed(effective, process)]
    if paper_range is not None:
        sentences.append(_what_the_paper_does(needed, round(paper_range)))
    return PaperAdvice(process=process, needed_range=needed, grade=grade_for(effective.value), note=" ".join(sentences))


def _at_least(effective: Quantity, process: Process, needed: int) -> PaperAdvice:
    """Return the advice for a range that is only a limit: no grade follows from it, but how soft the paper must be."""
    grade = grade_for(effective.value)
    least = "a paper softer than grade 0" if grade == SOFTER else f"grade {grade} or softer"
    if effective.limit == "at most":
        note = f"The range is at most {effective.value:.2f}, so no grade can be named."
    else:
        note = f"The range is at least {effective.value:.2f}, and longer than could be read: {least}."
    return PaperAdvice(process=process, needed_range=needed, grade=None, note=note)


def _what_is_needed(effective: Quantity, process: Process) -> str:
    light = {
        "contact": "A contact print",
        "diffusion": "An enlargement by diffuse light",
        "condenser": f"An enlargement by condenser light (silver looks {CALLIER_FACTOR:g} times as dense)",
    }[process]
    grade = grade_for(effective.value)
    expanded = effective.uncertainty or 0.0
    others = [
        near for near in (grade_for(effective.value - expanded), grade_for(effective.value + expanded)) if near != grade
    ]
    words = {SOFTER: "a paper softer than grade 0", HARDER: "a paper harder than grade 5"}
    needs = words.get(grade, f"grade {grade}")
    either = " or ".join(dict.fromkeys(words.get(near, f"grade {near}") for near in others))
    also = f"; within the uncertainty {either} may suit as well" if either else ""
    beyond = ""
    if grade == SOFTER:
        beyond = " Hold back shadows and burn in highlights, or develop the next film less."
    if grade == HARDER:
        beyond = " Develop the next film more."
    return f"{light} of a range of {effective.value:.2f} needs {needs}{also}.{beyond}"


def _what_the_paper_does(needed: int, has: int) -> str:
    if abs(needed - has) <= FITS_WITHIN:
        return f"The paper of range {has} holds all of it."
    stops = abs(needed - has) / 30.0
    if needed > has:
        return (
            f"The paper of range {has} loses {(needed - has) / 100.0:.2f} of it ({stops:.1f} stops) in shadows or "
            "highlights: take a softer one."
        )
    return f"On the paper of range {has} it falls {stops:.1f} stops short of full black or white: take a harder one."
