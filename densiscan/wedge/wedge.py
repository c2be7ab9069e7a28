"""The wedge file: which density each step of the wedge has.

Two forms are read: a CSV file with the header `step,density` and optionally `uncertainty` (expanded, k = 2) and
`common`, the part of it that all steps share, and the open keyed text form of ANSI CGATS.17 / ISO 28178 with SAMPLE_ID
and D_VIS or another density field.
"""

from __future__ import annotations

import math
import os
import shlex
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from densiscan.arithmetic.floats import keep_floats
from densiscan.errors import WedgeFileError, WrongUseError
from densiscan.files.atomic import as_text
from densiscan.files.tables import Form, read_lines, rows_of

NOMINAL_UNCERTAINTY: Final = 0.02
"""Expanded uncertainty (k = 2) of a step in a file that states none: a usual certificate's (common practice)."""
NOMINAL_TOLERANCE: Final = 0.05
"""How far the steps of a wedge that nobody has read lie from what is printed on it, k = 2 (from memory)."""
_NOMINAL_SCALE: Final = 0.02
"""By what part an increment may be off, the same at all steps, k = 2: 0.153 for 0.15 (common practice)."""
_OWN_PART: Final = 0.6
"""Part of the tolerance that is each step's own; with the 0.8 that all share it is the whole: what a batch
has in common is the larger (common practice)."""

NOMINAL: Final = "the nominal wedge"
"""Name of a wedge of which no file tells, but a number of steps."""
FEWEST_STEPS: Final = 3
MOST_STEPS: Final = 41
_HIGHEST_DENSITY: Final = 6.0
_AS_BAD: Final = 0.7
"""Of the worst step's distance from its neighbours: another step that is as far off may as well be the wrong one."""
_WIDEST: Final = 1.0
"""Expanded uncertainty beyond which a step is not known at all."""
_LAYOUT: Final = Form(what="a wedge file", entry="a step", columns=("step", "density"), error=WedgeFileError)
_DENSITY_FIELDS: Final = ("D_VIS", "D_MAJOR_FILTER", "D_GREEN", "D_RED", "D_BLUE")


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeStep:
    """One step: its name on the wedge, its density, and the expanded uncertainty (k = 2) of that density.

    `common` is the part of the uncertainty that all steps share by the instrument that certified them (k = 2), None
    where that is not stated.
    """

    step: str
    density: float
    uncertainty: float = NOMINAL_UNCERTAINTY
    common: float | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        keep_floats(self)

    @property
    def own(self) -> float:
        """The uncertainty without what all steps share, where that is stated."""
        return math.sqrt(max(self.uncertainty**2 - (self.common or 0.0) ** 2, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wedge:
    """A step wedge as its file describes it, in the order on the wedge (lightest first or last).

    `mode` is "transmission", "reflection", or None where the file does not say. `assumed` says that nobody has stated
    how far its steps may be off, so that common practice is taken.

    Examples
    --------
    >>> nominal_wedge(steps=21).lightest_first()[1]
    WedgeStep(step='2', density=0.2, uncertainty=0.0502)
    """

    steps: tuple[WedgeStep, ...]
    name: str = ""
    mode: str | None = None
    assumed: bool = False

    def __post_init__(self) -> None:
        name = self.name or "the wedge"
        densities = [step.density for step in self.steps]
        rises = [later - earlier for earlier, later in pairwise(densities)]
        if not FEWEST_STEPS <= len(densities) <= MOST_STEPS:
            raise WedgeFileError(f"{name} has {len(densities)} steps; {FEWEST_STEPS} to {MOST_STEPS} steps are needed.")
        if not all(math.isfinite(value) and -0.1 <= value <= _HIGHEST_DENSITY for value in densities):
            raise WedgeFileError(f"{name} names a density outside 0 to 6; give optical densities such as 0.05.")
        if not all(math.isfinite(step.uncertainty) and step.uncertainty > 0.0 for step in self.steps):
            raise WedgeFileError(
                f"{name} names an uncertainty that is not above zero; leave the column out where it is unknown."
            )
        if not (all(rise > 0.0 for rise in rises) or all(rise < 0.0 for rise in rises)):
            raise WedgeFileError(
                f"the densities in {name} neither rise nor fall from step to step{_out_of_line(self.steps)}; list the "
                "steps in the order on the wedge."
            )

    def lightest_first(self) -> tuple[WedgeStep, ...]:
        """Return the steps from the lightest to the densest."""
        return self.steps if self.steps[0].density < self.steps[-1].density else self.steps[::-1]


def _out_of_line(steps: tuple[WedgeStep, ...]) -> str:
    """Return, in words, the step without which all rise or all fall; nothing where it takes more than one."""
    densities = [step.density for step in steps]
    single = [k for k in range(len(steps)) if _one_way(densities[:k] + densities[k + 1 :])]
    if not single:
        return ""
    away = {k: _off_its_neighbours(densities, k) for k in single}
    worst = max(single, key=lambda k: away[k])
    # Of two that have changed places, either may be the wrong one.
    doubtful = [k for k in single if away[k] > _AS_BAD * away[worst]]
    told = " and ".join(f"step {steps[k].step} ({densities[k]:g})" for k in doubtful)
    between = ""
    if len(doubtful) == 1 and 0 < worst < len(steps) - 1:
        between = f", which stands between {densities[worst - 1]:g} and {densities[worst + 1]:g}"
    return f": look up {told} on the certificate{between}, for a mistyped figure"


def _one_way(densities: list[float]) -> bool:
    rises = [later - earlier for earlier, later in pairwise(densities)]
    return all(rise > 0.0 for rise in rises) or all(rise < 0.0 for rise in rises)


def _off_its_neighbours(densities: list[float], k: int) -> float:
    """Return how far a step lies from the line through its two neighbours; at an end, through the next two."""
    size = len(densities)
    if 0 < k < size - 1:
        return abs(densities[k] - 0.5 * (densities[k - 1] + densities[k + 1]))
    one, two = (1, 2) if k == 0 else (size - 2, size - 3)
    return abs(densities[k] - (2.0 * densities[one] - densities[two]))


def wedge_document(wedge: Wedge) -> dict[str, Any]:
    """Return a wedge as plain JSON values."""
    steps = [
        {"step": one.step, "density": one.density, "uncertainty": one.uncertainty}
        | ({} if one.common is None else {"common": one.common})
        for one in wedge.steps
    ]
    return {"format": "densiscan.wedge/1", "name": wedge.name, "mode": wedge.mode, "steps": steps}


def nominal_wedge(
    *, steps: int = 21, increment: float = 0.15, first: float = 0.05, uncertainty: float | None = None
) -> Wedge:
    """Return a wedge of equal nominal increments, lightest first.

    Parameters
    ----------
    uncertainty
        How far its steps may be off (k = 2), as its maker states; where nobody does, 0.05, and 2 % of the density.

    Raises
    ------
    WrongUseError
        If the numbers do not describe a wedge of 5 to 41 steps with rising densities below 6.

    Examples
    --------
    >>> [step.density for step in nominal_wedge(steps=5, increment=0.3).steps]
    [0.05, 0.35, 0.65, 0.95, 1.25]
    """
    if increment <= 0.0 or not math.isfinite(increment):
        raise WrongUseError(f"--increment {increment:g} is not a density step; give a number above zero, such as 0.15.")
    if uncertainty is not None and not 0.0 < uncertainty <= _WIDEST:
        raise WrongUseError(f"`uncertainty` {uncertainty:g} is not a tolerance of densities; give one such as 0.05.")
    densities = [round(first + index * increment, 6) for index in range(steps)]
    try:
        return Wedge(
            steps=tuple(_nominal_step(str(k + 1), density, uncertainty) for k, density in enumerate(densities)),
            name=NOMINAL,
            assumed=uncertainty is None,
        )
    except WedgeFileError as problem:
        raise WrongUseError(str(problem)) from problem


def _nominal_step(name: str, density: float, stated: float | None) -> WedgeStep:
    """Return a step of a wedge that nobody has read: each is off by itself, and all by an offset and a scale."""
    whole = NOMINAL_TOLERANCE if stated is None else stated
    own, offset = _OWN_PART * whole, math.sqrt(1.0 - _OWN_PART**2) * whole
    common = math.hypot(offset, _NOMINAL_SCALE * density if stated is None else 0.0)
    return WedgeStep(step=name, density=density, uncertainty=round(math.hypot(own, common), 4), common=round(common, 4))


def read_wedge(path: str | os.PathLike[str]) -> Wedge:
    """Read a wedge file.

    Parameters
    ----------
    path
        A CSV file or the keyed text form; which of the two is told from the content.

    Raises
    ------
    WedgeFileError
        If the file cannot be read, is neither form, or does not describe a wedge. The sentence names the file and
        the line.

    Examples
    --------
    >>> len(read_wedge("wedge.csv").steps)
    21
    """
    file = Path(path)
    lines = read_lines(file, _LAYOUT)
    keyed = any(line.split()[0] in {"BEGIN_DATA_FORMAT", "BEGIN_DATA", "NUMBER_OF_FIELDS"} for _, line in lines)
    steps, mode = _keyed(lines, file) if keyed else (_table(lines, file), None)
    return Wedge(steps=steps, name=as_text(file), mode=mode)


def _table(lines: list[tuple[int, str]], file: Path) -> tuple[WedgeStep, ...]:
    steps: list[WedgeStep] = []
    for row in rows_of(lines, file, _LAYOUT):
        density = _number(row.cells.get("density", ""), "density", row.line, file)
        stated = row.cells.get("uncertainty", "")
        uncertainty = _number(stated, "uncertainty", row.line, file) if stated else NOMINAL_UNCERTAINTY
        if not 0.0 < uncertainty <= _WIDEST:
            raise WedgeFileError(
                f'{file}, line {row.line}: the uncertainty "{stated}" must be above 0 and at most {_WIDEST:g}; leave '
                "the cell empty where it is unknown."
            )
        step = row.cells.get("step", "") or str(len(steps) + 1)
        common = _common(row.cells.get("common", ""), uncertainty, row.line, file)
        steps.append(WedgeStep(step=step, density=density, uncertainty=uncertainty, common=common))
    return tuple(steps)


def _common(stated: str, uncertainty: float, line: int, file: Path) -> float | None:
    if not stated:
        return None
    common = _number(stated, "common uncertainty", line, file)
    if not 0.0 <= common <= uncertainty:
        raise WedgeFileError(
            f"{file}, line {line}: the common uncertainty {common:g} is below 0 or above the whole {uncertainty:g}; "
            "it is the part of a step's uncertainty that all steps share."
        )
    return common


def _number(text: str, what: str, line: int, file: Path) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError as problem:
        raise WedgeFileError(
            f'{file}, line {line}: "{text}" is not a {what}; write it as a number such as 0.05.'
        ) from problem
    if not math.isfinite(value):
        raise WedgeFileError(f'{file}, line {line}: "{text}" is not a {what}; write it as a number such as 0.05.')
    return value


def _words(line: str, number: int, file: Path) -> list[str]:
    try:
        return shlex.split(line, comments=True, posix=True)
    except ValueError as problem:
        raise WedgeFileError(f"{file}, line {number}: a quotation mark is not closed.") from problem


def _between(lines: list[tuple[int, str]], first: str, last: str, file: Path) -> list[tuple[int, list[str]]]:
    """Return the lines between two keywords as words, with their line numbers."""
    keywords = [line.split()[0] for _, line in lines]
    if first not in keywords or last not in keywords:
        raise WedgeFileError(f"{file} has no {first} or no {last}: the file is cut short; copy it again.")
    inside = lines[keywords.index(first) + 1 : keywords.index(last)]
    return [(number, _words(line, number, file)) for number, line in inside]


def _stated_mode(lines: list[tuple[int, str]]) -> str | None:
    geometry = next((line.lower() for _, line in lines if line.startswith("MEASUREMENT_GEOMETRY")), "")
    return next((kind for kind in ("transmission", "reflection") if kind in geometry), None)


def _keyed(lines: list[tuple[int, str]], file: Path) -> tuple[tuple[WedgeStep, ...], str | None]:
    fields = [word for _, words in _between(lines, "BEGIN_DATA_FORMAT", "END_DATA_FORMAT", file) for word in words]
    density_field = next((name for name in _DENSITY_FIELDS if name in fields), None)
    if "SAMPLE_ID" not in fields or density_field is None:
        raise WedgeFileError(
            f"{file} has no fields SAMPLE_ID and D_VIS (or another density field); give densities of the steps."
        )
    deviation_field = f"STDEV_{density_field}"
    steps: list[WedgeStep] = []
    for number, row in _between(lines, "BEGIN_DATA", "END_DATA", file):
        if len(row) != len(fields):
            raise WedgeFileError(f"{file}, line {number}: {len(row)} values where {len(fields)} fields are announced.")
        cells = dict(zip(fields, row, strict=True))
        uncertainty = NOMINAL_UNCERTAINTY
        if deviation_field in cells:
            # The form states a standard deviation (k = 1); 0 stands where a step was read once only.
            deviation = _number(cells[deviation_field], "standard deviation", number, file)
            uncertainty = 2.0 * deviation if deviation != 0.0 else NOMINAL_UNCERTAINTY
        density = _number(cells[density_field], "density", number, file)
        steps.append(WedgeStep(step=cells["SAMPLE_ID"], density=density, uncertainty=uncertainty))
    return tuple(steps), _stated_mode(lines)
