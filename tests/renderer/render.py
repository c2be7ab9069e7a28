"""Puts pieces on the bed, scans it and writes the file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from densiscan.errors import WrongUseError
from tests.renderer.bed import Bed, Codes
from tests.renderer.scanner import Scanner, scanned
from tests.renderer.truth import FilmTruth, Truth, WedgeTruth

Telling = Callable[[], FilmTruth] | Callable[[], WedgeTruth] | None


class Piece(Protocol):
    """Anything that can be laid on the bed."""

    def lay(self, bed: Bed, rng: np.random.Generator) -> Telling:
        """Lay it; what is returned tells its true values once everything lies on the bed."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rendered:
    """A rendered scan.

    Parameters
    ----------
    codes
        Shape (rows, columns), or (rows, columns, 3) where the scanner stores three channels.
    scanner
        How it was set.
    truth
        What is true of it; in the green channel where there are three.
    channels
        The same for every channel: one, or red, green and blue.
    """

    codes: Codes
    scanner: Scanner
    truth: Truth
    channels: tuple[Truth, ...]


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
        Density of the bare bed: 0 is open glass; for a reflection scan that of the lid.
    """
    numbers = (0, 1, 2) if scanner.balance else (1,)
    planes, truths = [], []
    for channel in numbers:
        bed = Bed(size_mm, scanner.ppi, surround, channel)
        tellings = [piece.lay(bed, np.random.default_rng([seed, index])) for index, piece in enumerate(pieces)]
        noise = np.random.default_rng([seed, len(pieces), 1 + channel])
        planes.append(scanned(bed.transmittance, scanner, noise, channel))
        told = [telling() for telling in tellings if telling is not None]
        truths.append(
            Truth(
                size_mm=bed.size_mm,
                films=tuple(item for item in told if isinstance(item, FilmTruth)),
                wedges=tuple(item for item in told if isinstance(item, WedgeTruth)),
            )
        )
    codes: Codes = np.dstack(planes) if len(planes) > 1 else planes[0]  # type: ignore[assignment]
    return Rendered(codes=codes, scanner=scanner, truth=truths[len(truths) // 2], channels=tuple(truths))


def write_scan(
    rendered: Rendered,
    path: Path,
    *,
    compression: str | None = "zlib",
    orientation: int = 1,
    min_is_white: bool = False,
) -> None:
    """Write a TIFF file: one page, strips of about 64 KB, with the scanner's tags.

    Parameters
    ----------
    compression
        `zlib` (Deflate) or `lzw`, both with horizontal differencing, `packbits` or None.
    orientation
        The orientation tag, 1 to 8; pixels are stored so that they come upright when it is obeyed.
    min_is_white
        Store complemented codes under the min-is-white interpretation: the same picture.
    """
    import tifffile

    scanner = rendered.scanner
    codes = np.ascontiguousarray(_stored(rendered.codes, orientation))
    color = codes.ndim == 3
    if min_is_white:
        codes = scanner.full_scale - codes
    extra: list[tuple[int, str, int, object, bool]] = [
        (271, "s", 0, scanner.make, True),
        (272, "s", 0, scanner.model, True),
        (274, "H", 1, orientation, True),
    ]
    if scanner.bits == 12:
        extra.append((281, "H", 1, scanner.full_scale, True))
    with tifffile.TiffWriter(path) as writer:
        writer.write(
            codes,
            photometric="rgb" if color else "miniswhite" if min_is_white else "minisblack",
            planarconfig="contig" if color else None,
            compression=compression,
            predictor=compression in ("zlib", "lzw"),
            rowsperstrip=max(1, 65_536 // (codes[0].size * codes.itemsize)),
            resolution=(scanner.ppi, scanner.ppi),
            resolutionunit="INCH",
            software=scanner.software,
            metadata=None,
            extratags=extra,
        )


def _stored(codes: Codes, orientation: int) -> Codes:
    """Return the pixels as they must be stored under an orientation tag (TIFF 6.0, section 8)."""
    turned = {
        1: codes,
        2: codes[:, ::-1],
        3: codes[::-1, ::-1],
        4: codes[::-1],
        5: codes.swapaxes(0, 1),
        6: np.rot90(codes, 1),
        7: codes[::-1, ::-1].swapaxes(0, 1),
        8: np.rot90(codes, -1),
    }
    if orientation not in turned:
        raise WrongUseError(f"an orientation tag is 1 to 8, not {orientation}.")
    return turned[orientation]
