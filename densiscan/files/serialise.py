"""Any result as plain Python: the whole of it as a dictionary, or what fits into one row of a table.

Results are dataclasses that hold numbers, texts, quantities, and other results. Both functions go by that alone: a new
result needs nothing of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from os import PathLike
from typing import Any, TypeAlias

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.files.atomic import as_text

Cell: TypeAlias = str | float | bool | None
"""What stands in one cell of a table; a float where it is a number, int where it is a whole one."""


def as_dict(result: object) -> dict[str, Any]:
    """Return a result as a dictionary of plain Python, which `json.dumps` takes as it is.

    A quantity becomes its value and its expanded uncertainty (k = 2), both in the unit that the field's name says; what
    is unknown, infinite or no number becomes None; sequences and arrays become lists, results in it dictionaries.

    Raises
    ------
    TypeError
        If it is no result, or holds something that is none.

    Examples
    --------
    >>> as_dict(Quantity(1.05, {Influence("wedge", "7"): 0.01}))
    {'value': 1.05, 'uncertainty': 0.02}
    """
    found = _plain(result)
    if not isinstance(found, dict):
        message = f"{type(result).__name__} is no result; one field after another is needed to make a dictionary"
        raise TypeError(message)
    return found


def as_row(result: object) -> dict[str, Cell]:
    """Return a result as a row of a table: a number, a text or None under the name of each column.

    A quantity `shadow` fills three columns, `shadow`, `shadow_uncertainty` (k = 2) and `shadow_limit` ("at least" or
    "at most" where it is only a limit); a result in it, `exposure`, the columns `exposure_verdict` and so on. A
    sequence of numbers or texts is one cell, separated by spaces, and so are the codes of warnings. A sequence of other
    results is a table of its own, and left out here.

    Raises
    ------
    TypeError
        If it is no result.

    Examples
    --------
    >>> as_row(Quantity.at_least(2.89))
    {'value': 2.89, 'value_uncertainty': None, 'value_limit': 'at least'}
    """
    if isinstance(result, Quantity):
        return dict(_quantity_cells("value", result))
    if not _is_result(result):
        message = f"{type(result).__name__} is no result; a row needs fields"
        raise TypeError(message)
    return dict(_cells(result, ""))


def _is_result(value: object) -> bool:
    return is_dataclass(value) and not isinstance(value, type)


def _told(result: Any) -> Iterator[tuple[str, Any, str]]:
    """Yield name, value and type of each field that is told: what is kept out of `repr` is only there for speed."""
    for one in fields(result):
        if one.repr and not one.name.startswith("_"):
            yield one.name, getattr(result, one.name), str(one.type)


def _plain(value: object) -> Any:
    if value is None or isinstance(value, str | bool | int):
        return value.value if isinstance(value, Enum) else value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Quantity | Warning_):
        return value.to_json()
    if isinstance(value, PathLike):
        return as_text(value)
    return _plain_whole(value)


def _plain_whole(value: Any) -> Any:
    if _is_result(value):
        return {name: _plain(held) for name, held, _ in _told(value)}
    if isinstance(value, Mapping):
        return {str(_plain(name)): _plain(held) for name, held in value.items()}
    if hasattr(value, "tolist"):  # an array or a number of numpy, which is not imported for it
        return _plain(value.tolist())
    if isinstance(value, Iterable) and not isinstance(value, bytes):
        return [_plain(held) for held in value]
    message = f"{type(value).__name__} is no result and no part of one"
    raise TypeError(message)


def _cells(result: object, before: str) -> Iterator[tuple[str, Cell]]:
    for name, value, kind in _told(result):
        column = f"{before}{name}"
        if isinstance(value, Quantity) or (value is None and kind.startswith("Quantity")):
            yield from _quantity_cells(column, value)
        elif _is_result(value):
            yield from _cells(value, f"{column}_")
        else:
            plain = _plain(value)
            if not isinstance(plain, dict | list):
                yield column, plain
            elif _is_short(value):
                yield column, " ".join(dict.fromkeys(_word(held) for held in value)) if plain else ""


def _quantity_cells(column: str, value: Quantity | None) -> Iterator[tuple[str, Cell]]:
    told = value.to_json() if value is not None else None
    for key, ending in (("value", ""), ("uncertainty", "_uncertainty"), ("limit", "_limit")):
        yield column + ending, None if told is None else told.get(key)


def _is_short(value: Any) -> bool:
    short = (str, int, float, Warning_)
    return isinstance(value, tuple) and all(held is None or isinstance(held, short) for held in value)


def _word(held: object) -> str:
    return held.code if isinstance(held, Warning_) else str(held)
