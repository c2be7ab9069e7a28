"""How often is what lies on the bed found, and how well is it read?

    python -m tests.trials.finding_rates wedges [--scans N] [--first SEED] [--jobs N]
    python -m tests.trials.finding_rates film [--scans N] [--first SEED] [--jobs N]

Beds are drawn at random by the renderer, which shares no code with what searches them. A wedge counts as found when
every step's box lies inside its true step, as misplaced when one does not; its file is also tried with one step more
and one less, which must be refused. Film is calibrated for exactly, so that errors are those of finding and reading.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.errors import DensiscanError
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading, measure_scan
from densiscan.scan.scan import open_scan
from densiscan.wedge.wedge import Wedge, WedgeStep, read_wedge
from tests import renderer
from tests.renderer.random_scans import FilmKind

KINDS: Final[tuple[FilmKind, ...]] = ("normal", "thin", "dense", "flat", "vignetted", "clear-sky", "fog")
NEAR_MM: Final = 1.0
"""A frame is found when no side lies farther from its true place."""

WRONG: Final = ("misplaced", "steps wrong", "farther", "readings", "not seen", "frame seen", "own number: refused")
"""Signs of an outcome that is told with its seed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one try: a word, and the numbers behind it."""

    seed: int
    word: str
    about: str = ""
    errors: tuple[tuple[str, float], ...] = ()


def wedge_outcomes(seed: int, others: tuple[int, ...] = (-1, 1)) -> list[Outcome]:
    """Render a random wedge and look for it with its own file, and with files of other numbers of steps."""
    rng = np.random.default_rng([seed, 41])
    scanner = renderer.random_scanner(rng, bits=16 if rng.uniform() < 0.8 else 8)
    drawn = renderer.random_wedge(rng)
    rendered = renderer.render_bed(drawn.pieces, scanner, seed=seed, size_mm=drawn.size_mm)
    layout = drawn.layout
    about = f"{len(drawn.stated)} steps of {layout.step_mm:.1f} mm to {max(layout.densities):.2f}, {scanner.tone}"
    outcomes = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "wedge.tif"
        renderer.write_scan(rendered, path, compression=None)
        for more in (0, *others):
            stated = _with_other_number(drawn.stated, more)
            renderer.write_wedge_file(Path(folder) / "wedge.csv", stated, drawn.uncertainty)
            word = _calibrated_word(path, Path(folder) / "wedge.csv", layout, more)
            outcomes.append(Outcome(seed=seed, word=word, about=about))
    return outcomes


def _with_other_number(stated: tuple[float, ...], more: int) -> tuple[float, ...]:
    """Return the densities of a file that lists the darkest step twice as far, or not at all."""
    rising = stated if stated[-1] > stated[0] else stated[::-1]
    changed = rising[:-1] if more < 0 else (*rising, *(2 * rising[-1] - rising[-2] for _ in range(more)))
    return changed if stated[-1] > stated[0] else changed[::-1]


def _calibrated_word(path: Path, file: Path, layout: renderer.WedgeLayout, more: int) -> str:
    name = "own number: " if not more else "one step too many: " if more > 0 else "one step too few: "
    try:
        made = calibrate(open_scan(path), read_wedge(file), label=Label(name="rate", created="2026-01-01"))
    except DensiscanError:
        return f"{name}refused"
    if more:
        seen = sum(step.used for step in made.steps)
        # what drowned nobody can count: a wrong number is then no error as long as every step read is the right one
        right = _worst_beyond(made, layout) < 0.0
        return f"{name}accepted, {'every used step right' if right else f'steps wrong, {seen} used'}"
    return f"{name}{'found' if _worst_beyond(made, layout) < 0.0 else 'misplaced'}"


def _worst_beyond(made: Calibration, layout: renderer.WedgeLayout) -> float:
    """Return by how much, mm, the worst corner of a used step's box leaves the true step of that density rank."""
    rank = np.argsort(layout.densities)
    worst = -math.inf
    for order, step in enumerate(sorted(made.steps, key=lambda one: one.reading.density)):
        if not step.used:
            continue
        if order >= rank.size:
            return math.inf
        box = layout.step_box(int(rank[order]))
        left, top, width, height = step.reading.box_mm
        for x in (left, left + width):
            for y in (top, top + height):
                u, v = layout.place.off_bed(x, y)
                worst = max(worst, box[0] - u, u - box[0] - box[2], box[1] - v, v - box[1] - box[3])
    return worst


def exact_calibration(scanner: renderer.Scanner, seed: int, folder: Path) -> Calibration:
    """Calibrate a scanner by a wedge whose file is exact."""
    densities = renderer.even_densities(31, 0.1)
    size = (31 * 6.0 + 20.0, 40.0)
    layout = renderer.WedgeLayout(
        densities=densities, place=renderer.Place(x_mm=size[0] / 2, y_mm=20.0), step_mm=6.0, width_mm=15.0
    )
    rendered = renderer.render_bed((layout,), scanner, seed=seed + 5_000_011, size_mm=size)
    renderer.write_scan(rendered, folder / "exact.tif", compression=None)
    steps = tuple(WedgeStep(step=str(k + 1), density=d, uncertainty=1e-6) for k, d in enumerate(densities))
    return calibrate(
        open_scan(folder / "exact.tif"), Wedge(steps=steps), label=Label(name="exact", created="2026-01-01")
    )


LAYOUTS: Final[dict[str, Callable[..., renderer.Bedful]]] = {
    "sheet": renderer.random_sheet,
    "holder": renderer.random_held,
    "crop": renderer.random_crop,
}


def film_outcomes(seed: int) -> list[Outcome]:
    """Render random film, read it by an exact calibration, and hold frame, angle and readings against the truth."""
    rng = np.random.default_rng([seed, 43])
    scanner = renderer.random_scanner(rng)
    name = str(rng.choice(("sheet", "sheet", "holder", "crop", "roll", "pair", "beside a wedge")))
    kind = KINDS[int(rng.choice(len(KINDS), p=(0.4, 0.15, 0.15, 0.1, 0.1, 0.05, 0.05)))]
    if name == "roll":
        bedful = renderer.random_roll(rng)
    elif name == "pair":
        bedful = renderer.random_pair(rng)
    elif name == "beside a wedge":
        bedful = renderer.random_together(rng, kind=kind)[0]
    else:
        bedful = LAYOUTS[name](rng, kind="normal" if name == "crop" and kind == "fog" else kind)
    rendered = renderer.render_bed(bedful.pieces, scanner, seed=seed, size_mm=bedful.size_mm)
    with tempfile.TemporaryDirectory() as folder:
        made = exact_calibration(scanner, seed, Path(folder))
        renderer.write_scan(rendered, Path(folder) / "film.tif", compression=None)
        readings = measure_scan(open_scan(Path(folder) / "film.tif"), made, MeasureOptions())
    about = f"{name} {kind}"
    films = rendered.truth.films
    frames = [(film, frame) for film in films for frame in film.frames]
    blank = sum(not film.frames for film in films)
    if len(readings) != len(frames) + blank:
        word = f"film: {'too many' if len(readings) > len(frames) + blank else 'too few'} readings"
        return [Outcome(seed=seed, word=word, about=f"{about}: {len(readings)} for {len(frames)} + {blank} blank")]
    if not frames:
        return [Outcome(seed=seed, word=_blank_word(readings), about=about)]
    return [_frame_outcome(seed, about, film, frame, readings, made) for film, frame in frames]


def _blank_word(readings: Sequence[Reading]) -> str:
    return "unexposed film: " + ("frame seen" if any(one.frame_mm is not None for one in readings) else "no frame")


def _frame_outcome(
    seed: int,
    about: str,
    film: renderer.FilmTruth,
    frame: renderer.FrameTruth,
    readings: Sequence[Reading],
    made: Calibration,
) -> Outcome:
    corners = np.array(frame.corners_mm)
    seen = [one for one in readings if one.frame_corners_mm is not None]
    if not seen:
        return Outcome(seed=seed, word="frame: not seen" if frame.in_sight else "crop: read whole", about=about)
    reading = min(seen, key=lambda one: float(np.abs(np.array(one.frame_corners_mm).mean(0) - corners.mean(0)).sum()))
    off = float(np.abs(np.array(reading.frame_corners_mm) - corners).max())
    errors = [("corner, mm", off)]
    for what, read, truth in (
        ("base plus fog", reading.base_plus_fog, film.base_plus_fog),
        ("shadow", reading.shadow, frame.shadow),
        ("highlight", reading.highlight, frame.highlight),
    ):
        if read is not None and not made.outside(read.value) and not made.outside(truth):
            errors.append((what, read.value - truth))
    word = "frame: within 1 mm" if off < NEAR_MM else "frame: farther off" if frame.in_sight else "crop: frame told"
    return Outcome(seed=seed, word=word, about=about, errors=tuple(errors))


def report(outcomes: Sequence[Outcome]) -> str:
    """Return the counts as a table, the spread of the errors, and the seeds of what went wrong."""
    words = sorted({one.word for one in outcomes})
    lines = ["| outcome | n |", "| --- | ---: |"]
    lines += [f"| {word} | {sum(one.word == word for one in outcomes)} |" for word in words]
    names = sorted({name for one in outcomes for name, _ in one.errors})
    if names:
        lines += ["", "| error | n | median size | 95 % within | rms |", "| --- | ---: | ---: | ---: | ---: |"]
    for name in names:
        values = np.array([value for one in outcomes for key, value in one.errors if key == name])
        size = np.abs(values)
        lines.append(
            f"| {name} | {values.size} | {np.median(size):.4f} | {np.percentile(size, 95):.4f} | "
            f"{np.sqrt(np.mean(values**2)):.4f} |"
        )
    wrong = [one for one in outcomes if any(sign in one.word for sign in WRONG)]
    lines += ["", *(f"{one.seed}: {one.word} ({one.about})" for one in wrong)]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run one of the two benches and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.finding_rates")
    parser.add_argument("what", choices=("wedges", "film"))
    parser.add_argument("--scans", type=int, default=100)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    tried = wedge_outcomes if asked.what == "wedges" else film_outcomes
    seeds = range(asked.first, asked.first + asked.scans)
    with ProcessPoolExecutor(asked.jobs) as pool:
        outcomes = [one for some in pool.map(tried, seeds) for one in some]
    sys.stdout.write(f"{report(outcomes)}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
