"""Renders what comes with densiscan.

python -m tests.renderer FOLDER              the sample scans
python -m tests.renderer FOLDER --practice   the practice scans, a folder for each set
"""

from __future__ import annotations

import sys
from pathlib import Path

from densiscan.errors import DensiscanError, WrongUseError
from tests.renderer.practice_set import render_practice
from tests.renderer.sample_set import render_samples

PRACTICE = "--practice"


def main(arguments: list[str]) -> int:
    """Render one of the two sets into the folder named; returns the exit status."""
    folders = [word for word in arguments if word != PRACTICE]
    try:
        if len(folders) != 1 or folders[0].startswith("-"):
            raise WrongUseError(
                "name one folder to render the scans into: python -m tests.renderer FOLDER, and --practice for those."
            )
        render = render_practice if PRACTICE in arguments else render_samples
        for path in render(Path(folders[0])):
            sys.stdout.write(f"{path.stat().st_size:>10,}  {path}\n")
    except (DensiscanError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
