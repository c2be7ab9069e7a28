"""Renders scans of known density: a physical forward model that shares no code with what reads them.

bed = render_bed([Film(...), WedgeLayout(...)], Scanner(), seed=1, size_mm=(120, 100))
bed.codes, bed.truth
write_scan(bed, Path("scan.tif"))
"""

from __future__ import annotations

import sys
from pathlib import Path

from densiscan.errors import DensiscanError, WrongUseError
from densiscan.sample_bed import OPAQUE, Place
from densiscan.sample_faults import AirBell, Bands, Blemishes, DryingMark, EdgeDensity, Gradient, Leak
from densiscan.sample_film import Film, FilmCurve, Frame
from densiscan.sample_litter import BedBorder, PenMarks, Sheetlet
from densiscan.sample_pieces import Holder, Specks, holder_for, sheet, strip
from densiscan.sample_random import (
    Bedful,
    DrawnWedge,
    random_crop,
    random_curve,
    random_densities,
    random_held,
    random_pair,
    random_picture,
    random_roll,
    random_scanner,
    random_sheet,
    random_together,
    random_wedge,
)
from densiscan.sample_render import Piece, Rendered, render_bed, write_scan
from densiscan.sample_scanner import TONES, Scanner, encoded, faultless
from densiscan.sample_scenes import RULED, SCENES, Picture
from densiscan.sample_set import Sample, render_samples, samples, stated_densities
from densiscan.sample_truth import FilmTruth, FrameTruth, StepTruth, Truth, WedgeTruth
from densiscan.sample_wedge import WedgeLayout, even_densities, write_wedge_file


def main(arguments: list[str]) -> int:
    """Render the sample set into the folder named: `python -m densiscan.sample FOLDER`; returns the exit status."""
    try:
        if len(arguments) != 1 or arguments[0].startswith("-"):
            raise WrongUseError("name one folder to render the sample scans into: python -m densiscan.sample FOLDER")
        for path in render_samples(Path(arguments[0])):
            sys.stdout.write(f"{path.stat().st_size:>10,}  {path}\n")
    except (DensiscanError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


__all__ = [
    "OPAQUE",
    "RULED",
    "SCENES",
    "TONES",
    "AirBell",
    "Bands",
    "BedBorder",
    "Bedful",
    "Blemishes",
    "DrawnWedge",
    "DryingMark",
    "EdgeDensity",
    "Film",
    "FilmCurve",
    "FilmTruth",
    "Frame",
    "FrameTruth",
    "Gradient",
    "Holder",
    "Leak",
    "PenMarks",
    "Picture",
    "Piece",
    "Place",
    "Rendered",
    "Sample",
    "Scanner",
    "Sheetlet",
    "Specks",
    "StepTruth",
    "Truth",
    "WedgeLayout",
    "WedgeTruth",
    "encoded",
    "even_densities",
    "faultless",
    "holder_for",
    "random_crop",
    "random_curve",
    "random_densities",
    "random_held",
    "random_pair",
    "random_picture",
    "random_roll",
    "random_scanner",
    "random_sheet",
    "random_together",
    "random_wedge",
    "render_bed",
    "render_samples",
    "samples",
    "sheet",
    "stated_densities",
    "strip",
    "write_scan",
    "write_wedge_file",
]

if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
