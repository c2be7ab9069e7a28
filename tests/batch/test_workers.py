"""Many scans at a time: the same results in the same order, whatever the workers do; a dead one costs one scan."""

from __future__ import annotations

import os
import pickle
import signal
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from densiscan.batch.assessment import Failure, Outcome, Task, measure_one
from densiscan.batch.files import measure_files
from densiscan.batch.workers import Fate, Workers, _Queue, given, lost, measured, named_as, processes
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.negative.options import MeasureOptions
from densiscan.report.readings import reading_document
from densiscan.scan.scan import open_scan
from densiscan.wedge.wedge import read_wedge
from tests.support.made_up import assessment, calibration

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
TASK = Task(options=MeasureOptions(), threads=1)


def echo(path: Path) -> Outcome:
    """A scan named after a number of milliseconds takes so long; one named after a signal kills its worker."""
    word = path.stem.split("-")[0]
    if word.isdigit():
        time.sleep(int(word) / 1000)
    if word == "killer":
        os.kill(os.getpid(), signal.SIGKILL)
    if word == "once" and not path.exists():
        path.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if word == "strange":
        message = "not of ours"
        raise LookupError(message)
    return Failure(path=path, code="echo", message=f"{path} was seen.")


def queue(work: Callable[[Path], Outcome], workers: Workers, *, ordered: bool = True) -> _Queue[Outcome]:
    return _Queue(work=work, workers=workers, fate=Fate(lost=lost, named=named_as), ordered=ordered)


def codes(work: Callable[[Path], Outcome], paths: list[Path], workers: Workers) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    try:
        for path, outcome in queue(work, workers).run((path, None) for path in paths):
            assert isinstance(outcome, Failure)
            assert outcome.path == path
            found.append((path.name, outcome.code))
    finally:
        workers.stop(at_once=True)
    return found


def test_the_order_is_that_of_the_files_whichever_is_done_first() -> None:
    paths = [Path(f"{milliseconds}-{number}.tif") for number, milliseconds in enumerate((40, 0, 20, 0, 5, 30, 0, 0))]
    with ThreadPoolExecutor(3) as pool:
        found = codes(echo, paths, given(pool, 3))
    assert [name for name, _ in found] == [path.name for path in paths]
    assert {code for _, code in found} == {"echo"}


def test_out_of_order_a_slow_scan_holds_up_none_and_all_come() -> None:
    paths = [Path(f"{milliseconds}-{number}.tif") for number, milliseconds in enumerate((600, 0, 0, 0, 0, 0))]
    with ThreadPoolExecutor(2) as pool:
        line = queue(echo, given(pool, 2), ordered=False)
        found = [path for path, _ in line.run((path, None) for path in paths)]
    assert found[-1] == paths[0]
    assert sorted(found) == sorted(paths)


def test_what_is_known_is_not_handed_out_and_keeps_its_place() -> None:
    known = (assessment(path="b.tif"),)
    items = [(Path("30-a.tif"), None), (Path("b.tif"), known), (Path("0-c.tif"), None)]
    with ThreadPoolExecutor(2) as pool:
        found = list(queue(echo, given(pool, 2)).run(iter(items)))
    assert [path.name for path, _ in found] == ["30-a.tif", "b.tif", "0-c.tif"]
    assert found[1][1] is known


def test_a_worker_that_dies_costs_its_scan_one_try_and_the_scan_that_kills_its_worker_fails_alone(
    tmp_path: Path,
) -> None:
    names = ["0-a", "once-b", "0-c", "killer-d", "0-e", "0-f", "0-g", "killer-h"]
    found = codes(echo, [tmp_path / f"{name}.tif" for name in names], processes(2))
    died = {"killer-d.tif", "killer-h.tif"}
    assert found == [(f"{name}.tif", "worker-died" if f"{name}.tif" in died else "echo") for name in names]


def test_a_pool_that_cannot_be_made_anew_fails_what_is_left_in_words(tmp_path: Path) -> None:
    made = processes(1)
    assert made.make is not None
    with made.make() as pool:
        workers = given(pool, 1)
        found = codes(echo, [tmp_path / f"{name}.tif" for name in ("killer-a", "0-b", "0-c", "0-d")], workers)
    assert found[0] == ("killer-a.tif", "worker-died")
    assert {code for _, code in found} == {"worker-died"}


def test_what_an_executor_itself_raises_fails_one_scan(tmp_path: Path) -> None:
    with ThreadPoolExecutor(2) as pool:
        found = codes(echo, [tmp_path / "strange-a.tif", tmp_path / "0-b.tif"], given(pool, 2))
    assert [code for _, code in found] == ["worker-died", "echo"]
    assert "LookupError" in lost(Path("a.tif"), "LookupError").message


def test_a_slow_first_scan_does_not_let_the_rest_run_ahead_without_end() -> None:
    taken = 0

    def items() -> Iterator[tuple[Path, None]]:
        nonlocal taken
        for number in range(2000):
            taken += 1
            yield Path(f"{300 if number == 0 else 0}-{number}.tif"), None

    with ThreadPoolExecutor(2) as pool:
        line = queue(echo, given(pool, 2)).run(items())
        next(line)
        ahead = taken
        line.close()
    assert ahead <= 201  # fifty for each place at the workers


def test_scans_are_named_as_they_were_given(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    there = tmp_path / "scans" / "a.tif"
    failure = named_as(Path("scans/a.tif"), Failure(path=there, code="x", message=f"{there} is damaged."))
    assert isinstance(failure, Failure)
    assert (str(failure.path), failure.message) == ("scans/a.tif", "scans/a.tif is damaged.")


def test_out_of_memory_is_a_failure_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    def open_scan(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("densiscan.batch.assessment.open_scan", open_scan)
    failure = measure_one(Path("a.tif"), calibration(), TASK)
    assert isinstance(failure, Failure)
    assert failure.code == "out-of-memory"


def test_results_travel_between_processes() -> None:
    found = assessment()
    assert pickle.loads(pickle.dumps(found)) == found  # noqa: S301 - our own bytes


@pytest.fixture(scope="module")
def made() -> Calibration:
    label = Label(name="sample", created="2026-01-02T03:04:05+00:00")
    return calibrate(open_scan(SAMPLES / "wedge.tif"), read_wedge(SAMPLES / "wedge.csv"), label=label)


def test_one_worker_and_several_give_the_same_to_the_last_bit(made: Calibration, tmp_path: Path) -> None:
    broken = tmp_path / "broken.tif"
    broken.write_bytes((SAMPLES / "normal.tif").read_bytes()[:-200_000])
    files = [SAMPLES / "normal.tif", broken, SAMPLES / "thin.tif"]
    alone = measure_files(files, made, TASK)
    with ThreadPoolExecutor(2) as pool:
        by_threads = measure_files(files, made, TASK, executor=pool)
    by_processes = list(measured(((file, None) for file in files), made, TASK, processes(2)))
    assert [path for path, _ in by_processes] == files
    assert by_threads == alone
    found = [one for _, outcome in by_processes if isinstance(outcome, tuple) for one in outcome]
    assert tuple(found) == alone.assessments
    assert [reading_document(one) for one in found] == [reading_document(one) for one in alone.assessments]
    assert by_processes[1][1] == alone.failures[0]
