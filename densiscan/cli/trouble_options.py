"""What `measure` takes to look for trouble: that a sheet is unexposed, and where to draw what was found."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli.options import OUR_FIGURE, check_out, say
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from densiscan.batch.assessment import BatchResult, Task

FogSheetOption = Annotated[
    bool,
    typer.Option("--fog-sheet", help="The film is a whole unexposed, developed sheet: judge its fog and evenness."),
]
AsNegativeOption = Annotated[
    bool, typer.Option("--as-negative", help="It is a negative, whatever it looks like: judge it as one.")
]
MarkedOption = Annotated[
    Path | None,
    typer.Option("--marked", metavar="FILE", help="Draw the scan with what was found, numbered, as a PNG picture."),
]


def check_fog_sheet(*, fog_sheet: bool, frame: str | None, as_negative: bool) -> None:
    """Check that an unexposed sheet is not said to have a picture or to be a negative.

    Raises
    ------
    WrongUseError
        If both are said.
    """
    if fog_sheet and as_negative:
        raise WrongUseError("--fog-sheet says that nothing is exposed, --as-negative that it is; give one of them.")
    if fog_sheet and frame is not None:
        raise WrongUseError("--fog-sheet says that nothing is exposed, --frame where the picture is; give one of them.")


def check_marked(marked: Path | None, scans: Sequence[Path]) -> None:
    """Check that one scan is named where one picture is asked for, and that it can be put there.

    Raises
    ------
    WrongUseError
        If not.
    """
    if marked is None:
        return
    if len(scans) != 1 or scans[0].is_dir():
        raise WrongUseError("--marked draws one scan; name one scan, not a folder or several.")
    if marked.suffix.lower() != ".png":
        raise WrongUseError(f"{marked} is not a name for a picture; end it in .png.")
    check_out(marked, "--marked", ours=OUR_FIGURE)


def write_marked(place: Path, result: BatchResult, task: Task, *, channel: str | None) -> None:
    """Write the picture of the one scan that was measured; nothing where it could not be measured."""
    if not result.assessments:
        return
    from densiscan.report.answer import trouble_title
    from densiscan.report.figures.marked import Marked, marked_figure
    from densiscan.report.figures.style import save_figure
    from densiscan.scan.scan import open_scan

    path = result.assessments[0].path
    findings = [finding for assessment in result.assessments for finding in assessment.trouble.findings]
    marks = [
        Marked(number=number, box_mm=box, words=trouble_title(finding))
        for number, finding in enumerate(findings, start=1)
        for box in finding.marks_mm
    ]
    frames = [assessment.reading.frame_corners_mm for assessment in result.assessments]
    scan = open_scan(path, ppi=task.ppi, channel=channel, page=task.page)
    save_figure(marked_figure(scan, marks, [corners for corners in frames if corners is not None]), place)
    say(f"Written to {place}.")
