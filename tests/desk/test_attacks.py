"""What would wear the desk down: many who hold the line, one who dawdles, a full disk, a locked notebook, a kill."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import sys
import threading
from pathlib import Path

import pytest

from densiscan.notebook.location import open_notebook
from tests.desk.at_the_door import AtTheDoor, at_the_door

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="processes are limited and killed as POSIX has it")

RUN = {"film": "Meadow-100", "developer": "Borax", "time": "8:00", "temp": "20"}


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "scans").mkdir()
    return tmp_path


def runs_in(book: Path) -> int:
    with open_notebook(book) as kept:
        return kept.count_runs()


def test_many_who_hold_the_line_keep_nobody_out(place: Path) -> None:
    """200 connections, half of them silent, half with a request that never ends, and one person who works."""
    with at_the_door(place / "scans", place / "book.sqlite") as desk, contextlib.ExitStack() as held:
        for number in range(200):
            line = held.enter_context(desk.socket())
            if number % 2:
                line.sendall(f"GET / HTTP/1.1\r\nHost: {desk.host}\r\nX-Slow: ".encode())
        assert desk.ask("GET", "/")[0] == 200
        status, text = desk.post("/runs/add", **RUN)
        assert (status, json.loads(text)["done"]) == (200, True)
    assert runs_in(place / "book.sqlite") == 1


def test_a_scan_that_dawdles_holds_up_nobody_and_leaves_nothing(place: Path) -> None:
    with at_the_door(place / "scans", place / "book.sqlite") as desk:
        with desk.socket() as line:
            head = (
                f"POST /scans HTTP/1.1\r\nHost: {desk.host}\r\nOrigin: {'http'}://{desk.host}\r\n"
                f"Cookie: {desk.cookie}\r\n"
                f'X-Desk-Token: {desk.token}\r\nX-Name: "slow.tif"\r\nContent-Length: 1000000\r\n\r\n'
            )
            line.sendall(head.encode() + b"II*\x00")
            assert desk.ask("GET", "/")[0] == 200
        # The line was cut: nothing of the scan is left, under its name or another.
        waits = threading.Event()
        for _ in range(100):
            if not list((place / "scans").iterdir()):
                break
            waits.wait(0.1)
        assert list((place / "scans").iterdir()) == []


def test_on_a_full_disk_each_refusal_is_one_sentence_and_nothing_is_lost(place: Path) -> None:
    book = place / "book.sqlite"
    with at_the_door(place / "scans", book) as desk:
        assert json.loads(desk.post("/runs/add", **RUN)[1])["done"]
    assert runs_in(book) == 1
    with at_the_door(place / "scans", book, longest_file=33_000) as desk:
        status, text = desk.ask("POST", "/scans", b"II*\x00" * 50_000, X_Name='"large.tif"')
        assert status == 422
        assert "cannot be written" in json.loads(text)["said"]
        told = json.loads(desk.post("/runs/add", **RUN)[1])
        assert not told["done"]
        assert len(told["said"].splitlines()) == 1
        assert "Traceback" not in told["said"]
        assert desk.ask("GET", "/")[0] == 200
    assert list((place / "scans").iterdir()) == []
    assert runs_in(book) == 1


def test_a_notebook_that_another_program_holds_is_waited_for(place: Path) -> None:
    book = place / "book.sqlite"
    with at_the_door(place / "scans", book) as desk:
        assert json.loads(desk.post("/runs/add", **RUN)[1])["done"]
        other = sqlite3.connect(book, isolation_level=None, check_same_thread=False)
        other.execute("BEGIN IMMEDIATE")
        lets_go = threading.Timer(1.0, other.execute, ["ROLLBACK"])
        lets_go.start()
        try:
            assert json.loads(desk.post("/runs/add", **RUN)[1])["done"]
        finally:
            lets_go.join()
            other.close()
    assert runs_in(book) == 2


def killed_while_keeping(desk: AtTheDoor, after_s: float) -> int:
    """Log runs one after the other until the desk is killed; return how many it said were done."""
    timer = threading.Timer(after_s, os.killpg, [desk.process.pid, signal.SIGKILL])
    timer.start()
    done = 0
    with contextlib.suppress(OSError, ValueError, http_errors()):
        while True:
            done += json.loads(desk.post("/runs/add", **RUN)[1])["done"]
    timer.join()
    return done


def http_errors() -> type[Exception]:
    from http.client import HTTPException

    return HTTPException


@pytest.mark.parametrize("after_s", [0.4, 1.1])
def test_what_the_desk_said_was_kept_is_there_after_a_kill(place: Path, after_s: float) -> None:
    book = place / "book.sqlite"
    with at_the_door(place / "scans", book) as desk:
        said = killed_while_keeping(desk, after_s)
    # The command that was under way may have been killed too, or have gone on to its end unheard.
    kept = runs_in(book) if book.exists() else 0
    assert said <= kept <= said + 1
    with at_the_door(place / "scans", book) as again:
        assert again.ask("GET", "/runs")[0] == 200
