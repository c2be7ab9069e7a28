"""A desk in a process of its own, and a person at its door: the key exchanged, the token of the page, requests."""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import urlencode

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class AtTheDoor:
    """Who was let in: host and port, cookie, the token of the page, the desk's process."""

    host: str
    cookie: str
    token: str
    process: subprocess.Popen[str]

    def ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> tuple[int, str]:
        """Send one request on a connection of its own; return its status and its text."""
        told = {"Cookie": self.cookie, **{name.replace("_", "-"): value for name, value in headers.items()}}
        if method == "POST":
            told |= {"Origin": f"{'http'}://{self.host}", "X-Desk-Token": self.token}
        with contextlib.closing(http.client.HTTPConnection(self.host, timeout=60)) as asked:
            asked.request(method, path, body=body, headers=told)
            answer = asked.getresponse()
            return answer.status, answer.read().decode("utf-8", "replace")

    def post(self, path: str, **fields: str) -> tuple[int, str]:
        """Send a form."""
        form = urlencode(fields).encode()
        return self.ask("POST", path, form, Content_Type="application/x-www-form-urlencoded")

    def socket(self) -> socket.socket:
        """Return a bare connection to the desk."""
        name, port = self.host.split(":")
        return socket.create_connection((name, int(port)), timeout=60)


_LIMITED: Final = """import os, resource, sys
longest = int(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (longest, longest))
os.execv(sys.executable, [sys.executable, *sys.argv[2:]])
"""


@contextlib.contextmanager
def at_the_door(scans: Path, book: Path, *, longest_file: int | None = None) -> Iterator[AtTheDoor]:
    """Start a desk and enter; it is killed at the end if it still runs.

    Parameters
    ----------
    longest_file
        Bytes that it and what it starts may write into one file, as on a disk that is nearly full.
    """
    words = ["-m", "densiscan", "desk", str(scans), "--no-browser", "--notebook", str(book)]
    if longest_file is not None:
        words = ["-c", _LIMITED, str(longest_file), *words]
    process = subprocess.Popen(
        [sys.executable, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
    )
    try:
        assert process.stdout is not None
        host, path = process.stdout.readline().strip().split("//")[1].split("/", 1)
        with contextlib.closing(http.client.HTTPConnection(host, timeout=60)) as asked:
            asked.request("GET", f"/{path}")
            answer = asked.getresponse()
            answer.read()
            cookie = (answer.getheader("set-cookie") or "").split(";")[0]
            asked.request("GET", "/", headers={"Cookie": cookie})
            page = asked.getresponse().read().decode()
        token = re.search(r'name="desk-token" content="([^"]+)"', page)
        assert token is not None
        yield AtTheDoor(host=host, cookie=cookie, token=token[1], process=process)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        if process.stdout is not None:
            process.stdout.close()
