"""Contrast that falls although development was longer cannot be development alone."""

from __future__ import annotations

import numpy as np
import pytest

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.advice import Plan, advise
from densiscan.development.falling import falling_contrast
from densiscan.development.run import Run
from densiscan.report.advice import warnings_of


def runs(*pairs: tuple[float, float]) -> list[Run]:
    return [
        Run(
            number=number, film="A", developer="B", date="2026-03-01", time_s=time, temperature_c=20.0,
            scene_stops=22.0 / 3.0, density_ranges=(Quantity(one, {Influence("reading"): 0.01}),),
        )
        for number, (time, one) in enumerate(pairs, start=1)
    ]  # fmt: skip


def codes(some: list[Run]) -> set[str]:
    return {one.code for one in warnings_of(advise(some, Plan(target_range=Quantity(1.05), scene_stops=22.0 / 3.0)))}


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        (((480.0, 1.10), (600.0, 1.00), (720.0, 0.92)), True),
        (((480.0, 0.85), (480.0, 1.30)), True),
        (((480.0, 0.92), (600.0, 1.00), (720.0, 1.10)), False),
        (((480.0, 1.02), (480.0, 0.98), (485.0, 1.00)), False),
    ],
)
def test_what_no_development_does_is_said(pairs: tuple[tuple[float, float], ...], *, said: bool) -> None:
    assert ("contrast-falls" in codes(runs(*pairs))) == said


def test_both_ends_are_named() -> None:
    found = falling_contrast(
        advise(runs((720.0, 0.92), (600.0, 1.0), (480.0, 1.1)), Plan(target_range=Quantity(1.05))).posterior
    )
    assert found is not None
    assert (found.shorter_run, found.longer_run) == (3, 1)
    np.testing.assert_allclose(found.times_s, (480.0, 720.0), rtol=1e-9)
    np.testing.assert_allclose(found.contrasts, (1.1 / 1.85, 0.92 / 1.85), rtol=1e-9)  # 1.85 of an average subject


def test_sound_runs_are_hardly_ever_called_impossible() -> None:
    """Twelve runs of one film that scatter by 6 %: in 20 notebooks at most two are named by chance."""
    rng = np.random.default_rng(8)
    told = 0
    for _ in range(20):
        times = rng.uniform(400.0, 700.0, 12)
        ranges = 1.05 * (times / 500.0) ** 0.55 * np.exp(0.06 * rng.standard_normal(12))
        told += "contrast-falls" in codes(runs(*zip(times.tolist(), ranges.tolist(), strict=True)))
    assert told <= 2
