"""The command `labels`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.keep import meant, opened, run_number, tell
from densiscan.cli.options import OUR_PAGE, NotebookOption, OverwriteOption, check_out, say
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole

if TYPE_CHECKING:
    from densiscan.notebook.notebook import Notebook
    from densiscan.report.labels import PrintedLabel


def labels(
    page: Annotated[Path, typer.Argument(metavar="FILE.html", help="The page of labels to write.")],
    run: Annotated[
        list[str] | None,
        typer.Option("--run", metavar="RUN", help="For the negatives of this run; may be repeated. The last run else."),
    ] = None,
    batch: Annotated[
        str | None, typer.Option("--batch", metavar="NAME", help="For a bottle: the batch; with --developer.")
    ] = None,
    developer: Annotated[str | None, typer.Option("--developer", metavar="NAME", help="And its developer.")] = None,
    paper: Annotated[
        list[str] | None,
        typer.Option("--paper", metavar="NAME", help="For a box: a paper that was tested; may be repeated."),
    ] = None,
    size: Annotated[
        str, typer.Option("--size", metavar="BOX", help="Width and height of a label, width,height in mm.")
    ] = "70,36",
    sheet: Annotated[str, typer.Option("--sheet", metavar="a4|letter", help="The paper they are printed on.")] = "a4",
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
) -> None:
    """Make a page of labels to print: for sleeves, bottles and boxes of paper.

    A sleeve gets the negative's name, film, run, development, range and grade; a bottle when it was mixed and how
    often it was used; a box what its test told.

    For example, for the negatives of the last run:

        densiscan labels labels.html --run last
    """
    check_out(page, "FILE.html", ours=OUR_PAGE)
    from densiscan.report.page.labels import label_grid, labels_html

    grid = label_grid(sheet.lower(), arguments.pair(size, "--size", such_as="70,36"))
    if (batch is None) != (developer is None):
        raise WrongUseError("--batch and --developer go together: which bottle of which developer.")
    with opened(notebook_option) as book:
        tell(book)
        made: list[PrintedLabel] = []
        if run or not (batch or paper):
            numbers = [run_number(one, notebook_option) for one in run or ["last"]]
            made += _of_runs(book, numbers)
        if batch is not None and developer is not None:
            made += _of_batch(book, developer, batch)
    if paper:
        from densiscan.cli.printing_sources import papers_named
        from densiscan.notebook import location
        from densiscan.report.labels import paper_label

        made += [paper_label(test) for test in papers_named(paper, location.notebook_file(notebook_option))]
    write_whole(page, labels_html(made, grid), what="the labels")
    say(f"Written to {page}: {len(made)} label{'s' if len(made) > 1 else ''}.")


def _of_runs(book: Notebook, numbers: list[int]) -> list[PrintedLabel]:
    """Return a label for each run, and one for each of its negatives."""
    from densiscan.development.usable_readings import not_a_negative
    from densiscan.report.labels import negative_labels, run_label

    runs = {number: book.run(number) for number in numbers}
    counting = [one for one in book.counting_readings() if not_a_negative(one.document or {}) is None]
    made: list[PrintedLabel] = []
    for number, run in runs.items():
        made += [run_label(run), *negative_labels([one for one in counting if one.run == number], runs)]
    return made


def _of_batch(book: Notebook, developer: str, name: str) -> list[PrintedLabel]:
    from densiscan.report.labels import batch_label

    _, spelled = meant(book, None, developer)
    return [batch_label(book.batch(spelled or developer, name))]
