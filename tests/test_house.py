"""The house is a test: data flows down the packages, imports go by the doors, no module outgrows an evening."""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from importlib import import_module
from pathlib import Path

import pytest

from densiscan.cli.arguments import OPTIONS, in_options
from densiscan.errors import in_words

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "densiscan"

ORDER = [
    *("errors", "arithmetic", "files", "scan", "wedge", "calibration", "negative"),
    *("film", "development", "paper", "batch", "notebook", "report", "desk", "cli"),
]
"""One stage of the trade each; a module imports only from its own and from those before it."""

LINES = 500
DOOR_LINES = 20
ENTRIES = 20


def python_files(folder: Path) -> list[Path]:
    return sorted(file for file in folder.rglob("*.py") if not file.stem.startswith("__"))


def address(file: Path) -> str:
    """Return a module's name from its place, such as densiscan.scan.survey."""
    return ".".join(file.relative_to(ROOT).with_suffix("").parts)


MODULES = python_files(PACKAGE)
ADDRESSES = {address(file) for file in MODULES}
PACKAGES = {
    address(door.parent) for door in PACKAGE.rglob("__init__.py") if door.parent != PACKAGE and door.parent.is_dir()
}


@cache
def tree_of(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"))


def imports_in(file: Path) -> Iterator[tuple[str, str]]:
    """Yield the modules that a file imports and the names it takes, late imports and those for types included."""
    for node in ast.walk(tree_of(file)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file.name} imports by dots; name densiscan in full"
            module = node.module or ""
            for name in node.names:
                whole = f"{module}.{name.name}"
                yield (whole, "") if whole in ADDRESSES | PACKAGES else (module, name.name)
        elif isinstance(node, ast.Import):
            yield from ((name.name, "") for name in node.names)


def ours(file: Path) -> set[str]:
    return {module for module, _ in imports_in(file) if module in ADDRESSES}


def stage(module: str) -> str:
    return module.split(".")[1]


def test_every_package_has_its_place_in_the_order() -> None:
    assert {stage(module) for module in ADDRESSES} == set(ORDER)


@pytest.mark.parametrize("file", MODULES, ids=address)
def test_imports_point_up_the_order(file: Path) -> None:
    above = ORDER[: ORDER.index(stage(address(file))) + 1]
    assert [module for module in ours(file) if stage(module) not in above] == []


def test_imports_run_in_no_ring() -> None:
    assert list(TopologicalSorter({address(file): ours(file) for file in MODULES}).static_order())


@pytest.mark.parametrize("file", [*MODULES, PACKAGE / "__init__.py", PACKAGE / "__main__.py"], ids=address)
def test_what_is_imported_from_another_package_stands_at_its_door(file: Path) -> None:
    for module in ours(file):
        package, _, name = module.rpartition(".")
        if package != "densiscan" and not address(file).startswith(f"{package}."):
            assert name in import_module(package).__all__, f"{name} is not at the door of {package}"


@pytest.mark.parametrize("file", MODULES, ids=address)
def test_no_underscored_name_is_imported(file: Path) -> None:
    private = [f"{module}.{name}" for module, name in imports_in(file) if module in ADDRESSES and name.startswith("_")]
    assert private == []


@pytest.mark.parametrize(
    "package",
    sorted(PACKAGES - {"densiscan.report.page.templates", "densiscan.desk.templates", "densiscan.desk.static"}),
)
def test_a_door_is_short_and_names_what_is_there(package: str) -> None:
    door = ROOT.joinpath(*package.split(".")) / "__init__.py"
    assert len(door.read_text(encoding="utf-8").splitlines()) < DOOR_LINES
    assert list(imports_in(door)) == []
    for name in import_module(package).__all__:
        assert f"{package}.{name}" in ADDRESSES


def test_the_house_is_seen_at_one_glance() -> None:
    assert len([entry for entry in PACKAGE.iterdir() if entry.name != "__pycache__"]) <= ENTRIES


@pytest.mark.parametrize("file", MODULES, ids=address)
def test_no_module_passes_500_lines(file: Path) -> None:
    lines = len(file.read_text(encoding="utf-8").splitlines())
    assert lines <= LINES, f"{address(file)} has {lines} lines: split off a sibling named after the trade"


def test_a_class_name_stands_once() -> None:
    names = Counter(node.name for file in MODULES for node in ast.walk(tree_of(file)) if isinstance(node, ast.ClassDef))
    assert {name for name, times in names.items() if times > 1} == set()


OPTIONS_IN_THE_CORE = {
    "calibration.channels": 1,
    "calibration.check.bed": 1,
    "calibration.make": 2,
    "calibration.trust": 1,
    "negative.parts": 1,
    "notebook.materials": 1,
    "notebook.notebook": 1,
    "notebook.transfer": 1,
    "paper.file": 1,
    "paper.from_scan": 1,
    "scan.formats.tiff": 2,
    "scan.resolution": 2,
    "scan.scan": 3,
    "scan.survey": 1,
    "wedge.wedge": 1,
}
"""How many texts of raised errors below cli still name an option or a command of it. The list may only shrink."""


def raised_texts(file: Path) -> Iterator[str]:
    for node in ast.walk(tree_of(file)):
        if isinstance(node, ast.Raise):
            texts = (part.value for part in ast.walk(node) if isinstance(part, ast.Constant))
            yield from (text for text in texts if isinstance(text, str))


def test_an_error_of_the_core_names_a_field_and_not_an_option() -> None:
    below = [file for file in MODULES if stage(address(file)) != "cli"]
    options = {
        address(file).removeprefix("densiscan."): sum("--" in text for text in raised_texts(file)) for file in below
    }
    assert {module for module, count in options.items() if count > OPTIONS_IN_THE_CORE.get(module, 0)} == set()


def test_the_command_line_has_an_option_for_each_field_that_an_error_names() -> None:
    fields = {field for file in MODULES for text in raised_texts(file) for field in re.findall("`([a-z_]+)`", text)}
    assert fields
    assert fields <= OPTIONS.keys()
    assert in_words("`temperature_c` 90 is not one, nor `scene_stops` 30.") == (
        "temperature 90 is not one, nor scene stops 30."
    )
    assert in_options("`temperature_c` 90 is not one; leave out `none_such`.") == (
        "--temp 90 is not one; leave out `none_such`."
    )


RENDERER = [file for file in (ROOT / "tests" / "renderer").glob("*.py") if not file.stem.startswith("test_")]


def test_the_renderer_shares_no_code_with_what_reads_it() -> None:
    assert RENDERER
    for file in RENDERER:
        assert ours(file) <= {"densiscan.errors"}, file.name


def test_the_product_imports_nothing_of_the_tests() -> None:
    for file in [*MODULES, *PACKAGE.glob("__*.py")]:
        assert not [module for module, _ in imports_in(file) if module.split(".")[0] == "tests"], file


def test_no_module_is_a_drawer_for_everything() -> None:
    names = {part for module in ADDRESSES for part in module.split(".")}
    assert not {"core", "utils", "common", "misc"} & names


DANGEROUS_MODULES = {"code", "codeop", "dill", "joblib", "marshal", "pickle", "shelve", "subprocess", "yaml"}
DANGEROUS_CALLS = {"__import__", "compile", "eval", "exec", "input"}
DANGEROUS_NAMES = {"system", "popen", "allow_pickle", "shell"}
"""What could run words from a file or a name as a program: pickles, code made of text, a shell."""


def dangers_in(source: str) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names if name.name.split(".")[0] in DANGEROUS_MODULES]
        elif isinstance(node, ast.ImportFrom):
            module = (node.module or "").split(".")[0]
            found += [module] if module in DANGEROUS_MODULES else []
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in DANGEROUS_CALLS:
            found.append(node.func.id)
        elif isinstance(node, ast.Attribute) and node.attr in DANGEROUS_NAMES:
            found.append(node.attr)
        elif isinstance(node, ast.keyword) and node.arg in DANGEROUS_NAMES:
            found.append(node.arg)
    return found


RUNS_DENSISCAN = {"densiscan.desk.acts": ["subprocess"]}
"""What runs densiscan itself as a process of its own: no shell, and every name one word."""


@pytest.mark.parametrize("file", MODULES, ids=address)
def test_nothing_read_can_become_a_program(file: Path) -> None:
    assert dangers_in(file.read_text(encoding="utf-8")) == RUNS_DENSISCAN.get(address(file), [])


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from subprocess import run",
        "def f():\n    import yaml.reader",
        "eval('1')",
        "import os\nos.system('ls')",
        "numpy.load(file, allow_pickle=True)",
    ],
)
def test_a_danger_is_seen(source: str) -> None:
    assert len(dangers_in(source)) == 1
