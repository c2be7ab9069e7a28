"""Sheets of one drum: each by its own subject, and what cannot come from one drum is said."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.evidence import evidence_of
from densiscan.development.expected import usual_film_range
from densiscan.development.run import Run
from densiscan.development.sheets import disagreeing, middle_sheet, sheets_of
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading


def a_run(ranges: tuple[float, ...], stops: tuple[float | None, ...] = (), scene_stops: float | None = 7.0) -> Run:
    return Run(
        number=1, film="A", developer="B", date="2026-05-01", time_s=480.0, temperature_c=20.0, scene_stops=scene_stops,
        density_ranges=tuple(Quantity(one, {Influence("reading"): 0.01}) for one in ranges), sheet_stops=stops,
    )  # fmt: skip


def test_a_flat_and_a_contrasty_subject_of_one_drum_say_the_same() -> None:
    contrast = 0.60
    ranges = tuple(contrast * usual_film_range(stops) for stops in (5.0, 9.0))
    own = a_run(ranges, (5.0, 9.0))
    assert [round(sheet.contrast, 9) for sheet in sheets_of(own)] == [contrast, contrast]
    assert disagreeing([own]) == ()
    said = evidence_of([own])
    assert said.conditions.stops[0] == 7.0
    assert_allclose(np.exp(said.logs[0]), sum(ranges) / 2.0, rtol=1e-12)
    # Taken as 7 stops both, they are a fifth softer and harder than they were.
    assert max(sheet.contrast for sheet in sheets_of(a_run(ranges))) > 1.15 * contrast


def test_of_three_sheets_the_one_of_median_contrast_counts() -> None:
    ranges = tuple(contrast * usual_film_range(stops) for contrast, stops in ((0.5, 9.0), (0.6, 5.0), (0.7, 7.0)))
    middle = middle_sheet(sheets_of(a_run(ranges, (9.0, 5.0, None))))
    assert middle.stops == 5.0
    assert_allclose(middle.contrast, 0.6, rtol=1e-12)


def test_a_metered_sheet_counts_before_one_that_was_not() -> None:
    middle = middle_sheet(sheets_of(a_run((0.9, 1.3), (None, 9.0), scene_stops=None)))
    assert (middle.stops, middle.density_range, middle.metered) == (9.0, 1.3, True)


@pytest.mark.parametrize(("low", "said"), [(0.36, True), (0.70, False)])
def test_contrasts_that_one_drum_cannot_give(low: float, said: bool) -> None:
    """A third of a stop, 0.07 log exposure and 3.5 % make 0.1 or so in the logarithm: 0.77 to 0.36 is 0.76 of it."""
    found = disagreeing([a_run(tuple(contrast * usual_film_range(7.0) for contrast in (0.77, low)))])
    assert bool(found) == said
    if said:
        assert found[0].code == "sheets-disagree"
        assert "0.77 and 0.36" in found[0].message


def test_by_chance_sheets_hardly_ever_disagree() -> None:
    """Subjects metered to a third of a stop, read and placed as usual: at most two in a hundred runs of four sheets."""
    rng = np.random.default_rng(12)
    told = 0
    for _ in range(400):
        stops = rng.uniform(5.0, 9.0, 4)
        true = [
            usual_film_range(one + 0.33 * off) + 0.07 * choice
            for one, off, choice in zip(stops, *rng.standard_normal((2, 4)), strict=True)
        ]
        ranges = tuple(
            0.57 * one * math.exp(0.035 * place) for one, place in zip(true, rng.standard_normal(4), strict=True)
        )
        told += bool(disagreeing([a_run(ranges, tuple(stops))]))
    assert told <= 16  # eight on average at most; three standard errors more


def test_a_notebook_keeps_the_subject_of_each_sheet(tmp_path: Path) -> None:
    with Notebook(tmp_path / "book.sqlite") as book:
        number = book.add_run(
            Run(number=0, film="A", developer="B", date="2026-05-01", time_s=480.0, temperature_c=20.0)
        ).number
        book.add_readings([_reading(at, stops, number) for at, stops in enumerate((5.0, 9.0))])
        assert book.run(number).sheet_stops == (5.0, 9.0)
        book.add_readings([_reading(2, None, number)])
        assert book.run(number).sheet_stops == (5.0, 9.0, None)


def _reading(at: int, stops: float | None, run: int) -> NewReading:
    def read(value: float) -> dict[str, float]:
        return {"value": value, "uncertainty": 0.02}

    document = {
        "base_plus_fog": read(0.2),
        "shadow": read(0.4),
        "net_shadow": read(0.2),
        "density_range": read(1.0),
        "seen": "negative",
        "exposure": {"verdict": "normal"},
        "development": {"verdict": "keep", "contrast": read(0.57)},
    }
    return NewReading(
        file=f"{at}.tif", scan_sha256=f"{at:064d}", piece=None, calibration={"name": "mine"},
        options={"aim": {"scene_stops": stops}}, document=document, run=run,
    )  # fmt: skip
