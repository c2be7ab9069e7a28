"""The same results on a Dask cluster of two workers on loopback, one of which is lost on the way."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from densiscan.calibration.file import write_calibration
from densiscan.cli.app import run
from tests.cli.test_folder import negative
from tests.support.made_up import calibration

pytest.importorskip("distributed", reason="the extra cluster is not installed")
ROOT = Path(__file__).resolve().parents[2]


def started(module: str, *more: str) -> subprocess.Popen[str]:
    """Start a part of the cluster in a process of its own, as a person starts it on another machine."""
    return subprocess.Popen(
        [sys.executable, "-m", module, *more, "--no-dashboard"],
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def line_of(process: subprocess.Popen[str], words: str) -> str:
    assert process.stderr is not None
    for line in process.stderr:
        if words in line:
            return line
    message = f"{words} was never said"
    raise AssertionError(message)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    write_calibration(calibration(), tmp_path / "cal.json")
    (tmp_path / "scans").mkdir()
    for number in range(24):
        if number < 4:
            negative(tmp_path / "scans" / f"neg-{number:02d}.tif", number)
        else:
            os.link(tmp_path / "scans" / f"neg-{number % 4:02d}.tif", tmp_path / "scans" / f"neg-{number:02d}.tif")
    (tmp_path / "scans" / "broken.tif").write_bytes(b"no scan")
    return tmp_path


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[str]]]]:
    """Address of a scheduler with two workers, and these."""
    scheduler = started("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0")
    found = re.search(r"tcp.*?(127\.0\.0\.1:\d+)", line_of(scheduler, "Scheduler at:"))
    assert found is not None
    more = ("--nthreads", "1", "--no-nanny", "--host", "127.0.0.1", "--local-directory", str(tmp_path))
    workers = [started("distributed.cli.dask_worker", found[1], *more) for _ in range(2)]
    for worker in workers:
        line_of(worker, "Registered to:")
    yield found[1], workers
    for process in (*workers, scheduler):
        process.kill()
        process.communicate()


@pytest.mark.rendered  # it reads none, but starts a whole cluster
def test_a_cluster_gives_the_same_in_the_same_order_and_survives_a_lost_worker(
    here: Path,
    cluster: tuple[str, list[subprocess.Popen[str]]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    address, workers = cluster
    line = ["measure", "scans", "--calibration", "cal.json", "--json"]
    assert run(line) == 1
    alone = json.loads(capsys.readouterr().out)
    with subprocess.Popen(
        [sys.executable, "-m", "densiscan", *line, "--cluster", address, "--csv", "out.csv"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:
        ends = time.monotonic() + 100
        while not list(here.glob(".out.csv.*")) and time.monotonic() < ends:
            time.sleep(0.01)  # the table on its way: the first scan has come back
        workers[0].send_signal(signal.SIGKILL)
        lost_on_the_way = not (here / "out.csv").exists()
        out, err = process.communicate(timeout=100)
    assert (process.returncode, "Traceback" in err) == (1, False), err
    assert lost_on_the_way, "all was measured before the worker was killed"
    there = json.loads(out)
    assert there["readings"] == alone["readings"]
    assert there["failed"] == alone["failed"]
    assert len(there["readings"]) == 24


def test_an_address_where_nobody_is_ends_in_one_sentence(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("densiscan.batch.cluster._SECONDS", 1)
    assert here.is_dir()
    assert run(["measure", "scans", "--calibration", "cal.json", "--cluster", "127.0.0.1:1"]) == 1
    err = capsys.readouterr().err
    assert err.startswith("densiscan: no cluster answers at 127.0.0.1:1")
    assert len(err.splitlines()) == 1


def test_without_the_extra_one_sentence_says_how_to_get_it(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert here.is_dir()
    assert run(["measure", "scans", "--calibration", "cal.json", "--cluster", "127.0.0.1:8786"]) == 1
    assert capsys.readouterr().err == "densiscan: --cluster needs the extra: pip install 'densiscan[cluster]'.\n"
