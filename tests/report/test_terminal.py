"""What a terminal is given: nothing steers it, tables keep their columns, ink only where it is wanted."""

from __future__ import annotations

import io
import os
import pty
import re
import select
import shutil
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.cli import progress
from densiscan.cli.app import run
from densiscan.report.readings import row_text
from densiscan.report.terminal import columns, fitted, inked, takes_ink, visible, wrapped
from tests.support import made_up

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
INK = re.compile(r"\x1b\[[0-9;]*m")
NAMES = (
    "short.tif",
    "a very long name of a scan that goes on and on and on.tif",
    "ネガフィルム、四月の池のほとりで.tif",
    "שלילי מהאביב הראשון שלנו.tif",
    "📷📷📷📷📷📷📷📷📷📷📷📷.tif",
    "\x1b[31mred\x1b[2J.tif",
    "\u202egnp.evitagen\u202c.tif",
    "two\nlines.tif",
    "e\u0301e\u0301e\u0301e\u0301e\u0301.tif",
)


def test_what_steers_a_terminal_is_shown_as_its_code() -> None:
    assert visible("neg-\udce4.tif") == "neg-\\udce4.tif"  # a byte of a name that is not UTF-8
    assert visible("\x1b[2J\u202ea\x07\x9b") == "\\x1b[2J\\u202ea\\x07\\x9b"
    assert visible("two\nlines\tof ± and ネガ 📷") == "two\nlines\tof ± and ネガ 📷"
    assert visible("two\nlines", kept="") == "two\\x0alines"


@pytest.mark.parametrize(("text", "wide"), [("abc", 3), ("ネガ", 4), ("📷", 2), ("e\u0301", 1), ("שלילי", 5), ("", 0)])
def test_columns_worked_by_hand(text: str, wide: int) -> None:
    assert columns(text) == wide


@given(st.text(max_size=60), st.integers(12, 40))
def test_any_text_is_fitted_to_its_columns(text: str, width: int) -> None:
    shown = fitted(text, width, tail=7)
    assert columns(shown) == width
    assert visible(shown, kept="") == shown
    if columns(visible(text, kept="")) <= width:
        assert shown.startswith(visible(text, kept=""))


@given(st.text(alphabet="ab c-", max_size=80), st.integers(8, 30))
def test_words_are_wrapped_as_by_the_standard_library(text: str, width: int) -> None:
    # Several blanks are one here; there they stay.
    expected = textwrap.fill(
        " ".join(text.split()),
        width,
        initial_indent="  ! ",
        subsequent_indent="    ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    assert wrapped(text, width, first="  ! ", others="    ") == expected


def test_wide_signs_are_wrapped_by_their_columns() -> None:
    assert wrapped("ネガ ネガ ネガ", 10) == "ネガ ネガ\nネガ"


def test_the_end_of_a_long_name_stays() -> None:
    assert fitted("a very long name of a scan-0123.tif", 18, tail=7) == "a very l...123.tif"


@pytest.mark.parametrize("name", NAMES)
def test_a_line_of_the_table_has_its_columns_whatever_the_name(name: str) -> None:
    line, plain = row_text(made_up.assessment(file=name)), row_text(made_up.assessment(file="plain.tif"))
    assert "\n" not in line
    assert columns(line) == columns(plain) <= 79
    assert line.endswith(plain[20:])


def test_no_line_of_any_command_is_wider_than_80_columns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)
    for file in ("wedge.tif", "wedge.csv"):
        shutil.copy(SAMPLES / file, tmp_path)
    Path("scans").mkdir()
    for name in (NAMES[1], NAMES[2]):
        shutil.copy(SAMPLES / "leak.tif", Path("scans") / name)
    (Path("scans") / f"broken {NAMES[1]}").write_bytes(b"II*\0")
    film = (
        "--film",
        "A film with rather a long name that says everything of it",
        "--developer",
        "ネガフィルム現像液四月",
    )
    for words in (
        ("calibrate", "wedge.tif", "--densities", "wedge.csv", "--name", "a calibration with a long name of today"),
        ("measure", f"scans/{NAMES[1]}", "--spot", "30.25,40.125", "--explain"),
        ("measure", "scans"),
        ("check", "--wedge", "wedge.tif", "--densities", "wedge.csv"),
        ("run", "add", *film, "--time", "8:00", "--temp", "20", "--density-range", "0.95"),
        ("run", "add", "--like", "1", "--time", "10:00", "--density-range", "1.1"),
        ("run", "list"),
        ("run", "show", "1"),
        ("trends",),
        ("advise", *film),
    ):
        run(words)
        out = capsys.readouterr().out
        assert out, words
        for line in out.splitlines():
            assert columns(line) <= 80, (words, line)
            assert visible(line) == line, (words, line)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("environment", "ink"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_ink_is_for_terminals_of_those_who_did_not_refuse_it(
    environment: dict[str, str], ink: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert takes_ink(Terminal()) is ink
    assert takes_ink(io.StringIO()) is False


def test_ink_changes_no_word_and_is_never_the_only_sign() -> None:
    page = "negative.tif\n  600 ppi\n\n  trouble 1       A leak.\n  ! It is old.\n  not! a sign"
    assert INK.sub("", inked(page)) == page
    marked = [line for line in inked(page).split("\n")[1:] if INK.search(line)]
    assert [INK.sub("", line) for line in marked] == ["  trouble 1       A leak.", "  ! It is old."]


@pytest.mark.parametrize(("setting", "ink"), [({}, True), ({"NO_COLOR": "1"}, False)])
def test_on_a_real_terminal(tmp_path: Path, setting: dict[str, str], ink: bool) -> None:
    """Run as a person does, on a terminal of the system's own making."""
    scan = [str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--out", str(tmp_path / "cal.json")]
    known = {key: value for key, value in os.environ.items() if key != "NO_COLOR"} | {"TERM": "xterm"} | setting
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "densiscan", "calibrate", *scan], stdout=theirs, stderr=theirs, env=known
    ) as started:
        os.close(theirs)
        said = b""
        while select.select([ours], [], [], 60.0)[0]:
            try:
                piece = os.read(ours, 4096)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            said += piece
        os.close(ours)
        assert started.wait(60) == 0
    text = said.decode("utf-8", "replace")
    assert "Calibration cal" in INK.sub("", text)
    assert bool(INK.search(text)) is ink


def test_a_pipe_gets_no_ink(tmp_path: Path) -> None:
    scan = [str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv"), "--out", str(tmp_path / "cal.json")]
    told = subprocess.run(
        [sys.executable, "-m", "densiscan", "calibrate", *scan], capture_output=True, text=True, check=True
    )
    assert not INK.search(told.stdout + told.stderr)


def test_long_work_shows_that_it_goes_on_only_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(progress, "_SOON_S", 0.01)
    for stream, said in ((Terminal(), "Looking ...\n"), (io.StringIO(), "")):
        monkeypatch.setattr("sys.stderr", stream)
        with progress.working("Looking"):
            ends = time.monotonic() + 10.0
            while said and not stream.getvalue() and time.monotonic() < ends:
                time.sleep(0.005)
        assert stream.getvalue() == said
    monkeypatch.setattr(progress, "_SOON_S", 60.0)
    quick = Terminal()
    monkeypatch.setattr("sys.stderr", quick)
    with progress.working("Looking"):
        pass
    assert quick.getvalue() == ""
