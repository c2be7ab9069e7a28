"""A few scans of the honesty bench: is the truth inside value plus or minus uncertainty, and is that not too wide?

The whole bench, over hundreds of scans, is `python -m tests.trials.honesty`; its table stands in docs/accuracy.md.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest

from densiscan.arithmetic.quantity import Influence, Quantity
from tests.trials.honesty import READINGS, Check, checks_of, rows_of, table

SEEDS = range(9001, 9009)
"""Nothing was fitted to them."""


@pytest.fixture(scope="module")
def checks() -> list[Check]:
    with tempfile.TemporaryDirectory() as folder:
        found = [check for seed in SEEDS for check in checks_of(seed, Path(folder), small=True)]
    return [check for check in found if not check.limit]


def test_the_truth_lies_inside(checks: list[Check]) -> None:
    # Of about 130 readings with 95 % each, fewer than 88 % inside would come once in a thousand such benches.
    assert len(checks) > 90
    assert float(np.mean([check.inside for check in checks])) >= 0.88
    assert {check.what for check in checks} == set(READINGS)


def test_no_reading_is_far_out(checks: list[Check]) -> None:
    # Five standard deviations: not once in a million for a normal distribution. Where the frame ends is another matter,
    # and held by other tests: only places that are named count here.
    named = [check for check in checks if check.what in {"step", "spot"}]
    far = [check for check in named if abs(check.error) > 2.5 * check.uncertainty]
    assert far == []


def test_the_intervals_are_not_lazy(checks: list[Check]) -> None:
    # An exactly honest normal distribution has 2.97; twice that would be an interval that says nothing.
    ratio = [abs(check.error) / check.uncertainty for check in checks]
    assert 2.0 < 1.0 / float(np.median(ratio)) < 6.0


def test_the_table_counts_what_it_says() -> None:
    """By hand: errors 1, 2, 3 and 5 hundredths under 4 hundredths: three of four inside; median 4 over 2.5."""
    made = [
        Check(seed=1, what="spot", value=1.0 + error, uncertainty=0.04, truth=1.0)
        for error in (0.01, -0.02, 0.03, 0.05)
    ]
    (row,) = rows_of([*made, Check(seed=1, what="spot", value=9.0, uncertainty=0.1, truth=1.0, limit=True)])
    np.testing.assert_allclose([row.inside, row.lazy, row.bias], [0.75, 1.6, 0.0175], rtol=1e-9)
    assert row.number == 4
    assert "75.0 %" in table([row])


def test_a_budget_adds_up_to_its_uncertainty() -> None:
    read = Quantity(1.0, {Influence("wedge", "1"): 0.03, Influence("wedge", "2"): -0.04, Influence("lamp"): 0.12})
    np.testing.assert_allclose(list(read.budget().values()), [0.12, 0.05], rtol=1e-12)
    np.testing.assert_allclose(read.uncertainty or 0.0, 0.26, rtol=1e-12)
