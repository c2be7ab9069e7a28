"""How fast, against others doing the same work side by side.

    python -m tests.benchmarks.bench [--quick] [--growth] [--write]

Makes its scans (noisy, never constant), runs the contenders by turns in processes of their own, several rounds, and
prints medians, ratios and peak memory as a table; `--write` puts it into docs/performance.md. `--quick` takes smaller
scans and fewer rounds. `--growth` measures folders of 10, 100 and 1000 scans as well.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_scans"
PAGE = ROOT / "docs" / "performance.md"
Say = Callable[[str], object]


@dataclass(frozen=True)
class Run:
    """What one run took."""

    seconds: float
    processor: float
    megabytes: float


@dataclass(frozen=True)
class Row:
    """One line of the table: our time over another's; `goal` what it must not pass."""

    work: str
    ours: Sequence[Run]
    other: Sequence[Run]
    against: str
    goal: float

    def cells(self) -> tuple[str, ...]:
        ratios = [mine.seconds / theirs.seconds for mine, theirs in zip(self.ours, self.other, strict=True)]
        by_processor = median(self.ours, "processor") / max(median(self.other, "processor"), 1e-9)
        return (
            self.work,
            f"{median(self.ours, 'seconds'):.2f} s",
            self.against,
            f"{median(self.other, 'seconds'):.2f} s",
            f"{statistics.median(ratios):.2f}",
            f"{by_processor:.2f}",
            f"{self.goal:g}",
            f"{max(run.megabytes for run in self.ours):.0f} MB",
        )


HEAD = ("work", "ours", "against", "takes", "ratio", "of processor time", "goal", "our peak")


def median(runs: Sequence[Run], what: str) -> float:
    return statistics.median(float(getattr(run, what)) for run in runs)


def launched(line: Sequence[str], *, env: dict[str, str] | None = None) -> Run:
    """Run a process to its end and return what all of it took, its start included."""
    began = time.perf_counter()
    process = subprocess.Popen(
        line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, **(env or {})}
    )
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        message = f"{' '.join(line)} ended with {process.returncode}"
        raise RuntimeError(message)
    return Run(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def worked(contender: str, file: Path, threads: int, save: Path | None = None) -> Run:
    """Let one contender do the work on a scan, its start not counted."""
    line = [sys.executable, "-m", "tests.benchmarks.bench_work", contender, str(file), str(threads)]
    done = subprocess.run([*line, *([str(save)] if save else [])], cwd=ROOT, capture_output=True, text=True, check=True)
    told: dict[str, Any] = json.loads(done.stdout)
    return Run(told["seconds"], told["processor"], told["megabytes"])


def made(*what: str) -> str:
    """Make something by `bench_make`, in a process of its own: what starts others must stay small itself."""
    line = [sys.executable, "-m", "tests.benchmarks.bench_make", *what]
    return subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=True).stdout


def by_turns(rounds: int, works: Mapping[str, Callable[[], Run]], say: Say) -> dict[str, list[Run]]:
    """Run several works by turns, so that whatever else the machine does hits all alike."""
    found: dict[str, list[Run]] = {name: [] for name in works}
    for number in range(rounds):
        for name, work in works.items():
            found[name].append(work())
        say(f"  round {number + 1}: " + ", ".join(f"{name} {runs[-1].seconds:.2f}" for name, runs in found.items()))
    return found


def kernel(files: dict[str, Path], folder: Path, rounds: int, say: Say) -> tuple[list[Row], list[str]]:
    """Measure the pass over a large scan; return rows and what was compared."""
    rows: list[Row] = []
    for contender in ("ours", "pyvips", "numpy"):
        worked(contender, files["gray"], 2, folder / f"{contender}.npz")
    exact = made("compare", str(folder)).splitlines()
    for name, words in (("gray", "16-bit gray"), ("rgb", "48-bit RGB, one channel")):
        say(f"{words}:")
        works = {
            f"{contender} {threads}": partial(worked, contender, files[name], threads)
            for threads in (1, 2)
            for contender in ("ours", "pyvips")
        }
        if name == "gray":
            works["numpy"] = partial(worked, "numpy", files["gray"], 1)
        found = by_turns(rounds, works, say)
        for threads, goal in ((1, 0.75), (2, 0.55)):
            work = f"{words}, {threads} thread{'s' * (threads > 1)}"
            rows.append(Row(work, found[f"ours {threads}"], found[f"pyvips {threads}"], "pyvips, as many", goal))
        if name == "gray":
            for threads in (1, 2):
                work = f"{words}, {threads} thread{'s' * (threads > 1)}"
                rows.append(Row(work, found[f"ours {threads}"], found["numpy"], "plain numpy", 0.25))
    for name, words, goals in (("deflate", "Deflate", (2.2, 1.2)), ("lzw", "LZW", (1.6, 0.9))):
        say(f"{words}:")
        works = {
            "ours 1": partial(worked, "ours", files[name], 1),
            "ours 2": partial(worked, "ours", files[name], 2),
            "decoding": partial(worked, "decoding", files[name], 1),
        }
        found = by_turns(rounds, works, say)
        for threads, goal in zip((1, 2), goals, strict=True):
            work = f"{words}, {threads} thread{'s' * (threads > 1)}"
            rows.append(Row(work, found[f"ours {threads}"], found["decoding"], "decoding alone, 1 thread", goal))
    return rows, exact


def commands(files: dict[str, Path], folder: Path, rounds: int, say: Say) -> tuple[list[Row], list[str]]:
    """Measure whole commands, their start included."""
    python = sys.executable
    cal, one = folder / "cal.json", folder / "sheet.tif"
    made("sheet", str(folder))
    own = [python, "-m", "densiscan"]
    env = {"PYTHONPATH": str(ROOT), "DENSISCAN_NOTEBOOK": "", "XDG_DATA_HOME": str(folder / "none")}
    wedge, densities = SAMPLES / "wedge.tif", SAMPLES / "wedge.csv"
    launched([*own, "calibrate", str(wedge), "--densities", str(densities), "--out", str(cal)], env=env)
    by = ["--calibration", str(cal)]
    say("start and one sheet:")
    works = {
        "help": partial(launched, [*own, "--help"], env=env),
        "python": partial(launched, [python, "-c", "pass"]),
        "sheet": partial(launched, [*own, "measure", str(one), *by], env=env),
        "numpy": partial(launched, [python, "-c", "import numpy"]),
    }
    found = by_turns(2 * rounds + 1, works, say)
    rows = [
        Row("densiscan --help", found["help"], found["python"], "bare python", 8.0),
        Row("one 600 ppi sheet, whole process", found["sheet"], found["numpy"], "import numpy", 3.5),
    ]
    peaks = []
    for name in ("gray", "deflate", "lzw", "rgb"):
        # Nothing is found on this picture; all of it is read, and the whole command takes this much.
        peak = launched([*own, "measure", str(files[name]), *by], env=env).megabytes
        peaks.append(f"whole command on the {name} scan: peak {peak:.0f} MB (goal 100)")
    peaks.append(f"on one sheet: peak {max(run.megabytes for run in found['sheet']):.0f} MB")
    sheets = folder / "sheets"
    sheets.mkdir()
    for number in range(40):
        os.link(one, sheets / f"sheet-{number:02d}.tif")
    say("folder of 40 sheets:")
    works = {
        f"{jobs}": partial(launched, [*own, "measure", str(sheets), *by, "--jobs", str(jobs)], env=env)
        for jobs in (1, 2)
    }
    works["2 threads"] = partial(launched, [python, "-c", _BY_THREADS, str(cal), str(sheets)], env=env)
    found = by_turns(max(rounds - 2, 1), works, say)
    rows.append(Row("folder of 40 sheets, 2 workers", found["2"], found["1"], "our own 1 worker", 0.75))
    threads, workers = (median(found[name], "seconds") for name in ("2 threads", "2"))
    peaks.append(f"the folder by 2 threads of one process: {threads:.2f} s, by 2 processes {workers:.2f} s")
    return rows, peaks


_BY_THREADS = """
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from densiscan import MeasureOptions, Task, measure_files, read_calibration
with ThreadPoolExecutor(2) as pool:
    task = Task(options=MeasureOptions(), threads=1)
    measure_files([Path(sys.argv[2])], read_calibration(Path(sys.argv[1])), task, executor=pool)
"""


def growth(folder: Path, sizes: Sequence[int], say: Say) -> list[str]:
    """Measure folders of growing size; return lines of time a scan and peak memory."""
    many = folder / "many"
    made("small", str(many))
    lines = ["| scans | seconds a scan | peak of the command | peak of a worker |", "|---|---|---|---|"]
    env = {"PYTHONPATH": str(ROOT), "DENSISCAN_NOTEBOOK": "", "XDG_DATA_HOME": str(folder / "none")}
    for size in sizes:
        for number in range(len(list(many.iterdir())), size):
            os.link(many / f"scan-{number % 10:04d}.tif", many / f"scan-{number:04d}.tif")
        line = ["measure", str(many), "--calibration", str(folder / "cal.json"), "--csv", str(folder / "many.csv")]
        began = time.perf_counter()
        own, worker = watched([sys.executable, "-m", "densiscan", *line], env)
        seconds = time.perf_counter() - began
        lines.append(f"| {size} | {seconds / size:.3f} | {own:.0f} MB | {worker:.0f} MB |")
        say(lines[-1])
    return lines


def watched(line: Sequence[str], env: dict[str, str]) -> tuple[float, float]:
    """Run a command and return its own peak and the largest of its workers', MB, as the system tells on Linux."""
    peaks: dict[int, float] = {}
    with subprocess.Popen(
        line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, **env}
    ) as process:
        while process.poll() is None:
            for number in family_of(process.pid):
                peaks[number] = max(peaks.get(number, 0.0), peak_of(number))
            time.sleep(0.1)
    return peaks.pop(process.pid, 0.0), max(peaks.values(), default=0.0)


def family_of(parent: int) -> list[int]:
    """Return a process and all below it."""
    above: dict[int, int] = {}
    for entry in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            above[int(entry.parent.name)] = int(entry.read_text().rpartition(")")[2].split()[1])
    family = [parent]
    for number in family:
        family.extend(child for child, over in above.items() if over == number)
    return family


def peak_of(number: int) -> float:
    with suppress(OSError):
        found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{number}/status").read_text())
        return int(found[1]) / 1024 if found else 0.0
    return 0.0


def table(rows: Sequence[Row]) -> str:
    lines = [HEAD, ("---",) * len(HEAD), *(row.cells() for row in rows)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def machine() -> str:
    """Return what it ran on."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        found = re.search(r"^model name\s*:\s*(.+)$", info.read_text(), flags=re.MULTILINE)
        model = found[1].strip() if found else model
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    versions = f"Python {platform.python_version()}, numpy {version('numpy')}, pyvips {version('pyvips')}"
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return f"{cores} cores of {model}, {platform.system()}, {versions}{load}"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.bench", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="smaller scans, fewer rounds")
    parser.add_argument("--growth", action="store_true", help="folders of 10, 100 and 1000 scans too")
    parser.add_argument("--write", action="store_true", help="put the tables into docs/performance.md")
    asked = parser.parse_args()
    rounds = 3 if asked.quick else 5
    size = (3000, 4000) if asked.quick else (12000, 9600)

    def say(text: str) -> None:
        sys.stderr.write(f"{text}\n")

    on = machine()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        say("making scans")
        made("scans", str(folder), *map(str, size))
        files = {name: folder / f"{name}.tif" for name in ("gray", "deflate", "lzw", "rgb")}
        rows, exact = kernel(files, folder, rounds, say)
        more, peaks = commands(files, folder, rounds, say)
        grown = growth(folder, (10, 100) if asked.quick else (10, 100, 1000), say) if asked.growth else []
    what = f"{size[0] * size[1] / 1e6:.0f} megapixels, {rounds} rounds by turns, on {on}."
    points = "\n".join(f"- {line}" for line in (*exact, *peaks))
    text = "\n\n".join([what, table([*rows, *more]), points, *(["\n".join(grown)] if grown else [])])
    sys.stdout.write(text + "\n")
    if asked.write:
        page = PAGE.read_text(encoding="utf-8")
        head, _, rest = page.partition("<!-- measured -->\n")
        _, _, tail = rest.partition("<!-- end -->\n")
        PAGE.write_text(f"{head}<!-- measured -->\n\n{text}\n\n<!-- end -->\n{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
