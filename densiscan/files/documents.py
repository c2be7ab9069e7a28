"""JSON documents read back, whoever wrote them: not too large, not nested without end, numbers only."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
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


def number_of(document: Mapping[str, Any], name: str, low: float, high: float) -> float:
    """Return a number of a document, from `low` to `high`.

    Raises
    ------
    KeyError
        If it is missing.
    TypeError
        If it is not a number; a text such as "NaN" is not.
    ValueError
        If it is beyond its limits, or not finite.
    """
    return _number(document[name], name, low, high)


def whole_of(document: Mapping[str, Any], name: str, low: int, high: int) -> int:
    """Return a whole number of a document, from `low` to `high`; raises as `number_of` does."""
    value = number_of(document, name, low, high)
    if value != int(value):
        raise ValueError(f"{name} must be a whole number, not {value:g}")
    return int(value)


def numbers_of(
    document: Mapping[str, Any], name: str, low: float, high: float, *, count: int | None = None
) -> tuple[float, ...]:
    """Return a list of numbers of a document, each from `low` to `high`; raises as `number_of` does."""
    values = document[name]
    if not isinstance(values, list) or (count is not None and len(values) != count):
        raise ValueError(f"{name} must be a list of {'numbers' if count is None else f'{count} numbers'}")
    return tuple(_number(value, name, low, high) for value in values)


def flag_of(document: Mapping[str, Any], name: str) -> bool:
    """Return true or false of a document; raises KeyError where it is missing, TypeError where it is neither."""
    value = document[name]
    if not isinstance(value, bool):
        raise TypeError(f"{name} must be true or false")
    return value


def text_of(document: Mapping[str, Any], name: str) -> str:
    """Return a text of a document; raises KeyError where it is missing, TypeError where it is none."""
    value = document[name]
    if not isinstance(value, str):
        raise TypeError(f"{name} must be a text")
    return value


def _number(value: object, name: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{name} must be a number")
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(f"{name} must be from {low:g} to {high:g}, not {value:g}")
    return float(value)
