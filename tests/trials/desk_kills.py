"""Is anything lost that the desk said it had kept, when it is killed?

    python -m tests.trials.desk_kills [--kills N] [--seed N] [--longest S]

One notebook, one desk after another; each logs runs as fast as it answers, and is killed with all that it started
after a random time. After each kill the notebook must be sound and hold every run that was said to be kept; of each
desk one more may be there, whose answer the kill cut off.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path

from densiscan.notebook.location import open_notebook
from tests.desk.at_the_door import at_the_door
from tests.desk.test_attacks import killed_while_keeping


def main() -> None:
    """Kill and count."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.desk_kills")
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=float, default=5.0, help="seconds that a desk lives at most")
    asked = parser.parse_args()
    chance = random.Random(asked.seed)  # noqa: S311 - a trial, no secret
    with tempfile.TemporaryDirectory() as folder:
        scans, book = Path(folder, "scans"), Path(folder, "book.sqlite")
        scans.mkdir()
        said, kept, lost, unsound = 0, 0, 0, 0
        for _ in range(asked.kills):
            with at_the_door(scans, book) as desk:
                said_now = killed_while_keeping(desk, chance.uniform(0.05, asked.longest))
            said += said_now
            if not book.exists():
                lost += said_now
                continue
            with open_notebook(book) as opened:
                now = opened.count_runs()
                unsound += bool(opened.check())
            lost += max(0, kept + said_now - now)
            kept = now
    sys.stdout.write(
        f"{asked.kills} kills: {said} runs said to be kept, {kept} there, {lost} lost, {unsound} times unsound\n"
    )


if __name__ == "__main__":
    main()
