"""The command `run`: what was developed, and how."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from densiscan.arithmetic.units import MM_PER_INCH
from densiscan.cli import arguments
from densiscan.cli.keep import meant, opened, run_number, tell
from densiscan.cli.options import JsonOption, NotebookOption, show
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from densiscan.development.run import Run
    from densiscan.notebook.notebook import Notebook

runs = typer.Typer(name="run", rich_markup_mode=None, help="Keep the notebook of development runs.")

NumberArgument = Annotated[str, typer.Argument(metavar="RUN", help="The run's number, or last.")]
FilmOption = Annotated[str | None, typer.Option("--film", metavar="NAME", help="The film.")]
DeveloperOption = Annotated[str | None, typer.Option("--developer", metavar="NAME", help="The developer.")]
TimeOption = Annotated[str | None, typer.Option("--time", metavar="T", help="Development time, such as 8:00 or 480.")]
TempOption = Annotated[str | None, typer.Option("--temp", metavar="C", help="Temperature, such as 20 or 68F.")]
DilutionOption = Annotated[str | None, typer.Option("--dilution", metavar="TEXT", help="Such as 1+1, or stock.")]
BatchOption = Annotated[
    str | None, typer.Option("--batch", metavar="NAME", help="Your name for the developer mixed at one time.")
]
UseOption = Annotated[
    int | None,
    typer.Option("--use", metavar="N", help="How often the developer was used, this time included; 1 is fresh."),
]
DateOption = Annotated[str | None, typer.Option("--date", metavar="DATE", help="Day of the run, such as 2026-03-14.")]
IndexOption = Annotated[
    float | None, typer.Option("--exposure-index", metavar="EI", help="What the film was exposed at.")
]
AgitationOption = Annotated[str | None, typer.Option("--agitation", metavar="TEXT", help="How it was agitated.")]
PrewashOption = Annotated[str | None, typer.Option("--prewash", metavar="TEXT", help="Such as water 1:00.")]
StopOption = Annotated[str | None, typer.Option("--stop", metavar="TEXT", help="Stop bath, or water.")]
FixOption = Annotated[str | None, typer.Option("--fix", metavar="TEXT", help="Fixer and time.")]
SheetsOption = Annotated[int | None, typer.Option("--sheets", metavar="N", help="How many sheets or rolls.")]
SizeOption = Annotated[
    str | None,
    typer.Option("--sheet-size", metavar="WxH", help="Size of one in mm, such as 102x127; inches as 4x5in."),
]
VolumeOption = Annotated[float | None, typer.Option("--volume", metavar="ML", help="Developer used, in ml.")]
SceneOption = Annotated[
    float | None, typer.Option("--scene-stops", metavar="N", help="Range of the subject in stops, if metered.")
]
NoteOption = Annotated[str | None, typer.Option("--note", metavar="TEXT", help="Anything else.")]
RangeOption = Annotated[
    list[float] | None,
    typer.Option("--density-range", metavar="D", help="Density range read elsewhere; once for each negative."),
]
BaseFogOption = Annotated[
    list[float] | None,
    typer.Option("--base-plus-fog", metavar="D", help="Base plus fog read elsewhere; once for each negative."),
]

_MAY_BE_CLEARED: Final = (
    "dilution",
    "batch",
    "exposure-index",
    "agitation",
    "prewash",
    "stop",
    "fix",
    "sheets",
    "sheet-size",
    "volume",
    "scene-stops",
    "note",
    "density-range",
    "base-plus-fog",
)


@runs.command()
def add(
    film: FilmOption = None,
    developer: DeveloperOption = None,
    time: TimeOption = None,
    temp: TempOption = None,
    dilution: DilutionOption = None,
    batch: BatchOption = None,
    use: UseOption = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="The developer is newly mixed: the first use.")] = False,
    scene_stops: SceneOption = None,
    density_range: RangeOption = None,
    base_plus_fog: BaseFogOption = None,
    like: Annotated[
        str | None,
        typer.Option("--like", metavar="RUN", help="Repeat this run, by number or last, whatever its film."),
    ] = None,
    date: DateOption = None,
    exposure_index: IndexOption = None,
    agitation: AgitationOption = None,
    prewash: PrewashOption = None,
    stop: StopOption = None,
    fix: FixOption = None,
    sheets: SheetsOption = None,
    sheet_size: SizeOption = None,
    volume: VolumeOption = None,
    note: NoteOption = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a run.

    Say what has changed: everything else of the process is as in the last run of this film and developer, or in the
    one named with --like. A batch goes on, and its use is counted; say --fresh when you have mixed anew.

    For example:

        densiscan run add --film Meadow-100 --developer Borax --time 8:00 --temp 20
    """
    said = _said(
        film=film,
        developer=developer,
        time_s=_seconds(time),
        temperature_c=_celsius(temp),
        dilution=dilution,
        batch=batch,
        use=use,
        scene_stops=scene_stops,
        density_ranges=_read_elsewhere(density_range, "--density-range"),
        base_plus_fogs=_read_elsewhere(base_plus_fog, "--base-plus-fog"),
        exposure_index=exposure_index,
        agitation=agitation,
        prewash=prewash,
        stop=stop,
        fix=fix,
        sheets=sheets,
        sheet_size_mm=_size(sheet_size),
        volume_ml=volume,
        note=note,
    )
    said["date"] = date or datetime.now().astimezone().date().isoformat()
    if fresh and use not in {None, 1}:
        raise WrongUseError(f"--fresh is the first use, not use {use}; leave one of them out.")
    from densiscan.development.repeatability import filled
    from densiscan.report.runs import added_text, filled_document

    repeated_number = None if like is None else run_number(like, notebook_option)
    with opened(notebook_option) as book:
        repeated = None if repeated_number is None else book.run(repeated_number)
        film, developer = meant(book, film, developer)
        said |= _said(film=film, developer=developer)
        names = {"film": book.names_of("films"), "developer": book.names_of("developers")}
        filled_run = filled(
            said, _last_ones(book, film, developer), uses_of=book.uses_of, like=repeated, fresh=fresh, known=names
        )
        kept = book.add_run(filled_run.run)
        tell(book)
    show(filled_document(kept, filled_run) if as_json else added_text(kept, filled_run))
    if fresh and not as_json:
        from densiscan.report.advice import CAUTION

        show(CAUTION)


@runs.command(name="list")
def list_(
    film: FilmOption = None,
    developer: DeveloperOption = None,
    last: Annotated[int, typer.Option("--last", metavar="N", help="Only so many, the latest.")] = 20,
    removed: Annotated[bool, typer.Option("--removed", help="Those that were removed instead.")] = False,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the runs, the latest last.

    For example, the last five of a film:

        densiscan run list --film Meadow-100 --last 5
    """
    arguments.within(last, "--last", above=0.0, upto=1e9, such_as="20")
    from densiscan.report.runs import runs_document, runs_text

    with opened(notebook_option) as book:
        film, developer = meant(book, film, developer)
        run_list = book.runs(film, developer, removed=removed, last=last)
        counted = book.count_runs(film, developer, removed=removed)
        tell(book)
    show(runs_document(run_list) if as_json else runs_text(run_list, more=counted - len(run_list)))


@runs.command(name="show")
def show_(run: NumberArgument, notebook_option: NotebookOption = None, as_json: JsonOption = False) -> None:
    """Show everything about one run.

    For example:

        densiscan run show 1
    """
    from densiscan.cli.reading import standing
    from densiscan.report.runs import run_page_document, run_text

    number = run_number(run, notebook_option)
    with opened(notebook_option) as book:
        shown = book.run(number)
        read = standing(book, book.readings(run=number, removed=None, with_documents=False))
        tell(book)
    show(run_page_document(shown, read) if as_json else run_text(shown, read))


@runs.command()
def correct(
    run: NumberArgument,
    film: FilmOption = None,
    developer: DeveloperOption = None,
    time: TimeOption = None,
    temp: TempOption = None,
    dilution: DilutionOption = None,
    batch: BatchOption = None,
    use: UseOption = None,
    scene_stops: SceneOption = None,
    density_range: RangeOption = None,
    base_plus_fog: BaseFogOption = None,
    date: DateOption = None,
    exposure_index: IndexOption = None,
    agitation: AgitationOption = None,
    prewash: PrewashOption = None,
    stop: StopOption = None,
    fix: FixOption = None,
    sheets: SheetsOption = None,
    sheet_size: SizeOption = None,
    volume: VolumeOption = None,
    note: NoteOption = None,
    clear: Annotated[
        list[str] | None,
        typer.Option("--clear", metavar="NAME", help="Make this unknown again, such as note; may be repeated."),
    ] = None,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Correct a run; what is not named stays. What it was before is kept: see undo.

    For example, it was 8:45, and no batch:

        densiscan run correct 1 --time 8:45 --clear batch
    """
    said = _said(
        film=film,
        developer=developer,
        time_s=_seconds(time),
        temperature_c=_celsius(temp),
        dilution=dilution,
        batch=batch,
        use=use,
        scene_stops=scene_stops,
        density_ranges=_read_elsewhere(density_range, "--density-range"),
        base_plus_fogs=_read_elsewhere(base_plus_fog, "--base-plus-fog"),
        date=date,
        exposure_index=exposure_index,
        agitation=agitation,
        prewash=prewash,
        stop=stop,
        fix=fix,
        sheets=sheets,
        sheet_size_mm=_size(sheet_size),
        volume_ml=volume,
        note=note,
    )
    said |= _cleared(clear or [])
    if not said:
        raise WrongUseError(f"say what to correct of run {run}, such as --time 8:30.")
    from densiscan.report.runs import run_document, run_text

    number = run_number(run, notebook_option)
    with opened(notebook_option) as book:
        film, developer = meant(book, film, developer)
        corrected = book.correct_run(number, **(said | _said(film=film, developer=developer)))
        tell(book)
    show(run_document(corrected) if as_json else run_text(corrected))


@runs.command()
def remove(run: NumberArgument, notebook_option: NotebookOption = None, as_json: JsonOption = False) -> None:
    """Take a run out, so that it counts for nothing. It is kept, and restore brings it back.

    For example:

        densiscan run remove 2
    """
    from densiscan.report.runs import removed_text, run_document

    number = run_number(run, notebook_option)
    with opened(notebook_option) as book:
        gone = book.remove_run(number)
        tell(book)
    show(run_document(gone) if as_json else removed_text(gone))


@runs.command()
def restore(run: NumberArgument, notebook_option: NotebookOption = None, as_json: JsonOption = False) -> None:
    """Bring back a run that was removed.

    For example:

        densiscan run restore 2
    """
    from densiscan.report.runs import restored_text, run_document

    number = run_number(run, notebook_option, removed=True)
    with opened(notebook_option) as book:
        back = book.restore_run(number)
        tell(book)
    show(run_document(back) if as_json else restored_text(back))


@runs.command()
def undo(notebook_option: NotebookOption = None, as_json: JsonOption = False) -> None:
    """Take back the last change of any run or reading.

    Whether it was added, corrected, removed or restored, or measured into a run. Once more brings the change back.

    For example:

        densiscan run undo
    """
    from densiscan.report.counting import readings_document
    from densiscan.report.runs import run_document, run_text, undone_text

    with opened(notebook_option) as book:
        undone = book.undo()
        tell(book)
    if undone is None:
        raise WrongUseError("there is nothing to undo: the notebook was never changed.")
    what, run = undone
    if as_json:
        document = readings_document([]) if run is None else run_document(run)
        show({**document, "undone": what})
        return
    page = "" if run is None else f"\n{run_text(run)}"
    show(f"Undone: {undone_text(what)}.{page}")


@runs.command()
def history(
    last: Annotated[int, typer.Option("--last", metavar="N", help="Only so many, the latest.")] = 20,
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what was changed of runs and readings, the latest last. The last one is what undo takes back.

    For example:

        densiscan run history
    """
    arguments.within(last, "--last", above=0.0, upto=1e9, such_as="20")
    from densiscan.report.runs import history_document, history_text

    with opened(notebook_option) as book:
        changes = book.history(last)
        tell(book)
    show(history_document(changes) if as_json else history_text(changes))


def _last_ones(book: Notebook, film: str | None, developer: str | None) -> list[Run]:
    """Return the last run of this film and developer, of the developer, and of all, the earliest first."""
    asked = ((film, developer), (None, developer), (None, None))
    last_ones = {run.number: run for names in asked if (run := book.last_run(*names)) is not None}
    return sorted(last_ones.values(), key=lambda run: (run.date, run.number))


def _said(**facts: Any) -> dict[str, Any]:
    return {name: value for name, value in facts.items() if value is not None}


def _seconds(text: str | None) -> float | None:
    return None if text is None else arguments.developing_time(text, "--time")


def _celsius(text: str | None) -> float | None:
    return None if text is None else arguments.celsius(text, "--temp")


def _read_elsewhere(values: list[float] | None, option: str) -> tuple[Any, ...] | None:
    """Return densities read elsewhere, whose uncertainty is not known."""
    if not values:
        return None
    from densiscan.arithmetic.quantity import Quantity

    for value in values:
        arguments.within(value, option, above=-0.05, upto=6.0, such_as="1.05")
    return tuple(Quantity(value, None) for value in values)


def _size(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    inches = text.strip().endswith("in")
    sides = text.strip().removesuffix("in").removesuffix("mm").replace("×", "x").split("x")
    try:
        width, height = (float(side) * (MM_PER_INCH if inches else 1.0) for side in sides)
    except ValueError:
        raise WrongUseError(
            f'--sheet-size "{text}" is not a valid size; give width x height in mm, 102x127, or in inches, 4x5in.'
        ) from None
    return width, height


def _cleared(names: list[str]) -> dict[str, Any]:
    """Return the fields to make unknown again."""
    fields = {"sheet-size": "sheet_size_mm", "volume": "volume_ml"}
    fields |= {"density-range": "density_ranges", "base-plus-fog": "base_plus_fogs"}
    for name in names:
        if name not in _MAY_BE_CLEARED:
            raise WrongUseError(f'--clear "{name}" cannot be; it can be {", ".join(_MAY_BE_CLEARED)}.')
    return {
        fields.get(name, name.replace("-", "_")): () if name in {"density-range", "base-plus-fog"} else None
        for name in names
    }
