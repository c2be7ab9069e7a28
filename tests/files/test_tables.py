"""Tables that people write: what is divided, commented, quoted and broken, alike for wedges, exposures and papers."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.errors import DensiscanError, PointsFileError
from densiscan.files.tables import Form, read_lines, rows_of
from densiscan.film.points import read_curve, read_exposures
from densiscan.film.reciprocity import read_series
from densiscan.paper.file import read_points
from densiscan.wedge.wedge import read_wedge

READERS: tuple[Callable[[Path], Any], ...] = (read_wedge, read_curve, read_exposures, read_series, read_points)
HEADERS = ("step,density", "log_exposure,density", "step,log_exposure", "metered,given", "log_exposure,density")
FORM = Form(what="a list", entry="an exposure", columns=("step", "log_exposure"), error=PointsFileError)


def rows(folder: Path, text: str) -> list[tuple[int, dict[str, str]]]:
    file = folder / "list.csv"
    file.write_text(text, encoding="utf-8")
    return [(row.line, row.cells) for row in rows_of(read_lines(file, FORM), file, FORM)]


@pytest.mark.parametrize(
    "text",
    [
        "step,log_exposure\n1,0.3\n2,0.6\n",
        "\ufeff# by hand\n\nSTEP ; Log_Exposure\n 1 ; 0.3 \n\n# the second\n2;0.6",
        "step\tlog_exposure\r\n1\t0.3\r\n2\t0.6\r\n",
        '"step","log_exposure"\n"1","0.3"\n"2","0.6"\n',
    ],
    ids=["commas", "semicolons", "tabs", "quoted"],
)
def test_one_table_however_it_is_written(text: str, tmp_path: Path) -> None:
    assert [cells for _, cells in rows(tmp_path, text)] == [
        {"step": "1", "log_exposure": "0.3"},
        {"step": "2", "log_exposure": "0.6"},
    ]


def test_lines_are_counted_as_the_person_sees_them(tmp_path: Path) -> None:
    assert [line for line, _ in rows(tmp_path, "# note\nstep,log_exposure\n\n1,0.3\n# more\n2,0.6\n")] == [4, 6]


def test_a_quotation_mark_left_open_swallows_no_line(tmp_path: Path) -> None:
    found = rows(tmp_path, 'step,log_exposure,note\n1,0.0,"clear\n2,0.3,\n3,0.6,"dense, and last"\n')
    assert [cells["log_exposure"] for _, cells in found] == ["0.0", "0.3", "0.6"]
    assert found[2][1]["note"] == "dense, and last"


@pytest.mark.parametrize(("read", "header"), list(zip(READERS, HEADERS, strict=True)))
def test_a_cell_without_end_is_one_sentence(read: Callable[[Path], Any], header: str, tmp_path: Path) -> None:
    file = tmp_path / "long.csv"
    file.write_text(f"{header}\n1,{'9' * 200_000}\n", encoding="utf-8")
    with pytest.raises(DensiscanError, match="long"):
        read(file)


@pytest.mark.parametrize(("read", "header"), list(zip(READERS, HEADERS, strict=True)))
@pytest.mark.parametrize("text", ["", "# nothing but a note\n", "a,b\n1,2\n"])
def test_what_is_missing_is_said_with_the_header(
    read: Callable[[Path], Any], header: str, text: str, tmp_path: Path
) -> None:
    file = tmp_path / "empty.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(DensiscanError, match=rf"empty\.csv .*the header {header}|has no header {header} on line 1"):
        read(file)


@pytest.mark.parametrize(("read", "header"), list(zip(READERS, HEADERS, strict=True)))
@given(body=st.text(st.sampled_from('0123456789.,;\t"-+eEnaif \n\r#\x00\u2028'), max_size=120))
def test_no_table_is_a_fault_of_ours(read: Callable[[Path], Any], header: str, body: str) -> None:
    """Whatever stands below a right header: numbers, or one sentence that names the file."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "table.csv"
        file.write_bytes(f"{header}\n{body}".encode())
        try:
            read(file)
        except DensiscanError as problem:
            assert "table.csv" in str(problem)  # noqa: PT017 - either way is right


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("step,log_exposure\n1,0,05\n2,0,20\n", "line 2"),
        ("step,log_exposure,uncertainty\n1,0.05,0.02\n2,0.20,0.02,0.01\n", "line 3"),
        ("# a comment\nstep;log_exposure\n1;0,05\n2;0,20;x\n", "line 4"),
    ],
)
def test_surplus_cells_are_refused_with_their_line(text: str, line: str, tmp_path: Path) -> None:
    path = tmp_path / "wedge.csv"
    path.write_text(text)
    with pytest.raises(PointsFileError, match=line) as caught:
        rows_of(read_lines(path, FORM), path, FORM)
    assert "semicolons" in str(caught.value)


def test_empty_cells_at_the_end_of_a_line_are_the_spreadsheets(tmp_path: Path) -> None:
    path = tmp_path / "wedge.csv"
    path.write_text("step,log_exposure,,\n1,0.05,,\n2,0.20,,,\n")
    assert [row.cells["log_exposure"] for row in rows_of(read_lines(path, FORM), path, FORM)] == ["0.05", "0.20"]


def test_a_column_named_twice_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "wedge.csv"
    path.write_text("step,log_exposure,log_exposure\n1,0.05,0.06\n")
    with pytest.raises(PointsFileError, match="two columns are called log_exposure"):
        rows_of(read_lines(path, FORM), path, FORM)
