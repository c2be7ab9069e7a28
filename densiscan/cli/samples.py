"""The sample scans that come with densiscan, and the words around them when they are shown."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from densiscan.errors import DensiscanError

WEDGE_SCAN: Final = "wedge.tif"
WEDGE_FILE: Final = "wedge.csv"

GREETING: Final = """\
The main job on rendered scans, whose true values are known. Nothing is written.

  densiscan calibrate {wedge} --densities {densities}
"""

NEXT: Final = """
x 1.18 means 18 % longer next time; the grade is that of the paper it needs.
To go through these scans one by one: densiscan practice --for first, then
follow docs/first.md. With your own: densiscan start asks, and does the rest;
densiscan desk does it all in the browser.
Read docs/cautions.md before you mix any chemicals.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleScans:
    """Where the sample scans are."""

    folder: Path
    wedge: Path
    densities: Path
    negatives: tuple[Path, ...]


def sample_scans() -> SampleScans:
    """Return the sample scans: those inside the installed package, or beside it in a checkout.

    Raises
    ------
    DensiscanError
        If they are in neither place.
    """
    here = Path(__file__).resolve().parents[1]
    for folder in (here / "sample_scans", here.parent / "sample_scans"):
        wedge, densities = folder / WEDGE_SCAN, folder / WEDGE_FILE
        if wedge.is_file() and densities.is_file():
            negatives = tuple(sorted(file for file in folder.glob("*.tif") if file != wedge))
            return SampleScans(folder=folder, wedge=wedge, densities=densities, negatives=negatives)
    raise DensiscanError("the sample scans are missing from this installation; install densiscan again.")
