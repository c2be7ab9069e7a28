"""What the benchmark needs made: its scans, and the comparison of what the contenders found.

`python -m tests.benchmarks.bench_make scans FOLDER ROWS COLUMNS | sheet FOLDER | small FOLDER | compare FOLDER`.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from tests.cli.test_folder import negative
from tests.renderer import Blemishes, FilmCurve, Picture, Place, Scanner, render_bed, sheet, write_scan


def make_scans(folder: Path, rows: int, columns: int) -> None:
    """Write one noisy picture as gray, Deflate, LZW and 48-bit RGB, 64 rows a strip, 1200 ppi."""
    rng = np.random.default_rng(1)
    down, across = np.linspace(0, 1, rows, dtype=np.float32)[:, None], np.linspace(0, 1, columns, dtype=np.float32)
    level = 3000 + 40000 * np.clip(across * (1 - down) + 0.3 * np.sin(20 * across) * np.cos(17 * down), 0, 1.3)
    noise = rng.normal(size=level.shape).astype(np.float32) * (60 + 0.01 * level)
    codes = np.clip(level + noise, 0, 65535).astype(np.uint16)
    del level, noise
    common: dict[str, Any] = {"resolution": (1200, 1200), "resolutionunit": 2, "rowsperstrip": 64, "metadata": None}
    files = {name: folder / f"{name}.tif" for name in ("gray", "deflate", "lzw", "rgb")}
    tifffile.imwrite(files["gray"], codes, photometric="minisblack", **common)
    tifffile.imwrite(files["deflate"], codes, photometric="minisblack", compression="zlib", predictor=True, **common)
    tifffile.imwrite(files["lzw"], codes, photometric="minisblack", compression="lzw", predictor=True, **common)
    colours = np.stack([codes[:, ::-1], codes, codes[::-1]], axis=-1)
    tifffile.imwrite(files["rgb"], colours, photometric="rgb", **common)


def make_sheet(folder: Path) -> None:
    """Render one sheet of 127 x 102 mm at 600 ppi."""
    size = (127.0, 102.0)
    film = sheet(
        size_mm=size,
        place=Place(x_mm=size[0] / 2 + 5.0, y_mm=size[1] / 2 + 4.5, angle_deg=0.4),
        picture=Picture(range_stops=7.0, shadow_stops=0.6, falloff_stops=0.4, flare=0.006, scene="mill", seed=5),
        edge_mm=(3.5, 4.0, 4.5, 4.0),
        curve=FilmCurve(base=0.06, fog=0.07, contrast=0.57, maximum_net=2.7),
        granularity=8.0,
        blemishes=Blemishes(dust=9, fibres=1, pinholes=2),
    )
    scanner = Scanner(ppi=600.0, tone="2.2", gain=0.97, offset=0.0002, glare=0.002)
    write_scan(render_bed([film], scanner, seed=5, size_mm=(137.0, 111.0)), folder / "sheet.tif", compression=None)


def compared(folder: Path) -> list[str]:
    """Return how far ours, pyvips and plain numpy agree on the whole cells of one scan."""
    found = {contender: np.load(folder / f"{contender}.npz") for contender in ("ours", "pyvips", "numpy")}
    rows, columns = (length - 1 for length in found["numpy"]["mean"].shape)
    lines = []
    plain = found["numpy"]
    for contender in ("ours", "pyvips"):
        other = found[contender]
        mean, exact = other["mean"][:rows, :columns], plain["mean"][:rows, :columns]
        density = float(np.abs(np.log10(mean / exact)).max())
        spread = float((np.abs(other["sd"][:rows, :columns] - plain["sd"][:rows, :columns]) / exact).max())
        # pyvips ends its histogram at the largest code.
        histogram = np.pad(other["histogram"].astype(np.int64), (0, 65536 - other["histogram"].size))
        counts = bool(np.array_equal(histogram, plain["histogram"]))
        lines.append(
            f"{contender} against plain numpy: counts {'equal' if counts else 'DIFFER'}, density within {density:.0e}, "
            f"standard deviation within {spread:.0e} of the mean"
        )
    return lines


def main() -> None:
    what, place, *more = sys.argv[1:]
    folder = Path(place)
    if what == "scans":
        make_scans(folder, int(more[0]), int(more[1]))
    elif what == "sheet":
        make_sheet(folder)
    elif what == "small":
        folder.mkdir()
        for number in range(10):
            negative(folder / f"scan-{number:04d}.tif", number)
    else:
        sys.stdout.write("\n".join(compared(folder)))


if __name__ == "__main__":
    main()
