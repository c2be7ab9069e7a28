"""Is a wedge read right, or refused?

    python -m tests.trials.wedge_rates [--scans N] [--first SEED] [--jobs N]

Wedges are drawn by `wedge_layouts`: whole or with lost ends, on glass, in cards, in holders, on paper. A wedge is
shifted when a step is read where another one lies, misplaced when a box of a step that is used reaches beyond that
step. Of those refused, the ones that a person could have read are counted by themselves.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.errors import DensiscanError
from densiscan.scan.scan import open_scan
from densiscan.wedge.wedge import read_wedge
from tests import renderer
from tests.support.wedge_layouts import Laid, drawn_wedge


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one wedge."""

    seed: int
    word: str
    about: str
    told: str = ""


def outcome(seed: int) -> Outcome:
    """Render one wedge and calibrate with it."""
    laid = drawn_wedge(seed)
    rendered = renderer.render_bed(laid.pieces, laid.scanner, seed=seed, size_mm=laid.size_mm, surround=laid.surround)
    with tempfile.TemporaryDirectory() as folder:
        scan, file = Path(folder) / "wedge.tif", Path(folder) / "wedge.csv"
        renderer.write_scan(rendered, scan, compression=None)
        renderer.write_wedge_file(file, laid.stated, laid.uncertainty)
        # Of a print a person says that it is one.
        mode = "reflection" if laid.mount == "paper" else "transmission"
        label = Label(name="rate", created="2026-01-01", mode=mode)
        try:
            made = calibrate(open_scan(scan), read_wedge(file), label=label)
        except DensiscanError as problem:
            word = "refused, a person could read it" if laid.readable else "refused, neither end or too little shows"
            return Outcome(seed=seed, word=word, about=laid.about, told=str(problem).replace(folder, ""))
    return Outcome(seed=seed, word=placed_word(made, laid), about=laid.about)


def placed_word(made: Calibration, laid: Laid) -> str:
    """Say whether each step that is used was read inside its own outline."""
    ranks = sorted(range(len(laid.layout.densities)), key=lambda index: laid.layout.densities[index])
    beyond = False
    for index, step in zip(ranks, sorted(made.steps, key=lambda one: one.reading.density), strict=True):
        left, top, width, height = step.reading.box_mm
        box = laid.layout.step_box(index)
        u, v = laid.layout.place.off_bed(left + width / 2, top + height / 2)
        if step.used and not (box[0] < u < box[0] + box[2] and box[1] < v < box[1] + box[3]):
            return "shifted"
        corners = [laid.layout.place.off_bed(x, y) for x in (left, left + width) for y in (top, top + height)]
        inside = all(box[0] <= u <= box[0] + box[2] and box[1] <= v <= box[1] + box[3] for u, v in corners)
        beyond = beyond or (step.used and not inside)
    return "misplaced" if beyond else "read"


def report(outcomes: Sequence[Outcome]) -> str:
    """Return the counts, and what was neither read nor beyond reading."""
    words = sorted({one.word for one in outcomes})
    lines = [f"{sum(one.word == word for one in outcomes):5d}  {word}" for word in words]
    lines += [f"{one.seed}: {one.word} ({one.about}) {one.told}" for one in outcomes if one.word != "read"]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run the trial and print its counts."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.wedge_rates")
    parser.add_argument("--scans", type=int, default=300)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    seeds = range(asked.first, asked.first + asked.scans)
    with ProcessPoolExecutor(asked.jobs) as pool:
        outcomes = list(pool.map(outcome, seeds))
    sys.stdout.write(f"{report(outcomes)}\n")
    return 1 if any(one.word == "shifted" for one in outcomes) else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
