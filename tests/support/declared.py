"""Whether what stands in a result is of the very type that the result declares: a float, not a whole number."""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Union, get_args, get_origin

from tests.test_shelf import hints_of

PLAIN = (float, int, bool, str)


def otherwise_than_declared(value: Any, declared: Any = None, place: str = "") -> Iterator[str]:
    """Yield where a number stands that is of another type than declared; numpy's own numbers are another type."""
    if is_dataclass(value) and not isinstance(value, type):
        hints = hints_of(type(value))
        for one in fields(value):
            where = f"{type(value).__name__}.{one.name}"
            yield from otherwise_than_declared(getattr(value, one.name), hints[one.name], where)
        return
    kinds = get_args(declared) if get_origin(declared) in {Union, types.UnionType} else (declared,)
    plain = [kind for kind in kinds if kind in PLAIN]
    if isinstance(value, tuple) and not hasattr(value, "_fields"):
        whole = next((kind for kind in kinds if get_origin(kind) is tuple), None)
        parts = get_args(whole) if whole is not None else ()
        for number, part in enumerate(value):
            kind = None if not parts else parts[0] if Ellipsis in parts else parts[number]
            yield from otherwise_than_declared(part, kind, place)
    elif isinstance(value, Mapping):
        inside = next((get_args(kind)[1] for kind in kinds if len(get_args(kind)) == 2), None)
        for part in value.values():
            yield from otherwise_than_declared(part, inside, place)
    elif plain and value is not None and type(value) not in plain and not hasattr(value, "shape"):
        yield f"{place}: {value!r} is {type(value).__name__}"
    elif plain and hasattr(value, "dtype"):
        yield f"{place}: {value!r} is numpy's"
