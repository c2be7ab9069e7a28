"""One piece of work of the benchmark, by one contender, in a process of its own.

`python -m tests.benchmarks.bench_work CONTENDER FILE THREADS [SAVE.npz]` prints one line of JSON: seconds, of processor
time, peak memory. The work: decode, signal to transmittance through a table of 65,536 entries, mean and standard
deviation over cells of 1 mm, exact histogram, clipped pixels.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Found = tuple[NDArray[Any], NDArray[Any], NDArray[Any]]
"""Mean and standard deviation of each cell, and the histogram; the clipped pixels are its ends."""

CELL_PX = 47
"""1 mm at 1200 pixels an inch."""


def table() -> NDArray[np.float64]:
    return (np.arange(65536) / 65535.0) ** 2.2


def ours(file: Path, threads: int) -> Callable[[], Found]:
    from densiscan.scan.scan import open_scan
    from densiscan.scan.survey import survey

    values = table()

    def work() -> Found:
        found = survey(open_scan(file, threads=threads), table=values, cell_mm=1.0)
        return found.mean, found.sd, found.histogram

    return work


def pyvips(file: Path, threads: int) -> Callable[[], Found]:
    os.environ["VIPS_CONCURRENCY"] = str(threads)
    import pyvips as vips

    # Single precision, which is less work than ours does.
    values = vips.Image.new_from_memory(table().astype(np.float32).tobytes(), 65536, 1, 1, "float")

    def opened() -> Any:
        image = vips.Image.new_from_file(str(file), access="sequential")
        return image[1] if image.bands > 1 else image

    def work() -> Found:
        histogram = opened().hist_find().numpy().ravel()
        light = opened().maplut(values)
        both = light.bandjoin(light * light).shrink(CELL_PX, CELL_PX).numpy()
        mean, square = both[..., 0], both[..., 1]
        return mean, np.sqrt(np.maximum(square - mean * mean, 0.0)), histogram

    return work


def numpy(file: Path, threads: int) -> Callable[[], Found]:
    del threads
    import tifffile

    values = table()

    def work() -> Found:
        image = tifffile.imread(file)
        light = values[image]
        rows, columns = image.shape[0] // CELL_PX, image.shape[1] // CELL_PX
        cells = light[: rows * CELL_PX, : columns * CELL_PX].reshape(rows, CELL_PX, columns, CELL_PX)
        return cells.mean(axis=(1, 3)), cells.std(axis=(1, 3)), np.bincount(image.ravel(), minlength=65536)

    return work


def decoding(file: Path, threads: int) -> Callable[[], None]:
    """Decode alone, strip by strip, predictor and all, by the library that we use."""
    del threads
    import imagecodecs
    import tifffile

    with tifffile.TiffFile(file) as tif:
        page: Any = tif.pages[0]
        parts = list(zip(page.dataoffsets, page.databytecounts, strict=True))
        shape, lzw = (page.rowsperstrip, page.imagewidth), page.compression == 5
    decode = imagecodecs.lzw_decode if lzw else imagecodecs.deflate_decode
    strip = shape[0] * shape[1] * 2

    def work() -> None:
        with file.open("rb") as stream:
            for offset, count in parts:
                stream.seek(offset)
                raw = decode(stream.read(count), out=strip)
                imagecodecs.delta_decode(np.frombuffer(raw, "<u2").reshape(-1, shape[1]), axis=-1)

    return work


CONTENDERS: dict[str, Callable[[Path, int], Callable[[], Any]]] = {
    "ours": ours,
    "pyvips": pyvips,
    "numpy": numpy,
    "decoding": decoding,
}


def main() -> None:
    name, file, threads, *save = sys.argv[1:]
    work = CONTENDERS[name](Path(file), int(threads))
    before = time.perf_counter(), time.process_time()
    found = work()
    after = time.perf_counter(), time.process_time()
    if save:
        mean, deviation, histogram = found
        np.savez(save[0], mean=mean, sd=deviation, histogram=histogram)
    told = {
        "seconds": after[0] - before[0],
        "processor": after[1] - before[1],
        "megabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    sys.stdout.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main()
