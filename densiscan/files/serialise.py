"""Any result as plain Python and back: the whole of it, a document of a layout, one row of a table; a result read back.

Results are dataclasses that hold numbers, texts, quantities, and other results. All functions go by that alone: a new
result needs nothing of its own, a new document one line of names for each class in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from functools import lru_cache
from os import PathLike
from types import MappingProxyType, NoneType
from typing import Any, Final, TypeAlias, TypeVar, get_args, get_origin, get_type_hints

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_, read_back
from densiscan.files.atomic import as_text
from densiscan.files.documents import flag_of, number_of, numbers_of, text_of, whole_of

Cell: TypeAlias = str | float | bool | None
"""What stands in one cell of a table; a float where it is a number, int where it is a whole one."""

Layout: TypeAlias = Mapping[str, str | Callable[[Any], object]]
"""What a document has of each class, by the class's name; `as_document` says how it is written."""

Bounds: TypeAlias = Mapping[str, tuple[float, float]]
"""Least and largest value of the numbers in a result, by class and field, such as `StepReading.signal`."""

_Words: TypeAlias = tuple[tuple[tuple[str, ...], tuple[str, ...], bool], ...]
_Result = TypeVar("_Result")
_ANY: Final = (-1e12, 1e12)
_ALL: Final[Layout] = MappingProxyType({})
_SOURCE: Final = Influence("document")
_NONE: Final[Bounds] = MappingProxyType({})


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
    document = plain(result)
    if not isinstance(document, dict):
        message = f"{type(result).__name__} is no result; one field after another is needed to make a dictionary"
        raise TypeError(message)
    return document


def as_document(result: object, layout: Layout, **first: object) -> dict[str, Any]:
    """Return a result as a document: what stands `first` in it, then what its layout lays out.

    Parameters
    ----------
    layout
        For a class the words that say what its document has, in that order: `name`, a field or property; `name=field`,
        one that is called otherwise in the document; `name?`, left out where it is None or empty. A field may be a
        path, `worst.difference`, which is null where something on the way is None, and goes through each of a tuple; a
        dot in a name makes an object of its own. Under `Class.name` a function of the result may give what is written
        under that name. A class that is not in the layout is written as `as_dict` does.

    Raises
    ------
    AttributeError, TypeError
        If the layout names what there is not, or the result holds something that is none.
    """
    document: dict[str, Any] = plain(first, layout) | plain(result, layout)
    return document


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


def plain(value: object, layout: Layout = _ALL) -> Any:
    """Return a result, or what stands in one, as plain Python; `as_document` says what the layout is.

    Raises
    ------
    AttributeError, TypeError
        If the layout names what there is not, or the value is no part of a result.
    """
    if value is None or isinstance(value, str | bool | int):
        return value.value if isinstance(value, Enum) else value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Quantity | Warning_):
        return value.to_json()
    if isinstance(value, PathLike):
        return as_text(value)
    return _plain_whole(value, layout)


def _plain_whole(value: Any, layout: Layout) -> Any:
    if _is_result(value):
        return _laid_out(value, layout)
    if isinstance(value, Mapping):
        return {str(plain(name, layout)): plain(held, layout) for name, held in value.items()}
    if hasattr(value, "tolist"):  # an array or a number of numpy, which is not imported for it
        return plain(value.tolist(), layout)
    if isinstance(value, Iterable) and not isinstance(value, bytes):
        return [plain(held, layout) for held in value]
    message = f"{type(value).__name__} is no result and no part of one"
    raise TypeError(message)


def _laid_out(result: Any, layout: Layout) -> dict[str, Any]:
    line = layout.get(type(result).__name__)
    if line is None:
        return {name: plain(held, layout) for name, held, _ in _told(result)}
    document: dict[str, Any] = {}
    for names, path, may_be_missing in _words_of(str(line)):
        given = layout.get(f"{type(result).__name__}.{'.'.join(names)}")
        held = given(result) if callable(given) else _held(result, path)
        if may_be_missing and (held is None or held == ()):
            continue
        inner = document
        for name in names[:-1]:
            inner = inner.setdefault(name, {})
        inner[names[-1]] = plain(held, layout)
    return document


def _held(result: Any, path: Sequence[str]) -> Any:
    """Return what a result holds at the end of a path; None where something on the way is."""
    for number, step in enumerate(path):
        if type(result) is tuple:
            return tuple(_held(one, path[number:]) for one in result)
        if result is None:
            return None
        result = getattr(result, step)
    return result


@lru_cache
def _words_of(line: str) -> _Words:
    """Return of each word the names in the document, the path to what stands there, and whether it may be missing."""
    words = []
    for word in line.split():
        name, _, path = word.partition("=")
        plain_name = name.rstrip("?")
        words.append((tuple(plain_name.split(".")), tuple((path or plain_name).split(".")), name != plain_name))
    return tuple(words)


def read_result(
    kind: type[_Result], document: object, layout: Layout = _ALL, *, bounds: Bounds = _NONE, source: Influence = _SOURCE
) -> _Result:
    """Return the result that `as_document` wrote by that layout, each value of the kind that its class declares.

    Parameters
    ----------
    bounds
        Of the numbers in it; of a quantity's value likewise.
    source
        What makes the quantities in it uncertain: they are independent of each other from here on.

    Raises
    ------
    KeyError
        If a value is missing that its class has no default for.
    TypeError, ValueError
        If a value is of another kind or beyond its bounds, or the class does not take it.
    """
    result: _Result = _Reader(layout, bounds, source).result(kind, document, "")
    return result


class _Reader:
    def __init__(self, layout: Layout, bounds: Bounds, source: Influence) -> None:
        self.layout, self.bounds, self.source = layout, bounds, source

    def result(self, kind: Any, document: object, place: str) -> Any:
        """Return a result of that class; `place` says where in the whole document it stands."""
        line = self.layout.get(kind.__name__, " ".join(one.name for one in fields(kind)))
        if not isinstance(document, Mapping):
            raise TypeError(f"{place or 'the whole'} must be an object")
        return self.filled(kind, _words_of(str(line)), document, place)

    def filled(self, kind: Any, words: _Words, document: Mapping[str, Any], place: str) -> Any:
        """Return a result of that class, its fields where the words say that they stand."""
        hints, values = _hints_of(kind), {}
        for one in fields(kind):
            own = tuple((names, path[1:], missing) for names, path, missing in words if path[0] == one.name)
            if own and own[0][1]:
                values[one.name] = self.filled(hints[one.name], own, document, place)
            elif own:
                *outer, name = own[0][0]
                holder: Any = document
                for step in outer:
                    holder = holder[step]
                if name in holder or (one.default is MISSING and one.default_factory is MISSING):
                    bounds = self.bounds.get(f"{kind.__name__}.{one.name}", _ANY)
                    values[one.name] = self.value(hints[one.name], holder, name, place, bounds)
        return kind(**values)

    def value(self, hint: Any, holder: Any, name: Any, place: str, bounds: tuple[float, float]) -> Any:
        """Return the value of that name, of the kind that its type hint says."""
        kind = _kind_of(hint)
        if holder[name] is None and kind is not hint:
            return None
        if kind in _NUMBERS:
            return _NUMBERS[kind](holder, name, *bounds)
        if kind in _WORDS:
            return _WORDS[kind](holder, name)
        place = f"{place} {name}".strip()
        if kind is Quantity:
            return self.quantity(holder[name], place, bounds)
        if get_origin(kind) is tuple:
            return self.row(get_args(kind), holder, name, place, bounds)
        return _one_of(get_args(kind), holder, name) if get_origin(kind) else self.result(kind, holder[name], place)

    def row(
        self, kinds: tuple[Any, ...], holder: Any, name: Any, place: str, bounds: tuple[float, float]
    ) -> tuple[Any, ...]:
        """Return a tuple of numbers, or of others each of the first kind."""
        if kinds[0] is float:
            return numbers_of(holder, name, *bounds, count=None if kinds[-1] is Ellipsis else len(kinds))
        held: Any = holder[name]
        if not isinstance(held, list):
            raise TypeError(f"{name} must be a list")
        return tuple(self.value(kinds[0], held, number, place, bounds) for number in range(len(held)))

    def quantity(self, held: Any, place: str, bounds: tuple[float, float]) -> Quantity | None:
        """Return a quantity, its doubt under an influence of its own."""
        if not isinstance(held, Mapping):
            raise TypeError(f"{place} must be an object")
        number_of(held, "value", *bounds)
        if held["uncertainty"] is not None:
            number_of(held, "uncertainty", 0.0, _ANY[1])
        return read_back(held, Influence(self.source.kind, f"{self.source.key} {place}".strip()))


_NUMBERS: Final[Mapping[Any, Callable[..., float]]] = {float: number_of, int: whole_of}
_WORDS: Final[Mapping[Any, Callable[..., str | bool]]] = {str: text_of, bool: flag_of}


@lru_cache
def _hints_of(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _kind_of(hint: Any) -> Any:
    """Return the kind of a value that may be None, without that."""
    kinds = [one for one in get_args(hint) if one is not NoneType]
    return kinds[0] if NoneType in get_args(hint) and len(kinds) == 1 else hint


def _one_of(words: tuple[str, ...], holder: Mapping[str, Any], name: str) -> str:
    word = text_of(holder, name)
    if word not in words:
        raise ValueError(f"{name} must be one of {', '.join(words)}")
    return word


def _cells(result: object, before: str) -> Iterator[tuple[str, Cell]]:
    for name, value, kind in _told(result):
        column = f"{before}{name}"
        if isinstance(value, Quantity) or (value is None and kind.startswith("Quantity")):
            yield from _quantity_cells(column, value)
        elif _is_result(value):
            yield from _cells(value, f"{column}_")
        else:
            one = plain(value)
            if not isinstance(one, dict | list):
                yield column, one
            elif _is_short(value):
                yield column, " ".join(dict.fromkeys(_word(held) for held in value)) if one else ""


def _quantity_cells(column: str, value: Quantity | None) -> Iterator[tuple[str, Cell]]:
    told = value.to_json() if value is not None else None
    for key, ending in (("value", ""), ("uncertainty", "_uncertainty"), ("limit", "_limit")):
        yield column + ending, None if told is None else told.get(key)


def _is_short(value: Any) -> bool:
    short = (str, int, float, Warning_)
    return isinstance(value, tuple) and all(held is None or isinstance(held, short) for held in value)


def _word(held: object) -> str:
    return held.code if isinstance(held, Warning_) else str(held)
