"""How often does a damaged file give another reading without a word?

    python -m tests.trials.damage [--seed N] [--share S] [FORMAT...]

A small picture of noise is written in every format that is read. 300 holes of 4 kB, 300 single bits turned and 100
truncations at random places of its data, and as many holes of 16 bytes and bits in the tags of a TIFF: each copy is
read to its end. Counted is what gives other pixels, another size, resolution or position, with no word more than the
whole file has. `--share 0.1` tries a tenth of it.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import tifffile

from densiscan.errors import DensiscanError
from densiscan.scan.scan import open_scan
from densiscan.scan.survey import survey
from tests.scan.test_scan_damage import NOISE, UNDER_A_CHECKSUM, jpeg, png, tiff

KINDS: Final = {"hole": 300, "bit": 300, "cut": 100}
HEAD_BYTES: Final = {"II": 1000, "PNG": 8, "JPEG": 2}
"""Where the data of these files begin: the tags of a TIFF stand before them."""


def jpeg_in_tiff() -> bytes:
    """Return strips of JPEG data in a TIFF."""
    buffer = io.BytesIO()
    options: dict[str, Any] = {"compression": "jpeg", "rowsperstrip": 32}
    codes = (NOISE >> 8).astype(np.uint8)
    tifffile.imwrite(buffer, codes, metadata=None, resolution=(300, 300), resolutionunit=2, **options)
    return buffer.getvalue()


FORMATS: Final[dict[str, Callable[[], bytes]]] = {
    **UNDER_A_CHECKSUM,
    "png, 8 bits": lambda: png(bits=8),
    "lzw": lambda: tiff(compression="lzw", rowsperstrip=28),
    "lzw, differences": lambda: tiff(compression="lzw", predictor=True, rowsperstrip=28),
    "packbits": lambda: tiff(compression="packbits", rowsperstrip=28),
    "jpeg": jpeg,
    "jpeg, progressive": lambda: jpeg(progressive=True),
    "jpeg in tiff": jpeg_in_tiff,
    "uncompressed": lambda: tiff(rowsperstrip=28),
}


def reading(file: Path, raw: bytes) -> tuple[tuple[Any, ...], frozenset[str]] | None:
    """Return what a scan says, its pixels and its place on paper, with what it warns of; None where it is refused."""
    file.write_bytes(raw)
    try:
        scan = open_scan(file, threads=1)
        codes = np.zeros((scan.height_px, scan.width_px), np.uint16)
        for block in scan.blocks():
            codes[block.top : block.top + len(block.codes), block.left :][:, : block.codes.shape[1]] = block.codes
        told = (*scan.warnings, *survey(scan).warnings)
    except DensiscanError:
        return None
    said = (codes.shape, codes.tobytes(), scan.facts.full_scale, round(scan.ppi_x, 3), round(scan.ppi_y, 3))
    return said, frozenset(warning.code for warning in told)


def damaged(raw: bytes, kind: str, span: tuple[int, int], rng: np.random.Generator) -> bytes:
    """Return a copy with one hole, bit or cut that begins in the span; a hole in the tags is short."""
    at = int(rng.integers(*span))
    if kind == "cut":
        return raw[:at]
    if kind == "bit":
        return raw[:at] + bytes([raw[at] ^ 1 << int(rng.integers(8))]) + raw[at + 1 :]
    length = min(4096 if span[1] == len(raw) else 16, len(raw) - at)
    return raw[:at] + bytes(length) + raw[at + length :]


def unsaid(
    make: Callable[[], bytes], place: str, rng: np.random.Generator, share: float, file: Path
) -> Iterator[tuple[str, int, int]]:
    """Yield for each kind of damage how many copies read otherwise without a word, and of how many."""
    raw = make()
    whole = reading(file, raw)
    if whole is None:
        message = "the whole file is refused"
        raise ValueError(message)
    tags = place == "tags"
    head = next(size for mark, size in HEAD_BYTES.items() if mark.encode() in raw[:11] or mark == "JPEG")
    for kind, count in KINDS.items():
        if tags and kind == "cut":
            continue
        tried = max(1, round(count * share))
        other = 0
        for _ in range(tried):
            found = reading(file, damaged(raw, kind, (4, 300) if tags else (head, len(raw)), rng))
            other += found is not None and found[0] != whole[0] and found[1] <= whole[1]
        yield kind, other, tried


def main(arguments: Sequence[str]) -> int:
    """Print a table: the formats, and for each kind of damage the copies that read otherwise without a word."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.damage")
    parser.add_argument("formats", nargs="*", help="which of them; all when none is named")
    parser.add_argument("--seed", type=int, default=401)
    parser.add_argument("--share", type=float, default=1.0)
    asked = parser.parse_args(arguments)
    rng = np.random.default_rng(asked.seed)
    rows = [(name, "data", make) for name, make in FORMATS.items()]
    rows.append(("uncompressed", "tags", FORMATS["uncompressed"]))
    sys.stdout.write("| format | place | " + " | ".join(KINDS) + " |\n| --- | --- |" + " ---: |" * len(KINDS) + "\n")
    with tempfile.TemporaryDirectory() as folder:
        for name, place, make in rows:
            if asked.formats and name not in asked.formats:
                continue
            counts = {kind: f"{n} of {of}" for kind, n, of in unsaid(make, place, rng, asked.share, Path(folder) / "s")}
            sys.stdout.write(f"| {name} | {place} | " + " | ".join(counts.get(kind, "") for kind in KINDS) + " |\n")
            sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
