"""A place to try things in: sample scans, a calibration and the runs of practice, in a folder that is thrown away."""

from __future__ import annotations

import contextlib
import io
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from densiscan.cli.practice_sets import keep_runs
from densiscan.cli.samples import sample_scans


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
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            run([*wedge, "--name", "practice", "--notebook", str(book)])
        keep_runs(book)
        yield scans, book
