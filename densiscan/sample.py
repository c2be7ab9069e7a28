"""Renders scans of known density: a physical forward model that shares no code with what reads them.

bed = render_bed([Film(...), WedgeLayout(...)], Scanner(), seed=1, size_mm=(120, 100))
bed.codes, bed.truth
write_scan(bed, Path("scan.tif"))
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from densiscan.sample_bed import OPAQUE, Bed, Codes, Place
from densiscan.sample_faults import AirBell, Bands, Blemishes, DryingMark, EdgeDensity, Gradient, Leak
from densiscan.sample_film import Film, FilmCurve, Frame
from densiscan.sample_scanner import Scanner, encoded, faultless, scanned
from densiscan.sample_scenes import SCENES, Picture
from densiscan.sample_truth import FilmTruth, FrameTruth, StepTruth, Truth, WedgeTruth
from densiscan.sample_wedge import WedgeLayout, even_densities, write_wedge_file


class Piece(Protocol):
    """Anything that can be laid on the bed."""

    def lay(self, bed: Bed, rng: np.random.Generator) -> FilmTruth | WedgeTruth | None:
        """Lay it and return its true values."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rendered:
    """A rendered scan: codes, shape (rows, columns), the scanner it came from and what is true of it."""

    codes: Codes
    scanner: Scanner
    truth: Truth


def render_bed(
    pieces: Sequence[Piece], scanner: Scanner, *, seed: int, size_mm: tuple[float, float], surround: float = 0.0
) -> Rendered:
    """Render what a scanner stores of the pieces on its bed.

    Parameters
    ----------
    pieces
        Laid in this order; what lies on another piece multiplies with it.
    scanner
        How it was set.
    seed
        Every random thing follows from it: the same arguments give the same codes.
    size_mm
        Width and height of the scan; pieces may reach beyond it.
    surround
        Density of the bare bed: 0 is open glass, `OPAQUE` black.
    """
    bed = Bed(size_mm, scanner.ppi, surround)
    truths = [piece.lay(bed, np.random.default_rng([seed, index])) for index, piece in enumerate(pieces)]
    codes = scanned(bed.transmittance, scanner, np.random.default_rng([seed, len(pieces), 1]))
    truth = Truth(
        size_mm=bed.size_mm,
        films=tuple(item for item in truths if isinstance(item, FilmTruth)),
        wedges=tuple(item for item in truths if isinstance(item, WedgeTruth)),
    )
    return Rendered(codes=codes, scanner=scanner, truth=truth)


def write_scan(rendered: Rendered, path: Path, *, compression: str | None = "zlib") -> None:
    """Write a TIFF file: one gray page, strips of about 64 KB, with the scanner's tags.

    `compression` is `zlib` (Deflate with horizontal differencing), `lzw`, `packbits` or None.
    """
    import tifffile

    scanner = rendered.scanner
    predictor = compression in ("zlib", "lzw")
    row_bytes = rendered.codes.shape[1] * rendered.codes.itemsize
    with tifffile.TiffWriter(path) as writer:
        writer.write(
            rendered.codes,
            photometric="minisblack",
            compression=compression,
            predictor=predictor,
            rowsperstrip=max(1, 65_536 // row_bytes),
            resolution=(scanner.ppi, scanner.ppi),
            resolutionunit="INCH",
            software=scanner.software,
            metadata=None,
            extratags=[(271, "s", 0, scanner.make, True), (272, "s", 0, scanner.model, True)],
        )


__all__ = [
    "OPAQUE",
    "SCENES",
    "AirBell",
    "Bands",
    "Blemishes",
    "DryingMark",
    "EdgeDensity",
    "Film",
    "FilmCurve",
    "FilmTruth",
    "Frame",
    "FrameTruth",
    "Gradient",
    "Leak",
    "Picture",
    "Piece",
    "Place",
    "Rendered",
    "Scanner",
    "StepTruth",
    "Truth",
    "WedgeLayout",
    "WedgeTruth",
    "encoded",
    "even_densities",
    "faultless",
    "render_bed",
    "write_scan",
    "write_wedge_file",
]
