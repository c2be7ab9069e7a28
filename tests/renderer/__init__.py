"""Renders scans of known density: a physical forward model that shares no code with what reads them.

bed = render_bed([Film(...), WedgeLayout(...)], Scanner(), seed=1, size_mm=(120, 100))
bed.codes, bed.truth
write_scan(bed, Path("scan.tif"))
"""

from __future__ import annotations

from tests.renderer.bed import OPAQUE, Place
from tests.renderer.faults import AirBell, Bands, Blemishes, DryingMark, EdgeDensity, Gradient, Leak
from tests.renderer.film import Film, FilmCurve, Frame
from tests.renderer.litter import BedBorder, PenMarks, Sheetlet
from tests.renderer.pieces import Holder, Specks, holder_for, sheet, strip
from tests.renderer.random_scans import (
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
from tests.renderer.render import Piece, Rendered, render_bed, write_scan
from tests.renderer.sample_set import Sample, render_samples, samples, stated_densities
from tests.renderer.scanner import TONES, Scanner, encoded, faultless
from tests.renderer.scenes import RULED, SCENES, Picture
from tests.renderer.truth import FilmTruth, FrameTruth, StepTruth, Truth, WedgeTruth
from tests.renderer.wedge import WedgeLayout, even_densities, write_wedge_file

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
