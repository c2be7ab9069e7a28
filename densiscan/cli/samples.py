"""The sample scans that come with densiscan, and the words around them when they are shown."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from densiscan.errors import DensiscanError

WEDGE_SCAN: Final = "wedge.tif"
WEDGE_FILE: Final = "wedge.csv"

GREETING: Final = """\
This is the main job on the sample scans in
  {folder}
They are rendered, so that their true values are known (truth.csv there).
Nothing is written. First the scanner is calibrated with the scan of a wedge:

  densiscan calibrate {wedge} --densities {densities}
"""

THEN: Final = """
Then the negatives are measured with it:

  densiscan measure {scans}
"""

NEXT: Final = """
Where to go next, with your own scanner:
  1. Scan your step wedge as a transparency: 16 bit gray, all corrections off.
       densiscan calibrate wedge.tif --densities wedge.csv --name mine
     Without a certificate: --steps 21 --increment 0.15 --first 0.05
  2. Scan a negative the same way, its clear edge included.
       densiscan measure negative.tif --report negative.html
  3. Each command's --help ends with an example; densiscan --help lists them.
The pages are in the folder docs of the source: docs/first.md begins here, and
docs/cautions.md comes before any chemicals.
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
