"""The public shelf holds every name that a person meets: what is called, what comes back, what stands in it."""

from __future__ import annotations

import ast
import doctest
import inspect
import shutil
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any, Literal, get_args, get_origin, get_type_hints, is_typeddict

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot as plt

import densiscan
from densiscan import errors

NAMES = [name for name in densiscan.__all__ if name != "__version__"]
FUNCTIONS = [name for name in NAMES if inspect.isfunction(getattr(densiscan, name))]
CLASSES = [name for name in NAMES if inspect.isclass(getattr(densiscan, name))]


@cache
def for_types_only(module: ModuleType) -> dict[str, Any]:
    """Return what a module imports for the type checker alone: annotations may name it."""
    tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
    guarded = [node for branch in tree.body if isinstance(branch, ast.If) for node in branch.body]
    return {
        name.asname or name.name: getattr(import_module(str(node.module)), name.name)
        for node in guarded
        if isinstance(node, ast.ImportFrom)
        for name in node.names
    }


def hints_of(thing: Any) -> dict[str, Any]:
    return get_type_hints(thing, localns=for_types_only(import_module(thing.__module__)))


def classes_in(annotation: Any) -> Iterator[type]:
    """Yield the classes of this house that an annotation names, however deep."""
    if get_origin(annotation) is Literal:
        return
    if inspect.isclass(annotation) and annotation.__module__.startswith("densiscan"):
        yield annotation
    for part in get_args(annotation):
        for piece in part if isinstance(part, list) else [part]:
            yield from classes_in(piece)


def is_protocol(kind: type) -> bool:
    return getattr(kind, "_is_protocol", False) or is_typeddict(kind)


def methods(kind: type) -> Iterator[Any]:
    for name, member in vars(kind).items():
        if not name.startswith("_"):
            function = member.fget if isinstance(member, property) else getattr(member, "__func__", member)
            if inspect.isfunction(function):
                yield function


def met_by_way_of(thing: Any) -> Iterator[type]:
    """Yield the classes that a function takes or gives, or that a result shows and its methods give."""
    if inspect.isfunction(thing):
        for annotation in hints_of(thing).values():
            yield from classes_in(annotation)
        return
    if is_dataclass(thing):
        hints = hints_of(thing)
        for one in fields(thing):
            yield from classes_in(hints[one.name]) if one.repr else ()
    for function in methods(thing):
        yield from classes_in(hints_of(function).get("return"))


@pytest.mark.parametrize("name", NAMES)
def test_every_class_that_a_person_meets_is_on_the_shelf(name: str) -> None:
    thing = getattr(densiscan, name)
    if inspect.isclass(thing) and issubclass(thing, Exception):
        return
    shelf = {getattr(densiscan, name) for name in NAMES}
    missing = {kind.__name__ for kind in met_by_way_of(thing) if not is_protocol(kind)} - {
        kind.__name__ for kind in shelf
    }
    assert missing == set()


def test_a_class_that_is_missing_is_seen() -> None:
    kinds = set(met_by_way_of(densiscan.measure_scan)) | set(met_by_way_of(densiscan.Reading))
    assert {densiscan.Reading, densiscan.Scan, densiscan.Calibration, densiscan.Spot, densiscan.Quantity} <= kinds
    assert set(met_by_way_of(densiscan.open_notebook)) == {densiscan.Notebook}
    assert densiscan.Run in set(met_by_way_of(densiscan.Notebook))


def test_every_error_is_on_the_shelf() -> None:
    tree = {name for name, kind in vars(errors).items() if inspect.isclass(kind) and issubclass(kind, Exception)}
    assert tree - set(NAMES) == set()


def test_a_name_is_the_name_of_one_class() -> None:
    assert {name: getattr(densiscan, name).__name__ for name in CLASSES} == {name: name for name in CLASSES}


def taken_by(thing: Any) -> Iterator[tuple[str, Any]]:
    """Yield what a function, or the methods of a class, take: parameter and annotation."""
    if inspect.isclass(thing):
        made = [] if is_dataclass(thing) or issubclass(thing, Exception) else [vars(thing).get("__init__")]
        functions = [one for one in (*methods(thing), *made) if inspect.isfunction(one)]
    else:
        functions = [thing]
    for function in functions:
        for name, annotation in hints_of(function).items():
            if name != "return":
                yield f"{function.__qualname__}({name})", annotation


@pytest.mark.parametrize("name", FUNCTIONS + CLASSES)
def test_a_path_may_be_a_text_wherever_one_is_taken(name: str) -> None:
    narrow = {place for place, kind in taken_by(getattr(densiscan, name)) if Path in (kind, *get_args(kind))}
    assert narrow == set()


# Each public docstring has a worked example, and what it says comes out.

SAMPLES = Path(__file__).resolve().parents[1] / "sample_scans"
IN_HAND = {
    *("Advice", "Assessment", "BatchResult", "Calibration", "Circumstances", "CurvePoint", "Failure", "FilmTest"),
    *("Influence", "Label", "MeasureOptions", "PaperPoint", "PaperTest", "Plan", "PrintAim", "Quantity", "Reading"),
    *("Run", "Scan", "Task", "Wedge"),
}
"""What a person makes or is given by a function; the other classes stand in these, or are errors."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with some sample scans, and the calibration `mine.json` of the wedge among them."""
    there = tmp_path_factory.mktemp("session")
    for name in ("wedge.tif", "wedge.csv", "normal.tif", "thin.tif"):
        shutil.copy(SAMPLES / name, there)
    label = densiscan.Label(name="mine", created="2026-03-01T19:30:00+00:00")
    wedge = densiscan.read_wedge(there / "wedge.csv")
    calibration = densiscan.calibrate_scan(densiscan.open_scan(there / "wedge.tif"), wedge, label=label)
    densiscan.write_calibration(calibration, there / "mine.json")
    return there


def docstrings(name: str) -> Iterator[tuple[str, str]]:
    """Yield the docstring of a public name and those of its methods."""
    thing = getattr(densiscan, name)
    yield name, thing.__doc__ or ""
    for function in methods(thing) if inspect.isclass(thing) else ():
        yield f"{name}.{function.__name__}", function.__doc__ or ""


@pytest.mark.parametrize("name", FUNCTIONS + CLASSES)
def test_the_examples_in_docstrings_say_what_comes_out(
    name: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    known = {one: getattr(densiscan, one) for one in NAMES} | {"np": np}
    said: list[str] = []
    with mpl.rc_context({"backend": "agg"}):
        for place, text in docstrings(name):
            example = doctest.DocTestParser().get_doctest(text, known, place, None, None)
            doctest.DocTestRunner(optionflags=doctest.FAIL_FAST).run(example, out=said.append)
        plt.close("all")
    assert "".join(said) == ""


@pytest.mark.parametrize("name", [*FUNCTIONS, *sorted(IN_HAND)])
def test_every_public_docstring_has_an_example(name: str) -> None:
    assert ">>> " in dict(docstrings(name))[name]


def test_an_example_that_is_wrong_is_seen() -> None:
    said: list[str] = []
    example = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, None)
    doctest.DocTestRunner().run(example, out=said.append)
    assert "Expected:\n    3" in "".join(said)
