"""What changes when a threshold of a finder is a fifth smaller, or a quarter larger?

    python -m tests.trials.sensitivity [wedge] [rows] [film] [trouble] [--scans N] [--first SEED] [--jobs N]

Each scan is rendered, drawn at random, and read as it is; then each threshold in turn is taken times 0.8 and times
1.25, and what is read otherwise is counted: found, refused or lost, and wrong. Those that moved anything make a table;
the rest moved nothing. Whole numbers move by one at least. The default of 6 scans takes some ten minutes on an idle
core.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, Final

import numpy as np

from densiscan.calibration.make import signal_map
from densiscan.errors import WedgeNotFoundError
from densiscan.negative.bench import Bench, bench_for
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_on
from densiscan.negative.sign_limits import READ_LIMITS, ReadLimits
from densiscan.negative.trouble.inspection import trouble_on
from densiscan.negative.trouble.limits import TROUBLE_LIMITS, TroubleLimits
from densiscan.paper.printed_steps import PRINTED_ROW_LIMITS, PrintedRowLimits, find_printed_steps
from densiscan.scan.scan import Scan, open_scan
from densiscan.wedge.alignment import Steps
from densiscan.wedge.find import WedgePlace, find_steps
from densiscan.wedge.limits import ROW_LIMITS, RowLimits
from tests import renderer
from tests.support.paper_cases import drawn_case
from tests.support.wedge_layouts import drawn_wedge
from tests.trials import bed_rates, evenness_rates, seen_rates
from tests.trials.finding_rates import exact_calibration

FACTORS: Final = (0.8, 1.25)
HELD_OUT: Final = 1_240_001
"""First seed of those that nothing was developed on."""

_FAULT: Final = 0.06
"""Density of a fault that is put on film: about three times what a lamp may make."""

Read = Callable[[Any], list[str]]
"""What is read of one scan by some limits: a word for each thing on it."""


def thresholds(limits: object, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield the path to each number among limits, and its status."""
    for field in dataclasses.fields(limits):  # type: ignore[arg-type]
        value, here = getattr(limits, field.name), (*path, field.name)
        if isinstance(value, TroubleLimits):
            continue  # a finder of its own
        if dataclasses.is_dataclass(value):
            yield from thresholds(value, here)
        elif field.name != "angles_deg":
            yield here, field.metadata["status"]


def moved(limits: Any, path: Sequence[str], factor: float) -> Any:
    """Return limits with one number taken times a factor."""
    name, *rest = path
    value = getattr(limits, name)
    return dataclasses.replace(limits, **{name: moved(value, rest, factor) if rest else _times(value, factor)})


def _times(value: Any, factor: float) -> Any:
    if isinstance(value, tuple):
        return tuple(_times(one, factor) for one in value)
    if isinstance(value, int):
        return round(value * factor) if round(value * factor) != value else value + (1 if factor > 1 else -1)
    return value * factor


# ---- scans, and what is read of them -----------------------------------------------------------------------------


def wedge(seed: int, folder: Path) -> Read:
    """Render a wedge that somebody laid down, and return how it is read."""
    laid = drawn_wedge(seed)
    scan = _written(laid.pieces, laid.scanner, seed, folder, size_mm=laid.size_mm, surround=laid.surround)
    signal, quantum = signal_map(scan), 1.0 / scan.facts.full_scale
    steps = Steps(
        densities=np.sort(np.array(laid.stated)), doubts=np.full(len(laid.stated), max(laid.uncertainty / 2, 0.003))
    )

    def read(limits: RowLimits) -> list[str]:
        try:
            place = find_steps(signal, steps, inverted=laid.scanner.inverted, quantum=quantum, limits=limits)
        except WedgeNotFoundError:
            return ["refused"]
        return ["found" if _inside(place, laid.layout) else "wrong"]

    return read


def printed_row(seed: int, folder: Path) -> Read:
    """Render a print of a wedge, and return how its row of tones is read."""
    case = drawn_case(seed)
    scan = case.scan(folder / "print.tif")
    signal, quantum = signal_map(scan), 1.0 / scan.facts.full_scale

    def read(limits: PrintedRowLimits) -> list[str]:
        try:
            place = find_printed_steps(signal, len(case.stated), quantum=quantum, limits=limits)
        except WedgeNotFoundError:
            return ["refused"]
        return ["found" if _inside(place, case.printed()) else "wrong"]

    return read


def film(seed: int, folder: Path) -> Read:
    """Render a bed of sheets, or what is no negative, by turns; return which are found, lost, strange or judged."""
    if seed % 2:
        return _other(seed, folder)
    pieces, size, scenes = bed_rates.drawn(seed)
    scanner = renderer.random_scanner(np.random.default_rng([seed, 98]), ppi=(100, 120))
    rendered = renderer.render_bed(pieces, scanner, seed=seed, size_mm=size)
    renderer.write_scan(rendered, folder / "bed.tif", compression=None)
    scan, calibration = open_scan(folder / "bed.tif"), exact_calibration(scanner, seed, folder)
    bench = bench_for(scan, calibration, MeasureOptions())

    def read(limits: ReadLimits) -> list[str]:
        readings = _measured(bench, limits)
        owners = [bed_rates.owner_of(reading, rendered.truth.films) for reading in readings]
        judged = {owner for owner, one in zip(owners, readings, strict=True) if one.seen in seen_rates.JUDGED}
        words = ["found" if k in judged else "refused" if k in owners else "lost" for k in range(len(scenes))]
        return [*words, *("wrong" for owner in owners if owner is None)]

    return read


def _other(seed: int, folder: Path) -> Read:
    kinds = sorted(seen_rates.OTHERS)
    kind = kinds[(seed // 2) % len(kinds)]
    drawn = seen_rates.OTHERS[kind](np.random.default_rng([seed, 3]), seed, folder)
    scan, calibration = open_scan(drawn.path), exact_calibration(drawn.scanner, seed, folder)
    bench = bench_for(scan, calibration, MeasureOptions())

    def read(limits: ReadLimits) -> list[str]:
        readings = _measured(bench, limits)
        return ["wrong" if any(one.seen == "negative" for one in readings) else "found"]

    return read


def trouble(seed: int, folder: Path) -> Read:
    """Render clean film, or a leak, a gradient or bands, by turns; return what is found, lost and found wrongly."""
    rng = np.random.default_rng([seed, 4])
    faults = (evenness_rates.leak, evenness_rates.gradient, evenness_rates.bands)
    fault = seed % (len(faults) + 1)
    case = evenness_rates.clean(rng) if fault == 0 else faults[fault - 1](rng, _FAULT)
    scanner, calibration = evenness_rates.scanner_and_calibration(seed)
    scan = _written(case.bedful.pieces, scanner, seed, folder, size_mm=case.bedful.size_mm)
    bench = bench_for(scan, calibration, MeasureOptions(fog_sheet=case.fog_sheet))
    readings = measure_on(bench)

    def read(limits: TroubleLimits) -> list[str]:
        options = MeasureOptions(fog_sheet=case.fog_sheet, limits=dataclasses.replace(READ_LIMITS, trouble=limits))
        found = [one for of in trouble_on(dataclasses.replace(bench, options=options), readings) for one in of.findings]
        wanted = [one for one in found if case.wanted(one)]
        words = ["found" if wanted else "lost"] if fault else []
        return [*words, *("wrong" for one in found if one not in wanted)]

    return read


def _measured(bench: Bench, limits: ReadLimits) -> tuple[Reading, ...]:
    """Read a scan again by other limits; nothing that was read before the search rests on them."""
    sought = dataclasses.replace(bench.sought, limits=limits.find)
    return measure_on(dataclasses.replace(bench, options=MeasureOptions(limits=limits), sought=sought))


def _written(pieces: Any, scanner: renderer.Scanner, seed: int, folder: Path, **bed: Any) -> Scan:
    renderer.write_scan(renderer.render_bed(pieces, scanner, seed=seed, **bed), folder / "scan.tif", compression=None)
    return open_scan(folder / "scan.tif")


def _inside(place: WedgePlace, layout: renderer.WedgeLayout) -> bool:
    """Tell whether the middle of each step lies within that step, by rank of density."""
    ranks = sorted(range(len(layout.densities)), key=lambda number: layout.densities[number])
    for number, step in zip(ranks, place.steps, strict=True):
        left, top, width, height = step.box_mm
        u, v = layout.place.off_bed(left + width / 2, top + height / 2)
        x, y, across, down = layout.step_box(number)
        if not (x < u < x + across and y < v < y + down):
            return False
    return True


FINDERS: Final[dict[str, tuple[Callable[[int, Path], Read], Any]]] = {
    "wedge": (wedge, ROW_LIMITS),
    "rows": (printed_row, PRINTED_ROW_LIMITS),
    "film": (film, READ_LIMITS),
    "trouble": (trouble, TROUBLE_LIMITS),
}


# ---- the trial ---------------------------------------------------------------------------------------------------

Change = tuple[str, str]
"""A word as it was, and as it is by a threshold that was moved."""


def changes(finder: str, seed: int) -> tuple[list[str], dict[tuple[tuple[str, ...], float], list[Change]]]:
    """Return what is read of one scan, and what of it each threshold moved changes."""
    drawn, limits = FINDERS[finder]
    with tempfile.TemporaryDirectory() as folder:
        read = drawn(seed, Path(folder))
        plain = read(limits)
        found: dict[tuple[tuple[str, ...], float], list[Change]] = {}
        for path, _ in thresholds(limits):
            for factor in FACTORS:
                words = read(moved(limits, path, factor))
                long = max(len(plain), len(words))
                pairs = zip(_padded(plain, long), _padded(words, long), strict=True)
                found[path, factor] = [pair for pair in pairs if pair[0] != pair[1]]
    return plain, found


def _padded(words: list[str], size: int) -> list[str]:
    return [*words, *("nothing" for _ in range(size - len(words)))]


def table(finder: str, seeds: Sequence[int], jobs: int) -> str:
    """Return the counts of one finder, and a row for each threshold that changed anything."""
    with ProcessPoolExecutor(jobs) as pool:
        results = list(pool.map(changes, [finder] * len(seeds), seeds))
    plain = Counter(word for words, _ in results for word in words)
    every = list(thresholds(FINDERS[finder][1]))
    rows = []
    for path, status in every:
        cells = []
        for factor in FACTORS:
            seen = Counter(f"{before} → {after}" for _, found in results for before, after in found[path, factor])
            cells.append(", ".join(f"{count} {what}" for what, count in sorted(seen.items())) or "–")
        if cells != ["–"] * len(FACTORS):
            rows.append(f"| {finder} | {' '.join(path)} | {status} | {' | '.join(cells)} |")
    told = ", ".join(f"{count} {word}" for word, count in sorted(plain.items()))
    moved_any = len(rows)
    return "\n".join(
        [f"{finder}: {len(seeds)} scans, {told}; {moved_any} of {len(every)} thresholds changed any", *rows]
    )


def main(arguments: Sequence[str]) -> int:
    """Run the trial and print its tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.sensitivity")
    parser.add_argument("finders", nargs="*", help=f"of {', '.join(FINDERS)}")
    parser.add_argument("--scans", type=int, default=6)
    parser.add_argument("--first", type=int, default=HELD_OUT)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    unknown = sorted(set(asked.finders) - set(FINDERS))
    if unknown:
        parser.error(f"{', '.join(unknown)}: not among {', '.join(FINDERS)}")
    seeds = range(asked.first, asked.first + asked.scans)
    for finder in asked.finders or FINDERS:
        sys.stdout.write(f"{table(finder, seeds, asked.jobs)}\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
