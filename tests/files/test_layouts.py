"""Every layout of a document names classes, fields and properties that there are, so that no renamed one is missed."""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import is_dataclass
from types import ModuleType

import pytest

import densiscan


def modules() -> list[ModuleType]:
    names = (one.name for one in pkgutil.walk_packages(densiscan.__path__, "densiscan."))
    return [importlib.import_module(name) for name in names if not name.endswith("__main__")]


MODULES = modules()
CLASSES = [
    held
    for module in MODULES
    for held in vars(module).values()
    if isinstance(held, type) and is_dataclass(held) and held.__module__ == module.__name__
]
LAID_OUT = [
    pytest.param(cls, words, layout, id=f"{module.__name__}-{cls}")
    for module in MODULES
    if isinstance(layout := getattr(module, "_LAYOUT", None), dict)
    for cls, words in layout.items()
    if isinstance(words, str)
]


@pytest.mark.parametrize(("cls", "words", "layout"), LAID_OUT)
def test_a_layout_names_what_there_is(cls: str, words: str, layout: dict[str, object]) -> None:
    fields = [
        (path or name).rstrip("?").split(".")[0]
        for name, _, path in (word.partition("=") for word in words.split())
        if f"{cls}.{name}" not in layout
    ]
    if cls == "PaperTest":
        fields = [field for field in fields if field != "created"]  # a paper test is told when it is written
    assert any(one.__name__ == cls and all(hasattr(one, field) for field in fields) for one in CLASSES)


def test_a_function_of_a_layout_gives_a_name_that_is_written() -> None:
    for module in MODULES:
        layout = getattr(module, "_LAYOUT", {})
        for key, held in layout.items() if isinstance(layout, dict) else ():
            cls, _, name = key.partition(".")
            if not isinstance(held, str):
                assert any(word.partition("=")[0].rstrip("?") == name for word in layout[cls].split()), key
