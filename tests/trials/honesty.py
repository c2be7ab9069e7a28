"""The honesty bench: is the truth inside value plus or minus uncertainty about 95 times in 100?

    python -m tests.trials.honesty [--scans N] [--first SEED] [--out FILE] | --kept FILE...
    python -m tests.trials.honesty [--certificate D [--film]] [--glare S] ...      wedges and scanners of that kind

Each scan is drawn anew: a scanner, a wedge whose file states densities that are off by its certificate, and film. The
wedge is calibrated and the film measured through the functions that everybody uses; what they say is held against what
the renderer knows, which shares no code with them. `--out` keeps every single reading with its budget (JSON lines).
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Final, TextIO

import numpy as np

from densiscan.arithmetic.quantity import Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.errors import DensiscanError
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.scan import open_scan
from densiscan.wedge.wedge import read_wedge
from tests import renderer
from tests.renderer.film import Film
from tests.renderer.random_scans import DrawnWedge, FilmKind
from tests.renderer.render import Piece
from tests.renderer.scenes import CHARTS

KINDS: Final[tuple[FilmKind, ...]] = ("normal", "thin", "dense", "flat", "vignetted")
SHARES: Final = (0.5, 0.15, 0.15, 0.1, 0.1)
BEDS: Final = ("sheet", "roll", "holder")
READINGS: Final = (
    "step",
    "base plus fog",
    "shadow",
    "highlight",
    "density range",
    "net shadow",
    "net highlight",
    "spot",
)
SPOTS: Final = 4
CHART_SHARE: Final = 0.3
"""Share of the scans on which shadow and highlight rest on few places: even patches, or strips along an edge."""
SMALL_MM: Final = (63.0, 88.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One reading beside its truth.

    `limit` says that the reading lies outside the calibrated densities and is flagged as a limit.
    """

    seed: int
    what: str
    value: float
    uncertainty: float
    truth: float
    limit: bool = False
    about: str = ""
    budget: dict[str, float] = field(default_factory=dict)

    @property
    def error(self) -> float:
        return self.value - self.truth

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What came of one kind of reading over many scans.

    `lazy` is the median uncertainty over the median error, `each` the median of that ratio reading by reading: 2.97 for
    an exactly honest normal distribution, whatever mixture of good and bad wedges and scanners it is made of.
    """

    what: str
    number: int
    inside: float
    uncertainty: float
    lazy: float
    each: float
    bias: float
    rms: float


def checks_of(
    seed: int, folder: Path, *, small: bool = False, certificate: float | None = None, glare: float | None = None
) -> Iterator[Check]:
    """Render one scanner, wedge and film, calibrate and measure.

    Figures of a frame are held against it only where a frame was told: what is flagged as read of the whole film is the
    film's and not the frame's.

    Parameters
    ----------
    small
        A short wedge and a small sheet at 150 ppi, for a bench that must be quick.
    certificate, glare
        Expanded uncertainty of the wedge file, and share of the light that is scattered; drawn where None.

    Raises
    ------
    DensiscanError
        Where the wedge is not found, or the scanner drowns too much of it.
    """
    rng = np.random.default_rng([seed, 77])
    bits = 16 if rng.uniform() < 0.85 else 8
    scanner = renderer.random_scanner(rng, bits=bits, **({"ppi": (150,)} if small else {}))
    scanner = scanner if glare is None else replace(scanner, glare=glare)
    drawn = renderer.random_wedge(rng, count=13 if small else None)
    drawn = drawn if certificate is None else _certified(drawn, certificate, rng)
    kind = KINDS[int(rng.choice(len(KINDS), p=SHARES))]
    bed = BEDS[int(rng.choice(len(BEDS), p=(0.6, 0.2, 0.2)))]
    bed = "sheet" if small else bed
    chart = None if rng.uniform() > CHART_SHARE else str(rng.choice(sorted(CHARTS)))
    bedful = {
        "sheet": lambda: renderer.random_sheet(rng, kind=kind, size_mm=SMALL_MM if small else None),
        "roll": lambda: renderer.random_roll(rng),
        "holder": lambda: renderer.random_held(rng, kind=kind),
    }[bed]()
    bedful = bedful if chart is None else replace(bedful, pieces=tuple(_of_chart(one, chart) for one in bedful.pieces))
    about = (
        f"{scanner.tone} {bits} bit, {bed}" + ("" if bed == "roll" else f" {kind}") + (f", {chart}" if chart else "")
    )
    wedge_scan = renderer.render_bed(drawn.pieces, scanner, seed=seed, size_mm=drawn.size_mm)
    renderer.write_scan(wedge_scan, folder / "wedge.tif", compression=None)
    renderer.write_wedge_file(folder / "wedge.csv", drawn.stated, drawn.uncertainty)
    label = Label(name="bench", created="2026-01-01T00:00:00+00:00")
    made = calibrate(open_scan(folder / "wedge.tif"), read_wedge(folder / "wedge.csv"), label=label)
    yield from _steps(seed, made, wedge_scan.truth.wedges[0], about)
    film_scan = renderer.render_bed(bedful.pieces, scanner, seed=seed + 1_000_003, size_mm=bedful.size_mm)
    renderer.write_scan(film_scan, folder / "film.tif", compression=None)
    film = film_scan.truth.films[0]
    spots = tuple(_places(film, rng))
    readings = measure_scan(open_scan(folder / "film.tif"), made, MeasureOptions(spots_mm=spots))
    yield from _film(seed, made, film, readings, about)


def _of_chart(piece: Piece, chart: str) -> Piece:
    """Return a piece of film with a chart in place of every picture on it."""
    if not isinstance(piece, Film):
        return piece
    return replace(piece, frames=tuple(replace(one, picture=replace(one.picture, scene=chart)) for one in piece.frames))


def steps_of(seed: int, folder: Path, certificate: float) -> Iterator[Check]:
    """Render one scanner of 16 bits and one wedge whose file is off by a certificate, and calibrate: the steps alone.

    Raises DensiscanError as `checks_of` does.
    """
    rng = np.random.default_rng([seed, 78])
    scanner = renderer.random_scanner(rng)
    drawn = renderer.random_wedge(rng)
    true = drawn.layout.densities
    drawn = _certified(drawn, certificate, rng)
    scan = renderer.render_bed(drawn.pieces, scanner, seed=seed, size_mm=drawn.size_mm)
    renderer.write_scan(scan, folder / "wedge.tif", compression=None)
    renderer.write_wedge_file(folder / "wedge.csv", drawn.stated, certificate)
    label = Label(name="bench", created="2026-01-01T00:00:00+00:00")
    made = calibrate(open_scan(folder / "wedge.tif"), read_wedge(folder / "wedge.csv"), label=label)
    yield from _steps(seed, made, scan.truth.wedges[0], f"{scanner.tone}, {len(true)} steps")


def _certified(drawn: DrawnWedge, certificate: float, rng: np.random.Generator) -> DrawnWedge:
    """Return a wedge whose file is off by another certificate."""
    true = drawn.layout.densities
    stated = tuple(
        round(max(0.0, d + float(e)), 4) for d, e in zip(true, rng.normal(0, certificate / 2, len(true)), strict=True)
    )
    return replace(drawn, stated=stated, uncertainty=certificate)


def _check(seed: int, what: str, read: Quantity, truth: float, about: str, made: Calibration | None) -> Check:
    return Check(
        seed=seed,
        what=what,
        value=read.value,
        uncertainty=read.uncertainty or 0.0,
        truth=truth,
        limit=read.limit is not None or (made is not None and made.outside(read.value)),
        about=about,
        budget=read.budget(),
    )


def _steps(seed: int, made: Calibration, wedge: renderer.WedgeTruth, about: str) -> Iterator[Check]:
    true = {str(step.number): step.density for step in wedge.steps}
    for step in made.steps:
        if step.measured is not None:
            yield _check(seed, "step", step.measured, true[step.reading.step], about, None)


def _places(film: renderer.FilmTruth, rng: np.random.Generator) -> Iterator[tuple[float, float]]:
    """Draw places well inside the frames, in millimetres on the scan."""
    for _ in range(SPOTS):
        frame = film.frames[int(rng.integers(len(film.frames)))]
        a, b, _, d = (np.array(corner) for corner in frame.corners_mm)
        across, down = rng.uniform(0.1, 0.9, 2)
        x, y = a + across * (b - a) + down * (d - a)
        yield round(float(x), 2), round(float(y), 2)


def _film(
    seed: int, made: Calibration, film: renderer.FilmTruth, readings: Sequence[Reading], about: str
) -> Iterator[Check]:
    for reading in readings:
        for spot in reading.spots:
            truth = film.density_at(spot.x_mm, spot.y_mm)
            yield _check(seed, "spot", spot.density, truth, about, made)
    framed = [reading for reading in readings if reading.frame_mm is not None]
    for frame in film.frames if framed else ():
        reading = min(framed, key=lambda one: _distance(one, frame))
        if _distance(reading, frame) > 0.25 * min(frame.frame_mm[2:]):
            continue
        base = film.base_plus_fog
        limits = {}
        for what, read, truth in (
            ("base plus fog", reading.base_plus_fog, base),
            ("shadow", reading.shadow, frame.shadow),
            ("highlight", reading.highlight, frame.highlight),
        ):
            if read is not None:
                limits[what] = read.limit is not None or made.outside(read.value)
                yield _check(seed, what, read, truth, about, made)
        for what, read, truth, ends in (
            ("density range", reading.density_range, frame.density_range, ("shadow", "highlight")),
            ("net shadow", reading.net_shadow, frame.shadow - base, ("base plus fog", "shadow")),
            ("net highlight", reading.net_highlight, frame.highlight - base, ("base plus fog", "highlight")),
        ):
            if read is not None:
                found = _check(seed, what, read, truth, about, None)
                yield Check(**{**asdict(found), "limit": any(limits.get(end, False) for end in ends)})


def _distance(reading: Reading, frame: renderer.FrameTruth) -> float:
    """Return how far the middle of what was read lies from the middle of a frame, mm."""
    x, y = np.mean(np.array(frame.corners_mm), axis=0)
    if reading.frame_corners_mm is not None:
        u, v = np.mean(np.array(reading.frame_corners_mm), axis=0)
    elif reading.seen_mm is not None:
        left, top, width, height = reading.seen_mm
        u, v = left + width / 2, top + height / 2
    else:
        return 0.0
    return math.hypot(float(u - x), float(v - y))


def run(
    seeds: Iterable[int],
    out: TextIO | None = None,
    *,
    certificate: float | None = None,
    glare: float | None = None,
    film: bool = True,
) -> tuple[list[Check], list[str]]:
    """Run the bench over seeds; what could not be calibrated or measured comes back in words.

    Parameters
    ----------
    out
        Takes every check as it is made, as JSON lines.
    certificate, glare
        As `checks_of` takes them.
    film
        Whether film is measured; else the steps alone are held against the truth, in scans of 16 bits.
    """
    checks: list[Check] = []
    refused: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            try:
                one = (
                    checks_of(seed, Path(folder), certificate=certificate, glare=glare)
                    if film or certificate is None
                    else steps_of(seed, Path(folder), certificate)
                )
                found = list(one)
            except DensiscanError as problem:
                refused.append(f"{seed}: {problem}")
                continue
            checks.extend(found)
            if out is not None:
                out.writelines(json.dumps(asdict(check)) + "\n" for check in found)
                out.flush()
    return checks, refused


def rows_of(checks: Sequence[Check]) -> list[Row]:
    """Return one row for each kind of reading, those flagged as limits left out."""
    rows = []
    for what in READINGS:
        found = [check for check in checks if check.what == what and not check.limit]
        if found:
            error = np.array([check.error for check in found])
            half = np.array([check.uncertainty for check in found])
            median = float(np.median(half))
            rows.append(
                Row(
                    what=what,
                    number=len(found),
                    inside=float(np.mean(np.abs(error) <= half)),
                    uncertainty=median,
                    lazy=median / float(np.median(np.abs(error))),
                    each=1.0 / float(np.median(np.abs(error) / np.maximum(half, 1e-9))),
                    bias=float(error.mean()),
                    rms=float(np.sqrt(np.mean(error**2))),
                )
            )
    return rows


def table(rows: Sequence[Row]) -> str:
    """Return the rows as a Markdown table."""
    lines = [
        "| reading | n | truth inside | median uncertainty | over median error | one by one | bias | rms error |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    lines += [
        f"| {row.what} | {row.number} | {100 * row.inside:.1f} % | {row.uncertainty:.4f} | {row.lazy:.2f} | "
        f"{row.each:.2f} | {row.bias:+.4f} | {row.rms:.4f} |"
        for row in rows
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.honesty", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--scans", type=int, default=300)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--out", type=Path, help="keep every check with its budget (JSON lines)")
    parser.add_argument("--kept", type=Path, nargs="+", help="no new scans: the table of what --out has kept")
    parser.add_argument("--certificate", type=float, help="wedges with this certificate, and their steps alone")
    parser.add_argument("--film", action="store_true", help="with --certificate: film too")
    parser.add_argument("--glare", type=float, help="scanners that scatter this share of the light")
    asked = parser.parse_args(arguments)
    if asked.kept:
        kept = [Check(**json.loads(line)) for file in asked.kept for line in file.open(encoding="utf-8")]
        sys.stdout.write(f"{table(rows_of(kept))}\n\n{len({check.seed for check in kept})} scans; ")
        sys.stdout.write(f"{sum(check.limit for check in kept)} readings flagged as limits left out\n")
        return 0
    seeds = range(asked.first, asked.first + asked.scans)
    film = asked.film or asked.certificate is None
    if asked.out is None:
        checks, refused = run(seeds, certificate=asked.certificate, glare=asked.glare, film=film)
    else:
        with asked.out.open("w", encoding="utf-8") as out:
            checks, refused = run(seeds, out, certificate=asked.certificate, glare=asked.glare, film=film)
    limits = sum(check.limit for check in checks)
    sys.stdout.write(f"{table(rows_of(checks))}\n\n{asked.scans} scans from seed {asked.first}; ")
    sys.stdout.write(f"{limits} readings flagged as limits left out; {len(refused)} scans refused\n")
    sys.stdout.writelines(f"  {text}\n" for text in refused)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
