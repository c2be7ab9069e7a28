"""Is film that a hand cut read right, however crooked its sides and however little rebate they leave?

    python -m tests.trials.cut_rates [--scans N] [--first SEED] [--jobs N]

Each scan holds one sheet of 57 to 127 mm, now and then 200 mm long, whose sides are cut off square and obliquely by up
to 1.5 mm, with rebate of 0.3 to 4 mm all round, on two sides, or cut away to nothing along one; half of them with
nothing else, the others with tape on a corner, a paper template round the film, or pen in the rebate. The film is
calibrated for exactly, so that errors are those of finding and reading. A figure is right inside what is stated of
it, withheld where it is not given, and silently wrong where it is neither and off by more than 0.03.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from densiscan.arithmetic.quantity import Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.scan import open_scan
from tests import renderer
from tests.renderer.film import Cut
from tests.trials.finding_rates import exact_calibration

SIZES_MM: Final = ((57.0, 83.0), (60.0, 60.0), (88.0, 63.0), (90.0, 120.0), (127.0, 102.0))
LONG_MM: Final = (200.0, 127.0)
REBATES: Final = ("all round", "narrow", "cut to nothing", "two sides", "none")
LITTER: Final = ("nothing", "tape", "template", "pen")
FIGURES: Final = ("base plus fog", "shadow", "highlight")
WRONG: Final = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure beside its truth; `value` is None where it was withheld, `code` the reading's warnings."""

    seed: int
    what: str
    about: str
    truth: float
    value: float | None
    uncertainty: float
    limit: bool
    codes: tuple[str, ...]

    @property
    def withheld(self) -> bool:
        return self.value is None or self.limit

    @property
    def error(self) -> float:
        return 0.0 if self.value is None else self.value - self.truth

    @property
    def inside(self) -> bool:
        return not self.withheld and abs(self.error) <= self.uncertainty

    @property
    def silently_wrong(self) -> bool:
        return not self.withheld and not self.inside and abs(self.error) > WRONG


def rebates_of(rng: np.random.Generator, kind: str) -> tuple[float, float, float, float]:
    """Draw how wide the clear edge is before the cut: left, top, right, bottom, mm."""
    if kind == "none":
        return (0.0,) * 4
    if kind == "narrow":
        return tuple(float(width) for width in rng.uniform(0.3, 0.6, 4))  # type: ignore[return-value]
    widths = [float(width) for width in rng.uniform(0.8, 4.0, 4)]
    if kind == "two sides":
        for side in rng.choice(4, 2, replace=False).tolist():
            widths[side] = 0.0
    return widths[0], widths[1], widths[2], widths[3]


def cuts_of(rng: np.random.Generator, kind: str, widths: Sequence[float]) -> tuple[Cut, Cut, Cut, Cut]:
    """Draw a crooked cut for each side; where it cuts to nothing, one side at least ends at the picture."""
    narrowest = 0.25 if kind == "narrow" else 1.5
    cuts = [
        (float(rng.uniform(0, narrowest)), float(rng.uniform(0, narrowest)), float(rng.uniform(-0.3, 0.3) * narrowest))
        for _ in range(4)
    ]
    if kind == "cut to nothing":
        side = int(rng.integers(4))
        ends = (0.0, widths[side]) if rng.uniform() < 0.5 else (widths[side], 0.0)
        cuts[side] = (*ends, float(rng.uniform(-0.2, 0.2)))
    return cuts[0], cuts[1], cuts[2], cuts[3]


def drawn(seed: int) -> tuple[list[renderer.Piece], tuple[float, float], str]:
    """Draw one scan: what lies on it, film first, its size, and a word about it."""
    rng = np.random.default_rng([seed, 113])
    size = LONG_MM if rng.uniform() < 0.12 else SIZES_MM[int(rng.integers(len(SIZES_MM)))]
    kind = REBATES[int(rng.choice(5, p=(0.35, 0.15, 0.25, 0.15, 0.1)))]
    litter = LITTER[int(rng.choice(4, p=(0.55, 0.15, 0.15, 0.15)))]
    widths = rebates_of(rng, kind)
    scan = (size[0] + 2 * float(rng.uniform(8, 14)), size[1] + 2 * float(rng.uniform(8, 14)))
    place = renderer.Place(x_mm=scan[0] / 2, y_mm=scan[1] / 2, angle_deg=float(rng.uniform(-2, 2)))
    film = renderer.sheet(
        size_mm=size,
        place=place,
        picture=renderer.random_picture(rng),
        edge_mm=widths,
        notch=None,
        curve=renderer.random_curve(rng),
        granularity=float(rng.uniform(5, 16)),
        edge_shadow=float(rng.choice((0.0, rng.uniform(0.05, 0.4)))),
        cut=cuts_of(rng, kind, widths),
    )
    pieces: list[renderer.Piece] = [film]
    if litter == "tape":
        pieces.append(_tape(rng, film))
    elif litter == "template":
        pieces.append(_template(rng, film, scan))
    elif litter == "pen":
        pieces.append(_pen(rng, film, widths))
    return pieces, scan, f"{size[0]:g} x {size[1]:g}, {kind}, {litter}"


def _tape(rng: np.random.Generator, film: renderer.Film) -> renderer.Piece:
    """Draw tape over a corner, clear or opaque; most of it lies on the glass."""
    width, height = film.size_mm
    u, v = float(rng.choice((-1, 1))) * (width / 2 + 1.5), float(rng.choice((-1, 1))) * (height / 2 + 0.5)
    x, y = film.place.on_bed(u, v)
    place = renderer.Place(x_mm=x, y_mm=y, angle_deg=float(rng.uniform(-30, 30)))
    return renderer.Sheetlet(place=place, size_mm=(12.0, 5.0), density=float(rng.choice((0.06, 0.12, 0.9, 3.0))))


def _template(rng: np.random.Generator, film: renderer.Film, scan: tuple[float, float]) -> renderer.Piece:
    """Draw paper with an opening that leaves glass round the film, up to the edges of the scan or not."""
    beyond = float(rng.uniform(1.0, 3.0))
    width, height = film.size_mm[0] + 2 * beyond, film.size_mm[1] + 2 * beyond
    outer = (1000.0, 1000.0) if rng.uniform() < 0.5 else (scan[0] - 4.0, scan[1] - 4.0)
    place = replace(film.place, angle_deg=film.place.angle_deg + float(rng.uniform(-0.3, 0.3)))
    density = float(rng.choice((0.7, 1.1, 3.5)))
    return renderer.Sheetlet(
        place=place, size_mm=outer, density=density, openings=((-width / 2, -height / 2, width, height),)
    )


def _pen(rng: np.random.Generator, film: renderer.Film, widths: Sequence[float]) -> renderer.Piece:
    """Draw strokes along one side, in the rebate or, where there is none, across the edge of the film."""
    width, height = film.size_mm
    side = int(np.argmax(widths))
    strokes = []
    for _ in range(int(rng.integers(2, 6))):
        along, out = float(rng.uniform(-0.3, 0.3)), float(rng.uniform(0.0, 0.6)) * max(widths[side], 0.5)
        depth, length = out + float(rng.uniform(0.0, 0.3)) * widths[side], float(rng.uniform(0.5, 5.0))
        sign = -1.0 if side < 2 else 1.0
        if side % 2 == 0:
            ends = (sign * (width / 2 - out), along * height, sign * (width / 2 - depth), along * height + length)
        else:
            ends = (along * width, sign * (height / 2 - out), along * width + length, sign * (height / 2 - depth))
        strokes.append((*film.place.on_bed(*ends[:2]), *film.place.on_bed(*ends[2:])))
    return renderer.PenMarks(strokes=tuple(strokes), width_mm=0.4, density=float(rng.uniform(0.4, 2.0)))


def scanner_of(seed: int) -> renderer.Scanner:
    """Draw a scanner; of 600 ppi now and then, which takes long to render."""
    rng = np.random.default_rng([seed, 114])
    scanner = renderer.random_scanner(rng, ppi=(150, 150, 200, 240, 300, 300, 400, 600))
    # what the scanner scatters differs from the wedge's scan to the film's, and is another trial's
    return replace(scanner, glare=min(scanner.glare, 0.001))


def figures(seed: int) -> list[Figure]:
    """Render one scan, read it by an exact calibration, and hold its figures against the truth."""
    pieces, size, about = drawn(seed)
    scanner = scanner_of(seed)
    rendered = renderer.render_bed(pieces, scanner, seed=seed, size_mm=size)
    with tempfile.TemporaryDirectory() as folder:
        made = exact_calibration(replace(scanner, ppi=150.0), seed, Path(folder))
        renderer.write_scan(rendered, Path(folder) / "film.tif", compression=None)
        readings = measure_scan(open_scan(Path(folder) / "film.tif"), made, MeasureOptions())
    return _held_against(seed, f"{about}, {scanner.ppi:g} ppi", rendered.truth.film, readings, made)


def _held_against(
    seed: int, about: str, film: renderer.FilmTruth, readings: Sequence[Reading], made: Calibration
) -> list[Figure]:
    """Return the figures of the readings that are of the film or of anything that is judged as a negative."""
    frame = film.frame
    middle = np.mean(np.array(frame.corners_mm), axis=0)
    found = []
    for reading in readings:
        strange = reading.seen_mm is not None and (
            abs(reading.seen_mm[0] + reading.seen_mm[2] / 2 - middle[0]) > 6
            or abs(reading.seen_mm[1] + reading.seen_mm[3] / 2 - middle[1]) > 6
        )
        name = f"{about}, seen as {reading.seen}" + (", of something else" if strange or len(readings) > 1 else "")
        judged = reading.seen in {"negative", "unknown"}
        codes = tuple(warning.code for warning in reading.warnings)
        told: tuple[tuple[str, Quantity | None, float], ...] = (
            ("base plus fog", reading.base_plus_fog, film.base_plus_fog),
            ("shadow", reading.shadow, frame.shadow),
            ("highlight", reading.highlight, frame.highlight),
        )
        for what, read, truth in told:
            limit = read is None or not judged or read.limit is not None or made.outside(truth)
            found.append(
                Figure(
                    seed=seed,
                    what=what,
                    about=name,
                    truth=truth,
                    value=None if read is None else read.value,
                    uncertainty=0.0 if read is None else read.uncertainty or 0.0,
                    limit=limit,
                    codes=codes,
                )
            )
    return found


def report(found: Sequence[Figure]) -> str:
    """Return the counts as a table, and every figure that is silently wrong."""
    lines = [
        "| figure | n | inside | withheld | off, by less than 0.03 | silently wrong | median error | 95 % within |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for what in FIGURES:
        some = [one for one in found if one.what == what]
        told = np.abs([one.error for one in some if not one.withheld])
        inside, withheld = sum(one.inside for one in some), sum(one.withheld for one in some)
        wrong = sum(one.silently_wrong for one in some)
        middle, most = (float(np.percentile(told, share)) if told.size else 0.0 for share in (50, 95))
        lines.append(
            f"| {what} | {len(some)} | {inside} | {withheld} | {len(some) - inside - withheld - wrong} | {wrong} | "
            f"{middle:.4f} | {most:.4f} |"
        )
    lines += [""]
    lines += [
        f"{one.seed}: {one.what} {one.value:.3f} +- {one.uncertainty:.3f} for {one.truth:.3f} ({one.about}; "
        f"{', '.join(one.codes)})"
        for one in found
        if one.silently_wrong
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run the trial and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.cut_rates")
    parser.add_argument("--scans", type=int, default=60)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    seeds = range(asked.first, asked.first + asked.scans)
    with ProcessPoolExecutor(asked.jobs) as pool:
        found = [one for some in pool.map(figures, seeds) for one in some]
    sys.stdout.write(f"{report(found)}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
