"""A page with Python on it, played as a notebook: each section from an empty one, its cells in order.

A cell is a block fenced as python. A block fenced as text right below is what it prints, and the value of its last line
where that is an expression. Where pandas is not installed a stand-in of a few lines shows the same numbers.

python -m tests.support.session   writes the outputs of docs/api.md anew
"""

from __future__ import annotations

import ast
import io
import re
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import chdir, contextmanager, redirect_stdout
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import matplotlib as mpl
from matplotlib import pyplot as plt

ROOT: Final = Path(__file__).resolve().parents[2]
PAGE: Final = ROOT / "docs" / "api.md"
_CELL: Final = re.compile(
    r"^```python\n(?P<code>.*?)^```$(?:\n\n```text\n(?P<shown>.*?)^```$)?|^## (?P<heading>[^\n]+)$",
    re.MULTILINE | re.DOTALL,
)
NEGATIVES: Final = ("dense.tif", "leak.tif", "normal.tif", "thin.tif", "underdeveloped.tif")


@dataclass(frozen=True, kw_only=True)
class Cell:
    """Code of a section, what is shown below it (None where nothing is), and where that stands on the page."""

    section: str
    code: str
    shown: str | None
    place: tuple[int, int]


def cells_on(text: str) -> list[Cell]:
    cells, section = [], ""
    for found in _CELL.finditer(text):
        section = found["heading"] or section
        if found["code"] is not None:
            cells.append(Cell(section=section, code=found["code"], shown=found["shown"], place=found.span("shown")))
    return cells


def lay_out(folder: Path) -> None:
    """Lay out what the page says lies there: the wedge, and a folder of negatives."""
    samples = ROOT / "sample_scans"
    (folder / "spring").mkdir()
    for name in ("wedge.tif", "wedge.csv"):
        shutil.copy(samples / name, folder)
    for name in NEGATIVES:
        shutil.copy(samples / name, folder / "spring")


def said_by(code: str, known: dict[str, Any]) -> str:
    """Run a cell and return what a notebook shows of it."""
    body = ast.parse(code).body
    last = body.pop() if isinstance(body[-1], ast.Expr) else None
    out = io.StringIO()
    with redirect_stdout(out):
        exec(compile(ast.Module(body, []), str(PAGE), "exec"), known)  # noqa: S102 - our own page
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), str(PAGE), "eval"), known)  # noqa: S307 - likewise
            if value is not None:
                out.write(f"{value!r}\n")
    return out.getvalue()


class _Frame:
    """As much of a table as the page uses: columns by name, decimals, and a plain picture of it."""

    def __init__(self, rows: Iterable[Mapping[str, Any]]) -> None:
        self.rows = list(rows)

    def __getitem__(self, columns: list[str]) -> _Frame:
        return _Frame({name: row[name] for name in columns} for row in self.rows)

    def round(self, decimals: int) -> _Frame:
        return _Frame(
            {name: f"{cell:.{decimals}f}" if isinstance(cell, float) else cell for name, cell in row.items()}
            for row in self.rows
        )

    def __repr__(self) -> str:
        lines = [" ".join(self.rows[0]), *(" ".join(map(str, (n, *row.values()))) for n, row in enumerate(self.rows))]
        return "\n".join(lines)


HAS_PANDAS: Final = find_spec("pandas") is not None


@contextmanager
def _tables() -> Iterator[None]:
    """Let the stand-in be imported where there is no pandas."""
    if HAS_PANDAS:
        yield
        return
    module = sys.modules["pandas"] = ModuleType("pandas")
    module.DataFrame = _Frame  # type: ignore[attr-defined]
    try:
        yield
    finally:
        del sys.modules["pandas"]


def played(text: str) -> Iterator[tuple[Cell, str]]:
    """Yield each cell of a page with what it says, standing in a folder that is laid out as the page has it."""
    with tempfile.TemporaryDirectory() as folder, chdir(folder), mpl.rc_context({"backend": "agg"}):
        lay_out(Path(folder))
        sections: dict[str, dict[str, Any]] = {}
        for cell in cells_on(text):
            with _tables():
                yield cell, said_by(cell.code, sections.setdefault(cell.section, {"__name__": "session"}))
        plt.close("all")


def main() -> int:
    text = PAGE.read_text(encoding="utf-8")
    for cell, said in reversed(list(played(text))):
        if cell.shown is not None:
            first, last = cell.place
            text = text[:first] + said + text[last:]
    PAGE.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
