"""Mutation testing: small faults put into the modules that compute, and whether the tests notice.

Run as `python -m tests.trials.mutants [MODULE...] [--size 60] [--seed 9]`. Each module is copied with the tree into a
folder of its own below --keep, mutmut makes its mutants there, and a random sample of them meets the tests that concern
the module. Prints what each survivor changed, for a person to judge, and a table at the end: a survivor that moves a
number, a limit or a warning wants a test; one that moves nothing is equivalent. What a sentence of an error says is not
mutated. A mutant is given 15 times the time that its tests took (mutmut's own measure).
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

CONCERNS = {
    "arithmetic/quantity": "quantity quantity_limits",
    "arithmetic/curves": "curves",
    "arithmetic/least_squares": "curves_fit kinetics",
    "scan/tally": "survey",
    "calibration/glare": "glare",
    "calibration/calibration": "calibration",
    "calibration/lamp": "lamp",
    "wedge/view": "steps staircase",
    "wedge/edges": "staircase",
    "wedge/rows": "steps steps_laid lost_ends",
    "wedge/look": "steps steps_laid lost_ends",
    "wedge/step_cells": "steps_laid lost_ends",
    "wedge/alignment": "steps_laid lost_ends",
    "wedge/count": "staircase",
    "wedge/find": "steps steps_laid lost_ends",
    "wedge/polarity": "lost_ends calibration",
    "negative/find/outlines": "frames bed_of_sheets hand_cut",
    "negative/find/cut": "hand_cut",
    "negative/find/paper": "frames bed_of_sheets",
    "negative/find/not_film": "frames bed_of_sheets wedge_beside",
    "negative/find/rebate": "frames negative",
    "negative/find/sides": "frames frames_row",
    "negative/find/row": "frames_row",
    "negative/find/film": "frames hand_cut",
    "negative/signs": "negative_seen",
    "negative/signs_paper": "negative_seen",
    "negative/trouble/fog": "evenness",
    "negative/trouble/ground": "evenness",
    "negative/trouble/leaks": "evenness",
    "negative/trouble/marks": "evenness",
    "negative/trouble/specks": "evenness",
    "negative/trouble/uneven": "evenness",
    "negative/reading": "negative",
    "film/row": "scan",
    "film/definitions": "film",
    "film/points": "points",
    "film/reciprocity": "times",
    "development/exposure": "development",
    "development/verdict": "development",
    "development/family": "family",
    "development/posterior": "posterior",
    "development/repeatability": "habits",
    "paper/grade": "paper",
    "paper/curve": "curve",
    "paper/ends": "curve test",
    "paper/uncalibrated": "relative",
    "paper/printed_steps": "steps",
    "paper/exposure": "print",
}
"""The modules in which a wrong number would hurt, and the test files (without test_) of their package for each."""

SETTINGS = """
[tool.mutmut]
source_paths = ["densiscan"]
only_mutate = ["densiscan/{module}.py"]
also_copy = ["pyproject.toml", "sample_scans"]
do_not_mutate_patterns = ['raise \\w+']
pytest_add_cli_args = ["-o", "addopts=--strict-markers", "-p", "no:cacheprovider", "-m", "not rendered"]
pytest_add_cli_args_test_selection = {tests}
"""
STATUS = {0: "survived", 1: "killed", 3: "killed", 33: "no test", 36: "timeout", -24: "timeout", 24: "timeout"}


def mutmut(place: Path, *words: str) -> str:
    """Run one command of mutmut in a copy of the tree and return what it printed."""
    tool = Path(sys.executable).with_name("mutmut")
    quick = {**os.environ, "HYPOTHESIS_PROFILE": "mutants"}
    done = subprocess.run([tool, *words], cwd=place, env=quick, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def verdicts(place: Path, module: str) -> dict[str, int | None]:
    """Return how the tests of each mutant ended, None where they were not run."""
    found: dict[str, int | None] = json.loads(
        (place / "mutants" / "densiscan" / f"{module}.py.meta").read_text(encoding="utf-8")
    )["exit_code_by_key"]
    return found


def examine(module: str, folder: Path, size: int, seed: int) -> tuple[str, list[str]]:
    """Sample the mutants of one module; return its row of the table and what its survivors changed."""
    place = folder / module
    if not place.exists():
        shutil.copytree(ROOT, place, ignore=shutil.ignore_patterns(".*", "mutants", "build", "__pycache__"))
        if (ROOT.parent / "shared").is_dir():
            (place / "shared").symlink_to(ROOT.parent / "shared")  # the reference tables, where they are
        own = sorted(
            str(file.relative_to(ROOT))
            for word in CONCERNS[module].split()
            for file in (ROOT / "tests").rglob(f"test_{word}.py")
            if file.parent.name in {module.partition("/")[0], "development", "calibration"}
        )
        with (place / "pyproject.toml").open("a", encoding="utf-8") as settings:
            settings.write(SETTINGS.format(module=module, tests=json.dumps(own)))
    said = mutmut(
        place, "run", "--max-children", "1", "none of them"
    )  # makes the mutants, learns which test meets what
    if not (place / "mutants" / "mutmut-stats.json").exists():
        sys.exit(f"{module}: mutmut could not begin:\n{said[-2000:]}")
    everything = sorted(verdicts(place, module))
    chosen = random.Random(seed).sample(everything, min(size, len(everything)))  # noqa: S311 — a sample, no secret
    said = mutmut(place, "run", "--max-children", "1", *chosen)
    ends = verdicts(place, module)
    missed = [name for name in chosen if ends[name] is None]
    if missed:
        sys.exit(f"{module}: {len(missed)} mutants were not run:\n{said[-2000:]}")
    status = {name: STATUS.get(ends[name] or 0, "killed") for name in chosen}
    counts = {word: list(status.values()).count(word) for word in ("killed", "timeout", "survived", "no test")}
    found = counts["killed"] + counts["timeout"]
    row = f"| {module} | {len(everything)} | {len(chosen)} | {found} | {found / len(chosen):.0%} |"
    alive = sorted(name for name, word in status.items() if word in {"survived", "no test"})
    return row, [f"{status[name]}: " + mutmut(place, "show", name) for name in alive]


def main() -> None:
    """Examine the modules named, or all of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("modules", nargs="*", help=f"of {', '.join(CONCERNS)}")
    parser.add_argument("--size", type=int, default=60)
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--keep", type=Path, help="folder for the copies, to go on from")
    words = parser.parse_args()
    unknown = sorted(set(words.modules) - set(CONCERNS))
    if unknown:
        parser.error(f"{', '.join(unknown)}: not among {', '.join(CONCERNS)}")
    rows = ["| module | mutants | tried | noticed | score |", "| --- | --- | --- | --- | --- |"]
    with tempfile.TemporaryDirectory() as passing:
        for module in words.modules or CONCERNS:
            row, survivors = examine(module, words.keep or Path(passing), words.size, words.seed)
            rows.append(row)
            sys.stdout.write("\n".join([*survivors, row, ""]))
            sys.stdout.flush()
    sys.stdout.write("\n".join(["", *rows, ""]))


if __name__ == "__main__":
    main()
