"""The desk as a program: it says its address once, answers on this machine alone, and ends when told."""

from __future__ import annotations

import contextlib
import http.client
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from densiscan.cli.app import run

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
ROOT = Path(__file__).resolve().parents[2]


def started(place: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "densiscan", "desk", *more, "--no-browser", "--notebook", str(place / "book.sqlite")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
    )


def opened(host: str) -> contextlib.closing[http.client.HTTPConnection]:
    return contextlib.closing(http.client.HTTPConnection(host, timeout=30))


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent as POSIX has them")
@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM])
def test_it_says_its_address_answers_and_ends_with_status_0(tmp_path: Path, by: signal.Signals) -> None:
    scans = tmp_path / "scans"
    scans.mkdir()
    shutil.copy(SAMPLES / "thin.tif", scans)
    with started(tmp_path, str(scans)) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        host, path = address.split("//")[1].split("/", 1)
        assert host.startswith("127.0.0.1:")
        assert path.startswith("?key=")
        with opened(host) as asked:
            asked.request("GET", "/")
            assert asked.getresponse().status == 403
        with opened(host) as entered, opened(host) as listening:
            entered.request("GET", f"/{path}")
            answer = entered.getresponse()
            answer.read()
            cookie = (answer.getheader("set-cookie") or "").split(";")[0]
            entered.request("GET", "/", headers={"Cookie": cookie})
            page = entered.getresponse()
            assert page.status == 200
            assert b"show densiscan your step wedge" in page.read()
            # A page that listens for news keeps nothing from ending.
            listening.request("GET", "/news", headers={"Cookie": cookie})
            with listening.getresponse() as news:
                assert news.status == 200
                process.send_signal(by)
                _, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert "Traceback" not in err


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["desk", str(tmp_path / "nowhere"), "--notebook", str(tmp_path / "book.sqlite")]) == 2
    assert "there is no folder" in capsys.readouterr().err
    assert run(["desk", "--notebook", str(tmp_path / "book.sqlite")]) == 2
    assert "name the folder" in capsys.readouterr().err


def test_a_port_that_is_taken_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import socket

    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        line = ["desk", str(tmp_path), "--no-browser", "--port", port, "--notebook", str(tmp_path / "book.sqlite")]
        assert run(line) == 1
    assert f"port {port} is taken" in capsys.readouterr().err
