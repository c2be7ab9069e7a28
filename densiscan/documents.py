"""JSON documents read back, whoever wrote them: not too large, not nested without end, numbers only."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

LARGEST_BYTES: Final = 50_000_000


class TooLargeError(ValueError):
    """A document larger than any of its kind."""


def read_document(file: Path, *, largest: int = LARGEST_BYTES) -> Any:
    """Return what a JSON file holds.

    Parameters
    ----------
    largest
        Bytes that it may have.

    Raises
    ------
    OSError
        If it cannot be read.
    TooLargeError
        If it is larger.
    ValueError
        If it is no JSON (RFC 8259, which has no NaN and no Infinity), no UTF-8, or nested too deeply to be read.
    """
    with file.open("rb") as stream:
        raw = stream.read(largest + 1)
    if len(raw) > largest:
        raise TooLargeError(file)
    try:
        return json.loads(raw.decode("utf-8-sig"), parse_constant=_no_number)
    except RecursionError as problem:
        raise ValueError("nested too deeply") from problem


def _no_number(text: str) -> float:
    raise ValueError(text)
