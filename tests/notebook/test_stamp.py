"""Times in the notebook, and clocks that go wrong."""

from __future__ import annotations

from pathlib import Path

from densiscan.development.run import Run
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.stamp import never_back

RUN = Run(number=0, film="Moss", developer="Brine", date="2026-03-01", time_s=480.0, temperature_c=20.0)


def test_the_order_of_changes_survives_a_clock_that_is_set_back_by_a_day(tmp_path: Path) -> None:
    times = ["2026-03-02T20:00:00.000000+00:00", "2026-03-01T20:00:05.000000+00:00", "2026-03-01T20:00:09.000000+00:00"]
    clock = iter(times)
    with Notebook(tmp_path / "book.sqlite", clock=lambda: next(clock)) as book:
        number = book.add_run(RUN).number
        book.correct_run(number, time_s=500.0)
        book.correct_run(number, time_s=520.0)
        made = [row["made"] for row in book.tables()["changes"]]
    assert made == sorted(made)
    assert len(set(made)) == 3
    assert made[0] == times[0]


def test_by_hand() -> None:
    last = "2026-03-02T20:00:00.000000+00:00"
    assert never_back("2026-03-02T20:00:01.000000+00:00", last) == "2026-03-02T20:00:01.000000+00:00"
    assert never_back("2026-03-02T19:00:00.000000+00:00", last) == "2026-03-02T20:00:00.000001+00:00"
    # A clock that stood years ahead is not gone on from.
    assert never_back("2026-03-02T19:00:00+00:00", "2031-01-01T00:00:00+00:00") == "2026-03-02T19:00:00+00:00"
    assert never_back("2026-03-02T19:00:00+00:00", None) == "2026-03-02T19:00:00+00:00"
    assert never_back("yesterday", last) == "yesterday"
