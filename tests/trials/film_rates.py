"""Film tests rendered by the hundred: are the figures near the truth, and is their uncertainty honest?

    python -m tests.trials.film_rates [--cases N] [--first SEED] [--find] [--out FILE]

Each case is drawn anew: a scanner, a wedge whose file states densities that are off by its certificate, a film of one
of four kinds, exposed through that wedge with or without a mask. The scanner is calibrated with the same wedge, the row
is found on the scan of the film, and what the film test says is held against the curve that the film was rendered with.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, get_args

import numpy as np

from densiscan.arithmetic.quantity import Quantity
from densiscan.calibration import make as making
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label
from densiscan.errors import DensiscanError
from densiscan.film.from_scan import WhereOnFilm, exposures_through, read_film
from densiscan.film.speed_and_contrast import FilmAim, FilmTest, film_test
from densiscan.negative.options import MeasureOptions
from densiscan.scan.scan import open_scan
from densiscan.wedge.find import StepPlace, WedgePlace
from densiscan.wedge.wedge import Wedge, read_wedge
from tests import renderer
from tests.renderer.film_steps import CurveKind, DrawnFilmTest, random_film_test
from tests.support.film_truth import TrueFilm

KINDS: Final[tuple[CurveKind, ...]] = get_args(CurveKind)
CONTRASTS: Final = ("gamma", "average gradient", "contrast index", "contrast index, short")


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A figure beside its truth."""

    seed: int
    kind: str
    what: str
    value: float
    uncertainty: float
    truth: float

    @property
    def error(self) -> float:
        return self.value - self.truth

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.uncertainty


def film_case(seed: int, folder: Path, *, find: bool) -> tuple[FilmTest, TrueFilm, float]:
    """Render, calibrate and test one film; return the test, the truth, and true base plus fog.

    Parameters
    ----------
    find
        Look for wedge and row on the scans, which takes most of the time; else their places are told.

    Raises
    ------
    DensiscanError
        Where wedge or row are not found.
    """
    rng = np.random.default_rng([seed, 505])
    drawn = random_film_test(rng, KINDS[seed % len(KINDS)], straight=not find)
    bed = renderer.render_bed(drawn.wedge.pieces, drawn.scanner, seed=seed, size_mm=drawn.wedge.size_mm)
    renderer.write_scan(bed, folder / "wedge.tif", compression=None)
    renderer.write_wedge_file(folder / "wedge.csv", drawn.wedge.stated, drawn.wedge.uncertainty)
    wedge = read_wedge(folder / "wedge.csv")
    made = _calibrated(folder, wedge, None if find else drawn)
    bed = renderer.render_bed(drawn.bedful.pieces, drawn.scanner, seed=seed + 1_000_003, size_mm=drawn.bedful.size_mm)
    renderer.write_scan(bed, folder / "film.tif", compression=None)
    given = exposures_through(wedge, log_exposure=drawn.print_.log_h, calibration=made)
    where = WhereOnFilm(row_mm=None if find else drawn.row_mm)
    options = MeasureOptions(rebate_mm=None if find else drawn.clear_mm)
    read = read_film([open_scan(folder / "film.tif")], given, made, where=where, options=options)
    test = film_test(read.points, base_plus_fog=read.base_plus_fog, aim=FilmAim(absolute=True), name="film.tif")
    places = [point.log_exposure.value for point in test.points]
    curve = drawn.film.curve
    return test, TrueFilm.of(curve, (min(places), max(places))), curve.base_plus_fog


def _calibrated(folder: Path, wedge: Wedge, drawn: DrawnFilmTest | None) -> Calibration:
    """Calibrate, with the places of the wedge's steps as drawn, or looked for."""
    scan, label = open_scan(folder / "wedge.tif"), Label(name="rates", created="2026-01-01T00:00:00+00:00")
    if drawn is None:
        return making.calibrate(scan, wedge, label=label)
    layout = drawn.wedge.layout
    steps = []
    for number in range(len(layout.densities)):
        left, top, width, height = layout.step_box(number)
        x, y = layout.place.on_bed(left + width / 2, top + height / 2)
        box = (x - 0.3 * width, y - 0.3 * height, 0.6 * width, 0.6 * height)
        steps.append(StepPlace(box_mm=box, seen=True))
    place = WedgePlace(steps=tuple(steps), angle_deg=0.0, light_end="left", pitch_mm=layout.step_mm)
    readings = making._read(scan, wedge, place)
    made = making.calibrate_steps(readings, facts=scan.facts, channel=scan.channel, inverted=False, label=label)
    return making._with_surrounds(made, making.signal_map(scan))


def checks_of(seed: int, folder: Path, *, find: bool = False) -> Iterator[Check]:
    """Return the figures of one case beside their truths."""
    test, true, base = film_case(seed, folder, find=find)
    pairs: list[tuple[str, Quantity | None, float | None]] = [
        ("base plus fog", test.base_plus_fog, base),
        ("speed point", test.speed_log_exposure, true.speed),
        ("gamma", test.gamma, true.straight(*test.straight)),
        ("average gradient", test.average_gradient, true.average_gradient),
        ("contrast index", test.contrast_index, true.contrast_index),
        ("contrast index, short", test.contrast_index_short, true.contrast_index_short),
        ("exposure range", test.log_exposure_range, true.span(test.aim.density_range.value)),
    ]
    for what, read, truth in pairs:
        if read is not None and truth is not None:
            yield Check(
                seed=seed,
                kind=KINDS[seed % len(KINDS)],
                what=what,
                value=read.value,
                uncertainty=read.uncertainty or 0.0,
                truth=truth,
            )


def table(checks: Sequence[Check]) -> str:
    """Return how each figure did."""
    lines = ["figure                  cases   inside   mean U      rms     bias    worst"]
    for what in dict.fromkeys(check.what for check in checks):
        ours = [check for check in checks if check.what == what]
        errors = np.array([check.error for check in ours])
        inside = 100.0 * sum(check.inside for check in ours) / len(ours)
        doubt = float(np.mean([check.uncertainty for check in ours]))
        lines.append(
            f"{what:22} {len(ours):6d}  {inside:5.1f} %  {doubt:7.4f}  {float(np.sqrt(np.mean(errors**2))):7.4f}  "
            f"{float(errors.mean()):+7.4f}  {float(np.max(np.abs(errors))):7.4f}"
        )
    return "\n".join(lines)


def within(checks: Sequence[Check], names: Sequence[str], limit: float) -> float:
    """Return the share of figures that are within a limit of their truth."""
    ours = [abs(check.error) <= limit for check in checks if check.what in names]
    return sum(ours) / max(len(ours), 1)


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=20_000)
    parser.add_argument("--find", action="store_true", help="look for wedge and row on the scans, too")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(arguments)
    checks: list[Check] = []
    refused: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(asked.first, asked.first + asked.cases):
            try:
                checks += checks_of(seed, Path(folder), find=asked.find)
            except DensiscanError as problem:
                refused.append(f"{seed} {KINDS[seed % len(KINDS)]}: {problem}")
            if asked.out is not None:
                lines = (
                    f"{one.seed},{one.kind},{one.what},{one.value},{one.uncertainty},{one.truth}" for one in checks
                )
                asked.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    sys.stdout.write(table(checks) + "\n")
    sys.stdout.write(f"contrast within 0.02: {100 * within(checks, CONTRASTS, 0.02):.1f} %\n")
    sys.stdout.write(f"speed point within 0.03: {100 * within(checks, ['speed point'], 0.03):.1f} %\n")
    sys.stdout.write(f"{len(refused)} of {asked.cases} refused\n" + "".join(f"  {one}\n" for one in refused))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
