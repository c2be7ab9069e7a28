"""The words that a person reads: phrases that read as if translated stay out of product, README and docs."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).resolve().parents[1]
PHRASES: Final = (
    "closes the loop",
    "does everything by itself",
    "switch the environment on",
    "Positive or negative does not matter",
    "how far the scanner can be trusted",
    "were found by themselves",
    "scatter about zero, are well",
    "software meddles",
    "is read back within",
    "does not tell the steps apart",
    "denser readings are only limits",
    "read back without it",
    "as none was stated",
    "; # is the aim",
    "common practice then develops",
    "as the difference asks for",
    "mend the exposure",
    "the frame lacks",
    "costs printing time",
    "within the doubt",
    "Almost certain a",
    "hair that stops light",
    "told from its surroundings",
    "rest on few codes",
    "Gray is read from",
    "is no box",
    "is no time",
    "is no subject",
    "must be said",
    "which wedge it is, in one way",
    "is out of reach;",
    "no calibration of the name",
    "the right time lies",
    "the right one lies",
    "rests on run",
    ", if at all",
    "no step is made larger",
    "range tells nothing of",
    "to be believed",
    "read now less true",
    "scanner is to be trusted",
    "no ISO speed",
    "from the speed point on give",
    "fell off",
    "the shortest in which the clear rebate",
    "cover a fifth more",
    "to the eye through",
    "go run by run",
    "more runs that were read",
    "take elsewhere",
    "Taken back:",
    "changes of runs",
    "once it is all written",
    "Watched;",
    "page to look at",
    "against the grades of paper",
    "picture is spread over densities",
    "From negative to negative",
    "no place yet",
    "keep this spot",
    "timed for the middle",
    "where it lies, 95 in 100",
    "its doubt shaded",
    "steps it goes through",
    "less curve",
    "How much density a difference",
    "it is no notebook",
    "is no exported",
    "is no document of",
    "let it end in",
    "in which no film is developed",
    "is nothing to aim at",
    "no temperature of a bath",
    "light can do that",
    "developer can do that",
    "which is no chance",
    "graded paper answers",
    "not told from the glass",
    "counted by voice so short",
    "stops are lost. Exposed",
    "where yours lies between the two",
    "as was said",
)


def pages() -> list[Path]:
    """Return all pages but the list of changes, which quotes what was."""
    return [ROOT / "README.md", *(page for page in sorted((ROOT / "docs").glob("*.md")) if page.name != "changes.md")]


def _documentation(tree: ast.Module) -> set[int]:
    """Return the docstrings of a module, which only its reader sees, by identity; those of commands are their help."""
    strings = (node.value for node in ast.walk(tree) if isinstance(node, ast.Expr))
    return {id(string) for string in strings if isinstance(string, ast.Constant)}


def strings_of(module: Path) -> Iterator[str]:
    """Yield what a module may show: its strings, those with figures in them as one, "#" for each figure."""
    tree = ast.parse(module.read_text(encoding="utf-8"))
    passed = _documentation(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield "".join(str(part.value) if isinstance(part, ast.Constant) else "#" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in passed:
            yield node.value


def shown() -> dict[str, str]:
    """Return everything that a person may read, by the file that it stands in, on one line each."""
    package = ROOT / "densiscan"
    texts = {page: page.read_text(encoding="utf-8") for page in [*pages(), *package.rglob("*.html")]}
    texts |= {module: "\n".join(strings_of(module)) for module in package.rglob("*.py")}
    return {str(path.relative_to(ROOT)): " ".join(text.split()).lower() for path, text in texts.items()}


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    return shown()


@pytest.mark.parametrize("phrase", PHRASES)
def test_a_phrase_that_was_rewritten_is_nowhere_read(phrase: str, texts: dict[str, str]) -> None:
    assert [name for name, text in texts.items() if phrase.lower() in text] == []


def test_what_is_searched_holds_what_a_person_reads(texts: dict[str, str]) -> None:
    assert "keep the same time" in texts["densiscan/development/verdict.py"]
    assert "activate the environment" in texts["README.md"]
    assert "check how far you can trust the scanner" in texts["docs/commands.md"]  # the help of a command
