"""The public shelf: complete, late, typed, and its worked examples do what they say."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import densiscan

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "api.md"
EXAMPLES = re.findall(
    r"^```python\n(.*?)^```\n\n```text\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
)


def test_everything_on_the_shelf_is_there_with_a_docstring() -> None:
    for name in densiscan.__all__:
        if name != "__version__":
            assert (getattr(densiscan, name).__doc__ or "").strip(), name
    assert set(dir(densiscan)) == set(densiscan.__all__)


def test_what_is_not_on_the_shelf_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'measure_everything'"):
        _ = densiscan.measure_everything


def test_the_shelf_is_filled_late() -> None:
    code = "import sys, densiscan; assert 'numpy' not in sys.modules; densiscan.Quantity; densiscan.open_scan"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_package_says_that_it_is_typed() -> None:
    assert (ROOT / "densiscan" / "py.typed").is_file()


def test_the_worked_examples_print_what_they_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """They build on each other, as on the page."""
    assert len(EXAMPLES) == 4
    for name in ("wedge.tif", "wedge.csv", "normal.tif", "thin.tif"):
        shutil.copy(ROOT / "sample_scans" / name, tmp_path)
    monkeypatch.chdir(tmp_path)
    for code, said in EXAMPLES:
        exec(compile(code, str(PAGE), "exec"), {"__name__": "example"})  # noqa: S102 - our own page
        assert capsys.readouterr().out == said
