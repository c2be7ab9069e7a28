"""Renders the sample scans: `python -m tests.renderer FOLDER`."""

from __future__ import annotations

import sys
from pathlib import Path

from densiscan.errors import DensiscanError, WrongUseError
from tests.renderer.sample_set import render_samples


def main(arguments: list[str]) -> int:
    """Render the sample set into the folder named: `python -m tests.renderer FOLDER`; returns the exit status."""
    try:
        if len(arguments) != 1 or arguments[0].startswith("-"):
            raise WrongUseError("name one folder to render the sample scans into: python -m tests.renderer FOLDER")
        for path in render_samples(Path(arguments[0])):
            sys.stdout.write(f"{path.stat().st_size:>10,}  {path}\n")
    except (DensiscanError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
