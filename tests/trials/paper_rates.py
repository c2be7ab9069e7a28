"""How right and how honest the paper test is, on rendered prints of a wedge that nothing was fitted to.

    python -m tests.trials.paper_rates [--cases 260] [--first 930000] [--relative [--net-black]]

One line of figures for each kind of paper; docs/method-paper.md has the table.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from densiscan.arithmetic.quantity import Quantity
from densiscan.calibration.calibration import Calibration
from densiscan.errors import DensiscanError
from tests.support.paper_cases import SHARING, PaperCase, drawn_case, read_with

HELD_OUT = 930_000
"""First seed of those that nothing was developed on (0 to 200, 5000 to 5207 and 200000 to 200239 were)."""
CLOSE = 4.0


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One case: error and expanded uncertainty of R, None where it was a limit; why where it was refused.

    `short` tells that a warning says that black or white was only just not reached.
    """

    seed: int
    kind: str
    error: float | None = None
    uncertainty: float | None = None
    limit: bool = False
    short: bool = False
    inside: tuple[bool, ...] = ()
    refused: str | None = None


def outcome_of(
    seed: int, folder: Path, made: dict[int, Calibration], *, calibrated: bool, black_known: bool = False
) -> Outcome:
    """Return how one case turned out; the calibrations made so far are kept by their number.

    Without a calibration the net black may be stated, wrong by 0.05 (k = 1).
    """
    case, number = drawn_case(seed), seed // SHARING
    try:
        if calibrated and number not in made:
            made[number] = case.calibration(folder / "gray.tif")
        stated = case.curve.net + float(np.random.default_rng([seed, 79]).normal(0.0, 0.05))
        found = read_with(case, folder, made.get(number), net_black=stated if black_known else None)
    except DensiscanError as problem:
        return Outcome(seed=seed, kind=case.curve.shape, refused=str(problem))
    finally:
        for file in folder.glob("*.tif"):
            file.unlink()
    error = found.iso_range.value - case.iso_range
    if found.iso_range.uncertainty is None:
        return Outcome(seed=seed, kind=case.curve.shape, error=error, limit=True)
    return Outcome(
        seed=seed,
        kind=case.curve.shape,
        error=error,
        uncertainty=found.iso_range.uncertainty,
        short=any(warning.code.endswith("-just-short") for warning in found.warnings),
        inside=_inside(case, found.shadow_log_exposure, found.highlight_log_exposure),
    )


def _inside(case: PaperCase, shadow: Quantity, highlight: Quantity) -> tuple[bool, ...]:
    """Whether the true places of S and T lie in their intervals."""
    true = (-case.shadow_density, -case.shadow_density - case.curve.log_range)
    return tuple(
        abs(quantity.value - place) <= (quantity.uncertainty or 0.0)
        for quantity, place in zip((shadow, highlight), true, strict=True)
    )


def line_of(name: str, outcomes: Sequence[Outcome]) -> str:
    told = [one for one in outcomes if one.error is not None and one.uncertainty is not None]
    limits = sum(one.limit for one in outcomes)
    refused = sum(one.refused is not None for one in outcomes)
    if not told:
        return f"| {name} | {len(outcomes)} | {refused} | {limits} | | | | | |"
    errors = np.array([one.error for one in told], dtype=float)
    doubts = np.array([one.uncertainty for one in told], dtype=float)
    ends = [flag for one in told for flag in one.inside]
    return (
        f"| {name} | {len(outcomes)} | {refused} | {limits} | {np.sqrt(np.mean(errors**2)):.1f} | "
        f"{100 * np.mean(np.abs(errors) <= CLOSE):.0f} % | {np.max(np.abs(errors)):.1f} | {np.median(doubts):.1f} | "
        f"{100 * np.mean(np.abs(errors) <= doubts):.0f} % | {100 * np.mean(ends):.0f} % |"
    )


HEAD = (
    "| curve | cases | refused | limits | rms error of R | within 4 | worst | median U | R inside U | S, T inside U |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
)


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.trials.paper_rates")
    parser.add_argument("--cases", type=int, default=260)
    parser.add_argument("--first", type=int, default=HELD_OUT)
    parser.add_argument("--relative", action="store_true", help="without a reflection calibration")
    parser.add_argument("--net-black", action="store_true", help="and with the net black stated")
    parser.add_argument("--each", action="store_true", help="a line for each case as well")
    asked = parser.parse_args(arguments)
    outcomes: list[Outcome] = []
    made: dict[int, Calibration] = {}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(asked.first, asked.first + asked.cases):
            outcomes.append(
                outcome_of(seed, Path(folder), made, calibrated=not asked.relative, black_known=asked.net_black)
            )
            last = outcomes[-1]
            if asked.each:
                sys.stdout.write(f"{last}\n")
                sys.stdout.flush()
            if last.refused or (last.uncertainty is not None and abs(last.error or 0.0) > last.uncertainty):
                sys.stderr.write(f"{last}\n")
    sys.stdout.write(f"{HEAD}\n")
    for kind in sorted({one.kind for one in outcomes}):
        sys.stdout.write(line_of(kind, [one for one in outcomes if one.kind == kind]) + "\n")
    sys.stdout.write(line_of("all", outcomes) + "\n")
    for short, name in ((False, "both ends reached"), (True, "an end just short")):
        sys.stdout.write(line_of(name, [one for one in outcomes if one.uncertainty and one.short == short]) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
