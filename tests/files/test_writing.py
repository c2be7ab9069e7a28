"""Outputs: whole or not at all, nothing of others replaced, no cell that a table program would run."""

from __future__ import annotations

import csv
import os
import stat
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.errors import DensiscanError
from densiscan.files.atomic import as_text, guarded, unguarded, write_whole, writing_whole

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="modes, links and pipes as POSIX has them")
FULL = Path("/dev/full")


def write(path: Path, content: str) -> None:
    write_whole(path, content, what="the table")


@POSIX
def test_the_mode_of_a_file_that_is_replaced_stays(tmp_path: Path) -> None:
    file = tmp_path / "out.csv"
    file.write_text("old")
    file.chmod(0o640)
    write(file, "new")
    assert (file.read_text(), stat.S_IMODE(file.stat().st_mode)) == ("new", 0o640)


@POSIX
def test_a_link_stays_and_its_target_is_written(tmp_path: Path) -> None:
    target, link = tmp_path / "elsewhere" / "real.csv", tmp_path / "out.csv"
    target.parent.mkdir()
    target.write_text("old")
    link.symlink_to(target)
    write(link, "new")
    assert link.is_symlink()
    assert target.read_text() == "new"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["elsewhere", "out.csv"]


@POSIX
def test_a_pipe_is_written_to_and_stays_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(DensiscanError, match="nothing reads from that pipe"):
        write(pipe, "lost")
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()))
    reader.start()
    while reader.is_alive():
        try:
            write(pipe, "taken")
            break
        except DensiscanError:  # until the reader has opened it
            continue
    reader.join()
    assert got == ["taken"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.skipif(not FULL.exists(), reason="this system has no device that is always full")
def test_a_device_that_takes_nothing_is_one_sentence(tmp_path: Path) -> None:
    link = tmp_path / "out.csv"
    link.symlink_to(FULL)
    with pytest.raises(DensiscanError, match="no space left"):
        write(link, "x")
    assert link.is_symlink()
    assert stat.S_ISCHR(FULL.stat().st_mode)


def test_what_is_given_up_leaves_the_old_file_and_nothing_beside_it(tmp_path: Path) -> None:
    file = tmp_path / "out.csv"
    file.write_text("old")

    def give_up() -> None:
        with writing_whole(file, what="the table") as whole:
            whole.add("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        give_up()
    assert [(entry.name, entry.read_text()) for entry in tmp_path.iterdir()] == [("out.csv", "old")]


@pytest.mark.parametrize("name", ["a\nb.tif", "a\rb.tif", "a\x1b[2Jb.tif", "a\u2028b.tif", "a\x85b.tif"])
def test_a_name_with_the_end_of_a_line_in_it_stays_on_its_line(name: str) -> None:
    assert len(as_text(name).splitlines()) == 1
    assert len(str(DensiscanError(f"{name} cannot be read.")).splitlines()) == 1
    assert "\x1b" not in str(DensiscanError(name))


@given(st.text(st.sampled_from("=+-@;,\t'ab\"\n \r"), max_size=12))
def test_no_cell_begins_a_formula_whatever_a_program_splits_at(text: str) -> None:
    safe = guarded(text)
    for separator in (",", ";", "\t"):
        for cell in safe.split(separator):
            assert not cell.startswith(("=", "+", "-", "@"))
    assert unguarded(safe) == text


def test_by_hand_a_cell_after_a_semicolon() -> None:
    assert guarded("note;=1+1") == "note;'=1+1"
    assert guarded("-0.5 stops") == "'-0.5 stops"
    assert guarded("pushed, -1 stop") == "pushed, -1 stop"
    (row,) = csv.reader(["x," + guarded("a;=1")], delimiter=";")
    assert row == ["x,a", "'=1"]
