"""Which tests draw a scan: told by the names that a test, its helpers and its fixtures use."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Iterator
from types import CodeType, FunctionType, ModuleType
from typing import TypeAlias

import pytest

from tests.renderer.render import render_bed

Code: TypeAlias = FunctionType | type
_ELSEWHERE: set[Code] = set()
"""What was followed to its end without meeting the renderer."""


def is_rendered(item: pytest.Item) -> bool:
    """Return whether a test, or a fixture or function that it is passed, leads to the renderer."""
    if not isinstance(item, pytest.Function):
        return False
    fixtures = [made.func for of_one_name in item._fixtureinfo.name2fixturedefs.values() for made in of_one_name]
    passed = item.callspec.params.values() if hasattr(item, "callspec") else ()
    return _lead_to_the_renderer([item.obj, *fixtures, *passed])


def _lead_to_the_renderer(things: Iterable[object]) -> bool:
    seen: set[Code] = set()
    waiting = list(_code_in(things))
    while waiting:
        code = waiting.pop()
        if code is render_bed:
            return True
        if code not in seen and code not in _ELSEWHERE:
            seen.add(code)
            waiting += _code_in(_used_by(code))
    _ELSEWHERE.update(seen)
    return False


def _code_in(things: Iterable[object]) -> Iterator[Code]:
    """Yield the functions and classes of the tests among things."""
    for thing in things:
        inner = inspect.unwrap(thing) if callable(thing) else thing
        inner = getattr(inner, "__func__", inner)
        if isinstance(inner, (FunctionType, type)) and inner.__module__.startswith("tests"):
            yield inner


def _used_by(code: Code) -> list[object]:
    if isinstance(code, type):
        return list(vars(code).values())
    names = set(_names_in(code.__code__))
    used = [code.__globals__[name] for name in names if name in code.__globals__]
    modules = [value for value in used if isinstance(value, ModuleType) and value.__name__.startswith("tests")]
    return used + [getattr(module, name) for module in modules for name in names if hasattr(module, name)]


def _names_in(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            yield from _names_in(inner)
