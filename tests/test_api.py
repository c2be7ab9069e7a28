"""The public shelf: complete, late, typed, and its worked examples do what they say."""

from __future__ import annotations

import inspect
import json
import math
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import densiscan
from densiscan import as_dict, as_row
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from tests.support.declared import otherwise_than_declared
from tests.support.made_up import assessment, calibration, reading
from tests.support.pages import first_false
from tests.support.session import PAGE, cells_on, played, said_by
from tests.test_shelf import NAMES, classes_in, hints_of

ROOT = Path(__file__).resolve().parents[1]


def test_everything_on_the_shelf_is_there_with_a_docstring() -> None:
    for name in densiscan.__all__:
        if name != "__version__":
            assert (getattr(densiscan, name).__doc__ or "").strip(), name
    assert set(dir(densiscan)) == set(densiscan.__all__)


def test_what_is_not_on_the_shelf_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'measure_everything'"):
        _ = densiscan.measure_everything


def test_the_shelf_is_filled_late() -> None:
    code = "import sys, densiscan; assert 'numpy' not in sys.modules; densiscan.Quantity; densiscan.open_scan"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_package_says_that_it_is_typed() -> None:
    assert (ROOT / "densiscan" / "py.typed").is_file()


def test_the_page_shows_what_its_cells_say() -> None:
    text = PAGE.read_text(encoding="utf-8")
    cells = list(played(text))
    assert len(cells) == text.count("```python") > 12
    for cell, said in cells:
        assert first_false((cell.shown or "").splitlines(), said.splitlines()) is None, cell.code + said


def test_a_cell_is_played_as_a_notebook_plays_it() -> None:
    known: dict[str, object] = {}
    assert said_by("print('a')\nb = 2\n", known) == "a\n"
    assert said_by("b + 1\n", known) == "3\n"
    assert said_by("None\n", known) == ""
    page = "## One\n\n```python\na\n```\n\n```text\nb\n```\n\n## Two\n\n```python\nc\n```\n"
    assert [(cell.section, cell.code, cell.shown) for cell in cells_on(page)] == [
        ("One", "a\n", "b\n"),
        ("Two", "c\n", None),
    ]


# Every result as a dictionary, and as a row.


def paper_test() -> densiscan.PaperTest:
    tones = [0.06, 0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.84, 1.84]
    points = [
        densiscan.PaperPoint(log_exposure=Quantity(0.2 * k), density=Quantity(tone)) for k, tone in enumerate(tones)
    ]
    return densiscan.paper_from_points(points, densiscan.Circumstances(name="old box"))


def film_points() -> list[densiscan.CurvePoint]:
    densities = [0.20, 0.20, 0.24, 0.36, 0.53, 0.71, 0.89, 1.07, 1.25, 1.43, 1.60]
    return [
        densiscan.CurvePoint(step=f"{k}", log_exposure=Quantity(0.3 * k), density=Quantity(density))
        for k, density in enumerate(densities)
    ]


FAILURE = densiscan.Failure(path=Path("broken.tif"), code="unreadable-scan", message="It ends too early.")
RUN = densiscan.Run(number=1, film="Meadow-100", developer="Borax", date="2026-03-01", time_s=480.0, temperature_c=20.0)
PLAN = densiscan.Plan(target_range=Quantity(1.05))
MADE: dict[str, Callable[[], object]] = {
    "Advice": lambda: densiscan.advise([RUN], PLAN),
    "Assessment": assessment,
    "BatchResult": lambda: densiscan.BatchResult(assessments=(assessment(),), failures=(FAILURE,)),
    "Calibration": calibration,
    "Circumstances": lambda: paper_test().circumstances,
    "CurvePoint": lambda: film_points()[0],
    "Failure": lambda: FAILURE,
    "FilmTest": lambda: densiscan.film_test(film_points()),
    "Label": lambda: densiscan.Label(name="mine", created="2026-03-01T19:30:00+00:00"),
    "MeasureOptions": densiscan.MeasureOptions,
    "PaperPoint": lambda: paper_test().points[0],
    "PaperTest": paper_test,
    "Plan": lambda: PLAN,
    "PrintAim": densiscan.PrintAim,
    "Quantity": lambda: Quantity(1.05, {Influence("wedge", "1"): 0.01}),
    "Reading": reading,
    "Run": lambda: RUN,
    "Scan": lambda: densiscan.open_scan(ROOT / "sample_scans" / "normal.tif"),
    "Task": lambda: densiscan.Task(options=densiscan.MeasureOptions()),
    "Wedge": lambda: densiscan.nominal_wedge(steps=21, increment=0.15, first=0.05),
}
"""One of each dataclass that a person makes or a function returns; others stand in these."""


def test_there_is_one_of_each_dataclass_that_a_function_returns() -> None:
    functions = [one for name in NAMES if inspect.isfunction(one := getattr(densiscan, name))]
    returned = {kind for function in functions for kind in classes_in(hints_of(function)["return"])}
    assert {kind.__name__ for kind in returned if is_dataclass(kind)} <= set(MADE)
    assert all(type(make()).__name__ == name for name, make in MADE.items())


@pytest.mark.parametrize("name", sorted(MADE))
def test_it_becomes_a_dictionary_and_a_row(name: str) -> None:
    result = MADE[name]()
    whole, row = as_dict(result), as_row(result)
    assert json.loads(json.dumps(whole, allow_nan=False)) == whole
    assert whole
    assert row or name == "BatchResult"  # which is a table of assessments, each a row
    assert all(cell is None or isinstance(cell, str | float | int) for cell in row.values())
    for column, cell in row.items():
        if isinstance(value := getattr(result, column, None), Quantity):
            assert (cell, row[f"{column}_uncertainty"]) == (value.value, value.uncertainty or None)


# A declared float is a float, whatever a person gave for it and whatever reckoned it.


@pytest.mark.parametrize("name", sorted(MADE))
def test_a_declared_float_is_a_float(name: str) -> None:
    assert list(otherwise_than_declared(MADE[name]())) == []


def test_what_is_read_of_scans_holds_plain_numbers() -> None:
    samples = ROOT / "sample_scans"
    wedge = densiscan.read_wedge(samples / "wedge.csv")
    made = densiscan.calibrate_scan(densiscan.open_scan(samples / "wedge.tif"), wedge, label=densiscan.Label(name="m"))
    options = densiscan.MeasureOptions(spots_mm=((40, 18), (50, 55)))
    task = densiscan.Task(options=options, aim=densiscan.PrintAim(paper_range=95, scene_stops=7))
    result = densiscan.measure_files([samples / "leak.tif", samples / "normal.tif"], made, task)
    assert len(result.assessments) == 2
    assert list(otherwise_than_declared(made)) == []
    assert list(otherwise_than_declared(result)) == []


@pytest.mark.parametrize(
    "make",
    [
        lambda number: densiscan.Quantity(number(1)),
        lambda number: densiscan.Plan(target_range=Quantity(1.05), scene_stops=number(7), temperature_c=number(20)),
        lambda number: densiscan.MeasureOptions(aperture_mm=number(2), frame_mm=(number(10), 10, 60, 50)),
        lambda number: densiscan.PrintAim(paper_range=number(95)),
        lambda number: densiscan.Task(ppi=number(300)),
        lambda number: densiscan.Circumstances(exposure_s=number(8)),
        lambda number: densiscan.WedgeStep(step="1", density=number(1), uncertainty=number(1)),
        lambda number: densiscan.Run(
            number=1,
            film="Meadow-100",
            developer="Borax",
            date="2026-03-01",
            time_s=number(480),
            temperature_c=number(20),
            sheet_size_mm=(number(102), number(127)),
        ),
        lambda number: densiscan.nominal_wedge(steps=5, increment=number(1), first=number(0)),
    ],
)
def test_any_kind_of_number_may_be_given_for_a_float(make: Callable[[Callable[[Any], Any]], object]) -> None:
    kinds: list[Any] = [int, float, np.float64, np.int64, np.float32]
    for number in kinds:
        assert list(otherwise_than_declared(make(number))) == []
        assert make(number) == make(float)


def test_a_number_of_another_type_is_seen() -> None:
    rows = [replace(_Odd(), far=np.float64(1.0)), replace(_Odd(), far=3), replace(_Odd(), box_mm=(1.0, 2))]
    assert [len(list(otherwise_than_declared(row))) for row in rows] == [1, 1, 1]
    assert list(otherwise_than_declared(_Odd())) == []


def test_what_is_only_there_for_speed_is_kept_out_of_a_dictionary() -> None:
    array = densiscan.Scan.from_array(np.zeros((30, 40), np.uint8), ppi=300)
    assert not {"raster", "turn"} & {*as_dict(array), *as_row(array)}
    assert "sheet" not in as_dict(assessment())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Odd:
    """Everything that a result may hold, and what it may not."""

    place: Path = Path("a", "b.tif")
    known: Quantity | None = None
    far: float = math.inf
    box_mm: tuple[float, ...] = (1.0, 2.5)
    counts: object = field(default_factory=lambda: np.array([1, 2]))
    single: object = field(default_factory=lambda: np.float64(0.5))
    told: tuple[Warning_, ...] = (Warning_(code="one", message="One."), Warning_(code="one", message="Again."))
    points: tuple[Quantity, ...] = (Quantity(1.0),)
    by_name: object = field(default_factory=lambda: {"left": Quantity(0.5), 2: None})
    hidden: object = field(default=print, repr=False)


def test_what_a_result_may_hold() -> None:
    assert as_dict(_Odd()) == {
        "place": str(Path("a", "b.tif")),
        "known": None,
        "far": None,
        "box_mm": [1.0, 2.5],
        "counts": [1, 2],
        "single": 0.5,
        "told": [{"code": "one", "message": "One."}, {"code": "one", "message": "Again."}],
        "points": [{"value": 1.0, "uncertainty": None}],
        "by_name": {"left": {"value": 0.5, "uncertainty": None}, "2": None},
    }
    assert as_row(_Odd()) == {
        "place": str(Path("a", "b.tif")),
        "known": None,
        "known_uncertainty": None,
        "known_limit": None,
        "far": None,
        "box_mm": "1.0 2.5",
        "single": 0.5,
        "told": "one",
    }


def test_a_row_has_the_same_columns_whether_a_quantity_is_known_or_not() -> None:
    assert list(as_row(_Odd())) == list(as_row(_Odd(known=Quantity(1.0))))


@pytest.mark.parametrize("what", [3.0, "text", object(), print])
def test_what_is_no_result_is_refused(what: object) -> None:
    for convert in (as_dict, as_row):
        with pytest.raises(TypeError, match="is no result"):
            convert(what)
    with pytest.raises(TypeError, match="is no result"):
        as_dict(_Odd(counts=print))
