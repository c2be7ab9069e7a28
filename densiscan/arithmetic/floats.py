"""What is declared a float is one, whatever kind of number a person gave for it."""

from __future__ import annotations

import re
from dataclasses import fields
from functools import cache
from numbers import Real
from typing import Any, Final

_FLOAT: Final = re.compile(r"\b(float|BoxMm)\b")


def keep_floats(result: Any) -> None:
    """Turn the numbers in the fields of a new dataclass that are declared floats, or tuples of them, into floats.

    Whole numbers and those of numpy are meant: 20 C is as good as 20.0 C, and a list as a tuple. For `__post_init__`.
    """
    kind: Any = type(result)
    for name in _declared(kind):
        object.__setattr__(result, name, _floats(getattr(result, name)))


@cache
def _declared(kind: type) -> tuple[str, ...]:
    return tuple(one.name for one in fields(kind) if _FLOAT.search(str(one.type)))


def _floats(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return tuple(map(_floats, value))
    return float(value) if isinstance(value, Real) else value
