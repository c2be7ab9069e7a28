"""The readings of an archive as a Parquet table: one row a piece of film, the columns of the table of a folder.

pyarrow writes it, an extra: the format has its own encodings, compression and statistics, which nobody writes by hand.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, Final

from densiscan.errors import DensiscanError
from densiscan.files.atomic import writing_whole
from densiscan.report.readings import QUANTITIES

_ROWS: Final = 10_000
"""Rows that are held before they are written as one group."""
_TEXTS: Final = ("path", "sha256", "calibration", "version", "seen", "exposure", "development", "grade", "warnings")
_LIMITS: Final = tuple(f"{name}_limit" for name in QUANTITIES)
_NUMBERS: Final = tuple(column for name in QUANTITIES for column in (name, f"{name}_uncertainty"))


def require_parquet() -> None:
    """Check that Parquet can be written.

    Raises
    ------
    DensiscanError
        If the extra is not installed.
    """
    try:
        import pyarrow.parquet  # noqa: F401 - only whether it is there
    except ImportError:
        raise DensiscanError("`parquet` needs the extra: pip install 'densiscan[parquet]'.") from None


def write_parquet(texts: Iterable[str], path: Path) -> int:
    """Write the readings of lines as a table, whole or not at all, and return how many there are.

    Raises
    ------
    DensiscanError
        If the extra is not installed, or the file cannot be written.
    """
    require_parquet()
    import pyarrow as pa
    from pyarrow import parquet

    fields = [
        *((name, pa.string()) for name in (*_TEXTS, *_LIMITS)),
        ("piece", pa.int32()),
        *((name, pa.float64()) for name in ("ppi", "aperture_mm", *_NUMBERS)),
    ]
    schema = pa.schema(fields)
    count = 0
    with writing_whole(path, what="the table") as whole:
        place = whole.place
        if place is None:
            raise DensiscanError(f"the table cannot be written to {path}, a device or a pipe; name a file.")
        with whole.in_words(), parquet.ParquetWriter(place, schema) as file:
            every = _rows(texts)
            while rows := list(islice(every, _ROWS)):
                file.write_table(pa.Table.from_pylist(rows, schema=schema))
                count += len(rows)
    return count


def _rows(texts: Iterable[str]) -> Iterator[dict[str, Any]]:
    for text in texts:
        document = json.loads(text)
        scan = document["scan"]
        for reading in document["readings"]:
            yield {
                "path": scan["path"],
                "sha256": scan["sha256"],
                "calibration": document["calibration"],
                "version": scan["version"],
                "piece": reading.get("piece"),
                "ppi": reading["ppi"],
                "aperture_mm": reading["aperture_mm"],
                "seen": reading["seen"],
                "exposure": (reading["exposure"] or {}).get("verdict"),
                "development": (reading["development"] or {}).get("verdict"),
                "grade": (reading["paper"] or {}).get("grade"),
                "warnings": " ".join(dict.fromkeys(one["code"] for one in reading["warnings"])),
                **_quantities(reading),
            }


def _quantities(reading: dict[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for name in QUANTITIES:
        plain = reading[name] or {}
        row |= {name: plain.get("value"), f"{name}_uncertainty": plain.get("uncertainty")}
        row[f"{name}_limit"] = plain.get("limit")
    return row
