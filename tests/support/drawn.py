"""Which tests read a rendered scan: told by the names that a test, its helpers and its fixtures use.

Rendered is what the renderer draws for a test, and what it drew once: the scans of `sample_scans/`.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Final, TypeAlias

import pytest

from tests.renderer.render import render_bed

Code: TypeAlias = FunctionType | type
_ELSEWHERE: set[Code] = set()
"""What was followed to its end without meeting a rendered scan."""
_SAMPLES: Final = "sample_scans"


def is_rendered(item: pytest.Item) -> bool:
    """Return whether a test, or a fixture or function that it is passed, leads to a rendered scan."""
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
        if code is render_bed or _names_a_sample(code):
            return True
        if code not in seen and code not in _ELSEWHERE:
            seen.add(code)
            waiting += _code_in(_used_by(code))
    _ELSEWHERE.update(seen)
    return False


def _names_a_sample(code: Code) -> bool:
    if isinstance(code, type):
        return False
    words = set(_words_in(code.__code__))
    places = (code.__globals__.get(word) for word in words)
    return _SAMPLES in words or any(isinstance(place, Path) and place.name == _SAMPLES for place in places)


def _code_in(things: Iterable[object]) -> Iterator[Code]:
    """Yield the functions and classes of the tests among things, and among what a table or list of them holds."""
    for thing in things:
        if isinstance(thing, (dict, list, tuple)):
            yield from _code_in(thing.values() if isinstance(thing, dict) else thing)
            continue
        inner = inspect.unwrap(thing) if callable(thing) else thing
        inner = getattr(inner, "__func__", inner)
        if isinstance(inner, (FunctionType, type)) and inner.__module__.startswith("tests"):
            yield inner


def _used_by(code: Code) -> list[object]:
    if isinstance(code, type):
        return list(vars(code).values())
    names = set(_words_in(code.__code__))
    used = [code.__globals__[name] for name in names if name in code.__globals__]
    modules = [value for value in used if isinstance(value, ModuleType) and value.__name__.startswith("tests")]
    return used + [getattr(module, name) for module in modules for name in names if hasattr(module, name)]


def _words_in(code: CodeType) -> Iterator[str]:
    """Yield the names that code uses and the texts that stand in it."""
    yield from code.co_names
    yield from (text for text in code.co_consts if isinstance(text, str))
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            yield from _words_in(inner)
