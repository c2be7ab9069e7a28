"""Which practice scans each page is followed with, and how they come into a folder."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from filecmp import cmp
from pathlib import Path
from typing import TYPE_CHECKING, Final

from densiscan.cli.samples import sample_scans
from densiscan.errors import DensiscanError, WrongUseError

if TYPE_CHECKING:
    from densiscan.development.run import Run

NOTEBOOK: Final = "practice.sqlite"
"""The notebook of its own that practice is kept in."""


class Topic(StrEnum):
    """What is practised."""

    first = "first"
    using = "using"
    folders = "folders"
    report = "report"
    trouble = "trouble"
    film = "film"
    paper = "paper"
    notebook = "notebook"
    runs = "runs"
    commands = "commands"


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeSet:
    """What one topic needs.

    Attributes
    ----------
    about
        In a line, what there is to practise on.
    pages
        The pages that are followed with it.
    files
        From the name that a page gives a file to where it comes with densiscan: `samples/` or a folder of the practice
        scans.
    empty
        Folders that must be there, empty.
    runs
        Whether a notebook of runs comes with it.
    """

    about: str
    pages: tuple[str, ...]
    files: Mapping[str, str]
    empty: tuple[str, ...] = ()
    runs: bool = False


def _samples(**names: str) -> dict[str, str]:
    """Return sample scans by the names that a page gives them, without ending."""
    return {f"{name}.tif": f"samples/{sample}.tif" for name, sample in names.items()}


def _all(topic: str, *names: str) -> dict[str, str]:
    return {name: f"{topic}/{name}" for name in names}


_WEDGE: Final = {"wedge.tif": "samples/wedge.tif", "wedge.csv": "samples/wedge.csv"}
_TABLES: Final = _all("film", *(f"{minutes}min.csv" for minutes in (5, 7, 9, 10, 14)), "series.csv", "pairs.csv")
_EVENING: Final = _all(
    "paper",
    *("wedge.tif", "wedge.csv", "gray.tif", "gray.csv", "print.tif", "mill.tif", "lane.tif", "mill-print.tif"),
    "curve.csv",
)
SETS: Final[Mapping[Topic, PracticeSet]] = {
    Topic.first: PracticeSet(
        about="a wedge, a good negative, a thin one, one with a light leak",
        pages=("first", "without-a-wedge"),
        files=_WEDGE | _samples(normal="normal", thin="thin", leak="leak"),
    ),
    Topic.using: PracticeSet(
        about="negatives, wedge beside film, empty bed, slot, stain, fog sheet",
        pages=("using", "check"),
        files=_WEDGE
        | _samples(negative="normal")
        | {"negatives/thin.tif": "samples/thin.tif"}
        | _all("using", "both.tif", "bed.tif", "slot.tif", "colour-wedge.tif", "colour.tif", "fog.tif"),
    ),
    Topic.folders: PracticeSet(
        about="a folder of negatives, and an empty one to scan into",
        pages=("folders",),
        files=_WEDGE | {"negatives/neg-1.tif": "samples/thin.tif", "negatives/neg-2.tif": "samples/normal.tif"},
        empty=("incoming",),
    ),
    Topic.report: PracticeSet(
        about="negatives for the web page",
        pages=("report",),
        files=_WEDGE
        | _samples(negative="normal")
        | {"negatives/thin.tif": "samples/thin.tif", "negatives/leak.tif": "samples/leak.tif"},
    ),
    Topic.trouble: PracticeSet(
        about="a negative from a holder that leaks, and a fog sheet of it",
        pages=("trouble",),
        files=_all("trouble", "wedge.tif", "wedge.csv", "negative.tif", "fog.tif"),
    ),
    Topic.film: PracticeSet(
        about="film exposed through a wedge, frames a stop apart, tables",
        pages=("film", "long-exposures"),
        files=_all("film", "wedge.tif", "wedge.csv", "film.tif", "strip.tif", "stops.csv", "curve.csv") | _TABLES,
    ),
    Topic.paper: PracticeSet(
        about="gray scale, contact print of the wedge, two negatives, a print",
        pages=("paper", "printing", "evening", "chemicals"),
        files=_EVENING,
    ),
    Topic.notebook: PracticeSet(
        about="a wedge and some negatives for your first runs",
        pages=("notebook",),
        files=_WEDGE | _samples(normal="normal", thin="thin") | {"scans/leak.tif": "samples/leak.tif"},
    ),
    Topic.runs: PracticeSet(
        about="a notebook of 12 runs for advise, trends and run list", pages=("advice", "trends"), files={}, runs=True
    ),
    Topic.commands: PracticeSet(
        about="what the examples of the commands speak of",
        pages=("commands",),
        files=_TABLES | {"meadow.csv": "film/curve.csv"} | _EVENING,
        empty=("incoming",),
        runs=True,
    ),
}

_RUNS: Final = (
    ("2026-03-01", "8:00", 20.0, 1, 7.0, 1.01, 0.21),
    ("2026-03-03", "9:00", 20.0, 2, 7.0, 1.08, 0.22),
    ("2026-03-08", "9:30", 20.0, 3, 6.5, 0.97, 0.22),
    ("2026-04-02", "8:30", 20.5, 1, 7.5, 1.17, 0.21),
    ("2026-04-06", "9:00", 20.0, 2, 7.0, 1.10, 0.22),
    ("2026-04-11", "9:45", 20.0, 3, 6.0, 0.92, 0.23),
    ("2026-05-05", "8:45", 20.0, 1, 7.0, 1.09, 0.22),
    ("2026-05-09", "9:30", 19.5, 2, 7.0, 1.14, 0.23),
    ("2026-05-17", "10:15", 20.0, 3, 8.0, 1.24, 0.23),
    ("2026-06-01", "8:45", 20.0, 1, 7.0, 1.06, 0.23),
    ("2026-06-07", "9:30", 20.0, 2, 6.5, 0.98, 0.24),
    ("2026-07-04", "8:45", 20.0, 1, 7.0, 1.10, 0.31),
)
"""Date, time, temperature, use, stops of the subject, density range and base plus fog of invented runs.

They follow contrast 0.86 (1 - exp(-0.14 t / min)), 8 % slower with each use, with accidents of 3 %; the last is fogged.
No batch is named, since a batch in use ages from day to day, and so would the advice.
"""


def practice_runs() -> Iterator[Run]:
    """Yield the invented runs of Meadow-100 in Borax, the first first."""
    from densiscan.arithmetic.quantity import Quantity
    from densiscan.development.run import Run

    for number, (date, time, temperature, use, stops, density_range, fog) in enumerate(_RUNS, start=1):
        minutes, seconds = time.split(":")
        yield Run(
            number=number,
            film="Meadow-100",
            developer="Borax",
            date=date,
            time_s=60.0 * int(minutes) + int(seconds),
            temperature_c=temperature,
            use=use,
            exposure_index=100.0,
            scene_stops=stops,
            density_ranges=(Quantity(value=density_range),),
            base_plus_fogs=(Quantity(value=fog),),
        )


def practice_scans() -> Path:
    """Return the folder of the practice scans: inside the installed package, or beside it in a checkout.

    Raises
    ------
    DensiscanError
        If they are in neither place.
    """
    here = Path(__file__).resolve().parents[1]
    for folder in (here / "practice_scans", here.parent / "practice_scans"):
        if (folder / "film" / "film.tif").is_file():
            return folder
    raise DensiscanError("the practice scans are missing from this installation; install densiscan again.")


def lay_out(topic: Topic, folder: Path) -> tuple[Path, ...]:
    """Put what a topic needs into a folder and return what is there now; nothing that is there already is replaced.

    Raises
    ------
    WrongUseError
        If something else has one of the names; nothing is written then.
    """
    chosen, samples, practice = SETS[topic], sample_scans().folder, practice_scans()
    pairs = []
    for name, from_where in chosen.files.items():
        group, _, file = from_where.partition("/")
        pairs.append((samples / file if group == "samples" else practice / group / file, folder / name))
    notebook = folder / NOTEBOOK
    _check(pairs, notebook if chosen.runs else None)
    for empty in (folder, *(folder / name for name in chosen.empty)):
        empty.mkdir(parents=True, exist_ok=True)
    for source, target in pairs:
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            shutil.copyfile(source, target)
    if chosen.runs:
        keep_runs(notebook)
    return (*(target for _, target in pairs), *((notebook,) if chosen.runs else ()))


def _check(pairs: Sequence[tuple[Path, Path]], notebook: Path | None) -> None:
    targets = [target for source, target in pairs if target.exists() and not cmp(source, target, shallow=False)]
    targets += [notebook] if notebook is not None and notebook.exists() else []
    if targets:
        raise WrongUseError(f"{targets[0]} is already there with other content; name an empty folder.")


def keep_runs(notebook: Path) -> None:
    """Keep the invented runs in a notebook."""
    from densiscan.notebook.location import open_notebook

    with open_notebook(notebook, arguments=("practice",)) as book:
        for run in practice_runs():
            book.add_run(run)
