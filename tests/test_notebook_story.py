"""A long story of adding, correcting, removing, restoring, undoing and reading, beside a plain model of it."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, precondition, rule

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.run import Run
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading
from densiscan.notebook.tables import checked

NAMES = st.sampled_from(["Film A", "Film B", "film a"])


class Story(RuleBasedStateMachine):
    """The notebook must say at every moment what the model says."""

    runs = Bundle("runs")

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.minute = 0
        self.book = Notebook(self.folder / "notebook.sqlite", clock=self.clock)
        self.model: dict[int, Run] = {}
        self.before: list[Callable[[], None]] = []
        """What takes back each change, the last change last."""
        self.scans: dict[str, int | None] = {}

    def clock(self) -> str:
        self.minute += 1
        return f"2026-03-{1 + self.minute // 1440:02d}T{self.minute // 60 % 24:02d}:{self.minute % 60:02d}:00+00:00"

    def changed(self, number: int, run: Run) -> None:
        before = self.model.get(number)
        self.before.append(
            lambda: self.changed(number, replace(self.model[number], removed=True) if before is None else before)
        )
        self.model[number] = run

    def tied(self, name: str, number: int | None) -> None:
        before = self.scans[name]
        self.before.append(lambda: self.tied(name, before))
        self.scans[name] = number

    @rule(target=runs, film=NAMES, time_s=st.integers(60, 1800), spans=st.lists(st.floats(0.1, 2.0), max_size=2))
    def add(self, film: str, time_s: int, spans: list[float]) -> int:
        made = Run(
            number=0, film=film, developer="B", date="2026-03-14", time_s=float(time_s), temperature_c=20.0,
            density_ranges=tuple(Quantity(span, None) for span in spans),
        )  # fmt: skip
        kept = self.book.add_run(made)
        assert replace(kept, number=0, film=film) == made
        self.changed(kept.number, kept)
        return kept.number

    @rule(
        number=runs, time_s=st.integers(60, 1800), note=st.none() | st.text(st.characters(categories=["L"]), min_size=1)
    )
    def correct(self, number: int, time_s: int, note: str | None) -> None:
        wanted = replace(self.model[number], time_s=float(time_s), note=note)
        assert self.book.correct_run(number, time_s=float(time_s), note=note) == wanted
        self.changed(number, wanted)

    @rule(number=runs, span=st.floats(0.1, 2.0))
    def reread(self, number: int, span: float) -> None:
        spans = (Quantity(span, None),)
        self.book.correct_run(number, density_ranges=spans)
        self.changed(number, replace(self.model[number], density_ranges=spans))

    @rule(number=runs)
    def remove_or_restore(self, number: int) -> None:
        out = self.model[number].removed
        run = self.book.restore_run(number) if out else self.book.remove_run(number)
        assert run.removed is not out
        self.changed(number, replace(self.model[number], removed=not out))

    @precondition(lambda self: bool(self.before))
    @rule()
    def undo(self) -> None:
        take_back = self.before[-1]
        assert self.book.undo() is not None
        take_back()

    @rule(name=st.sampled_from("abcd"), number=st.none() | runs)
    def measure(self, name: str, number: int | None) -> None:
        self.book.add_reading(
            NewReading(
                file=f"{name}.tif", scan_sha256=name * 64, piece=None, calibration={"name": "flatbed"}, options={},
                document={"shadow": {"value": 0.3, "uncertainty": 0.02}}, run=number,
            )
        )  # fmt: skip
        self.scans.setdefault(name, None)
        if number not in {None, self.scans[name]}:
            self.tied(name, number)

    @rule()
    def open_again(self) -> None:
        self.book.close()

    @invariant()
    def says_what_the_model_says(self) -> None:
        assert {run.number: run for run in self.book.runs(removed=None)} == self.model
        assert [run.number for run in self.book.runs()] == [
            n for n, run in sorted(self.model.items()) if not run.removed
        ]
        scans = {str(one.file)[0]: one.run for one in self.book.readings() if one.scan_sha256}
        assert scans == self.scans

    def teardown(self) -> None:
        tables = self.book.tables()
        assert self.book.check() == ()
        with Notebook(self.folder / "other.sqlite") as other:
            other.merge(checked(tables, "the story"))
            assert other.tables() == tables
        self.book.close()
        shutil.rmtree(self.folder)


TestStory = Story.TestCase
TestStory.settings = settings(max_examples=12, stateful_step_count=25, deadline=None)
