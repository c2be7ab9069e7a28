"""What `measure` takes for an archive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from densiscan.cli.options import check_out
from densiscan.errors import WrongUseError

LinesOption = Annotated[
    Path | None,
    typer.Option(
        "--lines", metavar="FILE.jsonl", help="An archive: a line of JSON for each scan, nothing in the notebook."
    ),
]
ParquetOption = Annotated[
    Path | None, typer.Option("--parquet", metavar="FILE", help="With --lines: all readings as a Parquet table too.")
]

OUR_LINES: Final = b'{"format":"densiscan.readings/'
OUR_PARQUET: Final = b"PAR1"


def check_lines(lines: Path | None, parquet: Path | None, others: dict[str, bool]) -> None:
    """Check that an archive can be written there; None passes.

    Raises
    ------
    WrongUseError
        If a file cannot be taken, or something is asked for that an archive has not.
    """
    if lines is None:
        if parquet is not None:
            raise WrongUseError("--parquet is made from the lines; add --lines FILE.jsonl.")
        return
    for option, given in others.items():
        if given:
            raise WrongUseError(f"{option} does not go with --lines; leave one of them out.")
    check_out(lines, "--lines", ours=OUR_LINES)
    check_out(parquet, "--parquet", ours=OUR_PARQUET)
    if parquet is not None:
        from densiscan.report.parquet import require_parquet

        require_parquet()
