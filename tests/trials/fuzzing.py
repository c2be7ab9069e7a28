"""Coverage-guided fuzzing of everything that reads a file from outside.

    python -m pip install atheris
    python -m tests.trials.fuzzing scan --minutes 20 [--seeds FOLDER] [--found FOLDER]

What is tried: `scan` (image files), `wedge` (wedge files, table and keyed text), `calibration` (calibration files),
`notebook` (exported notebooks taken in). Only the package's own errors may come out. Whatever else does is written to
`--found`, once for each place it came from, and the search goes on; what is mended becomes a small case in the tests of
that reader.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import traceback
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

from densiscan.errors import DensiscanError

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"


def try_scan(data: bytes, file: Path) -> None:
    """Open an image file, whatever it is, and read it to its end where it is not absurdly large."""
    from densiscan.scan.scan import open_scan

    file.write_bytes(data)
    try:
        scan = open_scan(file)
        if scan.width_px * scan.height_px <= 4_000_000:
            for _ in scan.blocks():
                pass
    except DensiscanError:
        pass


def try_wedge(data: bytes, file: Path) -> None:
    """Read a wedge file."""
    from densiscan.wedge.wedge import read_wedge

    file.write_bytes(data)
    with suppress(DensiscanError):
        read_wedge(file)


def try_calibration(data: bytes, file: Path) -> None:
    """Read a calibration file, and use it."""
    from densiscan.calibration.file import calibration_document, read_calibration

    file.write_bytes(data)
    try:
        made = read_calibration(file)
        made.density_of_signal(0.5)
        calibration_document(made)
    except DensiscanError:
        pass


def try_notebook(data: bytes, file: Path) -> None:
    """Read an exported notebook, and take it in where it is one."""
    from densiscan.notebook.location import open_notebook
    from densiscan.notebook.transfer import merge_into, read_tables

    file.write_bytes(data)
    with suppress(DensiscanError):
        tables = read_tables(file)
        book = file.with_suffix(".sqlite")
        for rest in file.parent.glob(f"{book.name}*"):
            rest.unlink()
        with open_notebook(book) as fresh:
            merge_into(fresh, tables)


TARGETS: dict[str, Callable[[bytes, Path], None]] = {
    "scan": try_scan,
    "wedge": try_wedge,
    "calibration": try_calibration,
    "notebook": try_notebook,
}


def seeds_for(what: str, folder: Path) -> None:
    """Write some small whole files to start from."""
    import numpy as np
    import tifffile

    from densiscan.calibration.file import write_calibration
    from tests.support import made_up

    if what == "scan":
        image = (np.arange(48 * 40, dtype=np.uint16) * 31).reshape(48, 40)
        for name, options in (
            ("strips", {"rowsperstrip": 7}),
            ("tiles", {"tile": (16, 16)}),
            ("deflate", {"compression": "zlib", "predictor": True}),
            ("lzw", {"compression": "lzw"}),
            ("big", {"bigtiff": True}),
            ("ends", {"byteorder": ">"}),
        ):
            tifffile.imwrite(folder / f"{name}.tif", image, **options)
        tifffile.imwrite(folder / "colour.tif", np.stack([image] * 3, axis=-1), photometric="rgb")
        from PIL import Image

        Image.fromarray((image >> 8).astype(np.uint8)).save(folder / "gray.png")
        Image.fromarray((image >> 8).astype(np.uint8)).save(folder / "gray.jpg")
    elif what == "wedge":
        (folder / "table.csv").write_bytes((SAMPLES / "wedge.csv").read_bytes())
        rows = "\n".join(f"{k} {0.05 + 0.15 * k:.2f}" for k in range(1, 8))
        head = "CGATS.17\nNUMBER_OF_FIELDS 2\nBEGIN_DATA_FORMAT\nSAMPLE_ID D_VIS\nEND_DATA_FORMAT\nNUMBER_OF_SETS 7\n"
        keyed = f"{head}BEGIN_DATA\n{rows}\nEND_DATA\n"
        (folder / "keyed.txt").write_text(keyed, encoding="utf-8")
    elif what == "notebook":
        small_notebook(folder)
    else:
        write_calibration(made_up.calibration(steps=5), folder / "calibration.json")


def small_notebook(folder: Path) -> None:
    """Write a notebook of two runs as its export does."""
    from densiscan.cli.app import run

    book = str(folder.parent / "seed.sqlite")
    for line in (
        ["run", "add", "--film", "Film-A", "--developer", "Developer-B", "--time", "8:00", "--temp", "20"],
        ["run", "add", "--time", "9:00", "--density-range", "1.05", "--base-plus-fog", "0.2"],
        ["notebook", "export", str(folder / "notebook.json")],
    ):
        run([*line, "--notebook", book])


def main(arguments: list[str]) -> int:
    """Fuzz one reader for some minutes."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.fuzzing")
    parser.add_argument("what", choices=sorted(TARGETS))
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--seeds", type=Path, help="a folder of further files to start from; it is not written to")
    parser.add_argument("--found", type=Path, default=Path("build/fuzz"))
    asked = parser.parse_args(arguments)
    import atheris

    with atheris.instrument_imports(include=["densiscan"]):
        for module in ("scan.scan", "wedge.wedge", "calibration.file", "notebook.transfer"):
            import_module(f"densiscan.{module}")
    asked.found.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp())
    corpus = folder / "corpus"
    corpus.mkdir()
    seeds_for(asked.what, corpus)
    file = folder / ("input.json" if asked.what == "notebook" else "input.tif")
    target = TARGETS[asked.what]
    told: set[tuple[str, int, str]] = set()

    def once(data: bytes) -> None:
        try:
            target(data, file)
        except Exception as fault:  # noqa: BLE001 - this is what is looked for
            *_, last = traceback.extract_tb(fault.__traceback__)
            key = (last.filename, last.lineno or 0, type(fault).__name__)
            if key not in told:
                told.add(key)
                (asked.found / f"{asked.what}-{len(told)}").write_bytes(data)
                sys.stderr.write(f"FOUND {key}: {fault}\n")

    options: list[Any] = [
        sys.argv[0],
        str(corpus),
        *([] if asked.seeds is None else [str(asked.seeds)]),
        f"-max_total_time={round(60 * asked.minutes)}",
        f"-artifact_prefix={asked.found}/{asked.what}-",
        "-max_len=16384",
        "-timeout=10",
        "-rss_limit_mb=1024",
        "-print_final_stats=1",
    ]
    atheris.Setup(options, once)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
