"""The house is a test: data flows down the order, imports point up it, no module outgrows an evening's reading."""

from __future__ import annotations

import ast
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "densiscan"

ORDER = [
    *("errors", "blas", "writing", "arguments", "tables", "documents", "quantity", "results", "curves"),
    *("scan", "survey"),
    *(
        "wedge",
        "staircase",
        "steps",
        "glare",
        "findings",
        "calibration",
        "lamp",
        "calibrate",
        "calibration_file",
        "scanner",
    ),
    *("pieces", "frames", "apertures", "negative", "evenness"),
    *("film", "development", "paper", "batch", "notebook", "plots", "report"),
    *("sample", "demo", "cli"),
]
"""A stage of the trade each; it imports only from those before it. Siblings such as scan_png stand with scan."""

LINES = 500


def modules() -> list[Path]:
    return sorted(file for file in PACKAGE.glob("*.py") if not file.stem.startswith("__"))


def stage(module: str) -> str | None:
    """Return the stage a module belongs to: its own, or the one that its name begins with."""
    if module in ORDER:
        return module
    return next((name for name in ORDER if module.startswith(f"{name}_")), None)


def imported(file: Path) -> set[str]:
    """Names of the package's own modules that a module imports, late imports and those for types included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file.name} imports by dots; name densiscan in full"
            parts = (node.module or "").split(".")
            if parts[0] == "densiscan":
                found |= {parts[1]} if len(parts) > 1 else {name.name for name in node.names}
        elif isinstance(node, ast.Import):
            found |= {name.name.split(".")[1] for name in node.names if name.name.startswith("densiscan.")}
    return found - {"__version__"}


@pytest.mark.parametrize("file", modules(), ids=lambda file: file.stem)
def test_imports_point_up_the_order(file: Path) -> None:
    ours = stage(file.stem)
    assert ours is not None, f"{file.stem} has no place in the order: add it to ORDER here and in DEVELOPERS.md"
    above = ORDER[: ORDER.index(ours) + 1]
    below = sorted(name for name in imported(file) if stage(name) not in above)
    assert not below, f"{file.stem} imports {below}, which do not stand above it"


def test_imports_run_in_no_ring() -> None:
    assert list(TopologicalSorter({file.stem: imported(file) for file in modules()}).static_order())


@pytest.mark.parametrize("file", modules(), ids=lambda file: file.stem)
def test_no_module_passes_500_lines(file: Path) -> None:
    lines = len(file.read_text(encoding="utf-8").splitlines())
    assert lines <= LINES, f"{file.stem} has {lines} lines: split off a sibling named after the trade"


def test_the_renderer_shares_no_code_with_what_reads_it() -> None:
    for file in modules():
        if stage(file.stem) == "sample":
            others = {name for name in imported(file) if stage(name) != "sample"}
            assert others <= {"errors"}, f"{file.stem} imports {sorted(others)}"


def test_what_reads_shares_no_code_with_the_renderer() -> None:
    for file in modules():
        if stage(file.stem) not in {"sample", "demo", "cli"}:
            assert not [name for name in imported(file) if stage(name) == "sample"], file.stem


def test_no_module_is_a_drawer_for_everything() -> None:
    assert not {"core", "utils", "common", "misc"} & {file.stem for file in modules()}


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


@pytest.mark.parametrize("file", modules(), ids=lambda file: file.stem)
def test_nothing_read_can_become_a_program(file: Path) -> None:
    assert dangers_in(file.read_text(encoding="utf-8")) == []


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
