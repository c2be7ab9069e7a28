"""The command `print`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import run_number
from densiscan.cli.options import (
    OUR_PAGE,
    CallierOption,
    FrameOption,
    JsonOption,
    NotebookOption,
    OverwriteOption,
    PpiOption,
    PrintingLight,
    check_out,
    now,
    say,
    show,
)
from densiscan.cli.printing_sources import (
    Source,
    Typed,
    negatives_named,
    negatives_of_run,
    papers_named,
    typed_negative,
)
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.paper.exposure import Before, NegativeEnds
    from densiscan.paper.places import NamedPlace


def print_(
    negatives: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[NEGATIVE]...",
            help="Scans, folders, documents of measure --json, or names of negatives in the notebook.",
        ),
    ] = None,
    run: Annotated[
        str | None,
        typer.Option("--run", metavar="RUN", help="The negatives of this development run: its number, or last."),
    ] = None,
    shadow: Annotated[
        float | None, typer.Option("--shadow", metavar="D", help="Instead of a NEGATIVE: its shadow density.")
    ] = None,
    highlight: Annotated[
        float | None, typer.Option("--highlight", metavar="D", help="Instead of a NEGATIVE: its highlight density.")
    ] = None,
    base_plus_fog: Annotated[
        float | None, typer.Option("--base-plus-fog", metavar="D", help="Likewise, of its clear rebate.")
    ] = None,
    paper: Annotated[
        list[str] | None,
        typer.Option("--paper", metavar="NAME", help="Tested paper; may be repeated; all that are kept if not given."),
    ] = None,
    paper_range: Annotated[
        float | None, typer.Option("--paper-range", metavar="R", help="ISO range of a paper that was not tested.")
    ] = None,
    process: Annotated[PrintingLight, typer.Option("--process", help="How it is printed.")] = PrintingLight.contact,
    callier: CallierOption = None,
    magnification: Annotated[
        float | None, typer.Option("--magnification", metavar="M", help="How many times the print is enlarged.")
    ] = None,
    right_time: Annotated[
        float | None,
        typer.Option("--right-time", metavar="SECONDS", help="A print that came out right: its exposure."),
    ] = None,
    right_negative: Annotated[
        str | None,
        typer.Option("--right-negative", metavar="NEGATIVE", help="Its negative, where it was another."),
    ] = None,
    right_density: Annotated[
        float | None,
        typer.Option("--right-density", metavar="D", help="Or: the highlight density that it printed right."),
    ] = None,
    right_wet: Annotated[
        bool, typer.Option("--right-wet", help="It was judged wet: take off what its paper dries down.")
    ] = False,
    right_magnification: Annotated[
        float | None, typer.Option("--right-magnification", metavar="M", help="Its size, where it was another.")
    ] = None,
    right_paper: Annotated[
        str | None, typer.Option("--right-paper", metavar="NAME", help="Its paper, where it was another.")
    ] = None,
    soft: Annotated[
        str | None,
        typer.Option("--soft", metavar="NAME", help="Split grade: the paper's test through the soft filter."),
    ] = None,
    hard: Annotated[
        str | None, typer.Option("--hard", metavar="NAME", help="And its test through the hard filter.")
    ] = None,
    spot: Annotated[
        list[str] | None,
        typer.Option(
            "--spot",
            metavar="NAME=D[:WANTED]",
            help="Dodge or burn: a place, its density, and the print density it is to have; may be repeated.",
        ),
    ] = None,
    calibration: Annotated[
        str | None,
        typer.Option("--calibration", metavar="FILE|NAME", help="Calibration for scans; the last one if not given."),
    ] = None,
    frame: FrameOption = None,
    ppi: PpiOption = None,
    sheet: Annotated[
        Path | None,
        typer.Option("--sheet", metavar="FILE", help="Write the plan as a page: red in the dark, black on paper."),
    ] = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how to print a negative: paper, seconds, test strip.

    What is lost on each paper is told in stops. Times follow from a paper test that was kept with its exposure, or
    from a print that came out right (--right-time): of the same negative or of another, in the same size or another.
    Of several negatives it makes a plan: by paper, in the order to print them, with what fits on one contact sheet.
    With --soft and --hard it splits the exposure between two filters; with --spot it tells how to dodge and burn.

    For example, a negative on the paper tested as old-box:

        densiscan print mill.tif --paper old-box
    """
    typed = Typed(shadow=shadow, highlight=highlight, base_plus_fog=base_plus_fog)
    if [typed.any(), bool(negatives), run is not None].count(True) != 1:
        raise WrongUseError(
            "describe the negative in one way: by its name, by --run, or with --shadow D and --highlight D."
        )
    check_out(sheet, "--sheet", ours=OUR_PAGE)
    _check_numbers(callier, magnification, right_time, right_magnification)
    filters = _filters(soft, hard)
    wanted = [arguments.named_density(one, "--spot") for one in spot or ()]
    source = Source(book=location.notebook_file(notebook_option), calibration=calibration, ppi=ppi, frame=frame)
    from densiscan.paper.exposure import best_first, change_from, known_range_fit, paper_fit, printing_with
    from densiscan.paper.grade import density_range_for
    from densiscan.paper.plan import PrintSheet, print_plan, printed_places
    from densiscan.paper.split import split_grade
    from densiscan.report.printing import print_document, print_text

    density_range_for(paper_range, process.value)
    printing = printing_with(process.value, callier=callier, magnification=magnification)
    tests = [] if not (paper or filters) and paper_range is not None else papers_named(paper or filters, source.book)
    split = papers_named(filters, source.book) if filters else []
    of_shadow = highlight is None and shadow is not None
    old = right_negative, None if right_density is None else _one_density(right_density, of_shadow=of_shadow)
    before = _before(right_time, old, right_magnification, right_paper, source, wet=right_wet)
    negative_ends, failed = _which(typed, negatives, None if run is None else run_number(run, notebook_option), source)
    for failure in failed:
        say(f"densiscan: {failure['message']}")
    sheets = []
    for negative in negative_ends:
        fits = [paper_fit(negative, test, printing) for test in tests]
        if paper_range is not None:
            fits.append(known_range_fit(negative, paper_range, printing))
        new_paper = tests[0] if paper and len(tests) == 1 else None
        change = None if before is None else change_from(before, negative, new_paper, printing)
        one = PrintSheet(
            negative=negative,
            printing=printing,
            fits=best_first(fits),
            change=change,
            split=split_grade(negative, split[0], split[1], printing) if split else None,
        )
        places = [_place(*each) for each in wanted]
        sheets.append(replace(one, places=printed_places(one, tests, places)) if places else one)
    if sheet is not None:
        from densiscan.report.page.print_plan import plan_html

        write_whole(sheet, plan_html(print_plan(sheets), made=now()[:10]), what="the plan")
        say(f"Written to {sheet}.")
    if as_json:
        show(print_document(sheets, failed))
    elif sheets:
        show(print_text(sheets))
        if not tests and paper_range is None and before is None:
            say("No paper has been tested yet, so there are no times; densiscan paper --help shows how to test one.")
    if failed:
        raise typer.Exit(1)


def _filters(soft: str | None, hard: str | None) -> list[str]:
    """Return the names of the two tests of split grade, nothing where it is not asked for."""
    named = [one for one in (soft, hard) if one is not None]
    if len(named) == 1:
        raise WrongUseError("--soft and --hard go together: the paper's tests through either filter.")
    return named


def _which(
    typed: Typed, names: Sequence[str] | None, run: int | None, source: Source
) -> tuple[list[NegativeEnds], list[dict[str, str]]]:
    if typed.any():
        return [typed_negative(typed)], []
    return negatives_named(names or (), source) if run is None else negatives_of_run(run, source)


def _check_numbers(
    callier: float | None, magnification: float | None, right_time: float | None, right_magnification: float | None
) -> None:
    arguments.within(callier, "--callier", above=0.99, upto=2.0, such_as="1.25")
    arguments.within(magnification, "--magnification", above=0.0, upto=50.0, such_as="2.5")
    arguments.within(right_time, "--right-time", above=0.0, upto=1e5, such_as="12 (seconds)")
    arguments.within(right_magnification, "--right-magnification", above=0.0, upto=50.0, such_as="2.5")


def _before(
    seconds: float | None,
    negative: tuple[str | None, NegativeEnds | None],
    magnification: float | None,
    paper: str | None,
    source: Source,
    *,
    wet: bool,
) -> Before | None:
    """Return the print that came out right, None where nothing is said of one.

    Raises
    ------
    WrongUseError
        If its negative is given in two ways, or is none.
    """
    name, old = negative
    if wet and seconds is None:
        raise WrongUseError("--right-wet is of a print that came out right; give its --right-time.")
    if seconds is None and name is None and old is None and magnification is None and paper is None:
        return None
    if name is not None and old is not None:
        raise WrongUseError("--right-negative and --right-density both give the negative; give one of them.")
    from densiscan.paper.exposure import Before

    if name is not None:
        old = _one_negative(name, replace(source, frame=None))
    return Before(
        seconds=seconds,
        negative=old,
        magnification=magnification,
        paper=papers_named([paper], source.book)[0] if paper is not None else None,
        judged_wet=wet,
    )


def _place(name: str, density: float, wanted: float | None) -> NamedPlace:
    """Return a named place whose density is typed; it is taken as read to 0.02 (k = 2), as usual."""
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.paper.places import NamedPlace

    return NamedPlace(name=name, density=Quantity(density, {Influence("reading", name): 0.01}), wanted=wanted)


def _one_negative(name: str, source: Source) -> NegativeEnds:
    negatives, failed = negatives_named([name], source)
    if failed:
        raise WrongUseError(failed[0]["message"])
    if len(negatives) != 1:
        raise WrongUseError(f"{name} holds {len(negatives)} negatives; name a scan of one with --right-negative.")
    return negatives[0]


def _one_density(density: float, *, of_shadow: bool) -> NegativeEnds:
    """Return a negative of which one density is known: its highlight, or its shadow where that alone is asked about."""
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.paper.exposure import NegativeEnds

    arguments.within(density, "--right-density", above=-0.1, upto=6.0, such_as="1.30 (a density)")
    quantity = Quantity(density, {Influence("reading", "right density"): 0.01})
    return NegativeEnds(
        name="the one that printed right",
        shadow=quantity if of_shadow else None,
        highlight=None if of_shadow else quantity,
    )
