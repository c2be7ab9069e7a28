"""Is a sheet of film lost on a bed of several, where half the pictures are windows, blinds and fences?

    python -m tests.trials.bed_rates [--beds N] [--first SEED] [--jobs N]

Each bed holds two to four sheets in rows, a step wedge beside them on a third of the beds, and now and then what lies
about: the bed's dark border, tape, marks of a pen; some film is cut by hand. The renderer shares no code with what
searches. A sheet is lost when no reading is of it.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.scan import open_scan
from tests import renderer
from tests.trials.finding_rates import exact_calibration

SIZES_MM = ((63.0, 88.0), (88.0, 63.0), (60.0, 60.0), (88.0, 118.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """What became of one bed: sheets laid, sheets with no reading, readings of no sheet, and of a wedge."""

    seed: int
    sheets: int
    lost: tuple[str, ...]
    strange: int
    wedge: bool
    wedge_left_out: bool


def drawn(seed: int) -> tuple[list[renderer.Piece], tuple[float, float], list[str]]:
    """Draw what lies on a bed: the pieces, films first, the scan's size, and what each film shows."""
    rng = np.random.default_rng([seed, 97])
    size = SIZES_MM[int(rng.integers(len(SIZES_MM)))]
    columns, rows = ((2, 1), (1, 2), (2, 2), (3, 1))[int(rng.integers(4))]
    gap = float(rng.uniform(5, 12))
    films: list[renderer.Film] = []
    scenes = []
    for number in range(columns * rows):
        row, column = divmod(number, columns)
        at = renderer.Place(
            x_mm=gap + (column + 0.5) * (size[0] + gap),
            y_mm=gap + (row + 0.5) * (size[1] + gap),
            angle_deg=float(rng.uniform(-1.5, 1.5)),
        )
        picture = renderer.random_picture(rng)
        if rng.uniform() < 0.5:
            picture = replace(picture, scene=str(rng.choice(sorted(renderer.RULED))))
        cut = None
        if rng.uniform() < 0.25:
            cut = tuple(
                (float(rng.uniform(0, 0.8)), float(rng.uniform(0, 0.8)), float(rng.uniform(-0.2, 0.3)))
                for _ in range(4)
            )
        scenes.append(picture.scene)
        films.append(
            renderer.sheet(
                size_mm=size, place=at, picture=picture, curve=renderer.random_curve(rng), granularity=8.0, cut=cut
            )
        )
    scan = (gap + columns * (size[0] + gap), gap + rows * (size[1] + gap))
    pieces: list[renderer.Piece] = list(films)
    if rng.uniform() < 1 / 3:
        wedge = renderer.random_wedge(rng)
        down = scan[1] + wedge.size_mm[1] / 2
        place = replace(wedge.layout.place, x_mm=max(scan[0], wedge.size_mm[0]) / 2, y_mm=down)
        pieces.append(replace(wedge.layout, place=place, mask_mm=0.0))
        scan = (max(scan[0], wedge.size_mm[0]), scan[1] + wedge.size_mm[1])
    if rng.uniform() < 0.25:
        width = float(rng.uniform(9, 25))
        pieces.append(renderer.BedBorder(edge="right", width_mm=width, density=float(rng.uniform(0.55, 1.1))))
        scan = (scan[0] + width + 6.0, scan[1])
    if rng.uniform() < 0.3:
        corner = films[0].place.on_bed(-size[0] / 2, -size[1] / 2)
        pieces.append(
            renderer.Sheetlet(place=renderer.Place(x_mm=corner[0], y_mm=corner[1]), size_mm=(14.0, 6.0), density=0.12)
        )
    if rng.uniform() < 0.3:
        x, y = films[-1].place.on_bed(-size[0] / 2, 0.0)
        pieces.append(renderer.PenMarks(strokes=((x + 0.5, y, x + 2.0, y), (x + 1.0, y + 3, x + 1.5, y + 5))))
    return pieces, scan, scenes


def outcome(seed: int) -> Bed:
    """Render a bed, read it by an exact calibration, and count the sheets that have a reading."""
    pieces, size, scenes = drawn(seed)
    scanner = renderer.random_scanner(np.random.default_rng([seed, 98]), ppi=(100, 120, 150))
    rendered = renderer.render_bed(pieces, scanner, seed=seed, size_mm=size)
    with tempfile.TemporaryDirectory() as folder:
        made = exact_calibration(scanner, seed, Path(folder))
        renderer.write_scan(rendered, Path(folder) / "bed.tif", compression=None)
        readings = measure_scan(open_scan(Path(folder) / "bed.tif"), made, MeasureOptions())
    films = rendered.truth.films
    owners = [owner_of(reading, films) for reading in readings]
    lost = tuple(scene for k, scene in enumerate(scenes) if k not in owners)
    return Bed(
        seed=seed,
        sheets=len(films),
        lost=lost,
        strange=sum(owner is None for owner in owners),
        wedge=bool(rendered.truth.wedges),
        wedge_left_out=any(item.code == "wedge-left-out" for reading in readings for item in reading.left_out),
    )


def owner_of(reading: Reading, films: Sequence[renderer.FilmTruth]) -> int | None:
    """Return the sheet that a reading is of: its outline is the sheet's within 2 mm."""
    if reading.seen_mm is None:
        return None
    for number, film in enumerate(films):
        off = np.abs(np.array(reading.seen_mm) - np.array(film.sheet_mm))
        if float(off.max()) < 2.5 + 0.01 * math.hypot(*film.sheet_mm[2:]):
            return number
    return None


def report(beds: Sequence[Bed]) -> str:
    """Return the counts, and what was lost."""
    lost = [(bed.seed, scene) for bed in beds for scene in bed.lost]
    wedges = [bed for bed in beds if bed.wedge]
    lines = [
        f"{len(beds)} beds, {sum(bed.sheets for bed in beds)} sheets: {len(lost)} lost",
        f"{sum(bed.strange for bed in beds)} readings of no sheet",
        f"{len(wedges)} wedges beside film, {sum(bed.wedge_left_out for bed in wedges)} left out",
        f"{sum(bed.wedge_left_out for bed in beds if not bed.wedge)} wedges seen where there was none",
        *(f"lost: seed {seed}, {scene}" for seed, scene in lost),
        *(f"strange: seed {bed.seed}" for bed in beds if bed.strange),
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run the beds and print the counts; status 1 where a sheet was lost."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.bed_rates")
    parser.add_argument("--beds", type=int, default=40)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    with ProcessPoolExecutor(asked.jobs) as pool:
        beds = list(pool.map(outcome, range(asked.first, asked.first + asked.beds)))
    sys.stdout.write(f"{report(beds)}\n")
    return int(any(bed.lost for bed in beds))


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
