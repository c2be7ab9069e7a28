"""A place to try things in: the sample scans, a calibration and a few runs, in a folder that is thrown away."""

from __future__ import annotations

import contextlib
import io
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from densiscan.cli.samples import sample_scans

_RUNS: Final = (
    ("2026-03-14", "7:00", "0.92"),
    ("2026-03-21", "8:00", "1.01"),
    ("2026-04-02", "9:00", "1.12"),
    ("2026-04-11", "8:30", "1.05"),
)
"""Runs of an invented film in an invented developer: day, time, density range."""


@contextlib.contextmanager
def practice_place() -> Iterator[tuple[Path, Path]]:
    """Give a folder of practice scans and a notebook with a calibration and runs; both are gone afterwards."""
    from densiscan.cli.app import run

    with tempfile.TemporaryDirectory(prefix="densiscan-practice-", ignore_cleanup_errors=True) as place:
        scans, book = Path(place) / "scans", Path(place) / "notebook.sqlite"
        scans.mkdir()
        samples = sample_scans()
        for file in (samples.wedge, samples.densities, *samples.negatives):
            shutil.copy(file, scans / file.name)
        wedge = ["calibrate", str(scans / samples.wedge.name), "--densities", str(scans / samples.densities.name)]
        lines = [[*wedge, "--name", "practice"]]
        for day, time, extent in _RUNS:
            made = ["--film", "Meadow-100", "--developer", "Borax", "--dilution", "1+1", "--temp", "20"]
            lines.append(["run", "add", *made, "--date", day, "--time", time, "--density-range", extent])
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            for line in lines:
                run([*line, "--notebook", str(book)])
        yield scans, book
