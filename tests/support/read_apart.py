"""Reads scans in a process of its own that has little memory: what a hostile file may cost."""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

MEMORY = 1 << 30
"""Room for the interpreter and numpy, far from what the heads of hostile files claim."""
SECONDS = 10
"""Of processor time a file: a busy machine does not count."""

_READER = """
import sys, time
from densiscan.errors import UnreadableScanError
from densiscan.scan.scan import open_scan
from densiscan.scan.survey import survey
for name in sys.argv[1:]:
    start = time.process_time()
    try:
        survey(open_scan(name, ppi=300))
        said = "read"
    except UnreadableScanError as error:
        said = str(error)
    print(f"{time.process_time() - start:.3f}", said)
"""


def read_apart(files: Sequence[Path]) -> list[str]:
    """Return what each file says, "read" or a sentence, in a process that has 1 GB, and 10 s for each.

    Asserts that the process ended in order, said nothing else, and lacked neither memory nor time.
    """
    result = subprocess.run(
        [sys.executable, "-W", "error", "-c", _READER, *map(str, files)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=600,  # of a process that hangs without working
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY)),
    )
    assert (result.returncode, result.stderr) == (0, "")
    lines = [line.partition(" ")[::2] for line in result.stdout.splitlines()]
    assert len(lines) == len(files)
    for file, (seconds, said) in zip(files, lines, strict=True):
        assert float(seconds) < SECONDS, file
        assert "needs more memory" not in said, said
    return [said for _, said in lines]
