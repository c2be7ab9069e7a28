"""The whole notebook out and in: nothing lost, nothing doubled, nothing believed unseen."""

from __future__ import annotations

import copy
import csv
import json
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.cli import app
from densiscan.development.run import Run
from densiscan.errors import NotebookError
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading
from densiscan.notebook.tables import TABLES, Tables, checked
from densiscan.notebook.transfer import merge_into, read_tables, whole_tables, write_csv_tables

NOTES = (
    "=1+1",
    "+1",
    "-1",
    "@sum",
    "'quoted",
    'two\nlines, "quoted"; and more',
    "\ttab",
    "\r\nreturn",
    "ünï \x00",
    "''",
)


@pytest.fixture
def clock() -> Callable[[], str]:
    times = (f"2026-03-{day:02d}T10:{minute:02d}:00+00:00" for day in range(1, 29) for minute in range(60))
    return lambda: next(times)


def filled(path: Path, clock: Callable[[], str]) -> Notebook:
    """Return a notebook with something in every table, and cells that are hard to write."""
    book = Notebook(path, arguments=["run", "add"], clock=clock)
    for at, note in enumerate(NOTES):
        book.add_run(
            Run(
                number=0, film="Film A", developer="=Developer", batch="-1", use=at + 1, date="2026-03-14", note=note,
                time_s=480.1, temperature_c=20.0, sheets=2, sheet_size_mm=(101.6, 127.0),
                density_ranges=(Quantity(-0.01, None), Quantity(1.0, {Influence("reading"): 0.1 / 3.0})),
            )
        )  # fmt: skip
    book.correct_run(2, time_s=500.0, density_ranges=(Quantity(1.5, None),))
    book.remove_run(3)
    book.add_readings([reading(), reading(piece=2, run=4), reading(options={"aperture_mm": 2.0})])
    book.keep("paper-test", "Old paper", {"range": 105, "text": "=1"})
    book.keep("paper-test", "Old paper", {"range": 98})
    book.set_film_base("Film A", Quantity(0.06, None))
    book.set_batch("=Developer", "-1", mixed="2026-03-01", discarded=None)
    return book


def reading(**facts: Any) -> NewReading:
    plain: dict[str, Any] = {
        "file": "=neg.tif",
        "scan_sha256": "ab" * 32,
        "piece": None,
        "calibration": {"name": "flatbed", "created": "2026-01-01T00:00:00+00:00", "steps": []},
        "options": {"aperture_mm": 1.0},
        "document": {"density_range": {"value": 1.05, "uncertainty": 0.02}, "fog": None},
    }
    return NewReading(**{**plain, **facts})


@pytest.fixture
def book(tmp_path: Path, clock: Callable[[], str]) -> Iterator[Notebook]:
    with filled(tmp_path / "one" / "notebook.sqlite", clock) as made:
        yield made


def exported(tables: Tables, place: Path, form: str) -> Path:
    if form == "csv":
        write_csv_tables(tables, place)
        return place
    from densiscan.notebook.transfer import notebook_json

    place.write_text(notebook_json(tables, exported="now", version="0"), encoding="utf-8")
    return place


@pytest.mark.parametrize("form", ["json", "csv"])
def test_everything_comes_back_as_it_was(form: str, book: Notebook, tmp_path: Path) -> None:
    tables = whole_tables(book)
    assert all(tables[table] for table in TABLES)
    assert read_tables(exported(tables, tmp_path / "out", form)) == tables
    with Notebook(tmp_path / "two" / "notebook.sqlite") as other:
        merge_into(other, read_tables(tmp_path / "out"))
        assert other.tables() == tables
        assert other.runs(removed=None) == book.runs(removed=None)
        assert other.readings() == book.readings()
        assert other.check() == ()


@pytest.mark.parametrize("form", ["json", "csv"])
def test_a_large_document_comes_back_too(form: str, book: Notebook, tmp_path: Path) -> None:
    """A film test of many points: a cell of half a megabyte, more than a table reader takes unless told."""
    points = [{"log_exposure": place / 7.0, "density": place / 3.0} for place in range(8000)]
    book.keep("film-test", "many points", {"points": points})
    tables = whole_tables(book)
    assert read_tables(exported(tables, tmp_path / "out", form)) == tables


def test_second_import_adds_nothing(book: Notebook, tmp_path: Path) -> None:
    tables = whole_tables(book)
    with Notebook(tmp_path / "two" / "notebook.sqlite") as other:
        merge_into(other, tables)
        merged, calibrations = merge_into(other, tables)
        assert (merged.added, merged.updated, merged.renumbered, calibrations) == ({}, {}, {}, ())
        assert other.tables() == tables


def test_notebook_merged_into_itself_stays_as_it_is(book: Notebook) -> None:
    before = book.tables()
    book.merge(whole_tables(book))
    assert book.tables() == before


def test_two_notebooks_become_one(book: Notebook, tmp_path: Path, clock: Callable[[], str]) -> None:
    with Notebook(tmp_path / "two" / "notebook.sqlite", clock=clock) as other:
        own = other.add_run(Run(number=0, film="film a", developer="C", date="2026-01-01", time_s=1.0, temperature_c=9))
        other.add_reading(reading(run=own.number))  # the same scan, measured in the same way
        merged, _ = merge_into(other, whole_tables(book))
        assert merged.renumbered == {1: len(NOTES) + 1}
        assert len(other.runs(removed=None)) == len(NOTES) + 1
        assert len(other.runs("Film A", removed=None)) == len(NOTES) + 1
        assert len(other.readings()) == len(book.readings())
        assert {one.run for one in other.readings() if one.scan_sha256} >= {own.number}
        base = other.film_base("Film A")
        assert base is not None
        assert base.to_json() == {"value": 0.06, "uncertainty": None}
        assert other.check() == ()


def test_of_a_run_in_both_the_later_one_counts(book: Notebook, tmp_path: Path, clock: Callable[[], str]) -> None:
    with Notebook(tmp_path / "two" / "notebook.sqlite", clock=clock) as other:
        merge_into(other, whole_tables(book))
        other.correct_run(1, time_s=999.0, density_ranges=(Quantity(2.0, None),))
        book.merge(whole_tables(other))
        assert book.run(1) == other.run(1)
        assert book.run(1).time_s > 998.0
        # and the earlier one does not come back
        other.merge(whole_tables(book))
        assert other.run(1).time_s > 998.0
        undone = book.undo()
        assert undone is not None
        assert undone[1] is not None
        assert undone[1].time_s < 481.0


def test_a_reading_taken_out_or_brought_back_later_counts_so_in_both(
    book: Notebook, tmp_path: Path, clock: Callable[[], str]
) -> None:
    with Notebook(tmp_path / "two" / "notebook.sqlite", clock=clock) as other:
        merge_into(other, whole_tables(book))
        number = book.readings()[1].number
        uid = book.readings()[1].uid
        book.remove_readings([number])
        other.merge(whole_tables(book))
        assert uid not in {one.uid for one in other.readings()}
        # brought back in the one, it does not stay out for what the other still says
        book.restore_readings([number])
        book.merge(whole_tables(other))
        assert uid in {one.uid for one in book.readings()}
        other.merge(whole_tables(book))
        assert uid in {one.uid for one in other.readings()}


def test_named_calibrations_come_along(book: Notebook, tmp_path: Path) -> None:
    drawer = book.path.parent / "calibrations"
    drawer.mkdir()
    made = {"format": "densiscan.calibration/1", "created": "2026-02-02T00:00:00+00:00", "steps": [1]}
    (drawer / "plain.json").write_text(json.dumps(made))
    (drawer / "broken.json").write_text("{")
    with Notebook(tmp_path / "two" / "notebook.sqlite") as other:
        _, places = merge_into(other, whole_tables(book))
        assert [place.stem for place in places] == ["plain"]  # not the one that a reading was merely made with
        assert whole_tables(other) == whole_tables(book)
        assert json.loads((tmp_path / "two" / "calibrations" / "plain.json").read_text()) == made
        assert other.kept("calibration", "plain") == made
        place = tmp_path / "two" / "calibrations" / "plain.json"
        assert place.stat().st_mtime < 1.8e9  # as old as the calibration, not as the import
        place.write_text("mine")
        merge_into(other, whole_tables(book))
        assert place.read_text() == "mine"


def test_no_cell_is_a_formula(book: Notebook, tmp_path: Path) -> None:
    files = write_csv_tables(whole_tables(book), tmp_path / "out")
    for file in files:
        with file.open(encoding="utf-8", newline="") as stream:
            for cell in (cell for row in csv.reader(stream) for cell in row):
                number = cell.removeprefix("-").replace(".", "").isdecimal()
                assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell


def broken(tables: Tables, table: str, column: str, value: Any) -> dict[str, Any]:
    changed = copy.deepcopy(tables)
    changed[table][-1][column] = value
    return {**changed}


@pytest.mark.parametrize(
    ("table", "column", "value", "told"),
    [
        ("runs", "time_s", "eight", "has 'eight' for time_s, where a number must be"),
        ("runs", "time_s", float("nan"), "where a number must be"),
        ("runs", "time_s", True, "where a number must be"),
        ("runs", "time_s", -1.0, "`time_s` -1"),
        ("runs", "temperature_c", 68.0, "`temperature_c` 68"),
        ("runs", "use", 1.5, "where a whole number must be"),
        ("runs", "film", "", "is not a valid name"),
        ("runs", "number", -3, "has -3 for number"),
        ("runs", "number", 0, "has 0 for number"),
        ("runs", "number", 2**52, f"has {2**52} for number"),
        ("runs", "note", "cut in its mi\ud83d", "half a character in note"),
        ("readings", "document", {"file": "neg-\udc80.tif"}, "half a character in document"),
        ("runs", "uid", None, "has no uid"),
        ("runs", "extra", 1, "has the unknown column extra"),
        ("runs", "changed", "yesterday", "where a date and time must be"),
        ("changes", "run", "nobody", "points to a row of runs that is not there"),
        ("changes", "before", {"time_s": 5.0}, "describes an impossible run"),
        ("changes", "what", "burn", "has the unknown what 'burn'"),
        ("documents", "kind", "lens", "has the unknown kind 'lens'"),
        ("documents", "document", "text", "where a JSON object must be"),
        ("negatives", "run", "nobody", "points to a row of runs"),
        ("readings", "negative", "nobody", "points to a row of negatives"),
        ("readings", "density_range", "1.05", "where a number must be"),
    ],
)
def test_one_bad_row_is_named_and_nothing_imported(
    table: str, column: str, value: Any, told: str, book: Notebook
) -> None:
    tables = whole_tables(book)
    with pytest.raises(NotebookError) as refused:
        checked(broken(tables, table, column, value), "out.json")
    assert f"out.json, {table} row {len(tables[table])} " in str(refused.value)
    assert told in str(refused.value)
    assert "nothing was imported" in str(refused.value)


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=5), inner, max_size=2),
    max_leaves=3,
)


def test_whatever_stands_in_a_cell_ends_in_one_sentence_or_a_sound_notebook(book: Notebook, tmp_path: Path) -> None:
    tables = whole_tables(book)
    with Notebook(tmp_path / "two.sqlite") as other:

        @settings(max_examples=60)
        @given(st.sampled_from([(table, column.name) for table in TABLES for column in TABLES[table]]), anything)
        def one_cell(cell: tuple[str, str], value: object) -> None:
            with suppress(NotebookError):
                other.merge(checked(broken(tables, *cell, value), "out.json"))

        one_cell()
        assert other.check() == ()


def test_row_twice_and_table_missing_are_refused(book: Notebook) -> None:
    tables = whole_tables(book)
    with pytest.raises(NotebookError, match=r"films row 2 has the uid of a row above it"):
        checked({**tables, "films": tables["films"] * 2}, "out.json")
    with pytest.raises(NotebookError, match="no table of films"):
        checked({name: rows for name, rows in tables.items() if name != "films"}, "out.json")
    with pytest.raises(NotebookError, match="films row 1 is not a row"):
        checked({**tables, "films": ["film"]}, "out.json")


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", '{"format": "other"}', '{"format": NaN}', "[" * 100_000, '{"format": "densiscan.notebook/1"}'],
)
def test_what_is_no_export_is_one_sentence(content: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "out.json"
    place.write_text(content)
    book = tmp_path / "notebook.sqlite"
    assert app.run(["notebook", "import", str(place), "--notebook", str(book)]) == 1
    said = capsys.readouterr()
    assert len(said.err.splitlines()) == 1
    assert "out.json" in said.err
    assert not book.exists()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no head line"),
        ("uid,name,colour\n", "unknown column colour"),
        ("uid,uid\n", "column twice"),
        ("uid,name,changed\na,b\n", "row 1 has 2 cells instead of 3"),
        ('uid,name,changed\na,"b\n', "is not a table"),
        ("uid,name,changed,base_density\na,b,2026-01-01T00:00:00+00:00,light\n", "'light' for base_density"),
    ],
)
def test_bad_table_file_is_one_sentence(text: str, told: str, book: Notebook, tmp_path: Path) -> None:
    write_csv_tables(whole_tables(book), tmp_path / "out")
    (tmp_path / "out" / "films.csv").write_text(text)
    with pytest.raises(NotebookError, match=told):
        read_tables(tmp_path / "out")


def test_commands_of_the_notebook(
    book: Notebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    book.close()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "two.sqlite"))
    own = f"--notebook {book.path}"
    for line in (f"notebook export out.json {own}", f"notebook export tables --csv {own}"):
        assert app.run(line.split()) == 0
    for place in ("out.json", "tables", str(book.path)):
        assert app.run(["notebook", "import", place]) == 0
    out = capsys.readouterr().out
    assert f"Added: {len(NOTES)} runs" in out
    assert out.count("Added: nothing") == 2
    assert all(len(line) <= 80 or str(tmp_path) in line for line in out.splitlines())
    assert app.run(["notebook", "import", "two.sqlite"]) == 2
    assert app.run(["notebook", "export", "out.json", "--csv"]) == 2
    assert app.run(["notebook", "import", "nowhere.json"]) == 2
    capsys.readouterr()
    for line, told in (
        ("notebook check", "Its file is sound"),
        ("notebook film Film-B --base 0.08", "Film-B: density of the base 0.08"),
        ("notebook batch -1 --developer =developer", "no such"),
        ("notebook batch June --developer C --mixed 2026-06-01", "mixed on 2026-06-01, not yet used"),
    ):
        status = app.run(line.split())
        said = capsys.readouterr()
        assert (told in said.out) == (status == 0), said
        assert all(len(row) <= 80 or str(tmp_path) in row for row in said.out.splitlines())


def test_batch_tells_its_uses(tmp_path: Path, clock: Callable[[], str]) -> None:
    with Notebook(tmp_path / "notebook.sqlite", clock=clock) as book:
        plain: dict[str, Any] = {"number": 0, "film": "A", "developer": "B", "time_s": 1.0, "temperature_c": 20.0}
        for use, day in ((1, "2026-01-02"), (2, "2026-01-03")):
            book.add_run(Run(**plain, batch="New", use=use, date=day, sheets=2, sheet_size_mm=(100.0, 125.0)))
        batch = book.batch("b", "new")
        assert (batch.mixed, batch.uses, batch.runs) == ("2026-01-02", 2, (1, 2))
        assert 0.0499 < batch.film_area_m2 < 0.0501  # 4 sheets of 0.0125 m2
